"""Several boards solved side by side, each different one once; a failure is an answer too."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Generic, TypeVar

import joblib

from returnflow.answers import gapless
from returnflow.answers.cache import Kept, NotKeptError
from returnflow.answers.evaluate import Solved, solve_case
from returnflow.answers.processes import pool, replaced_quietly
from returnflow.answers.rescale import Signature, rescaled, signature
from returnflow.magnetic.solving import Expelled
from returnflow.resistive.linear import NumericalError, Progress
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import MeshError
from returnflow_geometry.model.board import Case

Answer = TypeVar("Answer")

STOPPED = "Interrupted before it was solved."
ENDED = "The solving process was killed, usually for lack of memory. Set a larger `accuracy`."


def solve_each(
    cases: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None = None,
    progress: Progress | None = None,
    jobs: int | None = None,
    *,
    compare_gaps: bool = True,
    highest: float | None = None,
    each: Callable[[str, Answer], object] | None = None,
    cache: Path | None = None,
) -> dict[str, Answer | Exception]:
    """
    Solve several cases, each different board once, side by side.

    Parameters
    ----------
    cases : dict, name to Case
    finish : function of name, case and Solved
        Makes the answer; runs where the board was solved.
    options : Options, optional
    progress : function of one string, optional
    jobs : int, optional
    compare_gaps : bool
        Solve once more without the gaps that routes cross.
    highest : float, optional
        Hertz up to which the reduced models are to be accurate; see `solve_case`.
    each : function of name and answer, optional
        Called here with every answer as it comes.
    cache : Path, optional
        Folder of solutions that are kept from run to run; see `Kept`.

    Returns
    -------
    answers : dict, name to answer, or to the exception that says why there is none
        In the order of `cases`. Stopped by hand (Ctrl-C), what is solved by then is kept.
    """
    say = progress or (lambda _: None)
    groups: dict[Signature, dict[str, Case]] = {}
    for name, case in cases.items():
        groups.setdefault(signature(case, options), {})[name] = case
    if not groups:
        return {}
    workers = min(len(groups), jobs or joblib.effective_n_jobs(-1))
    answers: dict[str, Answer | Exception] = {}

    def kept(found: _Found[Answer]) -> None:
        answers.update(found.answers)
        if found.solid is not None:
            gapless.keep(*found.solid)
        for name, answer in found.answers.items():
            if each is not None and not isinstance(answer, Exception):
                each(name, answer)

    def told(found: _Found[Answer]) -> None:
        kept(found)
        failed = any(isinstance(answer, Exception) for answer in found.answers.values())
        done = sum(next(iter(group)) in answers for group in groups.values())
        for line in found.said:
            say(line)
        how = "failed" if failed else "taken from the cache" if found.kept else "solved"
        say(f"{', '.join(found.answers)}: {how} ({done} of {len(groups)})")

    if workers > 1:
        say(f"{len(groups)} different boards, {workers} at a time")
    with replaced_quietly():
        try:
            for turn in _turns(groups, workers, options, compare_gaps=compare_gaps):
                work = {
                    tuple(group): functools.partial(
                        _answers, group, finish, options, compare_gaps, highest, gapless.known(solid), cache
                    )
                    for group, solid in turn
                }
                if workers > 1:
                    _side_by_side(work, workers, told, say)
                else:
                    for names, item in work.items():
                        told(item(say if len(groups) == 1 else _named(say, names[0])))
        except KeyboardInterrupt:  # what is solved stands
            say("stopped by hand")
    return {name: answers.get(name) or NumericalError(STOPPED) for name in cases}


def _length(case: Case) -> int:
    return len(case.board.coppers) + len(case.board.cutouts)


def _turns(
    groups: dict[Signature, dict[str, Case]], workers: int, options: Options | None, *, compare_gaps: bool
) -> list[list[tuple[dict[str, Case], Signature | None]]]:
    """
    Boards to solve side by side, and then others: those that others with gaps are compared with come first.

    Each with what that board is kept by. The longest come first in a turn: gaps are solved with and without, and every
    copper counts.
    """
    some = {board: next(iter(group.values())) for board, group in groups.items()}
    if options is not None:
        some = {board: replace(case, accuracy=options.accuracy) for board, case in some.items()}
    compared = compare_gaps and len(groups) > 1
    own, solid = {}, {}
    for board, case in some.items():
        own[board], solid[board] = gapless.keys(case) if compared else (board, None)
    order = list(some)
    if workers > 1:
        order.sort(key=lambda board: (solid[board] is None, -_length(some[board])))
    first = [board for board in order if own[board] in solid.values()]
    # What needs none of their answers fills the first turn, so that no process waits.
    helped = {own[board] for board in first}
    other = [board for board in order if board not in first and solid[board] not in helped]
    first += other[: -len(first) % workers]
    turns = [first, [board for board in order if board not in first]]
    return [[(groups[board], solid[board]) for board in turn] for turn in turns if turn]


def _side_by_side(
    work: Mapping[tuple[str, ...], Callable[[Progress | None], _Found[Answer]]],
    workers: int,
    told: Callable[[_Found[Answer]], None],
    say: Progress,
) -> None:
    """Do work in processes, and tell of each as it is done; if one is killed the rest go one at a time."""
    done: set[str] = set()
    try:
        for found in pool(workers, ordered=False)(joblib.delayed(item)(None) for item in work.values()):
            done.update(found.answers)
            told(found)
    except BrokenExecutor:
        say("a process was killed, usually for lack of memory: solving the rest one at a time")
        for names, item in work.items():
            if names[0] not in done:
                told(_alone(names, item))


def _alone(names: Sequence[str], item: Callable[[Progress | None], _Found[Answer]]) -> _Found[Answer]:
    """Answers of a process that has the machine to itself; if that is ended too, it takes no other with it."""
    try:
        (found,) = joblib.Parallel(n_jobs=2)([joblib.delayed(item)(None)])
    except BrokenExecutor:
        return _Found(dict.fromkeys(names, NumericalError(ENDED)))
    answers: _Found[Answer] = found
    return answers


@dataclass(frozen=True)
class _Found(Generic[Answer]):
    """Answers of cases of one board, by name; and its inductances and their key, if no route crosses a gap of it."""

    answers: dict[str, Answer | Exception]
    solid: tuple[Signature, Expelled] | None = None
    kept: bool = False
    said: tuple[str, ...] = ()


def _answers(
    group: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None,
    compare_gaps: bool,
    highest: float | None,
    solid: Expelled | None,
    cache: Path | None,
    progress: Progress | None,
) -> _Found[Answer]:
    """Answers for cases that have one board; a failure is an answer too."""
    first, *others = group.values()
    own = options or Options(accuracy=first.accuracy)
    said: list[str] = []

    def solve() -> tuple[Solved, Expelled | None]:
        solved = solve_case(first, own, progress, compare_gaps=compare_gaps, highest=highest, solid=solid, alike=others)
        return solved.without_operators(), solved.expelled if compare_gaps else None

    try:
        if cache is None:
            (solved, expelled), before = solve(), False
        else:
            key = Kept(cache).key(signature(first, own), list(group.values()), compare_gaps, highest)
            (solved, expelled), before = _once(Kept(cache), key, solve, said, next(iter(group)))
        return _Found(
            {name: finish(name, case, rescaled(solved, case)) for name, case in group.items()},
            None if expelled is None else (gapless.key(replace(first, accuracy=own.accuracy)), expelled),
            before,
            tuple(said),
        )
    except (NumericalError, MeshError) as error:
        return _Found(dict.fromkeys(group, error))
    except MemoryError:
        reason = "Out of memory. Set a larger `accuracy`, or solve fewer variants at a time (--jobs 1)."
        return _Found(dict.fromkeys(group, NumericalError(reason)))


def _once(
    kept: Kept, key: str, solve: Callable[[], tuple[Solved, Expelled | None]], said: list[str], name: str
) -> tuple[tuple[Solved, Expelled | None], bool]:
    """What is kept, or else what is solved, which is kept then; and whether it was there. A cache never stops a run."""
    try:
        found = kept.find(key)
    except NotKeptError as error:
        said.append(f"{name}: its solution in the cache is not used, {error}; solved anew")
        found = None
    if found is not None:
        return found, True
    solved = solve()
    try:
        kept.keep(key, solved)
    except NotKeptError as error:
        said.append(f"{name}: its solution is not kept, {error}")
    return solved, False


def _named(say: Progress, name: str) -> Progress:
    return lambda line: say(f"{name}: {line}")
