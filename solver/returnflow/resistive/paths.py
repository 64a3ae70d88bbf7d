"""Unit currents through chains of triangles: from contact to contact, and round in circuits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order

from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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

    def middle(self, mesh: Mesh) -> Floats:
        """About where it runs, shape (2,), metres."""
        middle: Floats = mesh.points[mesh.triangles[self.triangles]].reshape(-1, 2).sum(axis=0)
        return middle / max(1, 3 * len(self.triangles))

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
    beside = _links_beside(topology)
    for number in np.flatnonzero(~topology.opening).tolist():
        first, second = topology.links[number].tolist()
        if number not in beside:
            back = topology.crossed(second, first)
            walk = topology.walk(second, first)
        else:
            other, sign = beside[number]
            near, far = topology.links[other, ::sign].tolist()
            back = none.copy()
            back[other] = -sign
            walk = np.concatenate([topology.walk(second, far), topology.walk(near, first)])
        back[number] += 1
        circuits.append(Path.along(walk, order, back))
    return circuits


def _links_beside(topology: Topology) -> dict[int, tuple[int, int]]:
    """
    For links that close a circuit, a link near by that joins the same two, and +1 or -1 if it runs as they do or not.

    So circuits are short, and each touches few unknowns: through all links of a stitched plane they would touch all.
    """
    mesh, found = topology.mesh, {}
    rim = mesh.points[mesh.edge_ends[tuple(mesh.contact_edges.T)]].mean(axis=1)
    weight = np.bincount(mesh.contact_of, minlength=topology.contacts)
    total = [np.bincount(mesh.contact_of, rim[:, k], topology.contacts) for k in (0, 1)]
    at = np.column_stack(total) / np.maximum(weight, 1)[:, None]
    pair = topology.unlinked[topology.links]
    low, high = np.sort(pair, axis=1).T
    key = low * (int(topology.unlinked.max(initial=0)) + 1) + high
    order = np.lexsort((~topology.opening, key))
    for group in np.split(order, np.flatnonzero(np.diff(key[order])) + 1):
        if len(group) < 2 or low[group[0]] == high[group[0]]:
            continue
        where = at[topology.links[group]].mean(axis=1)
        # The shortest tree that joins all of them, from the first on.
        distance, nearest = np.hypot(*(where - where[0]).T), np.zeros(len(group), dtype=np.int64)
        out = np.arange(1, len(group))
        while len(out):
            chosen = int(out[np.argmin(distance[out])])
            other = int(group[nearest[chosen]])
            sign = 1 if pair[group[chosen], 0] == pair[other, 0] else -1
            found[int(group[chosen])] = other, sign
            out = out[out != chosen]
            step = np.hypot(*(where[out] - where[chosen]).T)
            closer = step < distance[out]
            distance[out[closer]], nearest[out[closer]] = step[closer], chosen
    return found


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
    joined = DisjointSet(range(count))
    touching = np.unique(np.column_stack([edge, node]), axis=0).tolist()
    forest = [ends for ends in touching if joined.merge(*ends)]
    closing = []
    first: dict[int, int] = {}
    for loop in np.unique(edge).tolist():
        start = first.setdefault(int(piece[loop]), loop)
        if joined.merge(start, loop):
            forest.append([start, loop])
        elif start != loop:
            closing.append((start, loop))
    graph = coo_array((np.ones(len(forest)), np.array(forest).reshape(-1, 2).T), shape=(count, count)).tocsr()
    circuits = []
    for start, loop in closing:
        _, before = breadth_first_order(graph, start, directed=False)
        # From `loop` back to `start`, opened at its first contact: runs of edges between contacts are walks.
        route = [loop]
        while route[-1] != start:
            route.append(int(before[route[-1]]))
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
