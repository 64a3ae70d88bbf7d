"""Drawing on the map of one copper in millimetres: copper, fields, terminals, names that never overlap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Colormap, Normalize
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

from returnflow.answers.result import Result
from returnflow.pictures.labels import Placer
from returnflow.pictures.lettering import DPI, LABEL_SIZE, clean, text_size
from returnflow.pictures.maps import Window
from returnflow_geometry.model.board import Loop, Role, Shape, Terminal
from returnflow_geometry.model.numbers import MM
from returnflow_geometry.model.overlay import union

Floats = NDArray[np.float64]

COPPER, EDGE, INK, VIA = "#f1e2cd", "#7d6245", "#1c1c1c", "#4d4d4d"
# Told apart by people with any colour vision, by dash as well, and in print: Okabe and Ito's vermilion, blue, purple.
ROLE_COLOURS: dict[Role, str] = {"noisy": "#c24a00", "sensitive": "#0060a8", "cables": "#8a3f78"}
ROLE_DASHES: dict[Role, str | tuple[int, tuple[int, ...]]] = {
    "noisy": "-",
    "sensitive": (0, (5, 2)),
    "cables": (0, (1, 1)),
}
MANY_HOLES = 300
MANY_MARKS = 60  # rings that stay apart on one map; of more terminals those are marked that loops name


@dataclass(frozen=True)
class Label:
    """A name to set beside a place (m, m); `radius` (m) is that of the thing named. `boxed`: on a ground of its own."""

    text: str
    at: tuple[float, float]
    colour: str = INK
    radius: float = 0.0
    bold: bool = False
    boxed: bool = False


class Canvas:
    """
    Map of one copper, to scale.

    Parameters
    ----------
    result : Result
        On the copper to draw.
    figure : Figure
    axes : Axes
        With limits in millimetres and equal scales.
    window : Window
        The map's pixels.
    """

    def __init__(self, result: Result, figure: Figure, axes: Axes, window: Window) -> None:
        self.result = result
        self.copper = result.plane.copper
        self.figure, self.axes, self.window = figure, axes, window
        self.pixel = MM * window.pixel  # mm
        self.shape, self.corner = window.shape, window.corner

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

    def draw_terminals(
        self, names: Sequence[str] | None = None, colour: str = INK, coppers: Sequence[str] | None = None
    ) -> None:
        """
        Terminals to scale, with a ring round those too small to see; all or those named, on this or some coppers.

        Of more than `MANY_MARKS` only those have a ring that loops name, and the others (vias, nearly all of them) are
        small and grey, so that the copper below stays to be seen.
        """
        here = [
            terminal
            for terminal in self.result.case.board.terminals
            if terminal.copper in (coppers or (self.result.copper,)) and (names is None or terminal.name in names)
        ]
        marked = self.marked(here)
        others = [shape_path(terminal.shape) for terminal in here if terminal.name not in marked]
        if others:
            # As one path: thousands of their own take seconds.
            self.draw_path(Path.make_compound_path(*others), facecolor=VIA, edgecolor="none", alpha=0.8, zorder=3.2)
        shown = [terminal for terminal in here if terminal.name in marked]
        for terminal in shown:
            self.draw_path(shape_path(terminal.shape), facecolor=colour, edgecolor="white", linewidth=0.5, zorder=5)
        small = [t.centre for t in shown if 2 * self.radius(t.shape) * MM < 7 * self.pixel]
        if small:
            self.axes.plot(
                *(MM * np.array(small)).T, ls="", marker="o", ms=4.5, mfc=colour, mec="white", mew=0.7, zorder=5
            )

    def marked(self, terminals: Sequence[Terminal]) -> set[str]:
        """Names of the terminals that have a mark of their own on a map."""
        if len(terminals) <= MANY_MARKS:
            return {terminal.name for terminal in terminals}
        return {name for loop in self.result.case.loops for name in (loop.inject, loop.return_)}

    @staticmethod
    def radius(shape: Shape) -> float:
        """Half of the larger side of a shape's box, metres."""
        x0, y0, x1, y1 = shape.bounds
        return float(max(x1 - x0, y1 - y0) / 2)

    def draw_segments(self, segments: Floats, colour: str, width: float, zorder: float = 4) -> None:
        """Straight pieces of shape (k, 2, 2) in metres."""
        if len(segments):
            # As one path: thousands of lines of their own take ten times as long.
            codes = np.tile(np.array([Path.MOVETO, Path.LINETO], dtype=np.uint8), len(segments))
            path = Path(MM * segments.reshape(-1, 2), codes)
            style = {"facecolor": "none", "edgecolor": colour, "linewidth": width, "capstyle": "round"}
            self.draw_path(path, zorder=zorder, **style)

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
        here = [t for t in self.result.case.board.terminals if t.copper == self.result.copper]
        marked = self.marked(here)
        marks = MM * np.array([t.centre for t in here if t.name in marked], dtype=float).reshape(-1, 2)
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
            place = placer.place((float(x), float(y)), (width + 6, height + 4), radius)
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
            size=LABEL_SIZE, color=label.colour, weight="bold" if label.bold else "normal",
            ha="center", va="center_baseline", zorder=7, gid="label",
        )  # fmt: skip
        if label.boxed:
            made.set_bbox({"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.85})
        else:
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
    # A piece may lie inside a hole of another.
    whole: Shape = union([shapely.Polygon(part.exterior) for part in shapely.get_parts(shape)])
    return whole
