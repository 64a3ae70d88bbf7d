"""Capacitance across gaps between coppers of one layer: closed forms, and lines and slots that it makes resonate."""

import dataclasses

import numpy as np
import pytest
import shapely

from layered import MM, case, edge, loop, pad
from returnflow.magnetic.coplanar import across, covered_side, open_side
from returnflow.magnetic.dielectric import EPSILON0, LIGHT
from returnflow.magnetic.gaps import gaps_of
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Copper
from returnflow_geometry.model.shapes import rectangle

ALL_CORES = True  # see tests/conftest.py
PIECES = 160  # of each strip


def charges(s, w, kernel):
    """
    Capacitances per length of two strips in a plane over that of vacuum, from charges on pieces of them, shape (2, 2).

    `kernel` is the potential of a line charge at a distance times 2 pi eps0, as a factor of -ln of it and the rest.
    Pieces are narrower towards the edges. Point matching (textbook).
    """
    edges = 0.5 * w * (1 - np.cos(np.pi * np.arange(PIECES + 1) / PIECES))
    left = np.concatenate([-0.5 * s - w + edges[:-1], 0.5 * s + edges[:-1]])
    right = np.concatenate([-0.5 * s - w + edges[1:], 0.5 * s + edges[1:]])
    middle, length = 0.5 * (left + right), right - left

    def log_mean(x):
        """Mean of ln|x - x'| over every piece."""
        a, b = x[:, None] - left, x[:, None] - right
        return (a * np.log(abs(a)) - b * np.log(abs(b))) / length - 1

    singular, smooth = kernel
    away = abs(middle[:, None] - middle)
    potential = -singular * log_mean(middle) + smooth(away)
    own = np.repeat([[1.0, 0.0], [0.0, 1.0]], PIECES, axis=0)
    return own.T @ np.linalg.solve(potential / (2 * np.pi), own)


def between(C):
    """Of the two strips against each other, nothing else being there."""
    forth = np.array([1.0, -1.0])
    # The potential is known but for a constant: it takes what leaves no net charge.
    inverse = np.linalg.inv(C)
    return 1 / (forth @ inverse @ forth)


class TestClosedForms:
    @pytest.mark.parametrize(("s", "w"), [(0.5, 0.5), (0.5, 5.0), (0.2, 40.0), (3.0, 2.0)])
    def test_strips_in_one_medium(self, s, w):
        found = between(charges(s, w, (1.0, lambda x: 0 * x + 10.0)))
        closed = 2 * open_side(np.array([s]), np.array([w]), [])
        np.testing.assert_allclose(closed, found, rtol=2e-3)

    @pytest.mark.parametrize(("s", "w", "h"), [(0.5, 2.0, 1.6), (0.5, 20.0, 0.8), (1.0, 5.0, 0.3)])
    def test_strips_on_a_board_in_air(self, s, w, h):
        # Images of a line charge on a slab: 2/(1 + eps) of it, and K^(2n-1) (1 + K) of that at 2nh (textbook).
        eps = 4.3
        K = (eps - 1) / (eps + 1)
        a = 2 / (1 + eps)

        def images(x):
            n = np.arange(1, 60)[:, None, None]
            return 10.0 - a * np.sum(K ** (2 * n - 1) * (1 + K) * np.log(np.hypot(x, 2 * n * h)), axis=0)

        found = between(charges(s, w, (a, images)))
        width, depth = np.array([s]), np.array([w])
        closed = open_side(width, depth, []) + open_side(width, depth, [(h, eps)])
        # That surfaces are lines of flux leaves out what leaves the board's other face: up to 5 % here.
        np.testing.assert_allclose(closed.real, found, rtol=0.055)
        assert closed.real < found

    @pytest.mark.parametrize(("s", "w", "h"), [(0.5, 2.0, 1.0), (0.5, 5.0, 0.5), (0.2, 1.0, 1.0), (1.0, 0.5, 2.0)])
    def test_strips_between_two_planes(self, s, w, h):
        # All images of a line charge between grounded planes at both sides: -ln tanh(pi x/4h) (textbook).
        def images(x):
            far = np.where(x > 0, x, 1.0)
            return np.where(x > 0, np.log(far / np.tanh(np.pi * far / (4 * h))), np.log(4 * h / np.pi))

        C = charges(s, w, (1.0, images))
        closed = 2 * covered_side(np.array([s]), np.array([w]), h, 1.0)
        np.testing.assert_allclose(closed.real, -C[0, 1], rtol=2e-3)

    def test_wide_strips_over_a_plane_have_a_logarithm(self):
        closed = covered_side(np.array([0.5]), np.array([50.0]), 0.4, 1.0)
        assert closed.real == pytest.approx(np.log(1 / np.tanh(np.pi * 0.5 / 1.6)) / np.pi, rel=1e-9)


S, W, LENGTH = 1.0, 3.0, 100.0  # mm


def in_dielectric(coppers, pads, loops, *, permittivity=4.3, below=1000.0, layers=3):
    """Coppers on the second layer with dielectric above and below it, mm; as thick as the world by default."""
    review = case(coppers, pads, [], loops, layers=layers, thickness=(35e-6,) * layers, below=below * MM)
    stack = tuple(dataclasses.replace(layer, permittivity=permittivity, loss=0.01) for layer in review.board.layers)
    return dataclasses.replace(
        review, board=dataclasses.replace(review.board, layers=stack), frequencies=(0.0, 1e9), accuracy=0.01
    )


def strips(**changed):
    """Two strips side by side, fed at one end."""
    coppers = [
        Copper(name=name, layer="L2", shape=rectangle(0, low * MM, LENGTH * MM, (low + W) * MM))
        for name, low in (("a", 0.5 * S), ("b", -0.5 * S - W))
    ]
    pads = [edge("A", "a", 0, 0.5 * S, 0.3, 0.5 * S + W), edge("B", "b", 0, -0.5 * S - W, 0.3, -0.5 * S)]
    return in_dielectric(coppers, pads, [loop("port", "A", "B")], **changed)


def notched(width=1.0, **changed):
    """A plane with a notch of 40 mm from its edge, fed across the mouth."""
    shape = shapely.box(0, 0, 80, 60) - shapely.box(40 - width / 2, -1, 40 + width / 2, 40)
    plane = Copper(name="plane", layer="L2", shape=shapely.transform(shape, lambda x: x * MM))
    pads = [pad("A", "plane", 38, 1.5), pad("B", "plane", 42, 1.5)]
    return in_dielectric([plane], pads, [loop("port", "A", "B")], **changed)


def solved(review):
    conductors = Conductors.magnetic(review)
    return solve_broadband(review, conductors, conductors.ends(review), None, BroadbandOptions(accuracy=3e-3))


def crossings(model, frequencies):
    """Where the reactance of the port passes zero going up, and where it jumps down."""
    X = np.array([model.impedance(f)[0, 0].imag for f in frequencies])
    up = np.flatnonzero((X[:-1] < 0) & (X[1:] >= 0))
    rise = frequencies[up] - X[up] * (frequencies[up + 1] - frequencies[up]) / (X[up + 1] - X[up])
    return rise, frequencies[np.flatnonzero((X[:-1] > 0) & (X[1:] < 0))]


class TestGapsOnBoards:
    def test_strips_are_a_line(self):
        model = solved(strips())
        # At low frequency its capacitance, by the closed form;
        w = 2e4 * np.pi
        C = 2 * open_side(np.array([S]), np.array([W]), [])[0].real * 4.3 * EPSILON0 * LENGTH * MM
        np.testing.assert_allclose(model.impedance(1e4)[0, 0], 1 / (1j * w * C * (1 - 0.01j)), rtol=1e-3)
        # then a line open at its end: waves as fast as in the dielectric, a quarter and a half of one over its length.
        quarter = LIGHT / np.sqrt(4.3) / (4 * LENGTH * MM)
        rise, jump = crossings(model, np.linspace(2e8, 8e8, 241))
        assert rise == pytest.approx([quarter], rel=0.02)
        assert jump == pytest.approx([2 * quarter], rel=0.02)

    def test_a_notch_resonates_a_quarter_of_a_wave_long(self):
        # Thin slots resonate some per cent below that, as thin wires do (textbook).
        quarter = LIGHT / np.sqrt(4.3) / (4 * 40 * MM)
        _, jump = crossings(solved(notched()), np.linspace(4e8, 1.2e9, 321))
        assert 0.85 * quarter < jump[0] < quarter

    def test_without_permittivity_nothing_is_displaced(self):
        review = notched(permittivity=None)
        assert across(review, Conductors.magnetic(review)) == ()

    def test_a_short_gap_does_not_matter(self):
        shape = shapely.box(0, 0, 80, 60) - shapely.box(38, 20, 41.5, 20.2)
        plane = Copper(name="plane", layer="L2", shape=shapely.transform(shape, lambda x: x * MM))
        pads = [pad("A", "plane", 10, 10), pad("B", "plane", 70, 50)]
        review = in_dielectric([plane], pads, [loop("port", "A", "B")])
        assert across(review, Conductors.magnetic(review)) == ()

    @pytest.mark.parametrize(("below", "matters"), [(0.05, False), (5.0, True)])
    def test_a_plane_close_below_and_above_takes_the_field(self, below, matters):
        review = notched(below=below)
        lids = [Copper(name=name, layer=name, shape=rectangle(0, 0, 80 * MM, 60 * MM)) for name in ("L1", "L3")]
        board = dataclasses.replace(review.board, coppers=(*review.board.coppers, *lids))
        review = dataclasses.replace(review, board=board)
        assert bool(across(review, Conductors.magnetic(review))) == matters


class TestGapsAreFound:
    @staticmethod
    def of(*shapes, shortest=5.0):
        scaled = [shapely.transform(shape, lambda x: x * MM) for shape in shapes]
        return gaps_of(scaled, shortest * MM)

    def test_a_split_plane_has_one_gap_between_its_coppers(self):
        (gap,) = self.of(shapely.box(0, 0, 30, 40), shapely.box(30.4, 0, 70, 40))
        assert set(gap.coppers) == {0, 1}
        assert gap.whole == pytest.approx(40 * MM, rel=0.02)
        np.testing.assert_allclose(gap.width, 0.4 * MM, rtol=1e-6)
        # As deep as the copper, but no deeper than the field reaches.
        np.testing.assert_allclose(gap.depth, 40 * MM / np.e, rtol=0.02)

    def test_a_bent_slot_is_one_gap(self):
        slot = shapely.LineString([(20, 20), (50, 20), (50, 40)]).buffer(0.25, cap_style="flat", join_style="mitre")
        found = self.of(shapely.box(0, 0, 80, 60) - slot)
        assert sum(gap.whole for gap in found) == pytest.approx(50 * MM, rel=0.04)
        assert all(gap.coppers == (0, 0) for gap in found)

    def test_holes_and_wide_openings_are_none(self):
        plane = shapely.box(0, 0, 80, 60) - shapely.box(20, 20, 40, 28) - shapely.Point(60, 30).buffer(3)
        assert self.of(plane) == []

    def test_narrow_copper_is_no_deeper_than_it_is(self):
        (gap,) = self.of(shapely.box(0, 0, 50, 2), shapely.box(0, 2.3, 50, 30))
        depth = gap.depth if gap.coppers == (0, 1) else gap.depth[::-1]
        np.testing.assert_allclose(depth[0], 2 * MM, rtol=1e-6)
