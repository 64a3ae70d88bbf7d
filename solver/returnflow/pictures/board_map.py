"""The picture of the board: copper, terminals, loops, regions, sections, and what lies on other layers."""

from __future__ import annotations

import itertools
import math

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from returnflow.answers.result import Result
from returnflow.pictures.canvas import (
    COPPER,
    EDGE,
    INK,
    MANY_HOLES,
    MANY_MARKS,
    ROLE_COLOURS,
    ROLE_DASHES,
    VIA,
    Label,
    hole_count,
    shape_path,
    solid,
)
from returnflow.pictures.frame import REGION, SECTION, Frame
from returnflow.pictures.labels import along
from returnflow.pictures.pictured import narrow_over, pictured
from returnflow_geometry.model.board import Role, Shape, Terminal
from returnflow_geometry.model.numbers import MM, engineering
from returnflow_geometry.model.wording import named

ROLE_WORDS: dict[Role, str] = {"noisy": "noisy loop", "sensitive": "sensitive loop", "cables": "pair of cables"}
TRACE, OTHER, LINK = "#7a6a00", "#9a9a9a", "#00795c"
UPRIGHT = 1e-4  # m between the ends of a via as the map shows them


def board_frame(result: Result) -> Frame:
    """Copper with its cutouts, terminals, loops, regions and sections."""
    case = result.case
    board = case.board
    narrow = [result.conductors.names[n] for n in narrow_over(result)]
    here = [t for t in board.terminals if t.copper == result.copper or t.copper in narrow]
    names = {terminal.name for terminal in here}
    loops = [loop for loop in case.loops if {loop.inject, loop.return_} & names]
    joints = _joints(result, names)
    vias = 0
    if len(joints) > MANY_MARKS:
        # To scale, as terminals: hundreds of marks would hide the board.
        upright = [name for name, (start, end) in joints.items() if math.dist(start.centre, end.centre) < UPRIGHT]
        vias = len(upright)
        joints = {name: ends for name, ends in joints.items() if name not in set(upright)}
    others = _others(result, narrow)
    regions = [r for r in case.regions if r.copper == result.copper]
    sections = [s for s in case.sections if s.copper == result.copper]
    legend: list[tuple[Artist, str]] = [
        (Patch(facecolor=COPPER, edgecolor=EDGE, linewidth=0.7), f"copper {named(result.copper)}")
    ]
    legend += [
        (Line2D([], [], color=ROLE_COLOURS[role], lw=1.4, ls=ROLE_DASHES[role]), f"{words}, from return to inject")
        for role, words in ROLE_WORDS.items()
        if any(loop.role == role for loop in loops)
    ]
    if narrow:
        legend.append((Line2D([], [], color=TRACE, lw=1.6), "copper on another layer, with its terminals"))
    if others:
        legend.append((Line2D([], [], color=OTHER, lw=0.8, ls=(0, (3, 2))), "outline of wide copper on another layer"))
    if joints:
        mark = Line2D([], [], ls="", marker="D", ms=7, mfc="none", mec=LINK, mew=1.2)
        legend.append((mark, f"link: {'' if vias else 'via, '}bond, capacitor, bead or wire"))
    if vias:
        dot = Line2D([], [], ls="", marker="o", ms=3.5, mfc=VIA, mec="none")
        legend.append((dot, f"{vias} vias, to scale"))
    if any(loop.route for loop in loops):
        legend.append((Line2D([], [], color="#555555", lw=2.4, alpha=0.4), "outgoing conductor"))
    if any(t.bonded for t in here):
        legend.append(
            (Line2D([], [], ls="", marker="s", ms=9, mfc="none", mec=INK, mew=1.1), "bonded: cannot be lifted")
        )
    if regions:
        legend.append((Line2D([], [], color=REGION, lw=1.2, ls=(0, (6, 3))), "region"))
    if sections:
        legend.append((Line2D([], [], color=SECTION, lw=2.6), "section; arrow: positive direction"))
    layer = board.layer(board.copper(result.copper).layer)
    of = f"copper {named(result.copper)} on " if len(result.conductors.names) > 1 else ""
    frame = Frame(
        result,
        case.title,
        f"{result.name} · {of}layer {layer.name}, {1e6 * layer.thickness:.3g} µm copper at {board.temperature:g} °C, "
        f"{engineering(float(result.conductors.sheets[result.focus]), 'Ω')} per square",
        legend=legend,
    )
    frame.draw_copper()
    for other in others:
        style = {"facecolor": "none", "edgecolor": OTHER, "linewidth": 0.8, "linestyle": (0, (3, 2))}
        frame.draw_path(shape_path(other), zorder=1.6, **style)
    for name in narrow:
        copper = result.conductors.planes[result.conductors.names.index(name)].copper
        frame.draw_path(shape_path(copper), facecolor="#f4efc9", edgecolor=TRACE, linewidth=1.0, zorder=3)
    for region in regions:
        style = {"facecolor": "none", "edgecolor": REGION, "linewidth": 1.2, "linestyle": (0, (6, 3))}
        frame.draw_path(shape_path(region.shape), zorder=2, **style)
    lines = []
    for loop in loops:
        ends = [board.terminal(name).centre for name in (loop.return_, loop.inject)]
        lines.append((ends[0], ends[1]))
        x, y = (MM * np.array(axis) for axis in zip(*ends, strict=True))
        frame.axes.plot(x, y, color=ROLE_COLOURS[loop.role], ls=ROLE_DASHES[loop.role], lw=1.1, zorder=4)
        _arrow(frame, ends[0], ends[1], ROLE_COLOURS[loop.role])
        frame.draw_route(loop, ROLE_COLOURS[loop.role])
    for section in sections:
        path = MM * np.array(section.path)
        frame.axes.plot(*path.T, color=SECTION, lw=2.6, solid_capstyle="butt", zorder=4.5)
        _sense(frame, section.path)
    frame.draw_terminals([terminal.name for terminal in here], coppers=(result.copper, *narrow))
    for start, end in joints.values():
        x, y = (MM * np.array(axis) for axis in zip(start.centre, end.centre, strict=True))
        frame.axes.plot(x, y, color=LINK, lw=1.2, marker="D", ms=8, mfc="none", mec=LINK, mew=1.2, zorder=4.8)
    bonded = [t.centre for t in here if t.bonded]
    if bonded:
        frame.axes.plot(*(MM * np.array(bonded)).T, ls="", marker="s", ms=11, mfc="none", mec=INK, mew=1.1, zorder=5)
    drawn = [*lines]
    # In a sieve of antipads every label covers some: only the outer edges count there.
    copper = shapely.get_parts(frame.copper)
    rings = (
        [frame.copper.boundary] if hole_count(frame.copper) < MANY_HOLES else list(shapely.get_exterior_ring(copper))
    )
    for line in shapely.get_parts([*(region.shape.boundary for region in regions), *rings]):
        drawn += list(itertools.pairwise(map(tuple, shapely.get_coordinates(line).tolist())))
    drawn += [pair for loop in loops if loop.route for pair in itertools.pairwise(loop.route.path)]
    drawn += [pair for section in sections for pair in itertools.pairwise(section.path)]
    steps = along(drawn, 8 * frame.pixel / MM)
    used = {name for loop in loops for name in (loop.inject, loop.return_)}
    labels = [
        Label(t.name, t.centre, INK, max(frame.radius(t.shape), 5.5 * frame.pixel / MM if t.bonded else 0))
        for t in here
        if t.name in used
    ]
    labels += [Label(s.name, _middle(s.path), SECTION, 4 * frame.pixel / MM, bold=True) for s in sections]
    labels += [
        Label(loop.name, _point(line, 0.5), ROLE_COLOURS[loop.role]) for loop, line in zip(loops, lines, strict=True)
    ]
    labels += [Label(r.name, _corner(r.shape), REGION) for r in regions]
    frame.draw_labels(labels, steps)
    return frame


def _joints(result: Result, names: set[str]) -> dict[str, tuple[Terminal, Terminal]]:
    """Both terminals of every link that has one of those named."""
    board = result.case.board
    return {
        link.name: (board.terminal(link.between[0]), board.terminal(link.between[1]))
        for link in board.links
        if names & set(link.between)
    }


def _others(result: Result, narrow: list[str]) -> list[Shape]:
    """Wide coppers of other layers whose outline is not the same as here."""
    here = solid(result.plane.copper)
    found = []
    for n in pictured(result):
        if n != result.focus and result.conductors.names[n] not in narrow:
            outline = solid(result.conductors.planes[n].copper)
            if outline.symmetric_difference(here).area > 1e-3 * here.area:
                found.append(outline)
    return found


def _arrow(frame: Frame, start: tuple[float, float], end: tuple[float, float], colour: str) -> None:
    """Arrowhead at 60 % of a guide line."""
    length = math.dist(start, end)
    if length > 30 * frame.pixel / MM:
        way = np.array([[(end[0] - start[0]) / length, (end[1] - start[1]) / length]])
        frame.draw_arrowheads(np.array([_point((start, end), 0.62)]), way, colour, size=11, zorder=4.2)


def _sense(frame: Frame, path: tuple[tuple[float, float], ...]) -> None:
    """Arrow across a section, from the left to the right of its path."""
    line = shapely.LineString(path)
    half = 0.5 * line.length
    a, b = (line.interpolate(half + step * 0.05 * line.length) for step in (-1, 1))
    dx, dy = b.x - a.x, b.y - a.y
    long = math.hypot(dx, dy) or 1.0
    middle = line.interpolate(half)
    frame.axes.quiver(
        MM * middle.x, MM * middle.y, dy / long, -dx / long,
        angles="xy", units="dots", scale_units="dots", scale=1 / 34, width=2.6,
        headwidth=4.5, headlength=5, headaxislength=4.5, color=SECTION, zorder=4.6,
    )  # fmt: skip


def _point(line: tuple[tuple[float, float], tuple[float, float]], s: float) -> tuple[float, float]:
    (xa, ya), (xb, yb) = line
    return ((1 - s) * xa + s * xb, (1 - s) * ya + s * yb)


def _middle(path: tuple[tuple[float, float], ...]) -> tuple[float, float]:
    point = shapely.LineString(path).interpolate(0.75, normalized=True)
    return (float(point.x), float(point.y))


def _corner(shape: shapely.Geometry) -> tuple[float, float]:
    x0, _, _, y1 = shape.bounds
    nearest = shapely.get_coordinates(shapely.shortest_line(shape, shapely.Point(x0, y1)))[0]
    return (float(nearest[0]), float(nearest[1]))
