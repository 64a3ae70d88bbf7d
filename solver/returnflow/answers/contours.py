"""Contour lines of fields on triangles, piece by piece, oriented so that the higher side is on the left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Corners of the four straight pieces of a triangle, in its local unknowns (corners, then middles of edges).
QUARTERS = np.array([[0, 3, 5], [3, 1, 4], [5, 4, 2], [3, 4, 5]])


def isolines(points: Floats, values: Floats, levels: Floats, triangles: Ints) -> Floats:
    """
    Straight pieces of contour lines of linear fields on triangles.

    Parameters
    ----------
    points : array, shape (t, 3, 2)
        Counter-clockwise corners of each triangle.
    values : array, shape (t, 3)
        The field at them. It may jump from triangle to triangle.
    levels : array, shape (n,)
        One level for each wanted crossing.
    triangles : array of int, shape (n,)
        The triangle each level is looked for in.

    Returns
    -------
    segments : array, shape (k, 2, 2)
        From start to end with the higher values on the left; for a stream function that is downstream.
        Triangles that the level misses give none.

    Examples
    --------
    >>> corner = np.array([[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]])
    >>> isolines(corner, np.array([[1.0, 0.0, 0.0]]), np.array([0.5]), np.array([0])).tolist()
    [[[0.5, 0.0], [0.0, 0.5]]]
    """
    value = values[triangles]
    above = value >= levels[:, None]
    # Exactly one corner differs from the other two, or the level misses the triangle.
    count = above.sum(axis=1)
    hit = np.flatnonzero((count == 1) | (count == 2))
    alone_above = count[hit] == 1
    odd = np.argmax(above[hit] == alone_above[:, None], axis=1)
    tri, level, value = triangles[hit], levels[hit], value[hit]
    row = np.arange(len(hit))
    ends = []
    for step in (1, 2):
        other = (odd + step) % 3
        a, b = value[row, odd], value[row, other]
        s = ((level - a) / (b - a))[:, None]
        ends.append((1 - s) * points[tri, odd] + s * points[tri, other])
    first = np.where(alone_above[:, None], ends[0], ends[1])
    second = np.where(alone_above[:, None], ends[1], ends[0])
    return np.stack([first, second], axis=1)


def straight_pieces(mesh: Mesh, local_values: Floats) -> tuple[Floats, Floats]:
    """
    Straight pieces that draw a field of order 1 or 2 on a mesh.

    Parameters
    ----------
    mesh : Mesh
    local_values : array, shape (m, 3 or 6)
        At the corners, then at the middles of the edges.

    Returns
    -------
    points : array, shape (m or 4 m, 3, 2)
    values : array, shape (m or 4 m, 3)
    """
    corners = mesh.points[mesh.triangles]
    if local_values.shape[1] == 3:
        return corners, local_values
    places = np.concatenate([corners, 0.5 * (corners + np.roll(corners, -1, axis=1))], axis=1)
    return places[:, QUARTERS].reshape(-1, 3, 2), local_values[:, QUARTERS].reshape(-1, 3)


def streamlines(mesh: Mesh, stream: Floats, tubes: int) -> Floats:
    """
    Lines of flow with equal currents between neighbours, as pieces of shape (k, 2, 2) that point downstream.

    Parameters
    ----------
    mesh : Mesh
    stream : array, shape (m, 3 or 6)
        Local values of a loop's stream function, ampere per ampere.
    tubes : int
        How many for the whole current.

    Notes
    -----
    Contours of the stream function at (k + 1/2) / tubes for every whole k. The stream function of a loop is
    single-valued only up to whole amperes per ampere; as a jump of 1 is a whole number of tubes, lines on the
    two sides of a jump still meet.
    """
    points, values = straight_pieces(mesh, stream)
    low = np.ceil(values.min(axis=1) * tubes - 0.5).astype(np.int64)
    high = np.floor(values.max(axis=1) * tubes - 0.5).astype(np.int64)
    count = np.maximum(high - low + 1, 0)
    tri = np.repeat(np.arange(len(values)), count)
    number = np.arange(len(tri)) - np.repeat(np.cumsum(count) - count, count) + low[tri]
    return isolines(points, values, (number + 0.5) / tubes, tri)
