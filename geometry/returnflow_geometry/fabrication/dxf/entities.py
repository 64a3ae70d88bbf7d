"""DXF entities to points in metres: lines, arcs, polylines with bulges, borders of hatches."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.curves import arc, corners_for, full_circle
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.dxf.rings import DrawingError
from returnflow_geometry.model.board import Shape

REACH = 10.0  # m: no board is as large
Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Lines:
    """
    Reads entities as points.

    `scale` is the number of metres per drawing unit. All methods raise `DrawingError` on what cannot be read.
    """

    budget: Budget
    scale: float

    def line(self, entity: Any) -> Floats:
        """Ends of a LINE, shape (2, 2)."""
        return np.array([self._point(entity.dxf.start), self._point(entity.dxf.end)])

    def circle(self, entity: Any) -> Floats:
        """Corners of a CIRCLE, of equal area."""
        radius = self._length(entity.dxf.radius)
        centre = self._seen(entity, [self._point(entity.dxf.center)])[0]
        self.budget.vertices(corners_for(radius))
        return full_circle((float(centre[0]), float(centre[1])), radius)

    def arc(self, entity: Any) -> Floats:
        """Points of an ARC, counter-clockwise from its start angle, both ends included."""
        points = self._turn(
            self._point(entity.dxf.center),
            self._length(entity.dxf.radius),
            (self._number(entity.dxf.start_angle), self._number(entity.dxf.end_angle)),
        )
        return self._seen(entity, points)

    def ellipse(self, entity: Any) -> tuple[Floats, bool]:
        """Points of an ELLIPSE and whether it is closed."""
        centre, major = self._point(entity.dxf.center), self._point(entity.dxf.major_axis)
        ratio = self._number(entity.dxf.ratio)
        start, end = self._number(entity.dxf.start_param), self._number(entity.dxf.end_param)
        size = math.hypot(*major)
        if not (0.0 < size <= REACH and 1e-6 <= abs(ratio) <= 1.0):
            message = "its axes have no size"
            raise DrawingError(message)
        if self._flip(entity):
            ratio = -ratio
        turn = (end - start) % (2 * math.pi)
        closed = turn < 1e-9 or turn > 2 * math.pi - 1e-9
        if closed:
            ring = full_circle((0.0, 0.0), 1.0) if size <= 1e-5 else full_circle((0.0, 0.0), size) / size
        else:
            count = max(2, math.ceil(corners_for(size) * turn / (2 * math.pi)))
            angles = start + turn * np.arange(count + 1) / count
            ring = np.column_stack([np.cos(angles), np.sin(angles)])
        self.budget.vertices(len(ring))
        axes = np.array([major, (-major[1] * ratio, major[0] * ratio)])
        return np.array(centre) + ring @ axes, closed

    def polyline(self, entity: Any) -> tuple[Floats, bool, float]:
        """Points of a polyline (not repeated at the end), whether it is closed, and its width (m)."""
        if entity.dxftype() == "LWPOLYLINE":
            constant = self._number(entity.dxf.get("const_width", 0.0))
            rows = [tuple(map(self._number, row)) for row in entity.get_points("xyseb")]
            if constant:
                rows = [(*row[:2], constant, constant, row[4]) for row in rows]
            closed = bool(entity.closed)
        else:
            if not entity.is_2d_polyline or entity.dxf.flags & 6:
                message = "only flat polylines without fitted curves are read"
                raise DrawingError(message)
            rows = [
                (
                    *tuple(map(self._number, tuple(vertex.dxf.location)[:2])),
                    self._number(vertex.dxf.get("start_width", entity.dxf.get("default_start_width", 0.0))),
                    self._number(vertex.dxf.get("end_width", entity.dxf.get("default_end_width", 0.0))),
                    self._number(vertex.dxf.get("bulge", 0.0)),
                )
                for vertex in entity.vertices
            ]
            closed = bool(entity.is_closed)
        if len(rows) < 2:
            message = "it has fewer than two points"
            raise DrawingError(message)
        widths = {width for row in rows for width in row[2:4]}
        if len(widths) > 1:
            message = "its width changes"
            raise DrawingError(message)
        width = self._checked(max(widths) * self.scale)
        points = self._bulged([(row[0], row[1], row[4]) for row in rows], closed=closed)
        if not closed and len(points) > 3 and (points[0] == points[-1]).all():
            points, closed = points[:-1], True
        return self._seen(entity, points), closed, width

    def stroke(self, points: Floats, *, closed: bool, width: float) -> Shape:
        """Area of a polyline that has a width; its ends are square, its bends mitred, as the format draws them."""
        line = np.vstack([points, points[:1]]) if closed else points
        self.budget.vertices(4 * len(line))
        area: Shape = shapely.LineString(line).buffer(width / 2, cap_style="flat", join_style="mitre")
        return area

    def solid(self, entity: Any) -> Floats:
        """Corners of a SOLID or TRACE in order: the format swaps the last two."""
        dxf = entity.dxf
        corners = [dxf.vtx0, dxf.vtx1, dxf.get("vtx3", dxf.vtx2), dxf.vtx2]
        points = list(dict.fromkeys(self._point(corner) for corner in corners))
        return self._seen(entity, points)

    def hatch(self, entity: Any) -> list[list[Floats]]:
        """Borders of a HATCH, each as lines to be joined."""
        found = []
        for path in entity.paths:
            edges = getattr(path, "edges", None)
            if edges is None:
                rows = [tuple(map(self._number, row)) for row in path.vertices]
                points = self._bulged([(row[0], row[1], row[2]) for row in rows], closed=True)
                found.append([self._seen(entity, np.vstack([points, points[:1]]))])
            else:
                found.append([self._seen(entity, self._edge(edge)) for edge in edges])
        return found

    def _edge(self, edge: Any) -> Floats:
        kind = type(edge).__name__
        if kind == "LineEdge":
            return np.array([self._point(edge.start), self._point(edge.end)])
        if kind == "ArcEdge":
            angles = self._number(edge.start_angle), self._number(edge.end_angle)
            return self._turn(self._point(edge.center), self._length(edge.radius), angles)
        message = f"a border made of {kind} is not supported"
        raise DrawingError(message)

    def _bulged(self, rows: list[tuple[float, float, float]], *, closed: bool) -> Floats:
        """Points of a polyline; a bulge is the tangent of a quarter of the arc's angle, positive counter-clockwise."""
        points = [self._point(row) for row in rows]
        parts: list[Floats] = [np.array([points[0]])]
        for k, (_, _, bulge) in enumerate(rows if closed else rows[:-1]):
            start, end = points[k], points[(k + 1) % len(points)]
            chord = math.dist(start, end)
            if bulge == 0.0 or chord == 0.0:
                parts.append(np.array([end]))
                continue
            # sagitta = bulge * chord / 2; the centre lies to the left of the way when it is small and positive
            off = (1.0 - bulge**2) / (4.0 * bulge)
            centre = (
                (start[0] + end[0]) / 2 - (end[1] - start[1]) * off,
                (start[1] + end[1]) / 2 + (end[0] - start[0]) * off,
            )
            radius = math.dist(start, centre)
            if not radius <= 1e3 * REACH:
                parts.append(np.array([end]))  # flatter than a chord's tolerance
                continue
            self.budget.vertices(corners_for(radius))
            parts.append(arc(start, end, centre, clockwise=bulge < 0.0))
        line = np.vstack(parts)
        self.budget.vertices(len(line))
        return line[:-1] if closed else line

    def _turn(self, centre: Point, radius: float, angles: tuple[float, float]) -> Floats:
        start, end = (
            (centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle))
            for angle in map(math.radians, angles)
        )
        self.budget.vertices(corners_for(radius))
        return np.vstack([start, arc(start, end, centre, clockwise=False)])

    def _seen(self, entity: Any, points: Iterable[Point] | Floats) -> Floats:
        """Points as seen from above: an entity drawn from below has its x axis turned round."""
        result = np.array(list(points) if not isinstance(points, np.ndarray) else points, dtype=np.float64)
        return result * np.array([-1.0, 1.0]) if self._flip(entity) else result

    def _flip(self, entity: Any) -> bool:
        x, y, z = (float(value) for value in entity.dxf.get("extrusion", (0.0, 0.0, 1.0)))
        if abs(x) > 1e-9 or abs(y) > 1e-9 or z == 0.0:
            message = "it does not lie flat"
            raise DrawingError(message)
        return z < 0.0

    def _point(self, place: Any) -> Point:
        x, y = (self._checked(self._number(value) * self.scale) for value in tuple(place)[:2])
        return x, y

    def _length(self, value: Any) -> float:
        length = self._checked(self._number(value) * self.scale)
        if not length > 0.0:
            message = "it has no size"
            raise DrawingError(message)
        return length

    def _checked(self, value: float) -> float:
        if not abs(value) <= REACH:
            message = f"it reaches beyond {REACH:g} m; check the unit of the drawing"
            raise DrawingError(message)
        return value

    def _number(self, value: Any) -> float:
        number = float(value)
        if not math.isfinite(number):
            message = "it has a number that is not finite"
            raise DrawingError(message)
        return number
