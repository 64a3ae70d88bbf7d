"""Several boards solved side by side, each different one once; a failure is an answer too."""

from __future__ import annotations

import functools
import time
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

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
Made = TypeVar("Made")
FAILURES = (NumericalError, MeshError, MemoryError)
COPPERS = 1.5  # power of the number of coppers that a board's time goes with, roughly
LITTLE, MINUTES = 15.0, 150.0  # s: what is not worth telling, and what is told in minutes
CUTOUT = 0.1  # of a copper's time, that of a cutout, roughly
ALONE = 0.4  # of a board's time, that of its high-frequency end alone

STOPPED = "Interrupted before it was solved."
ENDED = "The solving process was killed, usually for lack of memory. Set a larger `accuracy`."


def solve_each(
    cases: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None = None,
    progress: Progress | None = None,
    jobs: int | None = None,
    *,
    gaps: Callable[[Answer, Expelled], Answer] | None = None,
    compared: Collection[str] | None = None,
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
    gaps : function of an answer and Expelled, optional
        Tells in an answer what gaps cost that routes cross, from the same board without them, which is then solved as
        well. None: nobody asks.
    compared : collection of str, optional
        Names of the cases that `gaps` are told of; all by default.
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
    asked = set() if gaps is None else set(cases if compared is None else compared)
    boards = [_Board.of(group, options, compare=bool(asked & set(group))) for group in groups.values()]
    workers = min(len(groups), jobs or joblib.effective_n_jobs(-1))
    answers: dict[str, Answer | Exception] = {}
    waiting: dict[str, tuple[_Board, _Found[Answer]]] = {}
    failed: dict[Signature, Exception] = {}
    done: set[str] = set()

    def settle(board: _Board, found: _Found[Answer], solid: Expelled | Exception | None) -> None:
        for name, answer in found.answers.items():
            final = answer
            if isinstance(solid, Exception):
                final = solid
            elif solid is not None and gaps is not None and not isinstance(answer, Exception):
                final = gaps(answer, solid)
            answers[name] = final
            if each is not None and not isinstance(final, Exception):
                each(name, final)
        waiting.pop(board.label, None)

    def told(item: _Item[Answer], found: _Found[Answer]) -> None:
        done.add(item.label)
        if found.solid is not None:
            gapless.keep(*found.solid)
        if item.board is not None:
            waiting[item.label] = (item.board, found)
        elif found.failed is not None and item.solid is not None:
            failed[item.solid] = found.failed
        for board, one in list(waiting.values()):
            solid = (
                None if board.solid is None else gapless.known(board.solid, board.crossing) or failed.get(board.solid)
            )
            if board.solid is None or solid is not None:
                settle(board, one, solid)
        for line in found.said:
            say(line)
        bad = found.failed or any(isinstance(answer, Exception) for answer in found.answers.values())
        how = "failed" if bad else "taken from the cache" if found.kept else "solved"
        left = remaining(time.perf_counter() - begin, len(done), len(work), workers)
        say(f"{', '.join(found.answers) or item.label}: {how} ({len(done)} of {len(work)}{left})")

    def do(some: Sequence[_Item[Answer]]) -> None:
        if workers > 1:
            _side_by_side(some, workers, told, say)
        else:
            for item in some:
                told(item, item.work(say if len(groups) == 1 else _named(say, item.label)))

    if workers > 1:
        say(f"{len(groups)} different boards, {workers} at a time")
    begin = time.perf_counter()
    asked_for = {board.crossing for board in boards if board.solid is not None}
    own = {gapless.key(board.first, names) for board in boards if board.solid is None for names in asked_for}
    work = [_Item(board.label, board.length, functools.partial(_answers, board.group, finish, options, highest, cache),
                  board) for board in boards]  # fmt: skip
    work += _without_gaps([board for board in boards if board.solid not in own], cache)
    if workers > 1:
        # The longest first, so that no process waits for another at the end.
        work.sort(key=lambda item: -item.length)
    with replaced_quietly():
        try:
            do(work)
            # A board that others were to be compared with may have failed.
            if rest := _without_gaps([board for board, _ in waiting.values()], cache):
                work += rest
                do(rest)
        except KeyboardInterrupt:  # what is solved stands
            say("stopped by hand")
            for board, found in list(waiting.values()):
                settle(board, found, None)
    return {name: answers.get(name) or NumericalError(STOPPED) for name in cases}


def remaining(seconds: float, done: int, count: int, workers: int) -> str:
    """
    How long the rest may take, as a clause; nothing where it is little, or where too few are done to tell.

    Parameters
    ----------
    seconds : float
        Spent so far.
    done, count : int
        Pieces of work that are done, and all; those under way count half.
    workers : int
        How many are under way at a time.

    Examples
    --------
    >>> remaining(20.0, 2, 8, 2), remaining(100.0, 2, 8, 2), remaining(20.0, 1, 8, 2), remaining(20.0, 7, 8, 2)
    (', some 40 s to go', ', some 4 min to go', '', '')
    """
    half = 0.5 * min(workers - 1, count - done)
    more = seconds * (count - done - half) / (done + half) if done >= workers else 0.0
    if more < LITTLE:
        return ""
    return f", some {10 * round(more / 10)} s to go" if more < MINUTES else f", some {more / 60:.0f} min to go"


@dataclass(frozen=True)
class _Board:
    """
    Cases of one board, by name.

    Attributes
    ----------
    group : dict, name to Case
    first : Case
        The first of them, with the accuracy that is asked for.
    closed : Case or None
        The same with the gaps closed that routes cross, where they are compared.
    crossing : tuple of str
        Loops whose routes cross them.
    solid : Signature or None
        What inductances of that are kept by.
    """

    group: dict[str, Case]
    first: Case
    closed: Case | None = None
    crossing: tuple[str, ...] = ()
    solid: Signature | None = None

    @classmethod
    def of(cls, group: dict[str, Case], options: Options | None, *, compare: bool) -> _Board:
        """Board of a group of cases."""
        first = next(iter(group.values()))
        if options is not None:
            first = replace(first, accuracy=options.accuracy)
        found = gapless.compared(first) if compare else None
        if found is None:
            return cls(group, first)
        solid, crossing = found
        return cls(group, first, solid, crossing, gapless.key(solid, crossing))

    @property
    def label(self) -> str:
        """Name of its first case."""
        return next(iter(self.group))

    @property
    def length(self) -> float:
        """How long it takes against others, roughly: every copper counts, and every cutout."""
        board = next(iter(self.group.values())).board
        return float(len(board.coppers) ** COPPERS + CUTOUT * len(board.cutouts))


@dataclass(frozen=True)
class _Item(Generic[Answer]):
    """A piece of work, how long it takes against others, and the board it answers for; or what it is kept by."""

    label: str
    length: float
    work: Callable[[Progress | None], _Found[Answer]]
    board: _Board | None = None
    solid: Signature | None = None


def _without_gaps(boards: Sequence[_Board], cache: Path | None) -> list[_Item[Any]]:
    """Boards with the gaps closed that are solved for nothing but the comparison: each different one once."""
    found: dict[Signature, _Item[Any]] = {}
    for board in boards:
        if board.solid is not None and board.closed is not None and gapless.known(board.solid, board.crossing) is None:
            solve = functools.partial(_closed, board.closed, board.solid, cache)
            label = f"what gaps cost in {board.label}"
            found.setdefault(board.solid, _Item(label, ALONE * board.length, solve, solid=board.solid))
    return list(found.values())


def _side_by_side(
    work: Sequence[_Item[Answer]],
    workers: int,
    told: Callable[[_Item[Answer], _Found[Answer]], None],
    say: Progress,
) -> None:
    """Do work in processes, and tell of each as it is done; if one is killed the rest go one at a time."""
    done: set[int] = set()
    try:
        tasks = (joblib.delayed(_numbered)(n, item.work) for n, item in enumerate(work))
        for n, found in pool(workers, ordered=False)(tasks):
            done.add(n)
            told(work[n], found)
    except BrokenExecutor:
        say("a process was killed, usually for lack of memory: solving the rest one at a time")
        for n, item in enumerate(work):
            if n not in done:
                told(item, _alone(item))


def _numbered(number: int, work: Callable[[Progress | None], Answer]) -> tuple[int, Answer]:
    return number, work(None)


def _alone(item: _Item[Answer]) -> _Found[Answer]:
    """Answers of a process that has the machine to itself; if that is ended too, it takes no other with it."""
    try:
        (found,) = joblib.Parallel(n_jobs=2)([joblib.delayed(item.work)(None)])
    except BrokenExecutor:
        names = () if item.board is None else item.board.group
        return _Found(dict.fromkeys(names, NumericalError(ENDED)), failed=NumericalError(ENDED))
    answers: _Found[Answer] = found
    return answers


@dataclass(frozen=True)
class _Found(Generic[Answer]):
    """Answers of cases of one board, by name; and that board with its inductances, if no route crosses a gap of it."""

    answers: dict[str, Answer | Exception]
    solid: tuple[Case, Expelled] | None = None
    kept: bool = False
    said: tuple[str, ...] = ()
    failed: Exception | None = None


def _answers(
    group: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None,
    highest: float | None,
    cache: Path | None,
    progress: Progress | None,
) -> _Found[Answer]:
    """Answers for cases that have one board; a failure is an answer too."""
    first, *others = group.values()
    own = options or Options(accuracy=first.accuracy)
    said: list[str] = []

    def solve() -> tuple[Solved, Expelled | None]:
        solved = solve_case(first, own, progress, highest=highest, alike=others)
        return solved.without_operators(), solved.expelled

    try:
        if cache is None:
            (solved, expelled), before = solve(), False
        else:
            key = Kept(cache).key(signature(first, own), list(group.values()), highest)
            (solved, expelled), before = _once(Kept(cache), key, solve, said, next(iter(group)))
        return _Found(
            {name: finish(name, case, rescaled(solved, case)) for name, case in group.items()},
            None if expelled is None else _by_name(expelled, replace(first, accuracy=own.accuracy)),
            before,
            tuple(said),
        )
    except FAILURES as error:
        return _Found(dict.fromkeys(group, _reason(error)))


def _closed(case: Case, name: Signature, cache: Path | None, progress: Progress | None) -> _Found[Any]:
    """Inductances of a board whose gaps are closed; a failure is an answer too."""
    said: list[str] = []

    def solve() -> Expelled:
        return gapless.solve_closed(case, progress)

    try:
        if cache is None:
            found, before = solve(), False
        else:
            key = Kept(cache).key(name, [case], "high-frequency end")
            found, before = _once(Kept(cache), key, solve, said, "the board without gaps")
    except FAILURES as error:
        return _Found({}, failed=_reason(error))
    return _Found({}, _by_name(found, case), before, tuple(said))


def _by_name(found: Expelled, case: Case) -> tuple[Case, Expelled]:
    return case, replace(found, names=tuple(loop.name for loop in case.loops))


def _reason(error: Exception) -> Exception:
    if isinstance(error, MemoryError):
        return NumericalError("Out of memory. Set a larger `accuracy`, or solve fewer variants at a time (--jobs 1).")
    return error


def _once(kept: Kept, key: str, solve: Callable[[], Made], said: list[str], name: str) -> tuple[Made, bool]:
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
