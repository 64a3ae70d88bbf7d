"""Meshes of several coppers as one, and back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.mesh.mesher import Mesh

Ints = NDArray[np.int64]


def united(
    parts: Sequence[Mesh],
    contacts: Sequence[Ints],
    regions: Sequence[Ints],
    sections: Sequence[Ints],
    counts: tuple[int, int],
) -> Mesh:
    """
    Meshes of several coppers side by side in one: no triangle of one has a neighbour in another.

    Parameters
    ----------
    parts : sequence of Mesh
    contacts, regions, sections : sequences of arrays of int
        Per part, what its own contacts, regions and sections are called in the whole.
    counts : (int, int)
        Number of regions and of sections in the whole.

    Returns
    -------
    mesh : Mesh
        With `copper_of`: the number of the part of every triangle.
    """
    points = np.cumsum([0, *(len(part.points) for part in parts)])
    triangles = np.cumsum([0, *(len(part.triangles) for part in parts)])
    inside = np.zeros((counts[0], triangles[-1]), dtype=bool)
    borders = [np.empty((0, 2), dtype=np.int64)] * counts[0]
    lines = [np.empty((0, 3), dtype=np.int64)] * counts[1]
    for n, part in enumerate(parts):
        shift = triangles[n]
        inside[regions[n], shift : triangles[n + 1]] = part.region_triangles
        for number, border in zip(regions[n], part.region_borders, strict=True):
            borders[number] = border + np.array([shift, 0])
        for number, line in zip(sections[n], part.section_edges, strict=True):
            lines[number] = line + np.array([shift, 0, 0])
    shadows = [np.full(len(part.triangles), -1) if part.shadow is None else part.shadow for part in parts]
    return Mesh(
        np.concatenate([part.points for part in parts]),
        np.concatenate([part.triangles + points[n] for n, part in enumerate(parts)]),
        np.concatenate([part.contact_edges + np.array([triangles[n], 0]) for n, part in enumerate(parts)]),
        np.concatenate([contacts[n][part.contact_of] for n, part in enumerate(parts)]),
        inside,
        tuple(borders),
        tuple(lines),
        np.repeat(np.arange(len(parts)), np.diff(triangles)),
        np.concatenate(shadows) if any(part.shadow is not None for part in parts) else None,
    )


def part_of(mesh: Mesh, copper: int) -> Mesh:
    """
    Triangles of one copper of a united mesh, in their order; contacts, regions and sections keep their numbers.

    Examples
    --------
    >>> import shapely
    >>> from returnflow_geometry.mesh.mesher import Mesher, Plane
    >>> plane = Plane(shapely.box(0, 0, 2, 1), [shapely.box(0, 0, 0.1, 1)])
    >>> mesh = Mesher(plane).coarse()
    >>> both = united([mesh, mesh], [np.array([0]), np.array([1])], [np.array([], int)] * 2, [np.array([], int)] * 2,
    ...               (0, 0))
    >>> part = part_of(both, 1)
    >>> bool(np.all(part.triangles == mesh.triangles)), part.contact_of.tolist() == [1] * len(mesh.contact_of)
    (True, True)
    """
    if mesh.copper_of is None:
        return mesh
    rows = np.flatnonzero(mesh.copper_of == copper)
    number = np.full(len(mesh.triangles), -1)
    number[rows] = np.arange(len(rows))
    kept, corners = np.unique(mesh.triangles[rows], return_inverse=True)

    def mine(pairs: Ints) -> Ints:
        own = pairs[number[pairs[:, 0]] >= 0].copy()
        own[:, 0] = number[own[:, 0]]
        return own

    rim = number[mesh.contact_edges[:, 0]] >= 0
    return replace(
        mesh,
        points=mesh.points[kept],
        triangles=corners.reshape(-1, 3).astype(np.int64),
        contact_edges=mine(mesh.contact_edges),
        contact_of=mesh.contact_of[rim],
        region_triangles=mesh.region_triangles[:, rows],
        region_borders=tuple(mine(border) for border in mesh.region_borders),
        section_edges=tuple(mine(line) for line in mesh.section_edges),
        copper_of=None,
        shadow=None if mesh.shadow is None else mesh.shadow[rows],
    )
