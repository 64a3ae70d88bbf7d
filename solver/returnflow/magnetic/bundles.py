"""
Vias far from where currents enter and from routes, taken together: those of a cell of the board as one link.

A cell is no wider than its distance, so that each of its vias sees nearly the same voltage. The link ends in the middle
of its vias, on a square that current enters as a disc of radius r; but n vias are n places to enter by, as one of the
radius R = exp(mean of ln of their distances). What the current meets between r and R in one place it does not meet in
n places,

    Rs / (2 pi) ln(R / r) on each copper and mu0 h / (2 pi) ln(R / max(r, h)) between coppers at a distance h,

and is taken from the link, of its resistance all but a part. Whatever flows there has at least that, so that nothing
becomes negative. Derived; tested against four vias between two discs.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely import LineString

from returnflow.magnetic.barrels import Barrel, partial_inductance
from returnflow.magnetic.entries import Entries
from returnflow.magnetic.routes import elevations
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0, sheet_resistance
from returnflow_geometry.model.board import Case, Link, Terminal

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CELL = 1.0  # of the distance to where currents enter and to routes, width of a cell
FAR = 0.05  # of the distance to where currents enter, the radius of a contact
APART = 0.3  # of the distance to the next contact, half a contact at most
CLEAR = 0.5  # of the distance to the next line
SQUARE = 0.59017  # of its side, the radius of a disc with the logarithmic capacity of a square (from memory)
LEAST_LEFT = 0.1  # of the resistance of vias taken together


def taken_together(
    case: Case, conductors: Conductors, where: Entries, coarser: float
) -> tuple[tuple[Terminal, ...], tuple[Link, ...], dict[str, tuple[str, float]], frozenset[str]]:
    """Terminals and links with far vias taken together, and contacts left out where no current enters."""
    board, here = case.board, set(conductors.names)
    terminal = {each.name: each for each in board.terminals if each.copper in here}
    vias = [link for link in board.links if _is_via(link) and terminal.keys() >= {*link.between}]
    kept = {end for loop in case.loops for end in (loop.inject, loop.return_)}
    kept |= {end for link in board.links if not _is_via(link) for end in link.between}
    kept |= {end for link in vias for end in link.between if not _single(terminal[end])}
    # A via through many coppers is many links: all of them or none.
    while touching := {end for link in vias if kept & {*link.between} for end in link.between} - kept:
        kept |= touching
    ends = sorted({end for link in vias for end in link.between} - kept)
    cell = _cells(np.array([terminal[end].centre for end in ends]).reshape(-1, 2), where, coarser)
    # What crosses a region's border is counted by the contacts in it.
    groups: dict[tuple[str, int, frozenset[str]], list[Terminal]] = defaultdict(list)
    for end, number in zip(ends, cell.tolist(), strict=True):
        at = shapely.Point(terminal[end].centre)
        within = [it.name for it in case.regions if it.copper == terminal[end].copper and it.shape.contains(at)]
        groups[terminal[end].copper, number, frozenset(within)].append(terminal[end])
    joint = {each.name: _middle(members) for members in groups.values() for each in members}
    standing = {_middle(members).name: members for members in groups.values()}
    others = [each for name, each in terminal.items() if name in kept]
    shown = _shown(case, where, standing, others, coarser)
    terminals = tuple(
        shown[each.name].contact if each.name in shown else each
        for each in board.terminals
        if each.name in kept or each.name in shown or each.copper not in here
    )
    pairs: dict[tuple[str, str], list[Link]] = defaultdict(list)
    for link in vias:
        if joint.keys() >= {*link.between}:
            one, other = sorted(joint[end].name for end in link.between)
            pairs[one, other].append(link)
    bundles = [((shown[one], shown[other]), members) for (one, other), members in pairs.items()]
    many = Counter(end.contact.name for both, _ in bundles for end in both)
    links, joined = [], {}
    for both, members in bundles:
        alone = [end for end in both if many[end.contact.name] == 1]
        link = _link(case, conductors, both, members, [terminal[each.between[0]] for each in members], alone)
        conductance = np.array([1 / max(each.resistance, 1e-9) for each in members])
        for member, share in zip(members, (conductance / conductance.sum()).tolist(), strict=True):
            along = joint[member.between[0]].name == link.between[0]
            joined[member.name] = (link.name, share if along else -share)
        links.append(link)
    return terminals, (*(link for link in board.links if link.name not in joined), *links), joined, frozenset(shown)


@dataclass(frozen=True)
class _Shown:
    """A contact that stands for some, and the radius in metres of what is its own round it."""

    contact: Terminal
    room: float

    @property
    def entered(self) -> float:
        """Radius of the disc that current enters as it enters the square, metres."""
        x0, _, x1, _ = self.contact.shape.bounds
        return float(SQUARE * (x1 - x0))


def _shown(
    case: Case, where: Entries, groups: Mapping[str, Sequence[Terminal]], others: Iterable[Terminal], coarser: float
) -> dict[str, _Shown]:
    """
    Contacts by their names, each as a square for the vias it stands for.

    It is as large as these ask for, as its neighbours leave room for, and as is small against where it is far from.
    """
    kept: dict[str, list[Terminal]] = defaultdict(list)
    for each in others:
        kept[each.copper].append(each)
    mine = {name: next(each for each in group if each.name == name) for name, group in groups.items()}
    lines = {name: _lines(case, name, kept[name]) for name in {each.copper for each in mine.values()}}
    coppers = {name: case.board.remaining(name) for name in lines}
    for copper in coppers.values():
        shapely.prepare(copper)
    # In the middle of the vias where there is room; else on one of them, where there is.
    place, clear = {}, {}
    for name, each in mine.items():
        middle = shapely.Point(np.mean([via.centre for via in groups[name]], axis=0))
        free = coppers[each.copper].contains(middle)
        if not free or _distance(middle, lines[each.copper]) < 2 * _radius(each):
            middle = shapely.Point(each.centre)
        place[name], clear[name] = middle.coords[0], _distance(middle, lines[each.copper])
    trees = {
        copper: KDTree(
            [*(each.centre for each in kept[copper]), *(place[n] for n, each in mine.items() if each.copper == copper)]
        )
        for copper in coppers
    }
    away = where.distance(np.array([each.shape for each in mine.values()], dtype=object), coarser)
    result = {}
    for (name, each), far in zip(mine.items(), away.tolist(), strict=True):
        apart = float(trees[each.copper].query(place[name], k=[2])[0][0])
        wanted = min(_bundle_radius(groups[name]), FAR * far)
        half = max(min(0.5 * wanted / SQUARE, APART * apart, CLEAR * clear[name]), 0.5 * _radius(each) / SQUARE)
        x, y = place[name]
        square = replace(each, shape=shapely.box(x - half, y - half, x + half, y + half))
        result[name] = _Shown(square, 0.5 * apart)
    return result


def _distance(at: shapely.Point, lines: shapely.STRtree) -> float:
    return float(shapely.distance(at, lines.geometries[lines.nearest(at)]))


def _lines(case: Case, copper: str, contacts: Iterable[Terminal]) -> shapely.STRtree:
    """Outlines of a copper, of its regions and of some contacts, and its sections."""
    shapes = [case.board.remaining(copper), *(it.shape for it in case.regions if it.copper == copper)]
    lines = [shapely.boundary(shape) for shape in (*shapes, *(each.shape for each in contacts))]
    lines += [LineString(it.path) for it in case.sections if it.copper == copper]
    return shapely.STRtree(np.array([part for line in lines for part in shapely.get_parts(line)], dtype=object))


def _bundle_radius(members: Sequence[Terminal]) -> float:
    """Radius of one contact that current enters as it enters all of these, metres."""
    places, radii = np.array([each.centre for each in members]), np.array([_radius(each) for each in members])
    away = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    return float(np.exp(np.mean(np.log(np.maximum(away, np.sqrt(np.outer(radii, radii)))))))


def _link(
    case: Case,
    conductors: Conductors,
    ends: tuple[_Shown, _Shown],
    members: Sequence[Link],
    vias: Sequence[Terminal],
    alone: Sequence[_Shown],
) -> Link:
    """
    One link for some vias, by their links and contacts; `alone` those of its `ends` that no other link ends on.

    Copper between two links of one via carries the difference of their currents: nothing is taken there.
    """
    board, at = case.board, elevations(case, conductors.names)
    height = [at[board.copper(end.contact.copper).layer] for end in ends]
    resistance, inductance = 1 / sum(1 / max(each.resistance, 1e-9) for each in members), 0.0
    if case.via_inductance and len(members) > 1:
        barrels = [
            Barrel(0, 1.0, via.centre, height[0], height[1], link.barrel or _radius(via))
            for via, link in zip(vias, members, strict=True)
        ]
        inductance += float(np.mean(partial_inductance(barrels)))
    # Where what is round one bundle is round no other.
    radius, apart = min(_bundle_radius(vias), *(end.room for end in ends)), abs(height[0] - height[1])
    less = 0.0
    for end in alone:
        sheet = sheet_resistance(board.layer(board.copper(end.contact.copper).layer).thickness, board.temperature)
        less += sheet / (2 * np.pi) * max(0.0, float(np.log(radius / end.entered)))
    # Less than nothing makes the iteration slow; at 0 Hz the resistive solution counts anyway.
    resistance = max(resistance - less, LEAST_LEFT * resistance)
    widest = max(*(end.entered for end in ends), apart)
    inductance -= MU0 * apart / (2 * np.pi) * max(0.0, float(np.log(radius / widest)))
    barrel = members[0].barrel if len(members) == 1 else None
    names = (ends[0].contact.name, ends[1].contact.name)
    return Link(name=members[0].name, between=names, resistance=resistance, inductance=inductance, barrel=barrel)


def _is_via(link: Link) -> bool:
    return link.barrel is not None and link.capacitance is None and link.inductance == 0


def _single(terminal: Terminal) -> bool:
    return bool(terminal.shape.geom_type == "Polygon")


def _radius(terminal: Terminal) -> float:
    return float(np.sqrt(terminal.shape.area / np.pi))


def _middle(members: Sequence[Terminal]) -> Terminal:
    """That one of some terminals which lies nearest to the middle of all."""
    at = np.array([each.centre for each in members])
    away = np.hypot(*(at - at.mean(axis=0)).T)
    return min(zip(away.tolist(), members, strict=True), key=lambda item: (round(item[0], 9), item[1].name))[1]


def _cells(places: Floats, where: Entries, coarser: float) -> Ints:
    """
    Number of the cell of every place, shape (k,).

    Cells are squares cut into four until they are small against their distance, or hold one place only.
    """
    result = np.full(len(places), -1)
    if not len(places):
        return result
    side = float(np.ptp(places, axis=0).max()) + 1e-9
    corner = places.min(axis=0)
    open_, number = np.arange(len(places)), 0
    while len(open_):
        index = np.floor((places[open_] - corner) / side).astype(np.int64)
        cells, mine = np.unique(index, axis=0, return_inverse=True)
        mine = mine.ravel()
        low = corner + side * cells
        boxes = shapely.box(*low.T, *(low + side).T)
        done = (side <= CELL * coarser * where.distance(boxes, coarser)) | (np.bincount(mine) == 1)
        # Places that coincide, or nearly so, near what matters: each is by itself in the end.
        done |= side < 1e-6
        fresh = number + np.cumsum(done) - 1
        result[open_[done[mine]]] = fresh[mine][done[mine]]
        number += int(np.count_nonzero(done))
        open_, side = open_[~done[mine]], 0.5 * side
    return result
