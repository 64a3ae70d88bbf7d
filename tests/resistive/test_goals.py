"""How near the bounds of every loop must come: for the accuracy, and for entries that must be known better."""

import functools

import numpy as np
import pytest

from returnflow.resistive import goals
from returnflow.resistive.conduction import solve
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Plane
from returnflow_geometry.model.shapes import circle, rectangle

MM = 1e-3
OPTIONS = Options(accuracy=0.1)


@functools.cache
def solved():
    """A short loop in one corner, and two that cross the whole plane."""
    places = [(3, 3), (6, 3), (2, 40), (75, 8), (70, 45), (10, 30)]
    contacts = [circle(x * MM, y * MM, 0.8 * MM) for x, y in places]
    return solve(Plane(rectangle(0, 0, 80 * MM, 50 * MM), contacts), [(0, 1), (2, 3), (4, 5)], 1.0, OPTIONS)


def asked(part):
    wanted = np.full((3, 3), np.inf)
    wanted[0, 1:] = part * solved().half_width[0, 1:]
    return wanted


@pytest.mark.parametrize("part", [0.5, 0.1, 0.02])
def test_goals_that_are_met_make_every_entry_as_narrow_as_wanted(part):
    result = solved()
    limit = goals.allowed(result, OPTIONS)
    goal = goals.sharper(result, limit, asked(part))
    assert np.all(goal <= limit)
    now = np.diag(result.upper - result.lower)
    shared = 2 * result.half_width / np.sqrt(np.outer(now, now))
    half = 0.5 * shared * np.sqrt(np.outer(goal, goal))
    assert np.all(half[0, 1:] <= asked(part)[0, 1:] * (1 + 1e-9))


def test_more_is_asked_of_the_short_loop_than_of_those_across_the_board():
    limit = goals.allowed(solved(), OPTIONS)
    part = goals.sharper(solved(), limit, asked(0.02)) / limit
    assert part[0] < 0.5 * np.min(part[1:])


def test_nothing_is_asked_where_all_is_known_well_enough():
    limit = goals.allowed(solved(), OPTIONS)
    np.testing.assert_array_equal(goals.sharper(solved(), limit, asked(1.1)), limit)
