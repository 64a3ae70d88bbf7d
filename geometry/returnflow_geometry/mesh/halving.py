"""Every triangle of a mesh cut into four alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.mesh.mesher import Mesh

Ints = NDArray[np.int64]


def halved(mesh: Mesh) -> Mesh:
    """
    The same copper with edges of half the length: four triangles for every one, alike to it.

    What a function on the mesh can be, it can be on the halved one too. The parts of triangle n are 4 n + k, at its
    corner k, and 4 n + 3 in the middle.

    Examples
    --------
    >>> import shapely
    >>> from returnflow_geometry.mesh.mesher import Mesher, Plane
    >>> mesh = Mesher(Plane(shapely.box(0, 0, 2, 1), [shapely.box(0, 0, 0.1, 1)])).coarse()
    >>> fine = halved(mesh)
    >>> len(fine.triangles) // len(mesh.triangles), bool(fine.areas.sum().round(9) == mesh.areas.sum().round(9))
    (4, True)
    """
    ends = np.sort(mesh.edge_ends.reshape(-1, 2), axis=1)
    edges, which = np.unique(ends, axis=0, return_inverse=True)
    middle = which.reshape(-1, 3) + len(mesh.points)
    (a, b, c), (ab, bc, ca) = mesh.triangles.T, middle.T
    parts = np.array([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]])
    return replace(
        mesh,
        points=np.concatenate([mesh.points, mesh.points[edges].mean(axis=1)]),
        triangles=parts.transpose(2, 0, 1).reshape(-1, 3),
        contact_edges=_twice(mesh.contact_edges),
        contact_of=np.repeat(mesh.contact_of, 2),
        region_triangles=np.repeat(mesh.region_triangles, 4, axis=1),
        region_borders=tuple(_twice(border) for border in mesh.region_borders),
        section_edges=tuple(_twice(section) for section in mesh.section_edges),
        copper_of=None if mesh.copper_of is None else np.repeat(mesh.copper_of, 4),
    )


def _twice(edges: Ints) -> Ints:
    """Both halves of edges given by triangle and number, and by what else belongs to them; in their order."""
    triangle, edge, more = edges[:, 0], edges[:, 1], edges[:, 2:]
    halves = [np.column_stack([4 * triangle + corner, edge, more]) for corner in (edge, (edge + 1) % 3)]
    both: Ints = np.stack(halves, axis=1).reshape(-1, edges.shape[1])
    return both
