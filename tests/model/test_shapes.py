"""Drawn shapes: right area, right place, right symmetry."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from returnflow_geometry.model.shapes import CHORD_ERROR, MAX_CORNERS, MIN_CORNERS, circle, corners_for, rectangle, slot

MM = 1e-3


class TestRectangle:
    @pytest.mark.parametrize("corners", [(1, 2, 4, 8), (4, 8, 1, 2), (1, 8, 4, 2), (4, 2, 1, 8)])
    def test_any_two_opposite_corners(self, corners):
        shape = rectangle(*corners)
        assert shape.bounds == (1, 2, 4, 8)
        assert shape.area == 18


class TestCircle:
    @pytest.mark.parametrize("corners", [None, 4, 12, 96])
    def test_area_is_the_circle_s(self, corners):
        disc = circle(3 * MM, -2 * MM, 0.3 * MM, corners=corners)
        assert disc.area == pytest.approx(math.pi * (0.15 * MM) ** 2, rel=1e-9)

    @pytest.mark.parametrize("corners", [4, 12, 24, 96])
    def test_symmetric_about_both_axes_and_centred(self, corners):
        points = np.array(circle(0, 0, 2, corners=corners).exterior.coords)[:-1]
        assert len(points) == corners
        for mirror in ([-1, 1], [1, -1]):
            mirrored = points * mirror
            distance = np.linalg.norm(points[:, None] - mirrored[None], axis=2)
            assert np.max(distance.min(axis=1)) < 1e-14
        centre = circle(3, -2, 2, corners=corners).centroid
        assert (centre.x, centre.y) == pytest.approx((3, -2))

    @pytest.mark.parametrize("corners", [12, 16, 48])
    def test_corners_stand_out_by_twice_what_the_sides_fall_in(self, corners):
        # What equal area means to leading order: +2/3 against -1/3 of the sagitta pi^2 / (2 n^2).
        points = np.array(circle(0, 0, 2, corners=corners).exterior.coords)[:-1]
        sides = 0.5 * (points + np.roll(points, -1, axis=0))
        sagitta = math.pi**2 / 2 / corners**2
        np.testing.assert_allclose(np.hypot(*points.T) - 1, 2 * sagitta / 3, rtol=0.1)
        np.testing.assert_allclose(1 - np.hypot(*sides.T), sagitta / 3, rtol=0.1)

    @given(radius=st.floats(1e-6, 1.0))
    def test_corner_count_keeps_the_chord_error(self, radius):
        count = corners_for(radius)
        assert MIN_CORNERS <= count <= MAX_CORNERS
        assert count % 4 == 0
        sagitta = radius * (1 - math.cos(math.pi / count))
        assert sagitta <= CHORD_ERROR * (1 + 1e-9) or count == MAX_CORNERS

    @pytest.mark.parametrize("radius", [1 * MM, 10 * MM, 100 * MM])
    def test_no_more_corners_than_that_needs(self, radius):
        count = corners_for(radius) - 4
        assert count < MIN_CORNERS or radius * (1 - math.cos(math.pi / count)) > CHORD_ERROR


class TestSlot:
    @pytest.mark.parametrize("end", [(60, 0), (0, 60), (-36, 48)])
    def test_straight_slot_has_square_ends(self, end):
        shape = slot([(0, 0), end], 0.5)
        assert shape.area == pytest.approx(60 * 0.5, rel=1e-12)
        assert len(shape.exterior.coords) == 5

    def test_bend_is_mitred(self):
        # Two legs of 10 and 20 on the centre line: the corner square belongs to both, and is filled to its tip.
        shape = slot([(0, 0), (10, 0), (10, 20)], 2)
        assert shape.area == pytest.approx(2 * (10 + 1) + 2 * (20 - 1), rel=1e-12)
        assert shape.bounds == pytest.approx((0, -1, 11, 20))

    def test_width_is_the_slot_s_full_width(self):
        assert slot([(0, 0), (1, 0)], 0.2).bounds == pytest.approx((0, -0.1, 1, 0.1))
