"""Exact integrals of products of fields on a mesh."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from returnflow.resistive.spaces import CORNER_ROOT, Path, Space

Floats = NDArray[np.float64]

BLOCK = 50_000  # triangles at a time


def circuit_products(
    space: Space, paths: Sequence[Path], weight: Floats, link_resistance: Floats
) -> tuple[csr_array, Floats]:
    """
    What paths dissipate together with single-valued stream functions, and with each other.

    Parameters
    ----------
    space : Space
    paths : sequence of Path
    weight : array, shape (m,)
        Sheet resistance of every triangle, relative to the reference.
    link_resistance : array, shape (links,), squares

    Returns
    -------
    loads : sparse array, shape (size, paths)
        Integral of weight grad(shape) . grad(path).
    products : array, shape (paths, paths)
        The same of path by path, with what they dissipate in links.
    """
    width = space.local.shape[1]
    rows, values, loads, columns = [], [], [], []
    for path in paths:
        rows.append((width * path.triangles[:, None] + np.arange(width)).ravel())
        values.append(path.values.ravel())
        loads.append((_path_products(space, path) * weight[path.triangles, None]).ravel())
        columns.append(space.local[path.triangles].ravel())
    number = np.repeat(np.arange(len(paths)), [len(part) for part in rows])
    row, column = (np.concatenate([np.empty(0, dtype=np.int64), *parts]) for parts in (rows, columns))
    value, load = (np.concatenate([np.empty(0), *parts]) for parts in (values, loads))
    shape = (width * len(space.local), len(paths))
    by_local, load_local = (csr_array((part, (row, number)), shape=shape) for part in (value, load))
    links = np.array([path.links for path in paths]).reshape(len(paths), -1)
    products = (by_local.T @ load_local).toarray() + (links * link_resistance) @ links.T
    return csr_array((load, (column, number)), shape=(space.size, len(paths))), products


def _path_products(space: Space, path: Path) -> Floats:
    """Integral of grad(shape) . grad(path) for the local unknowns of the path's triangles."""
    shapes = space.shape_gradients_of(path.triangles)
    field_at = np.einsum("tl,tlcd->tcd", path.values, shapes)
    area = space.mesh.areas[path.triangles]
    products: Floats = np.einsum("tlcd,ce,ted->tl", shapes, CORNER_ROOT.T @ CORNER_ROOT, field_at) * area[:, None]
    return products


def curl(gradient: Floats) -> Floats:
    """Sheet current of a stream function: (d/dy, -d/dx)."""
    return np.stack([gradient[..., 1], -gradient[..., 0]], axis=-1)


def both_sides(
    space: Space, potential: Floats, stream: Floats, weight: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """
    Integrals of products of the two sides' fields, in squares.

    Parameters
    ----------
    space : Space
    potential : array, shape (size, loops)
    stream : array, shape (loops, m, 3 or 6)
    weight : array, shape (m,)
        Sheet resistance of every triangle, relative to the reference.

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
        root, thin = np.sqrt(space.mesh.areas[rows] * weight[rows]), weight[rows, None, None]
        a, b = (np.empty((count, len(root) * 6)) for _ in range(2))
        for j in range(count):
            a[j] = _flat(-_gradient(potential[space.local[rows], j], shapes) / thin, root)
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


def _flat(at_corners: Floats, root: Floats) -> Floats:
    """Field as a vector whose dot products are the exact integrals."""
    flat: Floats = np.matmul(CORNER_ROOT, at_corners * root[:, None, None]).ravel()
    return flat
