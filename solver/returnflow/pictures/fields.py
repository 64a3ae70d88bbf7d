"""Field pictures: where a loop's current flows, where two loops couple, and where an amplifier may sit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import matplotlib as mpl
import numpy as np
from matplotlib.colors import Colormap, ListedColormap, LogNorm, SymLogNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Circle
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from returnflow.answers import coupling
from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.result import Result
from returnflow.pictures.canvas import INK, MANY_HOLES, MANY_MARKS, ROLE_COLOURS, Canvas, Label, hole_count
from returnflow.pictures.frame import Frame
from returnflow.pictures.labels import along
from returnflow.pictures.maps import Maps, carrying_level, local_mean
from returnflow.pictures.pictured import NOTHING, coupling_density, noise_frequency, of_copper
from returnflow.words.answer_text import bracket
from returnflow.words.drives import amperes, drive, driven, heard, in_band
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import MM, engineering, millimetres, percent, square_millimetres

Floats = NDArray[np.float64]
Key = TypeVar("Key")

TUBES = 20
ARROW_SPACING = 85.0  # pixels
WEAK = 0.15  # of the strongest sheet current; loops with less share colours among themselves
LEAST = 1e-3  # of the strongest: where the colours end
SHADES = 64  # steps of the colour maps: finer than the eye, and the files stay small
CIRCLE = "#c00000"
MOST_JOINTS, LEAST_JOINT = 8, 0.01  # names of terminals of links: how many, and with what part of the current
LEAST_OF_MANY = 0.1  # the same where hundreds of links share it
ALL_OF_IT = 0.999  # of a current
SAME = 1e-3  # worst case over rms sum, less 1, up to which it is no other


def colours(name: str, low: float = 0.0, high: float = 1.0) -> Colormap:
    """Part of a colour map of matplotlib, in SHADES steps."""
    return ListedColormap(mpl.colormaps[name](np.linspace(low, high, SHADES)))


FLOW_MAP = colours("viridis", 0.0, 0.93)  # white lines stay readable at its bright end
COUPLING_MAP = ListedColormap(
    mpl.colormaps["RdBu_r"](np.linspace(0.03, 0.97, SHADES + 1))
)  # an odd number: zero is white
PLACEMENT_MAP = colours("magma_r", 0.0, 0.88)


@dataclass(frozen=True)
class Range:
    """Colour range, shared by pictures that are to be compared."""

    low: float
    high: float


def flow_range(maps: Maps, loop: int, frequency: float) -> Range:
    """Colour range of one flow by itself, A/m."""
    return own_range(maps.strength(loop, frequency) * amperes(maps.result.case.loops[loop]))


def own_range(strength: Floats) -> Range:
    """Colour range of one sheet current, A/m: without the weakest 5 % and the strongest 2 % by what they carry."""
    K = np.sort(strength[np.isfinite(strength)])
    carried = np.cumsum(K)
    low, high = (float(K[np.searchsorted(carried, part * carried[-1])]) for part in (0.05, 0.98))
    return Range(low, high)


def shared_ranges(own: Mapping[Key, Range]) -> dict[Key, Range]:
    """One range for all, but for those so weak that it would show nothing of them: they share one among themselves."""
    ranges: dict[Key, Range] = {}
    while left := {key: span for key, span in own.items() if key not in ranges}:
        top = max(span.high for span in left.values())
        group = {key: span for key, span in left.items() if span.high >= WEAK * top}
        low = min(span.low for span in group.values())
        shared = Range(min(max(low, LEAST * top), 0.05 * top), top)
        ranges |= dict.fromkeys(group, shared)
    return {key: ranges[key] for key in own}


def flow_frame(maps: Maps, loop: int, frequency: float, shared: Range) -> Frame:
    """Sheet current of one loop with its lines of flow, at the resistive limit or at a frequency."""
    result = maps.result
    it = result.case.loops[loop]
    current = amperes(it)
    if frequency > 0:
        title, state = f"{it.name}: the return at {engineering(frequency, 'Hz')}", "as if all of it had this frequency"
    else:
        title, state = f"{it.name}: where the return current flows", "resistive limit"
    tubes = maps.tubes(loop, frequency, TUBES)
    each = engineering(current / tubes, "A")
    in_phase = " in phase with it" if frequency > 0 else ""
    if maps.shared(loop, frequency):
        carried = f"One line for every {each}{in_phase}, on every plane; each link carries on as many as its share."
    else:
        carried = f"Each of {tubes} tubes between neighbouring lines carries {each}{in_phase}."
    frame = Frame(
        result,
        title + of_copper(result),
        f"{drive(it)} · {state} · from {it.inject} to {it.return_}\n{carried}",
        bar=True,
    )
    frame.draw_copper()
    shown = frame.draw_field(current * maps.strength(loop, frequency), LogNorm(shared.low, shared.high), FLOW_MAP)
    lines = maps.lines(loop, frequency, tubes)
    frame.draw_segments(lines, "white", 0.85, zorder=2.5)
    draw_arrows(frame, lines)
    frame.draw_copper(over=True)
    if frequency > 0:
        frame.draw_route(it, ROLE_COLOURS[it.role])
    frame.draw_terminals()
    per = "" if driven(it) else " for 1 A"
    frame.draw_bar(shown, f"sheet current{per}, A/m", ticks_between(shared), extend="both")
    route = list(pairwise(it.route.path)) if frequency > 0 and it.route else []
    frame.draw_labels([*_ends(result, [it]), *_joints(result, loop)], along(route, 8 * frame.pixel / MM))
    return frame


def coupling_frame(maps: Maps, victim: Budget, part: Contribution) -> Frame:
    """Which copper couples a noisy loop into another loop, with sign."""
    result = maps.result
    i, j, at = result.index(victim.loop), result.index(part.loop), noise_frequency(result, part)
    own = result.solution.mid
    whole, everywhere = coupling_density(result, i, j, at)
    rows = result.rows(whole)
    density, areas = everywhere[rows], whole.areas[rows]
    meeting = float(np.abs(density) @ areas) > NOTHING * math.sqrt(own[i, i] * own[j, j])
    where = "The two currents share no copper: no conducted coupling."
    if meeting:
        area = float(areas[coupling.carrying_triangles(density, areas)].sum())
        extent, share = square_millimetres(area), percent(area / float(areas.sum()), 2)
        where = (
            f"90 % of the {'conducted ' if at else ''}coupling arises on the outlined {extent}, {share} of the copper."
        )
        if len(result.conductors.names) > 1:
            here = engineering(float(density @ areas), "Ω")
            where = f"{here} of it arises on this copper, 90 % of that on the outlined {extent}."
    transfer, state = f"transfer resistance {bracket(part.transfer, part.half_width)}", "resistive limit"
    if at:
        copper = engineering(abs(float(everywhere @ whole.areas)), "Ω")
        transfer = f"transfer impedance {engineering(abs(result.impedance(at)[i, j]), 'Ω')}, of which copper {copper}"
        state = f"at {engineering(at, 'Hz')}"
    carried, heard_of_it = in_band(result, victim, part)
    effect = f"; {engineering(part.noise, 'V')} rms from {engineering(carried, 'A')}" if part.current else ""
    if part.current and not part.in_band:
        effect += " out of its band"
    elif carried < ALL_OF_IT * part.current:
        effect += " in its band"
    frame = Frame(
        result,
        f"{part.loop} → {victim.loop}: which copper couples{of_copper(result)}",
        f"{transfer}{effect} · {state}\n{where}",
        bar=meeting,
    )
    frame.draw_copper()
    if meeting:
        _draw_coupling(maps, frame, (i, j), at, heard_of_it)
    frame.draw_copper(over=True)
    frame.draw_terminals()
    frame.draw_labels(_ends(result, [result.case.loop(victim.loop), result.case.loop(part.loop)]))
    return frame


def _draw_coupling(maps: Maps, frame: Frame, pair: tuple[int, int], at: float, current: float) -> None:
    density = maps.coupling(*pair, at) * (current or 1.0) * 1e-6  # per mm²
    known = np.isfinite(density)
    magnitude = np.abs(density[known])
    unit, factor, high = scaled(_quantile(magnitude, 0.995), "V" if current else "Ω")
    shown = frame.draw_field(factor * density, symmetric_norm(high), COUPLING_MAP)
    around = local_mean(np.abs(density), hole_spacing(frame.result, frame.window.pixel))
    frame.draw_level(around, carrying_level(magnitude, around[known]), INK, 1.2, "-", halo="#ffffffb0")
    top = 10.0 ** math.floor(math.log10(high))
    ticks = sorted([0.0, *(sign * top * step for sign in (-1, 1) for step in (0.1, 1))])
    what = "noise" if current else "impedance" if at else "resistance"
    frame.draw_bar(shown, f"{what} per area of copper, {unit}/mm²", ticks, extend="both", signed=True)


def hole_spacing(result: Result, pixel: float) -> float:
    """Mean distance of holes in pixels (m) where there are many, else zero."""
    copper = result.plane.copper
    holes = hole_count(copper)
    return math.sqrt(copper.area / holes) / pixel if holes >= MANY_HOLES else 0.0


def symmetric_norm(high: float) -> SymLogNorm:
    """Colour scale centred on zero: linear up to a hundredth of its end, logarithmic from there on."""
    return SymLogNorm(linthresh=1e-2 * high, linscale=0.6, vmin=-high, vmax=high, base=10)


def placement_frame(maps: Maps, victim: Budget) -> Frame:
    """Noise a sensitive loop would have if its inject end were placed there."""
    result = maps.result
    loop = result.case.loop(victim.loop)
    placement = result.placements[victim.loop]
    counted = heard(result, loop)
    strongest = float(np.nanmax(placement.rms))
    other = not np.allclose(placement.worst, placement.rms, rtol=SAME, atol=0.0, equal_nan=True)
    worse = other and float(np.nanmax(placement.worst)) > victim.limit
    noisy, everywhere = strongest > NOTHING * victim.limit, strongest <= victim.limit
    text = "No noisy loop causes noise on this copper in this loop's band: any place on it will do."
    legend: list[tuple[Line2D, str]] = []
    if noisy:
        limit = engineering(victim.limit, "V")
        volts, more = maps.noise_now(loop), ""
        if result.spectral is not None and abs(victim.noise - volts) > 0.05 * victim.noise:
            noise = engineering(victim.noise, "V")
            more = f" by resistance alone; at the frequencies of the currents it is {noise} as drawn"
        inside = "All the copper connected to it lies" if everywhere else f"{square_millimetres(placement.area)} lie"
        text = (
            f"noise relative to {loop.return_}, rms sum of {len(counted)} noisy loop{'s' * (len(counted) > 1)} · "
            f"{engineering(volts, 'V')} rms at {loop.inject} as drawn · "
            "resistive limit\n"
            f"{inside} within the limit of {limit}{more}."
        )
        if worse:
            legend.append((_line((0, (4, 2))), f"{limit}, worst case (all in phase)"))
        if not everywhere:
            legend.insert(0, (_line("-"), f"limit {limit}, rms sum"))
            ring = Line2D([], [], marker="o", mfc="none", mec=CIRCLE, mew=1.3, ls="", ms=8)
            radius = millimetres(placement.radius, 2)
            legend.append((ring, f"within limit everywhere inside {radius} of {loop.return_}"))
    frame = Frame(
        result, f"{loop.name}: where {loop.inject} may be placed{of_copper(result)}", text, bar=noisy, legend=legend
    )
    frame.draw_copper()
    if noisy:
        rms, worst = maps.placement(loop)
        low = min(max(0.1 * victim.limit, 1e-5 * strongest), 0.1 * strongest)
        unit, factor, _ = scaled(victim.limit, "V")
        span = Range(factor * low, factor * strongest)
        shown = frame.draw_field(factor * np.maximum(rms, low), LogNorm(span.low, span.high), PLACEMENT_MAP)
        frame.draw_level(rms, victim.limit, INK, 1.5, "solid", halo="white")
        if worse:
            frame.draw_level(worst, victim.limit, INK, 1.5, "dashed", halo="white")
        frame.draw_bar(shown, f"noise in series with the signal, {unit} rms", ticks_between(span), extend="min")
    frame.draw_copper(over=True)
    board = result.case.board
    if noisy and not everywhere:
        draw_circle(frame, board.terminal(loop.return_).centre, placement.radius)
    colour = ROLE_COLOURS["sensitive"]
    frame.draw_terminals(colour="#5a5a5a")
    frame.draw_terminals([loop.inject, loop.return_], colour, [copper.name for copper in board.coppers])
    ends = [
        (board.terminal(name), f"{name} ({what})") for name, what in ((loop.return_, "return"), (loop.inject, "now"))
    ]
    frame.draw_labels([Label(text, t.centre, colour, frame.radius(t.shape), bold=True) for t, text in ends])
    return frame


def draw_circle(canvas: Canvas, centre: tuple[float, float], radius: float) -> None:
    """Circle within which an amplifier may sit anywhere; centre and radius in metres."""
    x, y = centre
    circle = Circle((MM * x, MM * y), MM * radius, fill=False, ec=CIRCLE, lw=1.3, zorder=5.5)
    circle.set_path_effects([withStroke(linewidth=2.8, foreground="white")])
    canvas.axes.add_artist(circle)


def draw_arrows(frame: Frame, lines: Floats) -> None:
    """Small arrowheads on lines of flow, one in each square of a coarse grid: the piece nearest to its middle."""
    if not len(lines):
        return
    middle = frame.axes.transData.transform(MM * lines.mean(axis=1))
    cell = np.floor(middle / ARROW_SPACING)
    off = np.hypot(*(middle - (cell + 0.5) * ARROW_SPACING).T)
    length: Floats = np.hypot(*(lines[:, 1] - lines[:, 0]).T)
    order = np.lexsort((off, cell[:, 1], cell[:, 0]))
    order = order[np.flatnonzero(length[order] > 0)]
    _, first = np.unique(cell[order], axis=0, return_index=True)
    chosen = order[first]
    way = (lines[chosen, 1] - lines[chosen, 0]) / length[chosen, None]
    frame.draw_arrowheads(lines[chosen].mean(axis=1), way, "white")


def scaled(high: float, unit: str) -> tuple[str, float, float]:
    """
    Unit with the prefix that suits a value, the factor to it, and the value in it.

    Examples
    --------
    >>> scaled(3e-7, "V")
    ('nV', 1000000000.0, 300.0)
    """
    power = min(0, max(-15, 3 * math.floor(math.log10(high) / 3 + 1e-12)))
    prefix = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: ""}[power]
    return prefix + unit, 10.0**-power, float(f"{high * 10.0**-power:.12g}")


def _quantile(magnitude: Floats, part: float) -> float:
    """Value that a part of all stays below; the largest where that is zero, and 1 where all are."""
    return float(np.quantile(magnitude, part)) or float(magnitude.max()) or 1.0


def ticks_between(span: Range) -> list[float]:
    """1, 2, 5 in each decade, or whole decades alone where that would be too many."""
    decades = range(math.floor(math.log10(span.low)), math.ceil(math.log10(span.high)) + 1)
    steps = (1, 2, 5) if math.log10(span.high / span.low) < 2.3 else (1,)
    ticks = [float(f"{step}e{decade}") for decade in decades for step in steps]
    return [tick for tick in ticks if span.low * 0.999 <= tick <= span.high * 1.001]


def _ends(result: Result, loops: list[Loop]) -> list[Label]:
    """Names of the two ends of loops, each terminal once, with what happens there."""
    board = result.case.board
    labels: dict[str, Label] = {}
    for loop in loops:
        for name, what in ((loop.inject, "in"), (loop.return_, "out")):
            terminal = board.terminal(name)
            if terminal.copper != result.copper:
                continue
            text = f"{name} ({what})" if len(loops) == 1 else name
            labels.setdefault(
                name, Label(text, terminal.centre, ROLE_COLOURS[loop.role], Frame.radius(terminal.shape), bold=True)
            )
    return list(labels.values())


def _joints(result: Result, loop: int) -> list[Label]:
    """Terminals of this copper through which links carry a part of a loop's current at 0 Hz, the largest first."""
    board, links = result.case.board, {link.name: link for link in result.case.board.links}
    least = LEAST_JOINT if len(links) <= MANY_MARKS else LEAST_OF_MANY
    order = np.argsort(-np.abs(result.whole.link_current[loop]), kind="stable")
    found, it = [], result.case.loops[loop]
    own = (it.inject, it.return_)  # are named besides
    for n in order[:MOST_JOINTS]:
        if abs(result.whole.link_current[loop, n]) >= least:
            ends = [board.terminal(end) for end in links[result.whole.links.names[n]].between]
            found += [end for end in ends if end.copper == result.copper and end.name not in own]
    # Which copper it is on is in the title.
    return [
        Label(name.removesuffix(f" ({result.copper})"), end.centre, INK, Frame.radius(end.shape))
        for name, end in {end.name: end for end in found}.items()
    ]


def _line(dash: str | tuple[int, tuple[int, ...]]) -> Line2D:
    return Line2D([], [], color=INK, lw=1.5, ls=dash)
