"""Several variants side by side: equal maps in one figure, with one scale of millimetres and one of colours."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.ticker import Locator, MaxNLocator

from returnflow.answers.result import Result
from returnflow.pictures.canvas import INK, Canvas
from returnflow.pictures.frame import Extend, Surround, colour_bar
from returnflow.pictures.lettering import DPI, LABEL_SIZE, SIZE, clean, new_figure, png_bytes, text_size, wrap
from returnflow.pictures.maps import Window
from returnflow_geometry.model.numbers import MM

WIDTH, TALLEST = 9.2, 3.6  # inches, of the figure and of one map
LEFT, RIGHT, BAR, GAP, HEAD, BOTTOM = 0.5, 0.2, 1.0, 0.18, 0.58, 0.46
MOST = 12  # maps in one figure


def apart() -> Locator:
    """Few millimetres along maps that stand side by side: the last of one would touch the first of the next."""
    return MaxNLocator(5, steps=[1, 2, 5, 10], prune="upper")


class Panels:
    """
    Maps of one copper of several results.

    Parameters
    ----------
    results : sequence of Result
        Each on the copper to show.
    title, text : str
    bar : bool
        Keep room for a colour bar on the right.
    legend : sequence of (artist, label)
    """

    def __init__(
        self,
        results: Sequence[Result],
        title: str,
        text: str,
        *,
        bar: bool = False,
        legend: Sequence[tuple[Artist, str]] = (),
    ) -> None:
        boxes = MM * np.array([box for r in results for box in (r.case.board.outline.bounds, r.plane.copper.bounds)])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        margin = 0.035 * max(x1 - x0, y1 - y0)
        wide, high = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
        across = min(len(results), 2 if len(results) <= 4 else 3 if len(results) <= 6 else 4)
        down = math.ceil(len(results) / across)
        right = BAR if bar else RIGHT
        # All in whole pixels, so that fields are drawn pixel by pixel.
        left, gap, head, total = (round(DPI * inches) for inches in (LEFT, GAP, HEAD, WIDTH))
        room = (total - left - round(DPI * right) - (across - 1) * gap) // across
        pixel = max(wide / room, high / (TALLEST * DPI))
        columns, rows = math.floor(wide / pixel), math.floor(high / pixel)
        surround = Surround.of(title, text, legend, WIDTH)
        top, bottom = round(DPI * surround.top), round(DPI * (BOTTOM + surround.bottom))
        tall = top + down * (head + rows) + (down - 1) * gap + bottom
        self.figure = new_figure()
        self.figure.set_size_inches(total / DPI, tall / DPI)
        self.window = Window((0.5 * (x0 + x1 - columns * pixel) / MM, 0.5 * (y0 + y1 - rows * pixel) / MM), pixel / MM,
                             (rows, columns))  # fmt: skip
        self.maps: list[Canvas] = []
        self._room = room
        for number, result in enumerate(results):
            row, column = divmod(number, across)
            x = left + column * (room + gap)
            y = tall - top - (row + 1) * (head + rows) - row * gap
            axes = self.figure.add_axes((x / total, y / tall, columns / total, rows / tall))
            self._prepare(axes)
            if row < down - 1 and number + across < len(results):
                axes.set_xticklabels([])
            if column:
                axes.set_yticklabels([])
            self.maps.append(Canvas(result, self.figure, axes, self.window))
        self.bar_axes: Axes | None = None
        if bar:
            x, high_bar = left + across * room + (across - 1) * gap + round(0.14 * DPI), min(tall - top - bottom, 520)
            self.bar_axes = self.figure.add_axes(
                (x / total, (tall - top - head - high_bar + head) / tall, 0.16 * DPI / total, (high_bar - head) / tall)
            )
        surround.draw(self.figure)
        self.figure.text(left / total, (0.03 + surround.bottom) * DPI / tall, "x and y in mm", size=LABEL_SIZE - 0.5)

    def _prepare(self, axes: Axes) -> None:
        x, y = (MM * value for value in self.window.corner)
        rows, columns = self.window.shape
        axes.set_xlim(x, x + columns * MM * self.window.pixel)
        axes.set_ylim(y, y + rows * MM * self.window.pixel)
        axes.tick_params(labelsize=LABEL_SIZE - 1, length=2, pad=1)
        axes.xaxis.set_major_locator(apart())

    def draw_head(self, number: int, name: str, line: str) -> None:
        """Name of a variant and one line of text above its map, cut where they are too long."""
        axes = self.maps[number].axes
        box, tall = axes.get_position(), DPI * self.figure.get_figheight()
        first, *rest = wrap(clean(name), self._room, SIZE, bold=True) or [""]
        heads = [(first, 0.36, True), (" ".join(rest), 0.21, True)] if rest else [(first, 0.21, True)]
        for text, up, bold in (*heads, (clean(line), 0.05, False)):
            size = SIZE if bold else LABEL_SIZE
            shown = fitted(text, self._room, size, bold=bold)
            self.figure.text(
                box.x0, box.y1 + up * DPI / tall, shown, size=size, weight="bold" if bold else "normal",
                color=INK, gid="head",
            )  # fmt: skip

    def as_many_as_fit(self, parts: Sequence[str]) -> str:
        """Parts of a line in a row, as many as fit above a map; the first in any case."""
        line = ""
        for part in parts:
            longer = f"{line}, {part}" if line else part
            if line and text_size(clean(longer), LABEL_SIZE)[0] > self._room:
                break
            line = longer
        return line

    def draw_bar(
        self, mappable: ScalarMappable, label: str, ticks: Sequence[float] | None = None, extend: Extend = "both"
    ) -> None:
        """The one colour bar."""
        if self.bar_axes is not None:
            colour_bar(self.figure, self.bar_axes, mappable, label, ticks, extend=extend)

    def png(self) -> bytes:
        """Picture as PNG."""
        return png_bytes(self.figure)


def fitted(text: str, width: float, points: float, *, bold: bool = False) -> str:
    """
    Text cut so that it is no wider than some pixels.

    Examples
    --------
    >>> fitted("differential input", 60, 9.0)[-1], fitted("short", 600, 9.0)
    ('…', 'short')
    """
    if text_size(text, points, bold=bold)[0] <= width:
        return text
    least, most = 0, len(text)
    while least < most:
        middle = (least + most + 1) // 2
        fits = text_size(text[:middle].rstrip() + "…", points, bold=bold)[0] <= width
        least, most = (middle, most) if fits else (least, middle - 1)
    return text[:least].rstrip() + "…"
