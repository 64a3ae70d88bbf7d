"""
What every resistive solution must obey, whatever the board; and boards of every topology with a known answer.

Sheet resistance 1: resistances are in squares.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Polygon, affinity, box

from judges import (
    assert_falling,
    assert_order,
    assert_overlap,
    assert_sound,
    assert_tightened,
    conductance,
    contact_current,
    red_refined,
    resistance_of,
    section_current,
    section_flux,
    without,
)
from returnflow.answers.coupling import region_shares, section_currents
from returnflow.resistive import conduction
from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.linear import NumericalError
from returnflow.resistive.solution import Options
from returnflow.resistive.spaces import Topology
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.model.shapes import circle, slot


def pad(x, y, diameter=0.2):
    return circle(x, y, diameter, corners=12)


# Drawings of every kind of edge; the loops use pairs of their contacts and leave some floating.
DRAWINGS = {
    "strip with a half contact": (box(0, 0, 3, 1), [box(-1, 0, 0.2, 1), box(2.8, 0.5, 4, 1)]),
    "board with pads": (box(0, 0, 2, 1.6), [pad(0.4, 0.4), pad(1.6, 1.2), pad(0.4, 1.2), pad(1.6, 0.4)]),
    "board with a slot": (
        box(0, 0, 2, 1.6).difference(slot([(1, -0.1), (1, 1.1)], 0.02)),
        [pad(0.4, 0.4), pad(1.6, 0.4), pad(0.4, 1.2), pad(1.6, 1.2)],
    ),
    "board with holes": (
        box(0, 0, 2, 1.6).difference(shapely.union_all([pad(0.7, 0.8, 0.5), box(1.1, 0.5, 1.3, 1.2), pad(1, 0.3)])),
        [pad(0.3, 0.4), pad(1.7, 1.2), pad(0.3, 1.2), pad(1.7, 0.4)],
    ),
    "contacts on edges and over holes": (
        box(0, 0, 2, 1.6).difference(shapely.union_all([box(0.6, 0.6, 0.9, 1.0), box(1.2, 0.6, 1.5, 1.0)])),
        # Over the outer edge; over a hole's rim; between two holes; between a hole and the outer edge.
        [pad(0, 0.8), pad(1.5, 0.9), box(0.85, 0.7, 1.25, 0.8), box(1.3, 0.9, 1.4, 1.7)],
    ),
    "contacts of several parts": (
        box(0, 0, 2, 1.6).difference(box(0.9, 0.4, 1.1, 1.2)),
        [
            # One part on the outer edge, one on the hole's rim, one inside; and a floating pair.
            MultiPolygon([pad(0, 0.3), pad(0.9, 0.8), pad(1.0, 0.2)]),
            pad(1.7, 0.8),
            MultiPolygon([pad(0.4, 0.8), pad(1.1, 1.1)]),
            pad(1.7, 1.4),
        ],
    ),
}
LOOPS = {name: [(0, 1)] if len(contacts) == 2 else [(0, 1), (2, 3)] for name, (_, contacts) in DRAWINGS.items()}
every_drawing = pytest.mark.parametrize("name", DRAWINGS)
both_orders = pytest.mark.parametrize("order", [1, 2])


def coarse_mesh(name, size=0.4, **lines):
    copper, contacts = DRAWINGS[name]
    return Mesher(Plane(copper, contacts, **lines)).uniform(size)


def solved_on(mesh, name, order=2, loops=None):
    return solve_on(mesh, len(DRAWINGS[name][1]), loops or LOOPS[name], 1.0, Options(order=order))


def solved(copper, contacts, loops=((0, 1),), *, accuracy=0.01, order=2, **lines):
    options = Options(accuracy=accuracy, order=order, most_triangles=20_000)
    solution = solve(Plane(copper, contacts, **lines), loops, 1.0, options)
    assert_sound(solution)
    return solution


def with_contacts(copper, *contacts):
    return shapely.union_all([copper, *contacts]), list(contacts)


class TestBounds:
    @every_drawing
    @both_orders
    def test_lower_below_upper_and_local_gaps_add_up(self, name, order):
        solution = solved_on(coarse_mesh(name), name, order)
        assert_sound(solution)
        # A bracket of no width would satisfy the rest trivially.
        assert np.all(np.diag(solution.upper - solution.lower) > 1e-6)

    @every_drawing
    @both_orders
    def test_bounds_tighten_under_nested_refinement(self, name, order):
        mesh = coarse_mesh(name)
        before = solved_on(mesh, name, order)
        for _ in range(2):
            mesh = red_refined(mesh)
            after = solved_on(mesh, name, order)
            assert_tightened(before, after)
            # Strictly: the spaces grow.
            assert np.all(np.diag(after.lower) > np.diag(before.lower))
            assert np.all(np.diag(after.upper) < np.diag(before.upper))
            before = after

    @every_drawing
    def test_quadratic_fields_tighten_the_bounds_of_linear_ones(self, name):
        mesh = coarse_mesh(name)
        assert_tightened(solved_on(mesh, name, 1), solved_on(mesh, name, 2))

    @every_drawing
    def test_both_orders_agree_when_refined(self, name):
        copper, contacts = DRAWINGS[name]
        first = solved(copper, contacts, LOOPS[name], accuracy=0.05, order=1)
        second = solved(copper, contacts, LOOPS[name], accuracy=0.01, order=2)
        assert_overlap(first, second)

    @every_drawing
    def test_transfer_resistance_lies_within_its_half_width(self, name):
        fine = solved(*DRAWINGS[name], LOOPS[name], accuracy=2e-3)
        coarse = solved_on(coarse_mesh(name), name)
        assert np.all(np.abs(coarse.mid - fine.mid) <= coarse.half_width + fine.half_width)

    def test_half_width_is_a_bound_and_not_an_estimate_times_ten(self):
        # The widest transfer half-width that Cauchy and Schwarz allow, for one loop: half the bracket.
        solution = solved_on(coarse_mesh("board with pads"), "board with pads")
        np.testing.assert_allclose(
            np.diag(solution.half_width), 0.5 * np.diag(solution.upper - solution.lower), rtol=1e-9
        )

    def test_asked_accuracy_is_reached_and_reported(self):
        solution = solved(*DRAWINGS["board with a slot"], [(0, 1), (2, 3)], accuracy=3e-3)
        assert np.max(solution.accuracy_reached()) <= 3e-3
        triangles, worst = solution.passes[-1]
        assert triangles == len(solution.mesh.triangles)
        assert worst == pytest.approx(np.max(solution.accuracy_reached()) / 3e-3, rel=1e-12)

    def test_unreachable_accuracy_is_an_error_and_not_an_answer(self):
        plane = Plane(*DRAWINGS["board with a slot"])
        with pytest.raises(NumericalError, match=r"Accuracy 1e-05 not reached.*triangles.*Set a larger `accuracy`"):
            solve(plane, [(0, 1)], 1.0, Options(accuracy=1e-5, most_triangles=1500))
        # What is too much is not even begun.
        with pytest.raises(NumericalError, match=r"takes \d+ triangles, and 500 are allowed"):
            solve(plane, [(0, 1)], 1.0, Options(most_triangles=500))
        with pytest.raises(NumericalError, match="not reached"):
            solve(plane, [(0, 1)], 1.0, Options(accuracy=1e-5, passes=1))


class TestSymmetryOfThePorts:
    def test_reciprocity(self):
        # Drive one loop and read the other, in two separate solutions with the loops in either order.
        mesh = coarse_mesh("board with holes", 0.3)
        there = solved_on(mesh, "board with holes", loops=[(0, 1), (2, 3)])
        back = solved_on(mesh, "board with holes", loops=[(2, 3), (0, 1)])
        for bound in ("lower", "upper"):
            np.testing.assert_allclose(getattr(there, bound), getattr(back, bound)[::-1, ::-1], rtol=0, atol=1e-9)
        # Voltage of one loop's ends in the other's field: the port's own reading of the transfer resistance.
        for i, j in ((0, 1), (1, 0)):
            start, end = there.loops[j]
            voltage = there.contact_potential[start, i] - there.contact_potential[end, i]
            assert voltage == pytest.approx(there.lower[i, j], abs=1e-9)

    def test_reversing_a_loop_changes_the_sign_of_its_couplings_only(self):
        mesh = coarse_mesh("board with holes", 0.3)
        one = solved_on(mesh, "board with holes", loops=[(0, 1), (2, 3)])
        other = solved_on(mesh, "board with holes", loops=[(1, 0), (2, 3)])
        turn = np.array([[1, -1], [-1, 1]])
        np.testing.assert_allclose(other.lower, turn * one.lower, rtol=0, atol=1e-9)
        np.testing.assert_allclose(other.upper, turn * one.upper, rtol=0, atol=1e-9)

    @every_drawing
    def test_superposition(self, name):
        # R_AC,EF + R_CB,EF = R_AB,EF, for the bounds themselves: both sides are linear.
        if len(DRAWINGS[name][1]) < 4:
            loops, sense = [(0, 1), (1, 0)], np.array([1.0, 1.0])
        else:
            loops, sense = [(0, 2), (2, 1), (0, 1), (2, 3)], np.array([1.0, 1.0, -1.0, 0.0])
        solution = solved_on(coarse_mesh(name), name, loops=loops)
        for bound in (solution.lower, solution.upper):
            np.testing.assert_allclose(sense @ bound, 0, atol=1e-9)


def test_loops_solved_some_at_a_time_are_what_they_are_together(monkeypatch):
    plane = Plane(*DRAWINGS["board with a slot"])
    loops = [(0, 1), (1, 0)] * 2
    together = solve(plane, loops, 1.0, Options(accuracy=0.02))
    monkeypatch.setattr(conduction, "TOGETHER", 1)
    apart = solve(plane, loops, 1.0, Options(accuracy=0.02))
    for name in ("lower", "upper", "potential", "stream", "gap"):
        np.testing.assert_allclose(getattr(apart, name), getattr(together, name), rtol=1e-9, atol=1e-12)


class TestInvariance:
    @pytest.mark.parametrize("factor", [1e-3, 0.1])
    def test_size_does_not_matter(self, factor):
        # The same mesh in other units, and the same drawing meshed anew.
        name = "board with holes"
        mesh = coarse_mesh(name)
        whole, scaled = solved_on(mesh, name), solved_on(replace(mesh, points=factor * mesh.points), name)
        np.testing.assert_allclose(scaled.lower, whole.lower, rtol=1e-9)
        np.testing.assert_allclose(scaled.upper, whole.upper, rtol=1e-9)
        copper, contacts = DRAWINGS[name]
        small = [affinity.scale(shape, factor, factor, origin=(0, 0)) for shape in (copper, *contacts)]
        assert_overlap(solved(copper, contacts, LOOPS[name]), solved(small[0], small[1:], LOOPS[name]))

    def test_sheet_resistance_scales_every_resistance_and_no_current(self):
        mesh = coarse_mesh("board with a slot")
        one = solve_on(mesh, 4, [(0, 1), (2, 3)], 1.0, Options())
        thin = solve_on(mesh, 4, [(0, 1), (2, 3)], 7e-4, Options())
        for field in ("lower", "upper", "gap", "potential", "contact_potential"):
            np.testing.assert_allclose(getattr(thin, field), 7e-4 * getattr(one, field), rtol=1e-12)
        np.testing.assert_array_equal(thin.stream, one.stream)
        for side in ("potential", "stream", "mean"):
            np.testing.assert_allclose(thin.current(1, side), one.current(1, side), atol=1e-12)

    @pytest.mark.parametrize("angle", [17.0, 90.0, 143.0])
    def test_rotation_and_translation(self, angle):
        name = "contacts on edges and over holes"
        mesh = coarse_mesh(name)
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        turned = replace(mesh, points=mesh.points @ np.array([[c, s], [-s, c]]) + [30.0, -7.0])
        whole, other = solved_on(mesh, name), solved_on(turned, name)
        np.testing.assert_allclose(other.lower, whole.lower, rtol=1e-9)
        np.testing.assert_allclose(other.upper, whole.upper, rtol=1e-9)

    @pytest.mark.parametrize(
        "move",
        [
            pytest.param(lambda shape: affinity.rotate(shape, 29, origin=(1, 1)), id="rotated"),
            pytest.param(lambda shape: affinity.scale(shape, -1, 1, origin=(0, 0)), id="reflected"),
            pytest.param(lambda shape: affinity.translate(shape, 12.3, -4.5), id="moved"),
        ],
    )
    def test_drawing_moved_on_the_sheet(self, move):
        copper, contacts = DRAWINGS["board with holes"]
        here = solved(copper, contacts, [(0, 1), (2, 3)])
        there = solved(move(copper), [move(contact) for contact in contacts], [(0, 1), (2, 3)])
        assert_overlap(here, there)
        np.testing.assert_allclose(there.mid, here.mid, rtol=2e-3)

    @every_drawing
    @both_orders
    def test_result_does_not_depend_on_the_path(self, name, order, monkeypatch):
        mesh = coarse_mesh(name)
        short = solved_on(mesh, name, order)

        def detour(self, start, end):
            """Walk on a depth-first tree: long, and round other sides of the holes."""
            count, graph = len(self.mesh.triangles), self.graph
            before, stack = {count + start: None}, [count + start]
            while stack:
                node = stack.pop()
                for follower in graph.indices[graph.indptr[node] : graph.indptr[node + 1]]:
                    if int(follower) not in before:
                        before[int(follower)] = node
                        stack.append(int(follower))
            nodes = [count + end]
            while before[nodes[-1]] is not None:
                nodes.append(before[nodes[-1]])
            nodes.reverse()
            steps = [
                (here, self._edge_to(here, last), self._edge_to(here, following))
                for last, here, following in zip(nodes[:-2], nodes[1:-1], nodes[2:], strict=True)
                if here < count
            ]
            return np.array(steps)

        direct = Topology.walk
        monkeypatch.setattr(Topology, "walk", detour)
        longer = solved_on(mesh, name, order)
        assert len(longer.topology.walk(0, 1)) > len(direct(short.topology, 0, 1))
        np.testing.assert_allclose(longer.upper, short.upper, rtol=0, atol=1e-9)
        np.testing.assert_allclose(longer.current(0, "stream"), short.current(0, "stream"), atol=1e-7)


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


def strip(length, width=1.0, y=0.0):
    """Plain strip with contacts soldered across both ends."""
    return with_contacts(
        box(0, y, length, y + width), box(-0.5, y, 0, y + width), box(length, y, length + 0.5, y + width)
    )


class TestContactsThatJoin:
    def test_floating_contact_across_a_strip_takes_its_length_out(self):
        copper, ends = strip(3)
        solution = solved(copper, [*ends, box(1, -0.2, 1.6, 1.2)])
        assert solution.lower[0, 0] == pytest.approx(2.4, rel=1e-9)
        assert solution.upper[0, 0] == pytest.approx(2.4, rel=1e-9)

    def test_contact_that_bridges_a_slot_joins_two_pieces(self):
        # Copper on both sides of a gap, joined by one pad: two resistances in series, solved apart.
        left, right, bridge = box(0, 0, 1, 1), box(1.1, 0, 2.5, 1), pad(1.05, 0.4, 0.4)
        ends = [box(-0.1, 0, 0.1, 0.5), box(2.4, 0.3, 2.6, 1)]
        whole = solved(left.union(right), [*ends, bridge], [(0, 1), (0, 2), (2, 1)], accuracy=2e-3)
        one = solved(left, [ends[0], bridge], accuracy=2e-3)
        other = solved(right, [ends[1], bridge], accuracy=2e-3)
        assert one.lower[0, 0] + other.lower[0, 0] <= whole.upper[0, 0]
        assert whole.lower[0, 0] <= one.upper[0, 0] + other.upper[0, 0]
        # The parts do not know of each other: current in one piece makes no voltage in the other.
        assert whole.mid[1, 2] == pytest.approx(0, abs=1e-9)
        assert whole.mid[0, 0] == pytest.approx(whole.mid[1, 1] + whole.mid[2, 2], rel=1e-9)

    def test_contact_that_joins_a_hole_and_the_outer_edge(self):
        # Two arms of widths 1/4 and 1/2 in parallel; a floating contact across the upper shortens it by its length.
        copper, ends = strip(2)
        copper = copper.difference(box(0, 0.5, 2, 0.75))
        solution = solved(copper, [*ends, box(0.8, 0.6, 1.3, 1.1)], [(0, 1), (0, 2)])
        exact = 1 / (0.5 / 2 + 0.25 / 1.5)
        assert solution.lower[0, 0] == pytest.approx(exact, rel=1e-9)
        assert solution.upper[0, 0] == pytest.approx(exact, rel=1e-9)
        # To the floating contact, by hand: 0.8 / 0.25 directly, beside 2 / 0.5 and 0.7 / 0.25 in series.
        direct, round_about = 0.8 / 0.25, 2 / 0.5 + 0.7 / 0.25
        assert solution.mid[1, 1] == pytest.approx(direct * round_about / (direct + round_about), rel=1e-9)

    def test_contact_that_covers_a_neck(self):
        # A terminal across the whole neck: each side is a resistance of its own.
        copper = shapely.union_all([box(0, 0, 1, 1), box(1, 0.4, 2, 0.6), box(2, 0, 3, 1)])
        contacts = [pad(0.3, 0.5), box(1.3, 0.3, 1.6, 0.7), pad(2.6, 0.6)]
        solution = solved(copper, contacts, [(0, 1), (1, 2), (0, 2)], accuracy=2e-3)
        assert solution.mid[2, 2] == pytest.approx(solution.mid[0, 0] + solution.mid[1, 1], rel=1e-9)
        assert solution.mid[0, 1] == pytest.approx(0, abs=1e-9)
        alone = solved(box(0, 0, 1, 1).union(box(1, 0.4, 1.4, 0.6)), contacts[:2], accuracy=2e-3)
        assert abs(alone.mid[0, 0] - solution.mid[0, 0]) <= alone.half_width[0, 0] + solution.half_width[0, 0]

    def test_ring_contact_between_two_coaxial_ones(self):
        # No insulated edge at all: a pad, a floating ring, and a rim. In series, as two coaxial pieces.
        rim = circle(0, 0, 20, corners=96)
        contacts = [pad(0, 0, 2), circle(0, 0, 8, corners=48).difference(circle(0, 0, 6, corners=48))]
        contacts.append(rim.difference(circle(0, 0, 18, corners=96)))
        solution = solved(rim, contacts, [(0, 2), (0, 1), (1, 2)], accuracy=2e-3)
        exact = (math.log(3 / 1) + math.log(9 / 4)) / (2 * math.pi)
        # Twelve corners of equal area stand for the round pad to 2e-4 of its own logarithm.
        assert solution.mid[0, 0] == pytest.approx(exact, rel=1e-3)
        assert solution.mid[0, 0] == pytest.approx(solution.mid[1, 1] + solution.mid[2, 2], rel=1e-9)

    def test_contact_over_a_whole_hole_hides_it(self):
        board, contacts = box(0, 0, 2, 1.6), [pad(0.5, 0.5, 0.4), pad(1.5, 1.1, 0.4)]
        solid = solved(board, contacts)
        drilled = solved(board.difference(pad(0.5, 0.5, 0.2)), contacts)
        assert_overlap(solid, drilled)
        assert drilled.mid[0, 0] == pytest.approx(solid.mid[0, 0], rel=1e-4)

    @pytest.mark.parametrize("x", [0.8, 0.9, 1.0])
    def test_contact_on_the_rim_of_a_hole(self, x):
        # More and more of the pad over the hole; a finer mesh and scikit-fem's own solution say the same.
        copper, contacts = box(0, 0, 2, 1.6).difference(box(0.9, 0.5, 1.3, 1.0)), [pad(x, 0.7, 0.3), pad(1.7, 0.7)]
        solution = solved(copper, contacts)
        assert_overlap(solution, solved(copper, contacts, accuracy=2e-4))
        np.testing.assert_allclose(solution.lower, resistance_of(conductance(solution.mesh, 2), [(0, 1)]), rtol=1e-8)


class TestPiecesAndPinches:
    def test_two_separate_pieces_do_not_couple(self):
        one, ends = strip(3)
        other, more_ends = strip(1, y=2)
        solution = solved(one.union(other), [*ends, *more_ends], [(0, 1), (2, 3)])
        np.testing.assert_allclose(solution.lower, [[3, 0], [0, 1]], atol=1e-9)
        np.testing.assert_allclose(solution.upper, [[3, 0], [0, 1]], atol=1e-9)

    def test_a_loop_between_separate_pieces_is_an_error(self):
        one, ends = strip(3)
        other, more_ends = strip(1, y=2)
        with pytest.raises(ValueError, match=r"contact 0 to contact 2\. They lie on unconnected"):
            solve(Plane(one.union(other), [*ends, *more_ends]), [(0, 2)], 1.0)

    def test_copper_without_a_contact_is_left_out(self):
        one, ends = strip(3)
        solution = solved(one.union(box(0, 5, 9, 9)), ends)
        assert solution.mesh.areas.sum() == pytest.approx(3, rel=1e-12)
        assert solution.mid[0, 0] == pytest.approx(3, rel=1e-9)

    def test_copper_that_meets_in_a_point_does_not_conduct(self):
        copper = box(0, 0, 1, 1).union(box(1, 1, 2, 2))
        with pytest.raises(ValueError, match="unconnected"):
            solve(Plane(copper, [pad(0.3, 0.3), pad(1.6, 1.6)]), [(0, 1)], 1.0)

    def test_touching_cutouts_block_an_arm(self):
        # Two arms; diamonds that touch each other and both edges in single points close the upper one.
        copper, ends = strip(2)
        copper = copper.difference(box(0, 0.5, 2, 0.6))
        diamonds = [Polygon([(1, y - 0.1), (1.1, y), (1, y + 0.1), (0.9, y)]) for y in (0.7, 0.9)]
        blocked = copper.difference(shapely.union_all(diamonds))
        solution = solved(blocked, ends)
        assert solution.lower[0, 0] == pytest.approx(4, rel=1e-9)
        assert solution.upper[0, 0] == pytest.approx(4, rel=1e-9)
        # And without the upper diamond it conducts.
        assert solved(copper.difference(diamonds[0]), ends).upper[0, 0] < 3.9

    @pytest.mark.parametrize("cut", [0.0, 1e-4])
    def test_holes_that_touch_are_one_hole(self, cut):
        # Holes corner to corner across the current, and the same with the last neck cut through: no difference.
        copper, ends = strip(3)
        holes = [Polygon([(1.5, y - 0.2), (1.7, y), (1.5, y + 0.2), (1.3, y)]) for y in (0.3, 0.7)]
        joint = box(1.5 - cut, 0.5 - cut, 1.5 + cut, 0.5 + cut) if cut else Polygon()
        solution = solved(copper.difference(shapely.union_all([*holes, joint])), ends, accuracy=1e-3)
        right = [(1.5, 0.1), (1.7, 0.3), (1.50005, 0.5), (1.7, 0.7)]
        one = Polygon([*right, *((3 - x, 1 - y) for x, y in right)])  # the joint is 0.1 mm wide in a strip of 1 m
        reference = solved(copper.difference(one), ends, accuracy=1e-3)
        assert solution.mid[0, 0] == pytest.approx(reference.mid[0, 0], rel=5e-4)
        apart = solved(copper.difference(shapely.union_all([affinity.scale(h, 0.9, 0.9) for h in holes])), ends)
        assert apart.upper[0, 0] < solution.lower[0, 0]

    def test_hole_that_touches_the_outline(self):
        # A triangle whose tip touches the edge cuts that side off, as a notch does.
        copper, ends = strip(3)
        tip = Polygon([(1.2, 0.5), (1.8, 0.5), (1.5, 1.0)])
        notch = Polygon([(1.2, 0.5), (1.8, 0.5), (1.5001, 1.0), (1.4999, 1.0)])
        short = Polygon([(1.2, 0.5), (1.8, 0.5), (1.5, 0.95)])
        touching, notched, free = (solved(copper.difference(cut), ends, accuracy=1e-3) for cut in (tip, notch, short))
        assert touching.mid[0, 0] == pytest.approx(notched.mid[0, 0], rel=5e-4)
        assert free.upper[0, 0] < touching.lower[0, 0]

    def test_contact_outside_the_copper_is_an_error(self):
        copper, ends = strip(3)
        with pytest.raises(ValueError, match=r"contact 0 to contact 2\. They lie on unconnected"):
            solve(Plane(copper, [*ends, box(5, 5, 6, 6)]), [(0, 2)], 1.0)


class TestContactsOfSeveralParts:
    """The vias of one pin: joined outside the copper, so one potential, and current may pass from part to part."""

    def test_strips_joined_by_contacts_of_two_parts(self):
        (one, a), (other, b) = strip(2, 0.5), strip(3, 1.0, y=2)
        ends = [MultiPolygon([a[0], b[0]]), MultiPolygon([a[1], b[1]])]
        solution = solved(one.union(other), ends)
        exact = 1 / (0.5 / 2 + 1 / 3)
        assert solution.lower[0, 0] == pytest.approx(exact, rel=1e-9)
        assert solution.upper[0, 0] == pytest.approx(exact, rel=1e-9)

    def test_current_that_circulates_through_both_contacts(self):
        # A ring of four arms: from the middle of one strip to the middle of the other, both ways round.
        (one, a), (other, b) = strip(2.2), strip(2.2, y=2)
        contacts = [MultiPolygon([a[0], b[0]]), MultiPolygon([a[1], b[1]])]
        contacts += [box(0.5, -0.1, 0.7, 1.1), box(1.4, 1.9, 1.6, 3.1)]
        solution = solved(one.union(other), contacts, [(2, 3)])
        left, right = 0.5 + 1.4, 1.5 + 0.6
        assert solution.lower[0, 0] == pytest.approx(left * right / (left + right), rel=1e-9)
        assert solution.upper[0, 0] == pytest.approx(left * right / (left + right), rel=1e-9)

    def test_two_pads_of_one_contact_share_the_current_by_symmetry(self):
        # Mirrored about the middle of the strip: half of the strip with one pad, at half the resistance.
        (whole, ends), (half, half_ends) = strip(3), strip(3, 0.5)
        two = solved(whole, [ends[0], MultiPolygon([pad(2, 0.2), pad(2, 0.8)])], accuracy=2e-3)
        one = solved(half, [half_ends[0], pad(2, 0.2)], accuracy=2e-3)
        assert two.mid[0, 0] == pytest.approx(one.mid[0, 0] / 2, rel=1e-4)

    def test_floating_contact_of_two_pads_shorts_them(self):
        copper, ends = strip(3)
        apart = solved(copper, [*ends, pad(1, 0.5), pad(2, 0.5)])
        joined = solved(copper, [*ends, MultiPolygon([pad(1, 0.5), pad(2, 0.5)])])
        assert joined.upper[0, 0] < apart.lower[0, 0]
        assert_overlap(joined, solved(copper, [*ends, MultiPolygon([pad(1, 0.5), pad(2, 0.5)])], accuracy=1e-3))

    def test_two_equal_pieces_joined_by_pads_halve_the_resistance(self):
        boards = [box(0, y, 2, y + 1) for y in (0, 2)]
        pads = [MultiPolygon([pad(x, 0.4), pad(x, 2.4)]) for x in (0.5, 1.5)]
        both = solved(boards[0].union(boards[1]), pads, accuracy=2e-3)
        one = solved(boards[0], [pad(0.5, 0.4), pad(1.5, 0.4)], accuracy=2e-3)
        assert both.mid[0, 0] == pytest.approx(one.mid[0, 0] / 2, rel=1e-4)


class TestConvergence:
    """Width of the bracket against the number of triangles N."""

    @staticmethod
    def uniform(copper, contacts, order, start, levels):
        mesh = Mesher(Plane(copper, contacts)).uniform(start)
        counts, widths = [], []
        for level in range(levels):
            if level:
                mesh = red_refined(mesh)
            solution = solve_on(mesh, len(contacts), [(0, 1)], 1.0, Options(order=order))
            counts.append(1 / len(mesh.triangles))
            widths.append(float(solution.upper[0, 0] - solution.lower[0, 0]))
        return counts, widths

    @pytest.mark.parametrize(("order", "ceiling"), [(1, 5e-3), (2, 1e-5)])
    def test_graded_meshes_reach_the_order_whatever_the_corners(self, order, ceiling):
        # Right-angle bend. Meshes graded to the corner as r^(1 - 2/3/(order + 1)) are as good as for smooth fields;
        # a curved map of a uniform mesh, so that every level has the same shape.
        counts, widths = [], []
        for pieces in (6, 12, 24):
            solution = graded_bend(pieces, order)
            counts.append(1 / len(solution.mesh.triangles))
            widths.append(float(solution.upper[0, 0] - solution.lower[0, 0]))
        assert_order(counts, widths, order=order, margin=0.12, ceiling=ceiling)

    @both_orders
    def test_uniform_meshes_stop_at_the_exponent_of_a_right_angled_corner(self, order):
        # The field goes as r^(2/3 - 1) at a re-entrant right angle: width as h^(4/3), N^(-2/3).
        copper, contacts = with_contacts(box(0, 0, 2, 1).union(box(0, 0, 1, 2)), box(2, 0, 3, 1), box(0, 2, 1, 3))
        counts, widths = self.uniform(copper, contacts, order, 0.5, 5)
        assert_order(counts[1:], widths[1:], order=2 / 3, margin=0.06, ceiling=0.02)

    @both_orders
    def test_uniform_meshes_stop_at_the_exponent_of_a_contact_that_ends_on_a_straight_edge(self, order):
        # As at the tip of a cut: r^(1/2 - 1), width as h, N^(-1/2).
        copper, contacts = with_contacts(box(0, 0, 1, 1), box(1, 0, 2, 1), box(-1, 0.5, 0, 1))
        counts, widths = self.uniform(copper, contacts, order, 0.5, 5)
        assert_order(counts[1:], widths[1:], order=1 / 2, margin=0.05, ceiling=0.07)

    def test_adapted_meshes_reach_the_order_whatever_the_corners(self):
        # The same contact that ends on a straight edge, refined by the local gap: N^-2 and not N^(-1/2).
        copper, contacts = with_contacts(box(0, 0, 1, 1), box(1, 0, 2, 1), box(-1, 0.5, 0, 1))
        counts, widths = [], []
        # From where the refinement has overtaken the grading of the first mesh.
        for accuracy in (1e-5, 3e-6, 1e-6, 3e-7):
            solution = solved(copper, contacts, accuracy=accuracy)
            counts.append(1 / len(solution.mesh.triangles))
            widths.append(float(solution.upper[0, 0] - solution.lower[0, 0]))
        assert_order(counts, widths, order=2, margin=0.2, ceiling=3e-6)


def graded_bend(pieces, order):
    """Right-angle bend on a structured mesh of three unit squares that is graded to the re-entrant corner (0, 0)."""
    power = 3.0 if order == 1 else 4.5  # > order / (2/3), so that the corner costs no more than the rest
    n = pieces
    index = {}
    points, triangles, rims, owner = [], [], [], []

    def vertex(x, y):
        key = (round(x * 1e9), round(y * 1e9))
        if key not in index:
            index[key] = len(points)
            points.append((x, y))
        return index[key]

    def graded(i, j):
        # Rays from the corner, at steps that shrink towards it.
        r = (max(i, j) / n) ** power
        return (r * i / max(i, j, 1), r * j / max(i, j, 1))

    for sx, sy in ((-1, 1), (-1, -1), (1, -1)):
        for i in range(n):
            for j in range(n):
                square = (graded(i, j), graded(i + 1, j), graded(i + 1, j + 1), graded(i, j + 1))
                a, b, c, d = (vertex(sx * x, sy * y) for x, y in square)
                cut = [(a, b, c), (a, c, d)]
                triangles += [t if sx * sy > 0 else t[::-1] for t in cut]
    points = np.array(points)
    triangles = np.array(triangles)
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2)
    for contact, (axis, value) in enumerate(((1, 1.0), (0, 1.0))):
        on = np.all(np.isclose(points[ends][..., axis], value), axis=2)
        tri, k = np.nonzero(on)
        rims.append(np.column_stack([tri, k]))
        owner.append(np.full(len(tri), contact))
    no_regions = np.zeros((0, len(triangles)), dtype=bool)
    mesh = Mesh(points, triangles, np.concatenate(rims), np.concatenate(owner), no_regions)
    assert np.all(mesh.areas > 0)
    return solve_on(mesh, 2, [(0, 1)], 1.0, Options(order=order))
