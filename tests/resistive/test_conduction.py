"""
What every resistive solution must obey, whatever the board; and boards of every topology with a known answer.

Sheet resistance 1: resistances are in squares.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, affinity, box

from judges import (
    assert_order,
    assert_overlap,
    assert_sound,
    assert_tightened,
    red_refined,
)
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
