"""What the command line writes: results to stdout, progress and mistakes to stderr."""

from __future__ import annotations

import contextlib
import sys


def put(text: str) -> None:
    """Print a result. A closed pipe (| head) is the reader's choice: what was asked for is done all the same."""
    with contextlib.suppress(BrokenPipeError):
        sys.stdout.write(text + "\n")


def put_line(text: str) -> None:
    """Print one line with names from files, which may hold anything, such as signs that a terminal obeys."""
    put("".join(letter if letter.isprintable() else "?" for letter in text))


def say(line: str) -> None:
    """Tell of progress, or of a mistake."""
    sys.stderr.write(line + "\n")
    sys.stderr.flush()
