"""What the magnetic mesh leaves uncertain: a finer mesh lies within it, and it is not much more than that."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from returnflow.answers.frequency import high_inductance, inductance_doubt
from returnflow.magnetic import meshing
from returnflow.magnetic.broadband import LEAST_PART, MARGIN, half_widths
from returnflow.magnetic.meshing import solve_broadband, solve_expelled
from returnflow.resistive.conduction import Options, solve
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import parse_case

FINER = 2.5
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


def finer(monkeypatch):
    """High-frequency inductances on a mesh whose edges are shorter everywhere."""
    case = parse_case(BOARD)
    conductors = Conductors.of(case)
    for name in ("GAP_STEP", "GAP_FINEST", "FINEST", "GROWTH"):
        monkeypatch.setattr(meshing, name, getattr(meshing, name) / FINER)
    for name in ("ROUTE_STEP", "ACROSS"):
        monkeypatch.setattr(meshing, name, getattr(meshing, name) * FINER)
    whole = meshing.diagonal
    monkeypatch.setattr(meshing, "diagonal", lambda plane: whole(plane) / FINER)
    return solve_expelled(case, conductors, conductors.ends(case)).inductance


def test_a_finer_mesh_lies_within_it_and_it_is_no_more_than_a_few_times_that(monkeypatch):
    model = solved()
    off, half = np.abs(high_inductance(model) - finer(monkeypatch)), inductance_doubt(model)
    assert np.all(off <= half)
    assert np.max(half) < 4 * np.max(off)
    assert np.all(np.diag(half) < 0.02 * np.diag(high_inductance(model)))


def test_the_mesh_it_is_told_by_is_the_coarser_one():
    model = solved()
    fine, coarse = (len(each.system.space.mesh.triangles) for each in (model, model.coarse))
    assert fine / 6 < coarse < fine / 2
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
    assert np.diag(model.doubt(1e9)) == pytest.approx(2 * np.pi * 1e9 * np.diag(inductance_doubt(model)), rel=0.05)


def test_where_two_errors_cancel_a_part_of_what_they_may_be_stands_in():
    half = half_widths(np.array([[4.0, 0.0, 3.0], [0.0, 1.0, 0.0], [3.0, 0.0, 9.0]]))
    assert np.diag(half) == pytest.approx(MARGIN * np.array([4, 1, 9]))
    assert half[0, 1] == half[1, 0] == pytest.approx(MARGIN * LEAST_PART * 2)
    assert half[0, 2] == pytest.approx(MARGIN * 3)
    assert half[1, 2] == pytest.approx(MARGIN * LEAST_PART * 3)
