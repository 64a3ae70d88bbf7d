"""Fields on triangles, evaluated at the middles of a picture's pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AT_ONCE = 4_000_000  # candidate pixels held in memory


@dataclass(frozen=True)
class Raster:
    """
    Which triangle lies under the middle of each pixel, and where in it.

    Attributes
    ----------
    shape : (rows, columns)
        Row 0 is the lowest.
    pixel : array, shape (n,)
        Flat numbers of the pixels that lie on copper.
    triangle : array, shape (n,)
    weights : array, shape (n, 3)
        Barycentric coordinates of their middles.
    """

    shape: tuple[int, int]
    pixel: Ints
    triangle: Ints
    weights: Floats

    @classmethod
    def of(cls, mesh: Mesh, corner: tuple[float, float], size: float, shape: tuple[int, int]) -> Raster:
        """
        Raster of square pixels.

        Parameters
        ----------
        mesh : Mesh
        corner : (x, y)
            Lower left corner of the first pixel, metres.
        size : float
            Side of a pixel, metres.
        shape : (rows, columns)
        """
        corners = (mesh.points[mesh.triangles] - corner) / size - 0.5  # middles of pixels are at whole numbers
        low = np.maximum(np.ceil(corners.min(axis=1)), 0).astype(np.int64)
        high = np.minimum(np.floor(corners.max(axis=1)), [shape[1] - 1, shape[0] - 1]).astype(np.int64)
        wide, tall = np.maximum(high - low + 1, 0).T
        count = wide * tall
        found: list[tuple[Ints, Ints, Floats]] = []
        begin = 0
        total = np.cumsum(count)
        while begin < len(count):
            end = max(
                begin + 1, int(np.searchsorted(total, (total[begin - 1] if begin else 0) + AT_ONCE, side="right"))
            )
            tri = begin + np.repeat(np.arange(end - begin), count[begin:end])
            number = (
                np.arange(len(tri))
                - np.repeat(total[begin:end] - count[begin:end], count[begin:end])
                + (total[begin - 1] if begin else 0)
            )
            x, y = low[tri, 0] + number % wide[tri], low[tri, 1] + number // wide[tri]
            weights = _barycentric(corners[tri], np.column_stack([x, y]).astype(np.float64))
            inside = np.all(weights >= -1e-9, axis=1)
            found.append(((y * shape[1] + x)[inside], tri[inside], weights[inside]))
            begin = end
        pixel, triangle, weights = (np.concatenate(parts) for parts in zip(*found, strict=True))
        # A middle on a common edge is found twice; one of them is enough.
        pixel, first = np.unique(pixel, return_index=True)
        return cls(shape, pixel, triangle[first], weights[first])

    def evaluate(self, local_values: Floats) -> Floats:
        """
        Field at every pixel, shape (rows, columns); NaN where there is no copper.

        Parameters
        ----------
        local_values : array, shape (m, 3 or 6)
            At the corners of each triangle, and at the middles of its edges for a field of order 2.
        """
        values = local_values[self.triangle]
        a, b, c = self.weights.T
        if local_values.shape[1] == 3:
            shapes = [a, b, c]
        else:
            shapes = [a * (2 * a - 1), b * (2 * b - 1), c * (2 * c - 1), 4 * a * b, 4 * b * c, 4 * c * a]
        result = np.full(self.shape[0] * self.shape[1], np.nan)
        result[self.pixel] = np.einsum("nl,ln->n", values, np.array(shapes), optimize=True)
        return result.reshape(self.shape)


def _barycentric(corners: Floats, points: Floats) -> Floats:
    """Barycentric coordinates of one point in each triangle, shape (n, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]

    def cross(u: Floats, v: Floats) -> Floats:
        product: Floats = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        return product

    area = cross(b - a, c - a)
    return (
        np.column_stack([cross(c - b, points - b), cross(a - c, points - c), cross(b - a, points - a)]) / area[:, None]
    )
