"""What is said of limits between cables while a signal is judged: never at that signal's cost without a word."""

import functools

import pytest

from returnflow.advice.decision import _by_itself
from returnflow.advice.study import run
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


@functools.cache
def study(*parts):
    return run(parse_case(BOARD + PINS + "".join(parts) + "\n[solve]\nfrequencies_Hz = [0]\n"))


class TestAVariantThatMendsTheCables:
    @pytest.mark.parametrize(
        ("variants", "said"),
        [
            (BY_THE_INPUT, '"by the input" would fix that, but with it this signal has '),
            (BY_THE_INPUT + SHORTER, '"shorter" fixes that; with it this signal has '),
        ],
    )
    def test_is_not_advised_where_it_puts_the_signal_over_its_limit(self, variants, said):
        found = study(loops("limit_V = 100e-6"), variants)
        (decision,) = found.decisions
        assert decision.tolerable
        assert found["by the input"].sensitive[0].verdict == "exceeded"
        assert all(item.verdict == "kept" for item in found["by the input"].cables)
        assert said in decision.recommendation

    def test_where_nothing_brings_the_cables_back_what_comes_nearest_is_named(self):
        found = study(loops("limit_V = 1e-6"), SHORTER)
        (decision,) = found.decisions
        shorter = found["shorter"].cables[0]
        assert shorter.verdict == "exceeded"
        assert shorter.noise < 0.5 * found["as drawn"].cables[0].noise
        assert (
            f'nothing solved here fixes that; "shorter" leaves {engineering(shorter.noise, "V")}.'
            in decision.recommendation
        )
        (alone,) = study(loops("limit_V = 1e-6")).decisions
        assert "nothing solved here fixes that." in alone.recommendation

    def test_of_several_pairs_only_the_first_is_introduced(self):
        more = loops("limit_V = 100e-6").split("[[loop]]")[-1].replace("two cables", "two more")
        (decision,) = study(loops("limit_V = 100e-6"), "[[loop]]" + more).decisions
        assert decision.recommendation.count("Independently of this signal") == 1
        assert decision.recommendation.count("and nothing solved here fixes that.") == 2

    def test_where_the_signal_is_over_its_limit_as_drawn_what_is_no_worse_may_be_combined(self):
        (decision,) = study(loops("limit_V = 100e-6", tolerates=1e-9), SHORTER).decisions
        assert not decision.tolerable
        assert '"shorter" fixes that' in decision.recommendation
        assert ', together with "shorter": every limit is kept' in decision.recommendation


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

    def test_what_brings_the_cables_back_is_named_all_the_same(self):
        found = study(loops("limit_V = 100e-6"), SHIELD)
        (decision,) = found.decisions
        assert found["shield"].cables[0].verdict == "kept"
        assert all(option.variant != "shield" for option in decision.options)
        assert '"shield" fixes that' in decision.recommendation

    def test_where_several_limits_are_open_the_board_that_keeps_all_is_named(self):
        found = study(loops("limit_V = 100e-6", tolerates=1e-7), BOTH, SHORTER)
        (decision,) = found.decisions
        assert not decision.tolerable
        assert all(item.verdict == "kept" for item in (*found["both"].sensitive, *found["both"].cables))
        said = decision.recommendation.count("keeps every limit.")
        # Of the one that is recommended it is said that it brings the cables back as well.
        assert said == (decision.chosen.variant != "both")
        again = _by_itself(found["as drawn"], (decision, decision), {"both": found["both"]})
        assert again == ['"both" keeps every limit.']
        (alone,) = study(loops("limit_V = 1"), BOTH).decisions  # nothing else is open
        assert "keeps every limit" not in alone.recommendation

    @pytest.mark.parametrize(
        "change",
        ['drop = ["two cables"]\nset = { "motor.current_A" = 1e-3 }',
         'set = { "motor.current_A" = 1e-3, "two cables.limit_V" = 1 }'],
    )  # fmt: skip
    def test_a_board_that_has_lost_a_limit_keeps_not_every_one(self, change):
        other = f'[[variant]]\nname = "other"\n{change}\n'
        found = study(loops("limit_V = 100e-6", tolerates=1e-7), other)
        assert all(item.verdict == "kept" for item in (*found["other"].sensitive, *found["other"].cables))
        assert '"Other" keeps every limit' not in found.decisions[0].recommendation
        assert '"other" keeps every limit' not in found.decisions[0].recommendation

    def test_what_lifts_a_bond_that_must_stay_mends_nothing(self):
        """Safety comes first: the cables are within their limit with it, and it is not advised for them."""
        bonded = PINS.replace('name = "S2"', 'name = "S2"\nbonded = "housing"')
        lifts = SHIELD.replace("shield", "lifted") + 'set = { "sensor.return" = "R" }\n'
        lifts += '[[variant.add.copper]]\nname = "strip"\nlayer = "parts"\nshape = { rect = [5, 60, 20, 63] }\n'
        lifts += '[[variant.add.terminal]]\nname = "R"\ncopper = "strip"\nat = [7, 61]\ndiameter_mm = 1\n'
        lifts += '[[variant.add.terminal]]\nname = "R2"\ncopper = "strip"\nat = [18, 61]\ndiameter_mm = 1\n'
        lifts += '[[variant.add.link]]\nname = "wire"\nbetween = ["R2", "S1"]\nresistance_ohm = 1e-3\n'
        text = BOARD + bonded + loops("limit_V = 100e-6") + lifts
        found = run(parse_case(text + "\n[solve]\nfrequencies_Hz = [0]\n"), jobs=1)
        (decision,) = found.decisions
        assert found["lifted"].cables[0].verdict == "kept"
        option = next(it for it in decision.boards if it.variant == "lifted")
        assert not option.possible
        assert '"lifted" fixes that' not in decision.recommendation
