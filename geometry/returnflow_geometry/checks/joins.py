"""Which terminals of all coppers are joined, by copper and by links, and what keeps the ends of a loop apart."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from returnflow_geometry.checks.connection import LoopEnds, explain_separation, joined
from returnflow_geometry.checks.sheets import Sheet
from returnflow_geometry.model.board import Link, Loop
from returnflow_geometry.model.wording import label, listed

Message = tuple[str, str, str, str]
_OR_LINK = "or join them by a [[link]] without capacitance_F"


class _Contact(NamedTuple):
    """A good contact: number of its sheet, its number there, and one piece of copper it touches."""

    sheet: int
    number: int
    piece: int


class Network:
    """
    Contacts of all coppers, and what joins them.

    Parameters
    ----------
    sheets : sequence of Sheet
    links : sequence of Link
        Those at a terminal that touches no copper join nothing.
    """

    def __init__(self, sheets: Sequence[Sheet], links: Sequence[Link]) -> None:
        self.sheets = sheets
        self._contacts: dict[str, _Contact] = {}
        touching: list[list[int]] = []
        count = 0
        for s, sheet in enumerate(sheets):
            for k, contact in enumerate(sheet.good_contacts):
                pieces = [count + piece for piece in sheet.connection.pieces_at(k)]
                if pieces:
                    self._contacts[contact.terminal.name] = _Contact(s, k, pieces[0])
                    touching.append(pieces)
            count += len(sheet.connection.pieces)
        self.links = [link for link in links if all(end in self._contacts for end in link.between)]
        # By piece of copper: what is joined at 0 Hz, and what is joined at all.
        self._at_dc = joined(count, touching + [self._ends(link) for link in self.links if link.capacitance is None])
        self._at_all = joined(count, touching + [self._ends(link) for link in self.links])
        self._reasons: dict[frozenset[int], tuple[str, str]] = {}

    def _ends(self, link: Link) -> list[int]:
        return [self._contacts[end].piece for end in link.between]

    def knows(self, name: str) -> bool:
        """Tell whether a terminal touches copper."""
        return name in self._contacts

    def mistakes(self, loop: Loop) -> Iterator[Message]:
        """
        Say why the current of a loop cannot flow: which key, what was found, the rule, what to do.

        Parameters
        ----------
        loop : Loop
            Both its terminals are known.
        """
        first, second = self._contacts[loop.inject], self._contacts[loop.return_]
        where = label("loop", loop.name)
        if self._at_all[first.piece] != self._at_all[second.piece]:
            names = [self.sheets[contact.sheet].copper.name for contact in (first, second)]
            if first.sheet == second.sheet:
                ends = f"inject {listed([loop.inject])} and return {listed([loop.return_])}"
                given = f"{ends} lie on pieces of copper {listed(names[:1])} that are not connected"
            else:
                inject, return_ = (
                    f"{listed([end])} on copper {listed([name])}"
                    for end, name in zip(loop_ends(loop), names, strict=True)
                )
                given = f"inject {inject} and return {return_} are not connected"
            yield where, given, *self._reason(first, second)
        elif self._at_dc[first.piece] != self._at_dc[second.piece] and (steady := steady_current(loop)):
            given = f"{steady}, and its ends are joined only through {self._capacitors(first, second)}"
            rule = "a capacitor carries no current at 0 Hz"
            yield where, given, rule, f"give its current by lines above 0 Hz only, {_OR_LINK}"

    def assumptions(self, loop: Loop) -> list[str]:
        """Sentence about a loop that is open at 0 Hz."""
        first, second = self._contacts[loop.inject], self._contacts[loop.return_]
        if self._at_dc[first.piece] == self._at_dc[second.piece]:
            return []
        through = self._capacitors(first, second)
        return [f"{label('Loop', loop.name)}: its ends are joined only through {through}: it is open at 0 Hz."]

    def idle_links(self, loops: Sequence[Loop]) -> list[str]:
        """Names of links on copper that no loop reaches."""
        used = {self._at_all[self._contacts[end].piece] for loop in loops for end in loop_ends(loop) if self.knows(end)}
        return [link.name for link in self.links if self._at_all[self._ends(link)[0]] not in used]

    def _capacitors(self, first: _Contact, second: _Contact) -> str:
        """Links of the shortest way that has capacitors, as a message names them."""
        ways: dict[int, list[tuple[int, Link]]] = defaultdict(list)
        for link in self.links:
            a, b = (self._at_dc[piece] for piece in self._ends(link))
            ways[a].append((b, link))
            ways[b].append((a, link))
        start, goal = self._at_dc[first.piece], self._at_dc[second.piece]
        before: dict[int, tuple[int, Link]] = {}
        todo = deque([start])
        while todo and goal not in before:
            here = todo.popleft()
            for there, link in ways[here]:
                if there != start and there not in before:
                    before[there] = (here, link)
                    todo.append(there)
        names, here = [], goal
        while here in before:
            here, link = before[here]
            names.append(link.name)
        what = "the capacitor of link" if len(names) == 1 else "the capacitors of links"
        return f"{what} {listed(reversed(names))}"

    def _reason(self, first: _Contact, second: _Contact) -> tuple[str, str]:
        groups = frozenset((self._at_all[first.piece], self._at_all[second.piece]))
        if groups not in self._reasons:
            self._reasons[groups] = self._find_reason(first, second)
        return self._reasons[groups]

    def _find_reason(self, first: _Contact, second: _Contact) -> tuple[str, str]:
        """Rule and advice: cutouts of one copper that keep the ends apart, else that no link joins the coppers."""
        nearby = [first.sheet, second.sheet]
        others = [s for s in range(len(self.sheets)) if s not in nearby and self.sheets[s].cutouts]
        for s in dict.fromkeys([*nearby, *others]):
            sheet = self.sheets[s]
            # Any contact of a side stands for it, on this copper.
            sides = [self._any_contact(s, contact) for contact in (first, second)]
            if sides[0] is None or sides[1] is None:
                continue
            ends = LoopEnds(sides[0], sides[1])
            nets = self._nets(s)
            uncut = sheet.uncut.joined_outside(nets)
            if first.sheet == second.sheet == s or uncut.joins(ends):
                cut = sheet.connection.joined_outside(nets)
                return explain_separation(sheet.drawn, sheet.cutouts, uncut, cut, ends)
        names = [self.sheets[contact.sheet].copper.name for contact in (first, second)]
        return (
            f"no [[link]] joins copper {listed(names[:1])} with copper {listed(names[1:])}, directly or over others",
            "add a [[link]] between a terminal on each of them, or name two terminals of one copper",
        )

    def _any_contact(self, sheet: int, like: _Contact) -> int | None:
        if like.sheet == sheet:
            return like.number
        group = self._at_all[like.piece]
        found = (c.number for c in self._contacts.values() if c.sheet == sheet and self._at_all[c.piece] == group)
        return next(found, None)

    def _nets(self, sheet: int) -> list[list[int]]:
        """Contacts of one copper that are joined by whatever there is."""
        nets: dict[int, list[int]] = defaultdict(list)
        for contact in self._contacts.values():
            if contact.sheet == sheet:
                nets[self._at_all[contact.piece]].append(contact.number)
        return list(nets.values())


def loop_ends(loop: Loop) -> tuple[str, str]:
    """Names of the terminals of a loop."""
    return (loop.inject, loop.return_)


def steady_current(loop: Loop) -> str:
    """
    Say which part of a noisy loop's current may flow at 0 Hz; empty if there is none, or none is known of.

    Examples
    --------
    >>> steady_current(Loop(name="fan", role="noisy", inject="A", return_="B", current=1.0))
    'its current has no known frequency above 0 Hz'
    >>> steady_current(Loop(name="fan", role="noisy", inject="A", return_="B", current=1.0, frequency=50.0))
    ''
    """
    if loop.current is not None and not loop.frequency:
        return "its current has no known frequency above 0 Hz"
    if loop.spectrum is not None and loop.spectrum[0][0] == 0:
        return "its spectrum has a line at 0 Hz"
    if loop.trapezoid is not None and loop.trapezoid.mean:
        return f"its trapezoid has a mean of {loop.trapezoid.mean:.3g} A"
    return ""
