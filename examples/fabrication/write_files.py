"""
Write a board as fabrication files: Gerber, XNC drill, IPC-D-356 netlist, Gerber job file, IPC-2581.

    python write_files.py FOLDER

writes the invented board of `demo_board.py` both ways into FOLDER. Tests use the same functions on boards of their own.
Coordinates are written in steps of 1 nm, the finest the format 4.6 in millimetres has.
"""

from __future__ import annotations

import itertools
import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.fabrication.base.objects import BoardData, Hole, LayerCopper
from returnflow_geometry.model.board import Shape

MM = 1000.0
Ring = list[tuple[float, float]]


def write_gerber_set(data: BoardData, folder: Path, *, attributes: bool = True, name: str = "board") -> list[Path]:
    """
    Write one Gerber file per copper layer, the outline, drill files, a netlist and a job file.

    Parameters
    ----------
    data : BoardData
        `nets` of each layer hold all its copper, pads included; `holes` with unknown plating are written as plated.
    folder : Path
        Is made if it does not exist.
    attributes : bool
        False leaves out all attributes in the Gerber and drill files, as old files do.
    name : str
        First part of the file names.

    Returns
    -------
    paths : list of Path
    """
    folder.mkdir(parents=True, exist_ok=True)
    texts: dict[str, str] = {}
    functions: dict[str, str] = {}
    for number, layer in enumerate(data.layers, start=1):
        file = f"{name}-L{number}.gbr"
        functions[file] = f"Copper,L{number},{_side(number, len(data.layers))}"
        texts[file] = copper_gerber(layer, functions[file], attributes=attributes)
    if data.outline is not None:
        file = f"{name}-outline.gbr"
        functions[file] = "Profile,NP"
        texts[file] = outline_gerber(data.outline, attributes=attributes)
    for (plated, span), holes in _groups(data.holes, len(data.layers)).items():
        word = "PTH" if plated and span == (1, len(data.layers)) else "Blind" if plated else "NPTH"
        file = f"{name}-{span[0]}-{span[1]}-{word}.drl"
        function = f"{'Plated' if plated else 'NonPlated'},{span[0]},{span[1]},{word}"
        texts[file] = drill_file(holes, function, attributes=attributes)
    texts[f"{name}.ipc"] = netlist(data)
    texts[f"{name}-job.gbrjob"] = job_file(data, functions)
    for file, text in texts.items():
        (folder / file).write_text(text, encoding="utf-8", newline="\n")
    return [folder / file for file in texts]


def copper_gerber(layer: LayerCopper, function: str, *, attributes: bool = True) -> str:
    """
    One copper layer as Gerber.

    Each area is a dark region with clear regions for its holes. Large outlines come first, so that what lies in a
    hole of another area is drawn after that hole.
    """
    lines = _head(function, attributes=attributes)
    pieces = [(net, part) for net, shape in layer.nets.items() for part in polygons(shape)]
    pieces.sort(key=lambda item: -Polygon(item[1].exterior).area)
    for net, part in pieces:
        if attributes:
            lines.append(f"%TO.N,{_escaped(net)}*%" if net else "%TD.N*%")
        lines += ["%LPD*%", *_region(ring(part.exterior))]
        if part.interiors:
            lines.append("%LPC*%")
            for hole in part.interiors:
                lines += _region(ring(hole))
    lines.append("%LPD*%")
    for code, pad in enumerate(layer.pads, start=10):
        outline = [(x - pad.at[0] * MM, y - pad.at[1] * MM) for x, y in ring(polygons(pad.shape)[0].exterior)]
        corners = ",".join(f"{x:.6f},{y:.6f}" for x, y in [*outline, outline[0]])
        if attributes:
            lines.append("%TA.AperFunction,SMDPad,CuDef*%")
            lines.append(f"%TO.P,{_escaped(pad.refdes)},{_escaped(pad.pin)}*%" if pad.refdes else "%TD.P*%")
            lines.append(f"%TO.N,{_escaped(pad.net)}*%")
        lines += [f"%AMPAD{code}*4,1,{len(outline)},{corners},0*%", f"%ADD{code}PAD{code}*%", f"D{code}*"]
        lines.append(f"{_xy(pad.at[0] * MM, pad.at[1] * MM)}D03*")
    return "\n".join([*lines, "M02*", ""])


def outline_gerber(outline: Shape, *, attributes: bool = True) -> str:
    """Board outline as closed lines of 0.1 mm."""
    lines = [*_head("Profile,NP", attributes=attributes), "%ADD10C,0.100000*%", "D10*"]
    for part in polygons(outline):
        for border in (part.exterior, *part.interiors):
            points = ring(border)
            lines.append(f"{_xy(*points[0])}D02*")
            lines += [f"{_xy(*point)}D01*" for point in [*points[1:], points[0]]]
    return "\n".join([*lines, "M02*", ""])


def drill_file(holes: Iterable[Hole], function: str, *, attributes: bool = True) -> str:
    """Drill file in XNC with decimal coordinates; slots are routed."""
    listed = list(holes)
    tools = {size: f"T{k:02d}" for k, size in enumerate(sorted({hole.diameter for hole in listed}), start=1)}
    lines = ["M48"]
    if attributes:
        lines.append(f"; #@! TF.FileFunction,{function}")
    lines += ["METRIC", *(f"{tool}C{size * MM:.4f}" for size, tool in tools.items()), "%", "G05"]
    for size, tool in tools.items():
        lines.append(tool)
        for hole in listed:
            if hole.diameter != size:
                continue
            points = [f"X{x * MM:.6f}Y{y * MM:.6f}" for x, y in hole.path]
            if len(points) == 1:
                lines.append(points[0])
            else:
                lines += [f"G00{points[0]}", "M15", *(f"G01{point}" for point in points[1:]), "M16", "G05"]
    return "\n".join([*lines, "M30", ""])


def netlist(data: BoardData) -> str:
    """
    IPC-D-356 netlist: one record per pad of a pin and per plated round hole, in steps of 1 um.

    Columns: 1-3 record, 4-17 net, 21-26 part, 27 dash, 28-31 pin, 33-37 drill, 38 plating, 39-41 access, 42-57 place.
    """
    count = len(data.layers)
    lines = ["P  JOB   INVENTED BOARD", "P  UNITS CUST 1"]
    drilled: set[tuple[int, int]] = set()
    for hole in data.holes:
        if hole.plating == "unplated" or len(hole.path) > 1:
            continue
        x, y = (round(float(v) * 1e6) for v in hole.path[0])
        drilled.add((x, y))
        part, pin = (hole.refdes, hole.pin) if hole.refdes else ("VIA", "")
        drill = f"D{round(hole.diameter * 1e6):04d}P"
        lines.append(_record("317", hole.net, part, pin, drill, "A00", x, y))
    for number, layer in enumerate(data.layers, start=1):
        for pad in layer.pads:
            x, y = (round(v * 1e6) for v in pad.at)
            if pad.refdes and (x, y) not in drilled and number in {1, count}:
                lines.append(_record("327", pad.net, pad.refdes, pad.pin, " " * 6, f"A{number:02d}", x, y))
    return "\n".join([*lines, "999", ""])


def job_file(data: BoardData, functions: dict[str, str]) -> str:
    """Gerber job file: stackup, thickness and what each file is."""
    kinds = {"copper": "Copper", "dielectric": "Dielectric", "other": "SolderMask"}
    general: dict[str, Any] = {"ProjectId": {"Name": "invented board"}, "LayerNumber": len(data.layers)}
    if data.outline is not None:
        x0, y0, x1, y1 = data.outline.bounds
        general["Size"] = {"X": round((x1 - x0) * MM, 6), "Y": round((y1 - y0) * MM, 6)}
    if data.stackup and all(layer.thickness is not None for layer in data.stackup):
        general["BoardThickness"] = round(sum(layer.thickness or 0.0 for layer in data.stackup) * MM, 6)
    stackup = []
    for layer in data.stackup:
        row: dict[str, Any] = {"Type": kinds[layer.kind], "Name": layer.name}
        if layer.thickness is not None:
            row["Thickness"] = round(layer.thickness * MM, 6)
        if layer.kind == "dielectric":
            row["DielectricConstant"] = "4.5"
        stackup.append(row)
    content = {
        "Header": {"CreationDate": "2026-01-01T00:00:00+00:00"},
        "GeneralSpecs": general,
        "FilesAttributes": [{"Path": path, "FileFunction": what} for path, what in functions.items()],
        "MaterialStackup": stackup,
    }
    return json.dumps(content, indent=1) + "\n"


def polygons(shape: Shape) -> list[Polygon]:
    """Parts of a shape."""
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and not part.is_empty]


def ring(border: Any) -> Ring:
    """Corners of a ring in mm on the 1 nm grid, without the repeated last one."""
    points = np.round(shapely.get_coordinates(border)[:-1] * MM, 6)
    kept = [tuple(map(float, point)) for point in points]
    return [point for point, following in zip(kept, [*kept[1:], kept[0]], strict=True) if point != following]  # type: ignore[misc]


def _groups(holes: Iterable[Hole], count: int) -> dict[tuple[bool, tuple[int, int]], list[Hole]]:
    found: dict[tuple[bool, tuple[int, int]], list[Hole]] = {}
    for hole in holes:
        found.setdefault((hole.plating != "unplated", hole.span or (1, count)), []).append(hole)
    return found


def _side(number: int, count: int) -> str:
    return "Top" if number == 1 else "Bot" if number == count else "Inr"


def _head(function: str, *, attributes: bool) -> list[str]:
    own = [f"%TF.FileFunction,{function}*%", "%TF.FilePolarity,Positive*%", "%TF.Part,Single*%"] if attributes else []
    return [*own, "%FSLAX46Y46*%", "%MOMM*%", "G01*"]


def _region(points: Ring) -> Iterator[str]:
    yield "G36*"
    yield f"{_xy(*points[0])}D02*"
    for point in itertools.chain(points[1:], points[:1]):
        yield f"{_xy(*point)}D01*"
    yield "G37*"


def _xy(x: float, y: float) -> str:
    return f"X{round(x * 1e6)}Y{round(y * 1e6)}"


def _escaped(text: str) -> str:
    return "".join(f"\\u{ord(letter):04X}" if letter in "\\%*," else letter for letter in text)


def _record(kind: str, net: str, part: str, pin: str, drill: str, access: str, x: int, y: int) -> str:
    dash = "-" if pin else " "
    where = f"X{x:+07d}Y{y:+07d}X0000Y0000R000 S0"
    return f"{kind}{net[:14].upper():<14}   {part[:6]:<6}{dash}{pin[:4]:<4} {drill}{access}{where}"


def main() -> int:
    """Write the demonstration board into the folder named on the command line."""
    from demo_board import demo_board
    from write_ipc2581 import write_ipc2581

    if len(sys.argv) != 2:
        sys.stderr.write("usage: python write_files.py FOLDER\n")
        return 2
    folder = Path(sys.argv[1])
    data = demo_board()
    paths = [*write_gerber_set(data, folder / "gerber", name="demo"), write_ipc2581(data, folder / "demo.xml")]
    sys.stdout.write("\n".join(map(str, paths)) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
