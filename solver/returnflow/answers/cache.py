"""
Solutions kept in a folder from one run to the next, by what they depend on.

A solution is found again only for the same board, the same options, the same program and the same libraries. A file
that is damaged, or holds anything but what a solution is made of, counts as none.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import io
import os
import pickle
import platform
import tempfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from returnflow.answers.frequency import wants_frequencies
from returnflow.answers.rescale import Signature
from returnflow_geometry.model.board import Case

HEAD = b"returnflow solution\n"
ENDING = ".solution"
# What solutions are made of: data classes of ours, matrices, elements and shapes of libraries, and what makes arrays.
OURS = ("returnflow.", "returnflow_geometry.")
CLASSES = ("scipy.sparse.", "skfem.", "shapely.geometry.", "numpy.dtypes")
NAMED = {
    "builtins": {"slice", "complex", "set", "frozenset", "bytearray", "range"},
    "numpy": {"ndarray", "dtype"},
    "shapely.io": {"from_wkb"},
}
NAMED |= {f"numpy.{core}.multiarray": {"_reconstruct", "scalar"} for core in ("_core", "core")}
NAMED |= {f"numpy.{core}.numeric": {"_frombuffer"} for core in ("_core", "core")}
LIBRARIES = ("numpy", "scipy", "scikit-fem", "shapely", "pythoncdt")


class NotKeptError(Exception):
    """Why a solution could not be kept or read."""


@dataclass(frozen=True)
class Kept:
    """
    Solutions kept in a folder.

    Attributes
    ----------
    folder : Path
        Made if it is missing. It may be emptied at any time.
    """

    folder: Path

    def key(self, board: Signature, cases: Sequence[Case], *more: object) -> str:
        """What a solution is kept by: all that it depends on, the program itself among it."""
        # At 0 Hz alone a limit that is left undecided is solved on: then currents and limits count.
        loops = () if wants_frequencies(cases[0]) else tuple(case.loops for case in cases)
        told = hashlib.sha256()
        for part in (board, loops, more, program()):
            _tell(part, told.update)
        return told.hexdigest()

    def find(self, key: str) -> Any:
        """
        Solution of a key; None if there is none.

        Raises
        ------
        NotKeptError
            If it cannot be read.
        """
        try:
            whole = (self.folder / (key + ENDING)).read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            message = f"it cannot be read ({error.strerror})"
            raise NotKeptError(message) from error
        size = len(HEAD) + hashlib.sha256().digest_size
        told, packed = whole[len(HEAD) : size], whole[size:]
        if whole[: len(HEAD)] != HEAD or hashlib.sha256(packed).digest() != told:
            message = "it is damaged"
            raise NotKeptError(message)
        try:
            return _Reader(io.BytesIO(zlib.decompress(packed))).load()
        except Exception as error:  # whatever a file that somebody else wrote may raise
            message = f"it holds something else ({error})"
            raise NotKeptError(message) from error

    def keep(self, key: str, found: object) -> None:
        """
        Keep a solution, whole or not at all.

        Raises
        ------
        NotKeptError
            If it cannot be written.
        """
        packed = zlib.compress(pickle.dumps(found, protocol=5), 1)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.folder, suffix=".part")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(HEAD + hashlib.sha256(packed).digest() + packed)
                Path(name).replace(self.folder / (key + ENDING))
            except BaseException:
                Path(name).unlink(missing_ok=True)
                raise
        except OSError as error:
            message = f"it cannot be written ({error.strerror})"
            raise NotKeptError(message) from error


@functools.cache
def program() -> tuple[str, ...]:
    """The program, by what its modules say, and the versions of what its numbers rest on."""
    told = hashlib.sha256()
    for package in ("returnflow", "returnflow_geometry"):
        for name, text in sorted(_modules(files(package), package)):
            told.update(name.encode() + b"\0" + text + b"\0")
    return (told.hexdigest(), platform.python_version(), *(importlib.metadata.version(name) for name in LIBRARIES))


def _modules(folder: Traversable, name: str) -> list[tuple[str, bytes]]:
    found = []
    for item in folder.iterdir():
        if item.is_dir():
            found += _modules(item, f"{name}/{item.name}")
        elif item.name.endswith(".py"):
            found.append((f"{name}/{item.name}", item.read_bytes()))
    return found


class _Reader(pickle.Unpickler):
    """Reads what solutions are made of, and nothing that could do anything else."""

    def find_class(self, module: str, name: str) -> Any:
        if name in NAMED.get(module, ()):
            return super().find_class(module, name)
        if module.startswith((*OURS, *CLASSES)) and "." not in name:
            found = super().find_class(module, name)
            if isinstance(found, type) and (is_dataclass(found) or not module.startswith(OURS)):
                return found
        message = f"{module}.{name}"
        raise pickle.UnpicklingError(message)


def _tell(value: object, say: Any) -> None:
    """Say a value, so that no two different ones sound alike."""
    if is_dataclass(value) and not isinstance(value, type):
        _tell((type(value).__name__, *((part.name, getattr(value, part.name)) for part in fields(value))), say)
    elif isinstance(value, (tuple, list)):
        say(b"(%d" % len(value))
        for part in value:
            _tell(part, say)
    elif isinstance(value, np.ndarray):
        _tell((str(value.dtype), value.shape, value.tobytes()), say)
    elif isinstance(value, shapely.Geometry):
        _tell(shapely.to_wkb(value), say)
    elif isinstance(value, bytes):
        say(b"b%d:" % len(value) + value)
    elif value is None or isinstance(value, (str, bool, int, float, np.generic)):
        text = f"{type(value).__name__} {value!r}".encode()
        say(b"v%d:" % len(text) + text)
    else:
        message = f"What a solution depends on holds a {type(value).__name__}, which cannot be told."
        raise TypeError(message)
