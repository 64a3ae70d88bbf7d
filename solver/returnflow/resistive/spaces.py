"""Potential space and stream-function space on one mesh."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import skfem
from numpy.typing import NDArray
from scipy.linalg import null_space
from scipy.sparse import coo_array, csc_array, csr_array, hstack
from scipy.sparse.csgraph import connected_components
from skfem.helpers import dot, grad
from skfem.models.poisson import laplace

from returnflow.resistive.paths import Path, circuit_fields, path_fields
from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesh

__all__ = [
    "CORNER_MASS",
    "CORNER_ROOT",
    "Path",
    "Space",
    "Topology",
    "circuit_fields",
    "path_fields",
    "potential_map",
    "stream_map",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Exact L2 product of two fields linear on a triangle from their corner values, per unit area; and its root.
CORNER_MASS = (np.ones((3, 3)) + np.eye(3)) / 12
CORNER_ROOT = np.linalg.cholesky(CORNER_MASS).T


class _Triangles(skfem.MeshTri):  # type: ignore[misc]
    """With the same numbers of edges, which are sorted as one number each: as pairs it takes five times as long."""

    @staticmethod
    def build_entities(t: NDArray[Any], indices: Any, sort: bool = True) -> tuple[NDArray[Any], Ints]:
        ends = np.hstack([t[pair] for pair in indices])
        low, high = np.sort(ends, axis=0).astype(np.int64)
        count = int(high.max()) + 1
        edges, first, which = np.unique(low * count + high, return_index=True, return_inverse=True)
        found = np.stack(np.divmod(edges, count)).astype(t.dtype) if sort else ends[:, first]
        return np.ascontiguousarray(found), which.reshape(len(indices), t.shape[1])


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
        mesh = _Triangles(self.mesh.points.T.copy(), self.mesh.triangles.T.copy(), sort_t=False)
        return skfem.Basis(mesh, element, intorder=2 * (self.order - 1))

    @cached_property
    def local(self) -> Ints:
        """Unknowns of each triangle, shape (m, 3 or 6): its corners, then the middles of its edges."""
        return np.ascontiguousarray(self._basis.element_dofs.T.astype(np.int64))

    def places(self, free: csc_array) -> Floats:
        """Where free unknowns are that a map leads from, shape (columns of the map, 2), metres."""
        part = abs(free)
        middle: Floats = (part.T @ self._basis.doflocs.T) / np.maximum(part.sum(axis=0), 1e-300)[:, None]
        return middle

    @cached_property
    def size(self) -> int:
        """Number of unknowns."""
        return int(self._basis.N)

    @cached_property
    def stiffness(self) -> csr_array:
        """Integral of grad u . grad v, shape (size, size), dimensionless."""
        return csr_array(laplace.assemble(self._basis))

    def weighted_stiffness(self, weight: Floats) -> csr_array:
        """Integral of a weight per triangle (m,) times grad u . grad v, shape (size, size)."""
        if np.all(weight == 1):
            return self.stiffness
        points = len(self._basis.W)
        return csr_array(_weighted.assemble(self._basis, weight=np.repeat(weight[:, None], points, axis=1)))

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

    @cached_property
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


@skfem.BilinearForm  # type: ignore[untyped-decorator]
def _weighted(u: Any, v: Any, w: Any) -> Any:
    return w.weight * dot(grad(u), grad(v))


def potential_map(space: Space, topology: Topology, shorts: NDArray[np.bool_] | None = None) -> tuple[csc_array, Ints]:
    """
    From free potentials to all unknowns: one value per contact, one contact of each conductor at zero.

    Parameters
    ----------
    space : Space
    topology : Topology
    shorts : array of bool, shape (links,), optional
        Which links have no resistance: their two contacts have one potential.

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
    # The first contact of each conductor is the reference; a contact that reaches neither copper nor link has no
    # unknown at all.
    reaching = np.union1d(mesh.contact_of, topology.links)
    short = topology.links[shorts] if shorts is not None else topology.links[:0]
    size = (topology.contacts,) * 2
    _, node = connected_components(coo_array((np.ones(len(short)), short.T), shape=size), directed=False)
    _, first = np.unique(topology.conductor[reaching], return_index=True)
    live = np.setdiff1d(node[reaching], node[reaching[first]])
    at = np.full(topology.contacts, -1)  # by node
    at[live] = len(free) + np.arange(len(live))
    column = np.full(topology.contacts, -1)
    column[reaching] = at[node[reaching]]
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
