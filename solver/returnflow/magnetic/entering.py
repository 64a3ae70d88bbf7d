"""
How current enters a contact that is a hole of the magnetic mesh: evenly round its rim.

A contact has one potential, and a stream function that is free on its rim lets current enter on one side and leave on
the other. Under induction that would be wrong: what passes the contact so has no flux, as the copper in it is not
meshed, and the voltage that flux makes along it drives any current. A hundred small vias took a quarter of the
inductance of a loop that is closed far away. With current that enters evenly what flows past flows round, which adds
no more than a hole of that size does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array
from scipy.sparse.csgraph import connected_components

from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Rims:
    """
    Rims of contacts that are holes: closed edges of the copper that belong to one contact all round.

    Attributes
    ----------
    of_point : array of int, shape (points,)
        Number of the rim every point of the mesh lies on, or -1.
    evened : sparse array, shape (3 m, 3 m)
        Local values of what is to be added to a field to make it enter evenly, from its own local values.
    """

    of_point: Ints
    evened: csr_array

    @classmethod
    def of(cls, mesh: Mesh) -> Rims:
        """Of a mesh."""
        ends = mesh.edge_ends[tuple(mesh.contact_edges.T)]
        count = len(mesh.points)
        every = mesh.triangles.reshape(-1)
        none = cls(np.full(count, -1), csr_array((len(every), len(every))))
        if not len(ends):
            return none
        label = connected_components(coo_array((np.ones(len(ends)), ends.T), shape=(count, count)), directed=False)[1]
        # Closed, of one contact and round once: every point is the start of one edge and the end of one, and no more.
        starts, stops = (np.bincount(ends[:, side], minlength=count) for side in (0, 1))
        on_border = _on_insulated(mesh)
        bad = np.zeros(int(label.max()) + 1, dtype=bool)
        points = np.unique(ends)
        bad[label[points[(starts[points] != 1) | (stops[points] != 1) | on_border[points]]]] = True
        first = np.full(len(bad), -1)
        first[label[ends[:, 0]]] = mesh.contact_of
        bad[label[ends[:, 0]][first[label[ends[:, 0]]] != mesh.contact_of]] = True
        good = np.flatnonzero(~bad[label[ends[:, 0]]])
        if not len(good):
            return none
        rows, cols, values = [], [], []
        rim = label[ends[good, 0]]
        order = np.argsort(rim, kind="stable")
        of_point = np.full(count, -1)
        for number, mine in enumerate(np.split(good[order], np.flatnonzero(np.diff(rim[order])) + 1)):
            ring = _round(mine, ends)
            points = ends[ring, 0]
            of_point[points] = number
            length = np.hypot(*(mesh.points[ends[ring, 1]] - mesh.points[points]).T)
            share, n = length / length.sum(), len(ring)
            # What is added at the k-th point: the sum over edges before it of their even share of all, less their own.
            before = np.tri(n, n, -1)
            added = before @ share[:, None] @ np.ones((1, n)) - before
            added -= added.mean(axis=0)
            tri, edge = mesh.contact_edges[ring].T
            start, stop = 3 * tri + edge, 3 * tri + (edge + 1) % 3
            for side, sign in ((stop, 1.0), (start, -1.0)):
                rows.append(np.repeat(points, n))
                cols.append(np.tile(side, n))
                values.append((sign * added).ravel())
        at_points = coo_array(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), shape=(count, len(every))
        ).tocsr()
        pick = csr_array((np.ones(len(every)), every, np.arange(len(every) + 1)), shape=(len(every), count))
        return cls(of_point, csr_array(pick @ at_points))

    def even(self, local: csr_array) -> csr_array:
        """Fields by their local values, (3 m, k), so that they enter evenly."""
        return csr_array(local + self.evened @ local)

    def merged(self, plain: csc_array) -> csc_array:
        """A map from free stream values to all unknowns, (points, free), with one value on every rim."""
        at = plain.tocoo()
        rim = self.of_point[at.row]
        column = np.full(plain.shape[1], -1)
        column[at.col[rim >= 0]] = rim[rim >= 0]
        rims = int(self.of_point.max()) + 1
        # Where a rim has the value that all others are relative to, it stays zero.
        whole = np.bincount(self.of_point[self.of_point >= 0], minlength=rims)
        pinned = np.bincount(column[column >= 0], minlength=rims) < whole
        other = np.flatnonzero(column < 0)
        target = np.full(plain.shape[1], -1)
        target[other] = np.arange(len(other))
        free = np.flatnonzero(~pinned)
        place = np.full(rims + 1, -1)
        place[free] = len(other) + np.arange(len(free))
        mine = column >= 0
        target[mine] = place[column[mine]]
        kept = np.flatnonzero(target >= 0)
        shape = (plain.shape[1], len(other) + len(free))
        return csc_array(plain @ csr_array((np.ones(len(kept)), (kept, target[kept])), shape=shape))


def _on_insulated(mesh: Mesh) -> NDArray[np.bool_]:
    """Points on edges of the copper that are no contact's, shape (points,)."""
    ends = mesh.edge_ends.reshape(-1, 2)
    key = np.sort(ends, axis=1) @ np.array([len(mesh.points), 1])
    _, back, times = np.unique(key, return_inverse=True, return_counts=True)
    border = times[back] == 1
    border[3 * mesh.contact_edges[:, 0] + mesh.contact_edges[:, 1]] = False
    result = np.zeros(len(mesh.points), dtype=bool)
    result[ends[border]] = True
    return result


def _round(edges: Ints, ends: Ints) -> Ints:
    """Edges of one ring in their order, each beginning where the last one ends."""
    following = {int(ends[edge, 0]): int(edge) for edge in edges}
    ring = [int(edges[0])]
    while len(ring) < len(edges):
        ring.append(following[int(ends[ring[-1], 1])])
    return np.array(ring)
