"""The trade study of the weighing controller, and what is decided from it."""

import dataclasses
import math
import re

import numpy as np
import pytest

import solved
from cases import EXAMPLES
from house import ROOT
from returnflow.advice.decision import choose
from returnflow.advice.from_drawing import NOT_REJECTED, mostly_induced, resistive_noise
from returnflow.advice.from_variants import from_variant
from returnflow.advice.option import EFFORT, Option
from returnflow.advice.options import options_for
from returnflow.advice.study import AS_DRAWN
from returnflow.answers.budget import decibels


def resistive(name, *changes, keep=None):
    """
    Text of an example at the resistive limit and less accurate, so that a study takes seconds; all its currents count.

    `keep` names the variants that are left in it; all by default.
    """
    text = (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    text = re.sub(r"^frequency_Hz = .*\n", "", text, flags=re.M)
    text = re.sub(r"^trapezoid = .*$", "current_A = 0.01\nfrequency_Hz = 0", text, flags=re.M)
    text = re.sub(r"^frequencies_Hz = .*\n", "", text, flags=re.M).replace("accuracy = 0.01", "accuracy = 0.1")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    head, *variants = text.split("[[variant]]")
    return "[[variant]]".join([head, *(v for v in variants if keep is None or v.split('"')[1] in keep)])


def study(*changes, name="weighing_controller", keep=None):
    return solved.study(resistive(name, *changes, keep=keep))


def option(decision, title):
    return next(item for item in decision.options if item.title == title or item.variant == title)


class TestWeighingController:
    def test_it_gives_the_input_a_return_of_its_own_and_closes_the_slot(self):
        decision, *_ = study().decisions
        assert not decision.tolerable
        assert decision.chosen.variant == "return of its own, no slot"
        assert "return of its own with one ground point" in decision.recommendation
        assert 'It also brings "USB to RS-485" within its limit of 1 mV.' in decision.recommendation

    def test_the_readme_quotes_what_it_says(self):
        readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").replace("\n>", "\n").split())
        decision, *_ = study().decisions
        # Numbers are those of another accuracy and of all frequencies.
        numbers = re.compile(r"[\d.]+ ([nµm]?V|dB|%)")
        for sentence in (decision.finding.partition(" source: ")[0], decision.recommendation.partition(" It ")[0]):
            assert numbers.sub("#", sentence) in numbers.sub("#", readme)

    def test_without_that_variant_it_names_the_two_that_may_be_combined(self):
        signal, cables = study(keep=("dedicated return, one point", "solid plane")).decisions
        assert signal.chosen.variant == "dedicated return, one point"
        assert cables.chosen.variant == "solid plane"

    def test_an_input_that_tolerates_100_times_more_shares_the_plane_at_a_shorter_distance(self):
        decision, *_ = study(
            name="weighing_controller_robust", keep=("solid plane", "amplifier by its connector")
        ).decisions
        assert not decision.tolerable
        assert decision.chosen.kind == "move amplifier"
        assert decision.recommendation.startswith("Share the plane, and shorten the distance")

    def test_an_input_that_tolerates_more_still_just_shares_it(self):
        loud = ("tolerates_V = 1e-6", "tolerates_V = 1e-3")
        decision, *_ = study(loud, keep=()).decisions
        assert decision.tolerable
        assert decision.chosen is None
        assert decision.recommendation.startswith("Share the plane: 9.8 dB margin as drawn.")
        # Where it stands it may stay, with what is certain of it there: not nearer than it is, and no better.
        near = next(option for option in decision.options if option.kind == "move amplifier")
        (noise,) = study(loud, keep=())[AS_DRAWN].sensitive
        assert near.title == "Leave U1.AGND where it is"
        assert (near.low, near.noise, near.high) == (noise.low, noise.noise, noise.high)
        assert near.low < near.noise < near.high

    def test_two_examples_differ_in_the_tolerance_only(self):
        boards = ((EXAMPLES / f"weighing_controller{end}.toml").read_text() for end in ("", "_robust"))
        one, other = (text.split("# --- lessons")[0].splitlines() for text in boards)
        words = [{line for line in text if not line.startswith(("#", "title"))} for text in (one, other)]
        assert words[0] ^ words[1] == {"tolerates_V = 1e-6", "tolerates_V = 100e-6"}

    def test_one_ground_point_leaves_nothing_and_two_defeat_it(self):
        decision, *_ = study().decisions
        one, two = (option(decision, f"dedicated return, {count}") for count in ("one point", "two points"))
        assert one.noise == pytest.approx(0, abs=1e-12)
        assert one.meets
        assert two.noise == pytest.approx(study()[AS_DRAWN].sensitive[0].noise, rel=0.05)
        assert not two.meets

    def test_what_is_worked_out_for_two_points_is_what_the_variant_solves(self):
        # two routes to one number: the plane as a resistor beside the trace, and all of it meshed
        result = study()["dedicated return, two points"]
        base = study()[AS_DRAWN]
        i, j = result.index("load cell"), result.index("stepper driver")
        stray = np.abs(result.whole.link_current[j])
        assert stray[0] == pytest.approx(stray[1], rel=1e-9)
        plane, shared = base.whole.mid[i, i], base.whole.mid[i, j]
        # The trace as drawn, between its pads: 34.7 mm by 0.3 mm, and two vias of 0.5 milliohm.
        own = result.conductors.sheets[0] * 34.6 / 0.3 + 1e-3
        assert stray[0] == pytest.approx(abs(shared) / (plane + own), rel=0.02)
        said = next(
            line for line in option(study().decisions[0], "dedicated return, two points").reasons if "stepper" in line
        )
        assert said == f'{1e3 * 1.2 * stray[0]:.3g} mA of "stepper driver" strays into it.'

    def test_every_option_says_what_it_rests_on(self):
        decision, *_ = study().decisions
        assert {item.kind for item in decision.options} == set(EFFORT) - {
            "trace",
            "noisy return",
            "noisy part",
            "move connector",
        }
        assert [item.effort for item in decision.options] == sorted(item.effort for item in decision.options)
        for item in decision.options:
            assert item.reasons
            assert any(ch.isdigit() for ch in " ".join(item.reasons))

    def test_limits_between_cables_that_a_variant_breaks_or_mends(self):
        decision, *_ = study().decisions
        assert option(decision, "solid plane").mended == ("USB to RS-485",)
        assert option(decision, "bridge moved").mended == ()
        assert all(item.broken == () for item in decision.options)
        weak = ("limit_V = 1e-3", "limit_V = 3e-3")
        quiet = study(weak, keep=("solid plane",)).decisions[0]
        assert option(quiet, "solid plane").mended == ()
        assert "USB to RS-485" not in quiet.recommendation

    def test_differential_input_needs_what_is_too_much(self):
        decision, *_ = study().decisions
        base, received = study()[AS_DRAWN].sensitive[0], study()["differential input"].sensitive[0]
        assert received.noise == pytest.approx(base.noise * 1e-3, rel=1e-9)
        assert received.high == pytest.approx(base.high * 1e-3, rel=1e-9)
        needed = math.ceil(20 * math.log10(base.high / base.limit) + 6)
        assert any(f"needs {needed} dB" in line for item in decision.options for line in item.reasons)


class TestBonds:
    DRAWN = ("dedicated return, one point",)
    BOTH = (
        (
            "at = [41, 72]\ndiameter_mm = 0.3\n",
            'at = [41, 72]\ndiameter_mm = 0.3\nbonded = "joins both grounds inside"\n',
        ),
    )

    def test_a_device_that_joins_both_grounds_rules_out_one_ground_point(self):
        decision, *_ = study(*self.BOTH, keep=self.DRAWN).decisions
        own = option(decision, "Dedicated return with one ground point")
        assert not own.possible
        assert not own.meets
        assert "joins both grounds inside" in own.why_not
        assert "shield of the load-cell cable" in own.why_not

    def test_a_variant_that_lifts_a_bond_is_never_advised(self):
        decision, *_ = study(*self.BOTH, keep=self.DRAWN).decisions
        drawn = option(decision, "dedicated return, one point")
        assert not drawn.possible
        assert "U1.AGND" in drawn.why_not
        assert "not advised" in drawn.why_not
        assert decision.chosen is None or decision.chosen.kind != "dedicated return"

    def test_the_end_that_must_stay_is_the_ground_point(self):
        decision, *_ = study().decisions
        # Said with the best of the boards that were solved for it: no row of its own without a figure.
        (ours,) = [o for o in decision.options if any("Ground it at J1.SHIELD only" in line for line in o.reasons)]
        assert (ours.possible, ours.variant) == (True, "dedicated return, one point")

    def test_with_the_other_end_bonded_that_one_is_the_ground_point(self):
        swapped = (
            ('bonded = "shield of the load-cell cable"\n', ""),
            ("at = [41, 72]\ndiameter_mm = 0.3\n", 'at = [41, 72]\ndiameter_mm = 0.3\nbonded = "joins both grounds"\n'),
        )
        decision, *_ = study(*swapped, keep=self.DRAWN).decisions
        ours = [o for o in decision.options if any("Ground it at U1.AGND only" in line for line in o.reasons)]
        assert ours
        assert all(option.possible for option in ours)
        # The variant lifts it at U1.
        assert not option(decision, "dedicated return, one point").possible


class TestInducedNoise:
    """Options that rest on resistances have no figure where the noise is induced."""

    @staticmethod
    def options(factor):
        """Of the robust input, as if the noise were so many times what resistances make."""
        result = study(name="weighing_controller_robust", keep=("solid plane", "amplifier by its connector"))[AS_DRAWN]
        (budget,) = result.sensitive
        louder = dataclasses.replace(
            budget, noise=factor * budget.noise, low=factor * budget.low, high=factor * budget.high
        )
        moved = dataclasses.replace(result, sensitive=(louder,))
        return {item.kind: item for item in options_for(result.case.loop("load cell"), moved, {})}

    def test_resistances_alone_make_the_noise_of_the_example(self):
        result = study()[AS_DRAWN]
        assert resistive_noise(result.case.loop("load cell"), result) == pytest.approx(
            result.sensitive[0].noise, rel=1e-9
        )

    def test_where_they_do_the_options_have_figures(self):
        found = self.options(1.0)
        # Their figures are those of boards that were drawn and solved for it.
        assert found["move amplifier"].noise is None
        assert found["dedicated return"].possible

    def test_where_they_do_not_the_options_say_so_and_have_none(self):
        found = self.options(3.0)
        assert any("induced" in line for line in found["move amplifier"].reasons)
        # What is induced in the loop of the signal's line and its own return is no common-mode voltage.
        assert found["differential"].possible
        assert found["differential"].noise is None
        assert any("no common-mode voltage" in line for line in found["differential"].reasons)
        assert any("not by resistance alone" in line for line in found["noisy current"].reasons)

    @pytest.mark.parametrize(("factor", "figured"), [(1.0, True), (3.0, False), (0.5, False)])
    def test_nor_has_a_differential_input_that_somebody_drew(self, factor, figured):
        result = study(name="weighing_controller_robust", keep=("solid plane", "amplifier by its connector"))[AS_DRAWN]
        (budget,) = result.sensitive
        louder = dataclasses.replace(
            budget, noise=factor * budget.noise, low=factor * budget.low, high=factor * budget.high
        )
        base = dataclasses.replace(result, sensitive=(louder,))
        option = from_variant("differential", "60 dB", result.case.loop("load cell"), base, result)
        assert (option.noise is not None) == figured
        assert (NOT_REJECTED in option.reasons) != figured
        assert figured or not option.meets
        # Where there is less than by resistance, none of it is called induced.
        if factor < 1:
            said = mostly_induced(result.case.loop("load cell"), louder, base)
            assert said.startswith("By resistance alone it would be")


@pytest.mark.parametrize("low", [0.1, 0.9, 1.1])
@pytest.mark.parametrize("noise", [0.5, 0.95, 1.2])
@pytest.mark.parametrize("high", [0.9, 1.3, 5.0])
def test_an_option_and_the_variant_that_was_solved_for_it_have_one_margin(low, noise, high):
    low, high = min(low, noise), max(high, noise)
    found = study()[AS_DRAWN].sensitive[0]
    budget = dataclasses.replace(found, limit=1.0, noise=noise, low=low, high=high)
    option = TestChoice.made(high=high)
    option = dataclasses.replace(option, noise=noise, low=low, limit=1.0)
    assert option.sure_dB == pytest.approx(decibels(1.0, budget.sure))
    # Never on the safe side of a limit that is not known to be kept.
    assert (option.sure_dB >= 0) == (budget.verdict == "kept") or high <= 1.1 * noise


class TestChoice:
    @staticmethod
    def made(kind="copper", high=0.5, broken=(), variant=None, why_not=""):
        return Option(
            kind=kind, title=kind, why_not=why_not, noise=high, low=high, high=high, limit=1.0, reasons=("1",),
            variant=variant, broken=broken,
        )  # fmt: skip

    def test_less_effort_wins_among_those_that_keep_the_limit(self):
        near, copper = self.made("move amplifier"), self.made("copper")
        assert choose((copper, near)) is near
        assert choose((copper, self.made("move amplifier", high=1.1))) is copper

    def test_harm_elsewhere_weighs_more_than_effort(self):
        copper = self.made("copper")
        assert choose((self.made("move amplifier", broken=("USB",)), copper)) is copper

    def test_what_is_impossible_or_not_certain_is_not_chosen(self):
        assert choose((self.made(why_not="It lifts a bond."), self.made(high=1.0 + 1e-9))) is None
        assert choose(()) is None

    def test_of_one_kind_the_one_that_mends_something_else(self):
        plain, better = self.made("dedicated return", high=0.0, variant="a"), self.made("dedicated return", variant="b")
        better = dataclasses.replace(better, mended=("USB",))
        assert choose((plain, better)) is better
        assert choose((self.made("move amplifier"), better)).kind == "move amplifier"

    def test_what_was_solved_comes_before_what_was_worked_out(self):
        drawn = self.made("dedicated return", high=0.9, variant="v")
        assert choose((self.made("dedicated return", high=0.6), drawn)) is drawn

    def test_room_comes_before_effort(self):
        # A margin of 0 dB is no margin.
        near, copper = self.made("move amplifier", high=1.0), self.made("copper", high=0.5)
        assert choose((near, copper)) is copper
        assert choose((near,)) is near
