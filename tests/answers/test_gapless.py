"""What gaps add is taken from the variant that is the board without them, and is the same as by a solve of its own."""

from __future__ import annotations

import functools
from dataclasses import replace

import joblib
import pytest

from cases import EXAMPLES
from returnflow.answers import gapless
from returnflow.answers.batch import solve_each
from returnflow_geometry.casefile.read import read_case


def added(name, case, solved):
    return None if solved.solid is None else solved.solid.inductance, solved.solid


@functools.cache
def by_itself():
    """The slotted board, and what a solve of its own says that its gap is compared with."""
    slotted = replace(read_case(EXAMPLES / "u_trace_slot.toml"), accuracy=0.03)
    gapless._SOLVED.clear()
    return slotted, solve_each({"slotted": slotted}, added, jobs=1)["slotted"][0]


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_variant_without_the_gap_is_what_a_gap_is_compared_with(monkeypatch, jobs):
    slotted, alone = by_itself()
    whole = replace(slotted.changed(drop=["slot under the right leg"]), accuracy=0.03)

    def refuse(*_):
        raise AssertionError

    monkeypatch.setattr(gapless, "_SOLVED", {})
    monkeypatch.setattr(gapless, "solve_expelled", refuse)
    with joblib.parallel_config(backend="threading"):
        together = solve_each({"slotted": slotted, "whole": whole}, added, jobs=jobs)
    assert together["whole"] == (None, None)
    # Sections are lines of the mesh of the one and not of the other.
    assert together["slotted"][0] == pytest.approx(alone, rel=2e-3)
