"""Results as files: the numbers first, then fields, pictures and report; each step complete or not at all."""

from __future__ import annotations

import contextlib
import itertools
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from returnflow.advice.study import Study
from returnflow.pictures.jobs import DrawnStudy, draw
from returnflow.pictures.lettering import slug
from returnflow.pictures.picture import PictureKind
from returnflow.pictures.vtu import MARK, field_mesh
from returnflow.report.page import bare_html, details_html, report_html
from returnflow.report.record import numbers, to_dict, to_json
from returnflow.resistive.linear import Progress
from returnflow.words.variant_text import recommended_text

__all__ = ["field_mesh", "place_files", "to_dict", "to_json", "write_all"]

MARK_WITHIN = 4096  # bytes
MADE = ("report.html", "details.html", "recommended.toml", "board.png", "fields.vtu")
OURS = tuple(Path(name) for name in ("result.json", "study.npz", *MADE))
KINDS = get_args(PictureKind)
STALE = (*MADE, *(f"{kind}-*.png" for kind in KINDS))
STOPPED = "Interrupted while pictures were drawn: there are none."


@dataclass(frozen=True)
class Written:
    """Files that were written, and what could not be made, and why."""

    paths: list[Path]
    failed: list[str]
    stopped: bool = False


def write_all(study: Study, directory: Path, progress: Progress | None = None, *, brief: bool = False) -> Written:
    """
    Write every file of a study into a directory: the numbers first, then what shows them.

    Pictures or pages that cannot be made are named in the report and in what is returned; the numbers stand. Files of
    an earlier run are replaced; what it had and this one has not is removed, lest it be taken for results of this one.
    Files of others are never touched.

    Parameters
    ----------
    study : Study
    directory : Path
        Made if it does not exist.
    progress : function of one string, optional
    brief : bool
        Leave out details.html, the pictures that only it shows, and of study.npz the fields that maps are drawn from.

    Raises
    ------
    FileExistsError
        If a file by the name of one of ours is not one of ours.
    OSError
        If something cannot be written.
    """
    say = progress or (lambda _: None)
    check_directory(directory)
    content = numbers(study, fields=not brief)
    place_files(content, directory)
    say("numbers are written")
    stopped = False
    try:
        drawn = draw(study, say, brief=brief)
    except KeyboardInterrupt:
        drawn, stopped = DrawnStudy(failed=(STOPPED,)), True
    except Exception as error:
        drawn = DrawnStudy(failed=(f"No picture could be drawn ({_told(error)}).",))
    say("report")
    failed = list(drawn.failed)
    text = ""
    try:
        text = recommended_text(study)
    except Exception as error:
        failed.append(f"recommended.toml could not be made ({_told(error)}).")
    if not brief:
        try:
            content[Path("details.html")] = details_html(study, drawn.pictures, drawn.shared).encode()
        except Exception as error:
            failed.append(f"details.html could not be made ({_told(error)}).")
    try:
        links = {"details": Path("details.html") in content, "tables": bool(text)}
        page = report_html(study, drawn.pictures, drawn.shared, failed=failed, **links)
    except Exception as error:
        failed.append(f"report.html could not be made ({_told(error)}).")
        page = bare_html(study, failed)
    content[Path("report.html")] = page.encode()
    if text:
        content[Path("recommended.toml")] = text.encode()
    taken: set[str] = set()
    several = len(study.variants) > 1
    folders = {name: Path(slug(name, taken)) if several else Path() for name in study.variants}
    content |= {Path(picture.file): picture.png for picture in drawn.shared if picture.png}
    for name, folder in folders.items():
        content |= {folder / picture.file: picture.png for picture in drawn.pictures.get(name, ()) if picture.png}
        if name in drawn.fields:
            content[folder / "fields.vtu"] = drawn.fields[name]
    place_files(content, directory)
    return Written([directory / relative for relative in content], failed, stopped)


def _told(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"


def check_directory(directory: Path) -> None:
    """
    Find out before anything is solved that results could not be written there.

    Raises
    ------
    FileExistsError
        If a file by the name of one of ours is not one of ours.
    OSError
        If it, or the folder that it would be made in, is no directory or cannot be written to.
    """
    _refuse_others(OURS, directory)
    place = next(folder for folder in (directory, *directory.resolve().parents) if folder.exists())
    if not place.is_dir():
        raise NotADirectoryError(20, "is not a directory", str(place))
    try:
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as error:
        raise type(error)(error.errno, error.strerror, str(place)) from None


def _refuse_others(relatives: Iterable[Path], directory: Path) -> None:
    for relative in relatives:
        if not is_ours(directory / relative):
            message = f"exists and was not written by returnflow ({relative})"
            raise FileExistsError(17, message, str(directory / relative))


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
    _refuse_others(content, directory)
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
