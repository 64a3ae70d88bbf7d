"""The linear-time operator against all pairs, and what no drawing of the same copper may change."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from returnflow.magnetic import nearby
from returnflow.magnetic.induction import PanelOperator
from returnflow.magnetic.panels import pair_integrals
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.model.shapes import circle, rectangle

Floats = NDArray[np.float64]
SEED = 7243


def dense(corners: Floats) -> Floats:
    """All pairs."""
    count = len(corners)
    rows = []
    for begin in range(0, count, 64):
        i = np.arange(begin, min(count, begin + 64))
        rows.append(pair_integrals(corners, np.repeat(i, count), np.tile(np.arange(count), len(i))))
    return np.concatenate(rows).reshape(count, count)


def uniform() -> Floats:
    """L-shaped copper with a pad."""
    copper = rectangle(0, 0, 0.1, 0.08).difference(rectangle(0.06, 0.05, 0.1, 0.08))
    mesh = Mesher(Plane(copper, [circle(0.02, 0.02, 4e-3)])).uniform(3.4e-3)
    return mesh.points[mesh.triangles]


def graded() -> Floats:
    """Sizes that span a factor of 1000 within a metre."""
    contact = circle(0.1, 0.05, 1e-3, corners=12)
    size = SizeField(np.array([[0.1, 0.05]]), np.array([2e-4]), 0.2, growth=0.3)
    mesh = Mesher(Plane(rectangle(-0.5, -0.5, 0.5, 0.5), [contact])).graded(size)
    return mesh.points[mesh.triangles]


def line() -> Floats:
    """A strip 200 times as long as wide: boxes with no height to speak of."""
    mesh = Mesher(Plane(rectangle(0, 0, 0.2, 1e-3), [rectangle(-1e-3, -1e-3, 1e-4, 2e-3)])).uniform(6e-4)
    return mesh.points[mesh.triangles]


SHAPES = {"uniform": uniform, "graded": graded, "line": line}


@pytest.fixture(scope="module", params=SHAPES)
def pair(request: pytest.FixtureRequest) -> tuple[Floats, Floats]:
    corners = SHAPES[request.param]()
    return corners, dense(corners)


def test_the_graded_mesh_is_graded() -> None:
    corners = graded()
    sizes = np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)
    assert sizes.max() / sizes.min() > 500
    assert len(corners) < 3000


def test_operator_is_the_sum_over_all_pairs(pair: tuple[Floats, Floats]) -> None:
    corners, exact = pair
    operator = PanelOperator(corners)
    rng = np.random.default_rng(SEED)
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    root = np.sqrt(0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]))
    middle = corners.mean(axis=1)
    smooth = np.sin(middle @ np.array([40.0, 25.0]))
    # Random in the norm that is natural for densities, so that small triangles count no less than large ones.
    for q, allowed in ((rng.standard_normal(len(corners)) / root, 1e-3), (smooth, 2e-4), (np.ones(len(corners)), 1e-4)):
        off = (operator @ q - exact @ q) / root
        assert np.linalg.norm(off) <= allowed * np.linalg.norm(exact @ q / root)


def test_more_polynomials_bring_the_operator_to_the_sum_over_all_pairs() -> None:
    corners = uniform()
    q = np.random.default_rng(SEED).standard_normal(len(corners))
    exact = dense(corners) @ q
    errors = [
        float(np.linalg.norm(PanelOperator(corners, order=p) @ q - exact) / np.linalg.norm(exact))
        for p in (2, 3, 4, 5, 6)
    ]
    assert np.all(np.diff(errors) < 0), errors
    # What remains is that near pairs beside far boxes are integrated with their own quadrature of 5e-4.
    assert errors[-1] < 3e-4, errors


def test_columns_do_not_mix() -> None:
    corners = uniform()
    q = np.random.default_rng(SEED).standard_normal((len(corners), 3))
    operator = PanelOperator(corners)
    together = operator @ q
    for k in range(3):
        assert operator @ q[:, k] == pytest.approx(together[:, k], rel=1e-4, abs=1e-6 * np.max(np.abs(together)))


@pytest.mark.parametrize("shape", SHAPES)
def test_operator_is_symmetric(shape: str) -> None:
    corners = SHAPES[shape]()
    operator = PanelOperator(corners)
    p, q = np.random.default_rng(SEED).standard_normal((2, len(corners)))
    size = np.linalg.norm(p) * np.linalg.norm(operator @ q)
    # Single precision between far boxes.
    assert abs(p @ (operator @ q) - q @ (operator @ p)) < 1e-6 * size


@pytest.mark.parametrize("shape", SHAPES)
def test_operator_is_positive(shape: str) -> None:
    """The self-energy of any charge is positive: lowest eigenvalue in the natural norm, and random vectors."""
    corners = SHAPES[shape]()
    operator = PanelOperator(corners)
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    root = np.sqrt(0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]))
    matrix = (operator @ np.diag(1 / root)) / root[:, None]
    values = np.linalg.eigvalsh(0.5 * (matrix + matrix.T))
    # Per triangle, the self-integral over the area is about 0.4 of its size; none may come near zero.
    size = np.min(np.diag(matrix))
    assert values[0] > 0.05 * size
    q = np.random.default_rng(SEED).standard_normal((len(corners), 20))
    assert np.all(np.sum(q * (operator @ q), axis=0) > 0)


def test_moving_and_turning_the_copper_changes_nothing() -> None:
    corners = uniform()
    q = np.random.default_rng(SEED).standard_normal(len(corners))
    value = q @ (PanelOperator(corners) @ q)
    moved = corners + np.array([1.0, -2.0])
    assert q @ (PanelOperator(moved) @ q) == pytest.approx(value, rel=1e-6)
    # A quarter turn keeps the boxes; any other turn makes new ones, and the answer may move by their error.
    turn = np.array([[0.0, 1.0], [-1.0, 0.0]])
    assert q @ (PanelOperator(corners @ turn) @ q) == pytest.approx(value, rel=1e-4)
    c, s = np.cos(0.7), np.sin(0.7)
    turned = corners @ np.array([[c, s], [-s, c]])
    assert q @ (PanelOperator(turned) @ q) == pytest.approx(value, rel=3e-4)


def test_numbering_changes_nothing() -> None:
    corners = uniform()
    rng = np.random.default_rng(SEED)
    q, order = rng.standard_normal(len(corners)), rng.permutation(len(corners))
    value = PanelOperator(corners) @ q
    other = PanelOperator(np.roll(corners[order], 1, axis=1)) @ q[order]
    assert np.max(np.abs(other - value[order])) < 1e-6 * np.max(np.abs(value))


def test_scale_enters_as_the_third_power() -> None:
    corners = uniform()
    q = np.random.default_rng(SEED).standard_normal(len(corners))
    one, other = PanelOperator(corners) @ q, PanelOperator(1024 * corners) @ q
    assert other == pytest.approx(1024**3 * one, rel=1e-5, abs=1e-6 * np.max(np.abs(other)))


@pytest.mark.parametrize("shape", SHAPES)
def test_a_few_triangles_need_no_tree_and_lose_nothing_in_single_precision(shape: str) -> None:
    corners = SHAPES[shape]()
    sizes = np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)
    # Twenty next to each other, from the finest to what lies beside them.
    first = corners[np.argmin(sizes), 0]
    corners = corners[np.argsort(np.linalg.norm(corners.mean(axis=1) - first, axis=1))[:20]]
    q = np.random.default_rng(SEED).standard_normal(20)
    exact = dense(corners)
    assert PanelOperator(corners) @ q == pytest.approx(exact @ q, abs=3e-6 * np.max(np.abs(exact) @ np.abs(q)), rel=0)


@pytest.mark.parametrize("many", [1, 300])
def test_near_pairs_in_any_batches_are_the_same(monkeypatch: pytest.MonkeyPatch, many: int) -> None:
    corners = uniform()[:400]
    q = np.random.default_rng(SEED).standard_normal(400)
    value = PanelOperator(corners) @ q
    monkeypatch.setattr(nearby, "CLOSER", many)
    monkeypatch.setattr(nearby, "PIECE", 10 * many)
    assert PanelOperator(corners) @ q == pytest.approx(value, rel=0, abs=1e-6 * np.max(np.abs(value)))
