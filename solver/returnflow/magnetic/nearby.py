"""Integrals over the near pairs of triangles of a tree, leaf by leaf, as half of a symmetric sparse array."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from returnflow.magnetic.panels import MIDDLE, NEAR, Panels, by_centres
from returnflow.magnetic.quadtree import Pairs, Quadtree, ramp
from returnflow.resistive.factor_threads import side_by_side

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shorts = NDArray[np.int32]

PIECE = 4_000_000  # pairs of triangles in a piece of work, about
CLOSER = 400_000  # pairs that wait for a closer look at most: bounds what is needed beside the result


def near_half(corners: Floats, tree: Quadtree, leaves: Pairs, distance: Floats | None) -> csr_array:
    """
    Half of the near part, in the order of the tree: the near part is this plus its transpose.

    Parameters
    ----------
    corners : array, shape (m, 3, 2), metres
        In the order of the tree.
    tree : Quadtree
    leaves : pair of arrays
        Unordered pairs of leaves that are near each other, every leaf with itself among them.
    distance : array, shape (levels, levels), metres, or None
        Of the levels of the tree.

    Notes
    -----
    All triangles of a leaf have the same columns, so that rows need no sorting, and what a pair needs of its triangles
    is looked up once for a leaf. The part of a leaf with itself is all there, halved.
    """
    a, b = leaves
    swap = tree.start[a] > tree.start[b]
    a, b = np.where(swap, b, a), np.where(swap, a, b)
    order = np.lexsort((tree.start[b], tree.start[a]))
    a, b = a[order], b[order]
    first = np.flatnonzero(np.diff(tree.start[a], prepend=-1))
    own, sizes = a[first], tree.sizes[b]
    columns = (np.repeat(tree.start[b], sizes) + ramp(sizes)).astype(np.int32)
    width = np.add.reduceat(sizes, first)
    begin = np.concatenate([[0], np.cumsum(width)])
    starts = np.concatenate([[0], np.cumsum(tree.sizes[own] * width)])
    indptr = np.concatenate([[0], np.cumsum(np.repeat(width, tree.sizes[own]))])
    kind = np.int32 if starts[-1] < 2**31 else np.int64
    data, indices = np.empty(starts[-1], dtype=np.float32), np.empty(starts[-1], dtype=kind)
    panels = Panels.of(corners, np.float32)
    level = None if distance is None else np.repeat(tree.level[b], sizes)

    def fill(some: range) -> None:
        waiting = _Waiting(panels, data)
        for n in some:
            leaf, ours = own[n], slice(begin[n], begin[n + 1])
            rows, part = slice(tree.start[leaf], tree.end[leaf]), slice(starts[n], starts[n + 1])
            mine, size = columns[ours], rows.stop - rows.start
            away = None if distance is None or level is None else distance[tree.level[leaf], level[ours]]
            origin = panels.centre[rows.start]
            one, other = panels.some(rows, origin).upright, panels.some(mine, origin)
            values, apart = by_centres(one, other, np.float32(0) if away is None else (away**2).astype(np.float32))
            # A leaf comes first among its own columns.
            apart[np.arange(size), np.arange(size)] = 0.0
            data[part] = values.ravel()
            indices[part].reshape(values.shape)[:] = mine
            waiting.add(apart, part.start, rows.start, mine, away)
        waiting.settle()
        for n in some:
            size = int(tree.sizes[own[n]])
            data[starts[n] : starts[n + 1]].reshape(size, -1)[:, :size] *= 0.5

    cuts = np.searchsorted(starts, np.arange(0, starts[-1] + PIECE, PIECE))
    cuts[-1] = len(own)
    side_by_side([partial(fill, range(p, q)) for p, q in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True)])
    return csr_array((data, indices, indptr.astype(kind)), shape=(len(corners),) * 2)


class _Waiting:
    """Pairs that are too near for their centres, until there are enough of them to be looked at together."""

    def __init__(self, panels: Panels, data: NDArray[np.float32]) -> None:
        self._panels, self._data = panels, data
        self._parts: list[tuple[Ints, Ints, Shorts, NDArray[np.bool_], Floats | None]] = []
        self._count = 0

    def add(self, apart: NDArray[np.float32], place: int, row: int, columns: Shorts, away: Floats | None) -> None:
        """Of the rows from `row` and some columns, whose integrals stand from `place` on."""
        flat = apart.ravel()
        some = np.flatnonzero(flat < MIDDLE**2)
        i, j = np.divmod(some, len(columns))
        near = flat[some] < NEAR**2
        self._parts.append((place + some, row + i, columns[j], near, None if away is None else away[j]))
        self._count += len(some)
        if self._count > CLOSER:
            self.settle()

    def settle(self) -> None:
        """Put closer integrals in the place of those by centres."""
        if not self._parts:
            return
        places, i, j, near, away = zip(*self._parts, strict=True)
        apart = None if away[0] is None else np.concatenate(away)
        at, one, other, close = (np.concatenate(part) for part in (places, i, j, near))
        for some, how in ((~close, self._panels.by_rule), (close, self._panels.closely)):
            self._data[at[some]] = how(one[some], other[some], None if apart is None else apart[some])
        self._parts, self._count = [], 0
