"""What the command line writes: results to stdout, progress and mistakes to stderr."""

from __future__ import annotations

import contextlib
import os
import sys
import traceback
from pathlib import Path

TRACEBACK = "RETURNFLOW_TRACEBACK"  # environment variable: with a defect, say where it came from


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


def reasons(error: Exception) -> list[str]:
    """Why there is no answer. What nobody foresaw must not end with 1 either: that says a limit is exceeded."""
    from returnflow_geometry.casefile.read import CaseError

    if isinstance(error, CaseError):
        return [f"error: {mistake}" for mistake in error.mistakes]
    from returnflow.resistive.linear import NumericalError
    from returnflow_geometry.fabrication.base.objects import FabricationError
    from returnflow_geometry.mesh.mesher import MeshError
    from returnflow_geometry.model.overlay import ShapeError

    if isinstance(error, MeshError | NumericalError | FabricationError | ShapeError):
        return [f"error: {error}"]
    at = traceback.extract_tb(error.__traceback__)[-1]
    asked = [f"Set {TRACEBACK}=1 to see where it came from."]
    if os.environ.get(TRACEBACK):
        asked = "".join(traceback.format_exception(error)).splitlines()
    return [
        f"error: {type(error).__name__}: {error} (at {Path(at.filename).name}, line {at.lineno}).",
        "This is a defect of returnflow, not of the case. Please report it with these lines.",
        *asked,
    ]
