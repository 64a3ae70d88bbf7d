"""Laws of resistive solutions: currents are conserved and shared, less copper resists more, two routes agree."""

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, box
from test_conduction import (
    DRAWINGS,
    LOOPS,
    both_orders,
    coarse_mesh,
    every_drawing,
    pad,
    solved,
    solved_on,
    with_contacts,
)

from judges import (
    assert_falling,
    conductance,
    contact_current,
    red_refined,
    resistance_of,
    section_current,
    section_flux,
    without,
)
from returnflow.answers.coupling import region_shares, section_currents
from returnflow.resistive.conduction import solve_on
from returnflow.resistive.solution import Options
from returnflow.resistive.spaces import Topology
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.model.shapes import slot

SECTIONS = (
    LineString([(0.75, -0.1), (0.75, 1.7)]),
    LineString([(1.0, 0), (1.0, 0.5), (0.9, 1.0), (1.0, 1.6)]),
    LineString([(1.2, 0), (1.2, 1.6)]),
    LineString([(1.4, 1.6), (1.35, 0.0)]),  # against the others
    LineString([(0.5, 0.0), (0.8, 1.6)]),
    LineString([(0.05, 0.7), (0.05, 0.9), (0.15, 0.9), (0.15, 0.7), (0.05, 0.7)]),  # round nothing
    LineString([(0.1, 0.2), (0.5, 0.2), (0.5, 0.6), (0.1, 0.6), (0.1, 0.2)]),  # round the first contact
)


@pytest.fixture(scope="module")
def crossed():
    copper, contacts = DRAWINGS["board with holes"]
    mesh = Mesher(Plane(copper, contacts, sections=SECTIONS)).uniform(0.2)
    return solve_on(mesh, 4, [(0, 1), (2, 3)], 1.0, Options())


class TestConservation:
    ACROSS = np.array([[1, 1, 1, -1, 1], [1, 1, 1, -1, 1]])

    def test_same_current_through_every_cut(self, crossed):
        through = [[section_current(crossed, s, j) for s in range(5)] for j in range(2)]
        np.testing.assert_allclose(through, self.ACROSS, atol=1e-9)

    def test_no_current_through_a_closed_line_round_copper(self, crossed):
        assert section_current(crossed, 5, 0) == pytest.approx(0, abs=1e-9)

    def test_a_line_round_a_contact_is_crossed_by_its_current(self, crossed):
        # Anticlockwise: from the left, inside, to the right, outside.
        assert section_current(crossed, 6, 0) == pytest.approx(1, abs=1e-9)
        assert section_current(crossed, 6, 1) == pytest.approx(0, abs=1e-9)

    def test_contacts_give_and_take_one_ampere_and_floating_ones_none(self, crossed):
        gives = [[contact_current(crossed, c, j) for c in range(4)] for j in range(2)]
        np.testing.assert_allclose(gives, [[1, -1, 0, 0], [0, 0, 1, -1]], atol=1e-9)

    @every_drawing
    @both_orders
    def test_contacts_balance_on_every_drawing(self, name, order):
        solution = solved_on(coarse_mesh(name), name, order)
        for number, (start, end) in enumerate(LOOPS[name]):
            gives = np.array([contact_current(solution, c, number) for c in range(len(DRAWINGS[name][1]))])
            gives[start] -= 1
            gives[end] += 1
            np.testing.assert_allclose(gives, 0, atol=1e-9)

    def test_the_potential_side_carries_the_same_current_as_meshes_get_finer(self, crossed):
        mesh, errors = crossed.mesh, []
        for _ in range(3):
            solution = solve_on(mesh, 4, [(0, 1)], 1.0, Options())
            errors.append(max(abs(section_flux(solution, s) - 1) for s in (0, 2, 4)))
            mesh = red_refined(mesh)
        assert_falling(errors, last=0.02)

    @every_drawing
    def test_no_current_crosses_an_insulated_edge(self, name):
        solution = solved_on(coarse_mesh(name), name)
        field = solution.current(0, "stream")
        tri, k = solution.topology.insulated.T
        corners = solution.mesh.points[solution.mesh.triangles[tri]]
        row = np.arange(len(tri))
        step = corners[row, (k + 1) % 3] - corners[row, k]
        for at in (k, (k + 1) % 3):
            normal = field[tri, at, 0] * step[:, 1] - field[tri, at, 1] * step[:, 0]
            np.testing.assert_allclose(normal, 0, atol=1e-9)

    @every_drawing
    def test_contacts_are_equipotential(self, name):
        solution = solved_on(coarse_mesh(name), name)
        tri, k = solution.mesh.contact_edges.T
        values = solution.potential[solution.space.edge_unknowns(solution.mesh.contact_edges)]
        wanted = solution.contact_potential[solution.mesh.contact_of]
        np.testing.assert_allclose(values, np.broadcast_to(wanted[:, None], values.shape), atol=1e-12)
        assert len(tri) == len(k) > 0

    def test_the_library_s_sections_agree_with_the_test_s(self, crossed):
        expected = [[section_current(crossed, s, j) for j in range(2)] for s in range(len(SECTIONS))]
        np.testing.assert_allclose(section_currents(crossed), expected, atol=1e-12)


@pytest.fixture(scope="module")
def arms():
    # Upper arm 1/4 wide, lower arm 1/2 wide, a gap between them; contacts across both ends.
    copper, ends = with_contacts(
        box(0, 0, 2, 1).difference(box(0, 0.5, 2, 0.75)), box(-0.5, 0, 0, 1), box(2, 0, 2.5, 1)
    )
    return solved(
        copper,
        ends,
        sections=[LineString([(1, 0), (1, 0.6)]), LineString([(0.5, 1), (0.5, 0.7)]), LineString([(1, 0), (1, 1)])],
        regions=[box(0.5, 0.7, 1.5, 1.1), box(0.2, -0.1, 0.8, 0.25)],
    )


class TestSharesOfParallelArms:
    """Two arms between two contacts, of lengths in a known ratio: shares by the rule of parallel resistors."""

    def test_resistance_of_two_strips_in_parallel(self, arms):
        assert arms.mid[0, 0] == pytest.approx(1 / (0.5 / 2 + 0.25 / 2), rel=1e-9)

    def test_currents_divide_as_the_widths(self, arms):
        np.testing.assert_allclose(section_currents(arms)[:, 0], [2 / 3, -1 / 3, 1], atol=1e-9)

    def test_share_of_regions(self, arms):
        inside = np.zeros((2, 2), dtype=bool)
        # All of the narrow arm; half the width of the wide one.
        np.testing.assert_allclose(region_shares(arms, inside)[:, 0], [1 / 3, 1 / 3], atol=1e-9)


class TestRayleighMonotonicity:
    """Adding copper, or a contact, never raises a resistance."""

    BASE = box(0, 0, 2, 1.6).difference(slot([(1, -0.1), (1, 1.1)], 0.02)).difference(pad(0.5, 1.3, 0.3))
    CONTACTS = (pad(0.4, 0.4), pad(1.6, 0.4))

    @pytest.mark.parametrize(
        "more",
        [
            pytest.param(box(0.9, 0, 1.1, 0.1), id="bridge across the slot"),
            pytest.param(pad(0.5, 1.3, 0.31), id="hole filled"),
            pytest.param(box(1.9, 0.2, 2.5, 1.0), id="copper beside"),
            pytest.param(box(0.98, 1.0, 1.02, 1.12), id="slot shortened"),
        ],
    )
    def test_adding_copper(self, more):
        before = solved(self.BASE, self.CONTACTS)
        after = solved(self.BASE.union(more), self.CONTACTS)
        assert after.lower[0, 0] <= before.upper[0, 0]
        assert after.mid[0, 0] < before.mid[0, 0] * (1 + 1e-3)

    def test_adding_a_floating_contact(self):
        before = solved(self.BASE, self.CONTACTS)
        after = solved(self.BASE, [*self.CONTACTS, box(0.8, 1.2, 1.2, 1.4)])
        assert after.upper[0, 0] < before.lower[0, 0]

    @both_orders
    def test_on_one_mesh_both_bounds_rise_as_triangles_are_taken_away(self, order):
        mesh = red_refined(Mesher(Plane(self.BASE, self.CONTACTS)).uniform(0.3))
        rng = np.random.default_rng(20_513)
        touchable = np.setdiff1d(np.arange(len(mesh.triangles)), mesh.contact_edges[:, 0])
        # Only triangles with no corner on a boundary or beside another hole: no new contact between edges.
        topology = Topology(mesh, 2)
        on_edge = np.zeros(len(mesh.points), dtype=bool)
        on_edge[mesh.edge_ends[tuple(topology.insulated.T)]] = True
        on_edge[mesh.edge_ends[tuple(mesh.contact_edges.T)]] = True
        removed = np.zeros(len(mesh.triangles), dtype=bool)
        last = solve_on(mesh, 2, [(0, 1)], 1.0, Options(order=order))
        taken = 0
        for candidate in rng.permutation(touchable):
            corners = mesh.triangles[candidate]
            if np.any(on_edge[corners]):
                continue
            on_edge[corners] = True
            removed[candidate] = True
            taken += 1
            if taken % 4 == 0:
                now = solve_on(without(mesh, removed), 2, [(0, 1)], 1.0, Options(order=order))
                assert now.lower[0, 0] > last.lower[0, 0]
                assert now.upper[0, 0] > last.upper[0, 0]
                last = now
        assert taken >= 12


class TestSecondRoute:
    @every_drawing
    @both_orders
    def test_lower_bound_from_scikit_fem_alone(self, name, order):
        # Contacts held one by one at one volt, and the conductance matrix inverted: floating contacts follow.
        mesh = coarse_mesh(name)
        solution = solved_on(mesh, name, order)
        matrix = conductance(mesh, len(DRAWINGS[name][1]), order)
        np.testing.assert_allclose(solution.lower, resistance_of(matrix, LOOPS[name]), rtol=1e-8, atol=1e-9)

    @both_orders
    @pytest.mark.parametrize("holes", [0, 2])
    def test_upper_bound_is_the_lower_bound_of_the_dual_problem(self, order, holes):
        # Swap insulated edges and contacts: the stream function becomes a potential. Holes become floating contacts.
        copper = box(0, 0, 3, 1)
        for x in (0.8, 1.9)[:holes]:
            copper = copper.difference(box(x, 0.3, x + 0.3, 0.6))
        copper, contacts = with_contacts(copper, box(-1, 0, 0, 0.6), box(3, 0.2, 4, 1))
        mesh = Mesher(Plane(copper, contacts)).uniform(0.3)
        solution = solve_on(mesh, 2, [(0, 1)], 1.0, Options(order=order))
        edges = solution.topology.insulated
        a, b = (mesh.points[mesh.edge_ends[tuple(edges.T)][:, side]] for side in range(2))
        middle = 0.5 * (a + b)
        inner = (middle[:, 0] > 0.1) & (middle[:, 0] < 2.9) & (middle[:, 1] > 0.1) & (middle[:, 1] < 0.9)
        # Above: from the left contact's top over the upper edge to the right contact's top.
        upper = ~inner & ((middle[:, 1] > 0.95) | ((middle[:, 0] < 0.01) & (middle[:, 1] > 0.6)))
        rims = np.where(inner, 2 + (middle[:, 0] > 1.5), upper.astype(int))
        dual = replace(mesh, contact_edges=edges, contact_of=rims)
        across = resistance_of(conductance(dual, 2 + holes, order), [(0, 1)])[0, 0]
        assert solution.upper[0, 0] == pytest.approx(1 / across, rel=1e-8)

    def test_energy_equals_port_power(self):
        # Per ampere: the integral of sheet K^2 is the voltage between the loop's contacts.
        mesh = coarse_mesh("board with holes")
        solution = solve_on(mesh, 4, [(0, 1)], 3e-4, Options())
        K = solution.current(0, "potential")
        # Linear fields on a triangle: exact with the three mid-edge points.
        middles = 0.5 * (K + np.roll(K, -1, axis=1))
        power = 3e-4 * float(np.sum(mesh.areas[:, None] / 3 * np.sum(middles**2, axis=2)))
        voltage = solution.contact_potential[0, 0] - solution.contact_potential[1, 0]
        assert power == pytest.approx(voltage, rel=1e-9)
        assert power == pytest.approx(solution.lower[0, 0], rel=1e-9)
