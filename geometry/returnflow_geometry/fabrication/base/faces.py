"""Faces: polygons that do not overlap; which of them meet, what is cut out of them, what they are together."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon, STRtree

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import combined, difference, union

Objects = NDArray[np.object_]
Index = NDArray[np.intp]
CHUNK = 512  # shapes whose boxes are looked up at once
PAIRS = 8192  # pairs of shapes compared at once
GROUP = 4096  # shapes united at once, between two looks at the clock
LARGE = 2000  # corners from which a face is united last, once, and not again and again


def split_by(keys: NDArray[np.integer[Any]]) -> list[Index]:
    """
    Members of each group of equal keys, in order.

    Examples
    --------
    >>> [members.tolist() for members in split_by(np.array([7, 3, 7]))]
    [[1], [0, 2]]
    """
    order = np.argsort(keys, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(keys[order])) + 1) if len(order) else []


def boxes_meeting(one: Objects, tree: STRtree, start: int) -> tuple[Index, Index]:
    """Pairs (i, j) of ``one[i]``, i in the chunk from `start` on, and the tree's j-th shape whose boxes meet."""
    i, j = tree.query(one[start : start + CHUNK])
    return i + start, j


def meeting(one: Objects, i: Index, other: Objects, j: Index, budget: Budget) -> NDArray[np.bool_]:
    """
    Tell which pairs ``one[i]``, ``other[j]`` of polygons have a point in common.

    The polygon of more corners is prepared and the other one's boundary compared with it: a plane with thousands of
    holes is then gone through once, not once per pad.

    Examples
    --------
    >>> from returnflow_geometry.fabrication.base.objects import Limits
    >>> plane = shapely.box(0, 0, 9, 9).difference(shapely.box(1, 1, 8, 8))
    >>> pads = np.array([shapely.box(2, 2, 3, 3), shapely.box(0, 0, 1, 1), shapely.box(-1, -1, 10, 10)])
    >>> plane, zeros = np.array([plane]), np.array([0, 0, 0])
    >>> meeting(plane, zeros, pads, np.array([0, 1, 2]), Budget("a.gbr", Limits())).tolist()
    [False, True, True]
    """
    met = np.zeros(len(i), dtype=bool)
    sizes = shapely.get_num_coordinates(one), shapely.get_num_coordinates(other)
    for start in range(0, len(i), PAIRS):
        budget.time()
        a, b = i[start : start + PAIRS], j[start : start + PAIRS]
        more = sizes[0][a] >= sizes[1][b]
        part = met[start : start + PAIRS]
        part[more] = _meets(one, a[more], other, b[more])
        part[~more] = _meets(other, b[~more], one, a[~more])
    return met


def _meets(large: Objects, a: Index, small: Objects, b: Index) -> NDArray[np.bool_]:
    """Whether ``large[a]`` meets ``small[b]``; what is made of a shape is made once for all its pairs."""
    which, a = np.unique(a, return_inverse=True)
    large = large[which]
    which, b = np.unique(b, return_inverse=True)
    small = small[which]
    shapely.prepare(large)
    # If the boundary of one does not meet the other, then that lies either all inside or all outside.
    points = shapely.get_point(shapely.get_exterior_ring(large), 0)
    found: NDArray[np.bool_] = shapely.intersects(large[a], shapely.boundary(small)[b])
    around: NDArray[np.bool_] = shapely.intersects(small[b], points[a])
    return found | around


def cut_out(face: Polygon, cuts: Objects, budget: Budget) -> Objects:
    """
    Face without the cuts, as polygons.

    Cuts strictly inside become interior rings, which costs nothing.
    """
    if len(cuts) > 1:
        cuts = united(cuts, budget)
    shapely.prepare(face)
    inside = shapely.contains_properly(face, cuts) & (shapely.get_num_interior_rings(cuts) == 0)
    hidden, crossing = cuts[inside], cuts[~inside]
    if len(hidden):
        drilled = Polygon(face.exterior, [*face.interiors, *(cut.exterior for cut in hidden)])
        # Cuts may touch, and a chain of them cuts the face in two, which rings cannot say.
        if drilled.is_valid:
            face = drilled
        else:
            crossing = cuts
    if not len(crossing):
        return np.array([face], dtype=object)
    return parts_of(difference(face, _together(crossing)))


def parts_of(shape: Shape) -> Objects:
    """Polygons with an area."""
    parts = shapely.get_parts(shape)
    kept: Objects = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0.0)]
    return kept


def united(shapes: Objects, budget: Budget) -> Objects:
    """
    Union of shapes as polygons that do not overlap.

    Near ones first and group by group, so that the clock is looked at; those of very many corners last.
    """
    if len(shapes) > 1:
        large = shapely.get_num_coordinates(shapes) > LARGE
        if large.any() and not large.all():
            return _joined(_united(shapes[large], budget), _united(shapes[~large], budget), budget)
    return _united(shapes, budget)


def _united(shapes: Objects, budget: Budget) -> Objects:
    if len(shapes) > GROUP:
        x0, y0, x1, y1 = shapely.bounds(shapes).T
        strips = int(np.ceil(np.sqrt(len(shapes) / GROUP)))
        strip = np.floor(np.argsort(np.argsort(x0 + x1)) * strips / len(shapes))
        shapes = shapes[np.lexsort((y0 + y1, strip))]
    while len(shapes) > 1:
        groups = []
        for start in range(0, len(shapes), GROUP):
            budget.time()
            groups.append(union(shapes[start : start + GROUP]))
        shapes = np.array(groups, dtype=object)
    return parts_of(shapes[0]) if len(shapes) else shapes


def _joined(large: Objects, small: Objects, budget: Budget) -> Objects:
    """Union of two sets of polygons, neither of which overlaps itself: at once, and only of those that meet."""
    tree = STRtree(small)
    first, second = np.zeros(len(large), dtype=bool), np.zeros(len(small), dtype=bool)
    for start in range(0, len(large), CHUNK):
        budget.time()
        i, j = boxes_meeting(large, tree, start)
        met = meeting(large, i, small, j, budget)
        first[i[met]], second[j[met]] = True, True
    if not first.any():
        return np.concatenate([large, small])
    whole = parts_of(combined(shapely.union, _together(large[first]), _together(small[second])))
    return np.concatenate([large[~first], whole, small[~second]])


def _together(parts: Objects) -> Shape:
    return parts[0] if len(parts) == 1 else MultiPolygon(parts.tolist())
