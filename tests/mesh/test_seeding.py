"""Where mesh points go: sizes that grow gently, and points that follow them."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import KDTree

from returnflow_geometry.mesh.seeding import CLEARANCE, GROWTH, SizeField, graded_points, limit_growth, split_segments


def spacing(points):
    return KDTree(points).query(points, k=2)[0][:, 1]


class TestSizeField:
    FIELD = SizeField(np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([0.01, 0.2]), 0.3)

    def test_is_what_was_asked_at_its_points(self):
        np.testing.assert_allclose(self.FIELD(self.FIELD.points), [0.01, 0.2])

    def test_grows_with_the_distance_and_no_further_than_the_largest(self):
        at = self.FIELD(np.array([[0.0, 0.1], [0.0, -0.5], [0.0, 5.0]]))
        np.testing.assert_allclose(at, [0.01 + 0.1 * GROWTH, 0.01 + 0.5 * GROWTH, 0.3])

    @given(st.lists(st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(1e-3, 1)), min_size=1, max_size=3))
    def test_growth_is_bounded_between_any_two_places(self, known):
        table = np.array(known)
        field = SizeField(table[:, :2], table[:, 2], 10.0)
        places = np.random.default_rng(4_711).uniform(-1, 1, (40, 2))
        sizes = field(places)
        distance = np.linalg.norm(places[:, None] - places[None], axis=2)
        assert np.all(np.abs(sizes[:, None] - sizes[None]) <= GROWTH * distance + 1e-12)


class TestLimitGrowth:
    def test_on_a_line_it_is_the_cone_over_the_smallest(self):
        x = np.linspace(0, 1, 11)
        points = np.column_stack([x, 0 * x])
        edges = np.column_stack([np.arange(10), np.arange(1, 11)])
        sizes = np.full(11, 9.0)
        sizes[3] = 0.05
        np.testing.assert_allclose(limit_growth(points, edges, sizes), 0.05 + GROWTH * np.abs(x - 0.3), rtol=1e-12)

    def test_leaves_gentle_sizes_alone(self):
        points = np.array([[0.0, 0], [1, 0], [2, 0]])
        edges = np.array([[0, 1], [1, 2]])
        np.testing.assert_allclose(limit_growth(points, edges, np.array([1.0, 1.2, 1.0])), [1.0, 1.2, 1.0])

    def test_spreads_through_the_copper_and_not_across_a_slot(self):
        # Two points that are near each other, but joined only the long way round.
        points = np.array([[0.0, 0], [0, 1], [0.01, 1], [0.01, 0]])
        edges = np.array([[0, 1], [1, 2], [2, 3]])
        limited = limit_growth(points, edges, np.array([0.1, 9, 9, 9]))
        assert limited[3] == pytest.approx(0.1 + GROWTH * 2.01)

    def test_doubled_edges_count_once(self):
        points = np.array([[0.0, 0], [1, 0]])
        limited = limit_growth(points, np.array([[0, 1], [0, 1], [1, 0]]), np.array([0.1, 9.0]))
        np.testing.assert_allclose(limited, [0.1, 0.1 + GROWTH])


class TestSplitSegments:
    def test_pieces_cover_the_segment_and_are_short_enough(self):
        points, segments = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]), np.array([[0, 1], [1, 2]])
        field = SizeField(np.array([[0.0, 0.0]]), np.array([0.02]), 0.3)
        more, pieces = split_segments(points, segments, field)
        np.testing.assert_array_equal(more[:3], points)
        length = np.linalg.norm(more[pieces[:, 1]] - more[pieces[:, 0]], axis=1)
        assert length.sum() == pytest.approx(2, rel=1e-12)
        assert np.all(length <= 1.2 * field(more[pieces].mean(axis=1)) + 1e-12)
        # Halving: no shorter than it must.
        assert np.all(length > 0.5 * field(more[pieces].mean(axis=1)))
        # Every inner point joins two pieces, the ends of the path one.
        assert sorted(np.bincount(pieces.ravel()))[:3] == [1, 1, 2]

    def test_short_segments_stay_whole(self):
        points, segments = np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([[0, 1]])
        more, pieces = split_segments(points, segments, SizeField(points[:1], np.array([1.0]), 1.0))
        assert len(more) == 2
        np.testing.assert_array_equal(pieces, segments)


class TestGradedPoints:
    BOUNDS = (0.0, 0.0, 1.0, 0.8)

    def test_uniform_points_form_one_hexagonal_lattice(self):
        size = SizeField(np.array([[0.5, 0.4]]), np.array([0.05]), 0.05)
        points = graded_points(self.BOUNDS, size, np.array([[-9.0, -9.0]]))
        inside = points[np.all((points > 0.1) & (points < 0.7), axis=1)]
        np.testing.assert_allclose(spacing(points), 0.05, rtol=1e-6)
        assert len(inside) == pytest.approx(0.36 / (0.05**2 * math.sqrt(3) / 2), rel=0.1)

    def test_graded_points_keep_the_spacing_that_is_wanted(self):
        size = SizeField(np.array([[0.2, 0.3]]), np.array([0.002]), 0.1)
        points = graded_points(self.BOUNDS, size, np.array([[0.2, 0.3]]))
        found, wanted = spacing(points), size(points)
        # A level holds sizes within sqrt(2); points of a coarser level keep clear of the finer ones.
        assert np.min(found / wanted) > CLEARANCE / math.sqrt(2) * 0.999
        # And nowhere is there a gap: from any place, a point within about one wanted size.
        places = np.random.default_rng(3_301).uniform(self.BOUNDS[:2], self.BOUNDS[2:], (4000, 2))
        assert np.max(KDTree(points).query(places)[0] / size(places)) < 1.1
        # Their number follows the integral of one over the area of a lattice cell.
        estimate = 0.8 * np.mean(1 / (math.sqrt(3) / 2 * size(places) ** 2))
        assert 0.6 < len(points) / estimate < 1.8

    def test_points_keep_clear_of_those_already_there(self):
        x = np.linspace(0, 1, 41)
        placed = np.column_stack([x, np.full(41, 0.4)])
        size = SizeField(np.array([[0.5, 0.4]]), np.array([0.05]), 0.05)
        points = graded_points(self.BOUNDS, size, placed)
        assert np.min(KDTree(placed).query(points)[0]) >= CLEARANCE * 0.05 * 0.999

    def test_same_input_same_points_bit_for_bit(self):
        size = SizeField(np.array([[0.2, 0.3]]), np.array([0.004]), 0.1)
        one, other = (graded_points(self.BOUNDS, size, np.array([[0.2, 0.3]])) for _ in range(2))
        np.testing.assert_array_equal(one, other)
