"""
Small holes far from all currents, filled for the magnetic mesh.

A small hole in copper that carries a sheet current K per ampere on one face adds mu0 (8/3) r^3 K^2 to an inductance at
most (magnetic dipole of a round aperture, twice its polarizability 4/3 r^3; from memory). Holes are filled from the
least to the most that this makes of any loop, up to a share of the accuracy asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon

from returnflow.magnetic.entries import Entries
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0
from returnflow_geometry.model.board import Case, Copper, Cutout, Shape

Floats = NDArray[np.float64]

SMALL = 1 / 24  # of a copper's diagonal, the widest hole that may be filled


def filled(
    case: Case, conductors: Conductors, where: Entries, most: float
) -> tuple[tuple[Copper, ...], tuple[Cutout, ...], int, Floats]:
    """Coppers and cutouts with small far holes filled, how many, and what they would add to every loop, henry."""
    board = case.board
    holes = [hole for number in range(len(conductors.names)) for hole in _small_holes(case, conductors, number)]
    every = np.array([hole.shape for hole in holes], dtype=object)
    if not holes:
        return board.coppers, board.cutouts, 0, np.zeros(len(case.loops))
    x0, y0, x1, y1 = shapely.bounds(every).T
    cost = MU0 * 8 / 3 * np.maximum(x1 - x0, y1 - y0) ** 3 / 8 * where.density(every) ** 2
    order = np.argsort(np.max(cost / where.inductance[:, None], axis=0))
    total = np.cumsum(cost[:, order], axis=1)
    count = int(np.count_nonzero(np.all(total <= most * where.inductance[:, None], axis=0)))
    chosen = [holes[n] for n in order[:count]]
    covers = {name: shapely.STRtree(np.array([hole.shape for hole in chosen if hole.copper == name], dtype=object))
              for name in conductors.names}  # fmt: skip
    cutouts = tuple(
        cutout
        for cutout in board.cutouts
        if cutout.copper not in covers or not len(covers[cutout.copper].query(cutout.shape, predicate="intersects"))
    )
    coppers = tuple(
        replace(copper, shape=_without(board.remaining(copper.name), [h for h in chosen if h.copper == copper.name]))
        if copper.name in covers
        else copper
        for copper in board.coppers
    )
    return coppers, cutouts, count, total[:, count - 1] if count else np.zeros(len(case.loops))


@dataclass(frozen=True)
class _Hole:
    """One ring of one piece of a copper."""

    copper: str
    piece: int
    ring: int
    shape: Polygon


def _small_holes(case: Case, conductors: Conductors, number: int) -> Iterator[_Hole]:
    """Holes of a copper that are small, hold no other copper and no line that the mesh follows."""
    board, name = case.board, conductors.names[number]
    copper, layer = board.remaining(name), board.copper(name).layer
    x0, y0, x1, y1 = copper.bounds
    widest = SMALL * float(np.hypot(x1 - x0, y1 - y0))
    others = [board.remaining(other) for other in conductors.names if board.copper(other).layer == layer]
    lines = [shapely.boundary(it.shape) for it in case.regions if it.copper == name]
    lines += [LineString(it.path) for it in case.sections if it.copper == name]
    held = shapely.STRtree(np.array([part for shape in (*others, *lines) for part in shapely.get_parts(shape)]))
    for piece, part in enumerate(shapely.get_parts(copper)):
        for ring, line in enumerate(part.interiors):
            a, b, c, d = line.bounds
            hole = Polygon(line)
            if max(c - a, d - b) <= widest:
                met = held.geometries[held.query(hole, predicate="intersects")]
                # The copper round it touches it.
                if not np.any(shapely.area(shapely.intersection(met, hole)) > 0) and not any(
                    shapely.length(it) > 0 and it.geom_type != "Polygon" for it in met
                ):
                    yield _Hole(name, piece, ring, hole)


def _without(copper: Shape, holes: Iterable[_Hole]) -> Shape:
    """Copper with some of its holes filled."""
    gone = {(hole.piece, hole.ring) for hole in holes}
    pieces = [
        Polygon(part.exterior, [line for n, line in enumerate(part.interiors) if (piece, n) not in gone])
        for piece, part in enumerate(shapely.get_parts(copper))
    ]
    return MultiPolygon(pieces) if len(pieces) > 1 else pieces[0]
