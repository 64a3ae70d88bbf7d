"""Integrals of 1/R over triangles of one or two planes, against integrals that share no code with them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from returnflow.magnetic.near_pairs import facing_integrals, outline_integrals
from returnflow.magnetic.panels import RULE_2, RULE_5, pair_integrals, potential, self_integral

Floats = NDArray[np.float64]
ALL_CORES = True  # see tests/conftest.py
RIGHT = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])


# ---------------------------------------------------------------- second routes


def potential_by_angle(corners: Floats, place: Floats, height: float = 0.0, points: int = 40) -> float:
    """
    Integral of 1/r over a triangle in polar coordinates about the place: of sqrt(rho(a)^2 + h^2) - h over the angle.

    Each edge adds its own sector with its sign. Gauss points in u, tan(angle from the foot) = sinh(u): the
    integrand sqrt(t^2 cosh(u)^2 + h^2) / cosh(u) is smooth however near the place is to the edge.
    """
    nodes, weights = np.polynomial.legendre.leggauss(points)
    total = 0.0
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (end - start) / np.linalg.norm(end - start)
        first, second = start - place, end - place
        t = first[0] * along[1] - first[1] * along[0]
        if abs(t) < 1e-13:
            continue
        low, high = (np.arcsinh((p @ along) / abs(t)) for p in (first, second))
        pieces = np.linspace(low, high, 6)
        u = (0.5 * (pieces[:-1] + pieces[1:])[:, None] + 0.5 * np.diff(pieces)[:, None] * nodes).ravel()
        w = (0.5 * np.diff(pieces)[:, None] * weights).ravel()
        ring = np.sqrt((t * np.cosh(u)) ** 2 + height**2) - height
        total += np.sign(t) * float(np.sum(w * ring / np.cosh(u)))
    return total


def pieces_of(corners: Floats, levels: int, towards: Floats) -> Floats:
    """Triangle cut in four again and again, but only where a piece is near one of some places: shape (n, 3, 2)."""
    done, current = [], corners[None]
    for _ in range(levels):
        centre = current.mean(axis=1)
        size = np.max(np.linalg.norm(current - centre[:, None], axis=2), axis=1)
        near = np.min(np.linalg.norm(centre[:, None] - towards, axis=2), axis=1) < 2.5 * size
        done.append(current[~near])
        a, b, c = current[near].transpose(1, 0, 2)
        ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
        current = np.concatenate([np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    return np.concatenate([*done, current])


def pair_by_subdivision(first: Floats, second: Floats, levels: int = 8, height: float = 0.0) -> float:
    """Double integral of 1/R: degree 5 on pieces of the first that shrink towards the second's edges, closed inside."""
    edge = np.linspace(0, 1, 65)[:, None]
    rim = np.concatenate([p + edge * (q - p) for p, q in zip(second, np.roll(second, -1, axis=0), strict=True)])
    parts = pieces_of(first, levels, rim)
    u, v = parts[:, 1] - parts[:, 0], parts[:, 2] - parts[:, 0]
    area = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    points, weights = RULE_5
    values = potential(np.broadcast_to(second, parts.shape), points @ parts, height)
    return float(np.sum(values @ weights * area))


# ---------------------------------------------------------------- rules and closed forms


@pytest.mark.parametrize(("rule", "degree"), [(RULE_2, 2), (RULE_5, 5)])
def test_a_rule_is_exact_up_to_its_degree_and_not_beyond(rule: tuple[Floats, Floats], degree: int) -> None:
    points, weights = rule
    x, y = points[:, 1], points[:, 2]
    # Integral of x^a y^b over the unit right triangle, over its area: 2 a! b! / (a + b + 2)!
    exact = [
        [2 * float(np.prod(range(1, a + 1))) * float(np.prod(range(1, b + 1))) for b in range(degree + 2)]
        for a in range(degree + 2)
    ]
    misses = []
    for a in range(degree + 2):
        for b in range(degree + 2 - a):
            value = float(np.sum(weights * x**a * y**b))
            truth = exact[a][b] / float(np.prod(range(1, a + b + 3)))
            if a + b <= degree:
                assert value == pytest.approx(truth, rel=1e-13, abs=1e-16), (a, b)
            else:
                misses.append(abs(value - truth))
    assert max(misses) > 1e-5


@pytest.mark.parametrize("height", [0.0, 0.02, 0.7])
@pytest.mark.parametrize(
    "place", [(0.2, 0.3), (0.0, 0.0), (0.5, 0.5), (0.5, 0.0), (2.0, 0.0), (-1.0, -1e-9), (0.3, 0.6999), (-4.0, 7.0)]
)
def test_potential_of_a_triangle_is_its_polar_integral(place: tuple[float, float], height: float) -> None:
    where = np.array(place)
    value = potential(RIGHT[None], where[None, None], height)[0, 0]
    assert value == pytest.approx(potential_by_angle(RIGHT, where, height), rel=1e-9)


def test_potential_of_a_square_at_its_centre() -> None:
    # Side a: 4 a ln(1 + sqrt 2), textbook.
    square = np.array([[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]], [[0.0, 0.0], [1.0, 1.0], [0.0, 1.0]]])
    value = potential(square, np.full((2, 1, 2), 0.5)).sum()
    assert value == pytest.approx(4 * np.log(1 + np.sqrt(2)), rel=1e-13)


def test_potential_far_away_is_area_over_distance() -> None:
    value = potential(RIGHT[None], np.array([[[300.0, 400.0]]]))[0, 0]
    assert value == pytest.approx(0.5 / np.hypot(300 - 1 / 3, 400 - 1 / 3), rel=1e-6)


def test_a_square_with_itself_from_its_two_halves() -> None:
    # Unit square: 4 [ln(1 + sqrt 2) - (sqrt 2 - 1)/3] (mean of 1/r in a square, textbook).
    square = np.array([[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]], [[0.0, 0.0], [1.0, 1.0], [0.0, 1.0]]])
    own = self_integral(square)
    cross = pair_integrals(square, np.array([0]), np.array([1]))[0]
    exact = 4 * (np.log(1 + np.sqrt(2)) - (np.sqrt(2) - 1) / 3)
    assert own[0] == pytest.approx(own[1], rel=1e-14)
    assert own.sum() + 2 * cross == pytest.approx(exact, rel=2e-5)


NEIGHBOURS = {
    "share an edge": [[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]],
    "share a corner": [[1.0, 0.0], [2.0, 0.1], [1.3, 0.9]],
    "touch in part of an edge": [[0.2, 0.0], [0.3, -0.8], [1.7, 0.0]],
    "apart by less than a size": [[0.4, 0.9], [1.2, 0.6], [1.0, 1.5]],
    "apart by about two sizes": [[1.6, 0.4], [2.4, 0.5], [1.8, 1.2]],
    "apart by three sizes": [[2.4, 1.4], [3.3, 1.5], [2.6, 2.4]],
    "apart by six sizes": [[4.0, 3.0], [4.9, 3.2], [4.2, 4.0]],
    "a hundred times smaller, on an edge": [[0.5, 0.5], [0.51, 0.5], [0.505, 0.508]],
    "a hundred times smaller, at a corner": [[0.0, 1.0], [0.008, 1.001], [0.001, 1.009]],
    "a hundred times larger, on an edge": [[0.0, 0.0], [40.0, -100.0], [70.0, 0.0]],
    "sliver along an edge": [[0.0, 0.0], [0.5, -0.02], [1.0, 0.0]],
    "sliver across a corner": [[1.0, 0.0], [1.8, 0.01], [1.8, 0.05]],
}


@pytest.mark.parametrize("name", NEIGHBOURS)
def test_pair_integral_by_brute_force(name: str) -> None:
    pair = np.array([RIGHT, NEIGHBOURS[name]])
    u, v = pair[:, 1] - pair[:, 0], pair[:, 2] - pair[:, 0]
    assert np.all(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] > 0), "corners must be counter-clockwise"
    one, other = pair_integrals(pair, np.array([0, 1]), np.array([1, 0]))
    assert one == pytest.approx(other, rel=1e-14)
    smaller, larger = sorted(pair, key=lambda t: abs(np.linalg.det(t[1:] - t[0])))
    assert one == pytest.approx(pair_by_subdivision(smaller, larger), rel=1e-3 if name.startswith("apart") else 2e-4)


@pytest.mark.parametrize(
    "triangle", [RIGHT, [[0.0, 0.0], [1.0, 0.0], [0.5, 0.02]], [[0.0, 0.0], [3.0, 1.0], [0.1, 0.6]]]
)
def test_self_integral_by_brute_force(triangle: Floats) -> None:
    corners = np.array(triangle)
    exact = pair_by_subdivision(corners, corners, levels=6)
    assert self_integral(corners[None])[0] == pytest.approx(exact, rel=1e-4)


def test_brute_force_sees_a_wrong_integral() -> None:
    """The judge itself: it converges, and it tells a pair from a shifted pair."""
    other = np.array(NEIGHBOURS["share a corner"])
    coarse, fine = (pair_by_subdivision(RIGHT, other, levels=n) for n in (3, 6))
    assert coarse == pytest.approx(fine, rel=1e-4)
    assert abs(pair_by_subdivision(RIGHT, other + np.array([0.01, 0.0]), levels=4) / fine - 1) > 2e-3


# ---------------------------------------------------------------- two planes


OVER = {
    "over itself": [[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]],
    "over itself, other corner first": [[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]],
    "across": [[-0.2, 0.1], [0.7, 0.2], [0.2, 0.8]],
    "shifted along an edge": [[0.3, 0.0], [1.3, 0.0], [0.3, 1.0]],
    "just over a corner": [[0.85, 0.05], [1.7, 0.1], [0.9, 0.9]],
    "on the other side of an edge": [[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]],
    "beside": [[1.1, 0.3], [2.0, 0.5], [1.2, 1.2]],
    "ten times smaller, inside": [[0.3, 0.25], [0.4, 0.27], [0.33, 0.35]],
    "ten times smaller, over an edge": [[0.45, 0.47], [0.55, 0.49], [0.48, 0.57]],
    "hundred times larger": [[-40.0, -30.0], [60.0, -20.0], [-10.0, 70.0]],
    "sliver across": [[-0.1, 0.3], [0.9, 0.27], [0.4, 0.36]],
}


@pytest.mark.parametrize("height", [0.01, 0.05, 0.3, 1.5, 4.0])
@pytest.mark.parametrize("name", OVER)
def test_pair_of_two_planes_by_brute_force(name: str, height: float) -> None:
    # Checked against subdivision towards the other's outline with the closed potential inside. A size here is 0.7.
    pair = np.array([RIGHT, OVER[name]])
    smaller, larger = sorted(pair, key=lambda t: abs(np.linalg.det(t[1:] - t[0])))
    exact = pair_by_subdivision(smaller, larger, levels=9, height=height)
    one, other = pair_integrals(pair, np.array([0, 1]), np.array([1, 0]), np.full(2, height))
    assert one == pytest.approx(other, rel=1e-13)
    near = height < 1
    assert one == pytest.approx(exact, rel=2e-4 if near else 5e-4)
    facing = facing_integrals(smaller[None], larger[None], np.array([height]))[0]
    assert facing == pytest.approx(exact, rel=2e-4)
    if "side" not in name.split():
        # What a strip line is made of: one plane less two.
        flat = pair_by_subdivision(smaller, larger, levels=9)
        if height in (0.05, 0.3):
            assert flat - facing == pytest.approx(flat - exact, rel=2e-3), "a tenth of what is wanted"


def test_two_squares_facing_each_other_by_their_differences_of_places() -> None:
    # Unit squares: 4 times the integral of (1 - u)(1 - v)/sqrt(u^2 + v^2 + d^2), derived; Gauss, graded to 0.
    nodes, weights = np.polynomial.legendre.leggauss(20)
    marks = np.concatenate([[0.0], 0.5 ** np.arange(30, -1, -1)])
    half = 0.5 * np.diff(marks)[:, None]
    u, w = (
        (marks[:-1, None] + half + half * nodes).ravel(),
        (half * weights).ravel() * (1 - (marks[:-1, None] + half + half * nodes).ravel()),
    )
    rising = np.array([[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]], [[0.0, 0.0], [1.0, 1.0], [0.0, 1.0]]])
    falling = np.array([[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]], [[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]])
    for below in (rising, falling):
        corners = np.concatenate([rising, below])
        for d in (1e-4, 0.01, 0.1, 1.0, 10.0):
            exact = 4 * w @ (1 / np.sqrt(u[:, None] ** 2 + u**2 + d * d)) @ w
            total = pair_integrals(corners, np.array([0, 0, 1, 1]), np.array([2, 3, 2, 3]), np.full(4, d)).sum()
            assert total == pytest.approx(exact, rel=1e-4), d


def test_two_planes_become_one_with_their_distance() -> None:
    pairs = [np.array([RIGHT, NEIGHBOURS[name]]) for name in NEIGHBOURS]
    corners = np.concatenate(pairs)
    i, j = np.arange(0, len(corners), 2), np.arange(1, len(corners), 2)
    flat = pair_integrals(corners, i, j)
    assert np.array_equal(pair_integrals(corners, i, j, np.zeros(len(i))), flat)
    # Nothing overlaps: what the distance changes is of second order, up to a logarithm where an edge is shared.
    errors = [np.max(np.abs(pair_integrals(corners, i, j, np.full(len(i), d)) / flat - 1)) for d in (1e-2, 1e-3, 1e-4)]
    assert errors[1] < 0.2 * errors[0], errors
    # Then the quadrature of one plane and of two: 2e-4 each.
    assert errors[2] < 3e-4, errors
    assert np.isfinite(pair_integrals(corners, i, j, np.full(len(i), 1e-12))).all()


def test_random_pairs_of_two_planes_are_good_to_their_tier() -> None:
    # Against the outlines with 100 points each, themselves checked above; fat and thin triangles, 1 : 1 and 1 : 4.
    rng = np.random.default_rng(80317)
    count = 1500
    triangles = rng.uniform(-1, 1, (40 * count, 3, 2))
    u, v = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    area = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    longest = np.max(np.linalg.norm(triangles - np.roll(triangles, 1, axis=1), axis=2), axis=1)
    good = np.flatnonzero(area > 0.2 * longest**2)[: 2 * count]
    triangles = (triangles - triangles.mean(axis=1, keepdims=True))[good] / np.sqrt(area[good])[:, None, None]
    one, other = triangles[:count], triangles[count:] * rng.choice([1.0, 0.25], (count, 1, 1))
    other = other + rng.uniform(-4, 4, (count, 1, 2)) * rng.choice([0.4, 1.0], (count, 1, 1))
    i = np.arange(count)
    corners = np.concatenate([one, other])
    flat_away = np.linalg.norm(one.mean(axis=1) - other.mean(axis=1), axis=1)
    reach = np.max(np.linalg.norm(one, axis=2), axis=1)
    away = flat_away > 2.2 * reach
    plane = pair_integrals(corners, i[away], count + i[away])
    plane_error = np.abs(plane / outline_integrals(other[away], one[away], np.full(away.sum(), 1e-9), 100) - 1)
    for height in (0.01, 0.05, 0.5, 2.0):
        d = np.full(count, height)
        exact = outline_integrals(other, one, d, 100)
        value = pair_integrals(corners, i, count + i, d)
        error = np.abs(value / exact - 1)
        near = np.hypot(flat_away, height) < 2.2 * reach
        assert np.count_nonzero(near) > 100
        assert np.max(error[near]) < 2e-4 if height >= 0.05 else np.quantile(error[near], 0.99) < 2e-4
        # Further pairs are as good as those of one plane, which thin triangles take beyond 1e-3.
        assert np.max(error[~near]) < 1.05 * np.max(plane_error) < 2e-3
        assert np.mean(error[~near] ** 2) < 1.05 * np.mean(plane_error**2)
