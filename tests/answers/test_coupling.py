"""
From fields to what a reviewer asks: every figure against an exact value, or by a second route.

Sheet resistance 1 unless said otherwise: resistances are in squares, and 1 A in a strip of unit width is 1 A/m.
"""

import functools
import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import example, given
from hypothesis import strategies as st
from shapely import LineString, Polygon, box

from judges import section_flux
from returnflow.answers import coupling
from returnflow.answers.contours import streamlines
from returnflow.answers.coupling import (
    Flow,
    carrying_triangles,
    coupling_density,
    peak_current,
    region_shares,
    section_currents,
)
from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.model.shapes import circle, slot

EXACT = 1e-9


def with_contacts(copper, *contacts):
    return shapely.union_all([copper, *contacts]), list(contacts)


def strip(length=4.0, width=1.0, *more, cut=None):
    """Strip from x = 0 to `length` with contacts soldered across both ends, and more contacts on it."""
    ends = box(-1, 0, 0, width), box(length, 0, length + 1, width)
    copper, contacts = with_contacts(box(0, 0, length, width), *ends)
    return copper.difference(cut) if cut else copper, [*contacts, *more]


def solved(copper, contacts, loops=((0, 1),), *, size=0.3, order=2, sheet=1.0, regions=(), sections=()):
    mesh = Mesher(Plane(copper, contacts, regions, [LineString(path) for path in sections])).uniform(size)
    return solve_on(mesh, len(contacts), loops, sheet, Options(order=order))


def shares(solution, copper, contacts, regions):
    return region_shares(solution, Plane(copper, contacts, regions).contact_inside())


def shared(copper, contacts, *regions, loops=((0, 1),), **options):
    """Share of each region of the first loop's current."""
    return shares(solved(copper, contacts, loops, regions=regions, **options), copper, contacts, regions)[:, 0]


def pad(x, y, diameter=0.2):
    return circle(x, y, diameter, corners=12)


@functools.cache
def board():
    """Board with a slot from its lower edge; two loops that share copper, one that reverses the first."""
    copper = box(0, 0, 3, 2).difference(slot([(1.5, 0), (1.5, 1.2)], 0.05))
    contacts = [pad(0.5, 0.5), pad(2.5, 0.5), pad(0.4, 1.6), pad(2.6, 1.5)]
    regions = [box(0.7, 1.3, 2.3, 1.9), box(1.0, 0.2, 1.4, 1.0), box(1.1, 0.8, 1.9, 1.7)]
    sections = [[(1.5, 1.2), (1.5, 2)], [(1.1, 0), (1.1, 2)], [(1.9, 0), (2.2, 2)]]
    solution = solved(copper, contacts, [(0, 1), (2, 3), (1, 0)], size=0.15, regions=regions, sections=sections)
    return solution, copper, contacts, regions


class TestSections:
    @pytest.mark.parametrize(
        ("path", "current"),
        [
            pytest.param([(2, 0), (2, 1)], 1.0, id="upward: left to right is along the current"),
            pytest.param([(2, 1), (2, 0)], -1.0, id="downward"),
            pytest.param([(2, 0.25), (2, 0.6)], 0.35, id="part of the width"),
            pytest.param([(1, 0.1), (3, 0.4)], 0.3, id="oblique: its width across the current counts"),
            pytest.param([(1, 0.5), (3, 0.5)], 0.0, id="along the current"),
            pytest.param([(1, 0.2), (2, 0.9), (3, 0.4)], 0.2, id="there and partly back"),
            pytest.param([(2, -1), (2, 0.5)], 0.5, id="from outside the copper"),
            pytest.param([(2, 5), (2, 6)], 0.0, id="wholly outside"),
        ],
    )
    @pytest.mark.parametrize("order", [1, 2])
    def test_uniform_strip_carries_what_lies_across(self, path, current, order):
        found = section_currents(solved(*strip(), sections=[path], order=order))
        assert found[0, 0] == pytest.approx(current, abs=EXACT)

    def test_every_cut_between_the_ends_carries_the_loop_s_whole_current(self):
        solution, *_ = board()
        # Loops 0 and 1 run to the right, 2 is loop 0 reversed; every section runs upward.
        np.testing.assert_allclose(section_currents(solution), np.tile([1.0, 1.0, -1.0], (3, 1)), atol=EXACT)

    def test_it_is_the_integral_of_the_normal_current(self):
        copper, contacts = strip(4, 1, cut=box(1.8, 0, 2.2, 0.5))
        paths = [[(1, 0), (1, 0.4)], [(2, 0.5), (2, 0.7)], [(3, 1), (3, 0.3)]]
        solution = solved(copper, contacts, sections=paths)
        for number, current in enumerate(section_currents(solution)[:, 0]):
            assert current == pytest.approx(section_flux(solution, number, 0, "stream"), abs=EXACT)


class TestShares:
    @pytest.mark.parametrize(
        ("region", "share"),
        [
            pytest.param(box(1, 0.2, 2, 0.6), 0.4, id="rectangle: part of the width"),
            pytest.param(box(1, 0, 3, 1), 1.0, id="whole width"),
            pytest.param(box(1, -1, 3, 0.25), 0.25, id="over the edge of the copper"),
            pytest.param(Polygon([(2, 0.2), (2.3, 0.5), (2, 0.8), (1.7, 0.5)]), 0.6, id="diamond: its widest place"),
            pytest.param(box(1, 2, 2, 3), 0.0, id="off the copper"),
            pytest.param(box(1, 0.2, 2, 0.4).union(box(2.5, 0.7, 3, 0.9)), 0.4, id="two parts side by side"),
            # A streamline that enters twice counts twice.
            pytest.param(box(1, 0.2, 2, 0.4).union(box(2.5, 0.2, 3, 0.4)), 0.4, id="two parts in line"),
        ],
    )
    @pytest.mark.parametrize("order", [1, 2])
    def test_uniform_strip(self, region, share, order):
        assert shared(*strip(), region, order=order)[0] == pytest.approx(share, abs=EXACT)

    def test_a_current_that_passes_twice_counts_twice(self):
        # There and back through a hairpin; the region lies across both legs.
        hairpin = box(0, 0, 4, 1).union(box(3, 0, 4, 3)).union(box(0, 2, 4, 3))
        copper, contacts = with_contacts(hairpin, box(-1, 0, 0, 1), box(-1, 2, 0, 3))
        assert shared(copper, contacts, box(0.5, -0.5, 1.5, 3.5), box(0.5, 0, 1.5, 1)) == pytest.approx(
            [2, 1], rel=1e-6
        )

    @pytest.mark.parametrize(
        "region", [box(-2, -1, 0.5, 2), box(3.5, 0.4, 6, 0.6), box(-2, -1, 6, 2)], ids=["inject", "return", "both"]
    )
    def test_it_is_one_where_the_loop_ends_inside(self, region):
        assert shared(*strip(), region)[0] == 1.0

    def test_it_is_one_for_the_loops_that_end_inside_and_no_other(self):
        copper, contacts = strip(4, 1, pad(1.0, 0.3), pad(3.0, 0.6))
        regions = [box(0.8, 0.1, 1.2, 0.5)]
        solution = solved(copper, contacts, [(0, 1), (2, 3), (3, 2)], regions=regions)
        first, second, third = shares(solution, copper, contacts, regions)[0]
        assert second == third == 1.0
        assert 0.3 < first < 0.6

    def test_region_over_a_cutout_counts_the_copper_it_covers(self):
        # Two arms of 0.4 and 0.5 of the width, apart over the whole length: they share as their widths.
        copper, contacts = strip(cut=box(0, 0.4, 4, 0.5))
        regions = box(1, 0.45, 2, 1), box(1, 0.2, 2, 0.48), box(1, 0.41, 2, 0.49)
        assert shared(copper, contacts, *regions) == pytest.approx([5 / 9, 2 / 9, 0], abs=EXACT)

    def test_border_through_a_contact_takes_it_in_whole_or_not_at_all(self):
        # An end contact with its centre outside: what it injects through the cut is traffic.
        assert shared(*strip(), box(-0.3, 0.5, 0.5, 1))[0] == pytest.approx(0.5, abs=EXACT)
        # A contact across the strip with its centre inside: the current enters before it and leaves behind it.
        across = box(1.2, -0.2, 1.6, 1.2)
        assert shared(*strip(4, 1, across), box(1, 0, 1.5, 1))[0] == pytest.approx(1, abs=EXACT)
        # With its centre outside it is left out, and all current still crosses what remains.
        assert shared(*strip(4, 1, across), box(1, 0, 1.3, 1))[0] == pytest.approx(1, abs=EXACT)
        # Lower half with the contact taken in whole: the current that enters its upper half leaves it there.
        lower = shared(*strip(4, 1, across), box(1, 0, 1.5, 0.55))[0]
        assert lower == pytest.approx(1, abs=EXACT)

    def test_it_is_half_of_the_traffic_across_the_border_by_dense_sampling(self):
        solution, copper, contacts, regions = board()
        found = shares(solution, copper, contacts, regions)
        s = (np.arange(400) + 0.5) / 400
        for number, border in enumerate(solution.mesh.region_borders):
            tri, k = border.T
            corners = solution.mesh.points[solution.mesh.triangles[tri]]
            row = np.arange(len(tri))
            step = corners[row, (k + 1) % 3] - corners[row, k]
            for loop in range(len(solution.loops)):
                K = solution.current(loop, "stream")
                along = K[tri, k, None] * (1 - s[:, None]) + K[tri, (k + 1) % 3, None] * s[:, None]
                normal = along[..., 0] * step[:, None, 1] - along[..., 1] * step[:, None, 0]
                assert found[number, loop] == pytest.approx(0.5 * np.sum(np.mean(np.abs(normal), axis=1)), abs=1e-6)

    def test_traffic_and_the_sections_round_a_region(self):
        # Net currents through the four sides: what enters leaves, and the share is at least what enters on balance.
        copper, contacts = strip(4, 1, cut=box(1.8, 0, 2.2, 0.5))
        x0, y0, x1, y1 = 1.0, 0.2, 1.6, 0.8
        corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
        sides = [list(pair) for pair in itertools.pairwise(corners)]
        regions = [box(x0, y0, x1, y1)]
        solution = solved(copper, contacts, regions=regions, sections=sides)
        # Counter-clockwise: from the left to the right is outward.
        outward = section_currents(solution)[:, 0]
        assert np.sum(outward) == pytest.approx(0, abs=EXACT)
        entering, share = 0.5 * np.sum(np.abs(outward)), shares(solution, copper, contacts, regions)[0, 0]
        # The slot lifts the flow: all of it crosses each side one way, so both routes agree.
        assert share == pytest.approx(entering, abs=1e-6)
        assert outward[2] > 0.05

    def test_streamlines_are_tubes_of_equal_current(self):
        solution, *_ = board()
        tubes = 20
        for loop in (0, 1):
            lines = shapely.linestrings(streamlines(solution.mesh, solution.stream[loop], tubes))
            for path in ([(1.5, 1.2), (1.5, 2)], [(1.1, 0), (1.1, 2)]):
                # Just beside the section, where pieces do not end.
                cut = LineString([(x + 1e-4, y) for x, y in path])
                assert int(np.sum(shapely.intersects(lines, cut))) == tubes


class TestComplexFlow:
    def flow(self, factor):
        copper, contacts = strip(4, 1, cut=box(1.8, 0, 2.2, 0.5))
        regions = [box(1.0, 0.2, 1.6, 0.8), box(-2, 0, 0.5, 1)]
        solution = solved(copper, contacts, order=1, regions=regions, sections=[[(2, 0.5), (2, 0.7)]])
        inside = Plane(copper, contacts, regions).contact_inside()
        return solution, Flow(solution.mesh, 1, solution.loops, factor * np.asarray(solution.stream)), inside

    def test_a_factor_turns_sections_and_scales_shares(self):
        factor = 0.3 - 0.4j
        solution, flow, inside = self.flow(factor)
        assert section_currents(flow) == pytest.approx(factor * section_currents(solution), abs=EXACT)
        assert section_currents(flow).dtype == complex
        real, turned = region_shares(solution, inside)[:, 0], region_shares(flow, inside)[:, 0]
        assert turned[0] == pytest.approx(0.5 * real[0], abs=EXACT)
        assert real[1] == turned[1] == 1.0

    def test_parts_in_quadrature_add_in_the_mean_square(self):
        # Strip with 0.6 A in phase and 0.8 A in quadrature, uniform: 1 A altogether.
        copper, contacts = strip()
        regions = [box(1, 0.2, 2, 0.6)]
        solution = solved(copper, contacts, order=1, regions=regions)
        flow = Flow(solution.mesh, 1, solution.loops, (0.6 + 0.8j) * np.asarray(solution.stream))
        assert shares(flow, copper, contacts, regions)[0, 0] == pytest.approx(0.4, abs=EXACT)

    def test_a_solution_and_its_flow_say_the_same(self):
        solution, copper, contacts, regions = board()
        flow = Flow(solution.mesh, 2, solution.loops, solution.stream)
        np.testing.assert_array_equal(section_currents(flow), section_currents(solution))
        inside = Plane(copper, contacts, regions).contact_inside()
        np.testing.assert_array_equal(region_shares(flow, inside), region_shares(solution, inside))
        assert section_currents(flow).dtype == float


sizes = st.floats(-10, 10)


class TestVariation:
    @given(sizes, sizes, sizes)
    @example(0.0, 1.0, 0.0)  # turns in the middle
    @example(0.0, -1.0, 1.0)
    @example(1.0, 0.2, 0.0)  # turns past the middle
    @example(0.0, 0.5, 1.0)  # straight
    @example(3.0, 3.0, 3.0)
    @example(0.0, 0.75, 1.0)  # turns exactly at the end
    def test_quadratic_against_dense_sampling(self, a, m, b):
        s = np.linspace(0, 1, 4001)
        values = a * (1 - s) * (1 - 2 * s) + 4 * m * s * (1 - s) + b * s * (2 * s - 1)
        sampled = float(np.sum(np.abs(np.diff(values))))
        found = float(coupling.total_variation(np.array([[a, m, b]]))[0])
        assert sampled - 1e-9 <= found <= sampled + 1e-5

    @given(sizes, sizes)
    def test_linear_edge_is_its_step(self, a, b):
        assert coupling.total_variation(np.array([a, b])) == abs(b - a)


# Coaxial contacts: K = I / (2 pi r), largest at the inner rim.
INNER, OUTER = 1e-3, 6e-3


@functools.cache
def coaxial(rim_edge):
    corners = 2 * math.ceil(math.pi * INNER / rim_edge)
    disc = circle(0, 0, 2 * OUTER, corners=96)
    ring = disc.difference(circle(0, 0, 1.8 * OUTER, corners=96))
    plane = Plane(disc, [circle(0, 0, 2 * INNER, corners=corners), ring])
    return solve(plane, [(0, 1)], 5e-4, Options(accuracy=2e-3))


def slotted(width, accuracy):
    """Board of 20 x 10 mm, cut by a slot from its upper edge between two pads."""
    copper = box(0, 0, 20e-3, 10e-3).difference(box(10e-3 - width / 2, 4e-3, 10e-3 + width / 2, 10e-3))
    contacts = [circle(x, 8e-3, 1e-3, corners=16) for x in (3e-3, 17e-3)]
    return solve(Plane(copper, contacts), [(0, 1)], 5e-4, Options(accuracy=accuracy))


class TestPeak:
    def test_disc_between_concentric_contacts(self):
        peak = peak_current(coaxial(20e-6), 0)
        # Mean of 1/(2 pi r) over the half disc of the patch that lies on copper.
        rim = 1 / (2 * math.pi * INNER)
        patch = 1 / (2 * math.pi * (INNER + 4 * 0.05e-3 / (3 * math.pi)))
        assert peak.value == pytest.approx(patch, rel=0.01)
        assert peak.value < rim
        assert INNER < math.hypot(peak.x, peak.y) < INNER + 0.05e-3

    def test_patch_is_what_it_is_averaged_over(self):
        # A patch of 0.6 mm, in polar coordinates about a place on the rim.
        radius = 0.3e-3
        r, angle = np.meshgrid((np.arange(400) + 0.5) / 400 * radius, (np.arange(400) + 0.5) / 400 * 2 * np.pi)
        distance = np.hypot(INNER + r * np.cos(angle), r * np.sin(angle))
        weight = r * (distance > INNER)
        exact = np.sum(weight / (2 * math.pi * distance)) / np.sum(weight)
        assert peak_current(coaxial(20e-6), 0, 2 * radius).value == pytest.approx(exact, rel=0.01)

    @pytest.mark.parametrize("edge", [30e-6, 40e-6])
    def test_independent_of_the_mesh(self, edge):
        assert peak_current(coaxial(edge), 0).value == pytest.approx(peak_current(coaxial(20e-6), 0).value, rel=0.01)

    def test_slot_corner_has_a_peak_where_the_sheet_model_has_none(self):
        # The largest value itself grows with every refinement; its average over the patch does not.
        coarse, fine = (slotted(width=0.5e-3, accuracy=a) for a in (1e-4, 2e-5))
        peaks = [peak_current(solution, 0) for solution in (coarse, fine)]
        assert peaks[0].value == pytest.approx(peaks[1].value, rel=0.01)
        for peak in peaks:
            assert peak.y == pytest.approx(4e-3, abs=0.05e-3)
            assert abs(peak.x - 10e-3) == pytest.approx(0.25e-3, abs=0.05e-3)
        largest = [np.max(np.linalg.norm(solution.current(0), axis=2)) for solution in (coarse, fine)]
        assert largest[1] > 1.25 * largest[0]

    def test_slot_corner_at_the_default_accuracy(self):
        found, fine = (peak_current(slotted(width=0.5e-3, accuracy=a), 0).value for a in (1e-2, 1e-4))
        assert found == pytest.approx(fine, rel=0.03)

    def test_it_is_per_ampere_and_knows_its_loop(self):
        copper, contacts = strip(4e-2, 1e-2)
        solution = solved(copper, [*contacts, box(0.01, 0, 0.011, 0.01)], [(0, 1), (0, 2)], size=2e-3)
        assert peak_current(solution, 0).value == pytest.approx(100, rel=EXACT)
        assert peak_current(solution, 1).x < 0.01


class TestCouplingMap:
    def test_its_integral_is_the_mid_transfer_resistance(self):
        solution, *_ = board()
        areas = solution.mesh.areas
        for i in range(3):
            for j in range(3):
                total = float(np.sum(coupling_density(solution, i, j) * areas))
                assert total == pytest.approx(solution.mid[i, j], abs=EXACT * solution.mid[0, 0])

    def test_uniform_strip(self):
        # Sheet resistance times one ampere per unit width, squared; negative where the currents oppose.
        solution = solved(*strip(4, 2), [(0, 1), (1, 0)], sheet=3.0)
        np.testing.assert_allclose(coupling_density(solution, 0, 0), 0.75, rtol=EXACT)
        np.testing.assert_allclose(coupling_density(solution, 0, 1), -0.75, rtol=EXACT)

    def test_currents_at_right_angles_do_not_couple(self):
        # A square fed from left to right and from bottom to top: zero altogether, and of both signs within.
        copper, contacts = with_contacts(
            box(0, 0, 1, 1), box(-1, 0.4, 0, 0.6), box(1, 0.4, 2, 0.6), box(0.4, -1, 0.6, 0), box(0.4, 1, 0.6, 2)
        )
        solution = solved(copper, contacts, [(0, 1), (2, 3)], size=0.1)
        density = coupling_density(solution, 0, 1)
        areas = solution.mesh.areas
        assert np.sum(density * areas) == pytest.approx(0, abs=1e-3 * np.sum(np.abs(density) * areas))
        assert np.min(density) < -0.1 < 0.1 < np.max(density)

    def test_only_the_copper_both_use_couples(self):
        # Contacts across the strip at 1 and at 2: the loop between them uses that square and no other.
        bonds = box(0.9, -0.1, 1, 1.1), box(2, -0.1, 2.1, 1.1)
        solution = solved(*strip(4, 1, *bonds), [(0, 1), (2, 3)])
        density = coupling_density(solution, 0, 1)
        x = solution.mesh.points[solution.mesh.triangles].mean(axis=1)[:, 0]
        between = (x > 1) & (x < 2)
        np.testing.assert_allclose(density[between], 1, rtol=EXACT)
        np.testing.assert_allclose(density[~between], 0, atol=EXACT)
        # Carrying area: nine tenths of that square, to a triangle.
        areas = solution.mesh.areas
        carrying = carrying_triangles(density, areas)
        assert not np.any(carrying & ~between)
        assert 0.9 - EXACT <= np.sum(areas[carrying]) < 0.9 + np.max(areas)
