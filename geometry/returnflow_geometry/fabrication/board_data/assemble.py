"""Files to board data: read each by what it is, put layers, holes and outline together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import shapely

from returnflow_geometry.fabrication.base.archive import open_files
from returnflow_geometry.fabrication.base.budget import shapes_of
from returnflow_geometry.fabrication.base.objects import (
    Artwork,
    BoardData,
    Drilling,
    FabricationError,
    JobFile,
    LayerCopper,
    Limits,
    Netlist,
    NetPoint,
    StackLayer,
)
from returnflow_geometry.fabrication.base.outline import board_outline
from returnflow_geometry.fabrication.board_data.drawings import drawing_data
from returnflow_geometry.fabrication.board_data.holes import drilled_images, fitting, without_doubles
from returnflow_geometry.fabrication.board_data.layers import (
    Choice,
    UntoldLayersError,
    choose_layers,
    looks_like_gerber,
    own_attributes,
)
from returnflow_geometry.fabrication.board_data.proposal import Proposal, propose
from returnflow_geometry.fabrication.drill.program import looks_like_drill, read_drill
from returnflow_geometry.fabrication.dxf.drawing_file import looks_like_dxf, read_dxf
from returnflow_geometry.fabrication.gerber.image import read_gerber
from returnflow_geometry.fabrication.ipc2581.document import looks_like_ipc2581, read_ipc2581
from returnflow_geometry.fabrication.texts.jobfile import looks_like_job, read_job
from returnflow_geometry.fabrication.texts.netlist import looks_like_netlist, read_netlist
from returnflow_geometry.fabrication.texts.parts_list import PartsList, looks_like_parts, read_parts
from returnflow_geometry.fabrication.texts.placement import Placement, looks_like_placement, read_placement
from returnflow_geometry.model.board import GRID, Shape
from returnflow_geometry.model.numbers import percent, square_millimetres
from returnflow_geometry.model.overlay import difference, intersection, union_all
from returnflow_geometry.model.wording import brief, listed

_Read = TypeVar("_Read", JobFile, Netlist, PartsList, Placement)
MOST_OUTSIDE = 0.5  # of all copper: with more, the outline is not the board's
LEAST_OUTSIDE = 1e-8  # m2: less copper than 0.01 mm2 outside the outline is not worth a word


@dataclass
class _Sorted:
    """Files by what they look like."""

    gerber: dict[str, bytes] = field(default_factory=dict)
    drill: dict[str, bytes] = field(default_factory=dict)
    netlist: dict[str, bytes] = field(default_factory=dict)
    job: dict[str, bytes] = field(default_factory=dict)
    parts: dict[str, bytes] = field(default_factory=dict)
    placement: dict[str, bytes] = field(default_factory=dict)
    ipc2581: dict[str, bytes] = field(default_factory=dict)
    dxf: dict[str, bytes] = field(default_factory=dict)
    ignored: list[tuple[str, str]] = field(default_factory=list)


def from_fabrication(
    path: str | Path, limits: Limits | None = None, *, table: Mapping[str, str] | None = None, accept: bool = False
) -> BoardData:
    """
    Read a board from fabrication files.

    Parameters
    ----------
    path : str or Path
        A folder or a zip archive of image, drill, netlist and job files; or one IPC-2581 or DXF file.
    limits : Limits, optional
        What each file may use up.
    table : mapping of str to str, optional
        From a case: file name to ``L1``, ``L2``, ..., ``outline``, ``drill`` or ``ignore``.
    accept : bool
        Where no image file says what it is, take what their names and contents suggest.

    Returns
    -------
    data : BoardData

    Raises
    ------
    FabricationError
        If a needed file cannot be used; the message names it.
    """
    limits = limits or Limits()
    files = open_files(path, limits)
    data = board_data(files.contents, limits, table=table, origin=files.name, accept=accept)
    return replace(data, notes=(*data.notes, *files.notes))


def board_data(
    files: Mapping[str, bytes],
    limits: Limits | None = None,
    *,
    table: Mapping[str, str] | None = None,
    origin: str = "fabrication data",
    accept: bool = False,
) -> BoardData:
    """Read a board from the contents of files by base name; see `from_fabrication`."""
    with shapes_of(brief(origin)):
        return _board(files, limits or Limits(), table, origin, accept=accept)


def _board(
    files: Mapping[str, bytes], limits: Limits, table: Mapping[str, str] | None, origin: str, *, accept: bool
) -> BoardData:
    found = _sort(files)
    if found.gerber and (found.ipc2581 or found.dxf):
        found.ignored += [
            (file, "the image files beside it are used; name this file itself to read it")
            for file in (*found.ipc2581, *found.dxf)
        ]
    elif found.ipc2581 or found.dxf:
        return _single(found, limits, table)
    if not found.gerber:
        what = f"has {listed(files)}" if files else "has no files"
        message = f"{what}; a board needs Gerber image files, an IPC-2581 file or a DXF file; name the right folder"
        raise FabricationError(brief(origin), message)
    return _set(found, limits, table, tuple(files), accept=accept)


def _sort(files: Mapping[str, bytes]) -> _Sorted:
    found = _Sorted()
    for file, data in sorted(files.items()):
        if looks_like_ipc2581(data):
            found.ipc2581[file] = data
        elif looks_like_job(data):
            found.job[file] = data
        elif looks_like_netlist(data):
            found.netlist[file] = data
        elif looks_like_drill(data):
            found.drill[file] = data
        elif looks_like_gerber(data):
            found.gerber[file] = data
        elif looks_like_dxf(data):
            found.dxf[file] = data
        elif looks_like_placement(data):
            found.placement[file] = data
        elif looks_like_parts(data):
            found.parts[file] = data
        else:
            found.ignored.append((file, "of no kind that is read"))
    return found


def _single(found: _Sorted, limits: Limits, table: Mapping[str, str] | None) -> BoardData:
    """One file that says everything."""
    candidates = found.ipc2581 or found.dxf
    if len(candidates) > 1:
        first = next(iter(candidates))
        message = (
            f"stands beside others that describe a whole board, {listed(candidates)}; one is read; name one of them"
        )
        raise FabricationError(first, message)
    ((file, content),) = candidates.items()
    if found.ipc2581:
        if table:
            message = (
                f"names its layers itself; what the case says of {listed(table)} is for image files and drawings; "
                "remove it"
            )
            raise FabricationError(file, message)
        data = read_ipc2581(content, file, limits)
    else:
        with shapes_of(file):
            data = drawing_data(read_dxf(content, file, limits), table)
    others = [name for kind in (found.dxf, found.drill, found.netlist, found.job) for name in kind if name != file]
    ignored = [*found.ignored, *((name, f"{file} describes the whole board") for name in others)]
    order = data.order or f"the stackup in {file}"
    used = data.used or ((file, "the whole board"),)
    if data.outline is not None:
        _one_board(data.outline, file)
    return _within_outline(replace(data, ignored=(*data.ignored, *ignored), order=order, used=used))


def _chosen(
    found: _Sorted, jobs: list[JobFile], wanted: Mapping[str, str], limits: Limits, *, accept: bool
) -> tuple[Choice, Proposal | None]:
    """What the image files are; where they do not say it, what is proposed, taken or in the message."""
    own = {file: own_attributes(data) for file, data in found.gerber.items()}
    try:
        return choose_layers(own, jobs, wanted), None
    except UntoldLayersError as error:
        proposal = propose(found.gerber, limits)
        if not proposal.table:
            raise
        if not accept:
            message = (
                "no file says that it is copper. By their names and contents they are "
                f"{proposal.text()}. Look it through, then import again with --accept-layers, or put the table at the "
                "top of the case"
            )
            raise FabricationError(error.file, message) from None
    return choose_layers(own, jobs, {**proposal.table, **wanted}), proposal


def _set(
    found: _Sorted, limits: Limits, table: Mapping[str, str] | None, files: tuple[str, ...], *, accept: bool
) -> BoardData:
    """A set of image files with what stands beside them."""
    notes: list[str] = []
    ignored = list(found.ignored)
    used: list[tuple[str, str]] = []
    jobs = [job for file, data in found.job.items() if (job := _optional(read_job, data, file, limits, ignored))]
    used += [(job.file, "stackup and what the files are") for job in jobs]
    wanted = dict(table or {})
    for file in [file for file in found.drill if wanted.get(file, "").strip().lower() in {"ignore", "drill"}]:
        if wanted.pop(file).strip().lower() == "ignore":
            ignored.append((file, "the case says so"))
            del found.drill[file]
    choice, proposal = _chosen(found, jobs, wanted, limits, accept=accept)
    if proposal is not None:
        notes += [f"{brief(file)} is taken as {proposal.table[file]}: {why}." for file, why in proposal.reasons.items()]
    ignored += choice.ignored
    images = {
        file: read_gerber(found.gerber[file], file, limits)
        for file in (*choice.coppers, *choice.outlines, *choice.drills)
    }
    used += [(file, f"copper L{k}") for k, file in enumerate(choice.coppers, start=1)]
    used += [(file, "outline") for file in choice.outlines]
    outline, joining = _outline(choice, images, notes)
    layers = tuple(_layer(k, images[file], outline) for k, file in enumerate(choice.coppers, start=1))
    netlists = [
        item for file, data in found.netlist.items() if (item := _optional(read_netlist, data, file, limits, ignored))
    ]
    points = _points(netlists, used, ignored)
    lists = [it for file, data in found.parts.items() if (it := _optional(read_parts, data, file, limits, ignored))]
    used += [(item.file, f"parts, from its columns {listed(item.columns)}") for item in lists]
    placements = [
        put for file, data in found.placement.items() if (put := _optional(read_placement, data, file, limits, ignored))
    ]
    used += [(item.file, f"places of parts, from its columns {listed(item.columns)}") for item in placements]
    notes += [note for item in placements for note in item.notes]
    places = [pad.at for layer in layers for pad in layer.pads] + [point.at for point in points if point.drill]
    drillings = [read_drill(data, file, limits) for file, data in found.drill.items()]
    drillings += [drilled_images(images[file], function) for file, function in choice.drills.items()]
    used += [(drilling.file, "holes") for drilling in drillings]
    contradictions = list(choice.contradictions)
    holes, hits = [], []
    for drilling in drillings:
        fitted = fitting(drilling, layers, contradictions, places)
        holes.append(fitted.holes)
        notes += fitted.notes
        hits += [(drilling.file, fitted.rate)] if fitted.rate is not None else []
    if not drillings:
        notes.append("No file gives any holes: layers are not connected.")
    kept = without_doubles(holes, notes)
    read: list[Artwork | Drilling | Netlist | JobFile] = [*images.values(), *drillings, *netlists, *jobs]
    notes += [f"{item.file}: {note}" for item in read for note in item.notes]
    data = BoardData(
        files=files,
        outline=outline,
        layers=layers,
        stackup=_stackup(jobs, ignored),
        holes=kept,
        points=points,
        notes=tuple(notes),
        used=tuple(used),
        ignored=tuple(ignored),
        order=choice.order,
        joining=joining,
        hits=tuple(hits),
        contradictions=tuple(contradictions),
        proposed=() if proposal is None else tuple(proposal.table.items()),
        parts=tuple(pair for item in lists for pair in item.parts.items()),
        placed=tuple(part for item in placements for part in item.parts),
    )
    return _within_outline(data, drawn_by_hand=False)


def _optional(
    read: Callable[[bytes, str, Limits], _Read], data: bytes, file: str, limits: Limits, ignored: list[tuple[str, str]]
) -> _Read | None:
    """Read a file that the board can do without; say why if it cannot be used."""
    try:
        return read(data, file, limits)
    except FabricationError as error:
        ignored.append((file, f"cannot be used: {str(error).removeprefix(f'{error.file}: ')}"))
        return None


def _points(
    netlists: list[Netlist], used: list[tuple[str, str]], ignored: list[tuple[str, str]]
) -> tuple[NetPoint, ...]:
    if not netlists:
        return ()
    used.append((netlists[0].file, "netlist"))
    ignored += [(item.file, f"one netlist is used, {netlists[0].file}") for item in netlists[1:]]
    return netlists[0].points


def _stackup(jobs: list[JobFile], ignored: list[tuple[str, str]]) -> tuple[StackLayer, ...]:
    given = [job for job in jobs if job.layers]
    ignored += [(job.file, f"its stackup is not used, that of {given[0].file} is") for job in given[1:]]
    return given[0].layers if given else ()


def _outline(choice: Choice, images: Mapping[str, Artwork], notes: list[str]) -> tuple[Shape | None, float | None]:
    if not choice.outlines:
        notes.append("No file gives the board's outline.")
        return None, None
    file = choice.outlines[0]
    with shapes_of(file):
        return _drawn_outline(choice, images, file, notes)


def _drawn_outline(
    choice: Choice, images: Mapping[str, Artwork], file: str, notes: list[str]
) -> tuple[Shape, float | None]:
    strokes = tuple(stroke for name in choice.outlines for stroke in images[name].strokes)
    if not strokes:
        areas = [area for name in choice.outlines for area in images[name].nets.values()]
        if not areas:
            message = "is the outline and draws nothing; an outline is one closed line; check the file"
            raise FabricationError(file, message)
        return _one_board(union_all(areas), file), None
    shape, tolerance, said = board_outline(strokes, file)
    notes += [f"{file}: {note}" for note in said]
    return _one_board(shape, file), tolerance


def _one_board(shape: Shape, file: str) -> Shape:
    pieces = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    if len(pieces) > 1:
        message = (
            f"encloses {len(pieces)} separate areas, as a panel of several boards does; one board is read; "
            "export the single board"
        )
        raise FabricationError(file, message)
    return shape


def _layer(number: int, image: Artwork, outline: Shape | None) -> LayerCopper:
    name = f"L{number}"
    if not image.negative:
        strokes = tuple(zip(image.strokes, image.stroke_widths, strict=True))
        return LayerCopper(name=name, nets=dict(image.nets), pads=image.pads, strokes=strokes)
    if outline is None:
        message = (
            "is a negative image, which shows what is not copper; then the copper is the outline minus what is drawn, "
            "and no file gives the outline; add it"
        )
        raise FabricationError(image.file, message)
    with shapes_of(image.file):
        drawn = union_all(list(image.nets.values()))
        return LayerCopper(name=name, nets={"": difference(outline, drawn)}, pads=())


def _within_outline(data: BoardData, *, drawn_by_hand: bool = True) -> BoardData:
    """Cut off what lies beyond the board's border, where the board is routed away."""
    if data.outline is None:
        return data
    edge = shapely.buffer(data.outline, GRID, quad_segs=1)
    shapely.prepare(edge)
    layers, notes = [], []
    every = sum(area.area for layer in data.layers for area in layer.nets.values())
    outside = 0.0
    for layer in data.layers:
        nets, lost = {}, 0.0
        for net, area in layer.nets.items():
            if edge.covers(area):
                nets[net] = area
                continue
            inside = intersection(area, data.outline)
            lost += area.area - inside.area
            if not inside.is_empty:
                nets[net] = inside
        outside += lost
        if lost > LEAST_OUTSIDE:
            notes.append(f"{layer.name}: {square_millimetres(lost)} of copper beyond the outline are cut off.")
        layers.append(replace(layer, nets=nets))
    if outside > MOST_OUTSIDE * every and not drawn_by_hand:
        file = next((file for file, what in data.used if what == "outline"), data.origin)
        message = (
            f"leaves {percent(outside / every)} of the copper outside the outline, as where it draws the frame of a "
            "panel, or is of another board; one board is read; export the single board, or name the file of its outline"
        )
        raise FabricationError(file, message)
    return replace(data, layers=tuple(layers), notes=(*data.notes, *notes))
