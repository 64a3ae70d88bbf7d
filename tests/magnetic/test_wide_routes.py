"""Currents that spread over the widths of routes: exact cross-sections, and matrices that never make energy."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layered import MM, case, edge, strip
from randomroutes import least, random_routes
from returnflow.magnetic.solving import solve_broadband, solve_expelled
from returnflow.magnetic.traces import Route, Traces, flux_matrix
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0
from returnflow_geometry.model.board import Loop, Outgoing

# ---------------------------------------------------------------- own code: rectangles over a perfect plane


def rectangles(drawn, count=200):
    """
    Inductance matrix per length of conductors (middle, width, height, thickness) over a perfect plane at 0; mm, H/m.

    All current on the surfaces, in straight pieces that crowd at the corners, each of uniform current; their mean
    logarithms from themselves, from each other and from the images in closed form. Textbook.
    """
    first, last, owner = [], [], []
    for number, (x, w, h, t) in enumerate(drawn):
        corners = np.array([[-w / 2, h], [w / 2, h], [w / 2, h + t], [-w / 2, h + t], [-w / 2, h]])
        for a, b in pairwise(corners + np.array([x, 0])):
            marks = a + np.outer(0.5 - 0.5 * np.cos(np.linspace(0, np.pi, count + 1)), b - a)
            first.append(marks[:-1])
            last.append(marks[1:])
            owner += [number] * count
    P, Q, owner = np.vstack(first), np.vstack(last), np.array(owner)
    middle = (P + Q) / 2

    def logarithms(mirror):
        p, q = P * mirror, Q * mirror
        size = np.linalg.norm(q - p, axis=1)
        u = (q - p) / size[:, None]
        away = middle[:, None] - p
        s, a = np.sum(away * u, axis=2), away[..., 0] * u[:, 1] - away[..., 1] * u[:, 0]
        a = np.where(np.abs(a) < 1e-12, 1e-12, a)
        ends = [0.5 * x * np.log(x**2 + a**2) - x + a * np.arctan(x / a) for x in (s, s - size)]
        return (ends[0] - ends[1]) / size

    unit = np.eye(len(drawn))[owner]
    found = np.linalg.solve(logarithms(np.array([1, -1])) - logarithms(np.ones(2)), unit)
    return MU0 / (2 * np.pi) * np.linalg.inv(unit.T @ found)


def test_the_own_code_knows_two_closed_forms():
    # A square far from the plane: ln(2h/r), r = 0.59017 sides (its mapping radius, textbook).
    assert rectangles([(0, 1, 100, 1)])[0, 0] == pytest.approx(2e-7 * np.log(201 / 0.59017), rel=1e-4)
    # A wide strip over the plane: mu0 h/(w + 2h/pi (1 + ln(2 pi (w/2h + 0.92)))), Wheeler, from memory.
    exact = MU0 / (8 + 2 / np.pi * (1 + np.log(2 * np.pi * (4 + 0.92))) + 0.0)
    assert rectangles([(0, 8, 1, 1e-4)])[0, 0] == pytest.approx(exact, rel=0.02)


# ---------------------------------------------------------------- boards


def board(length, routes, thickness):
    """Routes (middle, width in mm, layer, dielectric below in mm) along a plane of 16 mm that is fed over its width."""
    below = [r[3] for r in sorted(routes, key=lambda r: r[2])]

    def drawn(number):
        y, width, layer, _ = routes[number]
        path = ((0.25 * MM, y * MM), ((length - 0.25) * MM, y * MM))
        route = Outgoing(layer=f"L{layer}", path=path, width=width * MM)
        return Loop(name=f"r{number}", role="noisy", inject="b", return_="a", current=1.0, frequency=1e6, route=route)

    count = len(routes)
    plane = strip("ground", f"L{count + 1}", 0, length, 16.0, -8)
    ends = [edge(n, "ground", x, -8, x + 0.5, 8) for n, x in (("a", 0), ("b", length - 0.5))]
    thicknesses = (*[thickness] * count, 35e-6)
    review = case([plane], ends, [], [drawn(n) for n in range(count)], layers=count + 1, thickness=thicknesses)
    layers = [dataclasses.replace(x, below=b * MM) for x, b in zip(review.board.layers, below, strict=False)]
    stack = (*layers, review.board.layers[-1])
    return dataclasses.replace(review, board=dataclasses.replace(review.board, layers=stack))


def per_length(routes, thickness=1e-6, lengths=(8, 14)):
    found = []
    for length in lengths:
        review = board(length, routes, thickness)
        conductors = Conductors.of(review)
        found.append(solve_expelled(review, conductors, conductors.ends(review)).inductance)
    return (found[1] - found[0]) / ((lengths[1] - lengths[0]) * MM)


@pytest.mark.parametrize(
    ("width", "height", "thickness"),
    [(0.1, 0.4, 1), (0.4, 0.4, 1), (1, 0.4, 1), (2, 0.4, 1), (4, 0.4, 1), (0.3, 0.3, 35)],
)
def test_a_route_over_a_plane_is_a_strip_over_a_plane(width, height, thickness):
    exact = rectangles([(0, width, height, thickness * 1e-3)])[0, 0]
    # A uniform current is 3 to 7 % high.
    assert per_length([(0, width, 1, height)], thickness * 1e-6)[0, 0] == pytest.approx(exact, rel=0.005)


@pytest.mark.parametrize("shift", [0.0, 1.5])
def test_wide_routes_over_one_another_are_strips_over_one_another(shift):
    # By the flux along the first one's middle M was 19.7 nH, more than L22 of 17.1 nH.
    found = per_length([(shift, 5, 1, 0.1), (0, 5, 2, 0.3)])
    exact = rectangles([(shift, 5, 0.401, 1e-3), (0, 5, 0.3, 1e-3)])
    assert found == pytest.approx(exact, rel=0.01)
    # What is between the two, half of the whole; shifted, the current has a step where the other one ends.
    between = np.array([1, -1])
    assert between @ found @ between == pytest.approx(between @ exact @ between, rel=0.04)
    assert found[0, 1] < np.sqrt(found[0, 0] * found[1, 1])


def test_currents_that_spread_in_traces_cost_no_iterations():
    # Where the solves for the copper were added to those for the traces it took 31.
    review = board(8, [(-2, 5, 1, 0.1), (3, 2, 2, 0.3)], 35e-6)
    conductors = Conductors.of(review)
    model = solve_broadband(review, conductors, conductors.ends(review), None)
    assert model.system.spreads.shape[1] >= 10
    assert max(n for _, n in model.shifts) <= 16


def test_what_a_trace_adds_to_the_resistance_is_what_its_crowding_dissipates():
    """Up to two thicknesses wide it carries an even current and adds nothing: the return alone is left, of either."""
    frequency, slopes, crowding = 1e8, [], []
    for width in (0.06, 0.25):
        found = []
        for length in (8, 14):
            review = board(length, [(0, width, 1, 1.0)], 35e-6)
            conductors = Conductors.of(review)
            model = solve_broadband(review, conductors, conductors.ends(review), None).both[0]
            y, sheets = model.reduced(frequency)[:, 0], model.of_foils(frequency)
            lost = [s.real * (y.conj() @ foil.dissipation @ y).real for s, foil in zip(sheets, model.foils, strict=True)
                    if foil.level < 0]  # fmt: skip
            found.append((model.impedance(frequency)[0, 0].real, sum(lost)))
        slope, lost = (np.subtract(*found[::-1]) / (6 * MM)).tolist()
        slopes.append(slope)
        crowding.append(lost)
    assert crowding[0] == 0
    assert slopes[1] > 4 * slopes[0]
    assert slopes[1] - crowding[1] == pytest.approx(slopes[0], rel=0.03)


# ---------------------------------------------------------------- no energy from nothing

POINT = st.tuples(*[st.integers(-60, 60).map(lambda n: 1e-4 * n)] * 2)
ROUTE = st.builds(
    lambda ends, height, width, thickness: Route(np.array(ends), height, width, thickness),
    st.lists(POINT, min_size=2, max_size=3, unique=True),
    st.sampled_from([0.1e-3, 0.13e-3, 0.2e-3, 1e-3]),
    st.sampled_from([0.1e-3, 0.5e-3, 2e-3, 5e-3]),
    st.sampled_from([1e-6, 35e-6]),
)


@settings(deadline=None)
@given(routes=st.lists(ROUTE, min_size=2, max_size=4))
def test_no_currents_in_traces_have_negative_energy(routes):
    assert least(flux_matrix(routes)) > -1e-9
    assert least(Traces.of([routes]).flux) > -1e-9


@pytest.mark.parametrize("seed", [28, 34])
def test_boards_with_wide_stacked_and_crossing_routes_are_passive(seed):
    # With uniform currents, and flux along middle lines, the least were -0.28 and -0.33. More: benchmarks/passive.py.
    assert random_routes(seed).least() > -1e-6
