"""Potential space, stream-function space and path fields on one mesh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import skfem
from numpy.typing import NDArray
from scipy.linalg import null_space
from scipy.sparse import coo_array, csc_array, csr_array, hstack
from scipy.sparse.csgraph import breadth_first_order, connected_components
from skfem.models.poisson import laplace

from returnflow_geometry.mesh import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Exact L2 product of two fields linear on a triangle from their corner values, per unit area; and its root.
CORNER_MASS = (np.ones((3, 3)) + np.eye(3)) / 12
CORNER_ROOT = np.linalg.cholesky(CORNER_MASS).T


@dataclass(frozen=True)
class Space:
    """
    Continuous piecewise polynomials on a mesh, of order 1 or 2.

    Both sides of the problem use it: the potential equal on every contact, the stream function constant on
    every insulated edge.
    """

    mesh: Mesh
    order: int = 2

    @cached_property
    def _basis(self) -> skfem.Basis:
        element = skfem.ElementTriP2() if self.order == 2 else skfem.ElementTriP1()
        mesh = skfem.MeshTri(self.mesh.points.T.copy(), self.mesh.triangles.T.copy(), sort_t=False)
        return skfem.Basis(mesh, element, intorder=2 * (self.order - 1))

    @cached_property
    def local(self) -> Ints:
        """Unknowns of each triangle, shape (m, 3 or 6): its corners, then the middles of its edges."""
        return np.ascontiguousarray(self._basis.element_dofs.T.astype(np.int64))

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return int(self._basis.N)

    @cached_property
    def stiffness(self) -> csr_array:
        """Integral of grad u . grad v, shape (size, size), dimensionless."""
        return csr_array(laplace.assemble(self._basis))

    def shape_gradients_of(self, rows: slice | Ints) -> Floats:
        """Gradient of each local shape function at each corner of some triangles, shape (k, 3 or 6, 3, 2), 1/m."""
        mesh = self.mesh
        corners = mesh.points[mesh.triangles[rows]]
        opposite = np.roll(corners, 1, axis=1) - np.roll(corners, -1, axis=1)
        # Gradient of the barycentric coordinate of corner i: the opposite edge turned inward, over twice the area.
        linear = np.stack([-opposite[..., 1], opposite[..., 0]], axis=2) / (2 * mesh.areas[rows])[:, None, None]
        if self.order == 1:
            return np.repeat(linear[:, :, None, :], 3, axis=2)
        gradients = np.empty((len(corners), 6, 3, 2))
        for at in range(3):
            here = np.eye(3)[at]
            for i in range(3):
                j = (i + 1) % 3
                gradients[:, i, at] = (4 * here[i] - 1) * linear[:, i]
                gradients[:, 3 + i, at] = 4 * (here[i] * linear[:, j] + here[j] * linear[:, i])
        return gradients

    @property
    def shape_gradients(self) -> Floats:
        """Gradient of each local shape function at each corner of every triangle, shape (m, 3 or 6, 3, 2), 1/m."""
        return self.shape_gradients_of(slice(None))

    def gradient(self, local_values: Floats) -> Floats:
        """Gradient at the corners of every triangle, from local values (m, 3 or 6) to (m, 3, 2)."""
        result: Floats = np.einsum("ml,mlcd->mcd", local_values, self.shape_gradients, optimize=True)
        return result

    def edge_unknowns(self, pairs: Ints) -> Ints:
        """Unknowns on (triangle, edge) pairs from start to end, shape (k, 2) or, with the middle, (k, 3)."""
        tri, k = pairs[:, 0], pairs[:, 1]
        local = self.local
        parts = [local[tri, k], local[tri, (k + 1) % 3]]
        if self.order == 2:
            parts.insert(1, local[tri, 3 + k])
        return np.column_stack(parts)


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


def potential_map(space: Space, topology: Topology) -> tuple[csc_array, Ints]:
    """
    From free potentials to all unknowns: one value per contact, one contact of each conductor at zero.

    Returns
    -------
    map : sparse array, shape (size, free)
    column : array, shape (contacts,)
        Column of each contact; -1 for a grounded one.
    """
    mesh = space.mesh
    rim = space.edge_unknowns(mesh.contact_edges)
    target = np.full(space.size, -1)
    target[rim] = mesh.contact_of[:, None]
    free = np.flatnonzero(target < 0)
    # The first contact of each conductor is the reference; a contact that reaches no copper has no unknown at all.
    reaching = np.unique(mesh.contact_of)
    _, first = np.unique(topology.conductor[reaching], return_index=True)
    grounded = np.zeros(topology.contacts, dtype=bool)
    grounded[reaching[first]] = True
    live = np.setdiff1d(reaching, np.flatnonzero(grounded))
    column = np.full(topology.contacts, -1)
    column[live] = len(free) + np.arange(len(live))
    on_contact = np.flatnonzero(target >= 0)
    on_contact = on_contact[column[target[on_contact]] >= 0]
    rows = np.concatenate([free, on_contact])
    cols = np.concatenate([np.arange(len(free)), column[target[on_contact]]])
    return csc_array((np.ones(len(rows)), (rows, cols)), shape=(space.size, len(free) + len(live))), column


def stream_map(space: Space, topology: Topology) -> csc_array:
    """
    From free stream values to all unknowns, shape (size, free).

    One constant per insulated edge, such that no contact takes net current; one edge of each piece at zero.
    """
    edges = space.edge_unknowns(topology.insulated)
    on_edge = np.zeros(space.size, dtype=bool)
    on_edge[edges] = True
    links = coo_array(
        (
            np.ones(edges.shape[0] * (edges.shape[1] - 1)),
            (np.repeat(edges[:, 0], edges.shape[1] - 1), edges[:, 1:].ravel()),
        ),
        shape=(space.size,) * 2,
    )
    _, label = connected_components(links, directed=False)
    members = np.flatnonzero(on_edge)
    _, arc = np.unique(label[members], return_inverse=True)
    arcs = int(arc.max()) + 1 if len(members) else 0
    arc_of = np.full(space.size, -1)
    arc_of[members] = arc

    piece_of = np.full(space.size, -1)
    piece_of[space.local] = topology.piece[:, None]
    arc_piece = np.full(arcs, -1)
    arc_piece[arc] = piece_of[members]
    # Reference: the first edge of each piece, or any one unknown of a piece that has none.
    with_edge, zero = np.unique(arc_piece, return_index=True)
    bare = np.setdiff1d(np.unique(topology.piece), with_edge)
    pinned = np.array([space.local[np.flatnonzero(topology.piece == number)[0], 0] for number in bare], dtype=np.int64)
    free = np.setdiff1d(np.flatnonzero(~on_edge), pinned)

    combinations = _arc_combinations(_net_current(space, arc_of, arcs, topology.contacts), zero)
    spread = csr_array((np.ones(len(members)), (members, arc)), shape=(space.size, arcs))
    inner = csr_array((np.ones(len(free)), (free, np.arange(len(free)))), shape=(space.size, len(free)))
    return csc_array(hstack([inner, spread @ combinations]))


def _net_current(space: Space, arc_of: Ints, arcs: int, contacts: int) -> csr_array:
    """Current into each contact per unit of each insulated edge's constant, shape (contacts, arcs)."""
    ends = space.edge_unknowns(space.mesh.contact_edges)[:, [0, -1]]
    rows, cols, signs = [], [], []
    for side, sign in ((1, 1.0), (0, -1.0)):
        hit = arc_of[ends[:, side]] >= 0
        rows.append(space.mesh.contact_of[hit])
        cols.append(arc_of[ends[hit, side]])
        signs.append(np.full(int(hit.sum()), sign))
    matrix = csr_array((np.concatenate(signs), (np.concatenate(rows), np.concatenate(cols))), shape=(contacts, arcs))
    matrix.sum_duplicates()
    matrix.eliminate_zeros()
    return matrix


def _arc_combinations(net: csr_array, zero: Ints) -> csc_array:
    """Basis of the constants that vanish on the reference edges and carry no net current into any contact."""
    arcs = net.shape[1]
    allowed = np.ones(arcs, dtype=bool)
    allowed[zero] = False
    bound = np.unique(net.indices)
    rows, cols, values = [], [], []
    columns = 0
    simple = np.setdiff1d(np.flatnonzero(allowed), bound)
    rows.append(simple)
    cols.append(np.arange(len(simple)))
    values.append(np.ones(len(simple)))
    columns = len(simple)
    coupling = (abs(net).T @ abs(net)).tocsr()
    _, group = connected_components(coupling, directed=False)
    for number in np.unique(group[bound]):
        mine = np.flatnonzero((group == number) & allowed)
        if not len(mine):
            continue
        part = net[:, mine].toarray()
        basis = null_space(part[np.any(part != 0, axis=1)]) if np.any(part) else np.eye(len(mine))
        r, c = np.nonzero(np.abs(basis) > 1e-12)
        rows.append(mine[r])
        cols.append(columns + c)
        values.append(basis[r, c])
        columns += basis.shape[1]
    return csc_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), shape=(arcs, columns))


def path_fields(topology: Topology, loops: Sequence[tuple[int, int]], order: int) -> list[Path]:
    """Unit path field of every loop, from the contact of injection to the contact of return."""
    return [Path.along(topology.walk(start, end), order) for start, end in loops]
