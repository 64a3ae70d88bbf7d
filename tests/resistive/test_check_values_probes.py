"""Entries of the table of published values for what is measured with four contacts; sources stand beside the values."""

import math

import pytest
from shapely import Polygon, box
from test_check_values import LN2, ROUND, STRAIGHT, disc_transfer, squares

from judges import (
    assert_order,
    extrapolated,
)
from returnflow_geometry.model.shapes import circle


def van_der_pauw(copper, corners_at, radius, accuracy=1e-3):
    """Both transfer resistances in squares of four pads in order round a rim."""
    pads = [circle(x, y, 2 * radius, corners=24) for x, y in corners_at]
    solution = squares(copper, pads, [(0, 1), (3, 2), (1, 2), (0, 3)], accuracy=accuracy)
    return float(solution.mid[0, 1]), float(solution.mid[2, 3])


def theorem(first, second):
    return math.exp(-math.pi * first) + math.exp(-math.pi * second)


class TestVanDerPauw:
    """Philips Res. Rep. 13 (1958) 1, read as abstract; verified by two methods."""

    def test_theorem_on_a_shape_without_symmetry(self):
        shape = Polygon([(0, 0), (3, 0), (3, 1), (1.2, 1.4), (1.5, 3), (0, 2)])
        rim = [(0.5, 0), (2.4, 0), (1.35, 2.2), (0, 1.1)]
        radii = (0.08, 0.04, 0.02)
        errors = [abs(theorem(*van_der_pauw(shape, rim, radius)) - 1) for radius in radii]
        # Pads on a straight rim: error as radius^2.
        assert_order(radii, errors, order=2, margin=0.2, ceiling=ROUND)

    def test_four_fold_symmetric_shape(self):
        # ln 2 / pi for contacts at the corners of a square; pads there act as the fourth power of their radius.
        corners = [(0, 0), (1, 0), (1, 1), (0, 1)]
        first, second = van_der_pauw(box(0, 0, 1, 1), corners, 0.05)
        assert first == pytest.approx(LN2 / math.pi, rel=STRAIGHT)
        assert second == pytest.approx(LN2 / math.pi, rel=STRAIGHT)

    def test_two_to_one_rectangle_with_contacts_at_its_corners(self):
        # Price 1972, from memory; verified by two methods.
        corners = [(0, 0), (2, 0), (2, 1), (0, 1)]
        first, second = van_der_pauw(box(0, 0, 2, 1), corners, 0.05, accuracy=0.01)
        assert first == pytest.approx(1.12219970, rel=STRAIGHT)
        # This one is a difference of large potentials: 2e-4 of the first is twice its own error from the pads.
        assert second == pytest.approx(0.00951085, rel=ROUND)
        assert theorem(first, second) == pytest.approx(1, abs=STRAIGHT)

    def test_corner_pads_act_as_the_fourth_power_of_their_radius(self):
        corners = [(0, 0), (2, 0), (2, 1), (0, 1)]
        radii = (0.2, 0.1414, 0.1)
        errors = [1.12219970 - van_der_pauw(box(0, 0, 2, 1), corners, r)[0] for r in radii]
        assert_order(radii, errors, order=4, margin=0.25, ceiling=5e-4)

    def test_theorem_fails_with_a_hole(self):
        # Derived, verified: annulus inner/outer 0.5, four symmetric rim contacts: R = 0.56705957, sum 0.33678.
        exact = 0.56705957
        rim = [(1, 0), (0, 1), (-1, 0), (0, -1)]
        ring = circle(0, 0, 2, corners=96).difference(circle(0, 0, 1, corners=96))
        radii = (0.1, 0.05, 0.025)
        values = [van_der_pauw(ring, rim, radius) for radius in radii]
        firsts = [first for first, _ in values]
        assert_order(radii, [exact - v for v in firsts], order=2, margin=0.1, ceiling=3 * ROUND * exact)
        assert extrapolated(firsts[-2], firsts[-1], order=2) == pytest.approx(exact, rel=ROUND)
        for first, second in values:
            assert second == pytest.approx(first, rel=ROUND)
        assert theorem(*values[-1]) == pytest.approx(0.33678, abs=2e-3)


class TestFourPointProbe:
    """Smits, BSTJ 37 (1958) 711 and the ASTM F84 table, both read as abstract; verified by two methods."""

    CASES = ((3, 2.266180), (5, 3.362476), (10, 4.171187), (20, 4.436354))

    @pytest.mark.parametrize(("ratio", "factor"), [*CASES, (1e9, math.pi / LN2)])
    def test_closed_form_by_images(self, ratio, factor):
        # The two routes of the table agree before the solver is asked.
        probes = [complex(x) for x in (-1.5, 1.5, -0.5, 0.5)]
        if ratio == 3:
            probes[:2] = [-1.5 + 1e-9, 1.5 - 1e-9]
        assert 1 / disc_transfer(ratio / 2, *probes) == pytest.approx(factor, rel=1e-6)

    @pytest.mark.parametrize(("ratio", "factor"), CASES)
    def test_probe_centred_on_a_disc(self, ratio, factor):
        # Spacing 1; R_AB,CD = 1/C. Pads short the field: error as radius^2, gone by extrapolation.
        disc = circle(0, 0, ratio, corners=96)
        radii, values = (0.1, 0.05, 0.025), []
        for radius in radii:
            pads = [circle(x, 0, 2 * radius, corners=24) for x in (-1.5, 1.5, -0.5, 0.5)]
            values.append(float(squares(disc, pads, [(0, 1), (2, 3)], accuracy=1e-3).mid[0, 1]))
        assert_order(radii, [1 / factor - v for v in values], order=2, margin=0.25, ceiling=3 * ROUND / factor)
        assert 1 / extrapolated(values[-2], values[-1], order=2) == pytest.approx(factor, rel=ROUND)
