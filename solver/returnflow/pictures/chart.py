"""Figures of charts: of one width, with a title and a line of text above, and axes placed in inches."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from returnflow.pictures.frame import Surround
from returnflow.pictures.lettering import LABEL_SIZE, new_figure, png_bytes

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
    figure, surround = new_figure(), Surround.of(title, text, (), WIDTH)
    figure.set_size_inches(WIDTH, body + surround.top)
    surround.draw(figure)
    return figure, body


def inch_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes with a grid, placed in inches from the figure's lower left corner."""
    total = figure.get_figheight()
    axes = figure.add_axes((left / WIDTH, bottom / total, width / WIDTH, height / total))
    axes.tick_params(labelsize=LABEL_SIZE)
    axes.grid(which="major", color="#e2e2e2", lw=0.6)
    axes.set_axisbelow(True)
    return axes
