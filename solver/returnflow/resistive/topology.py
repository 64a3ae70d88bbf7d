"""What is connected to what on a mesh, and unit currents through chains of triangles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Topology:
    """
    What is connected to what: neighbours, pieces of copper, insulated edges, contacts, links.

    ``links`` are pairs of contacts joined by something outside the copper, shape (k, 2); capacitors last.
    ``known`` are the contacts' conductors in the whole that the mesh is part of.
    """

    mesh: Mesh
    contacts: int
    links: Ints = field(default_factory=lambda: np.empty((0, 2), dtype=np.int64))
    known: Ints | None = None

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
        first, second = (count + self.links[self.opening]).T
        rows = np.concatenate([tri, rim, contact, first, second])
        cols = np.concatenate([self.neighbours[tri, k], contact, rim, second, first])
        size = count + self.contacts
        return coo_array((np.ones(len(rows)), (rows, cols)), shape=(size, size)).tocsr()

    @cached_property
    def unlinked(self) -> Ints:
        """Number of the conductor each contact would belong to without links; pieces joined by contacts are one."""
        edges, contact = self.mesh.contact_edges[:, 0], self.mesh.contact_of
        pieces = int(self.piece.max()) + 1
        size = pieces + self.contacts
        graph = coo_array((np.ones(len(edges)), (self.piece[edges], pieces + contact)), shape=(size, size))
        labels: Ints = connected_components(graph, directed=False)[1][pieces:].astype(np.int64)
        return labels

    @cached_property
    def opening(self) -> NDArray[np.bool_]:
        """Which links join what was not joined before, in their order, shape (k,): a forest. The others close ways."""
        joined = DisjointSet(self.unlinked.tolist())
        return np.array([joined.merge(*ends) for ends in self.unlinked[self.links].tolist()], dtype=bool)

    @cached_property
    def blocks(self) -> Ints:
        """
        Block of each contact, shape (contacts,): conductors joined by single links, which carry what topology says.

        No current can go out by one link and come back by another between blocks.
        """
        return self._joined(~self.single)[self.unlinked]

    @cached_property
    def single(self) -> NDArray[np.bool_]:
        """
        Which links are the only way between what they join, shape (k,): their current is what topology says.

        Every link that closes a ring gives a random mark to both its ends. Below a link of the forest the marks of
        rings that do not pass it cancel, by exclusive or: where nothing is left no ring passes, up to one chance in
        2^64.
        """
        ends, opening = self.unlinked[self.links], self.opening
        count = int(self.unlinked.max(initial=-1)) + 1
        marks = np.zeros(count, dtype=np.uint64)
        drawn = np.random.default_rng(20_261_126).integers(1, 2**64, len(ends), dtype=np.uint64)
        for side in ends[~opening].T:
            np.bitwise_xor.at(marks, side, drawn[~opening])
        # All trees hang on one more node.
        roots = np.unique(self._joined(opening), return_index=True)[1]
        rows = np.concatenate([ends[opening, 0], np.full(len(roots), count)])
        cols = np.concatenate([ends[opening, 1], roots])
        graph = coo_array((np.ones(len(rows)), (rows, cols)), shape=(count + 1, count + 1)).tocsr()
        order, above = breadth_first_order(graph, count, directed=False)
        for node in order[:0:-1].tolist():
            if above[node] < count:
                marks[above[node]] ^= marks[node]
        first, second = ends.T
        lower = np.where(above[second] == first, second, first)
        single: NDArray[np.bool_] = opening & (marks[lower] == 0)
        return single

    def _joined(self, keep: NDArray[np.bool_]) -> Ints:
        """Label of every conductor without links, joined by the links that are kept."""
        count, pairs = int(self.unlinked.max(initial=-1)) + 1, self.unlinked[self.links][keep]
        graph = coo_array((np.ones(len(pairs)), pairs.T), shape=(count, count))
        labels: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
        return labels

    def meeting(self, loops: Sequence[tuple[int, int]], resistance: Floats, link_current: Floats) -> NDArray[np.bool_]:
        """
        Whether two loops share any copper or resistive link, shape (loops, loops), by topology alone.

        A loop flows in a block only if it enters or leaves there, at a terminal or by a single link; currents in
        single links are whole amperes.

        Parameters
        ----------
        loops : sequence of (int, int)
            Contact of injection and of return.
        resistance : array, shape (links,), ohm
        link_current : array, shape (loops, links)
            From the first to the second contact, ampere per ampere.
        """
        single, ends = np.rint(link_current[:, self.single]), self.links[self.single]
        net = np.zeros((self.contacts, len(loops)))
        for number, (start, end) in enumerate(loops):
            net[start, number] += 1
            net[end, number] -= 1
        np.add.at(net, ends[:, 0], -single.T)
        np.add.at(net, ends[:, 1], single.T)
        present = np.zeros((int(self.blocks.max(initial=-1)) + 1, len(loops)))
        np.add.at(present, self.blocks, np.abs(net))
        flows = (np.vstack([present, single.T[resistance[self.single] > 0]]) != 0).astype(float)
        shared: NDArray[np.bool_] = flows.T @ flows > 0
        return shared

    @cached_property
    def block(self) -> Ints:
        """Block of each triangle, shape (m,); -1 where no contact touches its piece."""
        of_piece = np.full(int(self.piece.max()) + 1, -1)
        of_piece[self.piece[self.mesh.contact_edges[:, 0]]] = self.blocks[self.mesh.contact_of]
        return of_piece[self.piece]

    @cached_property
    def conductor(self) -> Ints:
        """Number of the conductor each contact belongs to: pieces joined by contacts and links count as one."""
        if self.known is not None:
            return self.known
        labels = connected_components(self._graph, directed=False)[1]
        conductors: Ints = labels[len(self.mesh.triangles) :].astype(np.int64)
        return conductors

    def walk(self, start: int, end: int) -> Ints:
        """
        Chain of triangles that leads from one contact to another, as (triangle, edge in, edge out), shape (k, 3).

        It may pass contacts and opening links on its way: see `crossed`.

        Raises
        ------
        ValueError
            If the contacts are not connected.
        """
        count = len(self.mesh.triangles)
        nodes = self._chain(start, end)
        steps = []
        for last, here, following in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True):
            if here < count:
                steps.append((here, self._edge_to(here, last), self._edge_to(here, following)))
        return np.array(steps, dtype=np.int64).reshape(-1, 3)

    def crossed(self, start: int, end: int) -> Floats:
        """Unit current of the same way through every link, from its first to its second contact, shape (k,)."""
        count = len(self.mesh.triangles)
        current = np.zeros(len(self.links))
        opening = np.flatnonzero(self.opening)
        for here, following in pairwise(self._chain(start, end)):
            if here >= count and following >= count:
                ends = self.links[opening]
                forward = (ends[:, 0] == here - count) & (ends[:, 1] == following - count)
                backward = (ends[:, 1] == here - count) & (ends[:, 0] == following - count)
                current[opening[forward]] += 1
                current[opening[backward]] -= 1
        return current

    def _chain(self, start: int, end: int) -> list[int]:
        """Triangles, and contacts counted on from them, on the way from contact to contact."""
        count = len(self.mesh.triangles)
        _, before = breadth_first_order(self._graph, count + end, directed=False)
        if self.conductor[start] != self.conductor[end]:
            message = f"Invalid path from contact {start} to contact {end}. They lie on unconnected pieces of copper."
            raise ValueError(message)
        nodes = [count + start]
        while nodes[-1] != count + end:
            nodes.append(int(before[nodes[-1]]))
        return nodes

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

    @property
    def holes(self) -> int:
        """Number of closed edges that no contact lies on."""
        edge, piece = self.closed_edges
        return len(piece) - len(np.unique(edge))

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
    edge out, with + where that corner is on the left. `values` has the shape (k, 3 or 6) of the local unknowns;
    `links` are the currents through the links, shape (links,), empty where there are none.
    """

    triangles: Ints
    values: Floats
    links: Floats = field(default_factory=lambda: np.zeros(0))

    @classmethod
    def along(cls, steps: Ints, order: int, links: Floats | None = None) -> Path:
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
        return cls(tri, values, np.zeros(0) if links is None else links)


def path_fields(topology: Topology, loops: Sequence[tuple[int, int]], order: int) -> list[Path]:
    """Unit path field of every loop, from the contact of injection to the contact of return."""
    return [Path.along(topology.walk(start, end), order, topology.crossed(start, end)) for start, end in loops]


def circuit_fields(topology: Topology, order: int) -> list[Path]:
    """
    Unit circuits through contacts that no single-valued stream function carries.

    A stream function that is single-valued round a closed edge lets no net current into that edge. Contacts of
    several parts, or on several edges, do pass current from one edge to another: one circuit for each
    independent way to do so. Each leaves a contact at one edge, runs through the copper to another, and closes
    through contacts. A link that joins what is joined already makes one more: through the link, and back through
    copper and other links.
    """
    none = np.zeros(len(topology.links))
    circuits = [
        Path.along(np.concatenate([topology.walk_between(*ends) for ends in circuit]), order, none)
        for circuit in _circuits(topology)
    ]
    for number in np.flatnonzero(~topology.opening):
        first, second = topology.links[number].tolist()
        back = topology.crossed(second, first)
        back[number] += 1
        circuits.append(Path.along(topology.walk(second, first), order, back))
    return circuits


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
