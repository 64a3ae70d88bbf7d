"""Exact integrals of products of fields on a mesh."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, diags_array

from returnflow.resistive.spaces import CORNER_ROOT, Path, Space
from returnflow.resistive.streams import Streams

Floats = NDArray[np.float64]

BLOCK = 150_000  # triangles times loops at a time


def circuit_products(
    space: Space, paths: Sequence[Path], weight: Floats, link_resistance: Floats
) -> tuple[csr_array, csr_array, csr_array]:
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
    products : sparse array, shape (paths, paths)
        The same of path by path, with what they dissipate in links.
    values : sparse array, shape (triangles times local unknowns, paths)
        Local values of the paths.
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
    links = csr_array(np.array([path.links for path in paths]).reshape(len(paths), -1))
    products = csr_array(by_local.T @ load_local + links @ diags_array(link_resistance) @ links.T)
    return csr_array((load, (column, number)), shape=(space.size, len(paths))), products, by_local


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
    space: Space, potential: Floats, stream: Streams, weight: Floats, mixture: Floats
) -> tuple[Floats, Floats]:
    """
    What the fields of the two sides dissipate, and where they differ, in squares.

    Parameters
    ----------
    space : Space
    potential : array, shape (size, loops)
    stream : Streams
    weight : array, shape (m,)
        Sheet resistance of every triangle, relative to the reference.
    mixture : array, shape (loops,)
        Amperes of a mixture of all loops.

    Returns
    -------
    energy : array, shape (3, loops + 1)
        Of every loop, then of the mixture: potential by potential, stream by stream, potential by stream.
    gap : array, shape (loops, m)
        Squared difference of the two sides in every triangle.
    """
    count, triangles = len(stream), len(space.mesh.triangles)
    energy, gap = np.zeros((3, count + 1)), np.empty((count, triangles))
    # Block by block, so that a million triangles need no gigabytes; all loops together, as they share their triangles.
    step = max(1, BLOCK // max(1, count))
    for begin in range(0, triangles, step):
        rows = slice(begin, min(begin + step, triangles))
        weights = weight[rows, None, None]
        root = np.sqrt(space.mesh.areas[rows, None, None] * weights)
        # From local values to the field as a vector whose dot products are the exact integrals, (m, 6, local).
        exact = np.einsum("ce,tled->tcdl", CORNER_ROOT, space.shape_gradients_of(rows), optimize=True)
        a = np.matmul((-root / weights) * exact.reshape(len(root), 6, -1), potential[space.local[rows]])
        turned = np.stack([exact[:, :, 1], -exact[:, :, 0]], axis=2).reshape(len(root), 6, -1)
        b = np.matmul(root * turned, stream.on(rows))
        for row, (one, other) in enumerate(((a, a), (b, b), (a, b))):
            energy[row, :count] += np.einsum("tcj,tcj->j", one, other)
            energy[row, count] += np.vdot(one @ mixture, other @ mixture)
        a -= b
        gap[:, rows] = np.einsum("tcj,tcj->jt", a, a)
    return energy, gap
