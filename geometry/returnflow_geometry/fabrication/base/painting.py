"""Painting: dark and clear shapes in order, per owner, to areas that do not overlap."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon, STRtree

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.crowding import check_crowd
from returnflow_geometry.fabrication.base.faces import (
    CHUNK,
    Objects,
    boxes_meeting,
    cut_out,
    meeting,
    parts_of,
    split_by,
    united,
)
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import difference


def paint(shapes: Objects, dark: NDArray[np.bool_], owners: NDArray[np.int64], budget: Budget) -> dict[int, Shape]:
    """
    Paint shapes in order: dark ones add to their owner's area, clear ones take away from what everyone has so far.

    Parameters
    ----------
    shapes : array of n valid polygons or multipolygons, metres
    dark : array, shape (n,)
    owners : array, shape (n,)
        Owner (net) of each dark shape; where two overlap, the lower number keeps the area.
    budget : Budget
        Stops what takes too long.

    Returns
    -------
    areas : dict
        Owner to area; owners left with nothing are not in it. Areas of different owners do not overlap.

    Notes
    -----
    Shapes whose boxes do not meet may be painted in either order. So each gets the number of a pass, even for dark and
    odd for clear, above that of every earlier one of the other kind that its box meets. A pass is united at once, and
    each face of it loses what the clear shapes of later passes cover; so no step waits for another.

    Examples
    --------
    >>> from returnflow_geometry.fabrication.base.objects import Limits
    >>> boxes = np.array([shapely.box(0, 0, 3, 3), shapely.box(1, 1, 2, 2)])
    >>> areas = paint(boxes, np.array([True, False]), np.array([1, 1]), Budget("a.gbr", Limits()))
    >>> areas[1].area, len(areas[1].interiors)
    (8.0, 1)
    """
    some = ~shapely.is_empty(shapes)
    shapes, dark, owners = shapes[some], dark[some], owners[some]
    check_crowd(shapes, budget)
    passes = pass_numbers(shapely.bounds(shapes), dark, budget)
    faces, (when, whose) = _grouped(shapes[dark], (passes[dark], owners[dark]), budget)
    cutting = ~dark & (passes > 0)
    cuts, (later,) = _grouped(shapes[cutting], (passes[cutting],), budget)
    faces, whose = _cut_all(faces, when, whose, cuts, later, budget)
    areas: dict[int, Shape] = {}
    for members in split_by(whose):
        parts = united(faces[members], budget)
        areas[int(whose[members[0]])] = parts[0] if len(parts) == 1 else MultiPolygon(parts.tolist())
    return areas


def _grouped(
    shapes: Objects, keys: tuple[NDArray[np.int64], ...], budget: Budget
) -> tuple[Objects, list[NDArray[np.int64]]]:
    """Union of the shapes that have the same keys, as polygons with their keys."""
    table = np.column_stack(keys)
    order = np.lexsort(table.T)
    new = np.any(np.diff(table[order], axis=0), axis=1)
    parts, sizes, firsts = [], [], []
    for members in np.split(order, np.flatnonzero(new) + 1) if len(order) else []:
        budget.clock()
        parts.append(united(shapes[members], budget))
        sizes.append(len(parts[-1]))
        firsts.append(members[0])
    out = np.concatenate(parts) if parts else np.empty(0, dtype=object)
    spread = np.repeat(table[firsts], sizes, axis=0) if parts else np.empty((0, len(keys)), dtype=np.int64)
    return out, list(spread.T)


def _cut_all(
    faces: Objects,
    when: NDArray[np.int64],
    whose: NDArray[np.int64],
    cuts: Objects,
    later: NDArray[np.int64],
    budget: Budget,
) -> tuple[Objects, NDArray[np.int64]]:
    """Every face without the cuts of later passes, with its owner."""
    tree = STRtree(cuts)
    gone = np.zeros(len(faces), dtype=bool)
    left, owners = [], []
    for start in range(0, len(faces), CHUNK) if len(cuts) else ():
        budget.time()
        i, j = boxes_meeting(faces, tree, start)
        wanted = later[j] > when[i]
        i, j = i[wanted], j[wanted]
        met = meeting(faces, i, cuts, j, budget)
        i, j = i[met], j[met]
        for members in split_by(i):
            budget.time()
            which = i[members[0]]
            gone[which] = True
            left.append(cut_out(faces[which], cuts[j[members]], budget))
            owners.append(np.full(len(left[-1]), whose[which]))
    return np.concatenate([faces[~gone], *left]), np.concatenate([whose[~gone], *owners])


def pass_numbers(bounds: NDArray[np.float64], dark: NDArray[np.bool_], budget: Budget) -> NDArray[np.int64]:
    """
    Pass of each shape: even for dark, odd for clear; -1 for a clear one that has nothing to clear.

    Parameters
    ----------
    bounds : array, shape (n, 4)
        Boxes in painting order.
    dark : array, shape (n,)

    Examples
    --------
    >>> from returnflow_geometry.fabrication.base.objects import Limits
    >>> boxes = np.array([[0, 0, 9, 9], [1, 1, 2, 2], [1, 1, 2, 2], [20, 0, 21, 1], [0, 5, 1, 6]])
    >>> pass_numbers(boxes, np.array([1, 0, 1, 0, 1], dtype=bool), Budget("a.gbr", Limits())).tolist()
    [0, 1, 2, -1, 0]
    """
    passes = np.zeros(len(bounds), dtype=np.int64)
    clear = np.flatnonzero(~dark)
    if not len(clear):
        return passes
    boxes = shapely.box(*np.asarray(bounds, dtype=float).T)
    kinds = (clear, np.flatnonzero(dark))  # what a dark and what a clear shape waits for
    trees = [STRtree(boxes[kind]) for kind in kinds]
    for start in range(0, len(bounds), CHUNK):
        budget.time()
        chunk = np.arange(start, min(start + CHUNK, len(bounds)))
        waits: list[list[int]] = [[] for _ in chunk]
        for is_dark, kind, tree in ((True, kinds[0], trees[0]), (False, kinds[1], trees[1])):
            asking = chunk[dark[chunk] == is_dark]
            who, what = tree.query(boxes[asking])
            one, other = asking[who], kind[what]
            earlier = other < one
            one, other = one[earlier], other[earlier]
            # All that lies before this chunk is known and reduced at once.
            known = other < start
            best = np.full(len(chunk), -1, dtype=np.int64)
            np.maximum.at(best, one[known] - start, passes[other[known]])
            passes[asking] = np.where(best[asking - start] >= 0, best[asking - start] + 1, 0 if is_dark else -1)
            for a, b in zip((one[~known] - start).tolist(), other[~known].tolist(), strict=True):
                waits[a].append(b)
        for a, others in enumerate(waits):
            if others:
                passes[start + a] = max(int(passes[start + a]), 1 + max(int(passes[b]) for b in others))
    return passes


def partition(areas: dict[int, Shape], budget: Budget) -> tuple[dict[int, Shape], list[tuple[int, int, float]]]:
    """
    Take what several owners cover away from all but the lowest number.

    Returns
    -------
    areas : dict
    overlaps : list of (owner that keeps it, owner that loses it, area in m2)
    """
    parts: list[Polygon] = []
    owner: list[int] = []
    for number, area in sorted(areas.items()):
        for part in shapely.get_parts(area):
            parts.append(part)
            owner.append(number)
    if len(areas) < 2:
        return areas, []
    faces, owners = np.array(parts, dtype=object), np.array(owner)
    tree = STRtree(faces)
    found = []
    for start in range(0, len(faces), CHUNK):
        budget.time()
        i, j = boxes_meeting(faces, tree, start)
        wanted = owners[i] < owners[j]
        i, j = i[wanted], j[wanted]
        met = meeting(faces, i, faces, j, budget)
        found.append((i[met], j[met]))
    first, second = (np.concatenate(side) for side in zip(*found, strict=True))
    overlaps: dict[tuple[int, int], float] = {}
    order = np.lexsort((owners[first], second))
    for a, b in zip(first[order].tolist(), second[order].tolist(), strict=True):
        budget.clock()
        left = difference(faces[b], faces[a])
        lost = faces[b].area - left.area
        if lost > 0.0:
            key = (int(owners[a]), int(owners[b]))
            overlaps[key] = overlaps.get(key, 0.0) + lost
            faces[b] = left
    out = {}
    for members in split_by(owners):
        kept = [part for face in faces[members] for part in parts_of(face)]
        if kept:
            out[int(owners[members[0]])] = kept[0] if len(kept) == 1 else MultiPolygon(kept)
    return out, [(a, b, area) for (a, b), area in overlaps.items()]
