"""The first table is that of resistance alone, and what a script is told as it comes is what it gets in the end."""

import re

import returnflow as rf
from cases import EXAMPLES
from returnflow.words.first_look import first_look


def test_the_first_look_is_what_the_whole_solve_says_at_0_Hz():
    case = rf.read_case(EXAMPLES / "strip_with_slot.toml")
    text = first_look(case)
    (row,) = [line for line in text.splitlines() if "supply return" in line]
    shown = float(re.search(r"([\d.]+) mΩ", row)[1]) * 1e-3
    result = rf.run(case, only=["as drawn"])["as drawn"]
    (part,) = result.sensitive[0].contributions
    assert abs(shown / part.transfer - 1) < 0.05
    assert "100 µV" in row


def test_without_a_limit_there_is_no_first_look():
    case = rf.read_case(EXAMPLES / "strip_with_slot.toml")
    noisy = tuple(loop for loop in case.loops if loop.role == "noisy")
    from dataclasses import replace

    assert first_look(replace(case, loops=noisy, variants=(), sweeps=())) == ""


def test_every_variant_is_told_as_it_is_solved():
    case = rf.read_case(EXAMPLES / "strip_with_slot.toml")
    told = {}
    study = rf.run(case, jobs=1, each=lambda name, result: told.update({name: result}))
    assert set(told) == set(study.variants) | set(study.trials)
    assert all(told[name] is study[name] for name in told)
