"""Results as files: result.json, fields.vtu, pictures and report, complete or not at all."""

from __future__ import annotations

import contextlib
import itertools
import shutil
import tempfile
from pathlib import Path

from returnflow.advice.study import Study
from returnflow.pictures.jobs import draw
from returnflow.pictures.lettering import slug
from returnflow.pictures.vtu import MARK, field_mesh
from returnflow.report.page import report_html
from returnflow.report.record import to_dict, to_json
from returnflow.resistive.linear import Progress

__all__ = ["field_mesh", "place_files", "to_dict", "to_json", "write_all"]

MARK_WITHIN = 4096  # bytes
KINDS = ("board", "flow", "coupling", "placement", "strip", "spectrum", "compare", "sweep")
STALE = ("board.png", "fields.vtu", *(f"{kind}-*.png" for kind in KINDS))


def write_all(study: Study, directory: Path, progress: Progress | None = None) -> list[Path]:
    """
    Write every file of a study into a directory: all of them, or on any failure none.

    Files of an earlier run are replaced; pictures it had and this one has not are removed, lest they be taken for
    results of this one. Files of others are never touched.

    Parameters
    ----------
    study : Study
    directory : Path
        Made if it does not exist.
    progress : function of one string, optional

    Returns
    -------
    paths : list of Path
        report.html and result.json, pictures of all variants together, then per variant its pictures and fields.vtu.

    Raises
    ------
    FileExistsError
        If a file by the name of one of ours is not one of ours.
    OSError
        If something cannot be written.
    """
    say = progress or (lambda _: None)
    drawn = draw(study, say)
    say("report")
    taken: set[str] = set()
    several = len(study.variants) > 1
    folders = {name: Path(slug(name, taken)) if several else Path() for name in study.variants}
    content: dict[Path, bytes] = {
        Path("report.html"): report_html(study, drawn.pictures, drawn.shared).encode(),
        Path("result.json"): to_json(study).encode(),
    }
    content |= {Path(picture.file): picture.png for picture in drawn.shared}
    for name, folder in folders.items():
        content |= {folder / picture.file: picture.png for picture in drawn.pictures[name]}
        content[folder / "fields.vtu"] = drawn.fields[name]
    place_files(content, directory)
    return [directory / relative for relative in content]


def place_files(content: dict[Path, bytes], directory: Path) -> None:
    """
    Put files into a directory, all of them or none.

    They are written beside their places first; only when all are complete are they moved, and if a move fails,
    those before it are undone.

    Parameters
    ----------
    content : dict of relative path to bytes
    directory : Path
    """
    directory = directory.resolve()
    for relative in content:
        if not is_ours(directory / relative):
            message = f"exists and was not written by returnflow ({relative})"
            raise FileExistsError(17, message, str(directory / relative))
    made = _make_parents(directory)
    try:
        # Beside the files it becomes: a rename within one file system cannot be half done.
        stage = Path(tempfile.mkdtemp(prefix=".returnflow-", dir=directory if directory.is_dir() else directory.parent))
        try:
            fresh, old = stage / "fresh", stage / "old"
            for relative, data in content.items():
                (fresh / relative).parent.mkdir(parents=True, exist_ok=True)
                (fresh / relative).write_bytes(data)
            if directory.is_dir():
                _swap(list(content), fresh, old, directory)
            else:
                fresh.rename(directory)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except BaseException:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _swap(relatives: list[Path], fresh: Path, old: Path, directory: Path) -> None:
    """Move fresh files in and old ones of ours out; undo everything if one move fails."""
    # Folders that a variant of an earlier run had are known by the fields in them.
    folders = {relative.parent for relative in relatives}
    folders |= {path.parent.relative_to(directory) for path in directory.glob("*/fields.vtu") if is_ours(path)}
    stale = [
        path.relative_to(directory)
        for folder in folders
        for pattern in STALE
        for path in (directory / folder).glob(pattern)
        if path.relative_to(directory) not in relatives and is_ours(path)
    ]
    undo: list[tuple[Path, Path]] = []
    made: list[Path] = []
    try:
        for relative in (*stale, *relatives):
            target = directory / relative
            made += _make_parents(target.parent / "x")
            if target.exists():
                (old / relative).parent.mkdir(parents=True, exist_ok=True)
                target.rename(old / relative)
                undo.append((old / relative, target))
            if relative not in stale:
                (fresh / relative).rename(target)
                undo.append((target, fresh / relative))
    except BaseException:
        for source, target in reversed(undo):
            source.replace(target)
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    for folder in {relative.parent for relative in stale} - {relative.parent for relative in relatives}:
        with contextlib.suppress(OSError):  # somebody else's files in it stay, and so does it
            (directory / folder).rmdir()


def is_ours(path: Path) -> bool:
    """Whether we may replace what is at a path: nothing, or a file that names us near its start."""
    if not path.exists() and not path.is_symlink():
        return True
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return MARK in file.read(MARK_WITHIN)


def _make_parents(path: Path) -> list[Path]:
    """Make the folders above a path; return those that were missing, outermost first."""
    missing = list(itertools.takewhile(lambda folder: not folder.exists(), path.parents))[::-1]
    for folder in missing:
        folder.mkdir()
    return missing
