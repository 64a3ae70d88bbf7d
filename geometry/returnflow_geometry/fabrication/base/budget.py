"""What a reader has used up of its limits, checked as it goes: files are untrusted."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import wraps
from typing import Concatenate, NoReturn, ParamSpec, TypeVar

from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError, Limits
from returnflow_geometry.model import overlay

EVERY = 256  # objects between two looks at the clock
SHOWN = 60  # characters of a file's own text in a message
_Rest = ParamSpec("_Rest")
_Result = TypeVar("_Result")


class Budget:
    """
    Counts one reader's bytes, objects, vertices and seconds.

    Parameters
    ----------
    file : str
        Base name, for messages.
    limits : Limits
    """

    def __init__(self, file: str, limits: Limits) -> None:
        self.file = file
        self.limits = limits
        self._objects = 0
        self._vertices = 0
        self._looks = 0
        self._end = time.monotonic() + limits.seconds

    def fail(self, message: str) -> NoReturn:
        """Raise a `FabricationError` with the file's name in front."""
        raise FabricationError(self.file, message)

    def data(self, data: bytes) -> None:
        """Refuse a file of more bytes than allowed."""
        if len(data) > self.limits.bytes:
            self.fail(
                f"{len(data)} bytes, more than the limit of {self.limits.bytes}; raise the limit if the file is meant."
            )

    def objects(self, count: int = 1) -> None:
        """Count objects, after repetition, before they are made."""
        self._objects += count
        if self._objects > self.limits.objects:
            self.fail(f"more than {self.limits.objects} objects; raise the limit if the file is meant.")
        self.clock()

    def vertices(self, count: int) -> None:
        """Count points of outlines and paths before they are made."""
        self._vertices += count
        if self._vertices > self.limits.vertices:
            self.fail(f"more than {self.limits.vertices} points; raise the limit if the file is meant.")

    def clock(self) -> None:
        """Look at the clock now and then."""
        self._looks += 1
        if self._looks % EVERY == 0:
            self.time()

    def time(self) -> None:
        """Look at the clock now."""
        if time.monotonic() > self._end:
            self.fail(f"not read within {self.limits.seconds:g} s; raise the limit if the file is meant.")


def shapes_of(file: str) -> AbstractContextManager[None]:
    """Turn what the geometry library cannot do with a file's shapes into a `FabricationError` that names the file."""
    return overlay.shapes_of(file, FabricationError)


def names_data(
    function: Callable[Concatenate[BoardData, _Rest], _Result],
) -> Callable[Concatenate[BoardData, _Rest], _Result]:
    """Make a function of board data name that data where its shapes cannot be combined; see `shapes_of`."""

    @wraps(function)
    def named(data: BoardData, /, *arguments: _Rest.args, **options: _Rest.kwargs) -> _Result:
        with shapes_of(data.origin):
            return function(data, *arguments, **options)

    return named


def text_of(data: bytes) -> str:
    """
    Bytes as text: UTF-8, else Latin-1, which takes any bytes.

    Examples
    --------
    >>> text_of("µ".encode("latin-1"))
    'µ'
    """
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def quoted(text: str) -> str:
    """
    Give a piece of a file for a message: printable, short, in quotation marks.

    Examples
    --------
    >>> quoted("T1C0.3" + 100 * "x")
    "'T1C0.3xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...'"
    """
    shown = text if len(text) <= SHOWN else text[:SHOWN] + "..."
    return ascii(shown)
