"""Pictures over frequency: the flow side by side, impedances with their asymptotes, shares, and noise line by line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import cycle
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator
from numpy.typing import NDArray

from returnflow.answers.budget import Budget, band_mask
from returnflow.answers.radiation import allowed_volts
from returnflow.answers.result import Result, Spectral
from returnflow.answers.spectra import lines_of
from returnflow.pictures.canvas import INK
from returnflow.pictures.captions import own_resistance
from returnflow.pictures.chart import WIDTH, Chart, inch_axes, titled
from returnflow.pictures.fields import FLOW_MAP, own_range, shared_ranges
from returnflow.pictures.frame import WIDEST, Frame
from returnflow.pictures.lettering import LABEL_SIZE, SIZE, clean
from returnflow.pictures.maps import Maps
from returnflow.pictures.pictured import LEAST_PART, flow_parts, of_copper, pictured
from returnflow.pictures.side_by_side import apart
from returnflow.pictures.spectral_lines import MOST_LINES, PER_DECADE, strongest_per_band
from returnflow.words.drives import amperes, driven
from returnflow_geometry.model.numbers import MM, engineering, plain
from returnflow_geometry.model.radiation import HIGHEST, LOWEST
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]
Style = dict[str, Any]

LOW, HIGH = 10.0, 1e9  # Hz
POINTS = 97
# Okabe and Ito's colours, told apart with any colour vision; and by dash as well.
COLOURS = ("#0060a8", "#c24a00", "#00795c", "#8a3f78", "#7a6a00", "#3f8fc4", "#1c1c1c")
DASHES = ("-", (0, (5, 2)), (0, (1, 1)), (0, (6, 2, 1, 2)))
GUIDE, BAND = "#8c8c8c", "#e8f0e4"
PLANE_LINE = 0.19  # inches, of the line above a row that names its plane
NAMES_ACROSS = 3
LIMIT: Style = {"color": INK, "lw": 1.0, "dashes": (5, 2)}
MOST_PANELS, MOST_ACROSS = 8, 4  # of a film strip: of one plane, and in the row of each of several


def strip_chart(result: Result, loop: int) -> Chart:
    """Sheet current of one loop at asked frequencies side by side: a film strip, on every plane that carries it."""
    it = result.case.loops[loop]
    planes, asked = _carrying(result, loop)
    across = len(asked) if len(planes) > 1 else 3 if len(asked) > 4 else min(2, len(asked))
    down = len(planes) if len(planes) > 1 else math.ceil(len(asked) / across)
    left, side = 0.45, (WIDTH - 1.15) / across
    more = 0.32 + PLANE_LINE * (len(planes) > 1)
    drawn_at = [Maps(view, Frame(view, "", "", size=(side - 0.12) / WIDEST).window) for view in planes]
    fields = {(n, f): maps.strength(loop, f) * amperes(it) for n, maps in enumerate(drawn_at) for f in asked}
    ranges = shared_ranges({key: own_range(field) for key, field in fields.items()})
    low, high = min(r.low for r in ranges.values()), max(r.high for r in ranges.values())
    height = max(side * maps.window.shape[0] / maps.window.shape[1] for maps in drawn_at)
    figure, top = titled(
        f"{it.name}: the return from DC up{of_copper(planes[0]) if len(planes) == 1 else ', plane by plane'}",
        f"Magnitude of the sheet current for {engineering(amperes(it), 'A')} at each frequency, one colour scale.",
        down * (height + more) + 0.3,
    )
    total = figure.get_figheight()
    shown = None
    for number, ((n, f), field) in enumerate(fields.items()):
        maps = drawn_at[n]
        (rows, columns), (x0, y0) = maps.window.shape, maps.window.corner
        extent = (MM * x0, MM * (x0 + columns * maps.window.pixel), MM * y0, MM * (y0 + rows * maps.window.pixel))
        row, column = divmod(number, across)
        bottom = top - (row + 1) * (height + more) + 0.02
        place = ((left + column * side) / WIDTH, bottom / total, (side - 0.12) / WIDTH, height / total)
        axes = figure.add_axes(place)
        shown = axes.imshow(
            field, norm=LogNorm(low, high), cmap=FLOW_MAP, extent=extent, origin="lower", interpolation="nearest"
        )
        if it.route is not None:
            axes.plot(*(MM * np.array(it.route.path).T), color="white", lw=0.9, alpha=0.9)
        axes.set_title(engineering(f, "Hz") if f > 0 else "DC", fontsize=SIZE, loc="left", pad=2)
        axes.set_aspect("equal")
        axes.tick_params(labelsize=LABEL_SIZE - 1.5, length=2, pad=1)
        axes.xaxis.set_major_locator(apart())
        if row < down - 1 and number + across < len(fields):
            axes.set_xticklabels([])
        if column:
            axes.set_yticklabels([])
        elif len(planes) > 1:
            copper = result.case.board.copper(maps.result.copper)
            said = clean(f"{named(copper.name)} on {copper.layer}", 90)
            figure.text(left / WIDTH, (bottom + height + PLANE_LINE) / total, said, fontsize=LABEL_SIZE, weight="bold")
    if shown is not None:
        bar = figure.add_axes((1 - 0.56 / WIDTH, 0.3 / total, 0.016, (top - 0.75) / total))
        figure.colorbar(shown, cax=bar, extend="both")
        bar.yaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
        bar.yaxis.set_minor_locator(NullLocator())
        bar.tick_params(labelsize=LABEL_SIZE - 1.5)
        bar.set_title("A/m", fontsize=LABEL_SIZE, pad=8)
    note = "x and y in mm" + ("; the white line is the outgoing conductor" if it.route is not None else "")
    figure.text(left / WIDTH, 0.06 / total, note, fontsize=LABEL_SIZE - 0.5)
    return Chart(figure)


def _carrying(result: Result, loop: int) -> tuple[list[Result], list[float]]:
    """Views of the coppers that carry a part of a loop's current at some asked frequency, and frequencies to show."""
    parts = np.max([flow_parts(result, loop, f) for f in result.frequencies], axis=0)
    planes = [result.on(n) for n in pictured(result) if parts[n] >= LEAST_PART]
    return planes, _spread(result.frequencies, MOST_PANELS if len(planes) == 1 else MOST_ACROSS)


def impedance_chart(result: Result, spectral: Spectral, loop: int) -> Chart:
    """Impedance of one loop over frequency with its resistive and inductive asymptotes, and its inductance."""
    it = result.case.loops[loop]
    grid = np.geomspace(LOW, HIGH, POINTS)
    Z = spectral.model.lines(grid)[:, loop, loop]
    facts = spectral.facts[loop]
    w = 2 * np.pi * grid
    figure, top = titled(
        f"{it.name}: loop impedance",
        f"{engineering(facts.low_inductance, 'H')} at low and {engineering(facts.high_inductance, 'H')} at high "
        f"frequency; {own_resistance(result, loop)}.",
        3.4,
    )
    left, right = _two_axes(figure, top)
    left.loglog(grid, np.full(POINTS, result.solution.mid[loop, loop]), color=GUIDE, lw=0.9, dashes=(1, 1))
    left.loglog(grid, w * facts.low_inductance, color=GUIDE, lw=0.9, dashes=(5, 2))
    left.loglog(grid, w * facts.high_inductance, color=GUIDE, lw=0.9, dashes=(2, 1))
    left.loglog(grid, np.abs(Z), color=COLOURS[0], lw=1.8, label="|Z|")
    left.loglog(grid, Z.real, color=COLOURS[1], lw=1.4, ls=DASHES[1], label="Re Z")
    left.set_ylim(0.3 * float(np.min(Z.real)), 2 * float(np.max(np.abs(Z))))
    decades(left, "Ω")
    left.legend(fontsize=LABEL_SIZE, loc="upper left", frameon=False)
    right.semilogx(grid, 1e9 * Z.imag / w, color=COLOURS[0], lw=1.8)
    for value, dashes in ((facts.low_inductance, (5, 2)), (facts.high_inductance, (2, 1))):
        right.axhline(1e9 * value, color=GUIDE, lw=0.9, dashes=dashes)
    right.set_ylim(0, 1.12e9 * facts.low_inductance)
    right.set_ylabel("Im Z / ω, nH", fontsize=SIZE)
    for axes in (left, right):
        frequency_axis(axes)
        for mark, name, dash in (
            (facts.turning, "crossover frequency", DASHES[2]),
            (facts.ribbon, "under its trace", DASHES[3]),
        ):
            if mark is not None and LOW < mark < HIGH:
                axes.axvline(mark, color=INK, lw=0.8, ls=dash, label=name if axes is right else None)
    legend(right, loc="lower left", frameon=False)
    return Chart(figure)


def transfer_chart(result: Result, spectral: Spectral, victim: Budget) -> Chart:
    """Transfer impedance of every noisy loop to one loop over frequency, with both asymptotes."""
    i = result.index(victim.loop)
    noisy = [j for j, loop in enumerate(result.case.loops) if loop.role == "noisy"]
    grid = np.geomspace(LOW, HIGH, POINTS)
    Z = spectral.model.lines(grid)[:, i]
    high = spectral.model.high_inductance[i]
    figure, top = titled(
        f"What couples into {victim.loop}, over frequency",
        "Magnitude of the transfer impedance; thin: its resistive and its high-frequency inductive asymptote.",
        3.6,
    )
    axes = one_axes(figure, top)
    for j, colour, dash in zip(noisy, cycle(COLOURS), cycle(DASHES), strict=False):
        axes.loglog(grid, np.full(POINTS, abs(result.solution.mid[i, j])), color=colour, lw=0.6, alpha=0.7)
        axes.loglog(grid, 2 * np.pi * grid * abs(high[j]), color=colour, lw=0.6, alpha=0.7)
        axes.loglog(grid, np.abs(Z[:, j]), color=colour, ls=dash, lw=1.7, label=clean(result.loop_names[j], 28))
    size = np.abs(Z[:, noisy])
    axes.set_ylim(0.3 * float(np.min(size[size > 0], initial=1.0)), 3 * float(np.max(size)))
    decades(axes, "Ω")
    _shade_band(axes, result, victim)
    frequency_axis(axes)
    legend(axes)
    return Chart(figure)


def noise_chart(result: Result, victim: Budget) -> Chart:
    """
    Voltage of every line of every noisy loop in one loop, against its limit.

    Of a spectrum of many lines the strongest in every narrow band stands for the others. What has no place on a
    logarithmic axis, 0 Hz and currents of unknown frequency, has a strip of its own.
    """
    i = result.index(victim.loop)
    noisy = [(j, loop, lines_of(loop)) for j, loop in enumerate(result.case.loops) if loop.role == "noisy"]
    binned = any(len(lines.frequency) > MOST_LINES for _, _, lines in noisy)
    cables = result.case.loops[i].radiates
    close = f" Of more than {MOST_LINES} lines: the strongest in each {PER_DECADE}th of a decade, down to the weakest."
    against = "what is allowed at its frequency" if cables else f"the limit of {engineering(victim.limit, 'V')}"
    figure, top = titled(
        f"Noise in {victim.loop}, line by line",
        f"Filled: counted against {against}; hollow: out of its band." + close * binned,
        3.6,
    )
    apart = ["DC" for _, _, lines in noisy if not lines.anywhere and lines.frequency[0] == 0]
    apart = list(dict.fromkeys([*apart, *("any" for _, _, lines in noisy if lines.anywhere)]))
    strip, axes = _strip_and_axes(figure, top, apart)
    levels = [victim.limit]
    for (j, loop, lines), colour, marker in zip(noisy, cycle(COLOURS), cycle("osD^v"), strict=False):
        volts = lines.current * np.abs(result.at_lines(loop)[:, i, j])
        keep = volts > 1e-3 * min(victim.limit, max(victim.noise, float(np.max(volts))))
        heard, at_rest = band_mask(lines, result.case.loops[i]), lines.frequency == 0
        name, style = clean(loop.name, 28), Style(color=colour, ls="", marker=marker)
        for counts, face in ((heard, Style(ms=5)), (~heard, Style(ms=4, mfc="none"))):
            chosen = counts & keep & ~at_rest
            f, strongest, weakest = strongest_per_band(lines.frequency[chosen], volts[chosen])
            axes.plot(f, strongest, **style, **face)
            axes.vlines(f, weakest, strongest, color=colour, lw=0.7, alpha=0.6)
            if strip is not None:
                still = counts & keep & at_rest
                place = [apart.index("any" if lines.anywhere else "DC")] * int(still.sum())
                strip.plot(place, volts[still], **style, **face)
        axes.plot([], [], **style, ms=5, label=name)
        levels += volts[keep].tolist()
    if cables is None:
        for each in (axes, *(() if strip is None else (strip,))):
            each.axhline(victim.limit, label="limit", **LIMIT)
    else:
        f = np.geomspace(LOWEST, HIGHEST, 200)
        allowed = [allowed_volts(cables, float(each)) for each in f]
        axes.plot(f, allowed, label=f"limit by {cables.limit}", **LIMIT)
        levels.append(max(allowed))
    # Room for the names above the points.
    names = math.ceil((len(noisy) + 1) / NAMES_ACROSS) * 0.21 + 0.1
    high = axes.get_position().height * figure.get_figheight()
    span = math.log10(max(levels) / min(levels)) + 1
    axes.set_ylim(0.4 * min(levels), max(levels) * 10 ** (span / max(1 - names / high, 0.4) - span + 0.1))
    decades(axes if strip is None else strip, "V")
    _shade_band(axes, result, victim)
    band = result.case.loop(victim.loop).band
    if strip is not None and band is not None and "DC" in apart and band[0] == 0:
        strip.axvspan(-0.5, 0.5, color=BAND, zorder=0, lw=0)
    legend(axes, loc="upper right", ncols=NAMES_ACROSS)
    return Chart(figure)


def _strip_and_axes(figure: Figure, top: float, apart: Sequence[str]) -> tuple[Axes | None, Axes]:
    """Axes over frequency, and left of a break in their axis a strip for what has no frequency; None for nothing."""
    if not apart:
        axes = one_axes(figure, top)
        axes.set_yscale("log")
        frequency_axis(axes)
        return None, axes
    wide = 0.42 * len(apart)
    strip = inch_axes(figure, 0.8, 0.5, wide, top - 0.65)
    axes = inch_axes(figure, 0.8 + wide + 0.14, 0.5, WIDTH - 1.14 - wide, top - 0.65)
    axes.sharey(strip)
    axes.set_yscale("log")
    frequency_axis(axes)
    strip.set_xlim(-0.5, len(apart) - 0.5)
    strip.set_xticks(range(len(apart)), apart)
    axes.tick_params(axis="y", which="both", left=False, labelleft=False)
    strip.spines["right"].set_visible(False)
    axes.spines["left"].set_visible(False)
    cut = Style(marker=[(-0.5, -1), (0.5, 1)], ms=8, ls="", color=INK, mew=0.8, clip_on=False)
    for each, x in ((strip, 1.0), (axes, 0.0)):
        each.plot([x, x], [0, 1], transform=each.transAxes, **cut)
    return strip, axes


def strip_loops(result: Result) -> list[int]:
    """Loops worth a film strip: driven, with an outgoing conductor, where more than two frequencies are asked."""
    if result.spectral is None or len(result.frequencies) < 3:
        return []
    return [j for j, loop in enumerate(result.case.loops) if driven(loop) and loop.route is not None]


def _spread(frequencies: Sequence[float], most: int) -> list[float]:
    """At most so many of the asked frequencies, the ends among them."""
    if len(frequencies) <= most:
        return list(frequencies)
    return [frequencies[n] for n in np.unique(np.linspace(0, len(frequencies) - 1, most).round().astype(int))]


def one_axes(figure: Figure, top: float) -> Axes:
    """Axes as wide as the chart."""
    return inch_axes(figure, 0.8, 0.5, WIDTH - 1.0, top - 0.65)


def _two_axes(figure: Figure, top: float) -> tuple[Axes, Axes]:
    half = (WIDTH - 1.75) / 2
    return inch_axes(figure, 0.8, 0.5, half, top - 0.65), inch_axes(figure, 1.55 + half, 0.5, half, top - 0.65)


def frequency_axis(axes: Axes, *, named: bool = True) -> None:
    """Frequency along x, with its prefixes; to be drawn first where one line alone may leave limits without width."""
    axes.set_xscale("log")
    axes.set_xlim(LOW / 1.5, HIGH * 1.5)
    axes.xaxis.set_major_locator(LogLocator(base=10.0, subs=(1.0,), numticks=12))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda f, _: _short(f)))
    axes.xaxis.set_minor_locator(NullLocator())
    if named:
        axes.set_xlabel("frequency in Hz", fontsize=SIZE)


def decades(axes: Axes, unit: str) -> None:
    """Logarithmic ordinate with a prefix at every decade, or every third where there are many."""
    low, high = np.log10(axes.get_ylim())
    axes.yaxis.set_major_locator(LogLocator(base=10.0 if high - low < 9 else 1000.0, subs=(1.0,), numticks=15))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: engineering(value, unit)))
    axes.yaxis.set_minor_locator(NullLocator())


def _short(f: float) -> str:
    """
    Frequency on an axis, without its unit.

    Examples
    --------
    >>> _short(10.0), _short(1e4), _short(1e9)
    ('10', '10k', '1G')
    """
    return engineering(f, "").replace(" ", "")


def _shade_band(axes: Axes, result: Result, victim: Budget) -> None:
    band = result.case.loop(victim.loop).band
    if band is not None:
        axes.axvspan(max(band[0], LOW / 1.5), band[1], color=BAND, zorder=0, lw=0)
        axes.text(
            max(band[0], LOW / 1.4), 0.015, " its band", fontsize=LABEL_SIZE, color="#44663a", va="bottom",
            transform=axes.get_xaxis_transform(),
        )  # fmt: skip


def legend(axes: Axes, **style: Any) -> None:
    """Names of what axes show, where they show anything."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            **{"fontsize": LABEL_SIZE - 0.5, "framealpha": 0.85, "edgecolor": "none", "handlelength": 3.2} | style
        )
