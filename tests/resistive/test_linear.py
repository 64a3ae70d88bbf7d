"""Linear systems: solved by either backend, and never a wrong answer without a message."""

import gc
import importlib.util
import multiprocessing
import subprocess
import sys
import threading
import time

import numpy as np
import psutil
import pytest
from scipy.sparse import csc_array, diags_array, eye_array, kron

from returnflow.resistive import factor_threads, linear
from returnflow.resistive.factor_threads import side_by_side
from returnflow.resistive.linear import NumericalError, factorize, factorize_each


def chain(count):
    """Resistors in a row between two grounded ends: tridiagonal, with a known inverse."""
    return csc_array(diags_array([-np.ones(count - 1), 2 * np.ones(count), -np.ones(count - 1)], offsets=[-1, 0, 1]))


ALL_CORES = True  # see tests/conftest.py

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


def plane(count):
    """Square of count by count squares of copper, held everywhere by a tenth of a square's conductance."""
    line = diags_array([-np.ones(count - 1), 2.05 * np.ones(count), -np.ones(count - 1)], offsets=[-1, 0, 1])
    one = eye_array(count)
    return csc_array(kron(line, one) + kron(one, line))


def answer_in_child(queue):
    (solve, _) = factorize_each([chain(5), chain(6)])
    queue.put(float(solve(np.ones((5, 1)))[2, 0]))


class TestSideBySide:
    def test_each_answers_for_its_own_matrix(self):
        for n, solve in zip((4, 9, 30), factorize_each([chain(4), chain(9), chain(30)]), strict=True):
            x = np.arange(1, n + 1)
            np.testing.assert_allclose(solve(np.ones((n, 1)))[:, 0], x * (n + 1 - x) / 2, rtol=1e-10)

    def test_a_singular_one_is_told(self):
        floating = csc_array(np.array([[1.0, -1.0], [-1.0, 1.0]]))
        with pytest.raises(NumericalError, match="singular"):
            list(factorize_each([chain(5), floating]))
        # The thread that met it goes on.
        assert len(list(factorize_each([chain(5), chain(6)]))) == 2

    def test_memory_is_given_back_when_solvers_are_let_go(self):
        matrix = plane(120)
        memory = psutil.Process().memory_info

        def rounds(count):
            for _ in range(count):
                solvers = list(factorize_each([matrix, matrix], "scipy"))
                assert solvers[1](np.ones((matrix.shape[0], 1))).shape == (matrix.shape[0], 1)
                del solvers
            gc.collect()
            list(factorize_each([chain(5), chain(6)]))  # each thread has come to the end of its queue
            return memory().rss

        settled = rounds(3)
        # Numbers and places of the factor's own triangles, were there no fill at all.
        assert rounds(12) - settled < 12 * 12 * matrix.nnz

    @pytest.mark.skipif(sys.platform == "win32", reason="there is no fork")
    def test_a_script_that_keeps_its_solvers_ends_well(self):
        """Its threads are gone before the interpreter is; one script in three ended with status 120."""
        script = """
import atexit, threading
atexit.register(lambda: print(threading.active_count()))  # first to be registered, last to be called
from scipy.sparse import csc_array, eye_array
from returnflow.resistive import linear
linear.os.cpu_count = lambda: 2
solvers = list(linear.factorize_each([csc_array(2.0 * eye_array(9)) for _ in range(3)], "scipy"))
print(*(float(solve([[2.0]] * 9)[0, 0]) for solve in solvers))
"""
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.split() == ["1.0", "1.0", "1.0", "1"]

    def test_a_forked_process_has_threads_of_its_own(self):
        list(factorize_each([chain(5), chain(6)]))
        context = multiprocessing.get_context("fork")
        queue = context.Queue()
        child = context.Process(target=answer_in_child, args=(queue,))
        child.start()
        try:
            assert queue.get(timeout=30) == pytest.approx(4.5, rel=1e-10)
        finally:
            child.kill()
            child.join()


class TestWorkOnAllCores:
    def test_answers_come_in_the_order_of_the_work(self):
        def late(number):
            time.sleep(0.01 * (5 - number))
            return number

        assert side_by_side([lambda n=n: late(n) for n in range(5)]) == list(range(5))

    def test_what_a_piece_raises_is_raised(self):
        with pytest.raises(ZeroDivisionError):
            side_by_side([lambda: 1, lambda: 1 // 0, lambda: 2])

    @pytest.mark.skipif(len(factor_threads._threads()) < 2, reason="one core")
    def test_no_threads_where_other_processes_have_the_cores(self, monkeypatch):
        names = [threading.get_ident] * 2
        assert threading.get_ident() not in side_by_side(names)
        monkeypatch.setattr(multiprocessing, "parent_process", lambda: "one that started others")
        assert set(side_by_side(names)) == {threading.get_ident()}


class TestSinglePrecision:
    def test_answers_are_right_to_its_digits_whatever_their_size(self):
        A = chain(60)
        exact = np.random.default_rng(20_261_127).standard_normal((60, 3)) * np.array([1e-60, 1.0, 1e50])
        (solve,) = factorize_each([A], checked=False, single=True)
        np.testing.assert_allclose(
            solve(A @ exact) / np.max(abs(exact), axis=0), exact / np.max(abs(exact), axis=0), atol=1e-3
        )

    def test_one_core_does_it_in_turn(self, monkeypatch):
        monkeypatch.setattr(linear.os, "cpu_count", lambda: 1)
        solves = list(factorize_each([chain(20), chain(30)], checked=False, single=True))
        for solve, count in zip(solves, (20, 30), strict=True):
            np.testing.assert_allclose(solve(chain(count) @ np.ones((count, 1))), 1.0, rtol=1e-4)
