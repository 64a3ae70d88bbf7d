"""The frame every picture shares: copper to scale in millimetres, terminals, names that never overlap, colour bar."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Colormap, Normalize
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, Locator, NullFormatter
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

from returnflow.labels import Placer
from returnflow.maps import Window
from returnflow.plots_text import (
    DPI,
    LABEL_SIZE,
    SIZE,
    TITLE_SIZE,
    clean,
    family,
    new_figure,
    png_bytes,
    text_size,
    wrap,
)
from returnflow.result import Result
from returnflow_geometry.board import Loop, Role, Shape

Floats = NDArray[np.float64]
Extend = Literal["neither", "min", "max", "both"]

MM = 1e3  # pictures are in millimetres
COPPER, EDGE, INK = "#f1e2cd", "#7d6245", "#1c1c1c"
# Told apart by people with any colour vision, by dash as well, and in print: Okabe and Ito's vermilion, blue, purple.
ROLE_COLOURS: dict[Role, str] = {"noisy": "#c24a00", "sensitive": "#0060a8", "cables": "#8a3f78"}
ROLE_DASHES: dict[Role, str | tuple[int, tuple[int, ...]]] = {
    "noisy": "-",
    "sensitive": (0, (5, 2)),
    "cables": (0, (1, 1)),
}
MANY_HOLES = 300
REGION, SECTION = "#3d6b50", "#000000"

# Inches. The map takes what the board's shape asks for, within these.
WIDEST, HIGHEST, NARROWEST, LOWEST = 7.4, 6.0, 4.6, 2.5
LEFT, RIGHT, BAR, BOTTOM = 0.6, 0.22, 1.1, 0.48  # LEFT is a whole number of pixels
LINE = 1.45 * SIZE / 72


@dataclass(frozen=True)
class Label:
    """A name to set beside a place (m, m), at most `reach` pixels off; `radius` (m) is that of the thing named."""

    text: str
    at: tuple[float, float]
    colour: str = INK
    radius: float = 0.0
    bold: bool = False
    reach: float = math.inf


class Frame:
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
    """

    def __init__(
        self, result: Result, title: str, subtitle: str, *, bar: bool = False, legend: Sequence[tuple[Artist, str]] = ()
    ) -> None:
        self.result = result
        self.copper = result.plane.copper
        boxes = MM * np.array([result.case.board.outline.bounds, self.copper.bounds])
        (x0, y0), (x1, y1) = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        margin = 0.035 * max(x1 - x0, y1 - y0)
        wide, high = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
        scale = min(WIDEST / wide, HIGHEST / high)
        # Whole pixels, so that fields are drawn pixel by pixel.
        columns, rows = (round(DPI * inches) for inches in (max(scale * wide, NARROWEST), max(scale * high, LOWEST)))
        width, height = columns / DPI, rows / DPI
        right = BAR if bar else RIGHT
        total = LEFT + width + right
        room = (total - 0.3) * DPI
        heading = wrap(clean(title), room, TITLE_SIZE, bold=True)
        below = [line for part in subtitle.split("\n") for line in wrap(clean(part), room, SIZE)]
        names = [clean(label, 60) for _, label in legend]
        widest = max((text_size(name, LABEL_SIZE)[0] for name in names), default=0) + 3.6 * LABEL_SIZE * DPI / 72
        per_line = max(1, min(len(names), int(room / widest))) if names else 1
        lines = math.ceil(len(names) / per_line)
        top = 0.14 + len(heading) * 1.3 * TITLE_SIZE / 72 + len(below) * LINE + 0.1
        bottom = round(DPI * (BOTTOM + lines * 1.55 * LABEL_SIZE / 72 + (0.1 if lines else 0))) / DPI
        total, tall = round(DPI * total) / DPI, round(DPI * (top + height + bottom)) / DPI

        self.figure = new_figure()
        self.figure.set_size_inches(total, tall)
        self.axes: Axes = self.figure.add_axes((LEFT / total, bottom / tall, width / total, height / tall))
        centre = ((x0 + x1) / 2, (y0 + y1) / 2)
        self.axes.set_xlim(centre[0] - width / scale / 2, centre[0] + width / scale / 2)
        self.axes.set_ylim(centre[1] - height / scale / 2, centre[1] + height / scale / 2)
        self.axes.set_aspect("equal")
        self.axes.set_xlabel("x in mm", labelpad=2)
        self.axes.set_ylabel("y in mm", labelpad=2)
        self.axes.tick_params(labelsize=LABEL_SIZE)
        self.pixel = 1 / (scale * DPI)  # mm
        self.shape = (rows, columns)
        x, y = self.axes.get_xlim()[0], self.axes.get_ylim()[0]
        self.corner = (x / MM, y / MM)  # m, lower left
        self.bar_axes = (
            self.figure.add_axes(((LEFT + width + 0.14) / total, bottom / tall, 0.16 / total, height / tall))
            if bar
            else None
        )

        down = tall - 0.14
        for line in heading:
            self.figure.text(
                0.15 / total,
                down / tall,
                line,
                size=TITLE_SIZE,
                weight="bold",
                va="top",
                color=INK,
                family=family(line),
            )
            down -= 1.3 * TITLE_SIZE / 72
        for line in below:
            self.figure.text(0.15 / total, down / tall, line, size=SIZE, va="top", color="#444444", family=family(line))
            down -= LINE
        if names:
            handles = [handle for handle, _ in legend]
            made = self.figure.legend(
                handles, names, loc="lower left", bbox_to_anchor=(0.1 / total, 0.03 / tall), ncols=per_line,
                frameon=False, fontsize=LABEL_SIZE, handlelength=2.4, columnspacing=1.6, borderaxespad=0.2,
            )  # fmt: skip
            for text in made.get_texts():
                text.set_fontfamily(family(text.get_text()))

    def draw_copper(self, *, over: bool = False) -> None:
        """Copper with its cutouts; `over` draws its edges only, on top of a field."""
        path = shape_path(self.copper)
        # A sieve of antipads keeps its colour only if its edges are fine.
        width = 0.7 if hole_count(self.copper) < MANY_HOLES else 0.35
        if over:
            self.draw_path(path, facecolor="none", edgecolor=EDGE, linewidth=width, zorder=3)
        else:
            outline = shape_path(self.result.case.board.outline)
            self.draw_path(outline, facecolor="none", edgecolor="#9a9a9a", linewidth=0.6, zorder=0.5)
            self.draw_path(path, facecolor=COPPER, edgecolor=EDGE, linewidth=width, zorder=1)

    def draw_path(self, path: Path, **style: Any) -> None:
        """Path in millimetres. Not as a patch of the axes: those are measured, which takes long for many holes."""
        patch = PathPatch(path, transform=self.axes.transData, **style)
        self.axes.add_artist(patch)
        patch.set_clip_path(self.axes.patch)

    def draw_route(self, loop: Loop, colour: str) -> None:
        """Outgoing conductor of a loop, if it has one, as a broad pale line: it lies on another layer."""
        if loop.route is not None:
            self.axes.plot(*(MM * np.array(loop.route.path)).T, color=colour, lw=2.4, alpha=0.4, zorder=3.5)

    def draw_terminals(self, names: Sequence[str] | None = None, colour: str = INK) -> None:
        """Terminals to scale, with a ring round those too small to see; all, or those named."""
        small: list[tuple[float, float]] = []
        for terminal in self.result.case.board.terminals:
            if terminal.copper != self.result.copper or (names is not None and terminal.name not in names):
                continue
            self.draw_path(shape_path(terminal.shape), facecolor=colour, edgecolor="white", linewidth=0.5, zorder=5)
            if 2 * self.radius(terminal.shape) * MM < 7 * self.pixel:
                small.append((MM * terminal.centre[0], MM * terminal.centre[1]))
        if small:
            self.axes.plot(
                *zip(*small, strict=True), ls="", marker="o", ms=4.5, mfc=colour, mec="white", mew=0.7, zorder=5
            )

    @property
    def window(self) -> Window:
        """The map's pixels."""
        return Window(self.corner, self.pixel / MM, self.shape)

    @staticmethod
    def radius(shape: Shape) -> float:
        """Half of the larger side of a shape's box, metres."""
        x0, y0, x1, y1 = shape.bounds
        return float(max(x1 - x0, y1 - y0) / 2)

    def draw_segments(self, segments: Floats, colour: str, width: float, zorder: float = 4) -> None:
        """Straight pieces of shape (k, 2, 2) in metres."""
        if len(segments):
            self.axes.add_collection(
                LineCollection(list(MM * segments), colors=colour, linewidths=width, capstyle="round", zorder=zorder),
                autolim=False,
            )

    def draw_labels(self, labels: Sequence[Label], lines: Floats | None = None) -> list[str]:
        """
        Set names so that none overlaps another.

        Parameters
        ----------
        labels : sequence of Label
            The most important first.
        lines : array, shape (n, 2), optional
            Points in metres which names should rather not cover.

        Returns
        -------
        left_out : list of str
            Names that found no place; the picture says how many.
        """
        axes = self.axes
        box = axes.get_window_extent()
        to_pixels = axes.transData.transform
        terminals = [t.centre for t in self.result.case.board.terminals if t.copper == self.result.copper]
        marks = MM * np.array(terminals, dtype=float).reshape(-1, 2)
        # A marker counts as its centre and a ring of points, so that a label beside it is worth more than one on it.
        ring = 5.0 * np.array(
            [(0, 0)] + [(math.cos(a), math.sin(a)) for a in np.linspace(0, 2 * np.pi, 8, endpoint=False)]
        )
        avoid = (to_pixels(marks)[:, None] + ring).reshape(-1, 2) if len(marks) else np.empty((0, 2))
        if lines is not None and len(lines):
            avoid = np.concatenate([avoid, to_pixels(MM * lines)])
        placer = Placer((box.x0 + 3, box.y0 + 3, box.x1 - 3, box.y1 - 3), avoid)
        left_out = []
        for label in labels:
            text = clean(label.text, 34)
            width, height = text_size(text, LABEL_SIZE, bold=label.bold)
            x, y = to_pixels((MM * label.at[0], MM * label.at[1]))
            radius = max(3.0, MM * label.radius / self.pixel)
            place = placer.place((float(x), float(y)), (width + 6, height + 4), radius, label.reach)
            if place is None:
                left_out.append(label.text)
                continue
            self._set_label(text, label, place.box, place.leader)
        if left_out:
            x, y = box.x1 / self.figure.bbox.width, (box.y0 - 0.4 * DPI) / self.figure.bbox.height
            message = f"{len(left_out)} name{'s' * (len(left_out) > 1)} left out for lack of room"
            self.figure.text(x, y, message, size=7.5, ha="right", color="#444444")
        return left_out

    def _set_label(
        self,
        text: str,
        label: Label,
        box: tuple[float, float, float, float],
        leader: tuple[tuple[float, float], tuple[float, float]] | None,
    ) -> None:
        back = self.axes.transData.inverted().transform
        if leader is not None:
            ends = back(np.array(leader))
            line = LineCollection([ends], colors=label.colour, linewidths=0.6, zorder=6)
            line.set_path_effects([withStroke(linewidth=1.8, foreground="white", alpha=0.8)])
            self.axes.add_collection(line, autolim=False)
        middle = back((0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])))
        made = self.axes.text(
            float(middle[0]), float(middle[1]), text,
            size=LABEL_SIZE, color=label.colour, weight="bold" if label.bold else "normal", family=family(text),
            ha="center", va="center_baseline", zorder=7, gid="label",
        )  # fmt: skip
        made.set_path_effects([withStroke(linewidth=2.4, foreground="white", alpha=0.9)])

    def draw_field(self, values: Floats, norm: Normalize, colours: Colormap) -> ScalarMappable:
        """Values at every pixel of the map, NaN where there is none."""
        left, right = self.axes.get_xlim()
        bottom, top = self.axes.get_ylim()
        mappable = ScalarMappable(norm, colours)
        known = np.isfinite(values)
        # Coloured here: one pixel of the field is one of the picture, so there is nothing to resample.
        image = np.zeros((*self.shape, 4), dtype=np.uint8)
        image[known] = colours(norm(values[known]), bytes=True)
        self.axes.imshow(image, origin="lower", extent=(left, right, bottom, top), interpolation="nearest", zorder=2)
        return mappable

    def draw_level(
        self, values: Floats, level: float, colour: str, width: float, dash: str, *, halo: str, zorder: float = 2.6
    ) -> None:
        """Contour of values at every pixel, with a halo that keeps it readable on any colour."""
        known = values[np.isfinite(values)]
        if not len(known) or not known.min() < level < known.max():
            return
        rows, columns = self.shape
        x = MM * self.corner[0] + self.pixel * (np.arange(columns) + 0.5)
        y = MM * self.corner[1] + self.pixel * (np.arange(rows) + 0.5)
        shown = np.ma.masked_invalid(values)
        # Values may be known a little beyond the copper; the line is not drawn there.
        inside = PathPatch(shape_path(solid(self.copper)), transform=self.axes.transData)
        for ink, wide, style, order in ((halo, width + 1.4, "solid", zorder - 0.01), (colour, width, dash, zorder)):
            lines = self.axes.contour(
                x, y, shown, levels=[level], colors=ink, linewidths=wide, linestyles=style, zorder=order
            )
            lines.set_clip_path(inside)

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

        def tick(value: float, _: object) -> str:
            return (f"{value:+.3g}" if signed and value else f"{value:.6g}").replace("-", "−")

        bar = self.figure.colorbar(
            mappable, cax=self.bar_axes, ticks=ticks, format=FuncFormatter(tick), extend=extend, extendfrac=0.03
        )
        bar.ax.yaxis.set_minor_formatter(NullFormatter())
        bar.set_label(label, size=SIZE)
        bar.ax.tick_params(labelsize=LABEL_SIZE)
        bar.outline.set_linewidth(0.5)

    def draw_arrowheads(
        self, places: Floats, ways: Floats, colour: str, *, size: float = 10.0, zorder: float = 2.8
    ) -> None:
        """Arrowheads of `size` pixels at places (n, 2) in metres, along unit vectors (n, 2)."""
        self.axes.quiver(
            *(MM * places).T, *ways.T,
            angles="xy", pivot="mid", units="dots", scale_units="dots", scale=1 / size, width=1.0,
            headwidth=0.75 * size, headlength=size, headaxislength=0.9 * size, minshaft=0.1, minlength=0,
            color=colour, zorder=zorder,
        )  # fmt: skip

    def label_boxes(self) -> list[Bbox]:
        """Boxes in pixels of all names set by `draw_labels`, as the renderer draws them."""
        renderer = self.figure.canvas.get_renderer()  # type: ignore[attr-defined]
        return [text.get_window_extent(renderer) for text in self.axes.texts if text.get_gid() == "label"]

    def png(self) -> bytes:
        """Picture as PNG."""
        return png_bytes(self.figure)


def shape_path(shape: Shape) -> Path:
    """Polygon or multipolygon in metres as one path in millimetres; holes stay holes."""
    rings = []
    for polygon in shapely.get_parts(shapely.orient_polygons(shape)):
        rings += [polygon.exterior, *polygon.interiors]
    points = [MM * shapely.get_coordinates(ring) for ring in rings]
    codes = []
    for ring in points:
        code = np.full(len(ring), Path.LINETO, dtype=np.uint8)
        code[0], code[-1] = Path.MOVETO, Path.CLOSEPOLY
        codes.append(code)
    if not points:
        return Path(np.empty((0, 2)))
    return Path(np.concatenate(points), np.concatenate(codes))


def hole_count(shape: Shape) -> int:
    """Number of holes in a polygon or multipolygon."""
    return int(shapely.get_num_interior_rings(shapely.get_parts(shape)).sum())


def solid(shape: Shape) -> Shape:
    """Polygon or multipolygon without its holes."""
    return shapely.multipolygons([shapely.Polygon(part.exterior) for part in shapely.get_parts(shape)])
