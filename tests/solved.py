"""Boards that several tests look at: each is solved once in a session, by whichever process asks for it first."""

from __future__ import annotations

import functools
import hashlib
import pickle
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar

from cases import EXAMPLES
from returnflow.advice.study import Study, run
from returnflow_geometry.casefile.read import parse_case, read_case

P = ParamSpec("P")
Made = TypeVar("Made")

KEPT_HERE = 8  # what a process keeps in memory of it; the rest it reads again
PATIENCE = 300.0  # s; then whoever was to make it is taken for ended
_folder: list[Path] = []


def keep_in(folder: Path) -> None:
    """Where the processes of this session find what others have solved."""
    _folder[:] = [folder]


def shared(make: Callable[P, Made]) -> Callable[P, Made]:
    """Function that makes a thing once for all processes, by its name and arguments (such as the text of a case)."""

    @functools.lru_cache(KEPT_HERE)
    def once(*given: P.args, **named: P.kwargs) -> Made:
        if not _folder:  # not under pytest
            keep_in(Path(tempfile.mkdtemp()))
        key = repr((make.__module__, make.__qualname__, given, sorted(named.items())))
        path = _folder[0] / f"{make.__name__}-{hashlib.sha256(key.encode()).hexdigest()[:20]}"
        taken, until = path.with_suffix(".taken"), time.monotonic() + PATIENCE
        while not path.exists():
            try:
                taken.mkdir()
            except FileExistsError:
                if time.monotonic() > until:
                    return make(*given, **named)
                time.sleep(0.05)
                continue
            try:
                if not path.exists():  # nor made just now
                    made = make(*given, **named)
                    part = path.with_suffix(".part")
                    part.write_bytes(pickle.dumps(made))
                    part.replace(path)
                    return made
            finally:
                taken.rmdir()
        found: Made = pickle.loads(path.read_bytes())
        return found

    return functools.wraps(make)(once)


@shared
def study(text: str, *only: str) -> Study:
    """Study of a case's text, or of some of its variants alone."""
    return run(parse_case(text), only=only or None, jobs=1)


@shared
def example(name: str) -> Study:
    """An example as drawn."""
    return run(read_case(EXAMPLES / f"{name}.toml"), only=["as drawn"], jobs=1)
