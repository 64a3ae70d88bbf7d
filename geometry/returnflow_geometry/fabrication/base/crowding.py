"""Drawings that cross themselves so often that no memory holds their union: found before it is tried."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.faces import CHUNK, PAIRS, Index, Objects, boxes_meeting, meeting
from returnflow_geometry.fabrication.base.objects import FabricationError

CROWD = 1_000_000, 50  # pairs that may truly meet: in all, and further ones per shape or side
MANY = 64  # corners from which a shape's sides are looked at one by one


def check_crowd(shapes: Objects, budget: Budget) -> None:
    """
    Refuse polygons so many of which cross, or whose sides cross so often, that their union would fill the memory.

    Raises
    ------
    FabricationError
        With what to do.
    """
    most = CROWD[0] + CROWD[1] * len(shapes)
    # Every shape meets itself and its few neighbours; only where boxes are crowded is it worth looking closer.
    if len(shapes) ** 2 > most and _boxes(shapes, budget) > most:
        tree = STRtree(shapes)
        pairs = 0
        for start in range(0, len(shapes), CHUNK):
            budget.time()
            i, j = boxes_meeting(shapes, tree, start)
            pairs += int(np.count_nonzero(meeting(shapes, i, shapes, j, budget)))
            if pairs > most:
                raise FabricationError(
                    budget.file,
                    f"more than {most} pairs of drawn shapes overlap; an area hatched so finely cannot be read. "
                    "Write it as filled regions.",
                )
    check_sides(shapes[shapely.get_num_coordinates(shapes) > MANY], budget)


def check_sides(shapes: Objects, budget: Budget) -> None:
    """Refuse shapes or rings whose sides cross each other too often."""
    points, ring = shapely.get_coordinates(shapely.get_rings(shapes), return_index=True)
    same = ring[1:] == ring[:-1]
    ends = np.stack([points[:-1][same], points[1:][same]], axis=1)
    most = CROWD[0] + CROWD[1] * len(ends)
    if len(ends) ** 2 <= most:
        return
    sides = shapely.linestrings(ends)
    if _boxes(sides, budget) <= most:
        return
    tree = STRtree(sides)
    pairs = 0
    for start in range(0, len(sides), CHUNK):
        budget.time()
        i, j = boxes_meeting(sides, tree, start)
        pairs += _crossing(sides, i, j, budget)
        if pairs > most:
            raise FabricationError(
                budget.file,
                f"the sides of its regions cross more than {most} times; such an area cannot be read. "
                "Write regions that do not cross themselves.",
            )


def _crossing(sides: Objects, i: Index, j: Index, budget: Budget) -> int:
    """Number of pairs of sides that have a point in common."""
    pairs = 0
    for start in range(0, len(i), PAIRS):
        budget.time()
        part = slice(start, start + PAIRS)
        pairs += int(np.count_nonzero(shapely.intersects(sides[i[part]], sides[j[part]])))
    return pairs


def _boxes(shapes: Objects, budget: Budget) -> int:
    """Pairs of shapes whose boxes meet."""
    tree = STRtree(shapes)
    pairs = 0
    for start in range(0, len(shapes), CHUNK):
        budget.time()
        pairs += len(boxes_meeting(shapes, tree, start)[0])
    return pairs
