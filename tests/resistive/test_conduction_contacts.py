"""Contacts that join pieces of copper or have several parts, copper in pieces, and holes and slots that pinch it."""

import math

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Polygon, affinity, box
from test_conduction import pad, solved, with_contacts

from judges import (
    assert_overlap,
    conductance,
    resistance_of,
)
from returnflow.resistive.conduction import solve
from returnflow_geometry.mesh.mesher import Plane
from returnflow_geometry.model.shapes import circle


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
