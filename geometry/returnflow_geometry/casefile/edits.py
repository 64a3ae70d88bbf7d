"""One variant, or one step of a sweep, made of the case it belongs to: dropped, added, moved and set things."""

from __future__ import annotations

from collections.abc import Callable, Mapping, MutableSet, Sequence
from typing import TypeVar

from returnflow_geometry.casefile.addresses import Draft, Table, Target, find, find_key, get_at, put_at
from returnflow_geometry.casefile.motion import MOVABLE, centre, follow, moved
from returnflow_geometry.keys.changes import DROPPABLE, Tables
from returnflow_geometry.keys.reading import Book, Spot
from returnflow_geometry.model.numbers import MM, place
from returnflow_geometry.model.wording import listed, show

_Found = TypeVar("_Found")
WHOLE = 1e6  # a number as large is clearer with an exponent
LYING = ("cutout", "bridge", "terminal", "vias", "bank", "region", "section")  # kinds that lie on a copper
TWO_COPPERS = ("vias", "bank")  # of these, what joins two at least


class Edit:
    """
    Changes to a case, made one after the other, and settled at the end.

    Parameters
    ----------
    base : Draft
        The case; not changed.
    where : str
        How messages call the variant or step.

    Attributes
    ----------
    draft : Draft
        The changed tables.
    mistakes : list of str
        Of the changes themselves; what they lead to shows when the draft is read.
    touched : set of Target
        Things that are changed themselves.
    understood : bool
        False if a change could not be made: then what the draft leads to may be wrong only because of that.
    """

    def __init__(self, base: Draft, where: str) -> None:
        self.draft = base.copy()
        self.touched: MutableSet[Target] = set()
        self._missed = False
        self._base = base
        self._where = where
        self._book = Book()
        self._dropped: dict[Target, Target | None] = {}  # with what it is dropped
        self._changes: list[str] = []

    @property
    def mistakes(self) -> list[str]:
        """Mistakes of the changes themselves."""
        return self._book.mistakes

    @property
    def understood(self) -> bool:
        """Whether every change could be made."""
        return not self._missed and not self._book.mistakes

    @property
    def changes(self) -> tuple[str, ...]:
        """What differs from the case, in plain sentences: first what is dropped, and with what."""
        dropped = (
            f"{target.kind} {target.quoted} is dropped" + (f" with {owner.kind} {owner.quoted}" if owner else "")
            for target, owner in self._dropped.items()
        )
        return (*dropped, *self._changes)

    def spot(self, key: str) -> Spot:
        """Where a mistake of the changes is noted."""
        return Spot(self._book, f"{self._where}: {key}")

    def drop_and_add(self, names: Sequence[str], tables: Tables) -> None:
        """Take things out and put others in; one of the same kind and name as another takes its place."""
        found = (find(self.spot(f"drop {listed([name])}"), self.draft, name, DROPPABLE, "dropped") for name in names)
        targets = [target for target in found if target is not None]
        self._missed |= len(targets) < len(names)
        dropped = dict.fromkeys(targets)
        for kind, items in tables.items():
            for table in items:
                target = Target(kind, str(table["name"]))
                if target in dropped:
                    self._put(target, table, f"{kind} {target.quoted} is replaced")
                    del dropped[target]
                elif self.draft.get(target) is not None:
                    self.spot(f"add.{kind} {listed([target.name])}").wrong(
                        f"has the name of a {kind} that is there",
                        f"every {kind} needs a name of its own",
                        "rename it, or drop the other one in the same variant to replace it",
                    )
                else:
                    self._put(target, table, f"{kind} {target.quoted} is added")
        self.draft.drop(dropped)
        self._dropped = dict.fromkeys(dropped)

    def move(self, address: str, to: Sequence[float], key: str = "move") -> None:
        """Move a thing so that its centre lies at another place, in millimetres."""
        spot = self.spot(f"{key} {listed([address])}")
        target = self._found(spot, lambda where, draft: find(where, draft, address, MOVABLE, "moved"))
        table = {} if target is None else self.draft.get(target) or {}
        now, after = centre(table), moved(table, to)
        self._missed |= after is None
        if target is not None and now is not None and after is not None:
            here, there = (place(x / MM, y / MM) for x, y in (now, to))
            self._put(target, after, f"{target.quoted} moves from {here.removesuffix(' mm')} to {there}")

    def set(self, address: str, value: object, key: str = "set") -> None:
        """Give a key another value, or one that it had not."""
        spot = self.spot(f"{key} {listed([address])}")
        found = self._found(spot, lambda where, draft: find_key(where, draft, address))
        if found is None:
            self._missed = True
            return
        target, way = found
        table = self.draft.get(target) or {}
        old, new = get_at(table, way), put_at(spot, table, way, value)
        if not isinstance(new, dict) or _alike(old, value):
            return
        before = " (not given as drawn)" if old is None else f" instead of {show(_plain(old))}"
        self._put(target, new, f"{target.quoted} {'.'.join(way)} is {show(_plain(value))}{before}")

    def settle(self, *, whole: bool = True) -> None:
        """
        Drop what lies on dropped things, and let the routes follow the terminals that lie elsewhere.

        Not `whole` where what is added could not be read: it may take the place of what a loop then lacks.
        """
        self._drop_lying()
        self._drop_links()
        for target, table in self.draft.all("loop"):
            ends = [end for end in ("inject", "return") if self._gone("terminal", table.get(end)) is not None]
            for end in ends if whole else []:
                gone = Target("terminal", str(table[end]))
                self.spot(gone.labelled).wrong(
                    f"{self._is_dropped(gone)}, and is the {end} of {target.labelled}",
                    "a loop needs both terminals",
                    f'keep the terminal, drop the loop as well, or set "{target.name}.{end}"',
                )
            if ends:  # so that no more is said of it
                self.draft.drop([target])
        self._changes += follow(self._base, self.draft)

    def _drop_lying(self) -> None:
        """What lies on a dropped copper goes with it."""
        lying: dict[Target, Target | None] = {}
        for kind in LYING if any(target.kind == "copper" for target in self._dropped) else ():
            for target, table in self.draft.all(kind):
                key = "coppers" if kind in TWO_COPPERS else "copper"
                value = table.get(key)
                every = value if isinstance(value, list) else [value]
                gone = [copper for copper in (self._gone("copper", name) for name in every) if copper is not None]
                left = [name for name in every if self._gone("copper", name) is None]
                if gone and len(left) < (2 if kind in TWO_COPPERS else 1):
                    lying[target] = gone[0]
                elif gone:  # on the others it stays
                    self.draft.put(target, {**table, key: left})
        self._drop_with(lying)

    def _drop_links(self) -> None:
        """A link at a dropped terminal goes with it."""
        links: dict[Target, Target | None] = {}
        for target, table in self.draft.all("link"):
            ends = table.get("between")
            gone = [self._gone("terminal", end) for end in (ends if isinstance(ends, list) else [])]
            if any(gone):
                links[target] = next(filter(None, gone))
        self._drop_with(links)

    def _gone(self, kind: str, name: object) -> Target | None:
        """Thing of that name, if it is dropped."""
        target = Target(kind, name) if isinstance(name, str) else None
        return target if target in self._dropped else None

    def _is_dropped(self, target: Target) -> str:
        owner = self._dropped[target]
        return "is dropped" + (f" with {owner.labelled}" if owner else "")

    def _drop_with(self, targets: Mapping[Target, Target | None]) -> None:
        self.draft.drop(targets)
        self._dropped |= targets
        for target in targets:
            if target in self.touched:
                self.spot(target.labelled).wrong(
                    f"is changed or added, and {self._is_dropped(target)}",
                    "what is dropped cannot be changed",
                    "keep what it belongs to, or leave it alone",
                )

    def _found(self, spot: Spot, search: Callable[[Spot, Draft], _Found | None]) -> _Found | None:
        """What an address names, among what this edit has not dropped."""
        quiet = Spot(Book(), "")
        if search(quiet, self.draft) is None and search(quiet, self._base) is not None:
            spot.wrong(
                "is dropped in the same variant", "what is dropped cannot be changed", "leave out one of the two"
            )
            return None
        return search(spot, self.draft)

    def _put(self, target: Target, table: Table, change: str) -> None:
        if not _alike(table, self.draft.get(target)):
            self.draft.put(target, table)
            self.touched.add(target)
            self._changes.append(change)


def _alike(one: object, other: object) -> bool:
    """Tell whether two values of a case file are the same. In Python true is 1, in a case file it is not."""
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_alike(one[key], other[key]) for key in one)
    return one == other


def _plain(value: object) -> object:
    """Value whose whole numbers have no decimal point, for a sentence."""
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < WHOLE else value
