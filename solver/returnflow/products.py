"""Exact integrals of products of fields on a mesh."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from returnflow.spaces import CORNER_ROOT, Path, Space

Floats = NDArray[np.float64]

BLOCK = 50_000  # triangles at a time


def without_circuits(space: Space, stream: Floats, paths: Sequence[Path], count: int) -> Floats:
    """
    Add to the first `count` fields what they need of the circuits behind them to dissipate least.

    Every field is at right angles to all single-valued stream functions already, so its product with a circuit
    needs the triangles of its path only.
    """
    if len(paths) == count:
        return stream
    loads = [_path_products(space, path) for path in paths]
    products = np.array(
        [
            [float(np.sum(load * circuit[path.triangles])) for path, load in zip(paths, loads, strict=True)]
            for circuit in stream[count:]
        ]
    )
    share = np.linalg.solve(products[:, count:], products[:, :count])
    lowered: Floats = stream[:count] - np.tensordot(share.T, stream[count:], axes=1)
    return lowered


def _path_products(space: Space, path: Path) -> Floats:
    """Integral of grad(shape) . grad(path) for the local unknowns of the path's triangles."""
    shapes = space.shape_gradients_of(path.triangles)
    field_at = np.einsum("tl,tlcd->tcd", path.values, shapes)
    area = space.mesh.areas[path.triangles]
    products: Floats = np.einsum("tlcd,ce,ted->tl", shapes, CORNER_ROOT.T @ CORNER_ROOT, field_at) * area[:, None]
    return products


def path_load(space: Space, path: Path) -> Floats:
    """Integral of grad(shape) . grad(path) for every unknown; the path lives on few triangles."""
    local = _path_products(space, path)
    load = np.bincount(space.local[path.triangles].ravel(), weights=local.ravel(), minlength=space.size)
    return load.astype(np.float64)


def curl(gradient: Floats) -> Floats:
    """Sheet current of a stream function: (d/dy, -d/dx)."""
    return np.stack([gradient[..., 1], -gradient[..., 0]], axis=-1)


def both_sides(space: Space, potential: Floats, stream: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """
    Integrals of products of the two sides' fields, in squares.

    Returns
    -------
    lower, upper, mixed : arrays, shape (loops, loops)
        Potential by potential, stream by stream, potential by stream.
    gap : array, shape (loops, m)
        Squared difference of the two sides in every triangle.
    """
    count, triangles = len(stream), len(space.mesh.triangles)
    lower, upper, mixed = (np.zeros((count, count)) for _ in range(3))
    gap = np.empty((count, triangles))
    # Block by block, so that a million triangles need no gigabytes.
    for begin in range(0, triangles, BLOCK):
        rows = slice(begin, min(begin + BLOCK, triangles))
        shapes = space.shape_gradients_of(rows)
        root = np.sqrt(space.mesh.areas[rows])
        a, b = (np.empty((count, len(root) * 6)) for _ in range(2))
        for j in range(count):
            a[j] = _flat(-_gradient(potential[space.local[rows], j], shapes), root)
            b[j] = _flat(curl(_gradient(stream[j, rows], shapes)), root)
        lower += a @ a.T
        upper += b @ b.T
        mixed += a @ b.T
        gap[:, rows] = np.sum(((a - b) ** 2).reshape(count, len(root), 6), axis=2)
    return lower, upper, mixed, gap


def _gradient(local_values: Floats, shapes: Floats) -> Floats:
    """Gradient at the corners, from local values (m, 3 or 6) and shape gradients, to (m, 3, 2)."""
    m, l = local_values.shape
    gradient: Floats = np.matmul(local_values[:, None, :], shapes.reshape(m, l, 6)).reshape(m, 3, 2)
    return gradient


def _flat(at_corners: Floats, root_area: Floats) -> Floats:
    """Field as a vector whose dot products are the exact integrals."""
    flat: Floats = np.matmul(CORNER_ROOT, at_corners * root_area[:, None, None]).ravel()
    return flat
