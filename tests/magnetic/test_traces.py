"""Vector potential of outgoing conductors and their flux through each other, against integrals and closed forms."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from judges import assert_falling
from returnflow.magnetic.traces import Route, flux_matrix, mutual_flux, vector_potential
from returnflow.resistive.foil import MU0

BENT = np.array([[0.0, 0.0], [0.03, 0.0], [0.03, 0.02], [0.05, 0.04]])


def integral(path, height, place):
    """mu0/4pi times the integral of dl/r along a path, piece by piece."""
    total = np.zeros(2)
    for start, end in pairwise(path):
        step = end - start
        foot = float(np.clip((place - start) @ step / (step @ step), 1e-6, 1 - 1e-6))

        def inverse(t, start=start, step=step):
            return 1 / np.sqrt(np.sum((start + t * step - place) ** 2) + height**2)

        parts = [quad(inverse, *ends, epsabs=0, epsrel=1e-11, limit=400)[0] for ends in ((0, foot), (foot, 1))]
        total += sum(parts) * step
    return MU0 / (4 * np.pi) * total


def neumann(length, distance):
    """
    Mutual inductance of two parallel filaments of one length, side by side.

    mu0/2pi [l asinh(l/d) - sqrt(l^2 + d^2) + d]: Neumann's integral in closed form, textbook.
    """
    l, d = length, distance
    return MU0 / (2 * np.pi) * (l * np.arcsinh(l / d) - np.hypot(l, d) + d)


def test_flux_of_one_that_changes_layers_is_that_of_all_pairs_of_legs():
    one, other = Route(BENT[:3], 2e-4, 1e-4), Route(BENT[2:], -1.3e-3, 1e-4)
    route, beside = Route(BENT, 2e-4, 1e-4, legs=(one, other)), Route(BENT + np.array([0, 5e-3]), 1e-3, 1e-4)
    own = mutual_flux(one, one) + mutual_flux(one, other) + mutual_flux(other, one) + mutual_flux(other, other)
    assert flux_matrix([route])[0, 0] == pytest.approx(own)
    assert mutual_flux(beside, route) == pytest.approx(mutual_flux(beside, one) + mutual_flux(beside, other))
    # On one layer it makes no difference where it is cut.
    cut = Route(BENT, 2e-4, 1e-4, legs=(one, Route(BENT[2:], 2e-4, 1e-4)))
    assert mutual_flux(cut, beside) == pytest.approx(mutual_flux(Route(BENT, 2e-4, 1e-4), beside), rel=1e-6)


class TestVectorPotential:
    @pytest.mark.parametrize("place", [(0.01, 0.0), (0.03, 0.01), (0.06, 0.05), (-0.02, 0.001), (1.0, -1.0)])
    @pytest.mark.parametrize("height", [0.2e-3, 5e-3, -5e-3])
    def test_of_a_bent_filament_is_its_integral(self, place, height):
        route = Route(BENT, height, 1e-5)
        value = vector_potential(route, np.array([place]))[0]
        assert value == pytest.approx(integral(BENT, height, np.array(place)), rel=1e-8, abs=1e-15)

    def test_of_one_that_changes_layers_is_that_of_its_legs_each_at_its_height(self):
        legs = (Route(BENT[:3], 2e-4, 1e-5), Route(BENT[2:], -1.3e-3, 1e-5))
        route, place = Route(BENT, 2e-4, 1e-5, legs=legs), np.array([0.02, 0.01])
        exact = integral(BENT[:3], 2e-4, place) + integral(BENT[2:], -1.3e-3, place)
        assert vector_potential(route, place[None])[0] == pytest.approx(exact, rel=1e-8)
        assert route.nearest == 2e-4

    def test_of_a_long_line_differs_by_the_logarithm_of_the_distance(self):
        # A(r1) - A(r2) = mu0/2pi ln(r2/r1) per ampere, textbook; falls in with the length.
        near, far, h = 1e-3, 9e-3, 2e-3
        exact = MU0 / (2 * np.pi) * np.log(np.hypot(far, h) / np.hypot(near, h))
        errors = []
        for length in (0.05, 0.2, 0.8):
            route = Route(np.array([[-length / 2, 0.0], [length / 2, 0.0]]), h, 1e-5)
            a = vector_potential(route, np.array([[0.0, near], [0.0, far]]))[:, 0]
            errors.append((a[0] - a[1]) / exact - 1)
        assert_falling(errors, last=2e-4)

    def test_reversed_route_reverses_it(self):
        places = np.array([[0.01, 0.01], [0.02, -0.01]])
        forth, back = Route(BENT, 1e-3, 5e-4), Route(BENT[::-1].copy(), 1e-3, 5e-4)
        assert vector_potential(back, places) == pytest.approx(-vector_potential(forth, places), rel=1e-12)

    def test_adds_over_pieces_and_ignores_empty_ones(self):
        places = np.array([[0.01, 0.01], [0.04, 0.01]])
        parts = [vector_potential(Route(BENT[k : k + 2], 1e-3, 1e-5), places) for k in range(3)]
        doubled = Route(np.repeat(BENT, 2, axis=0), 1e-3, 1e-5)
        assert vector_potential(doubled, places) == pytest.approx(sum(parts), rel=1e-12)

    def test_depends_on_the_height_over_the_place_only(self):
        places = np.array([[0.01, 0.01], [0.04, 0.01]])
        low, high = Route(BENT, 1e-3, 1e-5), Route(BENT, 3e-3, 1e-5)
        assert vector_potential(high, places, 2e-3) == pytest.approx(vector_potential(low, places), rel=1e-12)

    @pytest.mark.parametrize("side", [0.0, 0.7e-3, 3e-3])
    def test_of_a_wide_trace_is_the_mean_over_its_width(self, side):
        w, h, path = 4e-3, 1e-3, np.array([[-0.05, 0.0], [0.05, 0.0]])

        def at(offset):
            shifted = np.array([[0.01, side - offset]])
            return float(vector_potential(Route(path, h, 1e-6), shifted)[0, 0])

        exact = quad(at, -w / 2, w / 2, epsrel=1e-9, points=[np.clip(side, -w / 2, w / 2)])[0] / w
        value = vector_potential(Route(path, h, w, 1e-7), np.array([[0.01, side]]))[0, 0]
        assert value == pytest.approx(exact, rel=1e-4)

    def test_narrower_traces_tend_to_the_filament(self):
        h, path, place = 1e-3, np.array([[-0.05, 0.0], [0.05, 0.0]]), np.array([[0.0, 2e-4]])
        filament = vector_potential(Route(path, h, 1e-9), place)[0, 0]
        errors = [vector_potential(Route(path, h, w), place)[0, 0] / filament - 1 for w in (4e-3, 2e-3, 1e-3, 0.5e-3)]
        # Second order in the width.
        assert_falling(errors, last=3e-3)
        assert np.all(np.array(errors[:-1]) / errors[1:] > 2.5)


class TestFlux:
    @pytest.mark.parametrize("distance", [0.2e-3, 1e-3, 5e-3, 0.1])
    def test_of_parallel_wires(self, distance):
        path = np.array([[0.0, 0.0], [0.06, 0.0]])
        first, second = (Route(path, h, 1e-6, 1e-6) for h in (1e-3, 1e-3 + distance))
        assert mutual_flux(first, second) == pytest.approx(neumann(0.06, distance), rel=1e-6)

    def test_of_wires_side_by_side(self):
        path = np.array([[0.0, 0.0], [0.06, 0.0]])
        first, second = Route(path, 1e-3, 1e-6), Route(path + np.array([0, 4e-3]), 1e-3, 1e-6)
        assert mutual_flux(first, second) == pytest.approx(neumann(0.06, 4e-3), rel=1e-6)

    def test_of_wires_that_cross_at_right_angles_is_none(self):
        first = Route(np.array([[-0.03, 0.0], [0.03, 0.0]]), 1e-3, 1e-5)
        second = Route(np.array([[0.0, -0.03], [0.0, 0.03]]), 2e-3, 1e-5)
        assert abs(mutual_flux(first, second)) < 1e-12 * neumann(0.06, 1e-3)

    def test_of_a_wire_and_the_same_one_reversed_is_negative(self):
        path = np.array([[0.0, 0.0], [0.06, 0.0]])
        there, back = Route(path, 1e-3, 1e-5), Route(path[::-1].copy(), 3e-3, 1e-5)
        assert mutual_flux(there, back) == pytest.approx(-neumann(0.06, 2e-3), rel=1e-6)

    @pytest.mark.parametrize(("length", "width"), [(0.02, 0.2e-3), (0.1, 0.2e-3), (0.1, 2e-3)])
    def test_of_a_straight_strip_through_itself(self, length, width):
        # 0.2 l [ln(2 l/(w + t)) + 0.5 + 0.2235 (w + t)/l] uH, l in metres; Grover and Terman, M.
        t = 35e-6
        route = Route(np.array([[0.0, 0.0], [0.0, length]]), 1e-3, width, t)
        exact = 0.2e-6 * length * (np.log(2 * length / (width + t)) + 0.5 + 0.2235 * (width + t) / length)
        assert mutual_flux(route, route) == pytest.approx(exact, rel=2e-3)

    def test_of_the_line_and_its_image_is_the_wire_over_a_plane(self):
        # mu0/2pi ln(2h/r) per length for a round wire; a strip's mean distance takes the place of r. Textbook.
        h, w, t = 1e-3, 0.1e-3, 35e-6
        exact = MU0 / (2 * np.pi) * np.log(2 * h / (0.2235 * (w + t)))
        errors = []
        for length in (0.01, 0.1, 1.0):
            path = np.array([[0.0, 0.0], [length, 0.0]])
            wire, image = Route(path, h, w, t), Route(path, -h, w, t)
            errors.append((mutual_flux(wire, wire) - mutual_flux(wire, image)) / length / exact - 1)
        assert_falling(errors, last=2e-3)

    @pytest.mark.parametrize("angle", [20.0, 45.0, 80.0])
    @pytest.mark.parametrize("gap", [0.1e-3, 1e-3])
    def test_of_wires_that_cross_at_an_angle(self, angle, gap):
        # Half-way along both; by quadrature of the integral over the closed potential of the other.
        turn = np.radians(angle)
        line, step = np.array([[-0.03, 0.0], [0.03, 0.0]]), np.array([np.cos(turn), np.sin(turn)])
        first, second = Route(line, 1e-3, 1e-6), Route(np.outer([-0.02, 0.02], step), 1e-3 + gap, 1e-6)

        def along(x):
            return float(vector_potential(second, np.array([[x, 0.0]]), 1e-3)[0, 0])

        exact = sum(quad(along, *ends, epsabs=0, epsrel=1e-10, limit=200)[0] for ends in ((-0.03, 0), (0, 0.03)))
        assert mutual_flux(first, second) == pytest.approx(exact, rel=1e-6)
        assert mutual_flux(second, first) == pytest.approx(exact, rel=1e-6)

    def test_does_not_depend_on_how_a_path_is_cut(self):
        whole = Route(np.array([[0.0, 0.0], [0.06, 0.0]]), 1e-3, 0.3e-3)
        cut = Route(np.array([[0.0, 0.0], [0.013, 0.0], [0.06, 0.0]]), 1e-3, 0.3e-3)
        other = Route(BENT, 2e-3, 0.3e-3)
        assert mutual_flux(cut, other) == pytest.approx(mutual_flux(whole, other), rel=1e-5)
        assert mutual_flux(cut, cut) == pytest.approx(mutual_flux(whole, whole), rel=1e-5)


# On a grid of 10 um: the case reader refuses repeated points, and rounding is not what these tests are about.
POINT = st.tuples(*[st.integers(-5000, 5000).map(lambda n: 1e-5 * n)] * 2)
ROUTE = st.builds(
    lambda ends, height, width: Route(np.array(ends), height, width),
    st.lists(POINT, min_size=2, max_size=4, unique=True),
    st.sampled_from([0.2e-3, 1e-3, 3e-3]),
    st.sampled_from([0.1e-3, 0.5e-3]),
)


class TestFluxMatrix:
    @given(routes=st.lists(st.one_of(st.none(), ROUTE), min_size=1, max_size=4))
    def test_is_symmetric_and_holds_zeros_for_loops_without_a_route(self, routes):
        matrix = flux_matrix(routes)
        assert np.array_equal(matrix, matrix.T)
        for j, route in enumerate(routes):
            if route is None:
                assert not np.any(matrix[j])
            else:
                assert matrix[j, j] > 0

    @given(first=ROUTE, second=ROUTE)
    def test_both_ways_round_agree(self, first, second):
        one, other = mutual_flux(first, second), mutual_flux(second, first)
        scale = np.sqrt(mutual_flux(first, first) * mutual_flux(second, second))
        # One is taken as a line, the other with its width; they differ by what the width changes.
        assert abs(one - other) < 5e-3 * scale
        assert abs(one) < 1.001 * scale
