"""Which gaps the outgoing conductors cross, what they pass over, and where copper ends beside them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiLineString, Polygon

from returnflow_geometry.model.board import Board, Case, Shape
from returnflow_geometry.model.overlay import difference, intersection, union_all

GAP = 2.5  # widths or heights of the trace; a shorter cutout under it is an antipad
LONG = 5e-3  # m; a shorter opening makes no current go round
SLENDER = 4.0  # length over width, from which an opening is a gap and not a hole
HAIR = 1e-6  # m: an edge within this distance of a gap is the gap's


def crossed_gaps(case: Case, copper: str) -> list[tuple[str, ...]]:
    """Cutouts that each loop's route crosses, by name."""
    open_ = open_cutouts(case.board, copper)
    crossed: list[tuple[str, ...]] = []
    for loop in case.loops:
        if loop.route is None:
            crossed.append(())
            continue
        line = LineString(loop.route.path)
        reach = max(loop.route.width, abs(case.board.height(loop.route.layer, copper)))
        crossed.append(tuple(name for name, shape in open_ if _crosses(line, shape, reach)))
    return crossed


def open_cutouts(board: Board, copper: str) -> list[tuple[str, Shape]]:
    """Name and shape in metres of every cutout of a copper, without what bridges cover of it."""
    laid = [bridge.shape for bridge in board.bridges if bridge.copper == copper]
    cover = union_all(laid) if laid else None
    return [
        (cutout.name, cutout.shape if cover is None else difference(cutout.shape, cover))
        for cutout in board.cutouts
        if cutout.copper == copper
    ]


def _crosses(line: LineString, shape: shapely.Geometry, reach: float) -> bool:
    """
    Whether a trace passes over a gap, not merely over a round antipad.

    A gap is a part much longer than the trace is wide and high above the copper: what the return must go round.
    """
    return any(line.intersection(part).length > 0 for part in long_parts(shape, GAP * reach))


def is_slender(part: shapely.Geometry) -> bool:
    """Whether an opening is long and narrow, so that currents must go round."""
    # A bent slot is slender although the box round it is not: length and width from area and outline.
    half, area = part.length / 2, part.area
    length = 0.5 * (half + max(half**2 - 4 * area, 0.0) ** 0.5)
    return bool(length > LONG and length**2 > SLENDER * area)


def long_parts(shape: shapely.Geometry, least: float) -> NDArray[np.object_]:
    """Parts of a shape whose box is longer than `least` metres."""
    parts = shapely.get_parts(shape)
    x0, y0, x1, y1 = shapely.bounds(parts).reshape(-1, 4).T
    chosen: NDArray[np.object_] = parts[np.maximum(x1 - x0, y1 - y0) > least]
    return chosen


def filled(copper: Shape, least: float) -> Shape:
    """Copper with every hole closed whose box is no longer than `least` metres: what counts beside a trace."""
    parts = [
        Polygon(part.exterior, list(long_parts(shapely.multilinestrings(part.interiors), least)))
        if part.interiors
        else part
        for part in shapely.get_parts(copper)
    ]
    return parts[0] if len(parts) == 1 else shapely.multipolygons(parts)


class Stretch(NamedTuple):
    """Part of a path, by metres from its start; `over` is the number of the shape under it, None for none."""

    start: float
    end: float
    over: int | None

    @property
    def length(self) -> float:
        """Metres."""
        return self.end - self.start


def stretches(path: Sequence[tuple[float, float]], shapes: Sequence[Shape]) -> list[Stretch]:
    """
    Parts of a path by the shape they lie over, in the order of the path; where shapes overlap, the first counts.

    Examples
    --------
    >>> [tuple(part) for part in stretches([(0, 0), (3, 0)], [shapely.box(0, -1, 1, 1), shapely.box(2, -1, 3, 1)])]
    [(0.0, 1.0, 0), (1.0, 2.0, None), (2.0, 3.0, 1)]
    """
    pieces: list[Stretch] = []
    begin = 0.0
    for a, b in itertools.pairwise(np.array(path, dtype=float)):
        leg = LineString([a, b])
        long = leg.length
        if not long > 0:
            continue
        way = (b - a) / long
        left: shapely.Geometry = leg
        for number, shape in enumerate(shapes):
            for part in shapely.get_parts(intersection(left, shape)):
                if part.length > 0:
                    s = (shapely.get_coordinates(part) - a) @ way
                    pieces.append(Stretch(begin + float(s.min()), begin + float(s.max()), number))
            left = difference(left, shape)
        for part in shapely.get_parts(left):
            if part.length > 0:
                s = (shapely.get_coordinates(part) - a) @ way
                pieces.append(Stretch(begin + float(s.min()), begin + float(s.max()), None))
        begin += long
    merged: list[Stretch] = []
    for piece in sorted(pieces, key=lambda piece: piece.start):
        if merged and merged[-1].over == piece.over:
            merged[-1] = merged[-1]._replace(end=piece.end)
        else:
            merged.append(piece)
    return merged


def edges(copper: Shape, gaps: Sequence[tuple[str, Shape]]) -> list[tuple[str | None, MultiLineString]]:
    """
    Edges of a copper, told apart by the gap they belong to; None for those of no gap.

    Parameters
    ----------
    copper : Polygon or MultiPolygon, metres
    gaps : sequence of (name, shape)
    """
    left = shapely.boundary(copper)
    found: list[tuple[str | None, MultiLineString]] = []
    for name, shape in gaps:
        near = shapely.buffer(shape, HAIR, quad_segs=2)
        found.append((name, intersection(left, near)))
        left = difference(left, near)
    return [(name, edge) for name, edge in [*found, (None, left)] if edge.length > 2 * HAIR]
