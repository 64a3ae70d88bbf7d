"""Work done side by side in processes of its own."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import joblib


def pool(workers: int, *, ordered: bool = True) -> joblib.Parallel:
    """
    Pool of the backend in force (`joblib.parallel_config`), whose answers come as they are ready where it can do that.

    Some backends hand out all answers at the end only: then the work is the same, and what is told of it comes late.
    """
    try:
        return joblib.Parallel(n_jobs=workers, return_as="generator" if ordered else "generator_unordered")
    except ValueError:
        return joblib.Parallel(n_jobs=workers)


@contextmanager
def replaced_quietly() -> Iterator[None]:
    """
    Let processes that have grown be replaced between two pieces of work, which is how memory is given back.

    The pool says so by a warning, in a thread of its own. Where warnings are errors that would end the thread, and
    whoever waits for the pool would wait for ever.
    """
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="A worker stopped while some jobs were given")
        yield
