"""Currents on several levels of copper: the operator across distances, and what two close planes leave of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.sparse import csr_array
from scipy.spatial import Delaunay

from returnflow.magnetic.induction import PanelOperator
from returnflow.magnetic.panels import pair_integrals
from returnflow.magnetic.quadtree import Quadtree
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.model.shapes import circle, rectangle

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SEED = 61427


# ---------------------------------------------------------------- coppers


def net(width: float, length: float, step: float, seed: int) -> tuple[Floats, Ints]:
    """Points and triangles of a rectangle at the origin; inner points moved at random, so that no two nets match."""
    rng = np.random.default_rng(seed)
    nx, ny = round(width / step), round(length / step)
    x, y = np.meshgrid(np.linspace(0, width, nx + 1), np.linspace(0, length, ny + 1), indexing="ij")
    move = rng.uniform(-0.3, 0.3, (2, *x.shape)) * step
    move[0][[0, -1]] = 0
    move[1][:, [0, -1]] = 0
    points = np.stack([x + move[0], y + move[1]], axis=2).reshape(-1, 2)
    triangles = Delaunay(points).simplices
    return points, triangles[areas(points[triangles]) > 1e-9 * step**2].astype(np.int64)


def rectangle_of(width: float, length: float, step: float, seed: int) -> Floats:
    points, triangles = net(width, length, step, seed)
    corners: Floats = points[triangles]
    assert areas(corners).sum() == pytest.approx(width * length, rel=1e-12)
    return corners


def graded(x: float, y: float) -> Floats:
    """Sizes that span a factor of 100 on a board 100 mm wide, finest at a place."""
    contact = circle(x, y, 3e-4, corners=10)
    size = SizeField(np.array([[x, y]]), np.array([1.5e-4]), 0.02, growth=0.45)
    mesh = Mesher(Plane(rectangle(-0.05, -0.05, 0.05, 0.05), [contact])).graded(size)
    return mesh.points[mesh.triangles]


def areas(corners: Floats) -> Floats:
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area: Floats = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    return area


def stacked(*parts: Floats) -> tuple[Floats, Ints]:
    """Corners of several coppers, and the level of each triangle."""
    return np.concatenate(parts), np.repeat(np.arange(len(parts)), [len(part) for part in parts])


def two(distance: float) -> Floats:
    return np.array([[0.0, distance], [distance, 0.0]])


def dense(corners: Floats, level: Ints, distance: Floats) -> Floats:
    """All pairs."""
    count = len(corners)
    rows = []
    for begin in range(0, count, 64):
        i = np.repeat(np.arange(begin, min(count, begin + 64)), count)
        j = np.tile(np.arange(count), len(i) // count)
        rows.append(pair_integrals(corners, i, j, distance[level[i], level[j]]))
    return np.concatenate(rows).reshape(count, count)


# ---------------------------------------------------------------- one level


def test_one_level_is_one_plane_to_the_last_bit() -> None:
    corners = graded(0.01, 0.02)
    q = np.random.default_rng(SEED).standard_normal((len(corners), 3))
    plane = PanelOperator(corners) @ q
    none = np.zeros(len(corners), dtype=np.int64)
    assert np.array_equal(PanelOperator(corners, none) @ q, plane)
    assert np.array_equal(PanelOperator(corners, none + 1, two(1e-3)) @ q, plane)


@pytest.mark.parametrize("distance", [1e-6, 1e-3])
def test_a_level_does_not_feel_that_another_is_there(distance: float) -> None:
    # The part of one level in the operator of two: the same but for where the boxes fall.
    one, other = rectangle_of(0.02, 0.02, 1e-3, 1), rectangle_of(0.02, 0.02, 9e-4, 2)
    corners, level = stacked(one, other)
    q = np.random.default_rng(SEED).standard_normal(len(one))
    both = PanelOperator(corners, level, two(distance)) @ np.concatenate([q, np.zeros(len(other))])
    alone = PanelOperator(one) @ q
    assert both[: len(one)] == pytest.approx(alone, rel=1e-4, abs=1e-4 * np.max(np.abs(alone)))


# ---------------------------------------------------------------- limits


def test_close_levels_tend_to_one_plane() -> None:
    # The same net on both: what one does to the other is what it does to itself.
    one = rectangle_of(0.03, 0.02, 1e-3, 1)
    corners, level = stacked(one, one)
    q = np.cos(one.mean(axis=1) @ np.array([90.0, 50.0]))
    own = PanelOperator(one) @ q
    q = np.concatenate([q, np.zeros(len(one))])
    errors = []
    for d in 1e-3 * 0.1 ** np.arange(5):
        across = (PanelOperator(corners, level, two(d)) @ q)[len(one) :]
        errors.append(float(np.linalg.norm(across - own) / np.linalg.norm(own)))
    assert np.all(np.array(errors[1:]) < 0.15 * np.array(errors[:-1])), errors
    assert errors[-1] < 2e-5, errors


@pytest.mark.parametrize("seeds", [(1, 1), (1, 2)])
def test_what_close_levels_leave_of_each_other_is_the_charge_between(seeds: tuple[int, int]) -> None:
    """
    A plate seen from the other, less itself: 2 pi d times its density, as the potential between charged plates.

    Derived; the rest of first order is d times the field of the plate's rim, cut off here at some distance of it.
    """
    one, other = (rectangle_of(0.03, 0.03, 1e-3, seed) for seed in seeds)
    corners, level = stacked(one, other)
    middle = corners.mean(axis=1)
    q = 1 + 0.2 * np.cos(middle @ np.array([200.0, 150.0]))
    inner = np.all((middle > 0.008) & (middle < 0.022), axis=1) & (level == 1)
    area = areas(corners)
    for d in (1e-4, 5e-5):
        operator = PanelOperator(corners, level, two(d))
        opposed = operator @ np.where(level == 1, q, -q)
        # As one number over the inner part: single triangles keep what their own rule leaves.
        ratio = float(np.sum(opposed[inner]) / (2 * np.pi * d * np.sum((area * q)[inner])))
        assert ratio == pytest.approx(1, abs=0.03), d
        assert opposed[inner] / (2 * np.pi * d * (area * q)[inner]) == pytest.approx(1, abs=0.15)


def test_distant_levels_see_each_other_as_points() -> None:
    corners, level = stacked(rectangle_of(0.03, 0.02, 2e-3, 1), rectangle_of(0.02, 0.02, 2e-3, 2))
    q = np.where(level == 0, 1.0, 0.0)
    area = areas(corners)
    errors = []
    for d in (0.05, 0.1, 0.2, 0.4):
        seen = (PanelOperator(corners, level, two(d)) @ q)[level == 1]
        points = area[level == 1] * area[level == 0].sum() / d
        errors.append(float(np.max(np.abs(seen / points - 1))))
    # The next term is quadratic in size over distance.
    assert np.log2(np.array(errors[:-1]) / errors[1:]) == pytest.approx(2, abs=0.2), errors
    assert errors[-1] < 4e-3, errors


# ---------------------------------------------------------------- the operator as a whole


HEIGHTS = (1e-4, 1.5e-3, 2e-2)


@pytest.fixture(scope="module", params=HEIGHTS)
def three(request: pytest.FixtureRequest) -> tuple[Floats, Ints, Floats, Floats]:
    """Three graded coppers, whose distances do not add up; level 2 stays empty."""
    parts = [graded(0.01, 0.02), graded(-0.02, 0.013), rectangle_of(0.05, 0.04, 5e-3, 5)]
    corners, level = stacked(*parts)
    level = np.array([0, 1, 3])[level]
    d = request.param * np.array([[0, 1, 9, 2.4], [1, 0, 9, 1.3], [9, 9, 0, 9], [2.4, 1.3, 9, 0]])
    return corners, level, d, dense(corners, level, d)


def test_three_graded_levels_are_the_sum_over_all_pairs(three: tuple[Floats, Ints, Floats, Floats]) -> None:
    corners, level, distance, exact = three
    root = np.sqrt(areas(corners))
    operator = PanelOperator(corners, level, distance)
    rng = np.random.default_rng(SEED)
    smooth = np.sin(corners.mean(axis=1) @ np.array([40.0, 25.0]))
    opposed = np.where(level == 1, -1.0, 1.0)
    for q, allowed in ((rng.standard_normal(len(corners)) / root, 1e-3), (smooth, 2e-4), (opposed, 2e-4)):
        off = (operator @ q - exact @ q) / root
        assert np.linalg.norm(off) <= allowed * np.linalg.norm(exact @ q / root)


def test_all_pairs_are_symmetric_and_so_is_the_operator(three: tuple[Floats, Ints, Floats, Floats]) -> None:
    corners, level, distance, exact = three
    assert np.max(np.abs(exact - exact.T)) < 1e-14 * np.max(exact)
    operator = PanelOperator(corners, level, distance)
    p, q = np.random.default_rng(SEED).standard_normal((2, len(corners)))
    assert abs(p @ (operator @ q) - q @ (operator @ p)) < 1e-6 * np.linalg.norm(p) * np.linalg.norm(operator @ q)


def test_a_sandwich_is_the_operator_between_its_maps(three: tuple[Floats, Ints, Floats, Floats]) -> None:
    corners, level, distance, _ = three
    operator = PanelOperator(corners, level, distance)
    rng = np.random.default_rng(SEED)
    maps = [csr_array(rng.standard_normal((len(corners), 40)) * (rng.random((len(corners), 40)) < 0.1)) for _ in "xy"]
    values = rng.standard_normal((40, 2))
    direct = sum(part.T @ (operator @ (part @ values)) for part in maps)
    assert operator.between(maps) @ values == pytest.approx(direct, rel=1e-5, abs=1e-5 * np.max(np.abs(direct)))


def test_more_polynomials_bring_levels_to_the_sum_over_all_pairs() -> None:
    # A distance at which boxes right above each other already count as far apart.
    corners, level = stacked(rectangle_of(0.04, 0.04, 2.5e-3, 1), rectangle_of(0.04, 0.04, 2.5e-3, 2))
    distance = two(0.012)
    tree = Quadtree.of(corners, 40, level)
    (a, b), _ = tree.interactions(0.5, distance)
    gap = np.maximum(tree.low[a] - tree.high[b], tree.low[b] - tree.high[a])
    assert np.any(np.all(gap < 0, axis=1)), "boxes above each other talk through polynomials"
    q = np.random.default_rng(SEED).standard_normal(len(corners))
    q[level == 1] = 0
    exact = (dense(corners, level, distance) @ q)[level == 1]
    errors = [
        float(np.linalg.norm((PanelOperator(corners, level, distance, order=p) @ q)[level == 1] - exact))
        / float(np.linalg.norm(exact))
        for p in (2, 3, 4, 5, 6)
    ]
    assert np.all(np.diff(errors) < 0), errors
    assert errors[-1] < 5e-4, errors


def test_names_and_order_of_levels_change_nothing() -> None:
    parts = [rectangle_of(0.03, 0.02, 1.5e-3, seed) for seed in (1, 2, 3)]
    corners, level = stacked(*parts)
    distance = 1e-3 * np.array([[0, 0.3, 1.6], [0.3, 0, 1.1], [1.6, 1.1, 0]])
    rng = np.random.default_rng(SEED)
    q = rng.standard_normal(len(corners))
    value = PanelOperator(corners, level, distance) @ q
    name = np.array([2, 0, 1])
    renamed = np.empty_like(distance)
    renamed[np.ix_(name, name)] = distance
    mixed = rng.permutation(len(corners))
    other = PanelOperator(np.roll(corners[mixed], 1, axis=1), name[level][mixed], renamed) @ q[mixed]
    assert np.max(np.abs(other - value[mixed])) < 1e-6 * np.max(np.abs(value))


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(1, 60), min_size=1, max_size=5), st.sampled_from([3, 10, 40]))
def test_boxes_hold_every_pair_once(seed: int, counts: list[int], capacity: int) -> None:
    rng = np.random.default_rng(seed)
    count = sum(counts)
    names = rng.permutation(9)[: len(counts)]
    level = rng.permutation(np.repeat(names, counts))
    corners = rng.random((count, 1, 2)) ** 3 + 0.01 * rng.random((count, 3, 2))
    heights = rng.random(9)
    tree = Quadtree.of(corners, capacity, level)
    far, near = tree.interactions(0.5, np.abs(heights[:, None] - heights))
    seen = np.zeros((count, count), dtype=int)
    for a, b in zip(*np.concatenate([far, near], axis=1), strict=True):
        one, other = (tree.order[tree.start[n] : tree.end[n]] for n in (a, b))
        seen[np.ix_(one, other)] += 1
        seen[np.ix_(other, one)] += a != b
    assert np.all(seen == 1)
    inside = corners.min(axis=1)[tree.order], corners.max(axis=1)[tree.order]
    for n in range(len(tree.start)):
        mine = slice(tree.start[n], tree.end[n])
        assert np.all(level[tree.order[mine]] == tree.level[n])
        assert np.all(inside[0][mine] >= tree.low[n])
        assert np.all(inside[1][mine] <= tree.high[n])


# ---------------------------------------------------------------- energy is positive


@pytest.mark.parametrize("seeds", [(1, 1), (1, 2)])
@pytest.mark.parametrize("distance", [1e-3, 1e-4, 1e-5, 1e-6])
def test_energy_of_any_currents_on_two_levels_is_positive(seeds: tuple[int, int], distance: float) -> None:
    """
    The whole operator has no eigenvalue near zero, nor has what loops make of it.

    Currents of a wave number k leave 2 pi/k in one plane and, opposed in two, 2 pi (1 - exp(-k d))/k (derived). The
    lowest eigenvalue of one plane tells the largest k that its triangles carry, and so what two must leave.
    """
    width, length, step = 0.02, 0.024, 2e-3
    nets = [net(width, length, step, seed) for seed in seeds]
    corners, level = stacked(*(points[triangles] for points, triangles in nets))
    operator = PanelOperator(corners, level, two(distance))
    matrix = operator @ np.eye(len(corners))
    area = areas(corners)
    matrix = 0.5 * (matrix + matrix.T) / np.sqrt(area[:, None] * area)
    plane = min(float(np.linalg.eigvalsh(matrix[np.ix_(level == k, level == k)])[0]) for k in (0, 1))
    least = plane * (1 - np.exp(-2 * np.pi * distance / plane))
    assert np.linalg.eigvalsh(matrix)[0] > 0.7 * least
    # Stream functions that vanish on the rims, one per inner point.
    maps = [block_diag(*parts) for parts in zip(*(curls(*mesh) for mesh in nets), strict=True)]
    points = np.concatenate([points for points, _ in nets])
    inner = np.all((points > 1e-9) & (points < np.array([width, length]) - 1e-9), axis=1)
    maps = [part[:, inner] for part in maps]
    loops = operator.between([csr_array(part) for part in maps]) @ np.eye(int(inner.sum()))
    mass = sum(part.T @ (area[:, None] * part) for part in maps)
    factor = np.linalg.inv(np.linalg.cholesky(mass))
    assert np.linalg.eigvalsh(factor @ (0.5 * (loops + loops.T)) @ factor.T)[0] > 0.7 * least


def curls(points: Floats, triangles: Ints) -> list[Floats]:
    """From stream values at the points to currents of the triangles, x and y: (m, points) each."""
    corners = points[triangles]
    edges = np.roll(corners, -2, axis=1) - np.roll(corners, -1, axis=1)
    every = np.arange(len(triangles))
    maps = [np.zeros((len(triangles), len(points))) for _ in "xy"]
    for c, part in enumerate(maps):
        for k in range(3):
            part[every, triangles[:, k]] += edges[:, k, c] / (2 * areas(corners))
    return maps
