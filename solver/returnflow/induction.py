"""The magnetic part: vector potential of sheet currents and of outgoing conductors, in linear time on graded meshes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from returnflow.panels import RULE_5, pair_integrals

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAF = 24  # triangles per leaf of the tree
ORDER = 4  # interpolation points per direction and box
SEPARATION = 0.5  # boxes are far apart if their gap exceeds this times the larger diagonal


@dataclass(frozen=True)
class _Tree:
    """
    Quadtree of triangles by centroid; each node with the tight box of its triangles.

    `order` sorts the triangles; node n holds the sorted triangles start[n]:end[n]. Parents come before children.
    """

    order: Ints
    start: Ints
    end: Ints
    parent: Ints
    first_child: Ints  # -1 for a leaf
    children: Ints  # count
    low: Floats  # (n, 2)
    high: Floats

    @classmethod
    def of(cls, corners: Floats, capacity: int) -> _Tree:
        centre = corners.mean(axis=1)
        origin = centre.min(axis=0)
        size = float(np.max(centre.max(axis=0) - origin)) * (1 + 1e-9) or 1.0
        cell = np.minimum((centre - origin) / size * 2.0**30, 2.0**30 - 1).astype(np.int64)
        key = _interleave(cell[:, 0]) | (_interleave(cell[:, 1]) << 1)
        order = np.argsort(key, kind="stable")
        key = key[order]
        starts, ends, parents = [np.array([0])], [np.array([len(key)])], [np.array([-1])]
        first_child, child_count = [], []
        total, level = 1, 0
        while len(starts[-1]):
            begin, stop = starts[-1], ends[-1]
            split = (stop - begin > capacity) & (level < 30)
            shift = 58 - 2 * level
            # Quadrant borders inside each node that splits, by bisection on the sorted keys.
            nodes = np.flatnonzero(split)
            base = (key[begin[nodes]] >> (shift + 2)) << (shift + 2)
            borders = np.stack(
                [begin[nodes], *(np.searchsorted(key, base + (q << shift)) for q in (1, 2, 3)), stop[nodes]], axis=1
            )
            filled = borders[:, 1:] > borders[:, :-1]
            counts = filled.sum(axis=1)
            here = np.full(len(begin), -1)
            here[nodes] = total + np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(nodes) else here[nodes]
            number = np.zeros(len(begin), dtype=np.int64)
            number[nodes] = counts
            first_child.append(here)
            child_count.append(number)
            offset = total - len(begin)
            starts.append(borders[:, :-1][filled])
            ends.append(borders[:, 1:][filled])
            parents.append(np.repeat(nodes + offset, counts))
            total += int(counts.sum())
            level += 1
        begin, stop = np.concatenate(starts), np.concatenate(ends)
        sorted_corners = corners[order]
        low, high = np.empty((len(begin), 2)), np.empty((len(begin), 2))
        first, count = np.concatenate(first_child), np.concatenate(child_count)
        parent = np.concatenate(parents)
        leaf = np.flatnonzero(first < 0)
        at = np.argsort(begin[leaf], kind="stable")
        leaf = leaf[at]
        low[:], high[:] = np.inf, -np.inf
        low[leaf] = np.minimum.reduceat(sorted_corners.min(axis=1), begin[leaf])
        high[leaf] = np.maximum.reduceat(sorted_corners.max(axis=1), begin[leaf])
        for node in range(len(begin) - 1, 0, -1):
            up = parent[node]
            low[up] = np.minimum(low[up], low[node])
            high[up] = np.maximum(high[up], high[node])
        return cls(order, begin, stop, parent, first, count, low, high)

    @property
    def leaves(self) -> Ints:
        """Numbers of the leaves."""
        return np.flatnonzero(self.first_child < 0)


def _interleave(value: Ints) -> Ints:
    """Spread the lower 30 bits to the even places."""
    x = value.astype(np.int64)
    for shift, mask in (
        (16, 0x0000FFFF0000FFFF),
        (8, 0x00FF00FF00FF00FF),
        (4, 0x0F0F0F0F0F0F0F0F),
        (2, 0x3333333333333333),
        (1, 0x5555555555555555),
    ):
        x = (x | (x << shift)) & mask
    return x


class PanelOperator:
    """
    Integral of 1/r between all pairs of triangles of one plane, applied in linear time.

    ``operator @ q`` gives for every triangle T the sum over T' of q[T'] times the integral over T and T' of 1/r, in
    m³ times the unit of q. Symmetric to rounding.

    Parameters
    ----------
    corners : array, shape (m, 3, 2), metres, counter-clockwise

    Notes
    -----
    A tree of boxes follows the mesh, so that graded meshes cost no more than uniform ones. Boxes that are far
    apart talk through polynomials on Chebyshev points, nested from level to level; near triangles
    talk directly [HackbuschBoerm]_.

    References
    ----------
    .. [HackbuschBoerm] W. Hackbusch and S. Boerm, H2-matrix approximation of integral operators by
       interpolation, Appl. Numer. Math. 43 (2002) 129-143 (from memory).
    """

    def __init__(
        self, corners: Floats, *, leaf: int = LEAF, order: int = ORDER, separation: float = SEPARATION
    ) -> None:
        self.shape = (len(corners), len(corners))
        self._points = order
        tree = self._tree = _Tree.of(corners, leaf)
        far, near = _interactions(tree, separation)
        self._near = self._near_part(corners, near)
        self._basis()
        self._project = self._leaf_part(corners)
        self._far = self._far_part(far)

    def __matmul__(self, q: Floats) -> Floats:
        """Apply to an array of shape (m,) or (m, k)."""
        flat = q.reshape(len(q), -1)
        result = self._near @ flat
        nodes, points = len(self._tree.start), self._points**2
        outgoing = (self._project.T @ flat).reshape(nodes, points, -1)
        for children, parents in reversed(self._levels):
            lifted = np.matmul(self._transfer[children].transpose(0, 2, 1), outgoing[children])
            outgoing += _gather(parents, lifted, nodes)
        incoming = np.zeros_like(outgoing)
        for left, right, blocks in self._far:
            incoming += _gather(left, np.matmul(blocks, outgoing[right]), nodes)
            incoming += _gather(right, np.matmul(blocks.transpose(0, 2, 1), outgoing[left]), nodes)
        for children, parents in self._levels:
            incoming[children] += np.matmul(self._transfer[children], incoming[parents])
        result += self._project @ incoming.reshape(nodes * points, -1)
        return result.reshape(q.shape)

    def _near_part(self, corners: Floats, near: tuple[Ints, Ints]) -> csr_array:
        tree = self._tree
        i, j = _expand(tree, *near)
        i, j = tree.order[i], tree.order[j]
        values = np.empty(len(i))
        for begin in range(0, len(i), 400_000):
            rows = slice(begin, begin + 400_000)
            values[rows] = pair_integrals(corners, i[rows], j[rows])
        off = i != j
        rows, cols = np.concatenate([i, j[off]]), np.concatenate([j, i[off]])
        return csr_array((np.concatenate([values, values[off]]), (rows, cols)), shape=self.shape)

    def _basis(self) -> None:
        """Chebyshev points of every box, and the transfer from each box's parent."""
        tree, p = self._tree, self._points
        unit = np.cos((np.arange(p) + 0.5) * np.pi / p)
        middle, half = 0.5 * (tree.low + tree.high), 0.5 * (tree.high - tree.low)
        half = np.maximum(half, 1e-12)
        self._unit, self._middle, self._half = unit, middle, half
        x = middle[:, None, :] + half[:, None, :] * unit[None, :, None]  # (n, p, 2)
        self._places = np.stack(np.broadcast_arrays(x[:, :, None, 0], x[:, None, :, 1]), axis=3).reshape(
            len(x), p * p, 2
        )
        transfer = np.empty((len(x), p * p, p * p))
        child = np.arange(1, len(x))
        up = tree.parent[child]
        scaled = (x[child] - middle[up][:, None, :]) / half[up][:, None, :]
        lx, ly = _lagrange(unit, scaled[..., 0]), _lagrange(unit, scaled[..., 1])
        transfer[child] = np.einsum("nab,ncd->nacbd", lx, ly).reshape(len(child), p * p, p * p)
        self._transfer = transfer
        depth = np.zeros(len(x), dtype=np.int64)
        for node in child:
            depth[node] = depth[tree.parent[node]] + 1
        self._levels = [
            (n, tree.parent[n]) for n in (np.flatnonzero(depth == d) for d in range(1, int(depth.max()) + 1))
        ]

    def _leaf_part(self, corners: Floats) -> csr_array:
        """Integral of every leaf polynomial over every triangle, shape (m, nodes p²)."""
        tree, p = self._tree, self._points
        leaves = tree.leaves
        owner = np.repeat(leaves, tree.end[leaves] - tree.start[leaves])
        place = np.concatenate([np.arange(tree.start[n], tree.end[n]) for n in leaves])
        tri = tree.order[place]
        points, weights = RULE_5
        at = (points @ corners[tri] - self._middle[owner][:, None]) / self._half[owner][:, None]
        lx, ly = _lagrange(self._unit, at[..., 0]), _lagrange(self._unit, at[..., 1])
        u, v = corners[tri, 1] - corners[tri, 0], corners[tri, 2] - corners[tri, 0]
        area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        values = np.einsum("mqa,mqb,q->mab", lx, ly, weights, optimize=True).reshape(len(tri), p * p) * area[:, None]
        cols = owner[:, None] * p * p + np.arange(p * p)
        rows = np.repeat(tri, p * p)
        return csr_array((values.ravel(), (rows, cols.ravel())), shape=(len(corners), len(tree.start) * p * p))

    def _far_part(self, far: tuple[Ints, Ints]) -> list[tuple[Ints, Ints, Floats]]:
        parts = []
        for begin in range(0, len(far[0]), 20_000):
            a, b = far[0][begin : begin + 20_000], far[1][begin : begin + 20_000]
            step = self._places[a][:, :, None, :] - self._places[b][:, None, :, :]
            parts.append((a, b, 1 / np.sqrt(np.sum(step**2, axis=3))))
        return parts


def _gather(target: Ints, values: Floats, count: int) -> Floats:
    """Sum values (k, p², c) into their targets, shape (count, p², c)."""
    pick = csr_array((np.ones(len(target)), (target, np.arange(len(target)))), shape=(count, len(target)))
    return (pick @ values.reshape(len(target), -1)).reshape(count, *values.shape[1:])


def _lagrange(nodes: Floats, x: Floats) -> Floats:
    """Lagrange polynomials on the nodes at x, shape x.shape + (p,)."""
    parts = []
    for k in range(len(nodes)):
        others = np.delete(nodes, k)
        parts.append(np.prod((x[..., None] - others) / (nodes[k] - others), axis=-1))
    return np.stack(parts, axis=-1)


def _interactions(tree: _Tree, separation: float) -> tuple[tuple[Ints, Ints], tuple[Ints, Ints]]:
    """Unordered pairs of boxes far apart, and pairs of leaves that are not."""
    diagonal = np.linalg.norm(tree.high - tree.low, axis=1)
    a = b = np.zeros(1, dtype=np.int64)
    far: list[tuple[Ints, Ints]] = []
    near: list[tuple[Ints, Ints]] = []
    while len(a):
        gap = np.maximum(np.maximum(tree.low[a] - tree.high[b], tree.low[b] - tree.high[a]), 0.0)
        apart = np.linalg.norm(gap, axis=1) >= separation * np.maximum(diagonal[a], diagonal[b])
        apart &= a != b
        far.append((a[apart], b[apart]))
        a, b = a[~apart], b[~apart]
        leaf_a, leaf_b = tree.first_child[a] < 0, tree.first_child[b] < 0
        both = leaf_a & leaf_b
        near.append((a[both], b[both]))
        a, b, leaf_a, leaf_b = a[~both], b[~both], leaf_a[~both], leaf_b[~both]
        same = a == b
        twin_a, twin_b = _child_pairs(tree, a[same])
        a, b, leaf_a, leaf_b = a[~same], b[~same], leaf_a[~same], leaf_b[~same]
        first = ~leaf_a & (leaf_b | (diagonal[a] >= diagonal[b]))
        split, kept = np.where(first, a, b), np.where(first, b, a)
        counts = tree.children[split]
        child = np.repeat(tree.first_child[split], counts) + _ramp(counts)
        a = np.concatenate([twin_a, child])
        b = np.concatenate([twin_b, np.repeat(kept, counts)])
    return _joined(far), _joined(near)


def _child_pairs(tree: _Tree, nodes: Ints) -> tuple[Ints, Ints]:
    """Unordered pairs of children of each node, a child with itself included."""
    pairs_a, pairs_b = [], []
    for i in range(4):
        for j in range(i, 4):
            has = nodes[tree.children[nodes] > j]
            pairs_a.append(tree.first_child[has] + i)
            pairs_b.append(tree.first_child[has] + j)
    return np.concatenate(pairs_a), np.concatenate(pairs_b)


def _expand(tree: _Tree, a: Ints, b: Ints) -> tuple[Ints, Ints]:
    """Pairs of sorted triangles of pairs of leaves, each unordered pair once."""
    na, nb = tree.end[a] - tree.start[a], tree.end[b] - tree.start[b]
    counts = na * nb
    pair = np.repeat(np.arange(len(a)), counts)
    within = _ramp(counts)
    i = tree.start[a][pair] + within // nb[pair]
    j = tree.start[b][pair] + within % nb[pair]
    keep = (a[pair] != b[pair]) | (i <= j)
    return i[keep], j[keep]


def _ramp(counts: Ints) -> Ints:
    """0, 1, ..., count - 1 for every count, one after the other."""
    total = int(counts.sum())
    begins = np.repeat(np.cumsum(counts) - counts, counts)
    return np.arange(total) - begins


def _joined(parts: list[tuple[Ints, Ints]]) -> tuple[Ints, Ints]:
    return np.concatenate([a for a, _ in parts]), np.concatenate([b for _, b in parts])
