"""What boards do to other limits: a signal's room, and what they do together; and boards a reviewer would draw."""

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString
from test_around import _Drawn, loop, terminal
from test_around import case as clock_case

from returnflow.advice.around import led_round
from returnflow.advice.decision import choose_harmless, decide, settled, spoils
from returnflow.advice.drawn import moved
from returnflow.advice.from_variants import from_variant
from returnflow.advice.places import along_edge, at_edge
from returnflow.advice.proofs import _connectors_together, _return_of_noise
from returnflow.advice.recommendation import _little_room, harm_in_words
from returnflow.advice.study import AS_DRAWN, Study, run
from returnflow.advice.together import merged, obstacle, titled
from returnflow.magnetic.routes import faced
from returnflow.resistive.conductors import Conductors
from returnflow.words.comparison import costs_text
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.model.board import Outgoing

# Invented: a plate of 80 x 60 mm with a weak input, a motor and two pairs of cables.
BOARD = """
format = 1
title = "a pump (invented)"
board = { outline = { rect = [0, 0, 80, 60] } }
layer = [{ name = "top", copper_um = 35, below_mm = 0.3 }, { name = "plane", copper_um = 35 }]
copper = [{ name = "ground", layer = "plane" }]
solve = { frequencies_Hz = [0], accuracy = 0.02 }
"""
PINS = (("M", 55, 25), ("J", 6.5, 30), ("S1", 30, 55), ("S2", 50, 55), ("C1", 74, 8), ("C2", 74, 52), ("X", 40, 30))
ROUTE = '{ layer = "top", path = [[6.5, 30], [6.5, 20], [55, 20], [55, 25]], width_mm = 2 }'


def text(limit=1e-3, tolerates=1e-4):
    made = BOARD + "".join(terminal(*pin) for pin in PINS)
    made += loop("input", "sensitive", ("S2", "S1"), tolerates_V=tolerates, signal_V=1)
    made += loop("motor", "noisy", ("M", "J"), current_A=1, route=ROUTE)
    made += loop("out", "cables", ("C1", "J"), limit_V=limit)
    return made + loop("up", "cables", ("C2", "J"), limit_V=limit)


@functools.cache
def drawn():
    return run(parse_case(text()), only=[AS_DRAWN], jobs=1)[AS_DRAWN]


def noise(result, **factors):
    """The result, with the noise of some loops so many times as much as their limits."""

    def changed(item):
        factor = factors.get(item.loop)
        if factor is None:
            return item
        volts = factor * item.limit
        return replace(item, noise=volts, low=volts, high=volts)

    return replace(
        result,
        sensitive=tuple(map(changed, result.sensitive)),
        cables=tuple(map(changed, result.cables)),
    )


def shifted(result, name, place):
    return replace(result, case=moved(result.case, name, place))


class TestRoomOfASignal:
    def option(self, left):
        base = noise(drawn(), input=0.2, out=2.0, up=0.5)
        other = noise(shifted(base, "M", (30e-3, 25e-3)), input=left, out=0.3)
        return from_variant("noisy part", "elsewhere", base.case.loop("out"), base, other)

    @pytest.mark.parametrize(("left", "dB"), [(0.8, 1.94), (0.51, 5.85)])
    def test_a_board_that_takes_it_is_harmful_and_says_what_is_left(self, left, dB):
        option = self.option(left)
        assert option.tight == {"input": pytest.approx(dB, abs=0.01)}
        assert option.harmful
        assert choose_harmless([option]) is None

    def test_one_that_leaves_it_is_not(self):
        option = self.option(0.49)
        assert option.tight == {}
        assert choose_harmless([option]) is option

    def test_a_signal_without_room_as_drawn_has_none_to_lose(self):
        base = noise(drawn(), input=0.7, out=2.0, up=0.5)
        other = noise(shifted(base, "M", (30e-3, 25e-3)), input=0.8, out=0.3)
        assert from_variant("noisy part", "elsewhere", base.case.loop("out"), base, other).tight == {}

    def test_it_is_told_where_nothing_else_helps(self):
        base = noise(drawn(), input=0.2, out=2.0, up=0.5)
        other = noise(shifted(base, "M", (30e-3, 25e-3)), input=0.8, out=0.3)
        (_, cables) = decide(base, {"elsewhere": other})
        assert cables.chosen is None or cables.chosen.variant is None
        harmful = next(option for option in cables.options if option.variant == "elsewhere")
        assert harmful.meets
        assert harmful.tight


class TestWhatIsNotKnown:
    def option(self, low, high):
        base = noise(drawn(), input=0.2, out=2.0, up=0.5)
        other = noise(shifted(base, "M", (30e-3, 25e-3)), input=0.2, out=0.3, up=1.0)
        cables = tuple(
            replace(it, low=low * it.limit, high=high * it.limit) if it.loop == "up" else it for it in other.cables
        )
        return from_variant("noisy part", "elsewhere", base.case.loop("out"), base, replace(other, cables=cables))

    def test_a_limit_that_a_board_leaves_open_is_not_called_exceeded(self):
        option = self.option(0.9, 1.1)
        assert option.broken == option.unsure == ("up",)
        assert option.over == ()
        assert option.harmful
        assert costs_text(option) == 'leaves the limit of "up" open'
        assert harm_in_words(option) == 'it leaves open whether "up" keeps its limit'
        assert any("not known to keep its limit" in cost for cost in option.costs)

    def test_one_that_it_exceeds_is(self):
        option = self.option(1.05, 1.1)
        assert option.broken == option.over == ("up",)
        assert option.unsure == ()
        assert costs_text(option) == 'exceeds the limit of "up"'
        assert "over its limit" in harm_in_words(option)
        assert any("over its limit" in cost for cost in option.costs)


class TestWhatBoardsDoTogether:
    def boards(self):
        """Two boards, each good for one pair of cables, that together break the input; and a lesser one."""
        base = noise(drawn(), input=0.2, out=2.0, up=2.0)
        one = noise(shifted(base, "M", (30e-3, 25e-3)), input=0.2, out=0.3, up=2.0)
        other = noise(shifted(base, "X", (40e-3, 40e-3)), input=0.3, out=2.0, up=0.3)
        # A board of another kind, so that something changes for the rule that sorts boards into kinds.
        loops = tuple(replace(it, current=0.5) if it.name == "motor" else it for it in base.case.loops)
        other = replace(other, case=replace(other.case, loops=loops))
        lesser = noise(shifted(base, "M", (36e-3, 25e-3)), input=0.2, out=2.0, up=0.45)
        return base, {"one": one, "other": other, "lesser": lesser}

    def test_what_breaks_a_signal_together_is_not_recommended_together(self):
        base, boards = self.boards()
        before, clashes = settled(base, boards, {})
        assert {it.loop: it.chosen.variant for it in before if it.chosen} == {"out": "one", "up": "other"}
        assert clashes == {}
        both = noise(boards["one"], input=1.2, out=0.3, up=0.3)
        assert [it.loop for it in spoils(base, both)] == ["input"]
        after, clashes = settled(base, boards, {titled(["one", "other"]): both})
        assert list(clashes) == ["other"]  # of the two the one with more of the input's noise
        assert {it.loop: it.chosen.variant for it in after if it.chosen} == {"out": "one", "up": "lesser"}

    @pytest.mark.parametrize(("left", "used"), [(0.45, "one"), (0.8, "thick")])
    def test_a_board_that_is_recommended_anyway_serves_others_if_it_leaves_them_room(self, left, used):
        base, boards = self.boards()
        one = noise(boards["one"], input=0.2, out=0.3, up=left)
        layers = tuple(replace(it, thickness=2 * it.thickness) for it in base.case.board.layers)
        # More copper is less effort than to move a part.
        thick = replace(base.case, board=replace(base.case.board, layers=layers))
        other = noise(replace(base, case=thick), input=0.2, out=1.9, up=0.3)
        decisions, _ = settled(base, {"one": one, "thick": other}, {})
        assert {it.loop: it.chosen.variant for it in decisions if it.chosen} == {"out": "one", "up": used}

    def test_one_that_has_room_with_the_others_only_is_told_with_them(self):
        base, boards = self.boards()
        third = noise(shifted(base, "X", (20e-3, 40e-3)), input=0.2, out=2.0, up=2.0)
        one = noise(boards["one"], input=2.0, out=0.3, up=0.8)
        both = noise(one, input=0.2, out=0.3, up=0.4)
        # Where another limit, of a signal, has a board as well.
        base = noise(base, input=2.0, out=2.0, up=2.0)
        third = noise(third, input=0.3)
        found = {"one": one, "third": replace(third, case=replace(third.case, loops=boards["other"].case.loops))}
        *_, up = decide(base, found, {titled(["third", "one"]): both})
        assert up.chosen.variant == "one"
        assert not up.chosen.has_room
        assert "As recommended for" in up.recommendation
        assert "With all that is recommended it is 400 µV, 8.0 dB margin." in up.recommendation
        assert "measure" not in up.recommendation

    @pytest.mark.parametrize(
        ("left", "says"),
        [
            (0.7, ["With all that is recommended it is 700 µV, 3.1 dB margin.", "That is less than 6 dB: measure "]),
            (0.4, ["With all that is recommended it is 400 µV, 8.0 dB margin."]),
        ],
    )
    def test_less_than_6_dB_with_all_of_it_is_to_be_measured(self, left, says):
        base, boards = self.boards()
        together = next(it for it in noise(base, out=left).cables if it.loop == "out")
        said = _little_room([], together)
        assert len(said) == len(says)
        assert all(one.startswith(other) for one, other in zip(said, says, strict=True))
        harmful = from_variant("noisy part", "x", base.case.loop("out"), base, noise(boards["one"], out=0.1, up=3.0))
        assert "option that harms no other limit" in _little_room([harmful], None)[0]
        assert "No solved option" in _little_room([], None)[0]

    def test_only_the_board_that_is_recommended_is_shown(self):
        base, boards = self.boards()
        both = noise(boards["one"], input=1.2, out=0.3, up=0.3)
        good = noise(boards["one"], input=0.4, out=0.3, up=0.3)
        names = titled(["one", "other"]), titled(["one", "lesser"])
        found = Study(
            case=base.case,
            variants={AS_DRAWN: base},
            versions={},
            trials=boards | dict(zip(names, (both, good), strict=True)),
            joint=names,
        )
        assert list(found.proved) == ["one", "lesser", names[1]]
        assert "every limit is kept" in found.decisions[-1].all_limits

    def test_the_reason_is_told(self):
        base, boards = self.boards()
        both = noise(boards["one"], input=1.2, out=0.3, up=0.3)
        *_, cables = decide(base, boards, {titled(["one", "other"]): both})
        assert '"other" does not go with "one": together they leave "input" with 120 µV of 100 µV' in cables.all_limits

    def test_what_goes_together_stays(self):
        base, boards = self.boards()
        both = noise(boards["one"], input=0.4, out=0.3, up=0.3)
        decisions, clashes = settled(base, boards, {titled(["one", "other"]): both})
        assert clashes == {}
        assert {it.chosen.variant for it in decisions if it.chosen} == {"one", "other"}


class TestTwoEndsOfOneRoute:
    def test_are_moved_together(self):
        case = parse_case(text())
        one, other = moved(case, "J", (6.5e-3, 40e-3)), moved(case, "M", (55e-3, 30e-3))
        both = merged(case, one, other)
        assert both is not None
        path = both.loop("motor").route.path
        assert (path[0], path[-1]) == ((6.5e-3, 40e-3), (55e-3, 30e-3))
        assert set(path[1:-1]) <= set(case.loop("motor").route.path)
        assert not check_case(both).mistakes

    def test_one_end_in_two_ways_is_told_by_name(self):
        case = parse_case(text())
        boards = {"a": moved(case, "J", (6.5e-3, 40e-3)), "b": moved(case, "J", (6.5e-3, 45e-3))}
        assert merged(case, *boards.values()) is None
        assert obstacle(case, ["a", "b"], boards) == 'they change "J" in different ways'

    def test_one_stretch_of_a_route_cannot_run_in_two_ways(self):
        case = parse_case(text())

        def bent(place):
            route = case.loop("motor").route
            path = (route.path[0], place, *route.path[2:])
            return replace(
                case, loops=tuple(replace(it, route=replace(route, path=path)) if it.route else it for it in case.loops)
            )

        # Nor where one way is of several legs, and the way as drawn is of one.
        legs = [Outgoing(layer="top", path=((0, 0), (1e-3, 0)), width=2e-3), case.loop("motor").route]
        two = [replace(case.loop("motor").route, legs=tuple(some)) for some in (legs, legs[::-1])]
        ways = [
            replace(case, loops=tuple(replace(it, route=way) if it.route else it for it in case.loops)) for way in two
        ]
        assert merged(case, *ways) is None
        boards = {"a": bent((8e-3, 22e-3)), "b": bent((8e-3, 24e-3))}
        assert obstacle(case, ["a", "b"], boards) == 'they change "motor" in different ways'
        assert merged(case, boards["a"], boards["a"]) is not None

    def test_a_board_that_cannot_be_is_told_why(self):
        case = parse_case(text())
        boards = {"a": moved(case, "M", (40e-3, 40e-3)), "b": moved(case, "X", (40.2e-3, 40e-3))}
        assert obstacle(case, ["a", "b"], boards).startswith("drawn as one board, ")


class TestConnectors:
    def test_a_cables_end_stands_at_the_edge_up_to_15_mm_in(self):
        case = parse_case(text())
        assert at_edge(case) == {"J", "C1", "C2", "S1", "S2"}  # pads of 0.8 mm, 4.6 mm from the edge and less
        inner = parse_case(
            text()
            .replace(terminal("J", 6.5, 30), terminal("J", 16, 30))
            .replace("[[6.5, 30], [6.5,", "[[16, 30], [16,")
        )
        assert "J" not in at_edge(inner)

    def test_it_is_brought_along_the_edge(self):
        case = parse_case(text())
        ((name, trial),) = _connectors_together(case.loop("out"), case).items()
        assert name.startswith(("J moved", "C1 moved"))
        pin = name.split()[0]
        was, now = (it.board.terminal(pin).centre for it in (case, trial.case))
        rim = case.board.outline.exterior
        assert rim.distance(shapely.Point(now)) == pytest.approx(rim.distance(shapely.Point(was)), abs=1e-5)
        assert along_edge(case, "X", "J") is None  # no connector


class TestLedTraces:
    def test_a_trace_that_is_led_elsewhere_does_not_turn_back(self):
        case = parse_case(text())
        there = moved(case, "J", (60e-3, 55e-3)).loop("motor").route
        assert there.path[0] == (60e-3, 55e-3)
        straight = math.dist(there.path[0], there.path[-1])
        assert there.length < 2 * straight
        kept = moved(case, "J", (6.5e-3, 33e-3)).loop("motor").route
        assert kept.path[1:] == case.loop("motor").route.path[1:]

    def test_only_the_leg_that_crosses_a_gap_is_led_round_it(self):
        case = clock_case()
        clock = case.loop("clock")
        legs = [
            Outgoing(layer="top", path=((0.045, 0.01), (0.045, 0.014), (0.04, 0.012)), width=0.3e-3),
            Outgoing(layer="back", path=((0.04, 0.012), (0.036, 0.012)), width=0.3e-3),
            Outgoing(layer="top", path=((0.036, 0.012), (0.015, 0.01)), width=0.3e-3),
        ]
        first, plane = case.board.layers
        layers = (first, replace(plane, below=0.3e-3), replace(first, name="back", below=None))
        loops = tuple(replace(it, route=Outgoing.chain(legs)) if it is clock else it for it in case.loops)
        over = replace(case, loops=loops, board=replace(case.board, layers=layers))
        ((name, trial),) = led_round(over.loop("clock"), _Drawn(over)).items()
        assert name == '"clock" led round "slot"'
        route = trial.case.loop("clock").route
        assert route.legs[:2] == tuple(legs[:2])
        assert not check_case(trial.case).mistakes
        assert faced(trial.case, Conductors.of(trial.case))[2].gaps == ()
        (slot,) = trial.case.board.cutouts
        assert LineString(route.legs[2].path).distance(slot.shape) > 0.9e-3


class TestAReturnOfTheNoisesOwn:
    def test_takes_its_current_off_the_plane(self):
        case = parse_case(text())
        ((name, trial),) = _return_of_noise(case.loop("motor"), case).items()
        assert name == 'a return of its own for "motor"'
        assert not check_case(trial.case).mistakes
        after = run(trial.case, only=[AS_DRAWN], jobs=1)[AS_DRAWN]
        before = drawn()
        j = before.loop_names.index("motor")
        for i in (before.loop_names.index(each) for each in ("input", "out", "up")):
            assert abs(after.whole.mid[i, j]) < 1e-3 * abs(before.whole.mid[i, j])
        # By hand: its squares of copper, less at most four for its ends and corners, and the joint's 0.5 mohm.
        squares = trial.case.board.coppers[-1].shape.area / 2e-3**2
        sheet = float(after.conductors.sheets[-1])
        assert (squares - 4) * sheet < after.whole.mid[j, j] < squares * sheet + 1e-3

    def test_not_where_a_signal_stands_at_that_pin_or_a_bond_must_stay(self):
        shared = text().replace('inject = "S2"', 'inject = "M"')
        assert _return_of_noise(parse_case(shared).loop("motor"), parse_case(shared)) == {}
        bonded = (
            text()
            .replace('name = "M"\n', 'name = "M"\nbonded = "frame"\n')
            .replace('name = "J"\n', 'name = "J"\nbonded = "screen"\n')
        )
        assert _return_of_noise(parse_case(bonded).loop("motor"), parse_case(bonded)) == {}
        assert np.isfinite(drawn().whole.mid).all()
