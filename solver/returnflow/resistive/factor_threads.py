"""
SuperLU factors made side by side, each freed by the thread that made it; and other work of those threads.

SciPy lists what SuperLU allocates thread by thread, and frees only what is on the list of the thread that asks
(https://github.com/scipy/scipy/issues/15921). A factor made in a thread of a pool and let go by another would never
be given back: measured, 40 MB lost for each factor of 40 000 unknowns. So the threads stay, and get back what they
made. Before the program ends they give back all that is left and end too: what still hung on a thread that the
interpreter took down made one script in three end with an error of its own (status 120, "an integer is required").
"""

from __future__ import annotations

import atexit
import multiprocessing
import os
import threading
import weakref
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import cache
from queue import SimpleQueue
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Answer = TypeVar("Answer")

PATIENCE = 5.0  # s for a thread's last piece of work when the program ends


class Factor:
    """A factored matrix, which the thread that made it takes back."""

    def __init__(self, made: list[Any], thread: _Thread):
        self._made = made
        thread.keep(made)
        # When the whole program ends the threads see to it themselves.
        weakref.finalize(self, thread.ask, lambda: thread.give_back(made)).atexit = False

    def __call__(self, right: Floats) -> Floats:
        """Solve for right sides of shape (n, k)."""
        return np.asarray(self._made[0].solve(right)).reshape(right.shape)


def factors(work: Sequence[Callable[[], Any]]) -> list[Callable[[], Factor]]:
    """
    Start making factors, one for each core at a time; each answer waits for one, and raises what it raised.

    What makes one returns a thing with `solve`.
    """
    threads = _threads()
    return [threads[number % len(threads)].factor(make) for number, make in enumerate(work)]


def side_by_side(work: Sequence[Callable[[], Answer]]) -> list[Answer]:
    """
    Answers of pieces of work, one for each core at a time, in their order; what one raises is raised.

    Pieces may not ask for others in turn. In a process that has others beside it all is done in turn.
    """
    threads = _threads()
    if len(threads) < 2 or len(work) < 2 or multiprocessing.parent_process() is not None:
        return [item() for item in work]
    waiting = [threads[number % len(threads)].answer(item) for number, item in enumerate(work)]
    return [future.result() for future in waiting]


@cache
def _threads() -> list[_Thread]:
    threads = [_Thread() for _ in range(os.cpu_count() or 1)]
    atexit.register(_end, threads, os.getpid())
    return threads


def _end(threads: Sequence[_Thread], process: int) -> None:
    """Let threads give back what they made, and end, in the process that began them."""
    if os.getpid() != process:
        return
    for thread in threads:
        thread.end()
    for thread in threads:
        thread.join(PATIENCE)


if hasattr(os, "register_at_fork"):  # a forked process has none of them
    os.register_at_fork(after_in_child=_threads.cache_clear)


class _Thread:
    def __init__(self) -> None:
        # A queue of this kind may be filled while garbage is collected, in the midst of another call to it.
        self._asked: SimpleQueue[Callable[[], object] | None] = SimpleQueue()
        self._kept: dict[int, list[Any]] = {}
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def ask(self, work: Callable[[], object]) -> None:
        self._asked.put(work)

    def factor(self, make: Callable[[], Any]) -> Callable[[], Factor]:
        return self.answer(lambda: Factor([make()], self)).result

    def answer(self, item: Callable[[], Answer]) -> Future[Answer]:
        """What a piece of work answers, or raises, once this thread has done it."""
        future: Future[Answer] = Future()

        def work() -> None:
            try:
                future.set_result(item())
            except BaseException as error:
                future.set_exception(error)

        if self._thread.is_alive():
            self.ask(work)
        else:  # the program ends, and something still wants to know
            work()
        return future

    def keep(self, made: list[Any]) -> None:
        """Remember what this thread made, until it is given back."""
        self._kept[id(made)] = made

    def give_back(self, made: list[Any]) -> None:
        """Free what this thread made; asked of the thread itself."""
        made.clear()
        self._kept.pop(id(made), None)

    def end(self) -> None:
        """Ask for nothing more."""
        self._asked.put(None)

    def join(self, seconds: float) -> None:
        """Wait until the thread has ended, but no longer than so many seconds."""
        self._thread.join(seconds)

    def _run(self) -> None:
        while (work := self._asked.get()) is not None:
            work()
        for made in self._kept.values():
            made.clear()
