"""Order of elimination: whatever the places, the answer is right; on a plane the factor is smaller."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csc_array, diags_array, eye_array, kron
from scipy.sparse.linalg import splu

from returnflow.resistive.linear import factorize, factorize_each
from returnflow.resistive.ordering import Ordered, dissection


def plane(n):
    """Grid of n x n resistors, each node tied to ground a little; and where the nodes are."""
    row = diags_array([-np.ones(n - 1), 2.001 * np.ones(n), -np.ones(n - 1)], offsets=[-1, 0, 1])
    x, y = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    return csc_array(kron(row, eye_array(n)) + kron(eye_array(n), row)), np.column_stack([x.ravel(), y.ravel()]) * 1e-3


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), holes=st.sampled_from([0, 10**6]), unplaced=st.integers(0, 5))
def test_any_places_give_the_same_answer(seed, holes, unplaced):
    rng = np.random.default_rng(seed)
    matrix, places = plane(int(rng.integers(3, 25)))
    count = matrix.shape[0]
    # Places that are wrong, equal or absent cost time only.
    places = [places, rng.permutation(places), np.zeros((count, 2))][int(rng.integers(3))][: count - unplaced]
    assert np.array_equal(np.sort(dissection(matrix, places)), np.arange(count))
    right = rng.normal(size=(count, 2))
    np.testing.assert_allclose(factorize(matrix, "scipy", places=(places, holes))(right), splu(matrix).solve(right))


def test_an_unknown_that_touches_everything_is_eliminated_last():
    matrix, places = plane(30)
    count = matrix.shape[0]
    hub = csc_array((np.full(count, -1e-4), (np.arange(count), np.full(count, count))), shape=(count + 1, count + 1))
    grown = csc_array((matrix.data, matrix.indices, np.append(matrix.indptr, matrix.nnz)), shape=(count + 1, count + 1))
    coupled = csc_array(grown + hub + hub.T + diags_array(np.append(np.zeros(count), 1.0)))
    assert dissection(coupled, np.vstack([places, [[0.015, 0.015]]]))[-1] == count
    right = np.ones((count + 1, 1))
    (solve,) = factorize_each([coupled], "scipy", places=[(places, 0)])
    np.testing.assert_allclose(coupled @ solve(right), right)


def test_halves_of_a_plane_need_less_memory_than_the_order_of_columns():
    matrix, places = plane(150)
    assert Ordered(matrix, places)._factor.nnz < 0.8 * splu(matrix).nnz


@pytest.mark.parametrize("holes", [0, 10**6])
def test_no_right_side_gives_no_answer(holes):
    matrix, places = plane(5)
    assert Ordered(matrix, places, holes).solve(np.zeros((25, 0))).shape == (25, 0)
