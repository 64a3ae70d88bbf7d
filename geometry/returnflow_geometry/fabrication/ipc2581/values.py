"""Numbers, units, lines and outlines of one IPC-2581 file, in metres."""

from __future__ import annotations

import math
from collections import Counter
from typing import NoReturn, TypeAlias
from xml.etree.ElementTree import Element  # the type only; defusedxml does the parsing

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.curves import arc, corners_for
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.ipc2581.areas import areas, children, flag, tag
from returnflow_geometry.model.board import Shape

UNITS = {"MILLIMETER": 1e-3, "MICRON": 1e-6, "INCH": 25.4e-3}
REACH = 10.0  # m: no board coordinate or size is as large
# Points of one outline: at worst, checking and repairing it take time with their square and cannot be stopped.
MOST_POINTS = 500_000
MOST_CROSSING = 200_000
ROUNDING = 2e-5  # m: end points of arcs are rounded to the file's resolution
CAPS = {"ROUND": "round", "SQUARE": "square", "NONE": "flat"}
Entry: TypeAlias = tuple[Element, float | None]


class Values:
    """
    Dictionaries of one file, and what its attributes and points mean.

    Parameters
    ----------
    budget : Budget

    Attributes
    ----------
    scale : float or None
        Metres per unit outside the dictionaries, None until the file said so.
    odd : Counter
        What was read in a way worth a note, and how often.
    """

    def __init__(self, budget: Budget) -> None:
        self.budget = budget
        self.scale: float | None = None
        self.odd: Counter[str] = Counter()
        self.entries: dict[tuple[str, str], Entry] = {}

    def fail(self, message: str) -> NoReturn:
        """Raise a `FabricationError`."""
        self.budget.fail(message)

    def unit(self, element: Element) -> float:
        """Metres per unit that an element with a `units` attribute declares."""
        text = (element.get("units") or "").strip().upper()
        if text not in UNITS:
            self.fail(f"{tag(element)} has units {quoted(text)}; it is one of {', '.join(UNITS)}.")
        return UNITS[text]

    def number(self, element: Element, key: str, scale: float = 1.0, absent: float | None = None) -> float:
        """Attribute as a number times `scale` (metres per unit for lengths)."""
        text = element.get(key)
        if text is None and absent is not None:
            return absent
        try:
            value = float(text or "") * scale
        except ValueError:
            value = math.nan
        if not abs(value) <= (REACH if scale != 1.0 else 1e6):
            self.fail(
                f"{tag(element)} has {key} {quoted(text or '')}; it is a finite number, no length over {REACH:g} m."
            )
        return value

    def size(self, element: Element, key: str, scale: float) -> float:
        """Length that must be > 0."""
        value = self.number(element, key, scale)
        if not value > 0.0:
            self.fail(f"{tag(element)} has {key} {quoted(element.get(key) or '')}; it is greater than 0.")
        return value

    def scaled(self, scale: float | None) -> float:
        """Give this scale, or that of the file where it is None."""
        found = self.scale if scale is None else scale
        if found is None:
            self.fail("no units before the first length; CadHeader gives them.")
        return found

    def pen(self, owner: Element, scale: float) -> tuple[float, str] | None:
        """Width (m) and end of the line an element is drawn with, None if it has no line description."""
        for child in children(owner, "LineDesc", "LineDescRef"):
            found, unit = child, scale
            if tag(child) == "LineDescRef":
                found, unit = self.description("Line", child.get("id") or "")
            end = (found.get("lineEnd") or "ROUND").upper()
            if end not in CAPS:
                self.fail(f"LineDesc has lineEnd {quoted(end)}; it is one of {', '.join(CAPS)}.")
            if (found.get("lineProperty") or "SOLID").upper() != "SOLID":
                self.fail(
                    f"a copper line with lineProperty {quoted(found.get('lineProperty') or '')} is not supported."
                )
            width = self.number(found, "lineWidth", unit)
            if width < 0.0:
                self.fail("LineDesc has a negative lineWidth.")
            return width, end
        return None

    def description(self, kind: str, name: str) -> tuple[Element, float]:
        """Line or fill description of this name, and the metres per unit in it."""
        found = self.entries.get((kind, name))
        inner = None if found is None else next(children(found[0], f"{kind}Desc"), None)
        if found is None or inner is None:
            self.fail(f"{kind}DescRef names {quoted(name)}, which is in no dictionary.")
        return inner, self.scaled(found[1])

    def area(self, element: Element, scale: float) -> Shape:
        """Area inside a polygon (or cutout)."""
        points = self.points(element, scale)
        if len(points) < 3:
            self.fail(f"a {tag(element)} has {len(points)} corners; it has at least 3.")
        if len(points) > MOST_POINTS:
            self.fail(f"a {tag(element)} has {len(points)} points; one outline has at most {MOST_POINTS}.")
        outline = Polygon(points)
        if outline.is_valid:
            return outline
        if len(points) > MOST_CROSSING:
            self.fail(
                f"a {tag(element)} that touches or crosses itself has {len(points)} points, over {MOST_CROSSING}."
            )
        return areas(shapely.make_valid(outline, method="structure", keep_collapsed=False))

    def points(self, element: Element, scale: float) -> Floats:
        """Points of a polygon or polyline, curves as chords."""
        parts: list[Floats] = []
        at: tuple[float, float] | None = None
        for child in element:
            name = tag(child)
            if name not in ("PolyBegin", "PolyStepSegment", "PolyStepCurve"):
                continue
            if (at is None) != (name == "PolyBegin"):
                self.fail(f"a {tag(element)} has {name} out of place; PolyBegin is first, and only there.")
            to = (self.number(child, "x", scale), self.number(child, "y", scale))
            if name == "PolyStepCurve" and at is not None:
                centre = (self.number(child, "centerX", scale), self.number(child, "centerY", scale))
                parts.append(self.curve(at, to, centre, flag(child, "clockwise")))
            else:
                parts.append(np.array([to]))
            at = to
        if not parts:
            self.fail(f"a {tag(element)} has no points.")
        points = np.vstack(parts)
        self.budget.vertices(len(points))
        return points

    def curve(
        self, start: tuple[float, float], end: tuple[float, float], centre: tuple[float, float], clockwise: bool
    ) -> Floats:
        """Points of an arc after its start."""
        radii = math.dist(start, centre), math.dist(end, centre)
        if min(radii) == 0.0 or abs(radii[0] - radii[1]) > max(ROUNDING, 0.05 * max(radii)):
            self.fail(f"a curve from {_mm(start)} to {_mm(end)} has a centre not equally far from both, {_mm(centre)}.")
        self.budget.vertices(corners_for(max(radii)))
        return arc(start, end, centre, clockwise=clockwise)


def _mm(point: tuple[float, float]) -> str:
    return f"({point[0] * 1e3:g}, {point[1] * 1e3:g}) mm"
