"""Inductance of strips on levels over one another, against double integrals; and what levels cannot be."""

from __future__ import annotations

import re

import numpy as np
import pytest
from test_layers_induction import Floats, rectangle_of, stacked, two

from returnflow.magnetic.induction import PanelOperator
from returnflow.resistive.foil import MU0

# ---------------------------------------------------------------- a two-plane strip line


def two_strips(width: float, length: float, distance: float, points: int = 20) -> float:
    """
    Integral of 1/r - 1/R over a rectangle twice: 4 times that of (w - u)(l - v)(...) over u and v, graded to 0.

    Derived (both integrals depend on differences of places only). Gauss points on intervals that halve towards 0.
    """
    nodes, weights = np.polynomial.legendre.leggauss(points)
    rules = []
    for end in (width, length):
        marks = np.concatenate([[0.0], end * 0.5 ** np.arange(40, -1, -1)])
        half = 0.5 * np.diff(marks)[:, None]
        rules.append(((marks[:-1, None] + half + half * nodes).ravel(), (half * weights).ravel()))
    (u, wu), (v, wv) = rules
    r2 = u[:, None] ** 2 + v**2
    # 1/r - 1/R without cancellation.
    kernel = distance**2 / (np.sqrt(r2) * np.sqrt(r2 + distance**2) * (np.sqrt(r2) + np.sqrt(r2 + distance**2)))
    return float(4 * ((width - u) * wu) @ kernel @ ((length - v) * wv))


def strip_line(width: float, distance: float) -> float:
    """
    Inductance per length of opposite uniform currents in two thin strips, H/m.

    mu0/pi times the difference of the logarithms of the mean distances, of the strips and of one from itself:
    closed form, mu0 d/w [1 - (d/w)(ln(w/d) + 3/2)/pi + ...]. Derived.
    """
    b = distance / width
    apart = 0.5 * (1 - b * b) * np.log1p(b * b) + b * b * np.log(b) + 2 * b * np.arctan(1 / b)
    return float(MU0 / np.pi * apart)


def inductance(width: float, length: float, distance: float, step: float, seeds: tuple[int, int]) -> float:
    """Of opposite uniform currents along two strips, henry."""
    corners, level = stacked(*(rectangle_of(width, length, step, seed) for seed in seeds))
    K = np.where(level == 0, 1.0, -1.0) / width
    return float(MU0 / (4 * np.pi) * (K @ (PanelOperator(corners, level, two(distance)) @ K)))


STRIPS = [(1, 1), (1, 2)]  # the same net on both levels, and two that do not match


@pytest.mark.parametrize("seeds", STRIPS)
@pytest.mark.parametrize("distance", [8e-3, 2e-3, 4e-4, 1e-4, 2e-5])
def test_two_opposite_strips_by_a_double_integral(seeds: tuple[int, int], distance: float) -> None:
    # At 2e-5 m the triangles are 100 times as wide as the distance, and one level's own part is 1000 times what is
    # left of the two: where the nets do not match, what the quadrature of middling pairs leaves begins to show.
    width, length = 0.02, 0.06
    exact = MU0 / (2 * np.pi) * two_strips(width, length, distance) / width**2
    value = inductance(width, length, distance, 2e-3, seeds)
    assert value == pytest.approx(exact, rel=4e-4 if distance >= 1e-4 else 1.5e-3)


@pytest.mark.parametrize("seeds", STRIPS)
def test_strip_line_tends_to_the_field_between_two_plates(seeds: tuple[int, int]) -> None:
    width, lengths, step = 0.01, (0.05, 0.08), 2e-3
    off = []
    for distance in (2e-3, 1e-3, 5e-4, 2e-4, 1e-4):
        # Two lengths: their ends are alike, and the difference is the middle.
        short, long = (inductance(width, length, distance, step, seeds) for length in lengths)
        per_length = (long - short) / (lengths[1] - lengths[0])
        assert per_length == pytest.approx(strip_line(width, distance), rel=1e-3), distance
        off.append(1 - per_length / (MU0 * distance / width))
    # The classical correction falls as (d/w)(ln(w/d) + 3/2)/pi, 1.9 % at w/d = 100.
    assert np.all(np.diff(off) < 0), off
    assert off[-1] == pytest.approx(0.0194, abs=5e-4), off


def test_the_judges_of_strips_agree_and_tell_wrong_distances() -> None:
    # The double integral's own difference of two lengths is the closed form; neither shares code with the other.
    width, distance = 0.01, 5e-4
    long, short = (two_strips(width, length, distance) for length in (0.08, 0.05))
    per_length = MU0 / (2 * np.pi) * (long - short) / width**2 / 0.03
    assert per_length == pytest.approx(strip_line(width, distance), rel=2e-4)
    assert abs(strip_line(width, 1.01 * distance) / per_length - 1) > 5e-3
    assert two_strips(width, 0.05, distance, 12) == pytest.approx(short, rel=1e-6)


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("level", "distance", "message"),
    [
        ([0, 0, 1], two(1e-3), "level. Must be integers >= 0 of shape (4,), got int64 of shape (3,)"),
        ([0.0, 0.0, 1.0, 1.0], two(1e-3), "got float64"),
        ([0, 0, 1, -1], two(1e-3), "Must be integers >= 0"),
        ([0, 0, 1, 1], None, "Missing distance"),
        ([0, 0, 2, 2], two(1e-3), "3 x 3 at least, got shape (2, 2)"),
        ([0, 0, 1, 1], np.zeros((2, 3)), "Must be square"),
        ([0, 0, 1, 1], two(0.0), "> 0 m elsewhere"),
        ([0, 0, 1, 1], two(-1e-3), "> 0 m elsewhere"),
        ([0, 0, 1, 1], two(np.nan), "> 0 m elsewhere"),
        ([0, 0, 1, 1], two(np.inf), "> 0 m elsewhere"),
        ([0, 0, 1, 1], two(1e-3) + np.eye(2), "0 m on the diagonal"),
        ([0, 0, 1, 1], np.array([[0, 1e-3], [2e-3, 0]]), "Must be symmetric"),
    ],
)
def test_levels_that_cannot_be_are_refused(level: list[float], distance: Floats | None, message: str) -> None:
    corners = np.array([[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]] * 4)
    with pytest.raises(ValueError, match=re.escape(message)):
        PanelOperator(corners, np.array(level), distance)
