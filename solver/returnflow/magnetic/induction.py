"""The magnetic part: vector potential of sheet currents on one or several levels, in linear time on graded meshes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from returnflow.magnetic.nearby import near_half
from returnflow.magnetic.panels import RULE_5
from returnflow.magnetic.quadtree import Pairs, Quadtree, ramp
from returnflow.resistive.factor_threads import side_by_side

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAF = 40  # triangles per leaf of the tree: near and far parts then cost about the same
ORDER = 6  # polynomials of total degree below this, per box
FAR_BATCH = 3000  # pairs of far boxes at a time: their blocks stay in the cache
SEPARATION = 0.45  # boxes are far apart if their gap exceeds this times the larger diagonal


@dataclass(frozen=True)
class _Polynomials:
    """Products of Chebyshev polynomials of total degree below p, on boxes scaled to [-1, 1]²."""

    p: int

    @property
    def degrees(self) -> tuple[Ints, Ints]:
        a, b = np.divmod(np.arange(self.p**2), self.p)
        keep = a + b < self.p
        return a[keep], b[keep]

    @property
    def count(self) -> int:
        return self.p * (self.p + 1) // 2

    def at(self, x: Floats) -> Floats:
        """Values at scaled places, shape (..., 2) to (..., count)."""
        angle = np.ones((self.p, *x.shape), dtype=x.dtype)
        if self.p > 1:
            angle[1] = x
        for k in range(2, self.p):
            angle[k] = 2 * x * angle[k - 1] - angle[k - 2]
        a, b = self.degrees
        values: Floats = np.moveaxis(angle[a, ..., 0] * angle[b, ..., 1], 0, -1)
        return values

    @property
    def along(self) -> Floats:
        """Interpolation points in one direction, shape (p,)."""
        unit: Floats = np.cos((np.arange(self.p) + 0.5) * np.pi / self.p)
        return unit

    @property
    def points(self) -> Floats:
        """Interpolation points, shape (p², 2)."""
        return np.stack(np.meshgrid(self.along, self.along, indexing="ij"), axis=2).reshape(-1, 2)

    @property
    def fit(self) -> Floats:
        """From values at the points to coefficients, shape (p², count): by discrete orthogonality."""
        a, b = self.degrees
        norm = np.where(a > 0, 2, 1) * np.where(b > 0, 2, 1) / self.p**2
        weighted: Floats = self.at(self.points) * norm
        return weighted


class PanelOperator:
    """
    Integral of 1/R between all pairs of triangles of parallel levels, applied in linear time.

    ``operator @ q`` gives for every triangle T the sum over T' of q[T'] times the integral over T and T' of 1/R, in
    m³ times the unit of q; R² = r² + d², d the distance of their levels. Symmetric to the rounding of single
    precision, in which triangles and boxes talk.

    Parameters
    ----------
    corners : array, shape (m, 3, 2), metres, counter-clockwise
    level : array, shape (m,), optional
        Number of the level of each triangle; None: all in one plane.
    distance : array, shape (levels, levels), optional
        Distance of every two levels, metres: symmetric, zero on the diagonal, positive elsewhere. Distances between
        facing surfaces do not add up, hence a matrix and no heights. May be left out if there is but one level.
    leaf : int
        Most triangles in a leaf of the tree.
    order : int
        Polynomials of total degree below this in every box.
    separation : float
        Boxes are far apart if their gap exceeds this times the larger diagonal.

    Raises
    ------
    ValueError
        If the levels or their distances are not as above.

    Notes
    -----
    A tree of boxes per level follows the mesh, so that graded meshes cost no more than uniform ones. Boxes that are far
    apart talk through polynomials, nested from level to level: 1/r interpolated on Chebyshev points, of which only
    the terms of total degree below the order are kept, because the others are no larger than what interpolation
    leaves out. Near triangles talk directly [HackbuschBoerm]_.

    References
    ----------
    .. [HackbuschBoerm] W. Hackbusch and S. Boerm, H2-matrix approximation of integral operators by
       interpolation, Appl. Numer. Math. 43 (2002) 129-143 (from memory).
    """

    def __init__(
        self,
        corners: Floats,
        level: Ints | None = None,
        distance: Floats | None = None,
        *,
        leaf: int = LEAF,
        order: int = ORDER,
        separation: float = SEPARATION,
    ) -> None:
        self.shape = (len(corners), len(corners))
        corners = corners - corners.mean(axis=(0, 1))  # a board far from the origin loses no digits
        if level is not None:
            level = np.asarray(level)
            distance = check_levels(len(corners), level, distance)
        if level is None or np.all(level == level[:1]):
            level = distance = None
        tree = Quadtree.of(corners, leaf, level)
        far, near = tree.interactions(separation, distance)
        # In the order of the tree, in which neighbours have near numbers.
        self._order, corners = tree.order, corners[tree.order]
        self._half = near_half(corners, tree, near, distance)
        self.boxes = Boxes(tree, far, _Polynomials(order), distance)
        self.leaf_part = csr_array(self.boxes.moments(corners), dtype=np.float32)

    def __matmul__(self, q: Floats) -> Floats:
        """Apply to an array of shape (m,) or (m, k)."""
        every = q.reshape(len(q), -1)
        # Columns of any size are of one size in single precision.
        size = np.max(np.abs(every), axis=0, initial=1e-300)
        flat = (every[self._order] / size).astype(np.float32)
        back = csr_array(self.leaf_part.T)
        far, one, other = side_by_side(
            [
                lambda: back @ self.boxes.exchange(self.leaf_part @ flat),
                lambda: self._half @ flat,
                lambda: self._half.T @ flat,
            ]
        )
        result = np.empty(every.shape)
        result[self._order] = (one + other + far) * size
        whole: Floats = result.reshape(q.shape)
        return whole

    def between(self, maps: Sequence[csr_array]) -> Sandwich:
        """Sum over the maps D of D^T (operator) D, with everything sparse multiplied out."""
        maps = [part[self._order] for part in maps]
        single = [csr_array(part, dtype=np.float32) for part in maps]
        first, *more = (csr_array(part.T) @ (self._half @ part) for part in single)
        half = sum(more, first)
        return Sandwich(
            csr_array(half + csr_array(half.T)), self.boxes, [csr_array(self.leaf_part @ part) for part in single]
        )


class Sandwich:
    """Sum of D^T (panel operator) D over some sparse D: fewer, shorter rows than the operator on triangles."""

    def __init__(self, near: csr_array, boxes: Boxes, moments: Sequence[csr_array]) -> None:
        self.near, self.boxes = near, boxes
        self.moments = [part.astype(np.float32) for part in moments]
        self._back = [csr_array(part.T) for part in self.moments]

    def __matmul__(self, values: Floats) -> Floats:
        """Apply to an array of shape (n, k)."""
        # Columns of any size, down to a nanohenry's, are of one size in single precision.
        size = np.max(np.abs(values), axis=0, initial=1e-300)
        single, k = (values / size).astype(np.float32), values.shape[1]
        far, close = (lambda: self.boxes.exchange(np.concatenate([part @ single for part in self.moments], axis=1)),
                      lambda: self.near @ single)  # fmt: skip
        incoming, near = side_by_side([far, close])
        for c, part in enumerate(self._back):
            near += part @ incoming[:, c * k : (c + 1) * k]
        result: Floats = near * size
        return result


class Boxes:
    """
    Far part: moments of the leaves in, potentials of the leaves out.

    Both are coefficients of the polynomials of every box, shape (nodes count, k); those of inner boxes start at zero.
    """

    def __init__(self, tree: Quadtree, far: Pairs, polynomials: _Polynomials, distance: Floats | None = None) -> None:
        self.tree, self.polynomials, self.distance = tree, polynomials, distance
        self.middle, self.half = 0.5 * (tree.low + tree.high), 0.5 * (tree.high - tree.low)
        self._steps: list[tuple[slice, Ints]] = []
        for depth in range(1, int(tree.depth.max()) + 1):
            nodes = np.flatnonzero(tree.depth == depth)
            self._steps.append((slice(int(nodes[0]), int(nodes[-1]) + 1), tree.parent[nodes]))
        self._transfer = self._transfers()
        self._groups = self._far_groups(far)

    def exchange(self, moments: Floats | NDArray[np.float32]) -> NDArray[np.float32]:
        """Potentials of all boxes from the moments of the leaves."""
        size = self.polynomials.count
        outgoing = moments.reshape(len(self.tree.start), size, -1).astype(np.float32)
        for children, parents in reversed(self._steps):
            lifted = np.matmul(self._transfer[children].transpose(0, 2, 1), outgoing[children])
            first = np.flatnonzero(np.diff(parents, prepend=-1))
            outgoing[parents[first]] += np.add.reduceat(lifted, first, axis=0)
        incoming: NDArray[np.float32] = np.zeros_like(outgoing)
        for targets, sources, blocks in self._groups:
            drawn = outgoing[sources].reshape(len(targets), size * sources.shape[1], outgoing.shape[2])
            incoming[targets] += np.matmul(blocks, drawn)
        for children, parents in self._steps:
            incoming[children] += np.matmul(self._transfer[children], incoming[parents])
        shaped: NDArray[np.float32] = incoming.reshape(moments.shape)
        return shaped

    def moments(self, corners: Floats) -> csr_array:
        """Integral of every leaf polynomial over every triangle in the tree's order, shape (nodes count, m)."""
        size = self.polynomials.count
        leaves = self.tree.leaves[np.argsort(self.tree.start[self.tree.leaves])]
        tri, owner = np.arange(len(corners)), np.repeat(leaves, self.tree.sizes[leaves])
        points, weights = RULE_5
        at = (points @ corners[tri] - self.middle[owner][:, None]) / self.half[owner][:, None]
        u, v = corners[tri, 1] - corners[tri, 0], corners[tri, 2] - corners[tri, 0]
        area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        values = np.einsum("mqa,q,m->ma", self.polynomials.at(at.astype(np.float32)), weights, area, optimize=True)
        rows = owner[:, None] * size + np.arange(size)
        shape = (len(self.tree.start) * size, len(corners))
        return csr_array((values.ravel(), (rows.ravel(), np.repeat(tri, size))), shape=shape)

    def _transfers(self) -> NDArray[np.float32]:
        """Per box, from its parent's coefficients to its own, shape (nodes, count, count)."""
        size = self.polynomials.count
        result = np.zeros((len(self.middle), size, size), dtype=np.float32)
        roots = np.count_nonzero(self.tree.parent < 0)
        up = self.tree.parent[roots:]
        places = self.middle[roots:, None] + self.half[roots:, None] * self.polynomials.points
        scaled = (places - self.middle[up][:, None]) / self.half[up][:, None]
        result[roots:] = self.polynomials.fit.T @ self.polynomials.at(scaled)
        return result

    def _far_groups(self, far: Pairs) -> list[tuple[Ints, Ints, NDArray[np.float32]]]:
        """
        Boxes with equally many far partners: targets (g,), sources (g, s), blocks (g, count, s count).

        One product of a long block per target instead of one of a small block per pair.
        """
        size = self.polynomials.count
        target, source = np.concatenate(far), np.concatenate(far[::-1])
        order = np.argsort(target, kind="stable")
        target, source = target[order], source[order]
        nodes, begins, counts = np.unique(target, return_index=True, return_counts=True)
        groups = []
        for count in np.unique(counts):
            mine = np.flatnonzero(counts == count)
            step = max(1, FAR_BATCH // int(count))
            for part in (mine[at : at + step] for at in range(0, len(mine), step)):
                pairs = np.repeat(begins[part], count) + ramp(counts[part])
                blocks = self._kernel(target[pairs], source[pairs]).reshape(len(part), count, size, size)
                joined = np.ascontiguousarray(blocks.transpose(0, 2, 1, 3)).reshape(len(part), size, -1)
                groups.append((nodes[part], source[pairs].reshape(len(part), count), joined))
        return groups

    def _kernel(self, a: Ints, b: Ints) -> NDArray[np.float32]:
        """Coefficients of 1/R between pairs of boxes, shape (pairs, count, count)."""
        fit = self.polynomials.fit.astype(np.float32)
        along = self.polynomials.along
        # The points are a product of points along x and along y, and so are their squared distances a sum.
        x, y = (
            (
                (self.middle[a, c] - self.middle[b, c])[:, None, None]
                + self.half[a, c, None, None] * along[:, None]
                - self.half[b, c, None, None] * along
            ).astype(np.float32)
            ** 2
            for c in (0, 1)
        )
        if self.distance is not None:
            x += (self.distance[self.tree.level[a], self.tree.level[b]] ** 2).astype(np.float32)[:, None, None]
        kernel = (1 / np.sqrt(x[:, :, None, :, None] + y[:, None, :, None, :])).reshape(len(a), len(fit), len(fit))
        blocks: NDArray[np.float32] = np.matmul(
            fit.T, (kernel.reshape(-1, len(fit)) @ fit).reshape(len(a), len(fit), -1)
        )
        return blocks


def check_levels(count: int, level: Ints, distance: Floats | None) -> Floats | None:
    """Distances as an array, or None where there is but one level; ValueError if they or the levels cannot be."""
    if level.shape != (count,) or not np.issubdtype(level.dtype, np.integer) or np.any(level < 0):
        message = f"Invalid level. Must be integers >= 0 of shape ({count},), got {level.dtype} of shape {level.shape}."
        raise ValueError(message)
    if distance is None:
        if np.any(level != level[:1]):
            message = "Missing distance. Triangles on several levels need the distance of every two levels."
            raise ValueError(message)
        return None
    distance = np.asarray(distance, dtype=float)
    least = int(level.max(initial=0)) + 1
    if distance.ndim != 2 or distance.shape[0] != distance.shape[1] or len(distance) < least:
        message = f"Invalid distance. Must be square, {least} x {least} at least, got shape {distance.shape}."
        raise ValueError(message)
    apart = distance[~np.eye(len(distance), dtype=bool)]
    if np.any(np.diag(distance) != 0) or not np.all((apart > 0) & (apart < np.inf)) or np.any(distance != distance.T):
        message = f"Invalid distance {distance.tolist()}. Must be symmetric, 0 m on the diagonal and > 0 m elsewhere."
        raise ValueError(message)
    return distance
