"""What gaps add is taken from the variant that is the board without them, and is the same as by a solve of its own."""

from __future__ import annotations

import functools
from dataclasses import replace

import joblib
import pytest

import solved as kept
from cases import EXAMPLES
from returnflow.answers import batch, gapless
from returnflow.answers.batch import solve_each
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.casefile.read import read_case

GAP = "slot under the right leg"


def nothing_yet(name, case, solved):
    return name, None


def compared(answer, solid):
    return answer[0], solid.inductance


@pytest.fixture(autouse=True)
def each_board_once(monkeypatch):
    """Boards are solved once for all tests; what they are compared with, by every one."""
    monkeypatch.setattr(batch, "solve_case", kept.board)


@functools.cache
def by_itself():
    """The slotted board, and what a solve of its own says that its gap is compared with."""
    slotted = replace(read_case(EXAMPLES / "u_trace_slot.toml"), accuracy=0.05)
    gapless._SOLVED.clear()
    return slotted, solve_each({"slotted": slotted}, nothing_yet, jobs=1, gaps=compared)["slotted"][1]


def together(monkeypatch, jobs, said=None, each=None, **cases):
    monkeypatch.setattr(gapless, "_SOLVED", {})
    with joblib.parallel_config(backend="threading"):
        return solve_each(cases, nothing_yet, None, said, jobs, gaps=compared, each=each)


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_variant_without_the_gap_is_what_a_gap_is_compared_with(monkeypatch, jobs):
    slotted, alone = by_itself()
    whole = replace(slotted.changed(drop=[GAP]), accuracy=0.05)

    def refuse(*_):
        raise AssertionError

    monkeypatch.setattr(gapless, "solve_expelled", refuse)
    come = []
    found = together(monkeypatch, jobs, each=lambda name, _: come.append(name), slotted=slotted, whole=whole)
    assert found["whole"] == ("whole", None)
    # Sections are lines of the mesh of the one and not of the other.
    assert found["slotted"][1] == pytest.approx(alone, rel=2e-3)
    # Nobody is told of a board before all of it is known, nor twice.
    assert sorted(come) == ["slotted", "whole"]


@pytest.mark.parametrize("jobs", [1, 2])
def test_one_board_without_gaps_serves_all_that_have_them(monkeypatch, jobs):
    slotted, alone = by_itself()
    wider = replace(slotted.changed(set={f"{GAP}.shape.width": 1.5}), accuracy=0.05)
    solved = []
    solve = gapless.solve_expelled
    monkeypatch.setattr(gapless, "solve_expelled", lambda *a: solved.append(a) or solve(*a))
    found = together(monkeypatch, jobs, slotted=slotted, wider=wider)
    assert len(solved) == 1
    assert found["slotted"][1] == pytest.approx(alone)
    assert found["wider"][1] == pytest.approx(alone)


def test_where_the_variant_without_the_gap_fails_the_comparison_is_solved_by_itself(monkeypatch):
    slotted, alone = by_itself()
    whole = replace(slotted.changed(drop=[GAP]), accuracy=0.05)
    solve = batch.solve_case

    def fails(case, *rest, **more):
        if not case.board.cutouts:
            message = "no"
            raise NumericalError(message)
        return solve(case, *rest, **more)

    monkeypatch.setattr(batch, "solve_case", fails)
    found = together(monkeypatch, 1, slotted=slotted, whole=whole)
    assert isinstance(found["whole"], NumericalError)
    assert found["slotted"][1] == pytest.approx(alone)


def test_where_the_comparison_fails_the_reason_is_the_answer(monkeypatch):
    slotted, _ = by_itself()

    def fails(*_):
        message = "the board without gaps does not converge"
        raise NumericalError(message)

    monkeypatch.setattr(gapless, "solve_expelled", fails)
    said = []
    found = together(monkeypatch, 1, said.append, slotted=slotted)
    assert str(found["slotted"]) == "the board without gaps does not converge"
    assert said[-1] == "what gaps cost in slotted: failed (2 of 2)"


def test_what_is_solved_stands_without_the_comparison(monkeypatch):
    slotted, _ = by_itself()

    def stops(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(gapless, "solve_expelled", stops)
    assert together(monkeypatch, 1, slotted=slotted) == {"slotted": ("slotted", None)}
