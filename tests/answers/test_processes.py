"""Processes that are replaced while they work: what waits for them goes on, even where warnings are errors."""

from __future__ import annotations

import dataclasses
import functools
import inspect
import re
import threading
import warnings
from concurrent.futures import BrokenExecutor

import joblib
import pytest
from joblib import register_parallel_backend
from joblib._parallel_backends import ThreadingBackend
from joblib.externals.loky import process_executor

from cases import EXAMPLES
from ended import ends
from reporting import varied
from returnflow.answers.batch import solve_each
from returnflow.answers.processes import replaced_quietly
from returnflow.pictures import jobs
from returnflow.pictures.picture import Picture
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.casefile.read import read_case

WARNING = "A worker stopped while some jobs were given to the executor."


def in_a_thread(work):
    """What work raises in a thread, as that of a pool does."""
    raised = []

    def run():
        try:
            work()
        except Warning as warning:
            raised.append(warning)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    return raised


class Replaced:
    """A pool that replaces a process before each piece of work, and does it here; it fails where a true one hangs."""

    def __init__(self, **_):
        pass

    def __call__(self, tasks):
        for work, given, named in tasks:
            assert in_a_thread(lambda: warnings.warn(WARNING, UserWarning, stacklevel=1)) == []
            yield work(*given, **named)


def test_the_pool_still_says_it_in_these_words():
    assert WARNING in re.sub(r'"\s*\n\s*"', "", inspect.getsource(process_executor))


def test_elsewhere_a_warning_is_an_error_here():
    assert in_a_thread(lambda: warnings.warn(WARNING, UserWarning, stacklevel=1))
    with replaced_quietly():
        assert not in_a_thread(lambda: warnings.warn(WARNING, UserWarning, stacklevel=1))
        with pytest.raises(UserWarning, match="another"):
            warnings.warn("another", UserWarning, stacklevel=1)


PICTURE = Picture(kind="board", file="board.png", caption="", alt="", loops=(), png=b"x")


def pretend_to_draw(monkeypatch):
    monkeypatch.setattr(jobs, "pictures", lambda result, progress, extent: [PICTURE])
    monkeypatch.setattr(jobs, "shared_pictures", lambda study, progress, brief: [])
    monkeypatch.setattr(jobs, "_fields", lambda study: ({}, []))


def test_drawing_goes_on(monkeypatch):
    monkeypatch.setattr(joblib, "Parallel", Replaced)
    pretend_to_draw(monkeypatch)
    assert jobs.draw(varied(), jobs=2).pictures == {"as drawn": [PICTURE]}


def test_solving_goes_on(monkeypatch, small_cases):
    monkeypatch.setattr(joblib, "Parallel", Replaced)
    answers = solve_each(small_cases, lambda name, case, solved: name, jobs=2)
    assert answers == {name: name for name in small_cases}


@pytest.fixture
def small_cases():
    names = ("four_point_disc", "strip_with_slot")
    return {name: dataclasses.replace(read_case(EXAMPLES / f"{name}.toml"), accuracy=0.3) for name in names}


class AllAtOnce(ThreadingBackend):
    """A backend as some clusters have it: it hands out answers at the end only."""

    supports_return_generator = False


@pytest.mark.parametrize("backend", ["threading", "all at once"])
def test_another_backend_serves_unchanged(small_cases, monkeypatch, backend):
    register_parallel_backend("all at once", AllAtOnce)
    pretend_to_draw(monkeypatch)
    said: list[str] = []
    with joblib.parallel_config(backend=backend):
        answers = solve_each(small_cases, lambda name, case, _: case.title, None, said.append, 2)
        pictures = jobs.draw(varied(), jobs=2).pictures
    assert answers == {name: case.title for name, case in small_cases.items()}
    assert pictures == {"as drawn": [PICTURE]}
    assert said[-1].endswith("solved (2 of 2)")


class TestEndedFromOutside:
    def test_the_rest_are_solved_all_the_same(self, small_cases, tmp_path):
        said: list[str] = []
        answers = solve_each(
            small_cases,
            functools.partial(ends, tmp_path / "none", "strip_with_slot"),
            None,
            said.append,
            2,
        )
        assert answers["four_point_disc"] == "four_point_disc"
        assert isinstance(answers["strip_with_slot"], NumericalError)
        assert "was killed" in str(answers["strip_with_slot"])
        assert any("one at a time" in line for line in said)
        assert [line for line in said if line.endswith("(2 of 2)")]

    def test_alone_it_may_have_memory_enough(self, small_cases, tmp_path):
        ends_once = functools.partial(ends, tmp_path / "ended", "strip_with_slot")
        answers = solve_each(small_cases, ends_once, jobs=2)
        assert answers == {name: name for name in small_cases}

    def test_pictures_are_drawn_all_the_same(self, monkeypatch):
        def broken(tasks):
            for _ in tasks:
                raise BrokenExecutor
            yield

        monkeypatch.setattr(joblib, "Parallel", lambda **_: broken)
        pretend_to_draw(monkeypatch)
        assert jobs.draw(varied(), jobs=2).pictures == {"as drawn": [PICTURE]}
