"""Inductance and way back of loops, and what a gap that they cross costs."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import shapely
from shapely import box

from cases import EXAMPLES
from returnflow.answers import batch
from returnflow.answers.frequency import (
    gaps_told,
    loop_facts,
    mean_length,
)
from returnflow.magnetic.routes import faced
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import read_case
from returnflow_geometry.checks.gaps import crossed_gaps
from returnflow_geometry.model.shapes import circle, slot
from straight import MM, drawn, drawn_strip, facts_of, hook, modelled, slotted, straight, without_gaps

ANTIPADS = shapely.MultiPolygon([circle(x, 15, 0.9) for x in (14, 16, 18, 20)])
MOAT = box(17, 8, 27, 22).difference(box(17.3, 8.3, 26.7, 21.7))


class TestCrossedGaps:
    @pytest.mark.parametrize(
        ("shape", "is_one"),
        [
            pytest.param(slot([(20, 5), (20, 25)], 0.3), True, id="slot across"),
            pytest.param(slot([(18, 5), (22, 25)], 0.3), True, id="oblique slot"),
            pytest.param(slot([(20, 5), (20, 14)], 0.3), False, id="slot that ends before the trace"),
            pytest.param(slot([(5, 20), (35, 20)], 0.3), False, id="slot beside the trace"),
            pytest.param(circle(20, 15, 0.9), False, id="antipad"),
            pytest.param(ANTIPADS, False, id="row of antipads under the trace"),
            pytest.param(MOAT, True, id="moat"),
            pytest.param(MOAT.difference(box(20, 20, 22, 30)), True, id="moat with a bridge elsewhere"),
            pytest.param(MOAT.difference(box(16, 14, 28, 16)), False, id="moat with bridges under the trace"),
            pytest.param(ANTIPADS.union(slot([(25, 5), (25, 25)], 0.3)), True, id="antipads and a slot in one cutout"),
            pytest.param(
                box(18.5, 2, 21.5, 28),
                True,
                id="wide gap",
            ),
        ],
    )
    def test_of_the_straight_trace(self, shape, is_one):
        case = drawn(cutouts=[("gap", "ground", shape)])
        assert crossed_gaps(case, "ground") == [("gap",) if is_one else ()]

    def test_all_of_them_in_the_order_of_the_case(self):
        cuts = [("b", "ground", slot([(25, 5), (25, 25)], 0.3)), ("a", "ground", slot([(15, 5), (15, 25)], 0.3))]
        assert crossed_gaps(drawn(cutouts=cuts), "ground") == [("b", "a")]

    def test_a_gap_in_other_copper_is_none(self):
        case = drawn(cutouts=[("gap", "other", slot([(20, 5), (20, 25)], 0.3))])
        assert crossed_gaps(case, "ground") == [()]

    def test_a_loop_without_a_route_crosses_none(self):
        case = drawn(route=False, cutouts=[("gap", "ground", slot([(20, 5), (20, 25)], 0.3))])
        assert crossed_gaps(case, "ground") == [()]

    def test_a_wide_conductor_has_return_beside_a_short_slot(self):
        short = [("gap", "ground", slot([(20, 13.5), (20, 16.5)], 0.1))]
        assert crossed_gaps(drawn(cutouts=short), "ground") == [("gap",)]
        assert crossed_gaps(drawn(cutouts=short, width=2.0), "ground") == [()]


class TestInductance:
    @pytest.mark.parametrize("model", [straight, hook])
    def test_expelling_the_field_lowers_it(self, model):
        low, high = model().system.inductance[0, 0], model().high_inductance[0, 0]
        assert 0 < high < 0.95 * low

    def test_both_ends_are_limits_of_the_impedance(self):
        model = straight()
        slow, fast = 2 * math.pi * 10.0, 2 * math.pi * 1e12
        facts = facts_of(drawn(thickness=5e-6), model)
        assert model.impedance(10.0)[0, 0].imag / slow == pytest.approx(facts.low_inductance, rel=1e-6)
        # The foil's own inductance falls as the root of frequency.
        assert model.impedance(1e12)[0, 0].imag / fast == pytest.approx(facts.high_inductance, rel=2e-3)

    def test_high_end_of_the_reduced_model_is_that_of_one_direct_solve(self):
        case = drawn()
        model, direct = modelled(case), without_gaps(case)
        assert model.high_inductance == pytest.approx(direct.inductance, rel=1e-4)
        assert mean_length(model, 0, high=True) == pytest.approx(direct.length[0], rel=1e-3)

    def test_it_grows_with_the_size_in_proportion(self):
        # All lengths but the foil's: inductance per length stays.
        for end in (lambda m: m.system.inductance[0, 0], lambda m: m.high_inductance[0, 0]):
            assert end(straight(scale=2.0)) == pytest.approx(2 * end(straight()), rel=0.03)

    def test_wire_over_a_plane_in_the_middle_of_the_trace(self):
        # mu0/(2 pi) ln(2h/r) per length, for the part that doubling the height adds: mu0/(2 pi) ln 2 times 20 mm,
        # less what the ends take away: between a half and the whole.
        gained = straight().high_inductance[0, 0] - straight(height=0.5).high_inductance[0, 0]
        assert 0.8 < gained / (2e-7 * math.log(2) * 20 * MM) < 1.0


class TestLength:
    def test_of_a_strip_at_low_frequency_is_its_length(self):
        model = modelled(drawn_strip(2.0))
        assert mean_length(model, 0, high=False) == pytest.approx(38 * MM, rel=1e-6)

    def test_of_a_strip_so_narrow_that_nothing_can_move(self):
        # One triangle across.
        model = modelled(drawn_strip(0.2)).meshes[-1]
        for high in (False, True):
            assert mean_length(model, 0, high=high) == pytest.approx(38 * MM, rel=1e-6)

    def test_at_high_frequency_the_way_back_is_the_route(self):
        # To a few heights at the ends.
        assert mean_length(straight(), 0, high=True) == pytest.approx(20 * MM, abs=2.5 * MM)
        assert mean_length(hook(), 0, high=True) == pytest.approx(44 * MM, abs=5 * MM)

    def test_at_low_frequency_it_does_not_know_the_route(self):
        # The hook's ends are 16 mm apart; direct lines and wide ones.
        assert 16 * MM < mean_length(hook(), 0, high=False) < 30 * MM


class TestGap:
    def test_costs_inductance_and_a_detour(self):
        facts = slotted(4.0)
        assert facts.gaps == ("slot",)
        assert facts.gap_inductance > 1e-10
        # The way round either end: at most twice its reach, and not much less than once.
        assert 4 * MM < facts.gap_detour < 8 * MM

    def test_the_longer_the_more(self):
        assert slotted(9.0).gap_inductance > 2 * slotted(4.0).gap_inductance
        assert slotted(9.0).gap_detour > 2 * slotted(4.0).gap_detour

    def test_it_is_the_difference_to_the_solid_copper(self):
        case = drawn()
        solid = facts_of(case, modelled(case))
        facts = slotted(4.0)
        assert facts.gap_inductance == pytest.approx(facts.high_inductance - solid.high_inductance, rel=0.02)
        assert facts.gap_detour == pytest.approx(facts.high_length - solid.high_length, rel=0.02)

    def test_where_there_is_none_it_costs_nothing(self):
        # A gap that is named but not there: both sides of the difference are one board.
        case, model = drawn(thickness=5e-6, accuracy=0.01), straight()
        conductors = Conductors.of(case)
        named = [replace(item, gaps=("none",)) for item in faced(case, conductors)]
        (facts,) = gaps_told(loop_facts(conductors, model, named), without_gaps(case))
        assert facts.gap_inductance == pytest.approx(0, abs=1e-5 * facts.high_inductance)
        assert facts.gap_detour == pytest.approx(0, abs=1e-4 * facts.high_length)

    def test_without_crossing_there_is_no_figure(self):
        facts = facts_of(drawn(thickness=5e-6), straight(), without_gaps(drawn(thickness=5e-6)))
        assert facts.gaps == ()
        assert facts.gap_inductance is None
        assert facts.gap_detour is None

    def test_without_a_route_there_is_no_ribbon(self):
        case = drawn(route=False)
        facts = facts_of(case, modelled(case))
        assert facts.ribbon is None
        assert facts.high_inductance < facts.low_inductance


def test_only_what_is_asked_for_is_compared_with_its_board_without_gaps(monkeypatch):
    board = read_case(EXAMPLES / "slot_crossing.toml")
    cases = {"one": board, "other": replace(board, accuracy=0.5)}
    closed = []

    def solved_closed(case, name, cache, progress):
        closed.append(case.accuracy)
        return batch._Found({}, (case, "without gaps"))

    monkeypatch.setattr(batch, "_answers", lambda group, *_: batch._Found({name: name for name in group}))
    monkeypatch.setattr(batch, "_closed", solved_closed)
    told = batch.solve_each(cases, None, jobs=1, gaps=lambda answer, solid: f"{answer}, {solid}", compared=["one"])
    assert told == {"one": "one, without gaps", "other": "other"}
    assert closed == [board.accuracy]
