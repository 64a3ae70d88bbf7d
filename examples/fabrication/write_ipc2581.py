"""Write a board as one IPC-2581 file: stackup, profile, copper per net, pads with their pins, holes."""

from __future__ import annotations

from pathlib import Path
from xml.sax.saxutils import quoteattr

from write_files import MM, Ring, _groups, polygons, ring

from returnflow_geometry.fabrication.base.objects import BoardData, Hole, LayerCopper, Pad
from returnflow_geometry.model.board import Shape

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<IPC-2581 revision="B" xmlns="http://webstds.ipc.org/2581">'


def write_ipc2581(data: BoardData, path: Path) -> Path:
    """
    Write one IPC-2581 file (revision B, millimetres, coordinates in steps of 1 nm).

    Pads are references to contours in the dictionary of standard shapes; holes stand in a layer per plating and span.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    names = [layer.name for layer in data.layers]
    drilled = _groups(data.holes, len(names))
    drill_names = {key: f"DRILL {'P' if key[0] else 'N'} {key[1][0]}-{key[1][1]}" for key in drilled}
    pads = [pad for layer in data.layers for pad in layer.pads]
    numbers = {id(pad): k for k, pad in enumerate(pads, start=1)}
    lines = [HEAD, '<Content roleRef="Owner">', '<FunctionMode mode="FABRICATION"/>', '<StepRef name="board"/>']
    lines += [f"<LayerRef name={quoteattr(name)}/>" for name in (*names, *drill_names.values())]
    lines.append('<DictionaryStandard units="MILLIMETER">')
    for pad in pads:
        shape = _moved(ring(polygons(pad.shape)[0].exterior), pad)
        lines += [f'<EntryStandard id="PAD{numbers[id(pad)]}"><Contour>', _polygon(shape), "</Contour></EntryStandard>"]
    lines += ["</DictionaryStandard>", "</Content>", '<Ecad name="invented board">']
    lines += ['<CadHeader units="MILLIMETER"/>', "<CadData>"]
    for k, name in enumerate(names):
        side = "TOP" if k == 0 else "BOTTOM" if k == len(names) - 1 else "INTERNAL"
        lines.append(f'<Layer name={quoteattr(name)} layerFunction="CONDUCTOR" side="{side}" polarity="POSITIVE"/>')
    kinds = {"dielectric": "DIELCORE", "other": "SOLDERMASK"}
    lines += [
        f'<Layer name={quoteattr(item.name)} layerFunction="{kinds[item.kind]}" side="INTERNAL" polarity="POSITIVE"/>'
        for item in data.stackup
        if item.kind != "copper"
    ]
    for (_, (first, last)), name in drill_names.items():
        span = f"<Span fromLayer={quoteattr(names[first - 1])} toLayer={quoteattr(names[last - 1])}/>"
        lines.append(
            f'<Layer name={quoteattr(name)} layerFunction="DRILL" side="ALL" polarity="POSITIVE">{span}</Layer>'
        )
    lines += _stackup(data)
    lines += ['<Step name="board">', '<Datum x="0" y="0"/>']
    if data.outline is not None:
        part = polygons(data.outline)[0]
        cutouts = [_polygon(ring(hole), "Cutout") for hole in part.interiors]
        lines += ["<Profile>", _polygon(ring(part.exterior)), *cutouts, "</Profile>"]
    for layer in data.layers:
        lines += _layer(layer, numbers)
    for key, holes in drilled.items():
        lines.append(f"<LayerFeature layerRef={quoteattr(drill_names[key])}>")
        lines += [_hole(hole, number) for number, hole in enumerate(holes, start=1)]
        lines.append("</LayerFeature>")
    lines += ["</Step>", "</CadData>", "</Ecad>", "</IPC-2581>", ""]
    path.write_text("\n".join(lines), encoding="utf-8", newline="\n")
    return path


def _stackup(data: BoardData) -> list[str]:
    rows = []
    for number, item in enumerate(data.stackup, start=1):
        thickness = "" if item.thickness is None else f' thickness="{item.thickness * MM:.6f}"'
        rows.append(
            f'<StackupLayer layerOrGroupRef={quoteattr(item.name)}{thickness} tolPlus="0" tolMinus="0" '
            f'sequence="{number}"/>'
        )
    if not rows:
        return []
    total = sum(item.thickness or 0.0 for item in data.stackup) * MM
    size = f'tolPlus="0" tolMinus="0" whereMeasured="METAL" overallThickness="{total:.6f}"'
    group = f'<StackupGroup name="all" thickness="{total:.6f}" tolPlus="0" tolMinus="0">'
    return [f'<Stackup name="stackup" {size}>', group, *rows, "</StackupGroup>", "</Stackup>"]


def _layer(layer: LayerCopper, numbers: dict[int, int]) -> list[str]:
    lines = [f"<LayerFeature layerRef={quoteattr(layer.name)}>"]
    for net, shape in layer.nets.items():
        lines.append(f'<Set net={quoteattr(net)} polarity="POSITIVE">' if net else '<Set polarity="POSITIVE">')
        lines += ["<Features>", '<Location x="0" y="0"/>', *_contours(shape), "</Features>", "</Set>"]
    for pad in layer.pads:
        where = f'<Location x="{pad.at[0] * MM:.6f}" y="{pad.at[1] * MM:.6f}"/>'
        pin = f"<PinRef componentRef={quoteattr(pad.refdes)} pin={quoteattr(pad.pin)}/>" if pad.refdes else ""
        shape_ = f'<StandardPrimitiveRef id="PAD{numbers[id(pad)]}"/>'
        lines.append(f'<Set net={quoteattr(pad.net)} polarity="POSITIVE"><Pad>{where}{shape_}{pin}</Pad></Set>')
    return [*lines, "</LayerFeature>"]


def _contours(shape: Shape) -> list[str]:
    lines = []
    for part in polygons(shape):
        cutouts = [_polygon(ring(hole), "Cutout") for hole in part.interiors]
        lines += ["<Contour>", _polygon(ring(part.exterior)), *cutouts, "</Contour>"]
    return lines


def _hole(hole: Hole, number: int) -> str:
    net = f" net={quoteattr(hole.net)}" if hole.net else ""
    status = "NONPLATED" if hole.plating == "unplated" else "PLATED" if hole.refdes else "VIA"
    tolerances = 'plusTol="0" minusTol="0"'
    if len(hole.path) == 1:
        x, y = (f"{float(v) * MM:.6f}" for v in hole.path[0])
        size = f'diameter="{hole.diameter * MM:.6f}"'
        return f'<Set{net}><Hole name="H{number}" {size} platingStatus="{status}" {tolerances} x="{x}" y="{y}"/></Set>'
    line = "".join(
        f'<{"PolyBegin" if k == 0 else "PolyStepSegment"} x="{x * MM:.6f}" y="{y * MM:.6f}"/>'
        for k, (x, y) in enumerate(hole.path)
    )
    pen = f'<LineDesc lineEnd="ROUND" lineWidth="{hole.diameter * MM:.6f}"/>'
    inner = f"<Polyline>{line}{pen}</Polyline>"
    return f'<Set{net}><SlotCavity name="S{number}" platingStatus="{status}" {tolerances}>{inner}</SlotCavity></Set>'


def _moved(points: Ring, pad: Pad) -> Ring:
    return [(x - pad.at[0] * MM, y - pad.at[1] * MM) for x, y in points]


def _polygon(points: Ring, tag: str = "Polygon") -> str:
    """Closed outline; the last point repeats the first, as the format asks."""
    steps = "".join(f'<PolyStepSegment x="{x:.6f}" y="{y:.6f}"/>' for x, y in [*points[1:], points[0]])
    return f'<{tag}><PolyBegin x="{points[0][0]:.6f}" y="{points[0][1]:.6f}"/>{steps}</{tag}>'
