"""The judges must reject what they exist to reject."""

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, box

from judges import (
    assert_bracketed,
    assert_falling,
    assert_order,
    assert_overlap,
    assert_sound,
    assert_squeezed,
    assert_tightened,
    circumscribed,
    conductance,
    contact_current,
    extrapolated,
    inscribed,
    red_refined,
    resistance_of,
    section_current,
    section_flux,
    without,
)
from returnflow.resistive.conduction import solve_on
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Mesher, Plane

SIZES = [0.4, 0.2, 0.1, 0.05]


@pytest.fixture(scope="module")
def strip():
    """Two squares of copper with a half-wide contact at the left: a bracket that is not empty."""
    plane = Plane(
        box(-1, 0, 3, 1),
        [box(-1, 0, 0, 1), box(2, 0.5, 3, 1)],
        sections=[LineString([(1, 0), (1, 1)]), LineString([(1, 1), (1, 0)])],
    )
    # The contact at the right covers half the width; the copper behind it is cut off.
    plane = replace(plane, copper=box(-1, 0, 2, 1).union(box(2, 0.5, 3, 1)))
    return Mesher(plane).uniform(0.3)


@pytest.fixture(scope="module")
def solved(strip):
    return solve_on(strip, 2, [(0, 1)], 1.0, Options())


class TestOrder:
    @pytest.mark.parametrize("true_order", [-2.0, 0.0, 0.1, 1.0, 1.8, 2.2, 3.0])
    def test_rejects_other_orders(self, true_order):
        with pytest.raises(AssertionError, match="observed order"):
            assert_order(SIZES, [h**true_order for h in SIZES], order=2, margin=0.1, ceiling=1e9)

    def test_rejects_a_last_error_above_the_ceiling(self):
        with pytest.raises(AssertionError, match="ceiling"):
            assert_order(SIZES, [h**2 for h in SIZES], order=2, margin=0.1, ceiling=0.05**2)

    @pytest.mark.parametrize("bad", [0.0, -1e-3, float("nan")])
    def test_rejects_errors_that_are_no_errors(self, bad):
        with pytest.raises(AssertionError, match="must be positive"):
            assert_order(SIZES, [0.1, 0.01, bad, 0.001], order=2, margin=9, ceiling=1)

    def test_accepts_its_own_order(self):
        assert_order(SIZES, [h**2 for h in SIZES], order=2, margin=0.01, ceiling=0.0026)


class TestFalling:
    @pytest.mark.parametrize("errors", [[1, 0.5, 0.5], [1, 0.1, 0.2], [0.1, -0.2, 0.05], [1, float("nan"), 0.01]])
    def test_rejects_a_step_that_does_not_fall(self, errors):
        with pytest.raises(AssertionError, match="do not fall"):
            assert_falling(errors, last=9)

    def test_rejects_a_large_last_error(self):
        with pytest.raises(AssertionError, match="not below"):
            assert_falling([1, 0.5, -0.25], last=0.2)

    def test_accepts_falling_errors_of_either_sign(self):
        assert_falling([1, -0.5, 0.25], last=0.3)


class TestBracket:
    def test_accepts_a_value_inside(self, solved):
        assert_bracketed(solved, float(solved.mid[0, 0]), mid=1e-6)

    @pytest.mark.parametrize("factor", [0.5, 2.0, -1.0])
    def test_rejects_a_value_outside(self, solved, factor):
        with pytest.raises(AssertionError, match="outside"):
            assert_bracketed(solved, factor * float(solved.mid[0, 0]), mid=10)

    @pytest.mark.parametrize("side", [-1, 1])
    def test_rejects_a_value_just_outside(self, solved, side):
        value, half = float(solved.mid[0, 0]), float(solved.half_width[0, 0])
        with pytest.raises(AssertionError, match="outside"):
            assert_bracketed(solved, value + side * 1.01 * half, mid=10)

    def test_rejects_a_value_inside_but_too_far_from_the_middle(self, solved):
        value, half = float(solved.mid[0, 0]), float(solved.half_width[0, 0])
        with pytest.raises(AssertionError, match="mid value"):
            assert_bracketed(solved, value + 0.9 * half, mid=0.5 * half / value)

    def test_squeeze_rejects_values_on_either_side_and_wide_bounds(self, solved):
        low, high = float(solved.lower[0, 0]), float(solved.upper[0, 0])
        assert_squeezed(solved, solved, 0.5 * (low + high), apart=1.01 * (high / low - 1))
        for outside in (0.999 * low, 1.001 * high):
            with pytest.raises(AssertionError, match="outside"):
                assert_squeezed(solved, solved, outside, apart=1)
        with pytest.raises(AssertionError, match="apart"):
            assert_squeezed(solved, solved, 0.5 * (low + high), apart=0.5 * (high / low - 1))

    def test_overlap_rejects_two_different_resistances(self, solved):
        assert_overlap(solved, solved)
        shift = 2.02 * solved.half_width
        with pytest.raises(AssertionError, match="do not overlap"):
            assert_overlap(solved, replace(solved, lower=solved.lower + shift, upper=solved.upper + shift))

    def test_tightening_rejects_a_fallen_lower_and_a_risen_upper_bound(self, solved):
        assert_tightened(solved, solved)
        with pytest.raises(AssertionError, match="lower bound fell"):
            assert_tightened(solved, replace(solved, lower=0.999 * solved.lower))
        with pytest.raises(AssertionError, match="upper bound rose"):
            assert_tightened(solved, replace(solved, upper=1.001 * solved.upper))

    def test_soundness_rejects_swapped_bounds_and_lost_gaps(self, solved):
        assert_sound(solved)
        with pytest.raises(AssertionError, match="below lower"):
            assert_sound(replace(solved, lower=solved.upper, upper=solved.lower))
        with pytest.raises(AssertionError, match="add up"):
            assert_sound(replace(solved, gap=1.001 * solved.gap))
        with pytest.raises(AssertionError, match="negative local gap"):
            assert_sound(replace(solved, gap=-solved.gap))

    def test_soundness_rejects_a_matrix_that_is_not_reciprocal(self, solved):
        skew = np.array([[2.0, 0.3], [0.2, 2.0]])
        two = replace(solved, lower=skew, upper=skew, gap=np.zeros((2, 4)))
        with pytest.raises(AssertionError, match="not symmetric"):
            assert_sound(two)


class TestSecondRoutes:
    def test_section_current_follows_the_direction_of_the_path(self, solved):
        # One ampere from left to right; the first path points up, the second down.
        assert section_current(solved, 0) == pytest.approx(1.0, abs=1e-9)
        assert section_current(solved, 1) == pytest.approx(-1.0, abs=1e-9)
        assert section_flux(solved, 0, side="stream") == pytest.approx(1.0, abs=1e-9)

    def test_section_current_sees_a_changed_stream_function(self, solved):
        changed = replace(solved, stream=1.1 * np.asarray(solved.stream))
        assert section_current(changed, 0) == pytest.approx(1.1, abs=1e-9)

    def test_contact_current_is_out_of_the_first_and_into_the_second(self, solved):
        assert contact_current(solved, 0) == pytest.approx(1.0, abs=1e-9)
        assert contact_current(solved, 1) == pytest.approx(-1.0, abs=1e-9)

    def test_conductance_of_a_plain_strip_is_width_over_length(self):
        mesh = Mesher(Plane(box(-1, 0, 3, 1), [box(-1, 0, 0, 1), box(2, 0, 3, 1)])).uniform(0.4)
        np.testing.assert_allclose(conductance(mesh, 2), [[0.5, -0.5], [-0.5, 0.5]], atol=1e-12)

    def test_resistance_of_a_star_of_three_resistors(self):
        # 1, 2 and 3 ohm from the ends to a common point, eliminated by hand.
        g = np.array([1.0, 1 / 2, 1 / 3])
        star = np.diag(g) - np.outer(g, g) / g.sum()
        np.testing.assert_allclose(resistance_of(star, [(0, 1), (0, 2)]), [[3, 1], [1, 4]], atol=1e-12)

    def test_red_refinement_keeps_area_rims_and_sections(self, strip):
        fine = red_refined(strip)
        assert len(fine.triangles) == 4 * len(strip.triangles)
        assert np.all(fine.areas > 0)
        assert fine.areas.sum() == pytest.approx(strip.areas.sum(), rel=1e-13)
        for edges in ("contact_edges",):
            before = strip.edge_lengths[tuple(getattr(strip, edges).T)]
            after = fine.edge_lengths[tuple(getattr(fine, edges).T)]
            np.testing.assert_allclose(after, np.tile(before / 2, 2), rtol=1e-12)
        assert len(fine.section_edges[0]) == 2 * len(strip.section_edges[0])
        # A tag on the wrong child would lie off the section.
        tri, k, _ = fine.section_edges[0].T
        np.testing.assert_allclose(fine.points[fine.triangles[tri, k], 0], 1.0, atol=1e-12)
        np.testing.assert_allclose(fine.points[fine.triangles[tri, (k + 1) % 3], 0], 1.0, atol=1e-12)

    def test_taking_triangles_away_takes_their_area_away(self, strip):
        removed = np.zeros(len(strip.triangles), dtype=bool)
        removed[np.setdiff1d(np.arange(len(removed)), strip.contact_edges[:, 0])[:3]] = True
        rest = without(strip, removed)
        assert rest.areas.sum() == pytest.approx(strip.areas[~removed].sum(), rel=1e-13)
        with pytest.raises(AssertionError, match="on a contact"):
            without(strip, np.ones(len(removed), dtype=bool))

    @pytest.mark.parametrize("order", [1.0, 2.0, 4.0])
    def test_extrapolation_is_exact_for_a_pure_power(self, order):
        assert extrapolated(7 + 0.2**order, 7 + 0.1**order, order=order) == pytest.approx(7, rel=1e-14)
        assert extrapolated(7 + 0.2**3, 7 + 0.1**3, order=order) != pytest.approx(7, rel=1e-6)

    def test_polygons_lie_on_the_right_side_of_their_circle(self):
        inside, outside = inscribed(1, 2, 0.5, 24), circumscribed(1, 2, 0.5, 24)
        assert inside.hausdorff_distance(outside) < 0.01
        assert np.hypot(*(np.array(inside.exterior.coords) - [1, 2]).T) == pytest.approx(0.5)
        assert inside.area < np.pi / 4 < outside.area
        assert outside.exterior.distance(outside.centroid) == pytest.approx(0.5, rel=1e-12)
