"""Where pieces of copper on one layer touch or overlap, and how wide the joint is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon, STRtree

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.objects import Limits
from returnflow_geometry.model.board import GRID
from returnflow_geometry.model.overlay import intersection

LEAST_AREA = 1e-12  # m2: a square micrometre
CHUNK = 2_000_000  # pairs looked at in one go
LEAST_WIDTH = 1e-7  # m: a narrower joint is a common point with its rounding, and joins nothing


class Joint(NamedTuple):
    """Two pieces that touch: their numbers, the width of the joint (m), and its place (m)."""

    first: int
    second: int
    width: float
    at: tuple[float, float]


def meetings(
    tree: STRtree,
    shapes: Sequence[shapely.Geometry] | NDArray[np.object_],
    budget: Budget,
    *,
    predicate: Literal["intersects", "dwithin"] | None = "intersects",
    distance: float | None = None,
) -> Iterator[tuple[int, int]]:
    """
    Pairs (number of the shape, member of the tree) that meet, found piece by piece.

    However many shapes lie on each other, no more than a few million pairs are held at once, and the time is limited.
    """
    array = np.asarray(shapes, dtype=object)
    step = max(1, CHUNK // max(1, len(tree)))
    for start in range(0, len(array) if len(tree) else 0, step):
        budget.time()
        first, second = tree.query(array[start : start + step], predicate=predicate, distance=distance)
        budget.objects(len(first))
        yield from zip((first + start).tolist(), second.tolist(), strict=True)


def joints(
    pieces: Sequence[Polygon], budget: Budget | None = None, *, gap: float = GRID, least: float = LEAST_WIDTH
) -> list[Joint]:
    """
    Every pair of pieces that share an edge or an area.

    Pieces may abut without any common area: an edge counts when the borders run within `gap` (m) of each other. A
    common point joins nothing, nor does a joint narrower than `least` (m).

    Parameters
    ----------
    pieces : sequence of Polygon
        Of one layer, m.
    budget : Budget, optional
        Limits the time.

    Examples
    --------
    >>> found = joints([shapely.box(0, 0, 1e-3, 1e-3), shapely.box(1e-3, 0.9e-3, 2e-3, 2e-3)])
    >>> print(f"{found[0].width:.3e}")
    1.000e-04
    """
    shapes = np.array(pieces, dtype=object)
    budget = budget or Budget("fabrication data", Limits())
    found = []
    for i, j in _near_pairs(shapes, budget, gap):
        budget.clock()
        width, at = joint_width(pieces[i], pieces[j], gap)
        if width >= least:
            found.append(Joint(i, j, width, at))
    return found


def _near_pairs(shapes: NDArray[np.object_], budget: Budget, gap: float) -> list[tuple[int, int]]:
    """Pairs within the gap, the first index below the second."""
    if len(shapes) < 2:
        return []
    boxes = shapely.bounds(shapes)
    wide = shapely.box(boxes[:, 0] - gap, boxes[:, 1] - gap, boxes[:, 2] + gap, boxes[:, 3] + gap)
    tree = STRtree(wide)
    corners = shapely.get_num_coordinates(shapes)
    shapely.prepare(shapes)
    step = max(1, CHUNK // len(shapes))
    found: list[tuple[int, int]] = []
    for start in range(0, len(shapes), step):
        budget.time()
        first, second = tree.query(wide[start : start + step], predicate=None)
        first = first + start
        kept = first < second
        first, second = first[kept], second[kept]
        # A prepared shape answers fast however many corners it has, so the one with more corners goes first.
        swap = corners[first] < corners[second]
        large, small = np.where(swap, second, first), np.where(swap, first, second)
        close = shapely.dwithin(shapes[large], shapes[small], gap)
        budget.objects(int(close.sum()))
        found += zip(first[close].tolist(), second[close].tolist(), strict=True)
    return found


def joint_width(first: Polygon, second: Polygon, gap: float = GRID) -> tuple[float, tuple[float, float]]:
    """
    Width and place of the joint of two pieces, in metres; width 0 where they do not touch or share a point only.

    The current from one to the other must cross the common edge, or where they overlap the border of the one inside
    the other. Its width is the distance of the ends of that line: a track that ends inside a pad is no wider for the
    length by which it goes in. Of two borders the narrower counts.
    """
    common, borders = _common(first, second, gap)
    if common is None:
        return (0.0, (0.0, 0.0))
    point = shapely.centroid(common)
    return (_narrower(borders), (point.x, point.y))


def joint_places(first: Polygon, second: Polygon, gap: float = GRID) -> list[tuple[float, tuple[float, float]]]:
    """
    Width and place of every joint of two pieces that touch in several places, the widest first; metres.

    Examples
    --------
    >>> fork = shapely.box(0, 0, 3e-3, 2e-3) - shapely.box(1e-3, 1e-3, 2e-3, 2e-3)
    >>> found = joint_places(fork, shapely.box(-1e-3, 2e-3, 2.5e-3, 3e-3))
    >>> [(round(1e3 * width, 3), round(1e3 * at[0], 3)) for width, at in found]
    [(1.0, 0.5), (0.5, 2.25)]
    """
    common, borders = _common(first, second, gap)
    if common is None:
        return []
    found = []
    for spot in shapely.get_parts(shapely.buffer(common, 2 * gap, quad_segs=1)):
        width = _narrower([intersection(line, spot) for line in borders])
        point = shapely.centroid(intersection(common, spot))
        found += [(width, (point.x, point.y))] if width else []
    return sorted(found, reverse=True)


def _common(first: Polygon, second: Polygon, gap: float) -> tuple[shapely.Geometry | None, list[shapely.Geometry]]:
    """What two pieces share, an area or an edge, or None; and the lines that current crosses there."""
    x0, y0, x1, y1 = np.array([shapely.bounds(first), shapely.bounds(second)]).T
    margin = 10 * gap
    window = shapely.box(x0.max() - margin, y0.max() - margin, x1.min() + margin, y1.min() + margin)
    one, other = intersection(first, window), intersection(second, window)
    overlap = intersection(one, other)
    if overlap.area > LEAST_AREA:
        # The window's own border is no border of copper.
        return overlap, [
            intersection(intersection(shapely.boundary(first), window), other),
            intersection(intersection(shapely.boundary(second), window), one),
        ]
    edge = intersection(
        intersection(shapely.boundary(first), window),
        shapely.buffer(other, 2 * gap, quad_segs=1, join_style="mitre"),
    )
    return (None, []) if edge.length < LEAST_WIDTH else (edge, [edge])


def _narrower(borders: Sequence[shapely.Geometry]) -> float:
    """Width of the narrower of two borders; 0 where neither has any."""
    return min([width for line in borders if (width := _span(line)) > LEAST_WIDTH], default=0.0)


def _span(line: shapely.Geometry) -> float:
    """Distance of the ends of a line, summed over its parts; the length of a part that is closed."""
    total = 0.0
    for part in shapely.get_parts(shapely.line_merge(line)):
        points = shapely.get_coordinates(part)
        closed = len(points) < 2 or bool((points[0] == points[-1]).all())
        total += part.length if closed else float(np.hypot(*(points[-1] - points[0])))
    return total
