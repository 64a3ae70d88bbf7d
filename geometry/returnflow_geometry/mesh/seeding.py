"""Where mesh points go: a smooth size field, and graded points that follow it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import KDTree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# How fast the wanted edge length may grow with distance. 0.4 keeps neighbours within a factor of about 1.5.
GROWTH = 0.4
# Points of a level keep this fraction of their spacing from points already placed.
CLEARANCE = 0.72
_LEVEL = np.sqrt(2.0)
_TILE = 8  # lattice spacings along a tile's edge


@dataclass(frozen=True)
class SizeField:
    """
    Wanted edge length everywhere, known at points and growing at most by `growth` away from them.

    Attributes
    ----------
    points : array, shape (n, 2), metres
    sizes : array, shape (n,), metres
        Wanted edge length at the points, > 0.
    largest : float
        Cap on the edge length, metres.
    others : tuple of SizeField
        The smallest of all counts.
    """

    points: Floats
    sizes: Floats
    largest: float
    growth: float = GROWTH
    others: tuple[SizeField, ...] = ()

    @cached_property
    def _tree(self) -> KDTree:
        return KDTree(self.points)

    def __call__(self, where: Floats) -> Floats:
        """Edge length wanted at `where`, shape (k, 2) to (k,), metres."""
        count = min(3, len(self.points))
        # Farther away no point matters. What is not found counts as infinitely large.
        reach = (self.largest - float(self.sizes.min())) / self.growth * (1 + 1e-9)
        distance, index = self._tree.query(where, k=[*range(1, count + 1)], distance_upper_bound=max(reach, 0.0))
        sizes: Floats = np.min(np.append(self.sizes, np.inf)[index] + self.growth * distance, axis=1)
        sizes = np.minimum(sizes, self.largest)
        for other in self.others:
            sizes = np.minimum(sizes, other(where))
        return sizes


def limit_growth(points: Floats, edges: Ints, sizes: Floats, growth: float = GROWTH) -> Floats:
    """
    Largest sizes below `sizes` that grow at most by `growth` per metre along the edges.

    A shortest-path problem from one source joined to every point by its own size, so that sizes spread
    through the copper and not across a slot.

    Parameters
    ----------
    points : array, shape (n, 2), metres
    edges : array, shape (m, 2)
    sizes : array, shape (n,), metres
        Must be finite and > 0.
    """
    count = len(points)
    length = growth * np.hypot(*(points[edges[:, 0]] - points[edges[:, 1]]).T)
    everyone = np.arange(count)
    rows = np.concatenate([edges[:, 0], edges[:, 1], np.full(count, count)])
    cols = np.concatenate([edges[:, 1], edges[:, 0], everyone])
    weights = np.concatenate([length, length, sizes])
    # Parallel edges of a split vertex would be summed by the conversion; the minimum is what is meant.
    order = np.lexsort((weights, cols, rows))
    rows, cols, weights = rows[order], cols[order], weights[order]
    first = np.concatenate([[True], (np.diff(rows) != 0) | (np.diff(cols) != 0)])
    graph = coo_array((weights[first], (rows[first], cols[first])), shape=(count + 1, count + 1)).tocsr()
    limited: Floats = dijkstra(graph, indices=count)[:count]
    return limited


def split_segments(points: Floats, segments: Ints, size: SizeField) -> tuple[Floats, Ints]:
    """
    Halve segments until none is longer than the size wanted at its middle.

    Returns the points, the new ones behind the given ones, and the pieces.
    """
    done: list[Ints] = []
    current = segments
    while len(current):
        ends = points[current]
        length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
        middle = ends.mean(axis=1)
        long = length > 1.2 * size(middle)
        done.append(current[~long])
        split = current[long]
        new = len(points) + np.arange(len(split))
        points = np.concatenate([points, middle[long]])
        current = np.concatenate([np.column_stack([split[:, 0], new]), np.column_stack([new, split[:, 1]])])
    return points, np.concatenate(done) if done else segments


def graded_points(bounds: tuple[float, float, float, float], size: SizeField, placed: Floats) -> Floats:
    """
    Points of hexagonal lattices of stepped spacing that follow the size field inside a rectangle.

    Each level of spacing fills the places where the wanted size lies in its step; from the finest level up,
    points that would crowd points already there (or `placed`, the boundary's) are left out.

    Parameters
    ----------
    bounds : (xmin, ymin, xmax, ymax), metres
    size : SizeField
    placed : array, shape (n, 2), metres
        Points that stand already.

    Returns
    -------
    array, shape (k, 2), metres
    """
    xmin, ymin, xmax, ymax = bounds
    spacing = size.largest
    tile = _TILE * spacing
    tiles = _grid(
        xmin, ymin, max(1, int(np.ceil((xmax - xmin) / tile))), max(1, int(np.ceil((ymax - ymin) / tile))), tile
    )
    levels: list[tuple[float, Floats]] = []
    while len(tiles):
        candidates, owner = _lattice(tiles, tile, spacing)
        wanted = size(candidates)
        coarse = wanted >= spacing * (1 - 1e-12)
        upper = np.inf if not levels else spacing * _LEVEL
        levels.append((spacing, candidates[coarse & (wanted < upper)]))
        finer = np.unique(owner[~coarse])
        # Two steps of sqrt(2) make one halving of the tile.
        spacing /= _LEVEL
        if len(levels) % 2 == 0:
            tile /= 2
            corners = tiles[finer]
            shifts = tile * np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
            tiles = (corners[:, None, :] + shifts[None, :, :]).reshape(-1, 2)
        else:
            tiles = tiles[finer]
    chosen: list[Floats] = [placed]
    for step, candidates in reversed(levels):
        if not len(candidates):
            continue
        near, _ = KDTree(np.concatenate(chosen)).query(candidates, distance_upper_bound=CLEARANCE * step)
        chosen.append(candidates[~np.isfinite(near)])
    return np.concatenate(chosen)[len(placed) :]


def _grid(x0: float, y0: float, nx: int, ny: int, step: float) -> Floats:
    x, y = np.meshgrid(x0 + step * np.arange(nx), y0 + step * np.arange(ny))
    return np.column_stack([x.ravel(), y.ravel()])


def _lattice(tiles: Floats, tile: float, spacing: float) -> tuple[Floats, Ints]:
    """Points of one global hexagonal lattice that lie in the tiles (lower left corners), and whose tile each is."""
    rise = spacing * np.sqrt(3) / 2
    j0 = np.ceil(tiles[:, 1] / rise - 1e-9).astype(np.int64)
    rows = int(np.ceil(tile / rise)) + 1
    columns = int(np.ceil(tile / spacing)) + 1
    j = j0[:, None] + np.arange(rows)
    shift = 0.5 * (j % 2)
    i0 = np.ceil(tiles[:, :1] / spacing - shift - 1e-9)
    x = (i0[:, :, None] + shift[:, :, None] + np.arange(columns)) * spacing
    y = np.broadcast_to((j * rise)[:, :, None], x.shape)
    inside = (x < tiles[:, 0, None, None] + tile - 1e-9 * spacing) & (
        y < tiles[:, 1, None, None] + tile - 1e-9 * spacing
    )
    owner = np.broadcast_to(np.arange(len(tiles))[:, None, None], x.shape)[inside]
    return np.column_stack([x[inside], y[inside]]), owner
