"""Every distinct shape of a Gerber image, built once, and the objects that place them."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.crowding import check_sides
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.gerber.macros import cos_sin
from returnflow_geometry.fabrication.gerber.strokes import Point, arc_stroke, convex_strokes, is_convex, round_strokes
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import union_all

ObjectKind = Literal["flash", "draw", "region"]
Matrix = tuple[float, float, float, float]  # (a, b, c, d): x' = a x + b y, y' = c x + d y
IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0)
NOTHING = Polygon()


class Item(NamedTuple):
    """One object of the image: shape number `shape` placed at (x, y), dark or clear, with tag number `tag`."""

    shape: int
    x: float
    y: float
    dark: bool
    tag: int
    kind: ObjectKind


def matrix_of(mirror: str, rotation: float, scale: float) -> Matrix:
    """
    Mirror first, then turn, then scale, as LM, LR and LS do.

    Examples
    --------
    >>> matrix_of("X", 90.0, 2.0)
    (-0.0, -2.0, -2.0, 0.0)
    """
    c, s = cos_sin(rotation)
    mx = -scale if "X" in mirror else scale
    my = -scale if "Y" in mirror else scale
    return (c * mx, -s * my, s * mx, c * my)


def applied(matrix: Matrix, x: float, y: float) -> Point:
    """Map one point."""
    a, b, c, d = matrix
    return a * x + b * y, c * x + d * y


class Shapes:
    """
    Table of shapes about their own origin (strokes and regions: in place), by number.

    Strokes and regions are collected and built all at once.

    Attributes
    ----------
    diameter : list of float or None
        Of full discs, and of the round aperture a stroke was drawn with, metres.
    function : list of str
        Function of the aperture.
    path : list of points or None
        Centre line of strokes.
    """

    def __init__(self, budget: Budget) -> None:
        self._budget = budget
        self._built: list[Shape | None] = []
        self._lines: dict[int, list[tuple[int, float, float, float, float]]] = {}
        self._rings: list[tuple[int, list[Point]]] = []
        self._later: list[tuple[int, int, Matrix]] = []
        self._moved: dict[tuple[int, Matrix], int] = {}
        self.crossing: list[int] = []
        self.diameter: list[float | None] = []
        self.function: list[str] = []
        self.path: list[list[Point] | None] = []

    def _add(self, shape: Shape | None, diameter: float | None, function: str, path: list[Point] | None = None) -> int:
        self._built.append(shape)
        self.diameter.append(diameter)
        self.function.append(function)
        self.path.append(path)
        return len(self._built) - 1

    def fixed(self, shape: Shape, diameter: float | None, function: str) -> int:
        """Add the shape of an aperture."""
        return self._add(shape, diameter, function)

    def moved(self, base: int, matrix: Matrix) -> int:
        """Add a mirrored, turned, scaled copy of a shape, once."""
        if matrix == IDENTITY:
            return base
        key = (base, matrix)
        if key in self._moved:
            return self._moved[key]
        shape, diameter, path = self._built[base], self.diameter[base], self.path[base]
        if diameter is not None:
            diameter *= abs(matrix[0] * matrix[3] - matrix[1] * matrix[2]) ** 0.5
        if path is not None:
            path = [applied(matrix, *point) for point in path]
        if shape is not None:
            self._budget.vertices(int(shapely.get_num_coordinates(shape)))
            shape = _mapped(shape, matrix)
        number = self._add(shape, diameter, self.function[base], path)
        if shape is None:
            self._later.append((number, base, matrix))
        self._moved[key] = number
        return number

    def can_drag(self, brush: int) -> bool:
        """Tell whether the area covered by dragging this aperture is known: discs and convex shapes."""
        if self.diameter[brush] is not None:
            return True
        shape = self._built[brush]
        return shape is not None and is_convex(shape)

    def line(self, brush: int, start: Point, end: Point) -> int:
        """Add a straight stroke."""
        diameter = self.diameter[brush]
        number = self._add(None, diameter, self.function[brush], [start, end])
        if diameter == 0.0:
            self._built[number] = NOTHING
        else:
            self._lines.setdefault(brush, []).append((number, *start, *end))
        return number

    def dot(self, brush: int, place: Point) -> int:
        """Add a stroke of no length."""
        shape = self._built[brush] or NOTHING
        offset = np.array(place)
        return self._add(
            shapely.transform(shape, lambda xy: xy + offset), self.diameter[brush], self.function[brush], [place, place]
        )

    def arc(self, brush: int, path: Floats, centre: Point, *, clockwise: bool) -> int:
        """Add a stroke along an arc, given its centre line as chords."""
        diameter = self.diameter[brush]
        shape = self._built[brush]
        if diameter == 0.0 or shape is None:
            covered: Shape = NOTHING
        elif diameter is not None:
            covered = arc_stroke(path, centre, clockwise=clockwise, diameter=diameter)
        else:
            covered = union_all(convex_strokes(np.hstack([path[:-1], path[1:]]), shape))
        return self._add(covered, diameter, self.function[brush], [(float(x), float(y)) for x, y in path])

    def region(self, ring: list[Point], function: str) -> int:
        """Add the area inside a contour, given without its repeated last point."""
        number = self._add(None, None, function)
        self._rings.append((number, ring))
        return number

    def build(self) -> NDArray[np.object_]:
        """
        Build what was collected.

        Returns
        -------
        shapes : array of polygons and multipolygons, by number
        """
        for brush, lines in self._lines.items():
            self._budget.time()
            table = np.array(lines)
            ends, diameter, shape = table[:, 1:], self.diameter[brush], self._built[brush]
            per_stroke = 2 * shapely.get_num_coordinates(shape)
            self._budget.vertices(int(per_stroke) * len(lines))
            built = convex_strokes(ends, shape) if diameter is None else round_strokes(ends, diameter)
            for number, one in zip(table[:, 0].astype(int).tolist(), built, strict=True):
                self._built[number] = one
        self._build_regions()
        for number, base, matrix in self._later:
            self._budget.clock()
            one = self._built[base] or NOTHING
            self._budget.vertices(int(shapely.get_num_coordinates(one)))
            self._built[number] = _mapped(one, matrix)
        out = np.empty(len(self._built), dtype=object)
        out[:] = self._built
        return out

    def _build_regions(self) -> None:
        if not self._rings:
            return
        sizes = np.array([len(ring) for _, ring in self._rings])
        points = np.array([point for _, ring in self._rings for point in ring])
        rings = np.repeat(np.arange(len(sizes)), sizes)
        shapes = shapely.polygons(shapely.linearrings(points, indices=rings))
        # Cut-ins run along themselves, which is allowed here and not in a polygon.
        broken = ~shapely.is_valid(shapes)
        check_sides(shapes[broken], self._budget)
        signed = np.array([_signed_area(np.array(self._rings[i][1])) for i in np.flatnonzero(broken)])
        for at, i in enumerate(np.flatnonzero(broken)):
            self._budget.clock()
            shapes[i] = shapely.make_valid(shapes[i], method="structure", keep_collapsed=False)
            if abs(shapes[i].area - abs(signed[at])) > 1e-6 * abs(signed[at]) + 1e-15:
                self.crossing.append(self._rings[i][0])
        for (number, _), shape in zip(self._rings, shapes, strict=True):
            self._built[number] = shape


def _signed_area(ring: Floats) -> float:
    """Area counted with its sense of turning, about the first point so that large coordinates lose nothing."""
    x, y = (ring - ring[0]).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _mapped(shape: Shape, matrix: Matrix) -> Shape:
    a, b, c, d = matrix
    return shapely.transform(shape, lambda xy: xy @ np.array([[a, c], [b, d]]))
