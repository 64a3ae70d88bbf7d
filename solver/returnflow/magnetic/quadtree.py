"""Quadtrees of triangles that follow a graded mesh, one per level, and which of their boxes are far apart."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Pairs = tuple[Ints, Ints]

_DEEPEST = 30  # 2^-30 of the board is below any drawing grid
# Across a distance of levels 1/R is as smooth as across this part of it in the plane: its nearest singularity lies
# to the side of every place and not only beside the rim. Measured.
UPRIGHT = 0.65


@dataclass(frozen=True)
class Quadtree:
    """
    Quadtree of triangles by centroid, one root per level; each node with the tight box of its triangles.

    `order` sorts the triangles; node n holds the sorted triangles start[n]:end[n]. Nodes are numbered by their depth,
    all roots first, children of one parent side by side.
    """

    order: Ints
    start: Ints
    end: Ints
    parent: Ints  # -1 for a root
    first_child: Ints  # -1 for a leaf
    children: Ints  # count
    depth: Ints  # below the root
    level: Ints  # of the node's triangles
    low: Floats  # (n, 2), metres
    high: Floats

    @classmethod
    def of(cls, corners: Floats, capacity: int, level: Ints | None = None) -> Quadtree:
        """Tree whose leaves hold at most `capacity` triangles, from corners (m, 3, 2) and the level of each (m,)."""
        present, place = np.unique(
            np.zeros(len(corners), dtype=np.int64) if level is None else level, return_inverse=True
        )
        # The level is the top of the key: a level's triangles stay together, and 63 bits hold it all.
        deepest = min(_DEEPEST, (63 - (len(present) - 1).bit_length()) // 2)
        order, key = _along_curve(corners.mean(axis=1), place, deepest)
        roots = np.searchsorted(key, np.arange(len(present) + 1) << (2 * deepest))
        starts, ends, parents = [roots[:-1]], [roots[1:]], [np.full(len(present), -1)]
        first_child, child_count = [], []
        total, depth = len(present), 0
        while len(starts[-1]):
            begin, stop = starts[-1], ends[-1]
            nodes = np.flatnonzero((stop - begin > capacity) & (depth < deepest))
            # Quadrant borders inside each node that splits, by bisection on the sorted keys.
            shift = 2 * (deepest - 1 - depth)
            base = (key[begin[nodes]] >> (shift + 2)) << (shift + 2)
            inner = [np.searchsorted(key, base + (quadrant << shift)) for quadrant in (1, 2, 3)]
            borders = np.stack([begin[nodes], *inner, stop[nodes]], axis=1)
            filled = borders[:, 1:] > borders[:, :-1]
            counts = filled.sum(axis=1)
            here, number = np.full(len(begin), -1), np.zeros(len(begin), dtype=np.int64)
            here[nodes], number[nodes] = total + np.cumsum(counts) - counts, counts
            first_child.append(here)
            child_count.append(number)
            starts.append(borders[:, :-1][filled])
            ends.append(borders[:, 1:][filled])
            parents.append(np.repeat(nodes + total - len(begin), counts))
            total += int(counts.sum())
            depth += 1
        begin = np.concatenate(starts)
        depths = np.repeat(np.arange(len(starts)), [len(part) for part in starts])
        # Node ranges are nested, not consecutive: reduce leaves first, then parents from the lowest level up.
        first, sorted_corners = np.concatenate(first_child), corners[order]
        low, high = np.empty((len(begin), 2)), np.empty((len(begin), 2))
        leaf = np.flatnonzero(first < 0)
        leaf = leaf[np.argsort(begin[leaf])]
        low[leaf] = np.minimum.reduceat(sorted_corners.min(axis=1), begin[leaf])
        high[leaf] = np.maximum.reduceat(sorted_corners.max(axis=1), begin[leaf])
        for above in range(depth - 2, -1, -1):
            inner_nodes = np.flatnonzero((depths == above) & (first >= 0))
            if len(inner_nodes):
                below = np.flatnonzero(depths == above + 1)
                at = first[inner_nodes] - below[0]
                low[inner_nodes] = np.minimum.reduceat(low[below], at)
                high[inner_nodes] = np.maximum.reduceat(high[below], at)
        return cls(
            order,
            begin,
            np.concatenate(ends),
            np.concatenate(parents),
            first,
            np.concatenate(child_count),
            depths,
            present[place[order[begin]]],
            low,
            high,
        )

    @cached_property
    def leaves(self) -> Ints:
        """Numbers of the leaves."""
        return np.flatnonzero(self.first_child < 0)

    @cached_property
    def sizes(self) -> Ints:
        """Triangles in every node."""
        return self.end - self.start

    def members(self, nodes: Ints) -> Pairs:
        """Triangles of some nodes, one node after the other, and the node of each."""
        counts = self.sizes[nodes]
        return self.order[np.repeat(self.start[nodes], counts) + ramp(counts)], np.repeat(nodes, counts)

    def interactions(self, separation: float, distance: Floats | None = None) -> tuple[Pairs, Pairs]:
        """
        Unordered pairs of boxes far apart, and pairs of leaves that are not.

        Together they hold every pair of triangles exactly once, those of two levels included. Far apart: the gap
        exceeds `separation` times the larger diagonal. The distance of levels, (levels, levels), adds to the gap,
        reduced by `UPRIGHT`; None: all are in one plane.
        """
        diagonal = np.linalg.norm(self.high - self.low, axis=1)
        a, b = np.triu_indices(int(np.sum(self.parent < 0)))
        far: list[Pairs] = []
        near: list[Pairs] = []
        while len(a):
            gap = np.maximum(np.maximum(self.low[a] - self.high[b], self.low[b] - self.high[a]), 0.0)
            room = np.hypot(gap[:, 0], gap[:, 1])
            if distance is not None:
                room = np.hypot(room, UPRIGHT * distance[self.level[a], self.level[b]])
            apart = room >= separation * np.maximum(diagonal[a], diagonal[b])
            apart &= a != b
            far.append((a[apart], b[apart]))
            a, b = a[~apart], b[~apart]
            leaf_a, leaf_b = self.first_child[a] < 0, self.first_child[b] < 0
            both = leaf_a & leaf_b
            near.append((a[both], b[both]))
            a, b, leaf_a, leaf_b = a[~both], b[~both], leaf_a[~both], leaf_b[~both]
            same = a == b
            twin_a, twin_b = self._child_pairs(a[same])
            a, b, leaf_a, leaf_b = a[~same], b[~same], leaf_a[~same], leaf_b[~same]
            first = ~leaf_a & (leaf_b | (diagonal[a] >= diagonal[b]))
            split, kept = np.where(first, a, b), np.where(first, b, a)
            counts = self.children[split]
            child = np.repeat(self.first_child[split], counts) + ramp(counts)
            a = np.concatenate([twin_a, child])
            b = np.concatenate([twin_b, np.repeat(kept, counts)])
        return _joined(far), _joined(near)

    def _child_pairs(self, nodes: Ints) -> Pairs:
        """Unordered pairs of children of each node, a child with itself included."""
        pairs_a, pairs_b = [], []
        for i in range(4):
            for j in range(i, 4):
                has = nodes[self.children[nodes] > j]
                pairs_a.append(self.first_child[has] + i)
                pairs_b.append(self.first_child[has] + j)
        return np.concatenate(pairs_a), np.concatenate(pairs_b)


def ramp(counts: Ints) -> Ints:
    """0, 1, ..., count - 1 for every count, one after the other."""
    return np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)


def _along_curve(places: Floats, level: Ints, deepest: int) -> Pairs:
    """Order of places by level and then along a Z-shaped curve through the quadrants, and their sorted keys."""
    origin = places.min(axis=0)
    size = float(np.max(places.max(axis=0) - origin)) * (1 + 1e-9) or 1.0
    cell = np.minimum((places - origin) / size * 2.0**deepest, 2.0**deepest - 1).astype(np.int64)
    key = _interleave(cell[:, 0]) | (_interleave(cell[:, 1]) << 1) | (level << (2 * deepest))
    order = np.argsort(key, kind="stable")
    return order, key[order]


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


def _joined(parts: list[Pairs]) -> Pairs:
    return np.concatenate([a for a, _ in parts]), np.concatenate([b for _, b in parts])
