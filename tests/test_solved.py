"""What tests share is made once, whichever process asks first, and never mixed up."""

from __future__ import annotations

import threading

import pytest

import solved
from reporting import BOARD, SECOND, noisy
from returnflow.advice.study import run
from returnflow_geometry.casefile.read import parse_case


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """A session of its own."""
    monkeypatch.setattr(solved, "_folder", [tmp_path])
    monkeypatch.setattr(solved, "_here", {})
    return tmp_path


def counted(made):
    def make(text, *, loud=False):
        made.append((text, loud))
        return [text.upper() if loud else text]

    return make


def test_another_process_reads_what_one_has_made(elsewhere):
    made = []
    once = solved.shared(counted(made))
    found = once("a")
    assert once("a") is found
    solved._here.clear()  # as another process begins
    assert once("a") == found == ["a"]
    assert once("a") is not found
    assert made == [("a", False)]


def test_memory_holds_what_was_used_last(elsewhere, monkeypatch):
    monkeypatch.setattr(solved, "KEPT_HERE", 2)
    once = solved.shared(counted([]))
    found = {name: once(name) for name in "ab"}
    assert once("a") is found["a"]
    once("c")
    assert once("a") is found["a"]
    assert once("b") is not found["b"]


def test_boards_of_one_signature_are_one(elsewhere):
    def loud(amperes):
        return BOARD + noisy().replace("current_A = 0.5", f"current_A = {amperes}") + SECOND

    plain, twice = (solved.study(loud(amperes), "as drawn") for amperes in (0.5, 1.0))
    one, two = plain["as drawn"], twice["as drawn"]
    assert two.whole.mesh is one.whole.mesh
    # As solved on its own.
    (alone,) = run(parse_case(loud(1.0)), only=["as drawn"])["as drawn"].sensitive
    assert two.sensitive[0].noise == alone.noise != one.sensitive[0].noise


def test_by_its_arguments(elsewhere):
    made = []
    once = solved.shared(counted(made))
    assert [once("a"), once("b"), once("a", loud=True)] == [["a"], ["b"], ["A"]]
    assert len(made) == 3


def test_who_comes_second_waits_for_the_first(elsewhere):
    began, may_end, made = threading.Event(), threading.Event(), []

    def slow(text):
        made.append(text)
        began.set()
        may_end.wait(20)
        return [text]

    once, found = solved.shared(slow), []
    threads = [threading.Thread(target=lambda: found.append(once("a"))) for _ in range(2)]
    threads[0].start()
    began.wait(20)
    threads[1].start()
    may_end.set()
    for thread in threads:
        thread.join()
    assert found == [["a"], ["a"]]
    assert made == ["a"]


def test_what_fails_is_tried_again_and_leaves_nothing(elsewhere):
    def fail():
        raise ZeroDivisionError

    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            solved.shared(fail)()
    assert not list(elsewhere.iterdir())


def test_who_was_to_make_it_and_ended_is_not_waited_for(elsewhere, monkeypatch):
    monkeypatch.setattr(solved, "PATIENCE", 0.1)
    made = []
    solved.shared(counted(made))("a")
    (path,) = elsewhere.iterdir()
    path.unlink()
    solved._here.clear()
    path.with_suffix(".taken").mkdir()
    assert solved.shared(counted(made))("a") == ["a"]
