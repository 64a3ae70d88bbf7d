"""What is connected to what on a mesh, and unit currents through chains of triangles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from returnflow_geometry.mesh import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Topology:
    """What is connected to what: neighbours, pieces of copper, insulated edges, contacts."""

    mesh: Mesh
    contacts: int

    @cached_property
    def neighbours(self) -> Ints:
        """Triangle across each edge, shape (m, 3), or -1."""
        triangles = self.mesh.triangles
        ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
        keys = ends[:, 0] * len(self.mesh.points) + ends[:, 1]
        order = np.argsort(keys, kind="stable")
        twin = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
        result = np.full(len(keys), -1)
        first, second = order[twin], order[twin + 1]
        result[first], result[second] = second // 3, first // 3
        return result.reshape(-1, 3)

    @cached_property
    def insulated(self) -> Ints:
        """(triangle, edge) pairs on insulated edges, shape (k, 2)."""
        free = self.neighbours < 0
        rim = self.mesh.contact_edges
        free[rim[:, 0], rim[:, 1]] = False
        return np.column_stack(np.nonzero(free))

    @cached_property
    def piece(self) -> Ints:
        """Number of the edge-connected piece of each triangle, shape (m,)."""
        tri, k = np.nonzero(self.neighbours >= 0)
        count = len(self.mesh.triangles)
        graph = coo_array((np.ones(len(tri), dtype=bool), (tri, self.neighbours[tri, k])), shape=(count, count))
        pieces: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
        return pieces

    @cached_property
    def _graph(self) -> csr_array:
        """Triangles, then contacts, joined where current can pass."""
        count = len(self.mesh.triangles)
        tri, k = np.nonzero(self.neighbours >= 0)
        rim, contact = self.mesh.contact_edges[:, 0], count + self.mesh.contact_of
        rows = np.concatenate([tri, rim, contact])
        cols = np.concatenate([self.neighbours[tri, k], contact, rim])
        size = count + self.contacts
        return coo_array((np.ones(len(rows)), (rows, cols)), shape=(size, size)).tocsr()

    @cached_property
    def conductor(self) -> Ints:
        """Number of the conductor each contact belongs to: pieces joined by contacts count as one."""
        labels = connected_components(self._graph, directed=False)[1]
        conductors: Ints = labels[len(self.mesh.triangles) :].astype(np.int64)
        return conductors

    def walk(self, start: int, end: int) -> Ints:
        """
        Chain of triangles that leads from one contact to another, as (triangle, edge in, edge out), shape (k, 3).

        Raises
        ------
        ValueError
            If the contacts are not connected.
        """
        count = len(self.mesh.triangles)
        _, before = breadth_first_order(self._graph, count + end, directed=False)
        if self.conductor[start] != self.conductor[end]:
            message = f"Invalid path from contact {start} to contact {end}. They lie on unconnected pieces of copper."
            raise ValueError(message)
        nodes = [count + start]
        while nodes[-1] != count + end:
            nodes.append(int(before[nodes[-1]]))
        steps = []
        for last, here, following in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True):
            if here < count:
                steps.append((here, self._edge_to(here, last), self._edge_to(here, following)))
        return np.array(steps, dtype=np.int64).reshape(-1, 3)

    @cached_property
    def closed_edges(self) -> tuple[Ints, Ints]:
        """Closed edge of the copper that each contact edge lies on, shape (c,), and the piece of every closed edge."""
        tri, k = np.nonzero(self.neighbours < 0)
        ends = self.mesh.edge_ends[tri, k]
        count = len(self.mesh.points)
        _, label = connected_components(coo_array((np.ones(len(ends)), ends.T), shape=(count, count)), directed=False)
        labels, number = np.unique(label[ends[:, 0]], return_inverse=True)
        piece = np.empty(len(labels), dtype=np.int64)
        piece[number] = self.piece[tri]
        rim = self.mesh.edge_ends[tuple(self.mesh.contact_edges.T)][:, 0]
        return np.searchsorted(labels, label[rim]), piece

    def walk_between(self, start: Ints, end: Ints) -> Ints:
        """
        Chain of triangles through copper from one set of contact edges (by number) to another.

        As (triangle, edge in, edge out), shape (k, 3).
        """
        count = len(self.mesh.triangles)
        tri, k = np.nonzero(self.neighbours >= 0)
        rims = self.mesh.contact_edges
        rows = np.concatenate([tri, np.full(len(start), count), rims[end, 0]])
        cols = np.concatenate([self.neighbours[tri, k], rims[start, 0], np.full(len(end), count + 1)])
        graph = coo_array((np.ones(len(rows)), (rows, cols)), shape=(count + 2, count + 2)).tocsr()
        _, before = breadth_first_order(graph, count)
        nodes = [int(before[count + 1])]
        while nodes[-1] != count:
            nodes.append(int(before[nodes[-1]]))
        chain = nodes[-2::-1]
        entered = [int(rims[start[rims[start, 0] == chain[0]][0], 1])]
        entered += [self._edge_to(here, last) for last, here in pairwise(chain)]
        left = [self._edge_to(here, following) for here, following in pairwise(chain)]
        left.append(int(rims[end[rims[end, 0] == chain[-1]][0], 1]))
        return np.column_stack([chain, entered, left])

    def _edge_to(self, triangle: int, node: int) -> int:
        count = len(self.mesh.triangles)
        if node < count:
            return int(np.flatnonzero(self.neighbours[triangle] == node)[0])
        mine = (self.mesh.contact_edges[:, 0] == triangle) & (self.mesh.contact_of == node - count)
        return int(self.mesh.contact_edges[mine, 1][0])


@dataclass(frozen=True)
class Path:
    """
    Unit current through a chain of triangles from contact to contact: the lowest-order Raviart-Thomas field.

    In each triangle it is the curl of the barycentric coordinate of the corner shared by the edge in and the
    edge out, with + where that corner is on the left. `values` has the shape (k, 3 or 6) of the local unknowns.
    """

    triangles: Ints
    values: Floats

    @classmethod
    def along(cls, steps: Ints, order: int) -> Path:
        """Path field of a walk (see :meth:`Topology.walk`)."""
        tri, entered, left = steps.T
        turns_left = (left - entered) % 3 == 2
        corner = np.where(turns_left, entered, left)
        sign = np.where(turns_left, 1.0, -1.0)
        values = np.zeros((len(tri), 3 if order == 1 else 6))
        row = np.arange(len(tri))
        values[row, corner] = sign
        if order == 2:
            values[row, 3 + corner] = values[row, 3 + (corner + 2) % 3] = sign / 2
        return cls(tri, values)


def path_fields(topology: Topology, loops: Sequence[tuple[int, int]], order: int) -> list[Path]:
    """Unit path field of every loop, from the contact of injection to the contact of return."""
    return [Path.along(topology.walk(start, end), order) for start, end in loops]


def circuit_fields(topology: Topology, order: int) -> list[Path]:
    """
    Unit circuits through contacts that no single-valued stream function carries.

    A stream function that is single-valued round a closed edge lets no net current into that edge. Contacts of
    several parts, or on several edges, do pass current from one edge to another: one circuit for each
    independent way to do so. Each leaves a contact at one edge, runs through the copper to another, and closes
    through contacts.
    """
    return [
        Path.along(np.concatenate([topology.walk_between(*ends) for ends in circuit]), order)
        for circuit in _circuits(topology)
    ]


def _circuits(topology: Topology) -> list[list[tuple[Ints, Ints]]]:
    """
    Per circuit, its walks through copper, each from one set of contact edges to another.

    Edges of the copper and contacts are the nodes of a graph, joined where they touch. The closed edges of one
    piece are joined too, one by one: where they were connected before, that closes a circuit.
    """
    edge, piece = topology.closed_edges
    loops = int(edge.max()) + 1 if len(edge) else 0
    node = loops + topology.mesh.contact_of
    count = loops + topology.contacts
    links = {(int(a), int(b)) for a, b in np.unique(np.column_stack([edge, node]), axis=0)}
    circuits = []
    first: dict[int, int] = {}
    for loop in np.unique(edge).tolist():
        start = first.setdefault(int(piece[loop]), loop)
        if start == loop:
            continue
        ends = np.array(sorted(links))
        graph = coo_array((np.ones(len(ends)), ends.T), shape=(count, count)).tocsr()
        _, before = breadth_first_order(graph, loop, directed=False)
        if before[start] < 0:
            links.add((start, loop))
            continue
        route = [start]
        while route[-1] != loop:
            route.append(int(before[route[-1]]))
        # From `loop` back to `start`, opened at its first contact: runs of edges between contacts are walks.
        route.reverse()
        at = next(number for number, name in enumerate(route) if name >= loops)
        ring = [*route[at:], *route[: at + 1]]
        stops = [number for number, name in enumerate(ring) if name >= loops]
        circuits.append(
            [
                (
                    np.flatnonzero((edge == ring[a + 1]) & (node == ring[a])),
                    np.flatnonzero((edge == ring[b - 1]) & (node == ring[b])),
                )
                for a, b in pairwise(stops)
            ]
        )
    return circuits
