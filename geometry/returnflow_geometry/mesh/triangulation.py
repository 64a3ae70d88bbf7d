"""Drawn lines to triangles: noding, constrained Delaunay refinement, and the faces between the lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pythoncdt as cdt
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

GRID = 1e-9  # m; all drawn points are snapped to it, far below anything a board shop can etch
MIN_ANGLE = 22.0  # degrees; 26 takes a third more triangles, and the refinement stops converging near 33


class MeshError(RuntimeError):
    """The copper could not be meshed; the message says where and why."""


@dataclass(frozen=True)
class Triangulation:
    """
    Triangles of the whole area round the drawn lines.

    Attributes
    ----------
    points : array, shape (n, 2), metres
    triangles : array, shape (m, 3)
        Counter-clockwise. Edge k runs from corner k to corner k + 1 (mod 3).
    neighbours : array, shape (m, 3)
        Triangle across edge k, or -1.
    drawn : array of bool, shape (m, 3)
        Whether edge k lies on a drawn line.
    """

    points: Floats
    triangles: Ints
    neighbours: Ints
    drawn: Bools

    @cached_property
    def across(self) -> Ints:
        """Neighbours with the triangle 0 where there is none, to index with."""
        return np.maximum(self.neighbours, 0)

    @cached_property
    def faces(self) -> tuple[Ints, Floats]:
        """Face of every triangle, and a point well inside each face: the centroid of its largest triangle."""
        face = joined(self.neighbours, ~self.drawn)
        a, b, c = (self.points[self.triangles[:, k]] for k in range(3))
        area = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
        order = np.lexsort((-area, face))
        first = np.searchsorted(face[order], np.arange(face.max() + 1))
        return face, ((a + b + c) / 3)[order[first]]


def joined(neighbours: Ints, passable: Bools) -> Ints:
    """Number of the piece of every triangle when only the passable edges join, shape (m, 3) twice to (m,)."""
    count = len(neighbours)
    tri, k = np.nonzero(passable & (neighbours >= 0))
    graph = coo_array((np.ones(len(tri), dtype=bool), (tri, neighbours[tri, k])), shape=(count, count))
    pieces: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return pieces


def noded(lines: Sequence[Any]) -> tuple[Floats, Ints]:
    """
    Lines to points and segments that meet only at common points, snapped to the grid; each segment once.

    Parameters
    ----------
    lines : sequence of shapely geometries, metres

    Returns
    -------
    points : array, shape (n, 2)
    segments : array, shape (k, 2)
    """
    parts = shapely.get_parts(shapely.union_all(lines, grid_size=GRID))
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING]
    coordinates, part = shapely.get_coordinates(parts, return_index=True)
    # Points of different lines may differ by rounding; on the grid they are one.
    keys = np.round(coordinates / GRID).astype(np.int64)
    _, first, number = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    number = number.reshape(-1)
    pairs = np.sort(np.column_stack([number[:-1], number[1:]])[part[1:] == part[:-1]], axis=1)
    return coordinates[first], np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)


def triangulate(points: Floats, segments: Ints) -> cdt.Triangulation:
    """Constrained Delaunay triangulation that keeps every segment."""
    result = cdt.Triangulation(cdt.VertexInsertionOrder.AUTO, cdt.IntersectingConstraintEdges.TRY_RESOLVE, 0.0)
    vertices: Any = np.ascontiguousarray(points)
    edges: Any = np.ascontiguousarray(segments.astype(np.uintc))
    result.insert_vertices(vertices)
    result.insert_edges(edges)
    return result


def refine(result: cdt.Triangulation, skip: Ints) -> None:
    """
    Add points until no triangle outside `skip` has an angle below `MIN_ANGLE`, drawn corners excepted.

    Raises
    ------
    MeshError
        If that takes more than twenty times the points there are.
    """
    before = result.vertices_count()
    budget = 20 * before + 100_000
    angle = cdt.deg_to_rad(MIN_ANGLE)
    result.refine_triangles(budget, cdt.RefinementCriterion.SMALLEST_ANGLE, angle, set(skip.tolist()))
    if result.vertices_count() - before >= budget:
        message = f"Meshing needs more than {budget} extra points: look for slivers or near-touching cutouts."
        raise MeshError(message)


def read(result: cdt.Triangulation) -> Triangulation:
    """Arrays of a triangulation."""
    vertices = result.vertices_array()
    table = result.triangles_array()
    triangles = table["vertices"].astype(np.int64)
    neighbours = table["neighbors"].astype(np.int64)
    neighbours[neighbours == cdt.NO_NEIGHBOR] = -1
    kept = np.frombuffer(b"".join(map(bytes, result.fixed_edges_iter())), dtype=np.uintc).reshape(-1, 2)
    count = len(vertices)
    weights = np.array([count, 1], dtype=np.int64)
    keys = np.sort(np.sort(kept.astype(np.int64), axis=1) @ weights)
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2)
    wanted = np.sort(ends, axis=2) @ weights
    place = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return Triangulation(np.column_stack([vertices["x"], vertices["y"]]), triangles, neighbours, keys[place] == wanted)


def split_pinches(points: Floats, triangles: Ints, neighbours: Ints) -> tuple[Floats, Ints]:
    """
    Give each side its own copy of a point where two boundaries touch.

    Copper that meets in a single point does not conduct there.

    Parameters
    ----------
    points : array, shape (n, 2)
    triangles, neighbours : arrays, shape (m, 3)
        Neighbours among these triangles, -1 across a boundary.
    """
    boundary = neighbours < 0
    ends = np.concatenate([triangles[boundary], np.roll(triangles, -1, axis=1)[boundary]])
    pinched = np.flatnonzero(np.bincount(ends, minlength=len(points)) > 2)
    if not len(pinched):
        return points, triangles
    triangles = triangles.copy()
    extra: list[Floats] = []
    rows = np.flatnonzero(np.isin(triangles, pinched).any(axis=1))
    for point in pinched:
        around = rows[(triangles[rows] == point).any(axis=1)]
        fans = _fans(int(point), around, triangles, neighbours)
        for fan in fans[1:]:
            for tri in fan:
                triangles[tri, triangles[tri] == point] = len(points) + len(extra)
            extra.append(points[point])
    return np.concatenate([points, np.array(extra).reshape(-1, 2)]), triangles


def _fans(point: int, around: Ints, triangles: Ints, neighbours: Ints) -> list[list[int]]:
    """Triangles round a point, grouped by whether they join through edges that end at the point."""
    left = set(around.tolist())
    fans = []
    while left:
        fan = [min(left)]
        left.remove(fan[0])
        for tri in fan:
            for k in range(3):
                other = int(neighbours[tri, k])
                if other in left and point in (triangles[tri, k], triangles[tri, (k + 1) % 3]):
                    left.remove(other)
                    fan.append(other)
        fans.append(fan)
    return fans
