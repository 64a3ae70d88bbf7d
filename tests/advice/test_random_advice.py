"""On random boards nothing is recommended as kept that a solve of its own finds exceeded."""

from __future__ import annotations

from dataclasses import replace

import pytest

import returnflow as rf
from cases import squared
from randomboards import random_case
from returnflow.advice.study import AS_DRAWN

FINER = 0.4  # accuracy of what judges, of that of the study
CASES = [rf.parse_case(random_case(seed, mains=False)) for seed in range(7310, 7316)]
SEVERAL = [replace(rf.parse_case(random_case(seed, mains=False, several=True)), accuracy=0.1) for seed in (8002, 8005)]
CASES.append(rf.parse_case(squared(random_case(7312), 0.886)))  # hundreds of either kind: benchmarks/random_advice.py


def judged(case, decision, study):
    """Verdict of the recommended board, solved on its own and more finely than in the study; None without one."""
    name = decision.loop
    chosen = decision.chosen
    if chosen is None:
        return None
    if chosen.variant is not None:
        board = study.trials[chosen.variant].case
    elif chosen.kind == "differential":
        dB = float(chosen.title.split(" at least ")[1].split(" dB")[0])
        board = replace(
            case, loops=tuple(it if it.name != name else replace(it, rejection=((1.0, dB),)) for it in case.loops)
        )
    else:
        less = 10 ** (float(chosen.title.rsplit(" by ", 1)[1].removesuffix(" dB")) / 20)
        board = replace(
            case,
            loops=tuple(
                replace(it, current=it.current / less) if f'"{it.name}"' in chosen.title else it for it in case.loops
            ),
        )
    return verdicts(board)[name]


def verdicts(board):
    """Of every limit of a board, solved on its own and more finely than in a study."""
    found = rf.run(replace(board, accuracy=FINER * board.accuracy), only=[AS_DRAWN], jobs=1)[AS_DRAWN]
    return {it.loop: it.verdict for it in (*found.sensitive, *found.cables)}


def unkept(case, study):
    """Promises of a study with several limits that a finer solve of each recommended board does not keep, in words."""
    wrong, before = [], verdicts(case)
    for decision in study.decisions:
        chosen = decision.chosen
        if chosen is None or chosen.variant is None:
            if judged(case, decision, study) not in (None, "kept"):
                wrong.append(f"{decision.loop}: {chosen.title} does not keep it")
            continue
        after = verdicts(study.trials[chosen.variant].case)
        if after[decision.loop] != "kept":
            wrong.append(f"{decision.loop}: {chosen.title} does not keep it")
        broken = {name for name, verdict in after.items() if before.get(name) == "kept" and verdict == "exceeded"}
        if not broken <= set(chosen.broken):
            wrong.append(f"{decision.loop}: {chosen.title} breaks {broken}, told: {chosen.broken}")
    for name in study.joint:
        solved, finer = study[name], verdicts(study[name].case)
        told = {it.loop: it.verdict for it in (*solved.sensitive, *solved.cables)}
        wrong += [f"{name}: {loop} told kept" for loop in told if told[loop] == "kept" != finer[loop]]
    return wrong


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.title)
def test_what_is_said_to_keep_the_limit_keeps_it(case):
    study = rf.run(case, jobs=1)
    (decision,) = study.decisions
    verdict = judged(case, decision, study)
    assert verdict in (None, "kept"), (decision.chosen.title, verdict)
    if study[AS_DRAWN].sensitive[0].verdict == "kept":
        finer = rf.run(replace(case, accuracy=0.02), only=[AS_DRAWN], jobs=1)[AS_DRAWN].sensitive[0]
        assert finer.verdict == "kept"


@pytest.mark.parametrize("case", SEVERAL, ids=lambda case: case.title)
def test_with_several_limits_what_is_promised_of_each_is_kept(case):
    study = rf.run(case, jobs=1)
    assert study.joint, "otherwise nothing is recommended together"
    assert unkept(case, study) == []


def test_the_boards_are_worth_the_trouble():
    # Some are tolerable, some are mended by a board that was drawn for it.
    assert any("U1" in (it.inject, it.return_) for case in CASES for it in case.loops[1:])
    assert any(it.frequency for case in CASES for it in case.loops)
