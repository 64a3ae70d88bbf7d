"""Sweeps solved: laws that hold along a quantity, places where limits are met, and what fails on the way."""

from __future__ import annotations

import functools
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import returnflow as rf
from cases import squared
from returnflow.advice.study import AS_DRAWN
from returnflow.answers import batch
from returnflow.answers.coupling import unknown_places
from returnflow.answers.spectra import lines_of
from returnflow.answers.sweeps import Crossing, counted, run_sweeps
from returnflow.answers.thresholds import crossings
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.linear import NumericalError

SHEET = sheet_resistance(35e-6, 20)
PER_MM = SHEET / 20  # ohm, of the strip

STRIP = """
format = 1
title = "strip (invented)"
board = { outline = { rect = [0, 0, 100, 20] }, temperature_C = 20 }
layer = [{ name = "top", copper_um = 35 }]
copper = [{ name = "strip", layer = "top" }]
terminal = [
  { name = "left", copper = "strip", shape = { rect = [0, 0, 1, 20] } },
  { name = "right", copper = "strip", shape = { rect = [99, 0, 100, 20] } },
  { name = "connector", copper = "strip", shape = { rect = [30, 0, 31, 20] } },
  { name = "amplifier", copper = "strip", shape = { rect = [70, 0, 71, 20] } },
]
[[loop]]
name = "motor"
role = "noisy"
inject = "right"
return = "left"
current_A = 2
[[loop]]
name = "sensor"
role = "sensitive"
inject = "amplifier"
return = "connector"
signal_V = 1
tolerates_V = 1e-3
[[loop]]
name = "shells"
role = "cables"
inject = "right"
return = "connector"
limit_V = 1
"""
# The motor's current over 39 mm of strip between the faces of the contacts.
SENSED = 39 * PER_MM
SHELLS = 67 * PER_MM  # and over the amplifier's contact, 1 mm of short circuit


def sweep(*vary, name="s"):
    tables = ", ".join("{ " + item + " }" for item in vary)
    return f'[[sweep]]\nname = "{name}"\nvary = [{tables}]\n'


CURRENT = 'set = "motor.current_A", from = 0.1, to = 10, steps = 5, spacing = "log"'
HEAT = 'set = "board.temperature_C", values = [-40, 20, 85, 125]'
WEIGHT = 'set = "top.copper_um", values = [18, 35, 70]'


@functools.cache
def swept(*sweeps, board=STRIP):
    return run_sweeps(rf.parse_case(board + "".join(sweeps)), jobs=1)


class TestLaws:
    def test_temperature_gives_exactly_the_ratio_of_resistivities(self):
        (it,) = swept(sweep(HEAT))
        expected = [sheet_resistance(35e-6, t) / SHEET for t in (-40, 20, 85, 125)]
        for loop in ("sensor", "shells"):
            noise = it.grid(loop)
            np.testing.assert_allclose(noise / noise[1], expected, rtol=1e-12)
        assert it.grid("sensor")[1] == pytest.approx(2 * SENSED, rel=1e-9)

    def test_current_and_weight_go_as_they_must_in_two_axes(self):
        (it,) = swept(sweep(CURRENT, WEIGHT))
        noise = it.grid("sensor")
        assert noise.shape == (5, 3)
        current, weight = np.geomspace(0.1, 10, 5), np.array([18, 35, 70])
        np.testing.assert_allclose(noise, SENSED * current[:, None] * 35 / weight, rtol=1e-9)
        np.testing.assert_allclose(it.grid("shells"), SHELLS * current[:, None] * 35 / weight, rtol=1e-9)

    def test_the_limit_of_two_quantities_lies_on_its_hyperbola(self):
        (it,) = swept(sweep(CURRENT, WEIGHT))
        pieces = it.contour("sensor")
        assert len(pieces) > 4
        # Noise goes as current over weight, so between logarithms the contour is straight: exact everywhere.
        current, weight = pieces.reshape(-1, 2).T
        np.testing.assert_allclose(SENSED * current * 35 / weight, 1e-3, rtol=1e-9)
        assert weight.min() == pytest.approx(18)
        assert weight.max() == pytest.approx(70)

    def test_what_only_scales_costs_one_solve(self, monkeypatch):
        solves = []
        monkeypatch.setattr(
            batch, "solve_case", lambda *a, **k: solves.append(a) or rf.answers.evaluate.solve_case(*a, **k)
        )
        run_sweeps(rf.parse_case(STRIP + sweep(HEAT, name="h") + sweep(WEIGHT, CURRENT, name="w")), jobs=1)
        assert len(solves) == 1

    def test_each_step_is_what_a_run_of_its_case_finds(self):
        (it,) = swept(sweep(WAY), board=PLATE.replace("LINES", DIRECT))
        assert np.all((it.low < it.noise) & (it.noise < it.high))
        for n, step in enumerate(it.sweep.steps):
            result = rf.run(step.case, only=[AS_DRAWN])[AS_DRAWN]
            for budget in (*result.sensitive, *result.cables):
                k = it.column(budget.loop)
                found = it.noise[n, k], it.low[n, k], it.high[n, k], it.limits[n, k]
                assert found == (budget.noise, budget.low, budget.high, budget.limit)


class TestMet:
    def test_a_limit_is_met_where_the_closed_form_says(self):
        (it,) = swept(sweep(CURRENT))
        (met,) = it.met("sensor")
        assert met.value == pytest.approx(1e-3 / SENSED, rel=1e-9)
        assert met.between == pytest.approx((met.value, met.value), rel=1e-6)
        assert met.rising
        assert it.met("shells") == ()
        assert f"exceeds its limit of 1 mV above {met.value:.3g} A" in it.sentence("sensor")
        assert it.sentence("shells") == '"shells" is within its limit of 1 V at all 5 steps.'

    def test_falling_along_falling_values_is_met_at_the_same_place(self):
        backwards = 'set = "top.copper_um", values = [140, 70, 35, 18]'
        limit = STRIP.replace("tolerates_V = 1e-3", f"tolerates_V = {2 * SENSED * 35 / 50}")
        (it,) = swept(sweep(backwards), board=limit)
        (met,) = it.met("sensor")
        assert met.value == pytest.approx(50, rel=1e-9)
        assert not met.rising
        assert "meets its limit of" in it.sentence("sensor")

    def test_a_limit_that_is_itself_swept(self):
        (it,) = swept(sweep('set = "sensor.tolerates_V", from = 1e-5, to = 1, steps = 4, spacing = "log"'))
        (met,) = it.met("sensor")
        assert met.value == pytest.approx(2 * SENSED, rel=1e-9)
        assert not met.rising

    def test_along_a_strip_the_place_is_found_between_the_steps(self):
        # Noise goes linearly with the distance, and is interpolated in its logarithm: error of second order.
        step = 'move = "amplifier", along = [[40, 10], [90, 10]], steps = 11'
        at = 61.3
        limit = STRIP.replace("tolerates_V = 1e-3", f"tolerates_V = {2 * PER_MM * (at - 0.5 - 31)}")
        (it,) = swept(sweep(step), board=limit)
        (met,) = it.met("sensor")
        assert met.value + 40 == pytest.approx(at, abs=5 * 0.125 * 5 / 30)
        assert met.rising

    def test_one_way_of_asking_for_each_number_of_quantities(self):
        (one,), (two,) = swept(sweep(HEAT)), swept(sweep(CURRENT, WEIGHT))
        with pytest.raises(ValueError, match=r'Sweep "s" has 1 quantities, not 2: use `met`'):
            one.contour("sensor")
        with pytest.raises(ValueError, match=r'Sweep "s" has 2 quantities, not 1: use `contour`'):
            two.met("sensor")
        with pytest.raises(KeyError):
            one.grid("motor")


class TestCrossings:
    def test_where_the_bracket_never_decides_there_is_none(self):
        at = np.arange(3.0)
        assert crossings(at, np.full(3, 0.5), np.array([0.9, 1.1, 1.2]), np.full(3, 2.0)) == []

    def test_kept_on_one_side_only_is_none(self):
        at = np.arange(3.0)
        figure = np.array([0.5, 1.01, 1.02])
        assert crossings(at, 0.9 * figure, figure, 1.1 * figure) == []

    def test_every_crossing_with_its_sense_and_its_range(self):
        figure = np.array([0.1, 10.0, 0.1])
        found = crossings(np.array([0.0, 2.0, 4.0]), figure / 10**0.5, figure, figure * 10**0.5)
        assert [c.value for c in found] == pytest.approx([1.0, 3.0])
        assert [c.rising for c in found] == [True, False]
        assert found[0].between == pytest.approx((0.5, 1.5))
        assert found[1].between == pytest.approx((2.5, 3.5))

    def test_across_a_step_that_failed_there_is_a_range_without_a_value(self):
        figure = np.array([0.1, 0.5, np.nan, 5.0, 0.1])
        rising, falling = crossings(np.arange(5.0), figure, figure, figure)
        assert rising == Crossing(value=None, between=(1.0, 3.0), rising=True)
        assert falling.value == pytest.approx(3 + math.log(5) / math.log(50))

    def test_from_silence_it_is_linear(self):
        figure = np.array([0.0, 4.0])
        (found,) = crossings(np.array([0.0, 1.0]), figure, figure, figure)
        assert found.value == 0.25

    @settings(max_examples=150, deadline=None)
    @given(st.lists(st.floats(1e-3, 1e3) | st.just(math.nan), min_size=2, max_size=9), st.floats(1.0, 3.0))
    def test_verdicts_at_the_steps_agree_with_the_crossings(self, figure, doubt):
        figure = np.array(figure)
        at = np.arange(float(len(figure)))
        found = crossings(at, figure / doubt, figure, figure * doubt)
        certain = [(n, value > 1) for n, value in enumerate(figure) if value / doubt > 1 or value * doubt <= 1]
        # One crossing at least for every change between certain steps, alternating, each between two of them.
        changes = [(a, b) for (a, x), (b, y) in itertools.pairwise(certain) if x != y]
        assert len(found) == len(changes)
        for crossing, (a, b) in zip(found, changes, strict=True):
            assert a <= crossing.between[0] <= crossing.between[1] <= b
            assert crossing.rising == (figure[b] > 1)
            if crossing.value is not None:
                low, high = crossing.between
                assert low - 1e-9 <= crossing.value <= high + 1e-9


PLATE = """
format = 1
title = "plate (invented)"
board = { outline = { rect = [0, 0, 40, 30] }, temperature_C = 20 }
layer = [{ name = "T", copper_um = 35, below_mm = 1 }, { name = "P", copper_um = 35 }]
copper = [{ name = "plane", layer = "P" }]
terminal = [
  { name = "A", copper = "plane", at = [5, 5], diameter_mm = 1 },
  { name = "B", copper = "plane", at = [35, 6], diameter_mm = 1 },
  { name = "U", copper = "plane", at = [30, 24], diameter_mm = 0.1 },
  { name = "J", copper = "plane", at = [5, 24], diameter_mm = 1 },
]
[[loop]]
name = "fan"
role = "noisy"
inject = "B"
return = "A"
LINES
[[loop]]
name = "input"
role = "sensitive"
inject = "U"
return = "J"
signal_V = 1
tolerates_V = 1e-3
band_Hz = [0, 2e4]
[solve]
accuracy = 0.02
"""
SECOND_EAR = """
[[loop]]
name = "shells"
role = "cables"
inject = "U"
return = "J"
limit_V = 1
band_Hz = [1e6, 1e9]
"""
WAY = 'move = "U", along = [[30, 24], [10, 24]], steps = 3'
DIRECT, LOUD = "spectrum = [[0, 1]]", "spectrum = [[0, 1], [1e4, 0.5], [1e7, 0.3]]"


def test_a_walk_of_the_amplifier_agrees_with_the_placement_map_at_those_places():
    text = PLATE.replace("LINES", DIRECT)
    (it,) = swept(sweep(WAY), board=text)
    # The map of a board whose own amplifier is far from where the others walk.
    result = rf.run(rf.parse_case(text.replace("at = [30, 24]", "at = [35, 15]")), only=[AS_DRAWN])[AS_DRAWN]
    places = unknown_places(result.solution)
    rms = result.placements["input"].rms
    for n, x in enumerate((30, 20, 10)):
        near = np.hypot(*(places - np.array([x / 1e3, 24e-3])).T)
        some = np.argsort(near)[:16]
        # A parabola through the nearest values of the map.
        offset = places[some] - np.array([x / 1e3, 24e-3])
        fit, *_ = np.linalg.lstsq(
            np.column_stack([np.ones(len(some)), offset, offset**2, offset.prod(axis=1)]), rms[some], rcond=None
        )
        assert it.noise[n, 0] == pytest.approx(fit[0], rel=0.01)


class TestOnlyWhatCounts:
    def test_lines_outside_every_band_are_left_out(self):
        case = counted(rf.parse_case(PLATE.replace("LINES", LOUD)))
        np.testing.assert_array_equal(lines_of(case.loop("fan")).frequency, [0, 1e4])
        more = SECOND_EAR + '[[region]]\nname = "r"\ncopper = "plane"\nshape = { rect = [15, 10, 20, 15] }\n'
        case = counted(rf.parse_case(PLATE.replace("LINES", LOUD) + more))
        # What one of two hears stays for both.
        np.testing.assert_array_equal(lines_of(case.loop("fan")).frequency, [0, 1e4, 1e7])
        assert (case.frequencies, case.regions, case.sections) == ((0.0,), (), ())

    def test_a_current_of_unknown_frequency_always_counts(self):
        case = rf.parse_case(PLATE.replace("LINES", "current_A = 1"))
        assert counted(case).loop("fan") == case.loop("fan")

    def test_a_loop_that_nobody_hears_is_silent(self):
        (it,) = swept(sweep(WAY), board=PLATE.replace("LINES", "spectrum = [[1e7, 0.3]]"))
        np.testing.assert_array_equal(it.noise, 0)
        assert it.sentence("input") == '"input" is within its limit of 1 mV at all 3 steps.'

    def test_the_band_of_the_model_ends_at_the_highest_line_that_counts_and_the_noise_is_the_same(self, monkeypatch):
        asked = []
        solve = batch.solve_case
        monkeypatch.setattr(batch, "solve_case", lambda *a, **k: asked.append(k) or solve(*a, **k))
        case = rf.parse_case(
            squared(PLATE.replace("LINES", LOUD)) + sweep('set = "fan.spectrum.1.2", values = [0.1, 1]')
        )
        (it,) = run_sweeps(case, jobs=1)
        assert [k["highest"] for k in asked] == [1e4]
        (budget,) = rf.run(it.sweep.steps[1].case, only=[AS_DRAWN])[AS_DRAWN].sensitive
        assert it.noise[1, 0] == pytest.approx(budget.noise, rel=2e-3)


class TestFailures:
    def test_a_step_that_cannot_be_solved_sinks_no_other(self, monkeypatch):
        solve = batch.solve_case

        def moody(case, *args, **more):
            if case.board.terminal("amplifier").centre[0] == pytest.approx(0.0705):
                message = "It does not converge."
                raise NumericalError(message)
            return solve(case, *args, **more)

        monkeypatch.setattr(batch, "solve_case", moody)
        text = STRIP + sweep('move = "amplifier", along = [[60.5, 10], [80.5, 10]], steps = 3')
        (it,) = run_sweeps(rf.parse_case(text), jobs=1)
        assert it.failed == {1: "It does not converge."}
        assert np.isnan(it.noise[1]).all()
        np.testing.assert_allclose(it.noise[[0, 2], 0], 2 * PER_MM * np.array([29, 49]), rtol=1e-9)
        assert it.states("sensor")[1] == "unknown"
        assert "at all 2 of 3 steps that were solved" in it.sentence("shells")

    def test_a_step_that_cannot_be_built_is_told(self):
        hole = '[[cutout]]\nname = "hole"\ncopper = "plane"\ncircles = [[20, 24]]\ndiameter_mm = 2\n'
        (it,) = swept(sweep(WAY), board=PLATE.replace("LINES", DIRECT) + hole)
        assert it.failed == {1: "it cannot be built"}
        assert np.isfinite(it.noise[[0, 2]]).all()

    def test_processes_give_the_same_as_one(self):
        text = STRIP + sweep('move = "amplifier", along = [[60, 10], [80, 10]], steps = 2')
        (one,), (two,) = (run_sweeps(rf.parse_case(text), jobs=jobs) for jobs in (1, 2))
        np.testing.assert_array_equal(one.noise, two.noise)


def test_a_case_without_sweeps_has_none():
    assert run_sweeps(rf.parse_case(STRIP)) == ()
