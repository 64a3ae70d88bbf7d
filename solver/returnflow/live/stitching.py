r"""
Boards of many vias: those that no loop names are joints of the copper, and no contacts of their own.

Such a via is a pin: its current enters at a point of a triangle, with the second-order shape functions there. On the
mesh that is less sharp than a disc of radius a. What the disc has more, `rise`, comes from the triangles round it: on
these the potential of a point is :math:`-\log r / 2\pi` if it is that on their border, and what the mesh makes of it
there is subtracted from :math:`-\log a / 2\pi` (in oil fields the same is done for a well in a block of a grid; D. W.
Peaceman, SPE Journal 18, 183, 1978, from memory). Pins of one tube and the resistances between them are a small
network, of which conductances between places on the mesh remain.

Discs of vias and small holes far from everything are not in the mesh. A disc of area A draws current in as a dipole,
a hole does the opposite; copper whose conductivity is (1 + f) / (1 - f) times as large, f = A over its area, does the
same (J. C. Maxwell's mixture, in two dimensions).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from returnflow.live.parts import NANO, Pin, Sheet
from returnflow.live.sheet import Unknowns, shapes
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

MANY = 60  # links between contacts that no loop names: with more, these are pins
FEW = 8  # contacts on a piece of copper on which a loop ends: there all stay contacts, a pad is small
SAMPLES = 37
SPREAD = 0.8  # of a triangle's edge: over so much a disc or a hole is spread
GRAIN = 1024  # steps of a conductivity
MOST = 0.6  # of a triangle, what holes may fill


@dataclass(frozen=True)
class Stitching:
    """
    Pins of a board, and what joins them.

    Attributes
    ----------
    pins : tuple of Pin
    joints : tuple of (pin, pin, siemens)
        Conductances between the potentials of the mesh at pins.
    vias : int
        Links that they stand for.
    """

    pins: tuple[Pin, ...]
    joints: tuple[tuple[int, int, float], ...]
    vias: int


def quiet_terminals(case: Case, conductors: Conductors, round_: Mask) -> Mask:
    """
    Which terminals are pins: none where there are few links.

    Parameters
    ----------
    case : Case
    conductors : Conductors
    round_ : array of bool, shape (terminals,)
        Which are one disc each, entirely on their copper.
    """
    count, links = len(conductors.terminals), conductors.links
    graph = coo_array((np.ones(len(links)), links.ends.T), shape=(count, count))
    _, tube = connected_components(graph, directed=False)
    bonded = [case.board.terminal(name).bonded is not None for name in conductors.terminals]
    loud = ~round_ | np.array(bonded, dtype=bool)
    ends = np.unique(conductors.ends(case))
    loud[ends] = True
    loud[links.ends[~links.conducting | (links.resistance == 0)]] = True
    for plane, contacts in zip(conductors.planes, conductors.contacts, strict=True):
        middles = shapely.points([shape.representative_point().coords[0] for shape in plane.contacts])
        parts = shapely.STRtree(shapely.get_parts(plane.copper))
        which, part = parts.query(middles, predicate="intersects")
        crowd = np.bincount(part, minlength=len(parts))
        small = np.isin(part, part[np.isin(contacts[which], ends)]) & (crowd[part] <= FEW)
        loud[contacts[which[small]]] = True
    quiet = ~np.isin(tube, tube[loud])
    if np.count_nonzero(quiet[links.ends[:, 0]]) <= MANY:
        quiet[:] = False
    return quiet


def stitching(conductors: Conductors, sheets: Sequence[Sheet], pins: Sequence[Pin]) -> Stitching:
    """Pins with what the mesh lacks at them, as conductances between places on the mesh."""
    rise = np.zeros(len(pins))
    of_terminal = {pin.terminal: n for n, pin in enumerate(pins)}
    for number, sheet in enumerate(sheets):
        mine = [n for n, pin in enumerate(pins) if pin.sheet == number]
        if mine:
            rise[mine] = sheet.resistance * _rises(sheet, [pins[n] for n in mine])
    links = conductors.links
    here = np.array([a in of_terminal and b in of_terminal for a, b in links.ends.tolist()], dtype=bool)
    pairs = [[of_terminal[t] for t in pair] for pair in links.ends[here].tolist()]
    ends = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    ohm = links.resistance[here]
    _, tube = connected_components(coo_array((np.ones(len(ends)), ends.T), shape=(len(pins),) * 2), directed=False)
    order = np.argsort(tube[ends[:, 0]], kind="stable")
    joints = []
    for rows in np.split(order, np.flatnonzero(np.diff(tube[ends[order, 0]])) + 1):
        if not len(rows):
            continue
        tied, which = np.unique(ends[rows], return_inverse=True)
        laplacian = np.zeros((len(tied), len(tied)))
        for (a, b), r in zip(which.reshape(-1, 2).tolist(), ohm[rows].tolist(), strict=True):
            laplacian[[a, b], [a, b]] += 1 / r
            laplacian[[a, b], [b, a]] -= 1 / r
        between = np.linalg.solve((np.eye(len(tied)) + rise[tied, None] * laplacian).T, laplacian.T).T
        joints += [(int(tied[a]), int(tied[b]), -float(between[a, b])) for a, b in combinations(range(len(tied)), 2)]
    return Stitching(tuple(pins), tuple(joints), int(np.count_nonzero(here)))


def _rises(sheet: Sheet, pins: Sequence[Pin]) -> Floats:
    """Potential at the rim of every pin's disc less that of the mesh at its place, per ampere, in squares."""
    it, found = Unknowns(replace(sheet, conductivity=None)), np.empty(len(pins))
    order = np.argsort(sheet.triangles.ravel(), kind="stable")
    count = np.bincount(sheet.triangles.ravel(), minlength=len(sheet.points))
    round_point = np.split(order // 3, np.cumsum(count)[:-1])
    # A disc does not draw its own current in.
    triangles, filled = _spread(sheet, np.array([(*pin.place, pin.radius) for pin in pins]))
    for n, pin in enumerate(pins):
        near = np.array([pin.triangle])
        for _ in range(2):
            near = np.unique(np.concatenate([round_point[p] for p in np.unique(sheet.triangles[near])]))
        own: Floats = np.bincount(triangles[n], weights=filled[n], minlength=int(near[-1]) + 1)[near]
        found[n] = -np.log(pin.radius) / (2 * np.pi) - _on_mesh(it, near, _more(own), pin)
    return found


def _on_mesh(it: Unknowns, near: Ints, more: Floats, pin: Pin) -> float:
    """Potential at a pin of its own current, by the triangles round it alone: on their border it is that of a point."""
    nodes, local = np.unique(it.nodes[near], return_inverse=True)
    local = local.reshape(-1, 6)
    matrix = np.zeros((len(nodes), len(nodes)))
    np.add.at(matrix, (local[:, :, None], local[:, None, :]), it.elements[near] * more[:, None, None])
    alone = np.bincount(local[:, 3:].ravel(), minlength=len(nodes))[local[:, 3:]] == 1
    rim = np.zeros(len(nodes), dtype=bool)
    for k in range(3):
        rim[local[alone[:, k]][:, [k, 3 + k, (k + 1) % 3]]] = True
    at, value, load = np.array(pin.place), np.zeros(len(nodes)), np.zeros(len(nodes))
    where, shape = np.searchsorted(nodes, it.nodes[pin.triangle]), shapes(it, pin.triangle, at)[0]
    value[rim] = -np.log(np.hypot(*(it.places[nodes[rim]] - at).T)) / (2 * np.pi)
    load[where] = shape
    value[~rim] = np.linalg.solve(matrix[np.ix_(~rim, ~rim)], load[~rim] - matrix[np.ix_(~rim, rim)] @ value[rim])
    return float(shape @ value[where])


def locate(sheet: Sheet, places: Floats) -> Ints:
    """Triangles of a sheet that hold places in metres, shape (n, 2) to (n,); -1 where none does."""
    corners = shapely.polygons(sheet.points[sheet.triangles] * NANO)
    place, triangle = shapely.STRtree(corners).query(shapely.points(places), predicate="intersects")
    found = np.full(len(places), -1)
    found[place[::-1]] = triangle[::-1]
    return found


def _more(filled: Floats) -> Floats:
    """How much better copper conducts of which discs fill a part, or holes where that is negative."""
    part = np.clip(filled, -MOST, MOST)
    found: Floats = (1 + part) / (1 - part)
    return found


def conductivity(sheet: Sheet, discs: Floats, holes: Floats) -> Floats:
    """
    Conductivity of every triangle, of that of bare copper.

    Parameters
    ----------
    sheet : Sheet
    discs, holes : arrays, shape (k, 3)
        Places and radii in metres.
    """
    every, sign = np.concatenate([discs, holes]), np.repeat([1.0, -1.0], [len(discs), len(holes)])
    triangles, filled = _spread(sheet, every)
    filled *= sign[:, None]
    count = len(sheet.triangles)
    total = np.bincount(triangles.ravel(), weights=filled.ravel(), minlength=count).astype(np.float64)
    # As the page is told it.
    found: Floats = np.round(_more(total) * GRAIN) / GRAIN
    return found


def _spread(sheet: Sheet, discs: Floats) -> tuple[Ints, Floats]:
    """Triangles over which discs are spread, and the part of each that is theirs, both of shape (k, SAMPLES)."""
    corners = (sheet.points * NANO)[sheet.triangles]
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    areas = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    middle = np.maximum(0, locate(sheet, discs[:, :2]))
    wide = np.maximum(1.5 * discs[:, 2], SPREAD * np.sqrt(areas[middle] * 4 / np.sqrt(3)))
    n = np.arange(SAMPLES) + 0.5
    r, way = np.sqrt(n / SAMPLES), n * np.pi * (3 - np.sqrt(5))  # evenly over a disc, as seeds of a sunflower
    around = np.column_stack([r * np.cos(way), r * np.sin(way)])
    where = locate(sheet, (discs[:, None, :2] + wide[:, None, None] * around).reshape(-1, 2)).reshape(-1, SAMPLES)
    held = np.maximum(1, np.count_nonzero(where >= 0, axis=1))
    area = np.where(where >= 0, (np.pi * discs[:, 2] ** 2 / held)[:, None], 0.0)
    where = np.maximum(where, 0)
    return where, area / areas[where]
