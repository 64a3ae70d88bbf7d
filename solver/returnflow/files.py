"""Results as files: result.json, fields.vtu, pictures and report, complete or not at all."""

from __future__ import annotations

import contextlib
import itertools
import shutil
import tempfile
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import meshio
import numpy as np

from returnflow import coupling
from returnflow.conductors import copper_numbers
from returnflow.plots import Picture, pictures
from returnflow.plots_text import slug
from returnflow.record import to_dict, to_json
from returnflow.report import report_html
from returnflow.result import Result
from returnflow.study import Study
from returnflow.tables import region_names

Report = Callable[[str], None]

__all__ = ["field_mesh", "place_files", "to_dict", "to_json", "write_all"]

MARK = b"returnflow"  # near the start of every file we write; files without it are somebody else's
MARK_WITHIN = 4096  # bytes
STALE = ("board.png", "flow-*.png", "coupling-*.png", "placement-*.png", "strip-*.png", "spectrum-*.png", "fields.vtu")


def field_mesh(result: Result) -> meshio.Mesh:
    """
    Fields on the triangles of all coppers, each at its own height, for viewers of finite-element results.

    Cell data: ``copper`` its number; ``K <loop>`` sheet current at the centroid in A/m per ampere (mean of the two
    sides); ``coupling <loop> x <noisy loop>`` integrand of the transfer resistance in ohm/m², whose sum over areas is
    the mid value; ``region <name>`` 1 inside. Point data: ``potential <loop>`` in volts per ampere.
    """
    solution, mesh = result.whole, result.whole.mesh
    flat = np.zeros((len(mesh.triangles), 3))
    cells: dict[str, list[Any]] = {}
    points: dict[str, Any] = {}
    for j, loop in enumerate(result.case.loops):
        K = flat.copy()
        K[:, :2] = solution.current(j).mean(axis=1)
        cells[f"K {loop.name}"] = [K]
        potential = np.zeros(len(mesh.points))
        potential[mesh.triangles] = solution.potential[solution.space.local[:, :3], j]
        points[f"potential {loop.name}"] = potential
    for budget in (*result.sensitive, *result.cables):
        for part in budget.contributions:
            density = coupling.coupling_density(solution, result.index(budget.loop), result.index(part.loop))
            cells[f"coupling {budget.loop} x {part.loop}"] = [density]
    for row, name in zip(mesh.region_triangles, region_names(result), strict=True):
        cells[f"region {name}"] = [row.astype(np.uint8)]
    copper = copper_numbers(mesh)
    cells["copper"] = [copper]
    names, board = result.conductors.names, result.case.board
    depth = np.array([board.height(board.copper(names[0]).layer, name) for name in names])
    height = np.zeros(len(mesh.points))
    height[mesh.triangles] = depth[copper, None]
    places = np.column_stack([mesh.points, height])
    return meshio.Mesh(places, [("triangle", mesh.triangles)], point_data=points, cell_data=cells)


def write_all(study: Study, directory: Path, report_progress: Report | None = None) -> list[Path]:
    """
    Write every file of a study into a directory: all of them, or on any failure none.

    Files of an earlier run are replaced; pictures it had and this one has not are removed, lest they be taken for
    results of this one. Files of others are never touched.

    Parameters
    ----------
    study : Study
    directory : Path
        Made if it does not exist.
    report_progress : function of one string, optional

    Returns
    -------
    paths : list of Path
        report.html and result.json, then per variant its pictures and fields.vtu.

    Raises
    ------
    FileExistsError
        If a file by the name of one of ours is not one of ours.
    OSError
        If something cannot be written.
    """
    say = report_progress or (lambda _: None)
    drawn: dict[str, list[Picture]] = {}
    folders: dict[str, Path] = {}
    taken: set[str] = set()
    for name, result in study.variants.items():
        folders[name] = Path(slug(name, taken)) if len(study.variants) > 1 else Path()
        drawn[name] = pictures(result, say)
    say("report and fields")
    content: dict[Path, bytes] = {
        Path("report.html"): report_html(study, drawn).encode(),
        Path("result.json"): to_json(study).encode(),
    }
    with tempfile.TemporaryDirectory() as scratch:
        for name, result in study.variants.items():
            for picture in drawn[name]:
                content[folders[name] / picture.file] = picture.png
            content[folders[name] / "fields.vtu"] = _vtu_bytes(result, Path(scratch) / "fields.vtu")
    place_files(content, directory)
    return [directory / relative for relative in content]


def _vtu_bytes(result: Result, scratch: Path) -> bytes:
    mesh = field_mesh(result)
    # The writer puts names into its XML as they are.
    mesh.point_data = {escape(name): data for name, data in mesh.point_data.items()}
    mesh.cell_data = {escape(name): data for name, data in mesh.cell_data.items()}
    meshio.write(scratch, mesh, file_format="vtu")
    first, rest = scratch.read_bytes().split(b"\n", 1)
    return first + b"\n<!-- " + MARK + b" -->\n" + rest


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
    folders = {relative.parent for relative in relatives}
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
