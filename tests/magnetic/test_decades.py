"""Impedances at many lines are those of every line."""

import dataclasses

import numpy as np
import pytest

from layered import MM, loop, pad, via
from layered import case as layered_case
from returnflow.magnetic.decades import POINTS, by_decades
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import sheet_impedance
from returnflow_geometry.model.board import Copper
from returnflow_geometry.model.shapes import rectangle
from straight import hook

COMB = 300e3 * np.arange(1, 2001)


def test_many_lines_have_the_impedance_of_each():
    model = hook()
    Z, doubt = model.many(COMB)
    for n in (0, 1, 4, 30, 33, 332, 333, 700, 1999):
        assert np.allclose(Z[n], model.impedance(COMB[n]), rtol=1e-7, atol=0)
        assert np.allclose(doubt[n], model.doubt(COMB[n]), rtol=1e-4, atol=0)


def test_few_lines_are_worked_out_one_by_one():
    model = hook()
    few = np.array([3e5, 1.3e6, 2e6])
    assert np.array_equal(by_decades(model.impedances, few), model.impedances(few))


def test_the_error_falls_with_the_points_as_poles_on_the_negative_axis_let_it():
    """A coil beside a sheet with skin effect, where all of them lie; those of a resonance lie elsewhere."""
    f = np.geomspace(1e6, 1e7, 500)[1:-1]

    def sheet(f):
        return 1 / (1 / np.array([sheet_impedance(35e-6, each) for each in f.tolist()]) + 1 / (2j * np.pi * f * 1e-10))

    def resonant(f):
        return 1 / (1e-9 + 1j * (f / 3e6 - 3e6 / f))

    assert np.max(np.abs(by_decades(sheet, f) / sheet(f) - 1)) < 1e-7
    assert np.max(np.abs(by_decades(resonant, f) / resonant(f) - 1)) > 1e-2
    assert len(f) > POINTS


@pytest.mark.parametrize("capacitance", [None, 1e-9])
def test_beside_capacitors_every_line_is_worked_out(capacitance):
    """Their resonances may be narrower than any two points are apart."""
    layers = {"a": "L1", "b": "L2"}
    coppers = [Copper(name=n, layer=at, shape=rectangle(0, 0, 20 * MM, 10 * MM)) for n, at in layers.items()]
    ends = [pad(f"{n}{k}", n, x, 5) for n in "ab" for k, x in enumerate((2, 10, 18))]
    links = [via("v", "a0", "b0"), via("c", "a2", "b2", 1e-3, capacitance=capacitance)]
    review = layered_case(coppers, ends, links, [loop("x", "a1", "b1")])
    review = dataclasses.replace(review, accuracy=0.05)
    conductors = Conductors.of(review)
    model = solve_broadband(review, conductors, conductors.ends(review), None, BroadbandOptions(accuracy=1e-2))
    Z = model.lines(COMB)
    some = [0, 250, 900]
    exact = np.array([model.impedance(COMB[n]) for n in some])
    assert np.allclose(Z[some], exact, rtol=1e-7, atol=0)
    assert (np.max(np.abs(Z[some] / exact - 1)) < 1e-12) == (capacitance is not None)
