"""Small holes that a mesh may leave undrawn or draw as boxes, far from where their shape matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely import MultiPolygon, Polygon

from returnflow_geometry.mesh.triangulation import GRID
from returnflow_geometry.model.board import Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# How a mesh shows a hole: not at all; not, but triangles that meet it are marked; as a box that contains it; as it is.
FILLED, MARKED, BOX, DRAWN = range(4)
FEW = 60  # holes that are drawn anyway: nothing is gained
SMALL = 1 / 24  # of the diagonal, the longest side of a hole that may be a box
CLEAR = 0.15  # of the side of a usual small hole, between a box and everything else


@dataclass(frozen=True)
class SpareHoles:
    """
    Holes of a copper that stand clear of everything, those that are close together as one; and the copper without them.

    Attributes
    ----------
    solid : polygon or multipolygon, metres
        The copper with these holes filled.
    holes, boxes : arrays of multipolygons and of polygons, shape (k,)
        Each box contains its holes.
    """

    solid: Shape
    holes: NDArray[np.object_]
    boxes: NDArray[np.object_]

    @classmethod
    def of(cls, copper: Shape, lines: Sequence[Shape]) -> SpareHoles:
        """
        Spare holes of a copper.

        Parameters
        ----------
        copper : polygon or multipolygon, metres
        lines : sequence of geometries
            Contacts, borders of regions, sections: what the mesh must follow.
        """
        parts = shapely.get_parts(copper)
        rings = [np.array(shapely.get_rings(part)[1:], dtype=object) for part in parts]
        holes = shapely.polygons(np.concatenate([*rings, np.empty(0, dtype=object)]))
        if len(holes) < FEW:
            return cls(copper, holes[:0], holes[:0])
        bounds = shapely.bounds(copper)
        most = SMALL * float(np.hypot(bounds[2] - bounds[0], bounds[3] - bounds[1]))
        outer = [shapely.get_exterior_ring(part) for part in parts]
        side = _side(shapely.bounds(holes))
        large, clear = shapely.boundary(holes[side > most]), CLEAR * float(np.median(side))
        obstacles = shapely.STRtree(np.array([*outer, *lines, *large], dtype=object))
        label, boxes = _grouped(shapely.bounds(holes), most, clear)
        free = _side(boxes) <= most
        free[obstacles.query(_wider(boxes, clear), predicate="intersects")[0]] = False
        near, other = shapely.STRtree(shapely.box(*boxes.T)).query(_wider(boxes, clear), predicate="intersects")
        for i, j in zip(near.tolist(), other.tolist(), strict=True):
            free[i] &= i == j or not free[j]
        if np.count_nonzero(free) < FEW:
            return cls(copper, holes[:0], holes[:0])
        ends = np.cumsum([len(each) for each in rings])
        kept = [each[~mine] for each, mine in zip(rings, np.split(free[label], ends[:-1]), strict=True)]
        solid = [Polygon(line, each.tolist()) for line, each in zip(outer, kept, strict=True)]
        order = np.argsort(label, kind="stable")
        groups = np.split(holes[order], np.flatnonzero(np.diff(label[order])) + 1)
        together = np.array([MultiPolygon(group.tolist()) for group in groups], dtype=object)
        # A few grid steps, so that snapping leaves the holes inside.
        wide = shapely.box(*(boxes + 4 * GRID * np.array([-1, -1, 1, 1])).T)
        return cls(MultiPolygon(solid) if len(solid) > 1 else solid[0], together[free], wide[free])

    def __len__(self) -> int:
        """Number of spare holes."""
        return len(self.holes)

    @cached_property
    def _trees(self) -> tuple[shapely.STRtree, shapely.STRtree]:
        return shapely.STRtree(self.holes), shapely.STRtree(self.boxes)

    def within(self, where: Floats, levels: Ints) -> tuple[NDArray[np.bool_], Ints]:
        """Which places lie in a hole that is drawn, and number of the hole in whose box each lies, or -1."""
        points, box = shapely.points(where), np.full(len(where), -1)
        inside = np.zeros(len(where), dtype=bool)
        for tree, level in zip(self._trees, (DRAWN, BOX), strict=True):
            place, hole = tree.query(points, predicate="intersects")
            shown = levels[hole] == level
            if level == DRAWN:
                inside[place[shown]] = True
            else:
                box[place[shown]] = hole[shown]
        return inside, box

    def met(self, corners: Floats, levels: Ints) -> tuple[Ints, Ints]:
        """Triangles (m, 3, 2) that meet holes which are only marked, and which one each."""
        mine = np.flatnonzero(levels == MARKED)
        if not len(mine):
            return mine, mine
        hole, triangle = shapely.STRtree(shapely.polygons(corners)).query(self.holes[mine], predicate="intersects")
        return triangle, mine[hole]

    @cached_property
    def room(self) -> Floats:
        """About how much of the board every hole has for itself, shape (k,), m²."""
        count = min(6, len(self) - 1)
        middles = shapely.get_coordinates(shapely.centroid(self.boxes))
        far, _ = KDTree(middles).query(middles, k=[count + 1])
        room: Floats = np.pi * far[:, 0] ** 2 / max(count, 1)
        return room

    def lines(self, levels: Ints) -> tuple[Floats, Ints]:
        """Points and segments of what is drawn of the holes."""
        shown = [*shapely.get_parts(self.holes[levels == DRAWN]), *self.boxes[levels == BOX]]
        coordinates, ring = shapely.get_coordinates(shapely.boundary(shown), return_index=True)
        coordinates = np.round(coordinates / GRID) * GRID
        # The last point of a ring is its first.
        last = np.append(ring[1:] != ring[:-1], True)[: len(ring)]
        moved = np.any(coordinates[1:] != coordinates[:-1], axis=1) | (ring[1:] != ring[:-1])
        keep = ~last & np.append(moved, True)[: len(ring)]
        ring, points = ring[keep], coordinates[keep]
        number = np.arange(len(points))
        first = np.searchsorted(ring, ring)
        end = np.append(ring[1:] != ring[:-1], True)[: len(ring)]
        return points, np.column_stack([number, np.where(end, first, number + 1)])


def _side(bounds: Floats) -> Floats:
    """Longer side of boxes (xmin, ymin, xmax, ymax), shape (k, 4) to (k,)."""
    side: Floats = np.max(bounds[:, 2:] - bounds[:, :2], axis=1)
    return side


def _wider(bounds: Floats, clear: float) -> NDArray[np.object_]:
    """Boxes with what must be clear round them."""
    wide = bounds + clear * np.array([-1, -1, 1, 1])
    boxes: NDArray[np.object_] = shapely.box(*wide.T)
    return boxes


def _grouped(bounds: Floats, most: float, clear: float) -> tuple[Ints, Floats]:
    """Boxes that are close together joined while none gets too large: number of each, and bounds of the joined."""
    label = np.arange(len(bounds))
    while True:
        joined = np.arange(len(bounds))
        one, two = shapely.STRtree(shapely.box(*bounds.T)).query(_wider(bounds, clear), predicate="intersects")
        bounds, merged = bounds.copy(), False
        for i, j in zip(one.tolist(), two.tolist(), strict=True):
            both = np.append(np.minimum(bounds[i, :2], bounds[j, :2]), np.maximum(bounds[i, 2:], bounds[j, 2:]))
            # Each joins one other at a time.
            if i < j and joined[i] == i and joined[j] == j and max(both[2:] - both[:2]) <= most:
                bounds[i], joined[j], merged = both, i, True
        kept, number = np.unique(joined, return_inverse=True)
        label, bounds = number[label], bounds[kept]
        if not merged:
            return label, bounds
