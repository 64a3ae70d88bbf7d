"""A folder or a zip archive as base name to bytes, from a source that is not trusted."""

from __future__ import annotations

import io
import lzma
import os
import re
import stat
import struct
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits

CHUNK = 1 << 20
END = b"PK\x05\x06"  # end of central directory
END_BYTES = 22
COMMENT = 65535  # bytes, the longest comment after it
ENTRY_BYTES = 1024  # of the central directory per member: far more than names of files take
# Packed files inside are not opened, but for one archive where no board stands beside it: nesting hides size.
PACKED = frozenset((".zip", ".7z", ".rar", ".gz", ".bz2", ".xz", ".tar", ".tgz"))
BOARD = re.compile(rb"%(?:FS|MO|AD)|<(?:\w+:)?IPC-2581")  # what an image, or a file of a whole board, begins with
HEAD = 4096  # bytes in which it stands
# Never fabrication data, and often large.
OTHER = frozenset((".pdf", ".png", ".jpg", ".jpeg", ".gif", ".svg", ".step", ".stp", ".wrl", ".stl", ".xlsx", ".docx"))
# What the zip module is known to raise on damaged archives.
FAULTS = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    OSError,
    RuntimeError,
    ValueError,
    LookupError,
    ArithmeticError,
)


@dataclass(frozen=True, kw_only=True)
class Files:
    """Contents of a folder or archive: base name to bytes, and what was left out and why."""

    name: str
    contents: dict[str, bytes]
    notes: tuple[str, ...] = ()


def read_files(path: Path | str, limits: Limits) -> dict[str, bytes]:
    """
    Read the files of a folder, a zip archive, or one file alone: base name to bytes.

    `open_files` gives the notes too.
    """
    return open_files(path, limits).contents


def open_files(path: Path | str, limits: Limits) -> Files:
    """
    Read the files of a folder, a zip archive, or one file alone.

    Folders inside are gone through; only base names are kept. Nothing is written to disk, links that lead out of the
    folder are not followed. An archive inside is opened where it is the only one and no image of a board stands beside
    it; one inside that is not.

    Parameters
    ----------
    path : Path or str
    limits : Limits

    Raises
    ------
    FabricationError
        If there is no such folder or file, the archive is damaged or encrypted, two different files share a base name,
        or a limit is passed.
    """
    path = Path(path)
    collector = _Collector(Budget(path.name or str(path), limits))
    try:
        if path.is_dir():
            collector.folder(path)
        elif path.is_file():
            data = collector.file(path)
            if data[:2] == b"PK":
                collector.archive(data)
            else:
                collector.keep(path.name, path.name, data)
        else:
            collector.budget.fail("no such folder or file; give a folder, a zip archive or one file.")
        collector.inner()
    except OSError as error:
        collector.budget.fail(f"cannot be read: {error.strerror or type(error).__name__}.")
    if not collector.contents:
        collector.budget.fail("no files in it; give a folder or zip archive with fabrication data.")
    return Files(name=collector.budget.file, contents=collector.contents, notes=tuple(collector.notes))


@dataclass
class _Collector:
    """Files found so far, within the limits."""

    budget: Budget
    contents: dict[str, bytes] = field(default_factory=dict)
    paths: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    seen: int = 0
    total: int = 0
    packed: dict[str, bytes] = field(default_factory=dict)  # zip archives inside
    deep: bool = False  # in one of them

    def folder(self, root: Path) -> None:
        """Go through a folder without leaving it."""
        inside = root.resolve()
        for here, folders, names in os.walk(root, followlinks=False):
            self.budget.time()
            for name in folders:
                if (Path(here) / name).is_symlink():
                    self.notes.append(f"The linked folder {quoted(name)} is not followed.")
            folders[:] = sorted(name for name in folders if not name.startswith((".", "__MACOSX")))
            for name in sorted(names):
                found = Path(here) / name
                if not self.wanted(str(found.relative_to(root))):
                    continue
                try:
                    real = found.resolve(strict=True)
                except (OSError, RuntimeError):
                    self.notes.append(f"{quoted(name)} is a link to nothing.")
                    continue
                if not real.is_relative_to(inside) or not stat.S_ISREG(real.stat().st_mode):
                    self.notes.append(f"{quoted(name)} is a link out of the folder or no plain file; it is left out.")
                    continue
                self.keep(name, str(found.relative_to(root)), self.file(real))

    def archive(self, data: bytes) -> None:
        """Go through a zip archive."""
        self._directory(data)
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                for info in archive.infolist():
                    self.budget.time()
                    if info.filename.endswith("/") or not self.wanted(info.filename):
                        continue
                    if stat.S_ISLNK(info.external_attr >> 16):
                        self.notes.append(f"{quoted(info.filename)} is a link; it is left out.")
                        continue
                    if info.flag_bits & 1:
                        self.budget.fail(f"{quoted(info.filename)} is encrypted; give an archive without a password.")
                    self.keep(base_name(info.filename), info.filename, self._member(archive, info))
        except FabricationError:
            raise
        except FAULTS as error:
            self.budget.fail(f"a damaged zip archive ({type(error).__name__}); pack it again.")

    def _directory(self, data: bytes) -> None:
        """Refuse a list of members too long to be read safely, before it is read."""
        at = data.rfind(END, max(0, len(data) - COMMENT - END_BYTES))
        if at < 0 or len(data) < at + END_BYTES:
            self.budget.fail("a damaged zip archive (no directory at its end); pack it again.")
        size = int.from_bytes(data[at + 12 : at + 16], "little")
        if size > self.budget.limits.members * ENTRY_BYTES:
            self.budget.fail(f"more than {self.budget.limits.members} files; raise the limit if that is meant.")

    def _member(self, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
        # The size an archive states may be a lie: count what comes out.
        parts: list[bytes] = []
        size = 0
        with archive.open(info) as stream:
            while chunk := stream.read(CHUNK):
                size += len(chunk)
                self.count(info.filename, size, len(chunk))
                parts.append(chunk)
        return b"".join(parts)

    def file(self, path: Path) -> bytes:
        """Read one file on disk, no more of it than allowed."""
        with path.open("rb") as stream:
            data = stream.read(self.budget.limits.bytes + 1)
        self.count(path.name, len(data), len(data))
        return data

    def count(self, name: str, size: int, more: int) -> None:
        """Count bytes of one file, and of all."""
        limits = self.budget.limits
        self.budget.time()
        self.total += more
        if size > limits.bytes:
            self.budget.fail(f"{quoted(name)} has more than {limits.bytes} bytes; raise the limit if it is meant.")
        if self.total > limits.total_bytes:
            self.budget.fail(f"more than {limits.total_bytes} bytes in all; raise the limit if that is meant.")

    def wanted(self, name: str) -> bool:
        """Whether a file is looked at, by its name; packed files and documents are noted."""
        self.seen += 1
        if self.seen > self.budget.limits.members:
            self.budget.fail(f"more than {self.budget.limits.members} files; raise the limit if that is meant.")
        base = base_name(name)
        suffix = PurePosixPath(base.lower()).suffix
        if not base:
            self.notes.append(f"A member without a file name ({quoted(name)}) is left out.")
            return False
        if base.startswith(".") or "__MACOSX" in name.replace("\\", "/").split("/"):
            return False
        if suffix in PACKED and (suffix != ".zip" or self.deep):
            self.notes.append(f"{quoted(base)} is an archive inside; it is not opened.")
            return False
        if suffix in OTHER:
            self.notes.append(f"{quoted(base)} is not fabrication data by its name; it is left out.")
            return False
        return True

    def keep(self, base: str, path: str, data: bytes) -> None:
        """Keep one file under its base name."""
        if PurePosixPath(base.lower()).suffix == ".zip":
            self.packed[path] = data
        elif base not in self.contents:
            self.contents[base], self.paths[base] = data, path
        elif self.contents[base] == data:
            self.notes.append(f"{quoted(base)} is there twice with the same content.")
        else:
            where = f"{quoted(self.paths[base])} and {quoted(path)}"
            self.budget.fail(f"two different files are called {quoted(base)}, {where}; keep the one that is meant.")

    def inner(self) -> None:
        """Open the one archive inside, if the board can only be there."""
        board = any(BOARD.search(data[:HEAD]) for data in self.contents.values())
        packed = {path: data for path, data in self.packed.items() if data[:2] == b"PK"}
        if len(packed) == 1 and not board:
            ((path, data),) = packed.items()
            self.deep = True
            self.archive(data)
            self.notes.append(f"The archive inside, {quoted(base_name(path))}, is opened.")
            del self.packed[path]
        why = "a board stands beside it" if board else "there is more than one" if len(packed) > 1 else "it is damaged"
        self.notes += [
            f"{quoted(base_name(path))} is an archive inside; it is not opened, as {why}." for path in self.packed
        ]


def base_name(name: str) -> str:
    r"""
    Last part of a member's path, whichever slashes it has.

    Examples
    --------
    >>> base_name("..\\..\\etc/top.gbr")
    'top.gbr'
    """
    base = name.replace("\\", "/").rpartition("/")[2]
    return "" if base in (".", "..") else base
