"""Pictures of sweeps: noise over one quantity with its bracket and limit; over two as a map with the limit's line."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import LogNorm
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter, NullLocator
from numpy.typing import NDArray
from shapely import LineString, Polygon

from returnflow.answers.sweeps import Swept, logarithmic, scales
from returnflow.answers.thresholds import Crossing, State, between
from returnflow.pictures.canvas import INK, ROLE_COLOURS
from returnflow.pictures.chart import WIDTH, Chart, inch_axes, titled
from returnflow.pictures.fields import PLACEMENT_MAP
from returnflow.pictures.lettering import DPI, LABEL_SIZE, SIZE, clean, text_size
from returnflow.pictures.picture import Wanted
from returnflow_geometry.model.board import Axis, Role
from returnflow_geometry.model.numbers import engineering, plain

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PANEL = 2.35  # inches
MOST_PANELS = 4  # loops in one picture
FINE = 24  # pixels of a map from step to step
DEEPEST = 0.03  # of the noise: a lower bound below that is drawn to here
WORDS: dict[Role, str] = {
    "sensitive": "noise in series with the signal",
    "cables": "voltage between the connectors",
    "noisy": "",
}
MARKS: dict[State, tuple[str, str, str]] = {
    "kept": ("o", "white", INK),
    "exceeded": ("o", INK, "white"),
    "undecided": ("o", "#9a9a9a", INK),
    "unknown": ("x", INK, INK),
}
HALO = [withStroke(linewidth=2.6, foreground="white")]


def sweep_pictures(swept: Swept) -> Iterator[Wanted]:
    """Pictures of a sweep: of one quantity, all loops below each other; of two, a map for each loop."""
    known = tuple(loop for loop in swept.loops if np.any(np.isfinite(swept.grid(loop))))
    one = len(swept.sweep.axes) == 1
    groups = [known[n : n + MOST_PANELS] for n in range(0, len(known), MOST_PANELS)] if one else [(k,) for k in known]
    for loops in groups:
        draw: Callable[[], Chart] = partial(curves, swept, loops) if one else partial(level_map, swept, loops[0])
        caption, alt = _words(swept, loops)
        name = " ".join(("sweep", swept.sweep.name, *(() if one else loops)))
        yield Wanted(kind="sweep", name=name, caption=caption, alt=alt, loops=loops, draw=draw)


def _words(swept: Swept, loops: tuple[str, ...]) -> tuple[str, str]:
    axes = swept.sweep.axes
    said = " ".join(swept.sentence(loop) for loop in loops)
    left = f" {len(swept.failed)} of {len(swept.sweep.steps)} steps failed." if swept.failed else ""
    over = " and ".join(axis.label for axis in axes)
    if len(axes) == 1:
        how = "Dots: solved steps; band: uncertainty; dashed: limit."
        return f"{said} {how}{left}", f"Chart of the noise in {', '.join(loops)} over {over}, with the limits."
    how = "Dots: solved steps, interpolated between them. On the line the noise is at the limit."
    return f"{said} {how}{left}", f"Map of the noise in {loops[0]} over {over}, with the contour of its limit."


# --- one quantity --------------------------------------------------------------------------------------------------


def curves(swept: Swept, loops: tuple[str, ...]) -> Chart:
    """Noise of some loops over the quantity of a sweep, one panel each."""
    (axis,) = swept.sweep.axes
    text = f"Noise in V rms over {axis.label}; shaded: uncertainty; dashed: limit."
    figure, top = titled(swept.sweep.name, text, PANEL * len(loops) + 0.25)
    step = (top - 0.25) / len(loops)
    for number, loop in enumerate(loops):
        panel = inch_axes(figure, 0.85, top - (number + 1) * step + 0.27, WIDTH - 1.05, step - 0.57)
        role = swept.roles[swept.column(loop)]
        panel.set_title(clean(f"{loop}: {WORDS[role]}", 80), fontsize=SIZE, loc="left", pad=3)
        _draw(panel, swept, loop, ROLE_COLOURS[role])
        if number == len(loops) - 1:
            panel.set_xlabel(clean(axis.label, 90), fontsize=SIZE)
    return Chart(figure)


def _draw(panel: Axes, swept: Swept, loop: str, colour: str) -> None:
    (axis,) = swept.sweep.axes
    values, limit = np.array(axis.values), swept.grid(loop, "limits")
    # Silence has no place on a logarithmic scale.
    noise = np.where(swept.grid(loop) > 0, swept.grid(loop), np.nan)
    low = np.maximum(swept.grid(loop, "low"), DEEPEST * noise)
    high = np.where(noise > 0, swept.grid(loop, "high"), np.nan)
    if logarithmic(axis):
        panel.set_xscale("log")
        panel.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        panel.xaxis.set_minor_locator(NullLocator())
        panel.xaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
    panel.set_yscale("log")
    panel.set_xlim(*_span(axis, 0.04))
    shown = np.concatenate([a[np.isfinite(a) & (a > 0)] for a in (low, high, noise, limit)])
    bottom, top = float(shown.min()), float(shown.max())
    # Above and below the lines there is room for a word.
    room = max(0.25 * math.log10(top / bottom), 0.12)
    panel.set_ylim(bottom / 10**room, top * 10**room)
    panel.fill_between(values, low, high, color=colour, alpha=0.2, lw=0)
    panel.plot(values, noise, color=colour, lw=1.7, marker="o", ms=4, mec="white", mew=0.6, gid="noise")
    # At a single step a limit is a point: drawn through the whole picture where it is the same everywhere.
    same = np.ptp(limit[np.isfinite(limit)]) == 0
    if same:
        panel.axhline(float(limit[np.isfinite(limit)][0]), color=INK, lw=1.0, dashes=(5, 2), gid="limit")
    else:
        panel.plot(values, limit, color=INK, lw=1.0, dashes=(5, 2), gid="limit")
    volt_axis(panel)
    for n in np.flatnonzero(~np.isfinite(swept.grid(loop))):
        panel.plot(values[n], 0.04, "x", color="#777777", ms=5, transform=panel.get_xaxis_transform(), clip_on=False)
    words = _Words(panel, np.column_stack([values, noise])[np.argsort(values)])
    for crossing in swept.met(loop):
        _mark(panel, swept, loop, crossing, words)
    left, right = sorted((values[0], values[-1]))
    ends = [(x, _limit_at(swept, loop, x), way, up) for x, way in ((right, -1), (left, 1)) for up in (1, -1)]
    words.put(f"limit {engineering(ends[0][1], 'V')}" if same else "limit", ends, "name")


class _Words:
    """Words set in a panel where they cover neither the curve nor each other; what finds no place is left out."""

    def __init__(self, panel: Axes, curve: Floats) -> None:
        self.panel = panel
        pixels = panel.transData.transform(curve[np.all(np.isfinite(curve) & (curve[:, 1:] > 0), axis=1)])
        self.curve = shapely.buffer(shapely.MultiPoint(pixels) if len(pixels) < 2 else LineString(pixels), 2.5)
        self.taken: list[Polygon] = []

    def put(self, text: str, at: list[tuple[float, float, int, int]], gid: str, *, bold: bool = False) -> None:
        """Text beside one of some places (x, y, -1 left or 1 right of it, -1 below or 1 above it), first come."""
        width, height = text_size(text, LABEL_SIZE, bold=bold)
        inside = shapely.box(*self.panel.get_window_extent().extents)
        best: tuple[float, Polygon | None] = (0.5 * width * height, None)
        for x, y, right, up in at:
            px, py = self.panel.transData.transform((x, y))
            px, py = px + right * 9, py + up * 6
            box = shapely.box(px, py, px + right * width, py + up * height)
            if any(box.intersects(other) for other in self.taken) or not inside.covers(box):
                continue
            covered = box.intersection(self.curve).area
            if covered < best[0]:
                best = (covered, box)
        if best[1] is None:
            return
        self.taken.append(best[1])
        x0, y0, x1, y1 = best[1].bounds
        x, y = self.panel.transData.inverted().transform((0.5 * (x0 + x1), 0.5 * (y0 + y1))).tolist()
        self.panel.text(
            x, y, text, fontsize=LABEL_SIZE, weight="bold" if bold else "normal", color=INK, ha="center",
            va="center_baseline", path_effects=HALO, gid=gid, zorder=6,
        )  # fmt: skip


def _mark(panel: Axes, swept: Swept, loop: str, crossing: Crossing, words: _Words) -> None:
    """Where the limit is met: a diamond on it and the value; shaded, what that is known to within."""
    (axis,) = swept.sweep.axes
    if crossing.between[0] != crossing.between[1]:
        panel.axvspan(*crossing.between, color="#8c8c8c", alpha=0.25, lw=0)
    if crossing.value is None:
        return
    x, y = crossing.value, _limit_at(swept, loop, crossing.value)
    panel.plot(x, y, "D", color=INK, ms=5, mec="white", mew=0.7, zorder=5, gid="met")
    panel.axvline(x, color=INK, lw=0.7, ls=(0, (1, 1)), zorder=1)
    sides = [(x, y, right, up) for up in (1, -1) for right in (-1, 1)]
    words.put(f"{x:.3g} {axis.unit}".rstrip(), sides, "value", bold=True)


def _limit_at(swept: Swept, loop: str, value: float) -> float:
    """Limit of a loop at a place of the only axis, volts."""
    (axis,) = swept.sweep.axes
    forth, _ = scales(axis)
    limit, values = swept.grid(loop, "limits"), np.array(axis.values)
    order = np.argsort(values)
    order = order[np.isfinite(limit[order])]
    return float(np.exp(np.interp(forth(np.array(value)), forth(values[order]), np.log(limit[order]))))


def _span(axis: Axis, margin: float) -> tuple[float, float]:
    """Ends of a drawn axis: those of its values, and a fraction of their span as a margin."""
    low, high = min(axis.values), max(axis.values)
    if logarithmic(axis):
        return low * (low / high) ** margin, high * (high / low) ** margin
    return low - margin * (high - low), high + margin * (high - low)


def volt_axis(axes: Axes) -> None:
    """Logarithmic ordinate in volts; values between the decades where there are few of those."""
    low, high = np.log10(axes.get_ylim())
    tiers = ((2.5, (1.0,)), (1.0, (1.0, 2.0, 5.0)), (0.5, (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)))
    subs = next((subs for least, subs in tiers if high - low > least), tuple(np.arange(1, 10, 0.5)))
    axes.yaxis.set_major_locator(LogLocator(base=10.0, subs=subs, numticks=12))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: engineering(value, "V")))


# --- two quantities ------------------------------------------------------------------------------------------------


def level_map(swept: Swept, loop: str) -> Chart:
    """Noise of one loop over the two quantities of a sweep, with the line on which its limit is met."""
    first, second = swept.sweep.axes
    role = swept.roles[swept.column(loop)]
    figure, top = titled(
        f"{swept.sweep.name}: {loop}",
        f"{swept.sentence(loop)} Dots: solved steps, white within the limit, black over it.",
        4.6,
    )
    panel = inch_axes(figure, 0.85, 0.5, WIDTH - 2.2, top - 0.65)
    panel.grid(visible=False)
    panel.set_facecolor("#d9d9d9")
    x, y, noise = _fine(swept, loop)
    known = noise[np.isfinite(noise) & (noise > 0)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (1.0, 1.0)
    if high < 1.01 * low:
        low, high = 0.9 * low, 1.1 * high
    shown = panel.pcolormesh(
        x, y, np.ma.masked_invalid(np.maximum(noise, low)).T, norm=LogNorm(low, high), cmap=PLACEMENT_MAP,
        rasterized=True, zorder=1,
    )  # fmt: skip
    for axis, which, set_scale, set_label in (
        (first, panel.xaxis, panel.set_xscale, panel.set_xlabel),
        (second, panel.yaxis, panel.set_yscale, panel.set_ylabel),
    ):
        if logarithmic(axis):
            set_scale("log")
            which.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
            which.set_minor_locator(NullLocator())
        which.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
        set_label(clean(axis.label, 60), fontsize=SIZE)
    panel.set_xlim(*_span(first, 0.0))
    panel.set_ylim(*_span(second, 0.0))
    _dots(panel, swept, loop)
    _limit_line(panel, swept, loop)
    total = figure.get_figheight()
    bar = figure.add_axes((1 - 1.2 / WIDTH, 0.5 / total, 0.16 / WIDTH, (top - 0.65) / total))
    figure.colorbar(shown, cax=bar)
    bar.set_ylabel(f"{WORDS[role]}, rms", fontsize=SIZE, labelpad=7)
    volt_axis(bar)
    bar.yaxis.set_minor_formatter(NullFormatter())
    bar.tick_params(labelsize=LABEL_SIZE)
    return Chart(figure)


def _dots(panel: Axes, swept: Swept, loop: str) -> None:
    """Steps by what is known of the limit there."""
    first, second = swept.sweep.axes
    for step, state in zip(swept.sweep.steps, swept.states(loop), strict=True):
        marker, face, edge = MARKS[state]
        panel.plot(
            first.values[step.at[0]], second.values[step.at[1]], marker, ms=5, mfc=face, mec=edge, mew=0.8,
            clip_on=False, zorder=4,
        )  # fmt: skip


def _limit_line(panel: Axes, swept: Swept, loop: str) -> None:
    pieces = swept.contour(loop)
    if not len(pieces):
        return
    for colour, width in (("white", 3.2), (INK, 1.7)):
        panel.add_collection(
            LineCollection(list(pieces), colors=colour, linewidths=width, capstyle="round", zorder=3), autolim=False
        )
    limit = swept.limits[:, swept.column(loop)]
    limit = limit[np.isfinite(limit)]
    text = f"limit {engineering(float(limit[0]), 'V')}" if np.ptp(limit) == 0 else "limit"
    middles = pieces.mean(axis=1)
    # On the piece nearest to the middle of the picture there is room for words, unless they would cover a step.
    off = np.hypot(*(panel.transAxes.inverted().transform(panel.transData.transform(middles)) - (0.4, 0.5)).T)
    n = int(np.argmin(off + 10.0 * _covers(panel, swept, middles, text_size(text, LABEL_SIZE, bold=True))))
    panel.annotate(
        text, middles[n], xytext=(6, 6), textcoords="offset points", fontsize=LABEL_SIZE, weight="bold", color=INK,
        path_effects=HALO, zorder=6, gid="name",
    )  # fmt: skip


def _covers(panel: Axes, swept: Swept, places: Floats, size: tuple[float, float]) -> Bools:
    """Whether words of that size (pixels) beside each place would lie on a step of the sweep, shape (places,)."""
    first, second = swept.sweep.axes
    steps = np.array([(first.values[step.at[0]], second.values[step.at[1]]) for step in swept.sweep.steps])
    starts, dots = panel.transData.transform(places), panel.transData.transform(steps)
    right, up = np.moveaxis(dots[None, :, :] - starts[:, None, :], 2, 0)
    margin = 0.2 * DPI
    covered = (right > 0) & (right < size[0] + margin) & (up > -margin / 4) & (up < size[1] + margin)
    return np.asarray(covered.any(axis=1), dtype=np.bool_)


def _fine(swept: Swept, loop: str) -> tuple[Floats, Floats, Floats]:
    """Edges of fine cells along both axes, in their units, and the noise in each, interpolated between the steps."""
    noise = swept.grid(loop)
    edges, weights = [], []
    for axis in swept.sweep.axes:
        forth, back = scales(axis)
        steps = np.arange(FINE * (len(axis.values) - 1) + 1) / FINE
        edges.append(back(np.interp(steps, np.arange(len(axis.values)), forth(np.array(axis.values)))))
        weights.append(np.arange(len(steps) - 1) + 0.5)
    u, v = (weight / FINE for weight in weights)
    i, j = u.astype(np.int64), v.astype(np.int64)
    s, t = u - i, v - j
    rows = np.stack([noise[i], noise[i + 1]])
    along = _blend(rows[0], rows[1], s[:, None])
    return edges[0], edges[1], _blend(along[:, j], along[:, j + 1], t[None, :])


def _blend(a: Floats, b: Floats, s: Floats) -> Floats:
    """As `thresholds.between`, for arrays."""
    known = np.isfinite(a) & np.isfinite(b)
    mixed: Floats = np.full(np.broadcast_shapes(known.shape, s.shape), np.nan)
    a, b, s = np.broadcast_arrays(a, b, s)
    mixed[known] = np.vectorize(between, otypes=[float])(a[known], b[known], s[known])
    return mixed
