"""What the magnetic mesh leaves uncertain: a finer mesh lies within it, and it is not much more than that."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from returnflow.magnetic.meshing import COARSE, mesh_of, system_on
from returnflow.magnetic.solving import expelled, solve_broadband
from returnflow.magnetic.two_meshes import (
    APART,
    AT_RIMS,
    MARGIN,
    MISSING,
    PART,
    at_rims,
    half_widths,
    missing,
    neighbourhoods,
    overlap,
    towards,
)
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.mesh.halving import halved

# Invented: two traces over one plane, one of them round a slot, and a pair of connectors.
BOARD = """
format = 1
title = "two traces (invented)"
board = { outline = { rect = [0, 0, 40, 30] } }
layer = [{ name = "L1", copper_um = 35, below_mm = 0.8 }, { name = "L2", copper_um = 35 }]
copper = [{ name = "ground", layer = "L2" }]
cutout = [{ name = "slot", copper = "ground", shape = { slot = [[20, 12], [20, 31]], width = 1 } }]
terminal = [
  { name = "A", copper = "ground", at = [5, 6], diameter_mm = 1 },
  { name = "B", copper = "ground", at = [34, 6], diameter_mm = 1 },
  { name = "C", copper = "ground", at = [8, 20], diameter_mm = 1 },
  { name = "D", copper = "ground", at = [32, 22], diameter_mm = 1 },
]
[[loop]]
name = "first"
role = "noisy"
inject = "B"
return = "A"
current_A = 1
frequency_Hz = 1e6
route = { layer = "L1", path = [[5, 6], [34, 6]], width_mm = 0.5 }
[[loop]]
name = "second"
role = "noisy"
inject = "D"
return = "C"
current_A = 1
frequency_Hz = 1e6
route = { layer = "L1", path = [[8, 20], [32, 22]], width_mm = 0.5 }
[[loop]]
name = "cables"
role = "cables"
inject = "D"
return = "A"
limit_V = 1
"""


@functools.cache
def solved():
    case = parse_case(BOARD)
    conductors = Conductors.of(case)
    loops = conductors.ends(case)
    squares = solve(conductors, loops, None, Options(accuracy=1e-3)).squares
    return solve_broadband(case, conductors, loops, squares)


@functools.cache
def finer():
    """High-frequency inductances on meshes with a third of the edges, what both of them lead to."""
    case = parse_case(BOARD)
    conductors = Conductors.of(case)
    mesh = mesh_of(case, conductors, conductors.ends(case), coarser=COARSE / 3)
    coarse, fine = (
        expelled(system_on(each, case, conductors, conductors.ends(case))).inductance for each in (mesh, halved(mesh))
    )
    return towards(fine, coarse)


def test_finer_meshes_lie_within_it_and_it_is_no_more_than_a_few_times_that():
    # With twice the edges for a second mesh, a quarter added, the second loop was off by 1.08 of its half-width.
    model = solved()
    off, half = np.abs(model.high_inductance - finer()), model.inductance_doubt
    assert np.all(off <= half)
    assert np.max(half) < 4 * np.max(off)
    assert np.all(np.diag(half) < 0.005 * np.diag(model.high_inductance))


def test_what_two_meshes_lead_to_is_nearer_than_either():
    model, reference = solved(), finer()
    alone = replace(model, coarse=None).high_inductance
    off, before = (np.diag(np.abs(each - reference)) for each in (model.high_inductance, alone))
    # The first one's trace meets edges longer than its height: its errors fall faster than thought. Of the others'
    # half and more is from the rims of the copper, and falls more slowly.
    assert np.all(off[1:] < 0.5 * before[1:])
    assert np.linalg.norm(off) < 0.7 * np.linalg.norm(before)


def test_its_meshes_are_a_mesh_and_the_same_halved():
    model = solved()
    fine, coarse = (len(each.system.space.mesh.triangles) for each in (model, model.coarse))
    assert fine == 4 * coarse
    with pytest.raises(ValueError, match="one mesh only"):
        model.coarse.doubt(1e6)
    assert model.coarse.system.panels is None


def test_at_direct_current_the_bracket_holds_and_the_mesh_leaves_nothing():
    model = solved()
    assert np.max(model.doubt(0.0)) < 1e-9 * np.max(model.impedance(0.0).real)
    rising = [np.diag(model.doubt(f)) for f in (1e2, 1e4, 1e6)]
    assert np.all(np.diff(rising, axis=0) > 0)


def test_at_high_frequency_it_is_that_of_the_inductance():
    model = solved()
    assert np.diag(model.doubt(1e9)) == pytest.approx(2 * np.pi * 1e9 * np.diag(model.inductance_doubt), rel=0.05)


def test_where_two_errors_cancel_a_part_of_what_may_meet_at_rims_stands_in():
    difference = np.array([[4.0, 0.0, 3.0], [0.0, 1.0, 0.0], [3.0, 0.0, 9.0]])
    overlap = np.array([[0.0, 0.05, 0.0], [0.05, 0.0, 1.0], [0.0, 1.0, 0.1]])
    half = half_widths(difference, overlap)
    assert np.diag(half) == pytest.approx(MARGIN * np.array([4, 1, 9]) + [0, 0, AT_RIMS * 0.1 * 9])
    assert half[0, 1] == half[1, 0] == pytest.approx(AT_RIMS * 0.05 * 2)
    assert half[0, 2] == pytest.approx(MARGIN * 3)
    assert half[1, 2] == pytest.approx(APART * 3)


EVERYWHERE = np.ones(8, dtype=bool)


def test_errors_in_different_places_do_not_meet():
    coarse, fine = np.zeros((2, 2, 2)), np.zeros((2, 8, 2))
    apart = np.repeat([0, 1], 4)
    fine[0, :4, 0] = fine[1, 4:, 1] = 1.0
    assert overlap(fine, coarse, np.ones(8), apart, EVERYWHERE) == pytest.approx(np.eye(2))
    # Nor where they are but flow across one another.
    fine[:, :, 1] = np.array([[0.0], [1.0]])
    assert overlap(fine, coarse, np.ones(8), apart, EVERYWHERE) == pytest.approx(np.eye(2))
    fine[0, :, 0] = fine[0, :, 1] = 1.0
    assert overlap(fine, coarse, np.ones(8), apart, EVERYWHERE)[0, 1] == pytest.approx(np.sqrt(0.5))


def test_errors_of_both_signs_cancel_in_one_neighbourhood_and_not_between_two():
    coarse, fine = np.zeros((2, 2, 2)), np.ones((2, 8, 2), dtype=complex)
    fine[:, ::2, 1] = -1.0
    for part, met in ((np.zeros(8, int), 0.0), (np.arange(8) % 2, 1.0)):
        assert overlap(fine, coarse, np.ones(8), part, EVERYWHERE)[0, 1] == pytest.approx(met)
    # A common phase is no cancelling.
    fine[:, :, 1] = 1j
    assert overlap(fine, coarse, np.ones(8), np.zeros(8, int), EVERYWHERE)[0, 1] == pytest.approx(1.0)


def test_only_what_meets_at_rims_counts():
    coarse, fine = np.zeros((2, 2, 2)), np.ones((2, 8, 2))
    part, rim = np.zeros(8, int), np.arange(8) < 2
    assert overlap(fine, coarse, np.ones(8), part, rim) == pytest.approx(np.full((2, 2), 0.25))
    assert overlap(fine, coarse, np.ones(8), part, ~EVERYWHERE) == pytest.approx(np.zeros((2, 2)))


def test_rims_are_those_of_the_copper_and_its_gaps_and_no_outlines_of_contacts():
    system = solved().coarse.system
    mesh, level = system.space.mesh, system.stack.level
    rim = at_rims(mesh, level)
    middle = mesh.points[mesh.triangles].mean(axis=1)
    # A board of 40 x 30 mm, a slot from (20, 12) mm up, 1 mm wide.
    x, y = 1e3 * middle.T
    away = np.minimum(np.minimum(x, 40 - x), np.minimum(y, 30 - y))
    slot = np.hypot(np.maximum(np.abs(x - 20) - 0.5, 0), np.maximum(12 - y, 0))
    size = 1e3 * mesh.edge_lengths.max(axis=1)
    assert np.all(np.minimum(away, slot)[rim] <= size[rim])
    # Every triangle of which two corners lie on an edge of the board is one.
    corners = mesh.points[mesh.triangles]
    assert np.all(rim[np.sum(corners[:, :, 1] < 1e-7, axis=1) == 2])
    assert 0.02 < np.mean(rim) < 0.5


def test_neighbourhoods_hold_every_triangle_once_and_none_of_two_levels():
    side = np.linspace(0, 1, 60)
    x, y = (each.ravel() for each in np.meshgrid(side, side))
    corners = np.array([[0, 0], [0.01, 0], [0, 0.01]]) + np.column_stack([x, y])[:, None]
    both = np.concatenate([corners, corners])
    level = np.repeat([0, 1], len(corners))
    part = neighbourhoods(both, level)
    assert np.max(np.bincount(part)) <= PART
    assert 2 * len(corners) / PART <= len(np.unique(part)) <= 2 * 16
    for number in range(part.max() + 1):
        mine = np.flatnonzero(part == number)
        assert len(np.unique(level[mine])) == 1
        # They lie together: a quarter of the board's side at most, or half.
        assert np.ptp(both[mine, 0, 0]) <= 0.51


def test_meshes_that_differ_much_do_not_lead_to_negative_inductance():
    fine, coarse = np.array([[1.0, 0.2], [0.2, 1.0]]), np.array([[4.0, 0.1], [0.1, 1.0]])
    for pair in ((fine, coarse), (fine, fine + np.ones((2, 2)))):
        assert np.min(np.linalg.eigvalsh(towards(*pair) - 0.49 * fine)) > 0
    assert missing(fine, 1.1 * fine) == MISSING
    # Two loops that are one.
    same = np.ones((2, 2))
    assert towards(same, 1.1 * same) == pytest.approx((1 - 0.1 * MISSING) * same)


def test_what_two_meshes_lead_to_stays_passive():
    model = solved()
    for f in np.geomspace(10.0, 1e9, 9):
        Z = model.impedance(f)
        assert np.min(np.linalg.eigvalsh(Z.real)) >= 0
        assert np.min(np.linalg.eigvalsh(Z.imag)) >= 0
