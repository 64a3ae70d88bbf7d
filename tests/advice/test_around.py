"""A route led round the gap that it crosses: drawn by the program, solved, and told where it helps."""

import functools
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Point

import solved
from returnflow.advice.around import bridged, led_round, shortest
from returnflow.advice.study import AS_DRAWN, run
from returnflow.answers import batch
from returnflow.answers.verdict import margin_words
from returnflow.magnetic.routes import faced
from returnflow.pictures.why import answered, why_words
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.checks.case_checks import check_case

# Plate of 60 x 40 mm, invented: a clock crosses a slot that is open below, and cables leave on both sides of it.
BOARD = """
format = 1
title = "A clock across a slot"
[board]
outline = {{ rect = [0, 0, 60, 40] }}
[[layer]]
name = "top"
copper_um = 35
below_mm = 0.3
[[layer]]
name = "plane"
copper_um = 35
[[copper]]
name = "ground"
layer = "plane"
[[cutout]]
name = "slot"
copper = "ground"
shape = {{ slot = [[30, 0], [30, {end}]], width = 1 }}
"""


def terminal(name, x, y):
    """A square: the outline of a disc would be three quarters of all triangles of the magnetic mesh."""
    corners = [round(each, 3) for each in (x - 0.4, y - 0.4, x + 0.4, y + 0.4)]
    return f'[[terminal]]\nname = "{name}"\ncopper = "ground"\nshape = {{ rect = {corners} }}\n'


def loop(name, role, ends, **more):
    text = f'[[loop]]\nname = "{name}"\nrole = "{role}"\ninject = "{ends[0]}"\nreturn = "{ends[1]}"\n'
    return text + "".join(f"{key} = {value}\n" for key, value in more.items())


PINS = (
    *(("A", 15, 10), ("B", 45, 10), ("C1", 4, 20), ("C2", 56, 20)),
    *(("S1", 10, 4), ("S2", 25, 4), ("H1", 34, 3), ("H2", 56, 3)),
)
ROUTE = '{ layer = "top", path = [[45, 10], [15, 10]], width_mm = 0.3 }'


@functools.cache
def case(end=30, limit=1e-4, tolerates=1e-3, more=""):
    text = BOARD.format(end=end) + "".join(terminal(*pin) for pin in PINS)
    text += loop("sensor", "sensitive", ("S2", "S1"), tolerates_V=tolerates, signal_V=1, band_Hz="[0, 1e3]")
    text += loop("heater", "noisy", ("H2", "H1"), current_A=1)
    text += loop("clock", "noisy", ("A", "B"), current_A=0.02, frequency_Hz=25e6, route=ROUTE)
    text += loop("cables", "cables", ("C2", "C1"), limit_V=limit) + more
    return parse_case(text + "\n[solve]\naccuracy = 0.05\n")


def high(drawn):
    """The case with the trace four times as high over its plane, for half of the triangles."""
    layers = tuple(replace(it, below=1.2e-3 if it.below else None) for it in drawn.board.layers)
    return replace(drawn, board=replace(drawn.board, layers=layers))


class _Drawn:
    """A case with as much of a result as a way needs."""

    def __init__(self, drawn):
        self.case, self.conductors = drawn, Conductors.of(drawn)
        self.facing = faced(drawn, self.conductors)

    def index(self, name):
        return [each.name for each in self.case.loops].index(name)


class TestShortest:
    WALL = shapely.box(0, 0, 10, 10).difference(shapely.box(4, -1, 6, 8))

    def test_is_nearly_the_exact_one_and_stays_inside(self):
        path = LineString(shortest(self.WALL, (1, 1), (9, 1), 0.1))
        exact = 2 * np.hypot(3, 7) + 2
        assert exact * (1 - 1e-12) <= path.length < 1.02 * exact
        assert self.WALL.buffer(1e-9).covers(path)

    def test_in_sight_it_is_straight(self):
        assert shortest(self.WALL, (1, 1), (3, 9), 0.3) == ((1, 1), (3, 9))

    @pytest.mark.parametrize("free", [shapely.Polygon(), shapely.box(0, 0, 4, 4).union(shapely.box(6, 0, 9, 9))])
    def test_there_may_be_none(self, free):
        assert shortest(free, (1, 1), (8, 1), 0.2) is None


class TestLedRound:
    def test_it_crosses_no_gap_any_more_and_keeps_off_its_end(self):
        ((name, trial),) = led_round(case().loop("clock"), _Drawn(case())).items()
        assert name == '"clock" led round "slot"'
        route = trial.case.loop("clock").route
        assert (route.path[0], route.path[-1]) == ((0.045, 0.01), (0.015, 0.01))
        assert not check_case(trial.case).mistakes
        assert faced(trial.case, Conductors.of(trial.case))[2].gaps == ()
        (slot,) = trial.case.board.cutouts
        assert LineString(route.path).distance(slot.shape) > 0.9e-3
        assert "instead of across" in trial.changes[0]

    @pytest.mark.parametrize("end", [39.4, 38.6])
    def test_not_where_no_copper_leads_round(self, end):
        assert led_round(case(end).loop("clock"), _Drawn(case(end))) == {}

    def test_not_through_other_traces_of_its_layer(self):
        other = '{ layer = "top", path = [[30, 39.5], [30, 30.2]], width_mm = 1 }'
        more = terminal("D", 30.9, 39) + terminal("E", 30.9, 31)
        more += loop("wall", "noisy", ("E", "D"), current_A=1e-9, frequency_Hz=50, route=other)
        drawn = case(29, more=more)
        assert led_round(drawn.loop("clock"), _Drawn(drawn)) == {}


class TestBridged:
    def test_it_joins_the_gap_under_the_trace_and_fills_nothing_else(self):
        """A hole in the copper under the strip, and a cutout that reaches into the gap, stay open."""
        reaching = '[[cutout]]\nname = "hole"\ncopper = "ground"\nshape = { circle = [30.6, 9], diameter = 0.6 }\n'
        drawn = case(30, more=reaching)
        (ground,) = drawn.board.coppers
        pierced = replace(ground, shape=shapely.difference(ground.shape, Point(0.0292, 0.011).buffer(2e-4)))
        drawn = replace(drawn, board=replace(drawn.board, coppers=(pierced,)))
        (trial,) = bridged(drawn.loop("clock"), _Drawn(drawn)).values()
        assert not check_case(trial.case).mistakes
        before, after = (it.board.remaining("ground") for it in (drawn, trial.case))
        assert after.area - before.area == pytest.approx(1e-3 * 3e-3, rel=0.05)  # 1 mm of gap, 3 mm wide
        assert after.covers(LineString([(0.0285, 0.010), (0.0315, 0.010)]))
        open_still = ((0.0292, 0.011), (0.0304, 0.009), (0.0308, 0.009))
        assert not any(after.intersects(Point(*place)) for place in open_still)
        assert faced(trial.case, Conductors.of(trial.case))[2].gaps == ()

    def test_none_where_no_gap_is_crossed(self):
        assert bridged(case(8).loop("clock"), _Drawn(case(8))) == {}


class TestStudy:
    @pytest.fixture(autouse=True)
    def each_board_once(self, monkeypatch):
        """The board as drawn and without its gap is the same in both tests."""
        monkeypatch.setattr(batch, "solve_case", solved.board)

    def test_a_limit_between_cables_that_the_gap_breaks_is_brought_back(self):
        # To close the gap would lead the heater's current past the sensor.
        found = run(high(case(limit=5e-3, tolerates=1e-5)), jobs=1)
        name = '"clock" led round "slot"'
        before, after = (found[which].cables[0] for which in (AS_DRAWN, name))
        assert before.verdict == "exceeded"
        assert found["every gap closed"].sensitive[0].verdict == "exceeded"
        signal, cables = found.decisions
        assert signal.tolerable
        assert after.verdict == "kept"
        by_name = {option.variant: option for option in cables.options}
        assert by_name[name].meets
        assert not by_name[name].harmful
        assert not by_name[name].has_room  # so that more is tried
        assert by_name["every gap closed"].broken == ("sensor",)
        # Copper across under the trace lets the heater's current through as well.
        assert by_name['a bridge of 7.5 mm across "slot" under "clock"'].broken == ("sensor",)
        assert cables.chosen.has_room
        assert not cables.chosen.harmful
        # By effort: the trace, then copper, then what stands on the board.
        assert [by_name[each].kind for each in (name, "every gap closed")] == ["trace", "copper"]
        assert cables.chosen.kind == "noisy part"
        left = margin_words(by_name[name].sure_dB)
        assert f"With less effort, but only {left}: {name}." in cables.recommendation
        # The first picture is of what is over its limit, though a signal is judged as well.
        told = answered(found[AS_DRAWN])
        assert [item.loop for item in told] == ["cables", "clock"]
        assert 'the copper between the connectors of "cables" (purple' in why_words(found[AS_DRAWN], *told)[0]

    @pytest.mark.parametrize(
        ("limit", "chosen"),
        [(5e-3, 'a bridge of 7.5 mm across "slot" under "clock"'), (8e-3, '"clock" led round "slot"')],
    )
    def test_what_leaves_the_gap_is_tried_and_taken_where_closing_it_would_do_as_well(self, limit, chosen):
        found = run(high(case(limit=limit, tolerates=1e-2)), jobs=1)
        cables = found.decisions[1]
        closed = next(option for option in cables.options if option.variant == "every gap closed")
        assert closed.has_room
        assert not closed.harmful
        assert cables.chosen.variant == chosen
        assert cables.chosen.noise > closed.noise  # so that it is not taken for less noise

    def test_nothing_more_is_solved_where_the_limit_is_kept(self):
        assert list(run(high(case(limit=1.0, tolerates=1e-5)), jobs=1).trials) == ["every gap closed"]
