"""IPC-2581 primitives to polygons in metres, and their placement."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from xml.etree.ElementTree import Element  # the type only; defusedxml does the parsing

import numpy as np
import shapely
from shapely import LineString, Polygon

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.curves import corners_for, full_circle
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.ipc2581.areas import (
    EMPTY,
    areas,
    children,
    flag,
    moved,
    polygons,
    rings_of,
    rounded,
    tag,
)
from returnflow_geometry.fabrication.ipc2581.values import CAPS, Values
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import difference, union_all

# Not shapes, though they stand where shapes do.
PLAIN = {"Xform", "Location", "LineDesc", "LineDescRef", "FillDesc", "FillDescRef", "NonstandardAttribute", "SpecRef"}
PLAIN |= {"PinRef", "Color", "ColorRef", "ColorTerm", "ColorGroup", "PolyBegin", "PolyStepSegment", "PolyStepCurve"}
PLAIN |= {"Span"}
Pen = tuple[float, str]  # width in metres, and the line's end


class Shapes(Values):
    """
    Shapes of one file, built from its dictionaries.

    Parameters
    ----------
    budget : Budget
    """

    def __init__(self, budget: Budget) -> None:
        super().__init__(budget)
        self._built: dict[tuple[str, str, Pen | None], Shape] = {}
        self._pens: list[Pen] = []  # lines described by what encloses a shape
        self.strokes: list[tuple[Floats, float]] = []  # centre lines drawn in place since it was emptied
        self._depth = 0

    @contextmanager
    def drawn_with(self, owner: Element, scale: float) -> Iterator[None]:
        """Shapes inside that describe no line of their own are drawn with that of the element around them."""
        pen = self.pen(owner, scale)
        if pen is None:
            yield
            return
        self._pens.append(pen)
        yield
        self._pens.pop()

    def first(self, owner: Element, scale: float) -> Shape | None:
        """Union of the shapes that stand in an element, None if there is none."""
        with self.drawn_with(owner, scale):
            parts = [self.shape(child, scale) for child in owner if tag(child) not in PLAIN]
        if not parts:
            return None
        return parts[0] if len(parts) == 1 else self.union(parts)

    def union(self, parts: list[Shape]) -> Shape:
        """Union, counted and timed."""
        self.budget.vertices(int(np.sum(shapely.get_num_coordinates(parts))) if parts else 0)
        self.budget.time()
        return areas(union_all(parts))

    def shape(self, element: Element, scale: float) -> Shape:
        """Shape of one primitive or reference, in metres, without the placement of its owner."""
        name = tag(element)
        self.budget.clock()
        if name in ("StandardPrimitiveRef", "UserPrimitiveRef"):
            return self._referred(name.removesuffix("PrimitiveRef"), element.get("id") or "")
        maker: Callable[[Element, float], Shape] | None = getattr(self, f"_make_{name.lower()}", None)
        if maker is None:
            self.fail(f"the copper shape {quoted(name)} is not supported; write it as a Contour.")
        made = maker(element, scale)
        own = next(children(element, "Xform"), None)
        return made if own is None else self.transformed(made, own, scale)

    def _referred(self, kind: str, name: str) -> Shape:
        key = (kind, name, self._pens[-1] if self._pens else None)
        if key in self._built:
            return self._built[key]
        if (kind, name) not in self.entries:
            self.fail(f"{kind}PrimitiveRef names {quoted(name)}, which is in no dictionary.")
        if self._depth >= self.budget.limits.depth:
            self.fail(f"references to {quoted(name)} are nested too deeply, or in a circle.")
        entry, scale = self.entries[kind, name]
        self._depth += 1
        drawn = len(self.strokes)
        made = self.first(entry, self.scaled(scale))
        del self.strokes[drawn:]  # it is built once, and may be drawn again elsewhere
        self._depth -= 1
        self._built[key] = EMPTY if made is None else made
        return self._built[key]

    def _make_circle(self, element: Element, scale: float) -> Shape:
        return self._solid(element, scale, Polygon(full_circle((0.0, 0.0), self.size(element, "diameter", scale) / 2)))

    def _make_rectcenter(self, element: Element, scale: float) -> Shape:
        w, h = self.size(element, "width", scale) / 2, self.size(element, "height", scale) / 2
        return self._solid(element, scale, shapely.box(-w, -h, w, h))

    def _make_rectcorner(self, element: Element, scale: float) -> Shape:
        x0, y0 = self.number(element, "lowerLeftX", scale), self.number(element, "lowerLeftY", scale)
        x1, y1 = self.number(element, "upperRightX", scale), self.number(element, "upperRightY", scale)
        if not (x1 > x0 and y1 > y0):
            self.fail("RectCorner has its upper right corner not above and right of the lower left one.")
        return self._solid(element, scale, shapely.box(x0, y0, x1, y1))

    def _make_oval(self, element: Element, scale: float) -> Shape:
        w, h = self.size(element, "width", scale), self.size(element, "height", scale)
        return self._solid(element, scale, rounded(w, h, min(w, h) / 2))

    def _make_ellipse(self, element: Element, scale: float) -> Shape:
        w, h = self.size(element, "width", scale), self.size(element, "height", scale)
        radius = max(w, h) / 2
        ring = full_circle((0.0, 0.0), radius) * np.array([w, h]) / (2 * radius)
        return self._solid(element, scale, Polygon(ring))

    def _make_diamond(self, element: Element, scale: float) -> Shape:
        w, h = self.size(element, "width", scale) / 2, self.size(element, "height", scale) / 2
        return self._solid(element, scale, Polygon([(w, 0.0), (0.0, h), (-w, 0.0), (0.0, -h)]))

    def _make_rectround(self, element: Element, scale: float) -> Shape:
        return self._corners(element, scale, "radius")

    def _make_rectcham(self, element: Element, scale: float) -> Shape:
        return self._corners(element, scale, "chamfer")

    def _corners(self, element: Element, scale: float, key: str) -> Shape:
        w, h = self.size(element, "width", scale), self.size(element, "height", scale)
        cut = self.number(element, key, scale)
        if not 0.0 <= cut <= min(w, h) / 2 * (1 + 1e-6):
            self.fail(
                f"{tag(element)} has {key} {quoted(element.get(key) or '')}; it is at most half the shorter side."
            )
        chosen = [flag(element, corner, True) for corner in ("upperRight", "upperLeft", "lowerLeft", "lowerRight")]
        return self._solid(element, scale, rounded(w, h, min(cut, w / 2, h / 2), chosen, chamfered=key == "chamfer"))

    def _make_donut(self, element: Element, scale: float) -> Shape:
        self._only_round(element)
        outer, inner = self._diameters(element, scale)
        hole = [full_circle((0.0, 0.0), inner / 2)] if inner > 0.0 else []
        return self._solid(element, scale, Polygon(full_circle((0.0, 0.0), outer / 2), hole))

    def _make_thermal(self, element: Element, scale: float) -> Shape:
        ring = self._make_donut(element, scale)
        outer, _ = self._diameters(element, scale)
        count = int(self.number(element, "spokeCount", absent=4))
        gap = self.number(element, "gap", scale, absent=0.0)
        if not 0 <= count <= 16 or not 0.0 <= gap <= outer:
            self.fail("Thermal has more than 16 spokes, or a gap that is negative or wider than the shape.")
        start = math.radians(self.number(element, "spokeStartAngle", absent=45.0))
        for angle in (start + 2 * math.pi * k / count for k in range(count if gap else 0)):
            line = LineString([(0.0, 0.0), (outer * math.cos(angle), outer * math.sin(angle))])
            ring = areas(difference(ring, line.buffer(gap / 2, cap_style="flat")))
        return ring

    def _diameters(self, element: Element, scale: float) -> tuple[float, float]:
        outer, inner = self.size(element, "outerDiameter", scale), self.number(element, "innerDiameter", scale, 0.0)
        if not 0.0 <= inner < outer:
            self.fail(f"{tag(element)} has an inner diameter not below the outer one.")
        return outer, inner

    def _only_round(self, element: Element) -> None:
        if (element.get("shape") or "ROUND").upper() != "ROUND":
            self.fail(
                f"{tag(element)} of shape {quoted(element.get('shape') or '')} is not supported; write a Contour."
            )

    def _make_contour(self, element: Element, scale: float) -> Shape:
        rings = list(children(element, "Polygon"))
        if len(rings) != 1:
            self.fail(f"a Contour has {len(rings)} Polygons; it has one.")
        solid = self._make_polygon(rings[0], scale)
        holes = [self.area(hole, scale) for hole in children(element, "Cutout")]
        if not holes:
            return solid
        return areas(difference(solid, self.union(holes)))

    def _make_polygon(self, element: Element, scale: float) -> Shape:
        return self._solid(element, scale, self.area(element, scale))

    def _make_outline(self, element: Element, scale: float) -> Shape:
        # An Outline is drawn with its line, not filled.
        lines = [self.points(ring, scale) for ring in children(element, "Polygon")]
        return self._stroked(element, scale, [np.vstack([line, line[:1]]) for line in lines])

    def _make_polyline(self, element: Element, scale: float) -> Shape:
        return self._stroked(element, scale, [self.points(element, scale)])

    def _make_line(self, element: Element, scale: float) -> Shape:
        ends = [[self.number(element, f"{end}{axis}", scale) for axis in "XY"] for end in ("start", "end")]
        return self._stroked(element, scale, [np.array(ends)])

    def _make_arc(self, element: Element, scale: float) -> Shape:
        start, end, centre = (
            (self.number(element, f"{place}X", scale), self.number(element, f"{place}Y", scale))
            for place in ("start", "end", "center")
        )
        points = self.curve(start, end, centre, flag(element, "clockwise"))
        return self._stroked(element, scale, [np.vstack([start, points])])

    def _make_userspecial(self, element: Element, scale: float) -> Shape:
        made = self.first(element, scale)
        return EMPTY if made is None else made

    def _make_text(self, element: Element, scale: float) -> Shape:  # noqa: ARG002
        self.odd["texts on copper layers are not drawn"] += 1
        return EMPTY

    def _solid(self, element: Element, scale: float, area: Shape) -> Shape:
        """Fill an area as its description says: filled, or its border only."""
        fill = "FILL"
        for child in children(element, "FillDesc", "FillDescRef"):
            found = self.description("Fill", child.get("id") or "")[0] if tag(child) == "FillDescRef" else child
            fill = (found.get("fillProperty") or "FILL").upper()
        pen = self.pen(element, scale)
        if fill not in ("FILL", "HOLLOW"):
            self.fail(
                f"a copper {tag(element)} with fillProperty {quoted(fill)} is not supported; FILL and HOLLOW are."
            )
        if pen is None and fill == "HOLLOW" and self._pens:
            pen = self._pens[-1]
        if pen is None or pen[0] == 0.0:
            if fill == "HOLLOW":
                self.fail(f"a hollow copper {tag(element)} has no line width; give its LineDesc.")
            return area
        border = self._stroke([np.asarray(ring.coords) for part in polygons(area) for ring in rings_of(part)], *pen)
        if fill == "HOLLOW":
            return border
        self.odd["filled shapes are drawn with the line their description gives, half of it outside"] += 1
        return self.union([area, border])

    def _stroked(self, element: Element, scale: float, lines: list[Floats]) -> Shape:
        pen = self.pen(element, scale) or (self._pens[-1] if self._pens else None)
        if pen is None or (pen[0] == 0.0 and tag(element) == "Outline"):
            self.fail(f"a copper {tag(element)} has no line width; give its LineDesc.")
        if pen[0] == 0.0:
            self.odd["lines of width 0 on copper draw nothing"] += 1
            return EMPTY
        self.strokes += [(line, pen[0]) for line in lines]
        return self._stroke(lines, *pen)

    def _stroke(self, lines: list[Floats], width: float, end: str) -> Shape:
        quarter = max(8, corners_for(width / 2) // 4)
        parts: list[Shape] = []
        for line in lines:
            self.budget.vertices(len(line) * 4 + 8 * quarter)
            if np.ptp(line, axis=0).max() > 0.0:
                parts.append(areas(LineString(line).buffer(width / 2, quad_segs=quarter, cap_style=CAPS[end])))
            elif end == "ROUND":
                parts.append(Polygon(full_circle((float(line[0, 0]), float(line[0, 1])), width / 2)))
            elif end == "SQUARE":
                parts.append(shapely.box(*(line[0] - width / 2), *(line[0] + width / 2)))
        return parts[0] if len(parts) == 1 else self.union(parts)

    def transformed(self, shape: Shape, xform: Element, scale: float) -> Shape:
        """Shape turned counter-clockwise, then mirrored (x to -x), then scaled, then moved by an Xform's offset."""
        self.strokes.clear()  # they lie elsewhere then
        angle = math.radians(self.number(xform, "rotation", absent=0.0))
        grow = self.number(xform, "scale", absent=1.0)
        mirror = flag(xform, "mirror")
        move = np.array([self.number(xform, f"{axis}Offset", scale, 0.0) for axis in "xy"])
        turned = math.sin(angle) != 0.0 or math.cos(angle) != 1.0
        if not 0.0 < grow <= 1e3:
            self.fail(f"Xform has scale {quoted(xform.get('scale') or '')}; it is greater than 0 and at most 1000.")
        if move.any() and (turned or mirror or grow != 1.0):
            self.fail(
                "an Xform has an offset beside a rotation, mirror or scale, whose order is not certain; give one."
            )
        if mirror and turned:
            self.odd["shapes are turned first and then mirrored"] += 1
        cos, sin = math.cos(angle) * grow, math.sin(angle) * grow
        matrix = np.array([[cos, sin], [-sin, cos]])
        if mirror:
            # This way round pads of mirrored parts fall on their nets' copper; the other way they tie nets.
            matrix = matrix @ np.array([[-1.0, 0.0], [0.0, 1.0]])
        return areas(shapely.transform(shape, lambda points: points @ matrix + move))

    def placed(self, owner: Element, shape: Shape, scale: float) -> list[tuple[tuple[float, float], Shape]]:
        """Shape at each Location of its owner, turned by its Xform: (place, shape); at (0, 0) without a Location."""
        for xform in children(owner, "Xform"):
            shape = self.transformed(shape, xform, scale)
        found = []
        for location in children(owner, "Location"):
            at = (self.number(location, "x", scale), self.number(location, "y", scale))
            self.budget.objects()
            self.budget.vertices(int(shapely.get_num_coordinates(shape)))
            found.append((at, moved(shape, at)))
        return found or [((0.0, 0.0), shape)]
