"""Figures of charts: of one width, with a title and a line of text above, and axes placed in inches."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from returnflow.pictures.canvas import INK
from returnflow.pictures.lettering import DPI, LABEL_SIZE, SIZE, TITLE_SIZE, clean, family, new_figure, png_bytes, wrap

WIDTH = 7.4  # inches


@dataclass(frozen=True)
class Chart:
    """A finished figure."""

    figure: Figure

    def png(self) -> bytes:
        """Picture as PNG."""
        return png_bytes(self.figure)


def titled(title: str, text: str, body: float) -> tuple[Figure, float]:
    """Figure with a title, a line of text and a body of so many inches; returns the height of the body's top."""
    figure = new_figure()
    width = (WIDTH - 0.3) * DPI
    head, lines = wrap(clean(title), width, TITLE_SIZE, bold=True), wrap(clean(text), width)
    total = body + 0.24 * len(head) + 0.18 * len(lines) + 0.2
    figure.set_size_inches(WIDTH, total)
    y = total - 0.1
    for line in head:
        figure.text(0.02, y / total, line, fontsize=TITLE_SIZE, weight="bold", va="top", color=INK, family=family(line))
        y -= 0.24
    for line in lines:
        figure.text(0.02, y / total, line, fontsize=SIZE, va="top", color="#444444", family=family(line))
        y -= 0.18
    return figure, y


def inch_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes with a grid, placed in inches from the figure's lower left corner."""
    total = figure.get_figheight()
    axes = figure.add_axes((left / WIDTH, bottom / total, width / WIDTH, height / total))
    axes.tick_params(labelsize=LABEL_SIZE)
    axes.grid(which="major", color="#e2e2e2", lw=0.6)
    axes.set_axisbelow(True)
    return axes
