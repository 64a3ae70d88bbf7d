"""How current enters copper along an outline within it: evenly, with copper on both sides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from returnflow_geometry.mesh.mesher import Mesh

Ints = NDArray[np.int64]


def parted(mesh: Mesh, outer: int | None, along: int) -> tuple[Mesh, Mesh]:
    """
    A mesh without what lies inside the outlines that currents enter along, and all of it without these outlines.

    Parameters
    ----------
    mesh : Mesh
    outer, along : int
        As `Stack` has them.
    """
    some = slice(None, outer)
    natural = len(mesh.contact_edges) - along
    outside = replace(
        mesh,
        triangles=mesh.triangles[some],
        region_triangles=mesh.region_triangles[:, some],
        copper_of=None if mesh.copper_of is None else mesh.copper_of[some],
    )
    bare = replace(mesh, contact_edges=mesh.contact_edges[:natural], contact_of=mesh.contact_of[:natural])
    return outside, bare


def evened(mesh: Mesh, outer: int | None, along: int) -> csr_array:
    """
    What makes fields enter evenly, from their local values to what is to be added to these, shape (3 m, 3 m).

    On the outside of every outline the stream function is made to grow with the length of the outline; inside it stays,
    so that it jumps there by what has entered up to each place.

    Parameters
    ----------
    mesh : Mesh
        Its last contact edges run along outlines, from outside.
    outer, along : int
        As `Stack` has them.
    """
    size, first = mesh.triangles.size, len(mesh.contact_edges) - along
    ends = mesh.edge_ends[tuple(mesh.contact_edges[first:].T)]
    count = len(mesh.points)
    if not along:
        return csr_array((size, size))
    label = connected_components(coo_array((np.ones(along), ends.T), shape=(count, count)), directed=False)[1]
    rim = label[ends[:, 0]]
    order = np.argsort(rim, kind="stable")
    outside = _outside(mesh.triangles[:outer], np.unique(ends))
    rows, cols, values = [], [], []
    for mine in np.split(order, np.flatnonzero(np.diff(rim[order])) + 1):
        ring = _round(mine, ends)
        points, n = ends[ring, 0], len(ring)
        length = np.hypot(*(mesh.points[ends[ring, 1]] - mesh.points[points]).T)
        # At the k-th point: what enters through edges before it, as an even share of all, less what does already.
        before = np.tri(n, n, -1)
        added = (before @ (length / length.sum()))[:, None] - before
        added -= added.mean(axis=0)
        tri, edge = mesh.contact_edges[first + ring].T
        start, stop = 3 * tri + edge, 3 * tri + (edge + 1) % 3
        for row, corners in zip(added, (outside[int(point)] for point in points), strict=True):
            for side, sign in ((stop, 1.0), (start, -1.0)):
                rows.append(np.repeat(corners, n))
                cols.append(np.tile(side, len(corners)))
                values.append(np.tile(sign * row, len(corners)))
    every = (np.concatenate(rows), np.concatenate(cols))
    return csr_array(coo_array((np.concatenate(values), every), shape=(size, size)))


def even(evened: csr_array, local: csr_array) -> csr_array:
    """Fields by their local values, (3 m, k), so that they enter evenly."""
    return csr_array(local + evened @ local)


def _outside(triangles: Ints, points: Ints) -> dict[int, Ints]:
    """Corners of triangles at some points, each as 3 times the triangle and the corner."""
    corners = triangles.ravel()
    mine = np.flatnonzero(np.isin(corners, points))
    mine = mine[np.argsort(corners[mine], kind="stable")]
    at, first = np.unique(corners[mine], return_index=True)
    return dict(zip(at.tolist(), np.split(mine, first[1:]), strict=True))


def _round(edges: Ints, ends: Ints) -> Ints:
    """Edges of one ring in their order, each beginning where the last one ends."""
    following = {int(ends[edge, 0]): int(edge) for edge in edges}
    ring = [int(edges[0])]
    while len(ring) < len(edges):
        ring.append(following[int(ends[ring[-1], 1])])
    return np.array(ring)
