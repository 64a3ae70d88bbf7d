"""Which pieces of a copper are joined, and which cutouts keep two of them apart."""

from __future__ import annotations

import copy
import heapq
import itertools
from collections.abc import Collection, Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon, STRtree

from returnflow_geometry.model.board import GRID, Cutout, Shape
from returnflow_geometry.model.groups import grouped
from returnflow_geometry.model.overlay import difference, intersection, union_all
from returnflow_geometry.model.wording import listed

LEAST_AREA = 1e-12  # m2: a terminal that touches a piece with less does not join it
REACH = 1e-8  # m: a neighbour is felt within this distance
LEAST_BORDER = 1e-6  # m: pieces with less common border touch in a point, which joins nothing
MAX_TRIED = 100  # cutouts tried one by one


class LoopEnds(NamedTuple):
    """The two ends of a loop, as numbers of contacts."""

    inject: int
    return_: int


class Connection:
    """
    Pieces of copper, joined where a terminal (an equipotential contact) touches several.

    Parameters
    ----------
    pieces : sequence of Polygon
        Separate pieces, in metres.
    contacts : sequence of Polygon or MultiPolygon
        Contacts of the terminals, in metres.
    """

    def __init__(self, pieces: Sequence[Polygon], contacts: Sequence[Shape]) -> None:
        self.pieces = list(pieces)
        self.contacts = list(contacts)
        self._touched: list[list[int]] = [[] for _ in contacts]
        # The many-cornered pieces ask the tree of contacts, as the asking side is the prepared one.
        asked, met = STRtree(self.contacts).query(as_array(self.pieces), predicate="intersects")
        for piece, k in zip(asked.tolist(), met.tolist(), strict=True):
            contact = self.contacts[k]
            shapely.prepare(self.pieces[piece])
            # A contact may itself be smaller than what counts as touching.
            least = min(LEAST_AREA, contact.area / 4)
            if self.pieces[piece].covers(contact) or intersection(self.pieces[piece], contact).area > least:
                self._touched[k].append(piece)
        self._joins = self._touched
        self.groups = joined(len(self.pieces), self._joins)

    def joined_outside(self, outside: Sequence[Sequence[int]]) -> Connection:
        """Return the same with some contacts joined elsewhere, by links and other coppers; each sequence is one net."""
        other = copy.copy(self)
        other._joins = self._touched + [[k for c in net for k in self._touched[c]] for net in outside]
        other.groups = joined(len(self.pieces), other._joins)
        return other

    def pieces_at(self, contact: int) -> list[int]:
        """Pieces that a terminal touches."""
        return self._touched[contact]

    def group_of(self, contact: int) -> int:
        """Group of joined pieces that a terminal belongs to; -1 if it touches none."""
        touched = self._touched[contact]
        return self.groups[touched[0]] if touched else -1

    def area(self, group: int) -> float:
        """Area of all pieces of a group, in square metres."""
        return float(sum(piece.area for piece, k in zip(self.pieces, self.groups, strict=True) if k == group))

    def joins(self, ends: LoopEnds) -> bool:
        """Tell whether current can flow from one end to the other."""
        return self.group_of(ends.inject) == self.group_of(ends.return_)

    def floating(self) -> list[Polygon]:
        """Pieces that no terminal touches."""
        touched = {piece for pieces in self._touched for piece in pieces}
        return [piece for k, piece in enumerate(self.pieces) if k not in touched]

    def joins_with(self, added: Sequence[Polygon], ends: LoopEnds) -> bool:
        """Tell the same with some more copper put in, such as where a cutout was."""
        if not added:
            return False
        count = len(self.pieces)
        links = [list(link) for link in self._joins]
        grown = shapely.buffer(as_array(added), REACH, quad_segs=1)
        asked, met = STRtree(grown).query(as_array(self.pieces), predicate="intersects")
        for piece, patch in zip(asked.tolist(), met.tolist(), strict=True):
            border = intersection(self.pieces[piece], grown[patch]).area / REACH
            if border > LEAST_BORDER:
                links.append([piece, count + patch])
        groups = joined(count + len(added), links)
        return groups[self._touched[ends.inject][0]] == groups[self._touched[ends.return_][0]]


def as_array(shapes: Sequence[Shape]) -> NDArray[Any]:
    """Shapes as an array, shape (n,); also for n = 0, which shapely does not take as a list."""
    return np.array(shapes, dtype=object)


def joined(count: int, links: Iterable[Sequence[int]]) -> list[int]:
    """Group number of each of `count` things, where each link joins all that it lists."""
    groups: list[int] = grouped(count, [pair for link in links for pair in itertools.pairwise(link)]).tolist()
    return groups


def explain_separation(
    drawn: Shape, cutouts: Sequence[Cutout], uncut: Connection, connection: Connection, ends: LoopEnds
) -> tuple[str, str]:
    """
    Say why two ends are not connected, and what to do.

    Names the smallest set of cutouts without which the ends would be connected: every single one that does,
    else the shortest chain of cutouts from one piece to the other, with those that cover the same place.

    Parameters
    ----------
    drawn : Polygon or MultiPolygon
        Copper as drawn, before its cutouts, in metres.
    cutouts : sequence of Cutout
        All cutouts of that copper.
    uncut : Connection
        The copper before its cutouts, with the same contacts.
    connection : Connection
        What is left.
    ends : LoopEnds
        Two ends that are not connected.

    Returns
    -------
    rule, advice : str
    """
    if not uncut.joins(ends):
        return (
            "the copper itself is drawn in several parts",
            "draw copper between the parts, move one end, or join the parts by a [[link]]",
        )
    barrier = _Barrier(drawn, cutouts, connection, ends)
    single = [k for k in barrier.between() if barrier.opens({k})]
    move = "move one end to the other side, or join both sides by a [[link]]"
    if single:
        names = listed([cutouts[k].name for k in single])
        if len(single) == 1:
            return f"cutout {names} separates them", f"bridge or shorten that cutout, {move}"
        return f"each of the cutouts {names} separates them", f"bridge or shorten any one of them, {move}"
    several = barrier.smallest_set()
    if several:
        names = listed([cutouts[k].name for k in several])
        return f"the cutouts {names} together separate them", f"bridge or shorten all of them, {move}"
    names = listed([cutouts[k].name for k in barrier.around()])
    return (
        f"several cutouts separate them, at the border of the smaller piece are {names}",
        f"bridge or shorten cutouts until copper connects both sides, {move}",
    )


class _Barrier:
    """Cutouts between two groups of joined pieces; cutouts are numbered."""

    def __init__(self, drawn: Shape, cutouts: Sequence[Cutout], connection: Connection, ends: LoopEnds) -> None:
        self.drawn = drawn
        self.connection = connection
        self.ends = ends
        self.shapes = as_array([cutout.shape for cutout in cutouts])
        self.tree = STRtree(self.shapes)
        # Which cutouts lie at the border of each group.
        self.beside: dict[int, set[int]] = {group: set() for group in connection.groups}
        for piece, near in enumerate(self._near(connection.pieces)):
            self.beside[connection.groups[piece]].update(near)
        self.start = connection.group_of(ends.inject)
        self.goal = connection.group_of(ends.return_)

    def _near(self, shapes: Sequence[Shape]) -> list[list[int]]:
        near: list[list[int]] = [[] for _ in shapes]
        asked, met = self.tree.query(as_array(shapes), predicate="dwithin", distance=2 * GRID)
        for i, k in zip(asked.tolist(), met.tolist(), strict=True):
            near[i].append(k)
        return near

    def between(self) -> list[int]:
        """Cutouts beside both groups; only such a one can separate them alone."""
        return sorted(self.beside[self.start] & self.beside[self.goal])[:MAX_TRIED]

    def around(self) -> list[int]:
        """Cutouts beside the smaller group."""
        smaller = min(self.start, self.goal, key=self.connection.area)
        return sorted(self.beside[smaller])

    def opens(self, removed: Collection[int]) -> bool:
        """Tell whether the ends are connected once these cutouts are removed."""
        back = intersection(union_all(self.shapes[list(removed)]), self.drawn)
        others = [k for k in self.tree.query(back, predicate="intersects").tolist() if k not in removed]
        if others:
            back = difference(back, union_all(self.shapes[others]), grid_size=GRID)
        added = [part for part in shapely.get_parts(back) if part.area > LEAST_AREA]
        return self.connection.joins_with(added, self.ends)

    def smallest_set(self) -> list[int]:
        """Cutouts of which none can stay if the ends are to be connected; empty if there is no short answer."""
        removed = set(self.chain())
        if removed and not self.opens(removed):
            # Others cover the same place.
            there = union_all(self.shapes[list(removed)])
            removed.update(self.tree.query(there, predicate="intersects").tolist())
        if not removed or len(removed) > MAX_TRIED or not self.opens(removed):
            return []
        for k in sorted(removed):
            if self.opens(removed - {k}):
                removed.discard(k)
        return sorted(removed)

    def chain(self) -> list[int]:
        """Fewest cutouts that lead from one group to the other; groups on the way cost nothing."""
        groups_of: list[list[int]] = [[] for _ in self.shapes]
        for group, near in self.beside.items():
            for k in near:
                groups_of[k].append(group)
        touching = self._near(list(self.shapes))
        # A node is (cost of entering it, number): a cutout costs 1, a group 0.
        start, goal = (0, self.start), (0, self.goal)
        best = {start: 0}
        before: dict[tuple[int, int], tuple[int, int]] = {}
        queue = [(0, start)]
        while queue and queue[0][1] != goal:
            cost, node = heapq.heappop(queue)
            is_cutout, k = node
            nearby = [(1, other) for other in (touching[k] if is_cutout else self.beside[k])]
            nearby += [(0, group) for group in groups_of[k]] if is_cutout else []
            for following in nearby:
                new = cost + following[0]
                if new < best.get(following, len(self.shapes) + 1):
                    best[following], before[following] = new, node
                    heapq.heappush(queue, (new, following))
        path = [goal]
        while path[-1] in before:
            path.append(before[path[-1]])
        return [k for is_cutout, k in reversed(path) if is_cutout]
