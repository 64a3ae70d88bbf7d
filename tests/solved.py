"""Boards that several tests look at: each is solved once in a session, by whichever process asks for it first."""

from __future__ import annotations

import functools
import hashlib
import pickle
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import ParamSpec, TypeVar
from unittest import mock

from cases import EXAMPLES
from returnflow.advice.study import Study, run
from returnflow.answers import batch
from returnflow.answers.evaluate import Solved, solve_case
from returnflow.answers.rescale import signature
from returnflow.resistive.linear import Progress
from returnflow.resistive.solution import Options
from returnflow_geometry.casefile.read import parse_case, read_case
from returnflow_geometry.model.board import Case

P = ParamSpec("P")
Made = TypeVar("Made")

KEPT_HERE = 16  # what a process keeps in memory of it; the rest it reads again
PATIENCE = 300.0  # s; then whoever was to make it is taken for ended
_folder: list[Path] = []
_here: dict[str, object] = {}


def keep_in(folder: Path) -> None:
    """Where the processes of this session find what others have solved."""
    _folder[:] = [folder]


def once(key: object, make: Callable[[], Made]) -> Made:
    """What is made of a key (anything whose text tells it from others), once for all processes."""
    if not _folder:  # not under pytest
        keep_in(Path(tempfile.mkdtemp()))
    path = _folder[0] / hashlib.sha256(repr(key).encode()).hexdigest()
    found = _here.pop(str(path), None)
    if found is None:
        found = _made_or_read(path, make)
    _here[str(path)] = found  # last used, last to go
    while len(_here) > KEPT_HERE:
        del _here[next(iter(_here))]
    return found  # type: ignore[return-value]


def _made_or_read(path: Path, make: Callable[[], Made]) -> Made:
    taken, until = path.with_suffix(".taken"), time.monotonic() + PATIENCE
    while not path.exists():
        try:
            taken.mkdir()
        except FileExistsError:
            if time.monotonic() > until:
                return make()
            time.sleep(0.05)
            continue
        try:
            if not path.exists():  # nor made just now
                made = make()
                part = path.with_suffix(".part")
                part.write_bytes(pickle.dumps(made))
                part.replace(path)
                return made
        finally:
            taken.rmdir()
    found: Made = pickle.loads(path.read_bytes())
    return found


def shared(make: Callable[P, Made]) -> Callable[P, Made]:
    """Function that makes a thing once, by its name and arguments (such as the text of a case)."""

    @functools.wraps(make)
    def found(*given: P.args, **named: P.kwargs) -> Made:
        key = (make.__module__, make.__qualname__, given, sorted(named.items()))
        return once(key, lambda: make(*given, **named))

    return found


def board(case: Case, options: Options, progress: Progress | None = None, **more: object) -> Solved:
    """Fields of a board, however often cases of it differ in currents, limits or bonds."""
    key = ("board", signature(case, options), sorted(more.items()))
    return once(key, lambda: solve_case(case, options, progress, **more).without_operators())  # type: ignore[arg-type]


@shared
def study(text: str, *only: str) -> Study:
    """Study of a case's text, or of some of its variants alone."""
    with mock.patch.object(batch, "solve_case", board):
        return run(parse_case(text), only=only or None, jobs=1)


@shared
def example(name: str, accuracy: float | None = None) -> Study:
    """An example as drawn, with the accuracy it asks for or another."""
    case = read_case(EXAMPLES / f"{name}.toml")
    return run(replace(case, accuracy=accuracy or case.accuracy), only=["as drawn"], jobs=1)
