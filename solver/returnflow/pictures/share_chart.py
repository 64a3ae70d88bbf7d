"""Where currents go over frequency: their shares across regions, and near their own conductors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import cycle

import numpy as np
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from returnflow.answers import frequency
from returnflow.answers.result import Result, Spectral
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.traces import Route
from returnflow.pictures.chart import WIDTH, Chart, inch_axes, titled
from returnflow.pictures.lettering import LABEL_SIZE, SIZE, clean
from returnflow.pictures.over_frequency import COLOURS, DASHES, GUIDE, HIGH, LOW, NAMES_ACROSS, frequency_axis
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]

SHARE_POINTS = 49
THIN = "79.5 %: thin trace over an unbroken plane; wide ones more"
NEAR = "within three trace heights of its conductor"
WIDE, BROKEN = 1.7, (0, (4, 3))  # points of a curve, and dashes of one that lies on another
ALIKE = 0.015  # of a share: curves that near cover one another


def share_chart(result: Result, spectral: Spectral) -> Chart:
    """Share of every current across every region, and within three heights of its own conductor, over frequency."""
    model = spectral.model
    grid = np.geomspace(LOW, HIGH, SHARE_POINTS)
    loops = [j for j, loop in enumerate(result.case.loops) if loop.role == "noisy"]
    frequencies = grid.tolist()
    shares, _ = frequency.traffic(model, result.solution.loops, result.conductors.contact_inside(), frequencies)
    curves = {
        f"across {named(region.name)}": {j: shares[:, n, j] for j in loops}
        for n, region in enumerate(result.case.regions)
    }
    if routed := _routed(result):
        curves[NEAR] = {j: _near(result, model, j, route, frequencies) for j, route in routed.items()}
    styles = dict(zip(loops, zip(cycle(COLOURS), cycle(DASHES), strict=False), strict=False))
    names = 0.2 * math.ceil(len(loops) / NAMES_ACROSS) + 0.1  # inches
    figure, top = titled(
        "Where the currents go, over frequency",
        "Share of each noisy current through a region, and share within three trace heights of its own conductor.",
        2.3 * len(curves) + 0.3 + names,
    )
    shown = [
        Line2D([], [], color=colour, ls=dash, lw=WIDE, label=clean(result.loop_names[j], 28))
        for j, (colour, dash) in styles.items()
    ]
    figure.legend(
        handles=shown, loc="upper left", bbox_to_anchor=(0.66 / WIDTH, top / figure.get_figheight()),
        ncols=NAMES_ACROSS, handlelength=3.2, frameon=False, fontsize=LABEL_SIZE - 0.5,
    )  # fmt: skip
    top -= names
    step = (top - 0.35) / len(curves)
    for number, (title, of) in enumerate(curves.items()):
        axes = inch_axes(figure, 0.75, top - (number + 1) * step + 0.42, WIDTH - 0.95, step - 0.7)
        for j, (under, on_top) in layers(of).items():
            colour, dash = styles[j]
            if under and not on_top:
                dash = "-"
            elif on_top and dash == "-":
                dash = BROKEN
            width = WIDE * (1 + 1.3 * under)
            name = clean(result.loop_names[j], 28)
            axes.semilogx(grid, 100 * of[j], color=colour, ls=dash, lw=width, zorder=3 - 0.1 * under, label=name)
        axes.set_title(clean(title, 70), fontsize=SIZE, loc="left", pad=3)
        axes.set_ylim(0, max(104.0, axes.get_ylim()[1]))
        axes.set_ylabel("%", fontsize=SIZE)
        frequency_axis(axes, named=number == len(curves) - 1)
        if title == NEAR:
            axes.axhline(79.5, color=GUIDE, lw=0.8, dashes=(2, 1))
            at = axes.get_yaxis_transform()
            axes.text(0.01, 81, THIN, fontsize=LABEL_SIZE - 1, color="#555555", transform=at)
    return Chart(figure)


def has_shares(result: Result) -> bool:
    """Whether there is a share to show over frequency: of a noisy current, across a region or near its conductor."""
    noisy = any(loop.role == "noisy" for loop in result.case.loops)
    return noisy and bool(result.case.regions or _routed(result))


def _routed(result: Result) -> dict[int, Route]:
    """Outgoing conductors of the noisy loops that run above a copper, by number of the loop."""
    noisy = [j for j, loop in enumerate(result.case.loops) if loop.role == "noisy"]
    return {j: route for j in noisy if (route := result.facing[j].route) is not None and route.height}


def _near(result: Result, model: Broadband, j: int, route: Route, frequencies: list[float]) -> Floats:
    """Share of a loop's return within three heights of its outgoing conductor."""
    mine = frequency.among(model, result.conductors, result.facing[j].copper)
    near: Floats = np.abs(frequency.near_shares(model, route, j, frequencies, among=mine))
    return near


def layers(curves: Mapping[int, Floats]) -> dict[int, tuple[int, int]]:
    """
    How many later curves lie on each, and on how many earlier ones it lies: wide below, narrow and broken on top.

    Examples
    --------
    >>> layers({4: np.array([0.2, 1.0]), 5: np.array([0.2, 0.6]), 7: np.array([0.2, 1.0])})
    {4: (1, 0), 5: (0, 0), 7: (0, 1)}
    """
    alike = {j: [other for other in curves if np.max(np.abs(curves[j] - curves[other])) < ALIKE] for j in curves}
    order = list(curves)
    return {
        j: (sum(order.index(o) > order.index(j) for o in some), sum(order.index(o) < order.index(j) for o in some))
        for j, some in alike.items()
    }
