"""What tests share is made once, whichever process asks first, and never mixed up."""

from __future__ import annotations

import threading

import pytest

import solved


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """A session of its own."""
    monkeypatch.setattr(solved, "_folder", [tmp_path])
    return tmp_path


def counted(made):
    def make(text, *, loud=False):
        made.append((text, loud))
        return [text.upper() if loud else text]

    return make


def test_another_process_reads_what_one_has_made(elsewhere):
    made = []
    here, there = solved.shared(counted(made)), solved.shared(counted(made))  # each as a process has it
    assert here("a") == there("a") == ["a"]
    assert here("a") is here("a")
    assert made == [("a", False)]


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

    first, second = solved.shared(slow), solved.shared(slow)
    found = []
    threads = [threading.Thread(target=lambda of=of: found.append(of("a"))) for of in (first, second)]
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
    path.with_suffix(".taken").mkdir()
    assert solved.shared(counted(made))("a") == ["a"]
