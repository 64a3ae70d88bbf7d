"""What gaps add is taken from the variant that is the board without them, and is the same as by a solve of its own."""

from __future__ import annotations

import functools
from dataclasses import replace

import joblib
import numpy as np
import pytest

import solved as kept
from cases import EXAMPLES
from returnflow.answers import batch, gapless
from returnflow.answers.batch import solve_each
from returnflow.magnetic.solving import Expelled
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
    monkeypatch.setattr(gapless, "_SOLVED", [])
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


# Beside the trace: a weak input, whose amplifier a variant moves with its trace, and a strap to other copper.
MORE = {
    "copper": [{"name": "island", "layer": "trace", "shape": {"rect": [-150, -150, -100, -100]}}],
    "terminal": [
        {"name": "strap", "copper": "island", "at": [-110, -110], "diameter_mm": 2},
        {"name": "strap below", "copper": "ground", "at": [-110, -110], "diameter_mm": 2},
        {"name": "connector", "copper": "ground", "at": [-120, 120], "diameter_mm": 2},
        {"name": "amplifier", "copper": "ground", "at": [-90, 120], "diameter_mm": 2},
    ],
    "link": [{"name": "strap", "between": ["strap", "strap below"], "resistance_ohm": 1e-3}],
    "loop": [
        {
            "name": "weak", "role": "sensitive", "inject": "amplifier", "return": "connector", "signal_V": 1,
            "tolerates_V": 1e-3, "route": {"layer": "trace", "path": [[-120, 120], [-90, 120]]},
        }
    ],
}  # fmt: skip


def test_boards_that_differ_beside_what_crosses_the_gap_are_compared_with_one():
    whole = read_case(EXAMPLES / "u_trace_slot.toml").changed(add=MORE)
    own = gapless.key(whole, ["signal"])
    assert gapless.key(whole.changed(move={"amplifier": [-60, 120]}), ["signal"]) == own
    assert gapless.key(whole.changed(drop=["weak", "beyond half the leg"]), ["signal"]) == own
    for other in (
        whole.changed(move={"load ground": [-52, -50]}),
        whole.changed(move={"strap below": [-111, -110]}),
        whole.changed(set={"signal.route.width_mm": 0.4}),
        whole.changed(drop=[GAP]),
        whole.changed(set={"island.shape.rect.1": -149}),
        replace(whole, accuracy=0.5),
    ):
        assert gapless.key(other, ["signal"]) != own
    assert gapless.key(whole, ["signal", "weak"]) not in (own, None)
    assert gapless.key(whole, ["signal", "nobody"]) is None


def test_one_comparison_serves_a_board_whose_amplifier_is_moved(monkeypatch):
    slotted = replace(read_case(EXAMPLES / "u_trace_slot.toml").changed(add=MORE), accuracy=0.1)
    moved = replace(slotted.changed(move={"amplifier": [-60, 120]}), accuracy=0.1)
    solved = []
    solve = gapless.solve_expelled
    monkeypatch.setattr(gapless, "solve_expelled", lambda *a: solved.append(a) or solve(*a))
    found = together(monkeypatch, 1, slotted=slotted, moved=moved)
    assert len(solved) == 1
    assert found["slotted"][1] is found["moved"][1]
    # Solved by itself it is the same for what crosses the gap, but for meshes.
    alone = together(monkeypatch, 1, moved=moved)["moved"][1]
    assert found["moved"][1][0, 0] == pytest.approx(alone[0, 0], rel=2e-3)


def test_inductances_are_found_by_the_names_of_loops():
    found = Expelled(inductance=np.array([[1.0, 0.2], [0.2, 3.0]]), length=np.array([4.0, 5.0]), names=("a", "b"))
    other = found.of(["b", "c", "a"])
    assert other.inductance[0, 0] == 3
    assert other.inductance[0, 2] == other.inductance[2, 0] == 0.2
    assert np.isnan(other.inductance[1]).all()
    assert other.length.tolist()[::2] == [5, 4]
    assert replace(found, names=()).of(["b"]).inductance.shape == (2, 2)


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
