"""All pictures of a result, with captions that say what to see."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from returnflow import captions
from returnflow import plots_fields as fields
from returnflow import plots_spectrum as spectrum
from returnflow.drives import driven, telling_frequencies
from returnflow.labels import along
from returnflow.maps import Maps
from returnflow.plots_canvas import (
    COPPER,
    EDGE,
    INK,
    MANY_HOLES,
    MM,
    ROLE_COLOURS,
    ROLE_DASHES,
    Label,
    hole_count,
    shape_path,
)
from returnflow.plots_frame import REGION, SECTION, Frame
from returnflow.plots_spectrum import Chart
from returnflow.plots_text import house_style, slug
from returnflow.result import Result, Spectral
from returnflow.verdict import Budget, Contribution, engineering
from returnflow_geometry.board import Role

Report = Callable[[str], None]
Kind = Literal["board", "flow", "coupling", "placement", "strip", "spectrum"]

SPARE_REACH = 30.0  # pixels; names of terminals that no loop uses get no long leaders
LEAST_PART = 0.1  # of the strongest voltage, for a coupling map of its own
MOST_PAIRS = 4  # coupling maps per sensitive loop or pair of cables, the strongest
ROLE_WORDS: dict[Role, str] = {"noisy": "noisy loop", "sensitive": "sensitive loop", "cables": "pair of cables"}


@dataclass(frozen=True, kw_only=True)
class Picture:
    """
    One picture.

    Attributes
    ----------
    kind : "board", "flow", "coupling", "placement", "strip" or "spectrum"
    file : str
        File name, unique within a result.
    caption : str
        What to see in it.
    alt : str
        What it shows, for those who cannot see it.
    loops : tuple of str
        Names of the loops it is about.
    png : bytes
    """

    kind: Kind
    file: str
    caption: str
    alt: str
    loops: tuple[str, ...]
    png: bytes


def pictures(result: Result, report: Report | None = None) -> list[Picture]:
    """
    Draw every picture of a result.

    Parameters
    ----------
    result : Result
    report : function of one string, optional
        Called before each picture.
    """
    say = report or (lambda _: None)
    taken: set[str] = set()
    made = []
    with house_style():
        wanted = list(_wanted(result))
        for number, (kind, loops, at, draw, caption, alt) in enumerate(wanted, 1):
            file = slug(" ".join((kind, *loops, at)), taken) + ".png"
            say(f"picture {number} of {len(wanted)}: {file}")
            made.append(Picture(kind=kind, file=file, caption=caption, alt=alt, loops=loops, png=draw().png()))
    return made


_Wanted = tuple[Kind, tuple[str, ...], str, Callable[[], Frame | Chart], str, str]


def _wanted(result: Result) -> Iterator[_Wanted]:
    maps = Maps(result, Frame(result, "", "", bar=True).window)
    yield "board", (), "", partial(board_frame, result), *captions.board_words(result)
    for budget in result.sensitive:
        draw = partial(fields.placement_frame, maps, budget)
        yield "placement", (budget.loop,), "", draw, *captions.placement_words(result, budget)
    for budget in (*result.sensitive, *result.cables):
        for part in strongest(budget):
            draw = partial(fields.coupling_frame, maps, budget, part)
            yield "coupling", (part.loop, budget.loop), "", draw, *captions.coupling_words(budget, part)
    flows = [(j, f) for j in range(len(result.case.loops)) for f in (0.0, *telling_frequencies(result, j))]
    groups = [
        [flow for flow in flows if flow[1] == 0 and driven(result.case.loops[flow[0]]) == has] for has in (True, False)
    ]
    # A ribbon under a conductor is so much denser than a resistive pattern that one scale would show neither.
    groups += [[flow] for flow in flows if flow[1] > 0]
    for group in groups:
        ranges = fields.flow_ranges(maps, group) if group else {}
        for (j, f), span in ranges.items():
            words = captions.flow_words(result, j, f, sum(other == span for other in ranges.values()))
            at = engineering(f, "Hz") if f > 0 else ""
            yield "flow", (result.case.loops[j].name,), at, partial(fields.flow_frame, maps, j, f, span), *words
    if result.spectral is not None:
        yield from _over_frequency(result, result.spectral, maps)


def _over_frequency(result: Result, spectral: Spectral, maps: Maps) -> Iterator[_Wanted]:
    """Charts with frequency along one axis, and film strips."""
    for j in spectrum.strip_loops(result):
        words = captions.strip_words(result, j)
        yield "strip", (result.loop_names[j],), "", partial(spectrum.strip_chart, maps, j), *words
    for j, loop in enumerate(result.case.loops):
        if loop.route is not None:
            draw = partial(spectrum.impedance_chart, result, spectral, j)
            yield "spectrum", (loop.name,), "impedance", draw, *captions.impedance_words(result, j)
    if any(loop.role == "noisy" for loop in result.case.loops):
        draw_shares = partial(spectrum.share_chart, result, spectral)
        yield "spectrum", (), "shares", draw_shares, *captions.share_words(result)
        for budget in (*result.sensitive, *result.cables):
            transfer = partial(spectrum.transfer_chart, result, spectral, budget)
            yield "spectrum", (budget.loop,), "transfer", transfer, *captions.transfer_words(budget)
            noise = partial(spectrum.noise_chart, result, budget)
            yield "spectrum", (budget.loop,), "noise", noise, *captions.noise_words(budget)


def strongest(budget: Budget) -> list[Contribution]:
    """Contributions worth a picture: the strongest, by noise, or by transfer resistance where no current is given."""
    order = sorted(budget.contributions, key=lambda part: (-part.noise, -abs(part.transfer)))
    # What adds less than a hundredth of the strongest one's power teaches nothing more.
    return [part for part in order[:MOST_PAIRS] if part.noise >= LEAST_PART * order[0].noise]


def board_frame(result: Result) -> Frame:
    """Copper with its cutouts, terminals, loops, regions and sections."""
    case = result.case
    board = case.board
    here = [t for t in board.terminals if t.copper == result.copper]
    regions = [r for r in case.regions if r.copper == result.copper]
    sections = [s for s in case.sections if s.copper == result.copper]
    legend: list[tuple[Artist, str]] = [
        (Patch(facecolor=COPPER, edgecolor=EDGE, linewidth=0.7), f"copper “{result.copper}”")
    ]
    legend += [
        (Line2D([], [], color=ROLE_COLOURS[role], lw=1.4, ls=ROLE_DASHES[role]), f"{words}, from return to inject")
        for role, words in ROLE_WORDS.items()
        if any(loop.role == role for loop in case.loops)
    ]
    if any(loop.route for loop in case.loops):
        legend.append((Line2D([], [], color="#555555", lw=2.4, alpha=0.4), "outgoing conductor"))
    if any(t.bonded for t in here):
        legend.append(
            (Line2D([], [], ls="", marker="s", ms=9, mfc="none", mec=INK, mew=1.1), "bonded: cannot be lifted")
        )
    if regions:
        legend.append((Line2D([], [], color=REGION, lw=1.2, ls=(0, (6, 3))), "region"))
    if sections:
        legend.append((Line2D([], [], color=SECTION, lw=2.6), "section; the arrow is its positive sense"))
    layer = board.layer(board.copper(result.copper).layer)
    frame = Frame(
        result,
        case.title,
        f"{result.name} · layer {layer.name}, {1e6 * layer.thickness:.3g} µm copper at {board.temperature:g} °C, "
        f"{engineering(float(result.conductors.sheets[result.focus]), 'Ω')} per square",
        legend=legend,
    )
    frame.draw_copper()
    for region in regions:
        style = {"facecolor": "none", "edgecolor": REGION, "linewidth": 1.2, "linestyle": (0, (6, 3))}
        frame.draw_path(shape_path(region.shape), zorder=2, **style)
    lines = []
    for loop in case.loops:
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
    frame.draw_terminals()
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
    drawn += [pair for loop in case.loops if loop.route for pair in itertools.pairwise(loop.route.path)]
    drawn += [pair for section in sections for pair in itertools.pairwise(section.path)]
    steps = along(drawn, 8 * frame.pixel / MM)
    used = {name for loop in case.loops for name in (loop.inject, loop.return_)}
    labels = [
        Label(t.name, t.centre, INK, max(frame.radius(t.shape), 5.5 * frame.pixel / MM if t.bonded else 0))
        for t in here
        if t.name in used
    ]
    labels += [Label(s.name, _middle(s.path), SECTION, 4 * frame.pixel / MM, bold=True) for s in sections]
    labels += [
        Label(loop.name, _point(line, 0.5), ROLE_COLOURS[loop.role])
        for loop, line in zip(case.loops, lines, strict=True)
    ]
    labels += [Label(r.name, _corner(r.shape), REGION) for r in regions]
    labels += [
        Label(t.name, t.centre, "#555555", frame.radius(t.shape), reach=SPARE_REACH) for t in here if t.name not in used
    ]
    frame.draw_labels(labels, steps)
    return frame


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
