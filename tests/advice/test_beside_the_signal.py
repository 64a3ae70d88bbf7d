"""What is advised for limits between cables while a signal is judged: never at that signal's cost."""

import functools
import math
from dataclasses import replace

import pytest

import solved
from returnflow.advice.decision import _by_itself
from returnflow.advice.from_variants import lifted
from returnflow.advice.places import BODY
from returnflow.advice.study import run
from returnflow.answers import batch
from returnflow.answers.budget import decibels
from returnflow.words.terminal import summary_table
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.numbers import engineering

BOARD = """
format = 1
title = "A weak input beside two cables"
[board]
outline = { rect = [0, 0, 100, 80] }
[[layer]]
name = "parts"
copper_um = 35
below_mm = 0.2
[[layer]]
name = "plane"
copper_um = 35
[[copper]]
name = "ground"
layer = "plane"
"""


def terminal(name, x, y):
    return f'[[terminal]]\nname = "{name}"\ncopper = "ground"\nat = [{x}, {y}]\ndiameter_mm = 1\n'


PINS = "".join(
    terminal(*each)
    for each in (("S1", 40, 70), ("S2", 10, 70), ("N1", 90, 10), ("N2", 60, 10), ("C1", 95, 10), ("C2", 55, 10))
)


def loops(cables, noisy="current_A = 1", tolerates=50e-6, band=""):
    return f"""
[[loop]]
name = "sensor"
role = "sensitive"
inject = "S1"
return = "S2"
tolerates_V = {tolerates}
signal_V = 1
{band}
[[loop]]
name = "motor"
role = "noisy"
inject = "N1"
return = "N2"
{noisy}
[[loop]]
name = "two cables"
role = "cables"
inject = "C1"
return = "C2"
{cables}
"""


def variant(name, one, other):
    return f'[[variant]]\nname = "{name}"\nmove = {{ N1 = {list(one)}, N2 = {list(other)} }}\n'


BY_THE_INPUT = variant("by the input", (38, 66), (12, 66))
SHORTER = variant("shorter", (76, 10), (74, 10))
SHIELD = '[[variant]]\nname = "shield"\nmove = { C1 = [53, 13] }\n'
BOTH = '[[variant]]\nname = "both"\nset = { "motor.current_A" = 1e-3 }\n'


STEADY = "\n[solve]\nfrequencies_Hz = [0]\naccuracy = 0.05\n"


@functools.cache
def study(*parts):
    return run(parse_case(BOARD + PINS + "".join(parts) + STEADY), jobs=1)


@pytest.fixture(autouse=True)
def each_board_once(monkeypatch):
    """Most studies here differ in limits and currents alone."""
    monkeypatch.setattr(batch, "solve_case", solved.board)


class TestAVariantThatMendsTheCables:
    @pytest.mark.parametrize(
        ("variants", "advised"),
        [(BY_THE_INPUT, "C1 moved to (66.3, 5.0) mm"), (BY_THE_INPUT + SHORTER, "shorter")],
    )
    def test_is_not_advised_where_it_puts_the_signal_over_its_limit(self, variants, advised):
        found = study(loops("limit_V = 100e-6"), variants)
        signal, cables = found.decisions
        assert signal.tolerable
        assert not cables.tolerable
        assert found["by the input"].sensitive[0].verdict == "exceeded"
        assert all(item.verdict == "kept" for item in found["by the input"].cables)
        harmful = next(option for option in cables.options if option.variant == "by the input")
        assert harmful.meets
        assert harmful.broken == ("sensor",)
        assert cables.chosen.variant == advised
        assert found[advised].cables[0].verdict == "kept"
        assert found[advised].sensitive[0].verdict == "kept"

    def test_where_only_harm_brings_them_back_it_is_told_and_not_advised(self):
        # Nothing is tried beyond what is asked for.
        case = parse_case(BOARD + PINS + loops("limit_V = 20e-6") + BY_THE_INPUT + STEADY)
        (_, cables) = run(case, only=["as drawn", "by the input"], jobs=1).decisions
        assert cables.chosen is None
        assert cables.recommendation.startswith('"by the input" would fix that, but with it "sensor" has 407 µV and ')
        assert "not advised" in cables.recommendation

    def test_where_nothing_brings_the_cables_back_what_comes_nearest_is_named(self):
        found = study(loops("limit_V = 1e-6"), SHORTER)
        _, cables = found.decisions
        shorter = found["shorter"].cables[0]
        assert shorter.verdict == "exceeded"
        assert cables.chosen is None
        assert f'The best, "shorter", leaves {engineering(shorter.noise, "V")}.' in cables.recommendation

    def test_what_helped_hardly_is_named_where_nothing_does(self):
        other = variant("a little aside", (89, 10), (60, 10))
        _, cables = study(loops("limit_V = 1e-6"), other).decisions
        assert cables.chosen is None
        assert "hardly better than as drawn, or worse: a little aside (" in cables.recommendation
        assert all(option.variant != "a little aside" for option in cables.options)

    def test_a_board_for_the_signal_that_makes_cables_worse_says_so(self):
        aside = '[[variant]]\nname = "aside"\nmove = { S1 = [16, 70], N1 = [97, 10], N2 = [53, 10] }\n'
        found = study(loops("limit_V = 100e-6", tolerates=8e-6), aside)
        signal, _ = found.decisions
        assert signal.chosen.variant == "aside"
        assert signal.chosen.worse == ("two cables",)
        now, before = (found[name].cables[0] for name in ("aside", "as drawn"))
        assert now.noise > 1.4 * before.noise > before.limit
        said = f'Over the limit as drawn, and further with it: "two cables" ({engineering(now.sure, "V")}).'
        assert said in signal.recommendation

    def test_every_pair_over_its_limit_has_a_decision(self):
        more = loops("limit_V = 100e-6").split("[[loop]]")[-1].replace("two cables", "two more")
        decisions = study(loops("limit_V = 100e-6"), "[[loop]]" + more).decisions
        assert [(it.loop, it.role) for it in decisions[1:]] == [("two cables", "cables"), ("two more", "cables")]
        assert decisions[1].chosen.variant == decisions[2].chosen.variant
        assert study(loops("limit_V = 1")).decisions[-1].role == "sensitive"

    def test_where_the_signal_is_over_its_limit_as_drawn_what_is_no_worse_may_be_combined(self):
        signal, cables = study(loops("limit_V = 100e-6", tolerates=1e-9), SHORTER).decisions
        assert not signal.tolerable
        assert cables.chosen.variant == "shorter"
        assert ', together with "shorter": every limit is kept' in signal.all_limits
        assert cables.all_limits == signal.all_limits


class TestNothingSolvedAboveZero:
    RADIO = 'radiates = { limit = "CISPR 32 class B", distance_m = 3, cable_length_m = 1 }'
    FAST = "trapezoid = { frequency_Hz = 1e6, swing_A = 0.01, rise_s = 5e-9 }"

    def test_no_verdict_on_lines_that_are_above(self):
        """By resistance alone they are a thousandth of what is induced: far within any limit of radio."""
        found = study(loops(self.RADIO, self.FAST, band="band_Hz = [0, 1e3]"))
        (cables,) = found["as drawn"].cables
        assert cables.high < 0.01 * cables.limit
        assert cables.verdict == "unknown"
        assert cables.unrouted == ("motor",)
        first = 'solve above 0 Hz (leave out frequencies_Hz) and draw the route of "motor"'
        assert f'"two cables" cannot be judged yet: {first}' in " ".join(summary_table(found).split())

    def test_lines_that_could_not_matter_even_if_all_were_induced_leave_the_verdict(self):
        quiet = self.FAST.replace("0.01", "1e-9")
        (cables,) = study(loops(self.RADIO, quiet))["as drawn"].cables
        assert cables.verdict == "kept"

    def test_slow_lines_and_the_band_of_an_input_are_judged(self):
        found = study(loops("limit_V = 1", "current_A = 1\nfrequency_Hz = 50", band="band_Hz = [0, 1e3]"))
        assert [item.verdict for item in (*found["as drawn"].sensitive, *found["as drawn"].cables)] == ["kept", "kept"]


class TestCablesAlone:
    """A board with cables and no weak signal."""

    CABLES = "[[loop]]" + loops("limit_V = 100e-6").split("[[loop]]", 2)[2]

    def test_have_a_decision_with_a_board_that_was_solved(self):
        found = study(self.CABLES)
        (decision,) = found.decisions
        assert decision.role == "cables"
        assert decision.chosen.variant in found.trials
        assert found[decision.chosen.variant].cables[0].verdict == "kept"
        assert 'Recommended for "two cables": Bring the connectors together' in summary_table(found)

    def test_connectors_stay_at_the_edge_where_they_stand(self):
        found = study(self.CABLES)
        board = found["C1 moved to (66.3, 5.0) mm"].case.board
        assert board.terminal("C1").centre == pytest.approx((0.0663, 0.005), abs=1e-4)  # 5 mm from the edge, as drawn
        assert math.dist(board.terminal("C1").centre, board.terminal("C2").centre) >= BODY

    def test_what_must_stay_bonded_is_not_moved(self):
        bonded = PINS.replace('name = "C1"', 'name = "C1"\nbonded = "shield"')
        found = run(parse_case(BOARD + bonded + self.CABLES + STEADY), jobs=1)
        assert [name for name in found.trials if name.startswith("C")] == ["C2 moved to (83.0, 10.0) mm"]

    @pytest.mark.parametrize("limit", ["limit_V = 500e-6", TestNothingSolvedAboveZero.RADIO])
    def test_a_smaller_current_is_told_as_a_solve_of_it_finds_it(self, limit):
        route = '{ layer = "parts", path = [[60, 10], [90, 10]], width_mm = 1 }'

        def drawn(current):
            lines = f"spectrum = [[40e6, {current}], [300e6, {0.1 * current}]]\nroute = {route}"
            return parse_case(
                BOARD + PINS + self.CABLES.replace("limit_V = 100e-6", limit).replace("current_A = 1", lines)
            )

        found = run(drawn(0.025), only=["as drawn"], jobs=1)
        (decision,) = found.decisions
        smaller = next(option for option in decision.options if option.variant is None)
        fall = float(smaller.title.rsplit(" by ", 1)[1].removesuffix(" dB"))
        (less,) = run(drawn(0.025 * 10 ** (-fall / 20)), only=["as drawn"], jobs=1)["as drawn"].cables
        (one_less,) = run(drawn(0.025 * 10 ** (-(fall - 1) / 20)), only=["as drawn"], jobs=1)["as drawn"].cables
        assert decibels(less.limit, less.high) >= 6.0 > decibels(one_less.limit, one_less.high)
        assert smaller.possible
        assert smaller.noise == pytest.approx(less.noise, rel=1e-6)
        assert smaller.limit == pytest.approx(less.limit, rel=1e-9)


class TestASignalThatKeepsItsLimit:
    def test_stays_where_it_is_and_no_current_need_fall(self):
        (decision,) = study(loops("limit_V = 1")).decisions
        titles = [option.title for option in decision.options]
        assert "Leave S1 where it is" in titles
        assert not [title for title in titles if title.startswith(("Move", "Reduce"))]

    def test_rejection_and_reduction_say_that_they_hold_a_margin(self):
        (decision,) = study(loops("limit_V = 1", tolerates=1e-6)).decisions
        told = {option.kind: " ".join(option.reasons) for option in decision.options}
        assert "dB of common-mode rejection for 6 dB margin" in told["differential"]
        assert "for 6 dB margin" in told["noisy current"]


class TestBoardsThatChangeNothingForTheSignal:
    """A cable's connector elsewhere is no option for a signal, but it is what the cables ask for."""

    def test_what_brings_the_cables_back_is_an_option_for_them_alone(self):
        found = study(loops("limit_V = 100e-6"), SHIELD)
        signal, cables = found.decisions
        assert found["shield"].cables[0].verdict == "kept"
        assert all(option.variant != "shield" for option in signal.options)
        assert cables.chosen.variant == "shield"
        assert cables.chosen.kind == "move connector"

    def test_where_several_limits_are_open_the_board_that_keeps_all_is_named(self):
        found = study(loops("limit_V = 100e-6", tolerates=1e-7), BOTH, SHORTER)
        signal, cables = found.decisions
        assert not signal.tolerable
        assert all(item.verdict == "kept" for item in (*found["both"].sensitive, *found["both"].cables))
        # The board of the signal comes first for the cables; where it is advised for all, that is all there is to say.
        assert signal.chosen.variant == cables.chosen.variant == "both"
        assert signal.chosen.mended == ("two cables",)
        assert signal.all_limits == cables.all_limits == ""
        others = (replace(signal, chosen=None), cables)
        assert _by_itself(found["as drawn"], others, {"both": found["both"]}) == ['"both" keeps every limit.']
        (alone,) = study(loops("limit_V = 1"), BOTH).decisions  # nothing else is open
        assert alone.all_limits == ""

    @pytest.mark.parametrize(
        "change",
        ['drop = ["two cables"]\nset = { "motor.current_A" = 1e-3 }',
         'set = { "motor.current_A" = 1e-3, "two cables.limit_V" = 1 }'],
    )  # fmt: skip
    def test_a_board_that_has_lost_a_limit_keeps_not_every_one(self, change):
        other = f'[[variant]]\nname = "other"\n{change}\n'
        found = study(loops("limit_V = 100e-6", tolerates=1e-7), other)
        assert all(item.verdict == "kept" for item in (*found["other"].sensitive, *found["other"].cables))
        assert all("keeps every limit" not in decision.all_limits for decision in found.decisions)

    def test_what_lifts_a_bond_that_must_stay_mends_nothing(self):
        """Safety comes first: the cables are within their limit with it, and it is not advised for them."""
        bonded = PINS.replace('name = "S2"', 'name = "S2"\nbonded = "housing"')
        lifts = SHIELD.replace("shield", "lifted") + 'set = { "sensor.return" = "R" }\n'
        lifts += '[[variant.add.copper]]\nname = "strip"\nlayer = "parts"\nshape = { rect = [5, 60, 20, 63] }\n'
        lifts += '[[variant.add.terminal]]\nname = "R"\ncopper = "strip"\nat = [7, 61]\ndiameter_mm = 1\n'
        lifts += '[[variant.add.terminal]]\nname = "R2"\ncopper = "strip"\nat = [18, 61]\ndiameter_mm = 1\n'
        lifts += '[[variant.add.link]]\nname = "wire"\nbetween = ["R2", "S1"]\nresistance_ohm = 1e-3\n'
        text = BOARD + bonded + loops("limit_V = 100e-6") + lifts
        found = run(parse_case(text + STEADY), jobs=1)
        _, cables = found.decisions
        assert found["lifted"].cables[0].verdict == "kept"
        option = next(it for it in cables.options if it.variant == "lifted")
        assert not option.possible
        assert "not advised" in option.why_not
        assert cables.chosen.variant != "lifted"

    def test_a_current_that_ends_at_another_pin_of_the_plane_lifts_no_bond(self):
        bonded = PINS.replace('name = "N2"', 'name = "N2"\nbonded = "housing"')
        other = '[[variant]]\nname = "to C2"\nset = { "motor.return" = "C2" }\n'
        text = BOARD + bonded + loops("limit_V = 100e-6") + other + STEADY
        case = parse_case(text)
        (variant_,) = case.variants
        assert lifted(case, variant_.case) == ()
