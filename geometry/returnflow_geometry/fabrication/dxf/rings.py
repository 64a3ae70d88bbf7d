"""Loose lines to rings, and rings to areas with holes."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import MultiPolygon, Point, Polygon, STRtree

from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.groups import grouped
from returnflow_geometry.model.overlay import difference, intersection, union_all

JOINS = (1e-9, 1e-6, 10e-6, 50e-6)  # m, tried in this order until no end is loose
NESTING = 32


class DrawingError(Exception):
    """A layer or entity cannot be used; the message says why, without the file."""


def joined(lines: list[Floats]) -> tuple[list[Floats], float]:
    """
    Join lines at their ends to rings.

    Parameters
    ----------
    lines : list of arrays, shape (k, 2), metres

    Returns
    -------
    rings : list of arrays
        Not closed: the first point is not repeated.
    tolerance : float
        How far apart joined ends were at most allowed to be, m.

    Raises
    ------
    DrawingError
        If ends stay loose at 50 um, or three or more lines meet in a point.

    Examples
    --------
    >>> halves = [np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]), np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 1.0]])]
    >>> rings, tolerance = joined(halves)
    >>> [len(ring) for ring in rings], tolerance
    ([4], 1e-09)
    """
    lines = [line for line in lines if len(line) > 1 and np.ptp(line, axis=0).max() > 0.0]
    if not lines:
        return [], 0.0
    ends = np.array([point for line in lines for point in (line[0], line[-1])])
    message = ""
    for tolerance in JOINS:
        node = _clusters(ends, tolerance)
        degree = np.bincount(node)
        if (degree == 2).all():
            return _traced(lines, node), tolerance
        bad = ends[np.flatnonzero(degree[node] != 2)[0]] * 1e3
        loose = int((degree == 1).sum())
        kind = f"{loose} ends are loose" if loose else "lines branch"
        message = f"{kind}, one at ({bad[0]:.6g}, {bad[1]:.6g}) mm; lines must meet end to end, two and two"
    raise DrawingError(message)


def _clusters(ends: Floats, tolerance: float) -> np.ndarray:
    """Number of the cluster of each end: ends closer than the tolerance to one another, chains of them too."""
    points = shapely.points(ends)
    pairs = STRtree(points).query(points, predicate="dwithin", distance=tolerance).T
    if len(pairs) > 64 * len(ends):
        message = "too many line ends in one place"
        raise DrawingError(message)
    return grouped(len(ends), pairs)


def _traced(lines: list[Floats], node: np.ndarray) -> list[Floats]:
    """Rings of lines whose ends meet two and two."""
    at: dict[int, list[int]] = {}
    for end, cluster in enumerate(node):
        at.setdefault(int(cluster), []).append(end)
    rings = []
    used = [False] * len(lines)
    for first in range(len(lines)):
        if used[first]:
            continue
        parts: list[Floats] = []
        end = 2 * first  # the end a line is entered by
        while not used[end // 2]:
            used[end // 2] = True
            line = lines[end // 2]
            parts.append((line if end % 2 == 0 else line[::-1])[:-1])
            leaving = end ^ 1
            pair = at[int(node[leaving])]
            end = pair[1] if pair[0] == leaving else pair[0]
        rings.append(np.vstack(parts))
    return rings


def even_odd(rings: list[Floats]) -> Shape:
    """
    Area inside rings: a ring inside another is a hole, one inside that is area again.

    Raises
    ------
    DrawingError
        If a ring crosses itself or another one.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    >>> even_odd([4 * square, 2 * square + 1, square * 0.5 + 1.5]).area
    12.25
    """
    shapes = [_ring(ring) for ring in rings]
    shapes = list(dict.fromkeys(shapely.normalize(shape) for shape in shapes))  # drawn twice counts once
    if not shapes:
        return MultiPolygon()
    tree = STRtree(shapes)
    first, second = tree.query(shapes, predicate="overlaps")
    if len(first):
        place = intersection(shapes[first[0]], shapes[second[0]]).representative_point()
        message = f"outlines overlap at {_mm(place)}; draw one outline, or one inside the other"
        raise DrawingError(message)
    inner, outer = tree.query(shapes, predicate="within")
    depth = np.bincount(inner[inner != outer], minlength=len(shapes))
    if depth.max() > NESTING:
        message = f"outlines are nested more than {NESTING} deep"
        raise DrawingError(message)
    area: Shape = MultiPolygon()
    for level in range(int(depth.max()) + 1):
        here = union_all([shape for shape, deep in zip(shapes, depth, strict=True) if deep == level])
        area = difference(area, here) if level % 2 else shapely.union(area, here)
    return area


def _ring(ring: Floats) -> Polygon:
    if len(ring) < 3:
        message = "an outline has fewer than three corners"
        raise DrawingError(message)
    shape = Polygon(ring)
    if not shape.is_valid:
        message = f"an outline is not simple: {shapely.is_valid_reason(shape)} (m)"
        raise DrawingError(message)
    return shape


def _mm(point: Point) -> str:
    return f"({point.x * 1e3:.6g}, {point.y * 1e3:.6g}) mm"
