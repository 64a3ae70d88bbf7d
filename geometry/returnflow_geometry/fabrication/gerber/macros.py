"""Aperture macros: a list of primitives with arithmetic, evaluated by own means."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.crowding import check_sides
from returnflow_geometry.fabrication.base.curves import full_circle
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.gerber.expressions import Expression, compiled
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import difference, union_all

_ASSIGN = re.compile(r"\$(\d{1,4})=(.+)\Z")
_CODE = re.compile(r"\d{1,2}\Z")
_REMARK = re.compile(r"\s*0(?![\d.])")


@dataclass(frozen=True, kw_only=True)
class Statement:
    """
    One block of a macro.

    A primitive `code` with its `values`, or, where `code` is 0, the first of them put into variable number `variable`.
    """

    code: int
    values: tuple[Expression, ...]
    variable: int = 0
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class Macro:
    """A macro as written; shapes are made from it per aperture."""

    name: str
    statements: tuple[Statement, ...]


def parse_macro(text: str, depth: int) -> Macro:
    """
    Read ``AMNAME*1,1,$1,0,0*...`` without the percent signs.

    Raises
    ------
    ValueError
        With the block, the rule and what to do.
    """
    head, *blocks = text.split("*")
    name = head[2:].strip()
    if not name:
        message = "macro without a name. Repair the file."
        raise ValueError(message)
    statements = []
    for raw in blocks:
        block = "".join(raw.split())
        if not block or _REMARK.match(raw):
            continue
        if block.startswith("$"):
            found = _ASSIGN.match(block)
            if found is None:
                message = f"macro {quoted(name)}: {quoted(block)} must read $n=expression. Repair it."
                raise ValueError(message)
            value = compiled(found.group(2), depth)
            statements.append(Statement(code=0, values=(value,), variable=int(found.group(1)), text=block))
            continue
        code, *fields = block.split(",")
        if not _CODE.match(code) or int(code) not in PRIMITIVES:
            known = ", ".join(str(number) for number in PRIMITIVES)
            message = f"macro {quoted(name)}: primitive {quoted(code)}; known are {known}. Repair it."
            raise ValueError(message)
        values = tuple(compiled(field, depth) for field in fields)
        statements.append(Statement(code=int(code), values=values, text=block))
    return Macro(name=name, statements=tuple(statements))


def macro_shape(macro: Macro, parameters: list[float], unit: float, budget: Budget) -> Shape:
    """
    Shape of a macro about its origin, in metres.

    Parameters
    ----------
    macro : Macro
    parameters : list of float
        Values of $1, $2, ...; all further variables are 0.
    unit : float
        Metres per unit of the file.
    budget : Budget

    Raises
    ------
    ValueError
        With the block, the rule and what to do.
    """
    variables = {i + 1: value for i, value in enumerate(parameters)}
    area: Shape = Polygon()
    for statement in macro.statements:
        budget.clock()
        try:
            values = [value(variables) for value in statement.values]
            if statement.code == 0:
                variables[statement.variable] = values[0]
                continue
            on, piece = _primitive(statement.code, values, unit, budget)
        except ValueError as error:
            message = f"macro {quoted(macro.name)}, {quoted(statement.text)}: {error}"
            raise ValueError(message) from None
        area = shapely.union(area, piece) if on else difference(area, piece)
    return area


def _primitive(code: int, values: list[float], unit: float, budget: Budget) -> tuple[bool, Shape]:
    """Exposure and shape of one primitive, turned about the macro's origin."""
    make, least, most, exposed = PRIMITIVES[code]
    if not least <= len(values) <= most:
        wanted = str(least) if least == most else f"{least} to {most}"
        message = f"{len(values)} values, primitive {code} has {wanted}. Repair it."
        raise ValueError(message)
    on = True
    if exposed:
        if values[0] not in (0.0, 1.0):
            message = f"exposure {values[0]:g}; it must be 0 or 1. Repair it."
            raise ValueError(message)
        on = values[0] == 1.0
        values = values[1:]
    shape, turn = make(values, unit, budget)
    return on, turned(shape, turn)


def turned(shape: Shape, degrees: float) -> Shape:
    """Turn a shape about the origin; exact at multiples of 90 degrees."""
    if degrees % 360.0 == 0.0:
        return shape
    c, s = cos_sin(degrees)
    return shapely.transform(shape, lambda xy: xy @ np.array([[c, s], [-s, c]]))


def cos_sin(degrees: float) -> tuple[float, float]:
    """
    Cosine and sine of an angle in degrees, exact at multiples of 90.

    Examples
    --------
    >>> cos_sin(90.0), cos_sin(-180.0)
    ((0.0, 1.0), (-1.0, 0.0))
    """
    quarter = {0.0: (1.0, 0.0), 90.0: (0.0, 1.0), 180.0: (-1.0, 0.0), 270.0: (0.0, -1.0)}.get(degrees % 360.0)
    return quarter or (math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))


def _disc(x: float, y: float, diameter: float) -> Shape:
    return Polygon(full_circle((x, y), diameter / 2)) if diameter > 0 else Polygon()


def _box(x: float, y: float, width: float, height: float) -> Shape:
    return shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2) if width * height else Polygon()


def _sizes(unit: float, *values: float) -> list[float]:
    """Lengths that may not be negative, in metres."""
    for value in values:
        if value < 0:
            message = f"size {value:g}; a size may not be negative. Repair it."
            raise ValueError(message)
    return _lengths(unit, *values)


def _lengths(unit: float, *values: float) -> list[float]:
    for value in values:
        if not abs(value * unit) <= 1.0:
            message = f"{value:g} is more than 1 m; check the unit and the number."
            raise ValueError(message)
    return [value * unit for value in values]


def _circle(v: list[float], unit: float, budget: Budget) -> tuple[Shape, float]:
    budget.vertices(64)
    (diameter,), (x, y) = _sizes(unit, v[0]), _lengths(unit, *v[1:3])
    return _disc(x, y, diameter), v[3] if len(v) > 3 else 0.0


def _vector(v: list[float], unit: float, _: Budget) -> tuple[Shape, float]:
    (width,), ends = _sizes(unit, v[0]), np.array(_lengths(unit, *v[1:5])).reshape(2, 2)
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    if not width or not length:
        return Polygon(), 0.0
    side = np.array([-along[1], along[0]]) / length * width / 2
    return Polygon([ends[0] + side, ends[0] - side, ends[1] - side, ends[1] + side]), v[5]


def _centre_line(v: list[float], unit: float, _: Budget) -> tuple[Shape, float]:
    (width, height), (x, y) = _sizes(unit, *v[:2]), _lengths(unit, *v[2:4])
    return _box(x, y, width, height), v[4]


def _corner_line(v: list[float], unit: float, _: Budget) -> tuple[Shape, float]:
    (width, height), (x, y) = _sizes(unit, *v[:2]), _lengths(unit, *v[2:4])
    return _box(x + width / 2, y + height / 2, width, height), v[4]


def _outline(v: list[float], unit: float, budget: Budget) -> tuple[Shape, float]:
    count = v[0]
    if count != int(count) or count < 3 or len(v) != 2 * int(count) + 4:
        message = (
            f"outline of {count:g} sides with {len(v) - 2} coordinates; it needs at least 3 sides and 2 * (sides + 1) "
            "coordinates. Repair it."
        )
        raise ValueError(message)
    budget.vertices(int(count))
    points: Floats = np.array(_lengths(unit, *v[1:-1])).reshape(-1, 2)
    # The last point repeats the first; a rounding of the sum of its terms is not a side.
    if np.abs(points[0] - points[-1]).max() < 1e-9:
        points = points[:-1]
    if len(np.unique(points, axis=0)) < 3:
        return Polygon(), 0.0
    shape = Polygon(points)
    check_sides(np.array([shape], dtype=object), budget)
    return shapely.make_valid(shape, method="structure", keep_collapsed=False), v[-1]


def _polygon(v: list[float], unit: float, _: Budget) -> tuple[Shape, float]:
    (diameter,), (x, y) = _sizes(unit, v[3]), _lengths(unit, *v[1:3])
    return Polygon(regular(diameter, v[0]) + np.array([x, y])) if diameter else Polygon(), v[4]


def regular(diameter: float, sides: float) -> Floats:
    """Corners of a regular polygon in a circle about the origin, the first one on the x axis."""
    if sides != int(sides) or not 3 <= sides <= 12:
        message = f"polygon of {sides:g} sides; it must have 3 to 12. Repair it."
        raise ValueError(message)
    angles = 2 * math.pi * np.arange(int(sides)) / int(sides)
    return diameter / 2 * np.column_stack([np.cos(angles), np.sin(angles)])


def _moire(v: list[float], unit: float, budget: Budget) -> tuple[Shape, float]:
    (x, y), sizes = _lengths(unit, *v[:2]), _sizes(unit, v[2], v[3], v[4], v[6], v[7])
    outer, thickness, gap, cross, length = sizes
    rings = v[5]
    if rings != int(rings) or rings < 0:
        message = f"{rings:g} rings; it must be a whole number. Repair it."
        raise ValueError(message)
    pieces = [_box(x, y, length, cross), _box(x, y, cross, length)]
    for _ in range(int(rings)):
        if outer <= 0 or not thickness:
            break
        budget.vertices(64)
        budget.clock()
        pieces.append(difference(_disc(x, y, outer), _disc(x, y, max(0.0, outer - 2 * thickness))))
        outer -= 2 * (thickness + gap)
    return union_all(pieces), v[8]


def _thermal(v: list[float], unit: float, budget: Budget) -> tuple[Shape, float]:
    (x, y), (outer, inner, gap) = _lengths(unit, *v[:2]), _sizes(unit, *v[2:5])
    if not inner < outer:
        message = "the inner diameter must be smaller than the outer one. Repair it."
        raise ValueError(message)
    budget.vertices(128)
    ring = difference(_disc(x, y, outer), _disc(x, y, inner))
    cross = shapely.union(_box(x, y, 2 * outer, gap), _box(x, y, gap, 2 * outer))
    return difference(ring, cross), v[5]


_Make = Callable[[list[float], float, Budget], tuple[Shape, float]]
_ANY = 100_000
# Code to shape, least and most values, whether the first is the exposure. Source: the Gerber layer format
# specification, aperture macros; 2 and 22 are its deprecated forms.
PRIMITIVES: dict[int, tuple[_Make, int, int, bool]] = {
    1: (_circle, 4, 5, True),
    2: (_vector, 7, 7, True),
    20: (_vector, 7, 7, True),
    21: (_centre_line, 6, 6, True),
    22: (_corner_line, 6, 6, True),
    4: (_outline, 8, _ANY, True),
    5: (_polygon, 6, 6, True),
    6: (_moire, 9, 9, False),
    7: (_thermal, 6, 6, False),
}
