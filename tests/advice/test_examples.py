"""Every example solves, and says what the textbook or the published table says."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import returnflow as rf
from cases import EXAMPLES
from returnflow.answers.missing import first_cautions
from returnflow.answers.result import Result
from returnflow.answers.sweeps import run_sweeps
from returnflow.words.answer_text import valid_to
from solved import example


def solved(name: str) -> Result:
    return example(name)["as drawn"]


def test_every_example_is_tested_here():
    here = Path(__file__).read_text(encoding="utf-8")
    # The live page's own, read by tests/live/test_lessons.py; and a board from its archive, by tests/fabrication.
    here += '"slot_depth" "slot_crossing" "joined_planes" "dosing_controller"'
    names = {path.stem for path in EXAMPLES.glob("*.toml")}
    assert names
    assert {name for name in names if f'"{name}"' in here} == names


class TestStripWithSlot:
    def test_squares_between_the_zero_width_cut_and_the_slot_as_drawn(self):
        """
        Half cut across with zero width: 5 squares and (2/pi) ln 2 (Marcuvitz 1951, from memory; verified).

        The slot is 0.1 mm wide in 20 mm. More copper never raises a resistance: the zero-width cut is a lower
        bound. Cutting the strip into the halves of the zero-width cut and 0.1 mm of neck (half the width: two
        squares per width) by two equipotential lines never raises it either... in the other direction: a line of
        current that must cross the neck straight is an upper bound.
        """
        result = solved("strip_with_slot")
        squares = result.solution.mid[0, 0] / result.solution.sheet
        cut = 5 + 2 / np.pi * np.log(2)
        neck = 0.1 / 10
        assert cut < squares < cut + neck + 2e-3

    def test_the_whole_current_passes_the_neck_and_over_a_third_its_lower_half(self):
        result = solved("strip_with_slot")
        lower, whole = result.sections[:, 0]
        assert whole == pytest.approx(1, abs=1e-9)
        # Crowding at the tip leaves the far half of the neck less than half; uniform flow would give 0.5.
        assert 0.33 < lower < 0.5
        # The region spans the lower half of the neck: what crosses the cut crosses the region.
        assert result.shares[0, 0] == pytest.approx(lower, rel=1e-6)

    def test_conformal_map_of_the_half_cut_gives_the_share_of_the_lower_half(self):
        """
        Across the line of a zero-width half cut K(y) = I/W cosh-type map: share within y of the far edge.

        By w = arccosh-like map of the periodic cut plane: psi(y) = (2/pi) asin(sin(pi y/2W) / sin(pi g/2)) for the
        open part 0 < y < gW, g = 1/2. Derived; at y = gW the share is 1.
        """
        exact = 2 / np.pi * np.arcsin(np.sin(np.pi / 8) / np.sin(np.pi / 4))
        lower = solved("strip_with_slot").sections[0, 0]
        # The slot as drawn is 0.5 % of the width wide: that much geometry is allowed for.
        assert lower == pytest.approx(exact, abs=5e-3)


def test_four_point_probe_on_a_disc_reads_the_published_factor():
    """Disc of ten spacings: Rs = 4.171187 V/I. Smits 1958 and ASTM F84 (read as excerpts); verified by two methods."""
    result = solved("four_point_disc")
    i, j = result.index("voltmeter"), result.index("current source")
    volts_per_ampere = result.solution.mid[i, j]
    # Probes of 0.1 mm diameter instead of points: (a/s)^2 = 1.6e-4, times a factor of order one.
    assert result.solution.sheet / volts_per_ampere == pytest.approx(4.171187, rel=5e-4)
    assert result.sections[0, j] == pytest.approx(0.5, abs=5e-4)


class TestUTrace:
    """U trace, 100 mm, h = 1.6 mm: shares beyond half the leg (derived, verified three ways), infinite plane."""

    # The board is four times the U; ten times would bring 1 %. The plane's edge moves each value this much.
    EDGE = 0.012

    @pytest.mark.parametrize(
        ("frequency", "share"), [(0.0, 0.25), (1e3, 0.358629 + 0.229363j), (1e4, 0.949267 + 0.191730j), (1e6, 0.978401)]
    )
    def test_share_leaves_the_straight_line_and_gathers_under_the_trace(self, frequency, share):
        result = solved("u_trace")
        n = result.frequencies.index(frequency)
        assert abs(result.spectral.sections[n, 0, 0] - share) < self.EDGE

    def test_the_two_crossovers_are_far_apart(self):
        """Which way: about Rs/(2 mu0 d) = 1.95 kHz; how wide: Rs/(pi mu0 h) = 78 kHz (derived)."""
        facts = solved("u_trace").spectral.facts[0]
        assert 1e3 < facts.turning < 8e3
        assert 5e4 < facts.ribbon < 4e5

    def test_a_slot_under_one_leg_adds_inductance_and_a_detour(self):
        plain, slotted = solved("u_trace").spectral.facts[0], solved("u_trace_slot").spectral.facts[0]
        assert slotted.gaps == ("slot under the right leg",)
        assert plain.gaps == ()
        assert slotted.gap_inductance > 1e-9
        # Two routes to the same number: the study's own comparison, and the two examples.
        added = slotted.high_inductance - plain.high_inductance
        assert slotted.gap_inductance == pytest.approx(added, rel=0.02)
        assert slotted.gap_detour == pytest.approx(slotted.high_length - plain.high_length, rel=0.05)
        # Round the nearer end of the slot and back is 2 x 30 mm; the current that splits both ways takes that too.
        assert 0.03 < slotted.gap_detour < 0.06


def weighing_controller() -> Result:
    """Half as accurate as it asks for, on coarser meshes: every figure here is as true of them."""
    return example("weighing_controller", 0.025)["as drawn"]


class TestWeighingController:
    def test_the_plane_is_not_tolerable_and_the_stepper_is_why(self):
        budget = weighing_controller().sensitive[0]
        assert budget.verdict == "exceeded"
        assert budget.contributions[0].loop == "stepper driver"
        # 1.2 A through 0.27 mOhm; half a square of 0.5 mOhm between two points 35 mm apart.
        assert budget.noise == pytest.approx(324e-6, rel=0.01)
        assert budget.high - budget.low < 0.02 * budget.noise

    def test_what_it_lacks_is_told_before_it_is_solved(self):
        told = first_cautions(weighing_controller().case)
        assert sum("none is given" in line for line in told) == 2
        assert set(told) <= set(weighing_controller().cautions)

    def test_every_entry_is_as_accurate_as_asked(self):
        result = weighing_controller()
        assert np.max(result.solution.accuracy_reached()) <= result.case.accuracy

    def test_the_slot_sends_the_noise_through_the_bridge_and_under_the_analog_part(self):
        result = weighing_controller()
        stepper = result.index("stepper driver")
        # All of it passes the bridge, from right to left; most of that passes the region to the left of it.
        assert result.sections[0, stepper] == pytest.approx(-1, abs=1e-9)
        assert 0.7 < result.shares[0, stepper] < 0.95

    def test_potential_difference_is_the_transfer_resistance(self):
        """Second route: the lower bound as a potential difference at 1 A of the stepper."""
        result = weighing_controller()
        solution = result.solution
        i, j = result.index("load cell"), result.index("stepper driver")
        start, end = solution.loops[i]
        volts = solution.contact_potential[start, j] - solution.contact_potential[end, j]
        assert abs(volts - solution.mid[i, j]) <= solution.half_width[i, j]

    def test_cables_exceed_their_limit_by_the_stepper_alone(self):
        cables = weighing_controller().cables[0]
        assert cables.verdict == "exceeded"
        assert cables.contributions[0].loop == "stepper driver"
        assert cables.contributions[0].noise > cables.limit

    def test_up_to_where_the_resistive_pattern_is_said_to_hold_it_does(self):
        """What part of the way to the pattern of high frequency is gone there, by stream functions: half at turning."""
        result = weighing_controller()
        model = result.spectral.model
        for j, facts in enumerate(result.spectral.facts):
            final = model.expelled[:, j]
            weighted = model.stream_products @ final
            gone = [
                float(np.real(model.reduced(f)[:, j] @ weighted) / (final @ weighted))
                for f in (valid_to(result, j) / 3, valid_to(result, j), facts.turning)
            ]
            assert gone[0] < 0.03
            assert gone[1] < 0.2
            assert gone[2] == pytest.approx(0.5, abs=1e-3)
            assert 2 < facts.turning / valid_to(result, j) < 60

    def test_at_the_clock_the_return_hugs_its_trace(self):
        """Two thirds and more within three heights: 0.795 on an ideal plane, less the ends and a bend."""
        result = weighing_controller()
        n, clock = result.frequencies.index(24e6), result.index("clock")
        assert 0.7 < result.spectral.near[n, clock].real < 0.8
        assert result.spectral.near[0, clock].real < 0.15
        facts = result.spectral.facts[result.index("stepper driver")]
        assert facts.gaps == ("slot",)
        assert facts.gap_inductance > 5e-9
        assert facts.gap_detour > 0.05


class TestBridgeSweep:
    def test_a_wider_bridge_brings_the_cables_within_their_limit(self):
        case = rf.read_case(EXAMPLES / "bridge_sweep.toml")
        (swept,) = run_sweeps(dataclasses.replace(case, sweeps=case.sweeps[:1], accuracy=0.05), jobs=1)
        volts = swept.grid("sensor cable to motor cable")
        assert np.all(np.diff(volts) < 0)
        (crossing,) = swept.met("sensor cable to motor cable")
        # Two routes to one number: solved with the bridge as wide as the sweep says it must be.
        text = (EXAMPLES / "bridge_sweep.toml").read_text(encoding="utf-8").split("[[sweep]]")[0]
        wide = rf.parse_case(text.replace("width = 6", f"width = {crossing.value:.4f}"))
        (cables,) = rf.run(wide, only=["as drawn"])["as drawn"].cables
        assert cables.noise == pytest.approx(cables.limit, rel=0.01)

    def test_the_bridge_does_not_care_for_the_sensor_but_its_place_does(self):
        result = solved("bridge_sweep")
        lower = rf.parse_case(
            (EXAMPLES / "bridge_sweep.toml")
            .read_text(encoding="utf-8")
            .split("[[sweep]]")[0]
            .replace("[[39, 25], [41, 25]]", "[[39, 9], [41, 9]]")
        )
        moved = rf.run(lower, only=["as drawn"])["as drawn"]
        assert moved.sensitive[0].noise < 0.7 * result.sensitive[0].noise


class TestFromFabricationData:
    def test_the_imported_board_is_the_drawn_one(self):
        """Answers are compared in test_source_cases; here the copper itself, against "weighing_controller_fab"."""
        drawn, imported = (
            rf.read_case(EXAMPLES / f"{n}.toml") for n in ("weighing_controller", "weighing_controller_fab")
        )
        one, other = drawn.board.remaining("ground"), imported.board.remaining("GND on L2")
        assert one.symmetric_difference(other).area < 10e-6 * one.length


class TestRobustInput:
    def test_only_the_tolerance_differs(self):
        """What is decided is tested in test_decision; here that it is the same board, "weighing_controller_robust"."""
        one, other = (
            rf.read_case(EXAMPLES / f"{n}.toml") for n in ("weighing_controller", "weighing_controller_robust")
        )
        assert one.board == other.board
        assert other.loop("load cell").tolerates == pytest.approx(100 * one.loop("load cell").tolerates)


def test_the_whole_review_is_read_with_all_it_asks_about():
    # It takes minutes to solve: its parts are tested one by one.
    name = "weighing_controller_review"
    case = rf.read_case(EXAMPLES / f"{name}.toml")
    asked = [loop.name for loop in case.loops if loop.supply is not None]
    assert asked == ["microcontroller core"]
    assert [layer.name for layer in case.board.layers if layer.off_board] == ["enclosure"]
    assert {bank.name: len(bank.links) for bank in case.board.banks} == {"100 nF": 10, "10 uF": 1}
    assert case.via_inductance
    assert len(case.variants[-1].case.board.banks[0].links) == 20


def test_the_map_of_a_return_of_its_own_is_of_that_return_and_not_of_the_plane():
    case = rf.read_case(EXAMPLES / "weighing_controller.toml")
    (variant,) = (it.case for it in case.variants if it.name == "dedicated return, one point")
    result = rf.run(dataclasses.replace(variant, accuracy=0.05, steady_only=True), only=["as drawn"], jobs=1)[
        "as drawn"
    ]
    own = variant.board.terminal(variant.loop("load cell").inject).copper
    chart = result.placements["load cell"]
    assert variant.board.copper(own).shape.area < 0.05 * variant.board.outline.area
    assert chart.copper == own
    assert "keeps the limit anywhere on this copper" in chart.reach
