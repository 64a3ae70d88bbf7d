"""Several boards solved side by side, each different one once; a failure is an answer too."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from typing import TypeVar

import joblib

from returnflow.answers.evaluate import Solved, solve_case
from returnflow.answers.processes import pool, replaced_quietly
from returnflow.answers.rescale import Signature, rescaled, signature
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

    Returns
    -------
    answers : dict, name to answer, or to the exception that says why there is none
        In the order of `cases`. Stopped by hand (Ctrl-C), what is solved by then is kept.
    """
    say = progress or (lambda _: None)
    groups: dict[Signature, dict[str, Case]] = {}
    for name, case in cases.items():
        groups.setdefault(signature(case, options), {})[name] = case
    workers = min(len(groups), jobs or joblib.effective_n_jobs(-1))
    if workers > 1:
        # The longest first: gaps are solved with and without, and every copper counts.
        groups = dict(sorted(groups.items(), key=lambda item: -_length(next(iter(item[1].values())))))
    work = [functools.partial(_answers, group, finish, options, compare_gaps, highest) for group in groups.values()]
    answers: dict[str, Answer | Exception] = {}

    def kept(found: dict[str, Answer | Exception]) -> None:
        answers.update(found)
        for name, answer in found.items():
            if each is not None and not isinstance(answer, Exception):
                each(name, answer)

    if workers <= 1:
        with contextlib.suppress(KeyboardInterrupt):  # what is solved stands
            for item, group in zip(work, groups.values(), strict=True):
                kept(item(say if len(work) == 1 else _named(say, next(iter(group)))))
    else:
        say(f"{len(work)} different boards, {workers} at a time")

        def told(found: dict[str, Answer | Exception]) -> None:
            kept(found)
            failed = [name for name, answer in found.items() if isinstance(answer, Exception)]
            done = sum(next(iter(group)) in answers for group in groups.values())
            say(f"{', '.join(found)}: {'failed' if failed else 'solved'} ({done} of {len(work)})")

        parallel = pool(workers, ordered=False)
        with replaced_quietly():
            try:
                for found in parallel(joblib.delayed(item)(None) for item in work):
                    told(found)
            except KeyboardInterrupt:
                say("stopped by hand")
            except BrokenExecutor:
                say("a process was killed, usually for lack of memory: solving the rest one at a time")
                for item, group in zip(work, groups.values(), strict=True):
                    if next(iter(group)) not in answers:
                        told(_alone(item, group))
    return {name: answers.get(name) or NumericalError(STOPPED) for name in cases}


def _length(case: Case) -> int:
    return len(case.board.coppers) + len(case.board.cutouts)


def _alone(
    item: Callable[[Progress | None], dict[str, Answer | Exception]], group: dict[str, Case]
) -> dict[str, Answer | Exception]:
    """Answers of a process that has the machine to itself; if that is ended too, it takes no other with it."""
    try:
        (found,) = joblib.Parallel(n_jobs=2)([joblib.delayed(item)(None)])
    except BrokenExecutor:
        return dict.fromkeys(group, NumericalError(ENDED))
    answers: dict[str, Answer | Exception] = found
    return answers


def _answers(
    group: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None,
    compare_gaps: bool,
    highest: float | None,
    progress: Progress | None,
) -> dict[str, Answer | Exception]:
    """Answers for cases that have one board; a failure is an answer too."""
    first = next(iter(group.values()))
    try:
        own = options or Options(accuracy=first.accuracy)
        solved = solve_case(first, own, progress, compare_gaps=compare_gaps, highest=highest).without_operators()
        return {name: finish(name, case, rescaled(solved, case)) for name, case in group.items()}
    except (NumericalError, MeshError) as error:
        return dict.fromkeys(group, error)
    except MemoryError:
        reason = "Out of memory. Set a larger `accuracy`, or solve fewer variants at a time (--jobs 1)."
        return dict.fromkeys(group, NumericalError(reason))


def _named(say: Progress, name: str) -> Progress:
    return lambda line: say(f"{name}: {line}")
