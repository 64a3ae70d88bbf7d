"""The frame of a picture of one copper: title, map to scale, legend below, colour bar at the right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, Locator

from returnflow.answers.result import Result
from returnflow.pictures.canvas import INK, Canvas
from returnflow.pictures.lettering import (
    DPI,
    LABEL_SIZE,
    SIZE,
    TITLE_SIZE,
    clean,
    new_figure,
    png_bytes,
    text_size,
    wrap,
)
from returnflow.pictures.maps import Window
from returnflow_geometry.model.numbers import MM

Extend = Literal["neither", "min", "max", "both"]

REGION, SECTION = "#3d6b50", "#000000"

# Inches. The map takes what the board's shape asks for, within these.
WIDEST, HIGHEST, NARROWEST, LOWEST = 5.2, 4.3, 3.4, 2.0
LEFT, RIGHT, BAR, BOTTOM = 0.6, 0.22, 1.1, 0.48  # LEFT is a whole number of pixels
LINE = 1.45 * SIZE / 72


@dataclass(frozen=True)
class Surround:
    """
    Title above a picture and legend below it, measured for a width.

    Attributes
    ----------
    title, text : tuple of str
        Lines.
    legend : tuple of (artist, label)
    per_line : int
        Entries of the legend in one line.
    """

    title: tuple[str, ...]
    text: tuple[str, ...]
    legend: tuple[tuple[Artist, str], ...]
    per_line: int

    @classmethod
    def of(cls, title: str, text: str, legend: Sequence[tuple[Artist, str]], width: float) -> Surround:
        """For a picture of some width in inches."""
        room = (width - 0.3) * DPI
        heading = wrap(clean(title), room, TITLE_SIZE, bold=True)
        below = [line for part in text.split("\n") for line in wrap(clean(part), room, SIZE)]
        entries = tuple((artist, clean(label, 60)) for artist, label in legend)
        widest = max((text_size(name, LABEL_SIZE)[0] for _, name in entries), default=0) + 3.6 * LABEL_SIZE * DPI / 72
        per_line = max(1, min(len(entries), int(room / widest))) if entries else 1
        return cls(tuple(heading), tuple(below), entries, per_line)

    @property
    def top(self) -> float:
        """Height above the picture, inches."""
        return 0.14 + len(self.title) * 1.3 * TITLE_SIZE / 72 + len(self.text) * LINE + 0.1

    @property
    def bottom(self) -> float:
        """Height of the legend, inches."""
        lines = math.ceil(len(self.legend) / self.per_line)
        return lines * 1.55 * LABEL_SIZE / 72 + (0.1 if lines else 0)

    def draw(self, figure: Figure) -> None:
        """Set title, text and legend at the edges of a figure."""
        total, tall = figure.get_size_inches()
        x, down = 0.15 / total, tall - 0.14
        for line in self.title:
            figure.text(x, down / tall, line, size=TITLE_SIZE, weight="bold", va="top", color=INK)
            down -= 1.3 * TITLE_SIZE / 72
        for line in self.text:
            figure.text(x, down / tall, line, size=SIZE, va="top", color="#444444")
            down -= LINE
        if self.legend:
            figure.legend(
                [artist for artist, _ in self.legend], [name for _, name in self.legend],
                loc="lower left", bbox_to_anchor=(0.1 / total, 0.03 / tall), ncols=self.per_line,
                frameon=False, fontsize=LABEL_SIZE, handlelength=2.4, columnspacing=1.6, borderaxespad=0.2,
            )  # fmt: skip


class Frame(Canvas):
    """
    A picture of one copper, to scale.

    Parameters
    ----------
    result : Result
    title, subtitle : str
    bar : bool
        Keep room for a colour bar on the right.
    legend : sequence of (artist, label)
        Set below the map.
    size : float
        Of the map.
    """

    def __init__(
        self,
        result: Result,
        title: str,
        subtitle: str,
        *,
        bar: bool = False,
        legend: Sequence[tuple[Artist, str]] = (),
        size: float = 1.0,
    ) -> None:
        boxes = MM * np.array([result.case.board.outline.bounds, result.plane.copper.bounds])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        margin = 0.035 * max(x1 - x0, y1 - y0)
        wide, high = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
        scale = size * min(WIDEST / wide, HIGHEST / high)
        # Whole pixels, so that fields are drawn pixel by pixel.
        columns, rows = (
            round(DPI * inches) for inches in (max(scale * wide, size * NARROWEST), max(scale * high, size * LOWEST))
        )
        width, height = columns / DPI, rows / DPI
        total = LEFT + width + (BAR if bar else RIGHT)
        surround = Surround.of(title, subtitle, legend, total)
        bottom = round(DPI * (BOTTOM + surround.bottom)) / DPI
        total, tall = round(DPI * total) / DPI, round(DPI * (surround.top + height + bottom)) / DPI
        figure = new_figure()
        figure.set_size_inches(total, tall)
        axes = figure.add_axes((LEFT / total, bottom / tall, width / total, height / tall))
        centre = ((x0 + x1) / 2, (y0 + y1) / 2)
        axes.set_xlim(centre[0] - width / scale / 2, centre[0] + width / scale / 2)
        axes.set_ylim(centre[1] - height / scale / 2, centre[1] + height / scale / 2)
        axes.set_aspect("equal")
        axes.set_xlabel("x in mm", labelpad=2)
        axes.set_ylabel("y in mm", labelpad=2)
        axes.tick_params(labelsize=LABEL_SIZE)
        corner = (axes.get_xlim()[0] / MM, axes.get_ylim()[0] / MM)
        super().__init__(result, figure, axes, Window(corner, 1 / (scale * DPI * MM), (rows, columns)))
        self.bar_axes: Axes | None = None
        if bar:
            self.bar_axes = figure.add_axes(((LEFT + width + 0.14) / total, bottom / tall, 0.16 / total, height / tall))
        surround.draw(figure)

    def draw_bar(
        self,
        mappable: ScalarMappable,
        label: str,
        ticks: Locator | Sequence[float] | None = None,
        *,
        extend: Extend = "neither",
        signed: bool = False,
    ) -> None:
        """Colour bar at the right edge; `extend` says at which ends values are clipped."""
        if self.bar_axes is not None:
            colour_bar(self.figure, self.bar_axes, mappable, label, ticks, extend=extend, signed=signed)

    def png(self) -> bytes:
        """Picture as PNG."""
        return png_bytes(self.figure)


def colour_bar(
    figure: Figure,
    axes: Axes,
    mappable: ScalarMappable,
    label: str,
    ticks: Locator | Sequence[float] | None = None,
    *,
    extend: Extend = "neither",
    signed: bool = False,
) -> None:
    """Upright colour bar in axes of its own; `extend` says at which ends values are clipped."""

    def tick(value: float, _: object) -> str:
        return (f"{value:+.3g}" if signed and value else f"{value:.6g}").replace("-", "−")

    bar = figure.colorbar(mappable, cax=axes, ticks=ticks, format=FuncFormatter(tick), extend=extend, extendfrac=0.03)
    bar.minorticks_off()  # dozens of them took as long to draw as the map
    bar.set_label(label, size=SIZE)
    bar.ax.tick_params(labelsize=LABEL_SIZE)
    bar.outline.set_linewidth(0.5)
