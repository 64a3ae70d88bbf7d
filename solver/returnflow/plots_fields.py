"""Field pictures: where a loop's current flows, where two loops couple, and where an amplifier may sit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm, Normalize, SymLogNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Circle
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter
from matplotlib.tri import Triangulation
from numpy.typing import NDArray
from returnflow_geometry.board import Loop

from returnflow import coupling
from returnflow.contours import level_lines, outline_of, streamlines
from returnflow.plots_frame import INK, MM, ROLE_COLOURS, Frame, Label
from returnflow.spaces import Space
from returnflow.study import Result
from returnflow.verdict import Budget, Contribution, engineering

Floats = NDArray[np.float64]

TUBES = 20
MOST_PIECES = 250_000  # more triangles than this are drawn by their corners alone; a pixel shows no difference
ARROW_SPACING = 70.0  # pixels
FLOW_MAP, COUPLING_MAP, PLACEMENT_MAP = "viridis", "RdBu_r", "cividis"


@dataclass(frozen=True)
class Range:
    """Colour range of sheet current in A/m, shared by pictures that are to be compared."""

    low: float
    high: float


def amperes(loop: Loop) -> float:
    """Current a loop is drawn for: its own, or one ampere where it has none."""
    return loop.current if loop.current else 1.0


def flow_range(result: Result, loops: list[int]) -> Range:
    """Colour range that suits all the given loops: from their weakest copper to their strongest peak, at most five decades."""
    high = max(result.peaks[j].value * amperes(result.case.loops[j]) for j in loops)
    low = high
    areas = result.solution.mesh.areas
    for j in loops:
        K = np.linalg.norm(result.solution.current(j).mean(axis=1), axis=1) * amperes(result.case.loops[j])
        order = np.argsort(K)
        place = np.searchsorted(np.cumsum(areas[order]), 0.02 * areas.sum())
        low = min(low, float(K[order[place]]))
    return Range(min(max(low, 1e-5 * high), 1e-2 * high), high)


def flow_frame(result: Result, loop: int, shared: Range) -> Frame:
    """Sheet current of one loop with its lines of flow."""
    it = result.case.loops[loop]
    current = amperes(it)
    own = bool(it.current)
    title = f"{it.name}: where the return current flows"
    frame = Frame(
        result,
        title,
        f"{_drive(it)} · resistive limit · from {it.inject} to {it.return_}\n"
        f"Each of {TUBES} tubes between neighbouring lines carries {engineering(current / TUBES, 'A')}.",
        bar=True,
    )
    solution = result.solution
    K = smooth(solution.space, np.linalg.norm(_with_middles(solution.space, solution.current(loop)), axis=2)) * current
    norm = LogNorm(shared.low, shared.high, clip=True)
    frame.draw_copper()
    shown = draw_field(frame, np.maximum(K, shared.low), norm, FLOW_MAP)
    lines = streamlines(solution, loop, TUBES)
    frame.draw_segments(lines, "white", 0.8, halo="#00000066", zorder=2.5)
    draw_arrows(frame, lines)
    frame.draw_copper(over=True)
    frame.draw_terminals()
    unit = "A/m" if own else "A/m for 1 A"
    frame.draw_bar(shown, f"sheet current in {unit}", FuncFormatter(lambda value, _: engineering(value, "A/m")))
    frame.draw_labels(_ends(result, [it]))
    return frame


def coupling_frame(result: Result, victim: Budget, part: Contribution) -> Frame:
    """Which copper couples a noisy loop into another loop, with sign."""
    solution, mesh = result.solution, result.solution.mesh
    density = coupling.coupling_density(solution, result.index(victim.loop), result.index(part.loop))
    current = part.current or 1.0
    carrying = coupling.carrying_triangles(density, mesh.areas)
    area, whole = float(mesh.areas[carrying].sum()), float(mesh.areas.sum())
    total = f"{engineering(part.transfer, 'Ω')} ± {engineering(part.half_width, 'Ω')}"
    effect = f": {engineering(part.noise, 'V')} from {engineering(part.current, 'A')}" if part.current else ""
    outlined = Line2D([], [], color=INK, lw=1.2, label="outlined")
    frame = Frame(
        result,
        f"{part.loop} → {victim.loop}: which copper couples",
        f"transfer resistance {total}{effect} · resistive limit\n"
        f"90 % of the coupling happens on the outlined {area * 1e6:.3g} mm², {area / whole:.2%} of the copper.",
        bar=True,
        legend=[(outlined, "carries 90 % of the coupling")],
    )
    values = smooth(solution.space, np.repeat(density[:, None], solution.space.local.shape[1], axis=1)) * current * 1e-6
    unit, factor, high = _scaled(_reach(np.abs(density) * current * 1e-6, mesh.areas), "V" if part.current else "Ω")
    norm = symmetric_norm(high)
    frame.draw_copper()
    shown = draw_field(frame, np.clip(factor * values, -high, high), norm, COUPLING_MAP)
    frame.draw_segments(outline_of(mesh, carrying, solution.topology.neighbours), INK, 0.9, zorder=2.6)
    frame.draw_copper(over=True)
    frame.draw_terminals()
    ticks = [sign * high_tick for sign in (-1, 1) for high_tick in _ticks(high)] + [0.0]
    what = "noise voltage" if part.current else "transfer resistance"
    frame.draw_bar(
        shown,
        f"{what} per mm² of copper, in {unit}/mm² (strongest 0.5 % clipped)",
        FuncFormatter(lambda value, _: f"{value:+.3g}".replace("-", "−") if value else "0"),
        sorted(ticks),
    )
    frame.draw_labels(_ends(result, [result.case.loop(victim.loop), result.case.loop(part.loop)]))
    return frame


def symmetric_norm(high: float) -> SymLogNorm:
    """Colour scale centred on zero: linear up to a thousandth of its end, logarithmic from there on."""
    return SymLogNorm(linthresh=1e-3 * high, linscale=0.4, vmin=-high, vmax=high, base=10, clip=True)


def placement_frame(result: Result, victim: Budget) -> Frame:
    """Noise a sensitive loop would have if its inject end were placed there."""
    loop = result.case.loop(victim.loop)
    placement = result.placements[victim.loop]
    solution, mesh = result.solution, result.solution.mesh
    counted = [c for c in victim.contributions if c.in_band and c.current]
    worst = float(np.nanmax(placement.rms))
    colour = "#d00000"
    legend: list[tuple[Line2D, str]] = [
        (_line("-"), f"{engineering(victim.limit, 'V')} rms: tolerated on the return's side"),
        (_line((0, (4, 2))), "the same for the sum of all peaks (worst case)"),
        (Line2D([], [], color="white", marker="o", mfc="none", mec=colour, ls="", ms=8), f"within {1e3 * placement.radius:.2g} mm of {loop.return_}: tolerated everywhere"),
    ]
    if worst > 0:
        here = "" if victim.noise == 0 else f" · {engineering(victim.noise, 'V')} rms as drawn"
        text = f"noise relative to {loop.return_}, rms sum of {len(counted)} noisy loops{here} · resistive limit\n"
        text += f"{1e6 * placement.area:.3g} mm² of the copper lie within the {engineering(victim.limit, 'V')} tolerated."
    else:
        text = "no noisy loop with a current falls into this loop's band: any place on this copper will do"
    frame = Frame(result, f"{loop.name}: where {loop.inject} may sit", text, bar=worst > 0, legend=legend if worst > 0 else ())
    frame.draw_copper()
    if worst > 0:
        low = max(0.1 * min(victim.limit, worst), 1e-6 * worst)
        rms = np.maximum(np.nan_to_num(placement.rms, nan=low), low)
        apart = np.isnan(placement.rms)[solution.space.local].any(axis=1)
        shown = draw_field(frame, rms, LogNorm(low, max(worst, 10 * low), clip=True), PLACEMENT_MAP, hide=apart)
        for values, dash in ((placement.rms, "-"), (placement.worst, (0, (4, 2)))):
            local = values[solution.space.local]
            lines = level_lines(mesh, local, victim.limit)
            frame.draw_segments(lines, "white", 1.6, halo="#000000cc", dash=dash, zorder=2.6)  # type: ignore[arg-type]
        x, y = result.case.board.terminal(loop.return_).centre
        circle = Circle((MM * x, MM * y), MM * placement.radius, fill=False, ec=colour, lw=1.3, zorder=5.5, clip_on=True)
        circle.set_path_effects([withStroke(linewidth=2.6, foreground="white")])
        frame.axes.add_patch(circle)
        frame.draw_bar(shown, "noise in series with the signal, V rms", FuncFormatter(lambda value, _: engineering(value, "V")))
    frame.draw_copper(over=True)
    frame.draw_terminals(colour="#5a5a5a")
    frame.draw_terminals([loop.inject, loop.return_], ROLE_COLOURS["sensitive"])
    board = result.case.board
    frame.draw_labels(
        [
            Label(f"{loop.return_} (return)", board.terminal(loop.return_).centre, ROLE_COLOURS["sensitive"], frame.radius(board.terminal(loop.return_).shape), bold=True),
            Label(f"{loop.inject} (now)", board.terminal(loop.inject).centre, ROLE_COLOURS["sensitive"], frame.radius(board.terminal(loop.inject).shape), bold=True),
        ]
    )
    return frame


def draw_field(frame: Frame, values: Floats, norm: Normalize, colours: str, hide: NDArray[np.bool_] | None = None) -> ScalarMappable:
    """Smooth map of values at all unknowns on the copper."""
    solution = frame.result.solution
    pieces = coupling.sub_triangles(solution.space)
    if len(pieces) * pieces.shape[2] > MOST_PIECES:
        pieces = solution.space.local.T[None, :3]
    if hide is not None:
        pieces = pieces[:, :, ~hide]
    corners = np.moveaxis(pieces, 1, 2).reshape(-1, 3)
    places = MM * coupling.unknown_places(solution)
    return frame.axes.tripcolor(
        Triangulation(places[:, 0], places[:, 1], corners), values, shading="gouraud", norm=norm, cmap=colours, rasterized=True, zorder=2
    )


def draw_arrows(frame: Frame, lines: Floats) -> None:
    """Small arrowheads on lines of flow, one in each square of a coarse grid: the piece nearest to its middle."""
    if not len(lines):
        return
    middle = frame.axes.transData.transform(MM * lines.mean(axis=1))
    cell = np.floor(middle / ARROW_SPACING)
    off = np.hypot(*(middle - (cell + 0.5) * ARROW_SPACING).T)
    length = np.hypot(*(lines[:, 1] - lines[:, 0]).T)
    order = np.lexsort((off, cell[:, 1], cell[:, 0]))
    order = order[length[order] > 0]
    _, first = np.unique(cell[order], axis=0, return_index=True)
    chosen = order[first]
    way = (lines[chosen, 1] - lines[chosen, 0]) / length[chosen, None]
    at = MM * lines[chosen].mean(axis=1)
    frame.axes.quiver(
        *at.T, *way.T, angles="xy", pivot="mid", units="dots", scale_units="dots", scale=0.1, width=1.0, headwidth=8, headlength=10,
        headaxislength=9, minshaft=0.1, color="white", edgecolor="#333333", linewidth=0.5, zorder=2.8,
    )  # fmt: skip


def smooth(space: Space, local_values: Floats) -> Floats:
    """Values that jump from triangle to triangle, as their area-weighted mean at every unknown, shape (space.size,)."""
    local = space.local.ravel()
    weight = np.repeat(space.mesh.areas, space.local.shape[1])
    total = np.bincount(local, weights=weight * local_values.ravel(), minlength=space.size)
    mean: Floats = total / np.bincount(local, weights=weight, minlength=space.size)
    return mean


def _with_middles(space: Space, corners: Floats) -> Floats:
    """Field at the corners (m, 3, 2), at all local unknowns."""
    if space.order == 1:
        return corners
    return np.concatenate([corners, 0.5 * (corners + np.roll(corners, -1, axis=1))], axis=1)


def _reach(magnitude: Floats, areas: Floats) -> float:
    """Magnitude that 99.5 % of the copper stays below; the largest where that is zero, and 1 where all is."""
    order = np.argsort(magnitude)
    place = min(int(np.searchsorted(np.cumsum(areas[order]), 0.995 * areas.sum())), len(order) - 1)
    return float(magnitude[order[place]]) or float(magnitude.max()) or 1.0


def _scaled(high: float, unit: str) -> tuple[str, float, float]:
    """Unit with the prefix that suits a value, the factor to it, and the value in it."""
    power = min(0, max(-12, 3 * math.floor(math.log10(high) / 3)))
    prefix = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: ""}[power]
    return prefix + unit, 10.0**-power, high * 10.0**-power


def _ticks(high: float) -> list[float]:
    top = 10.0 ** math.floor(math.log10(high))
    return [top, 0.1 * top, 0.01 * top]


def _ends(result: Result, loops: list[Loop]) -> list[Label]:
    """Names of the two ends of loops, each terminal once, with what happens there."""
    board = result.case.board
    labels: dict[str, Label] = {}
    for loop in loops:
        for name, what in ((loop.inject, "in"), (loop.return_, "out")):
            terminal = board.terminal(name)
            text = f"{name} ({what})" if len(loops) == 1 else name
            labels.setdefault(name, Label(text, terminal.centre, ROLE_COLOURS[loop.role], Frame.radius(terminal.shape), bold=True))
    return list(labels.values())


def _drive(loop: Loop) -> str:
    if not loop.current:
        return "per ampere (no current given)"
    at = f" at {engineering(loop.frequency, 'Hz')}" if loop.frequency else ""
    return f"{engineering(loop.current, 'A')} rms{at}"


def _line(dash: str | tuple[int, tuple[int, ...]]) -> Line2D:
    line = Line2D([], [], color="white", lw=1.6, ls=dash)
    line.set_path_effects([withStroke(linewidth=3.2, foreground="#000000cc")])
    return line
