"""Linear systems: solved by either backend, and never a wrong answer without a message."""

import importlib.util

import numpy as np
import pytest
from scipy.sparse import csc_array, diags_array

from returnflow import linear
from returnflow.linear import NumericalError, factorize


def chain(count):
    """Resistors in a row between two grounded ends: tridiagonal, with a known inverse."""
    return csc_array(diags_array([-np.ones(count - 1), 2 * np.ones(count), -np.ones(count - 1)], offsets=[-1, 0, 1]))


without_pardiso = importlib.util.find_spec("pypardiso") is None
pardiso = pytest.param("pardiso", marks=pytest.mark.skipif(without_pardiso, reason="pypardiso is not installed"))
BACKENDS = ["scipy", pardiso, None]


class TestSolve:
    @pytest.mark.parametrize("backend", BACKENDS)
    def test_potential_of_a_chain_of_resistors(self, backend):
        # One ampere into node k of n: the potential rises linearly to it from both ends.
        n, k = 50, 16
        right = np.zeros((n, 2))
        right[k, 0] = 1
        right[:, 1] = 1
        answer = factorize(chain(n), backend)(right)
        x = np.arange(1, n + 1)
        peak = (k + 1) * (n - k) / (n + 1)
        np.testing.assert_allclose(answer[:, 0], peak * np.minimum(x / (k + 1), (n + 1 - x) / (n - k)), rtol=1e-10)
        np.testing.assert_allclose(answer[:, 1], x * (n + 1 - x) / 2, rtol=1e-10)

    @pytest.mark.parametrize("backend", BACKENDS)
    def test_shape_and_order_of_the_right_sides_are_kept(self, backend):
        solve = factorize(chain(8), backend)
        right = np.random.default_rng(9_127).normal(size=(8, 3))
        together = solve(right)
        assert together.shape == (8, 3)
        for column in range(3):
            np.testing.assert_allclose(solve(right[:, [column]])[:, 0], together[:, column], rtol=1e-10)

    def test_no_drive_gives_no_answer(self):
        np.testing.assert_array_equal(factorize(chain(5))(np.zeros((5, 2))), 0)


class TestFailure:
    def test_copper_that_nothing_holds_is_singular(self):
        floating = csc_array(np.array([[1.0, -1.0, 0.0], [-1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]))
        with pytest.raises(NumericalError, match=r"singular.*held by no contact"):
            factorize(floating, "scipy")

    @pytest.mark.parametrize("wrong", [lambda x: x * (1 + 1e-6), lambda x: -x, lambda x: x * np.nan, np.zeros_like])
    def test_a_wrong_answer_is_not_returned(self, wrong, monkeypatch):
        right_way = linear._scipy
        monkeypatch.setattr(linear, "_scipy", lambda matrix: lambda right: wrong(right_way(matrix)(right)))
        with pytest.raises(NumericalError, match="residual"):
            factorize(chain(20), "scipy")(np.ones((20, 1)))

    def test_one_wrong_column_is_enough(self, monkeypatch):
        right_way = linear._scipy

        def spoilt(matrix):
            solve = right_way(matrix)
            return lambda right: solve(right) * np.array([1.0, 1.0, 1.001])

        monkeypatch.setattr(linear, "_scipy", spoilt)
        with pytest.raises(NumericalError, match="residual"):
            factorize(chain(20), "scipy")(np.ones((20, 3)))
