"""What is connected to what on a mesh, and ways through chains of triangles."""

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
    def passable(self) -> Ints:
        """The same without what lies in the boxes of spare holes: where currents of the stream side may pass."""
        if self.mesh.shadow is None:
            return self.neighbours
        shut = self.mesh.shadow >= 0
        closed = shut[:, None] | (self.neighbours < 0) | shut[np.maximum(self.neighbours, 0)]
        return np.where(closed, -1, self.neighbours)

    @cached_property
    def insulated(self) -> Ints:
        """(triangle, edge) pairs on insulated edges, shape (k, 2), with all edges in the boxes of spare holes."""
        free = self.passable < 0
        rim = self.mesh.contact_edges
        if self.mesh.shadow is not None:
            rim = rim[self.mesh.shadow[rim[:, 0]] < 0]
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
    def graph(self) -> csr_array:
        """Triangles, then contacts, joined where current can pass."""
        count = len(self.mesh.triangles)
        tri, k = np.nonzero(self.passable >= 0)
        rim, contact = self.mesh.contact_edges[:, 0], count + self.mesh.contact_of
        if self.mesh.shadow is not None:
            open_ = self.mesh.shadow[rim] < 0
            rim, contact = rim[open_], contact[open_]
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
        return self._joined(np.ones(len(self.links), dtype=bool))[self.unlinked]

    @cached_property
    def open_ways(self) -> bool:
        """Whether what is joined is joined too where nothing may pass the spare holes that are simplified."""
        if self.mesh.shadow is None:
            return True
        reaching = np.unique(self.mesh.contact_of)
        labels = connected_components(self.graph, directed=False)[1][len(self.mesh.triangles) :]
        return len(np.unique(labels[reaching])) == len(np.unique(self.conductor[reaching]))

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
        nodes = np.array(self._chain(start, end))
        at = np.flatnonzero(nodes < count)
        here = nodes[at]
        entered, left = (self.edges_to(here, nodes[at + step]) for step in (-1, 1))
        return np.column_stack([here, entered, left])

    def crossed(self, start: int, end: int) -> Floats:
        """Unit current of the same way through every link, from its first to its second contact, shape (k,)."""
        count = len(self.mesh.triangles)
        current = np.zeros(len(self.links))
        for here, following in pairwise(self._chain(start, end)):
            if here >= count and following >= count:
                number, sign = self.opening_between[here - count, following - count]
                current[number] += sign
        return current

    @cached_property
    def opening_between(self) -> dict[tuple[int, int], tuple[int, int]]:
        """Number of the opening link between two contacts, and +1 or -1 with its direction."""
        found = {}
        for number in np.flatnonzero(self.opening).tolist():
            first, second = self.links[number].tolist()
            found[first, second], found[second, first] = (number, 1), (number, -1)
        return found

    @cached_property
    def above(self) -> list[int]:
        """Node above every triangle and contact in one forest, by which all ways are found."""
        size = self.graph.shape[0]
        roots = np.unique(connected_components(self.graph, directed=False)[1], return_index=True)[1]
        graph = self.graph.tocoo()
        rows, cols = np.append(graph.row, np.full(len(roots), size)), np.append(graph.col, roots)
        graph = coo_array((np.ones(len(rows)), (rows, cols)), shape=(size + 1, size + 1)).tocsr()
        above: list[int] = breadth_first_order(graph, size, directed=True)[1].tolist()
        return above

    def _chain(self, start: int, end: int) -> list[int]:
        """Triangles, and contacts counted on from them, on the way from contact to contact."""
        if self.conductor[start] != self.conductor[end]:
            message = f"Invalid path from contact {start} to contact {end}. They lie on unconnected pieces of copper."
            raise ValueError(message)
        count = len(self.mesh.triangles)
        ways, places = [[count + start], [count + end]], [{count + start: 0}, {count + end: 0}]
        side = 0
        # Up from both ends in turn, until one meets the way of the other.
        while ways[side][-1] not in places[1 - side]:
            side = 1 - side
            above = self.above[ways[side][-1]]
            if above >= 0:
                places[side][above] = len(ways[side])
                ways[side].append(above)
        met = ways[side][-1]
        return [*ways[0][: places[0][met]], *ways[1][places[1][met] :: -1]]

    def edges_to(self, triangles: Ints, nodes: Ints) -> Ints:
        """Edge of every triangle that leads to a node: a neighbour, or a contact."""
        count = len(self.mesh.triangles)
        edges: Ints = np.argmax(self.neighbours[triangles] == nodes[:, None], axis=1).astype(np.int64)
        for at in np.flatnonzero(nodes >= count):
            edges[at] = self._edge_to(int(triangles[at]), int(nodes[at]))
        return edges

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
        boxes = 0 if self.mesh.shadow is None else len(np.unique(self.mesh.shadow)) - 1
        return len(piece) - len(np.unique(edge)) + boxes

    def walk_between(self, start: Ints, end: Ints) -> Ints:
        """
        Chain of triangles through copper from one set of contact edges (by number) to another.

        As (triangle, edge in, edge out), shape (k, 3).
        """
        count = len(self.mesh.triangles)
        tri, k = np.nonzero(self.passable >= 0)
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
