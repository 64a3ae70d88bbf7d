"""
Currents on two levels that face one another, opposite or equal: what close planes make slow to solve.

Between levels a distance d apart, induction of currents that vary as exp(ikx) falls as exp(-k d), and distances add up.
The inverse of such a matrix has entries between neighbours only: it is what every level makes by itself, and what every
two neighbours make of opposite and of equal currents beyond that. So only neighbours count, place by place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array, diags_array, vstack
from scipy.spatial import Delaunay, QhullError, cKDTree

from returnflow.magnetic.equations import System

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

COARSE = 2.0  # edges of the meshes per edge of the common triangulation; 1 converges no faster and costs more
CLOSE = 0.1  # levels farther apart than this times the board see little of each other


@dataclass(frozen=True)
class Pair:
    """
    Stream functions on two neighbouring levels, piecewise linear on a coarser triangulation of their overlap.

    Attributes
    ----------
    opposite, equal : sparse arrays, shape (free, k)
        To the unknowns of the system, of different sign on the two and of one sign.
    distance : float
        Of the two levels, metres.
    """

    opposite: csr_array
    equal: csr_array
    distance: float

    @classmethod
    def of(cls, system: System) -> list[Pair]:
        """One for every two close levels that overlap."""
        stack, mesh = system.stack, system.space.mesh
        reach = CLOSE * float(np.max(np.ptp(mesh.points, axis=0)))
        levels = np.unique(stack.level).tolist()
        close = [(a, b) for a in levels for b in levels if a < b and stack.distance[a, b] < reach]
        if not close:
            return []
        nodes = _Nodes.of(system)
        d = stack.distance
        between = {(a, b): [c for c in levels if max(d[a, c], d[c, b]) < d[a, b]] for a, b in close}
        spreads = [(nodes.opposite(a, b, between[a, b]), float(d[a, b])) for a, b in close]
        return [cls(spread, abs(spread), distance) for spread, distance in spreads if spread is not None]


@dataclass(frozen=True)
class _Nodes:
    """
    Nodes of the mesh: where they are, on which level, how long edges are about them, what stream value they take.

    ``values`` leads from the single-valued unknowns to the nodes. ``own`` is the number of the one unknown a node
    has: -1 where it is held at zero or has several. ``tied`` are nodes that share theirs with others: insulated edges.
    """

    points: Floats
    level: Ints
    edge: Floats
    values: csc_array
    own: Ints
    tied: Mask
    others: int

    @classmethod
    def of(cls, system: System) -> _Nodes:
        mesh = system.space.mesh
        used, row = np.unique(mesh.triangles, return_index=True)
        values = csc_array(csr_array(system.to_local)[row][:, : system.single])
        owner = row // 3
        lines = csr_array(values)
        alone = np.diff(lines.indptr) == 1
        own = np.full(len(used), -1)
        own[alone] = lines.indices[lines.indptr[:-1][alone]]
        tied = (own >= 0) & (np.diff(values.indptr)[np.maximum(own, 0)] > 1)
        edge = np.sqrt(4 / np.sqrt(3) * mesh.areas)[owner]
        others = system.to_local.shape[1] - system.single
        return cls(mesh.points[used], system.stack.level[owner], edge, values, own, tied, others)

    def opposite(self, one: int, other: int, between: Sequence[int]) -> csr_array | None:
        """
        Map from values on the common triangulation of two levels to the unknowns; None without overlap.

        Where levels between them have copper, those two see each other through it only: values are zero there.
        """
        nodes, _ = self._common(one, other)
        if len(nodes) < 3:
            return None
        try:
            common = Delaunay(self.points[nodes])
        except QhullError:
            return None
        # Corners on one insulated edge are one value; on edges held at zero they are none.
        key = np.where(self.tied[nodes], self.own[nodes], self.values.shape[1] + np.arange(len(nodes)))
        live = (self.own[nodes] >= 0) & ~self._covered(nodes, between)
        if not live.any():
            return None
        _, number = np.unique(key[live], return_inverse=True)
        column = np.full(len(nodes), -1)
        column[live] = number
        rows, cols, parts = [], [], []
        for level, sign in ((one, 1.0), (other, -1.0)):
            mine = np.flatnonzero(self.level == level)
            simplex = common.find_simplex(self.points[mine])
            mine, simplex = mine[simplex >= 0], simplex[simplex >= 0]
            affine = common.transform[simplex]
            first = np.einsum("nij,nj->ni", affine[:, :2], self.points[mine] - affine[:, 2])
            part = np.column_stack([first, 1 - first.sum(axis=1)])
            at = column[common.simplices[simplex]]
            keep = (at >= 0) & (np.abs(part) > 1e-9)
            rows.append(np.repeat(mine, 3).reshape(-1, 3)[keep])
            cols.append(at[keep])
            parts.append(sign * part[keep])
        shape = (len(self.points), int(number.max()) + 1)
        at_nodes = csr_array((np.concatenate(parts), (np.concatenate(rows), np.concatenate(cols))), shape=shape)
        # An edge of the copper takes the mean of what its nodes would.
        norm = np.asarray(self.values.multiply(self.values).sum(axis=0)).ravel()
        spread = csr_array(diags_array(1 / np.maximum(norm, 1e-30)) @ (self.values.T @ at_nodes))
        spread = csr_array(spread[:, np.diff(csc_array(spread).indptr) > 0])
        return csr_array(vstack([spread, csr_array((self.others, spread.shape[1]))]))

    def _covered(self, nodes: Ints, levels: Sequence[int]) -> Mask:
        """Which of some nodes lie over or under copper of some levels."""
        covered = np.zeros(len(nodes), dtype=bool)
        for level in levels:
            theirs = np.flatnonzero(self.level == level)
            away, nearest = cKDTree(self.points[theirs]).query(self.points[nodes])
            covered |= away < self.edge[theirs[nearest]]
        return covered

    def _common(self, one: int, other: int) -> tuple[Ints, Floats]:
        """Nodes of the common triangulation, thinned to the coarser of the two meshes, and the edges there."""
        trees = {level: cKDTree(self.points[self.level == level]) for level in (one, other)}
        nodes, edges = [], []
        for level, facing in ((one, other), (other, one)):
            mine, theirs = np.flatnonzero(self.level == level), np.flatnonzero(self.level == facing)
            away, nearest = trees[facing].query(self.points[mine])
            over = away < self.edge[theirs[nearest]]
            nodes.append(mine[over])
            edges.append(COARSE * np.maximum(self.edge[mine], self.edge[theirs[nearest]])[over])
        every, edge = np.concatenate(nodes), np.concatenate(edges)
        held, tied = self.own[every] < 0, self.tied[every]
        # Held ones first: where several are at one place, the strictest stays.
        kinds = [np.flatnonzero(kind) for kind in (held, tied & ~held, ~tied & ~held)]
        kept = np.concatenate([kind[_thinned(self.points[every[kind]], edge[kind])] for kind in kinds])
        _, first = np.unique(self.points[every[kept]], axis=0, return_index=True)
        kept = kept[np.sort(first)]
        return every[kept], edge[kept]


def _thinned(points: Floats, size: Floats) -> Ints:
    """Numbers of points of which there is one in every square of a size."""
    power = np.floor(np.log2(size)).astype(np.int64)
    cell = np.floor(points / (2.0**power)[:, None]).astype(np.int64)
    _, first = np.unique(np.column_stack([power, cell]), axis=0, return_index=True)
    return first
