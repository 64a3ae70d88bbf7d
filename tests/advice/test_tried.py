"""Boards that nobody drew are looked at on one mesh first; what is recommended of them is solved as all else is."""

from __future__ import annotations

import functools
from dataclasses import replace
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_around import case as clock_case
from test_around import high

import solved
from returnflow.advice.option import Option
from returnflow.advice.study import AS_DRAWN, run
from returnflow.advice.trials import CLOSED
from returnflow.advice.tried import Tried, is_open, may_beat
from returnflow.answers import batch
from returnflow.answers.batch import STOPPED
from returnflow.magnetic.one_mesh import LOOK
from returnflow.resistive.linear import NumericalError
from returnflow.words.comparison import origin_text

ACCURACY = 0.04  # just what takes two meshes


def drawn():
    # The sensor forbids to close the slot.
    return replace(high(clock_case(limit=5e-3, tolerates=2e-5)), accuracy=ACCURACY)


@functools.cache
def told():
    """The study of a clock across a slot, whose boards are looked at elsewhere too."""
    with mock.patch.object(batch, "solve_case", solved.board):
        return run(drawn(), jobs=1)


class TestStudy:
    def test_what_is_recommended_is_solved_as_the_case_is(self):
        study = told()
        chosen = [it.chosen.variant for it in study.decisions if it.chosen is not None]
        assert any(name in study.trials for name in chosen)
        for name in (*chosen, *study.joint):
            assert study[name].case.accuracy == ACCURACY
            assert study[name].spectral.model.coarse is not None

    def test_others_are_looked_at(self):
        study = told()
        looked = [name for name, it in study.trials.items() if it.case.accuracy == LOOK]
        assert looked
        for name in looked:
            assert study[name].spectral.model.coarse is None

    def test_an_option_says_which_it_is(self):
        study = told()
        texts = {option.variant: origin_text(option, study) for it in study.decisions for option in it.options}
        for name, it in study.trials.items():
            if name in texts:
                assert ("to ±5 %" in texts[name]) == (it.case.accuracy == LOOK)

    def test_the_case_itself_is_asked_for_what_it_asks(self):
        study = told()
        assert study.accuracy == study[AS_DRAWN].case.accuracy == ACCURACY


class TestSteady:
    def test_at_0_hz_nothing_is_looked_at(self):
        # There one mesh more is cheap, and the bracket tells what it is worth.
        study = told()
        case = replace(drawn(), steady_only=True)
        asked = []

        def solve(cases, compared):
            asked.extend(cases.values())
            return dict.fromkeys(cases, NumericalError("not solved here"))

        tried = Tried(case, study[AS_DRAWN], {AS_DRAWN: study[AS_DRAWN]}, solve, lambda _: None)
        tried.solve_all()
        assert asked
        assert {it.accuracy for it in asked} == {ACCURACY}


class TestStopped:
    def test_by_hand_nothing_more_is_solved_and_what_is_solved_stands(self):
        study = told()
        every = {AS_DRAWN: study[AS_DRAWN], **study.trials}
        calls = []

        def solve(cases, compared):
            calls.append({it.accuracy for it in cases.values()})
            if calls[-1] == {LOOK}:
                return {name: replace(study.trials[name]) for name in cases}
            return dict.fromkeys(cases, NumericalError(STOPPED))

        tried = Tried(drawn(), study[AS_DRAWN], {AS_DRAWN: every[AS_DRAWN]}, solve, lambda _: None)
        tried.solve_all()
        assert calls[-1] == {ACCURACY}
        assert calls.count({ACCURACY}) == 1
        assert tried.stopped
        assert set(tried.known) == set(tried.drawn)


def option(kind="trace", low=0.4, high=1.2, **more):
    return Option(
        kind=kind, title=kind, noise=(low + high) / 2, low=low, high=high, limit=1.0, reasons=(), variant=kind, **more
    )


class TestMayBeat:
    """Only what would be chosen instead is worth another mesh."""

    def test_one_of_less_effort_does_if_its_lower_bound_keeps_the_limit_with_room(self):
        chosen = option("noisy part", 0.1, 0.2)
        assert may_beat(option(), chosen)
        assert may_beat(option(broken=("other",), tight={"third": 3.0}), chosen)

    def test_one_that_misses_the_limit_at_best_does_not(self):
        assert not may_beat(option(low=1.1), option("noisy part", 0.1, 0.2))
        assert not may_beat(option(low=1.1), None)

    def test_one_that_only_just_keeps_the_limit_at_best_does_not_beat_one_with_room(self):
        assert not may_beat(option(low=0.8), option("noisy part", 0.1, 0.2))
        assert may_beat(option(low=0.8), option("noisy part", 0.7, 0.9))

    def test_one_of_more_effort_does_not(self):
        assert not may_beat(option("noisy part"), option("trace", 0.1, 0.2))

    def test_anything_that_may_keep_the_limit_is_better_than_nothing(self):
        assert may_beat(option(low=0.9), None)

    def test_what_is_ruled_out_does_not(self):
        assert not may_beat(option(why_not="It lifts a bond."), None)


class TestRivals:
    def closely(self, wide):
        """Names of what is solved closely where a look leaves these boards open."""
        study = told()
        asked = []

        def solve(cases, compared):
            if {it.accuracy for it in cases.values()} == {ACCURACY}:
                asked.extend(cases)
                return {name: study.trials[name] for name in cases}
            return {name: widened(study.trials[name]) if name in wide else study.trials[name] for name in cases}

        def widened(result):
            (pair,) = result.cables
            return replace(result, cables=(replace(pair, low=0.4 * pair.limit, high=1.2 * pair.limit),))

        known = {AS_DRAWN: study[AS_DRAWN], CLOSED: study.trials[CLOSED]}
        Tried(drawn(), study[AS_DRAWN], known, solve, lambda _: None).solve_all()
        return asked

    def test_what_would_be_chosen_instead_is_solved_closely(self):
        # A trace comes before a part that is moved, which is what is chosen.
        study = told()
        (trace,) = (name for name in study.trials if "led round" in name)
        (chosen,) = (it.chosen.variant for it in study.decisions if it.chosen is not None)
        assert self.closely([]) == [chosen]
        assert self.closely([trace]) == [trace, chosen]

    def test_what_would_not_be_is_not(self):
        study = told()
        (part,) = (name for name in study.trials if name.startswith("C2 moved"))
        assert part not in self.closely([part])


class TestOpen:
    @given(st.floats(1e-9, 1e-3), st.floats(0, 0.4))
    def test_bounds_on_one_side_of_the_limit_and_of_half_of_it_leave_nothing_open(self, noise, part):
        budget = told()[AS_DRAWN].cables[0]
        judged = replace(budget, noise=noise, low=(1 - part) * noise, high=(1 + part) * noise, limit=1e-5)
        inside = [judged.low <= border < judged.high for border in (1e-5, 1e-5 * 10 ** (-6 / 20))]
        assert is_open(judged) == any(inside)

    @pytest.mark.parametrize(("low", "high", "expected"), [(0.9, 1.1, True), (0.45, 0.55, True), (0.6, 0.9, False)])
    def test_of_a_limit_of_one_volt(self, low, high, expected):
        budget = told()[AS_DRAWN].cables[0]
        assert is_open(replace(budget, low=low, high=high, limit=1.0)) is expected
