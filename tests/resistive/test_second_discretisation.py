"""Several coppers, links, touching cutouts and idle pads: brackets against a discretisation that shares no code."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gridboard import GridBoard, assert_meets, random_grid_board
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options

# 12 squares by 3, pads over both ends: a strip of 10 squares of 3, and its like below, joined at both ends.
STRIP = GridBoard(
    (12, 3),
    ((), ()),
    ((0, (0, 0, 1, 3)), (0, (11, 0, 12, 3)), (1, (0, 0, 1, 3)), (1, (11, 0, 12, 3))),
    ((0, 2, 1e-4), (3, 1, 2e-4)),
    ((0, 1), (2, 3)),
    (5e-4, 1e-3),
)


def combinations(loops, seed=0):
    """Every loop alone, and ten random combinations of their currents."""
    return np.vstack([np.eye(loops), np.random.default_rng(seed).normal(size=(10, loops))])


def test_the_squares_know_strips_in_parallel():
    # Closed form: 10/3 squares of the upper strip beside both links and 10/3 of the lower one.
    top, below = 10 / 3 * 5e-4, 10 / 3 * 1e-3 + 3e-4
    for matrix in (STRIP.never_too_high(2), STRIP.never_too_low(2)):
        assert matrix[0, 0] == pytest.approx(top * below / (top + below), rel=1e-9)
        assert matrix[0, 1] == pytest.approx(10 / 3 * 1e-3 * top / (top + below), rel=1e-9)


@pytest.mark.parametrize("seed", [3, 7])
def test_squares_close_in_from_both_sides_as_they_shrink(seed):
    board = random_grid_board(seed)
    gaps = [np.diag(board.never_too_low(fine) - board.never_too_high(fine)) for fine in (1, 2, 4)]
    for coarse, fine in pairwise(gaps):
        assert np.all(fine > 0)
        assert np.all(fine < 0.8 * coarse)


@pytest.mark.parametrize("off", [0.93, 1.07])
def test_a_bracket_that_is_off_is_found(off):
    board = random_grid_board(7)
    value = off * 0.5 * (board.never_too_high(3) + board.never_too_low(3))
    with pytest.raises(AssertionError, match="bound is"):
        assert_meets(board, value, value, fine=3, currents=combinations(len(board.loops)))


# Many more boards: benchmarks/random_brackets.py.
@settings(max_examples=8)
@given(st.integers(0, 10**6))
def test_brackets_meet_those_of_the_squares(seed):
    board = random_grid_board(seed)
    case = board.case()
    assume(case is not None)
    conductors = Conductors.of(case)
    found = solve(conductors, conductors.ends(case), options=Options(accuracy=0.05))
    assert_meets(board, found.lower, found.upper, fine=2, currents=combinations(len(board.loops), seed))
