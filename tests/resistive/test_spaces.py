"""Potentials, stream functions and paths on one mesh: each is what it says, on every kind of board."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
import skfem
from shapely import MultiPolygon, box

from judges import red_refined
from returnflow.resistive.spaces import (
    CORNER_MASS,
    CORNER_ROOT,
    Path,
    Space,
    Topology,
    _Triangles,
    potential_map,
    stream_map,
)
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.model.shapes import circle

both_orders = pytest.mark.parametrize("order", [1, 2])


def pad(x, y):
    return circle(x, y, 0.2, corners=12)


BOARD = box(0, 0, 2, 1.6)
HOLES = shapely.union_all([pad(0.7, 0.8), box(1.1, 0.5, 1.3, 1.2)])
# Number of independent ways round, counted by hand: constants of the stream function that are left free.
DRAWINGS = {
    "pads inside": (BOARD, [pad(0.4, 0.4), pad(1.6, 1.2)], 0),
    "two holes": (BOARD.difference(HOLES), [pad(0.4, 0.4), pad(1.6, 1.2)], 2),
    "ends": (box(-1, 0, 3, 1), [box(-1, 0, 0, 1), box(2, 0, 3, 1)], 0),
    # Three edges between three contacts, one value each but for one: none is left when no contact takes current.
    "contacts on the edge": (BOARD, [pad(0, 0.8), pad(2, 0.8), pad(1, 0)], 0),
    "contact over a hole's rim": (BOARD.difference(box(0.8, 0.6, 1.2, 1.0)), [pad(0.8, 0.8), pad(1.8, 0.3)], 1),
    # Out of its left side, round below the hole, and in at its right.
    "contact from a hole to the outer edge": (BOARD.difference(box(0.8, 0.6, 1.2, 1.0)), [box(0.9, 0.9, 1.1, 1.7)], 1),
    "two pieces, one bridge": (box(0, 0, 1, 1).union(box(1.1, 0, 2, 1)), [pad(1.05, 0.5), pad(0.3, 0.5)], 0),
    "two pieces, two bridges": (box(0, 0, 1, 1).union(box(1.1, 0, 2, 1)), [pad(1.05, 0.3), pad(1.05, 0.7)], 1),
    "two strips side by side": (
        box(-1, 0, 3, 1).union(box(-1, 2, 3, 3)),
        [MultiPolygon([box(x, y, x + 1, y + 1) for y in (0, 2)]) for x in (-1, 2)],
        1,
    ),
    "no insulated edge": (box(0, 0, 1, 1), [pad(0.5, 0.5), box(-1, -1, 2, 2).difference(box(0.1, 0.1, 0.9, 0.9))], 0),
}
every_drawing = pytest.mark.parametrize("name", DRAWINGS)


def meshed(name, size=0.4):
    copper, contacts, _ = DRAWINGS[name]
    mesh = Mesher(Plane(copper, contacts)).uniform(size)
    return mesh, Topology(mesh, len(contacts))


def test_edges_have_the_numbers_that_the_finite_element_library_gives_them():
    mesh, _ = meshed("two holes", 0.1)
    order = np.random.default_rng(3).permutation(len(mesh.triangles))
    given = mesh.points.T.copy(), mesh.triangles[order].T.copy()
    own, other = (kind(*given, sort_t=False) for kind in (_Triangles, skfem.MeshTri))
    assert np.array_equal(own.facets, other.facets)
    assert np.array_equal(own.t2f, other.t2f)


@pytest.fixture
def triangle():
    """One right triangle of legs 3 and 4."""
    none = np.zeros((0, 2), dtype=np.int64)
    return Mesh(
        np.array([[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]]),
        np.array([[0, 1, 2]]),
        none,
        np.zeros(0, dtype=np.int64),
        np.zeros((0, 1), dtype=bool),
    )


class TestSpace:
    def test_stiffness_of_one_triangle_by_hand(self, triangle):
        # Edges opposite the corners: (-3, 4), (0, -4), (3, 0); products over four times the area, 24.
        expected = np.array([[25, -16, -9], [-16, 16, 0], [-9, 0, 9]]) / 24
        np.testing.assert_allclose(Space(triangle, 1).stiffness.toarray(), expected, atol=1e-14)

    @both_orders
    def test_equal_potentials_drive_no_current(self, order):
        space = Space(meshed("two holes")[0], order)
        np.testing.assert_allclose(space.stiffness @ np.ones(space.size), 0, atol=1e-12)
        np.testing.assert_allclose(space.gradient(np.ones(space.local.shape)), 0, atol=1e-12)

    @both_orders
    def test_size_does_not_matter_to_stiffness(self, order):
        mesh, _ = meshed("two holes")
        small = Mesh(1e-3 * mesh.points, mesh.triangles, mesh.contact_edges, mesh.contact_of, mesh.region_triangles)
        difference = Space(mesh, order).stiffness - Space(small, order).stiffness
        assert abs(difference).max() < 1e-12

    @both_orders
    def test_polynomials_of_the_order_have_their_exact_gradient(self, order):
        mesh, _ = meshed("two holes")
        space = Space(mesh, order)
        corners = mesh.points[mesh.triangles]
        middles = 0.5 * (corners + np.roll(corners, -1, axis=1))
        x, y = np.moveaxis(np.concatenate([corners, middles], axis=1)[:, : space.local.shape[1]], 2, 0)
        if order == 1:
            values, gradient = 2 * x - 3 * y + 1, np.broadcast_to([2.0, -3.0], corners.shape)
        else:
            values = x**2 - 2 * x * y + 3 * y**2 + x
            gx, gy = 2 * corners[..., 0] - 2 * corners[..., 1] + 1, -2 * corners[..., 0] + 6 * corners[..., 1]
            gradient = np.stack([gx, gy], axis=2)
        np.testing.assert_allclose(space.gradient(values), gradient, atol=1e-11)

    @both_orders
    def test_energy_by_stiffness_is_energy_by_gradients(self, order):
        mesh, _ = meshed("two holes")
        space = Space(mesh, order)
        u = np.random.default_rng(20_931).normal(size=space.size)
        gradient = space.gradient(u[space.local])
        by_gradients = np.einsum("m,mcd,ce,med->", mesh.areas, gradient, CORNER_MASS, gradient)
        assert u @ (space.stiffness @ u) == pytest.approx(by_gradients, rel=1e-12)

    def test_corner_mass_is_the_exact_product_of_linear_functions(self):
        # Over a triangle of unit area: integral of l_i l_j = 1/12, of l_i^2 = 1/6.
        np.testing.assert_allclose(CORNER_MASS, (1 + np.eye(3)) / 12, atol=1e-15)
        assert np.ones(3) @ CORNER_MASS @ np.ones(3) == pytest.approx(1, rel=1e-14)
        np.testing.assert_allclose(CORNER_ROOT.T @ CORNER_ROOT, CORNER_MASS, atol=1e-15)

    @both_orders
    def test_unknowns_of_an_edge_run_from_its_start_to_its_end(self, order):
        mesh, _ = meshed("two holes")
        space = Space(mesh, order)
        place = np.empty((space.size, 2))
        corners = mesh.points[mesh.triangles]
        at = np.concatenate([corners, 0.5 * (corners + np.roll(corners, -1, axis=1))], axis=1)
        place[space.local.ravel()] = at[:, : space.local.shape[1]].reshape(-1, 2)
        pairs = np.argwhere(np.ones((len(mesh.triangles), 3), dtype=bool))
        along = place[space.edge_unknowns(pairs)]
        ends = mesh.points[mesh.edge_ends.reshape(-1, 2)]
        np.testing.assert_allclose(along[:, 0], ends[:, 0])
        np.testing.assert_allclose(along[:, -1], ends[:, 1])
        if order == 2:
            np.testing.assert_allclose(along[:, 1], ends.mean(axis=1))


class TestTopology:
    @every_drawing
    def test_neighbours_are_mutual_and_share_the_edge(self, name):
        mesh, topology = meshed(name)
        tri, k = np.nonzero(topology.neighbours >= 0)
        other = topology.neighbours[tri, k]
        back = np.array([np.flatnonzero(topology.neighbours[o] == t)[0] for o, t in zip(other, tri, strict=True)])
        np.testing.assert_array_equal(mesh.edge_ends[tri, k], mesh.edge_ends[other, back][:, ::-1])

    @pytest.mark.parametrize(
        ("name", "pieces", "conductors"),
        [
            ("two holes", 1, 1),
            ("two pieces, one bridge", 2, 1),
            ("two strips side by side", 2, 1),
            ("no insulated edge", 1, 1),
        ],
    )
    def test_pieces_and_conductors(self, name, pieces, conductors):
        _, topology = meshed(name)
        assert len(np.unique(topology.piece)) == pieces
        assert len(np.unique(topology.conductor)) == conductors

    def test_unconnected_contacts_belong_to_different_conductors(self):
        copper = box(0, 0, 1, 1).union(box(2, 0, 3, 1))
        mesh = Mesher(Plane(copper, [pad(0.5, 0.5), pad(2.3, 0.5), pad(2.7, 0.5)])).uniform(0.3)
        topology = Topology(mesh, 3)
        first, second, third = topology.conductor
        assert second == third != first
        with pytest.raises(ValueError, match=r"from contact 0 to contact 2\. They lie on unconnected"):
            topology.walk(0, 2)


class TestPath:
    @pytest.mark.parametrize("name", [n for n, (_, contacts, _) in DRAWINGS.items() if len(contacts) > 1])
    def test_walk_goes_from_contact_to_contact_through_shared_edges(self, name):
        mesh, topology = meshed(name)
        steps = topology.walk(0, 1)
        pairs = map(tuple, mesh.contact_edges.tolist())
        rim = dict(zip(pairs, mesh.contact_of.tolist(), strict=True))
        assert rim[tuple(steps[0, :2].tolist())] == 0
        assert rim[(int(steps[-1, 0]), int(steps[-1, 2]))] == 1
        for (tri, _, out), (following, into, _) in pairwise(steps):
            if topology.neighbours[tri, out] == following:
                assert topology.neighbours[following, into] == tri
            else:
                # Through a contact: out of the copper at its rim, and in again at the same contact's.
                assert rim[(int(tri), int(out))] == rim[(int(following), int(into))]
        assert len(np.unique(steps[:, 0])) == len(steps)

    @both_orders
    @pytest.mark.parametrize(("entered", "left"), [(i, j) for i in range(3) for j in range(3) if i != j])
    def test_one_ampere_in_by_one_edge_out_by_the_other_none_by_the_third(self, triangle, order, entered, left):
        path = Path.along(np.array([[0, entered, left]]), order)
        space = Space(triangle, order)
        K = space.gradient(path.values)[0] @ np.array([[0.0, -1.0], [1.0, 0.0]])  # (d/dy, -d/dx)
        ends = triangle.points[triangle.edge_ends[0]]
        step = ends[:, 1] - ends[:, 0]
        # Outward normal times length: the step turned clockwise.
        outward = np.stack([step[:, 1], -step[:, 0]], axis=1)
        flux = [0.5 * (K[k] + K[(k + 1) % 3]) @ outward[k] for k in range(3)]
        expected = np.zeros(3)
        expected[entered], expected[left] = -1, 1
        np.testing.assert_allclose(flux, expected, atol=1e-13)
        # And uniformly over each edge, so that neighbours agree point by point.
        for k in range(3):
            np.testing.assert_allclose([K[k] @ outward[k], K[(k + 1) % 3] @ outward[k]], expected[k], atol=1e-13)


class TestPotentialMap:
    @every_drawing
    @both_orders
    def test_one_value_per_contact_and_one_contact_of_each_conductor_at_zero(self, name, order):
        mesh, topology = meshed(name)
        space = Space(mesh, order)
        to_all, column = potential_map(space, topology)
        free = np.random.default_rng(8_101).normal(size=to_all.shape[1])
        values = to_all @ free
        rim = space.edge_unknowns(mesh.contact_edges)
        wanted = np.where(column >= 0, free[np.maximum(column, 0)], 0.0)[mesh.contact_of]
        np.testing.assert_array_equal(values[rim], np.broadcast_to(wanted[:, None], rim.shape))
        assert (column < 0).sum() == len(np.unique(topology.conductor))
        # Every other unknown is free.
        assert np.linalg.matrix_rank(to_all.toarray()) == to_all.shape[1]
        assert to_all.shape[1] == space.size - len(np.unique(rim)) + (column >= 0).sum()


class TestStreamMap:
    @every_drawing
    @both_orders
    def test_no_current_through_edges_and_no_net_current_into_contacts(self, name, order):
        mesh, topology = meshed(name)
        space = Space(mesh, order)
        to_all = stream_map(space, topology)
        psi = to_all @ np.random.default_rng(51_407).normal(size=to_all.shape[1])
        edges = psi[space.edge_unknowns(topology.insulated)]
        np.testing.assert_allclose(edges, edges[:, [0]] @ np.ones((1, edges.shape[1])), atol=1e-12)
        ends = psi[space.edge_unknowns(mesh.contact_edges)]
        net = np.bincount(mesh.contact_of, weights=ends[:, -1] - ends[:, 0], minlength=topology.contacts)
        np.testing.assert_allclose(net, 0, atol=1e-11)

    @every_drawing
    @both_orders
    def test_all_that_is_left_free_is_free(self, name, order):
        # Counted by hand from the drawing: one constant for every independent way round, and every inner unknown.
        mesh, topology = meshed(name)
        space = Space(mesh, order)
        to_all = stream_map(space, topology)
        dense = to_all.toarray()
        assert np.linalg.matrix_rank(dense) == to_all.shape[1]
        on_edge = np.unique(space.edge_unknowns(topology.insulated)) if len(topology.insulated) else []
        pinned = sum(
            not np.any(topology.piece[topology.insulated[:, 0]] == piece) for piece in np.unique(topology.piece)
        )
        constants = to_all.shape[1] - (space.size - len(on_edge) - pinned)
        assert constants == DRAWINGS[name][2]
        # No field is left out by a zero energy: the curl of every free combination is a current.
        energy = to_all.T @ space.stiffness @ to_all
        assert np.linalg.eigvalsh(energy.toarray())[0] > 1e-8

    @both_orders
    def test_finer_spaces_hold_the_coarser_ones(self, order):
        # What nested bounds rest on: more unknowns, same constants.
        mesh, topology = meshed("two holes")
        fine = red_refined(mesh)
        fine_topology = Topology(fine, topology.contacts)
        assert len(topology.insulated) * 2 == len(fine_topology.insulated)
        coarse_map, fine_map = (stream_map(Space(m, order), t) for m, t in ((mesh, topology), (fine, fine_topology)))
        assert fine_map.shape[1] > 3 * coarse_map.shape[1]
