"""Apertures: the shape flashed or dragged, built once about the origin."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.curves import arc, full_circle
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.gerber.macros import Macro, macro_shape, regular, turned
from returnflow_geometry.fabrication.gerber.number_format import NumberFormat, decimal
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import difference

_DEFINITION = re.compile(r"ADD(\d{1,9})([^,*]+?)(?:,(.*))?\Z")
FIRST_CODE = 10


@dataclass(frozen=True, kw_only=True)
class Aperture:
    """
    One aperture definition.

    Attributes
    ----------
    code : int
    shape : polygon or multipolygon, metres
        About the origin, holes cut out.
    diameter : float or None
        Of a full disc, metres; None for everything else.
    standard : bool
        A full disc or rectangle: what may be dragged along a line by the standard.
    """

    code: int
    shape: Shape
    diameter: float | None = None
    standard: bool = False


@dataclass(frozen=True, kw_only=True)
class _Template:
    least: int
    names: tuple[str, ...] = field(default=())


# Parameters before the hole; the hole adds one (round) or two (rectangular, deprecated).
_TEMPLATES = {
    "C": _Template(least=1, names=("diameter",)),
    "R": _Template(least=2, names=("width", "height")),
    "O": _Template(least=2, names=("width", "height")),
    "P": _Template(least=2, names=("diameter", "sides", "rotation")),
}


def read_aperture(text: str, macros: dict[str, Macro], numbers: NumberFormat, budget: Budget) -> Aperture:
    """
    Build the aperture of one ``ADD`` command.

    Raises
    ------
    ValueError
        With what was given, the rule and what to do.
    """
    found = _DEFINITION.match("".join(text.split()))
    if found is None:
        message = f"{quoted(text)}; expected for instance ADD10C,0.5. Repair it."
        raise ValueError(message)
    code, name, fields = int(found.group(1)), found.group(2), found.group(3) or ""
    if code < FIRST_CODE:
        message = f"aperture number {code}; the first free one is {FIRST_CODE}. Repair it."
        raise ValueError(message)
    values = [decimal(value) for value in re.split("[Xx]", fields) if value] if fields else []
    if name in macros:
        numbers.length(0.0)
        shape = macro_shape(macros[name], values, numbers.unit or 0.0, budget)
        return Aperture(code=code, shape=shape)
    if name not in _TEMPLATES:
        message = (
            f"aperture D{code} uses {quoted(name)}, which is neither C, R, O, P nor a macro defined above. "
            "Repair the name or define the macro first."
        )
        raise ValueError(message)
    return _standard(code, name, values, numbers, budget)


def _standard(code: int, name: str, values: list[float], numbers: NumberFormat, budget: Budget) -> Aperture:
    template = _TEMPLATES[name]
    own = len(template.names)
    if not template.least <= len(values) <= own + 2:
        message = (
            f"aperture D{code} has {len(values)} parameters; {name} has {', '.join(template.names)}, hole. Repair it."
        )
        raise ValueError(message)
    plain, hole = values[:own], values[own:]
    for i, value in enumerate([*plain, *hole]):
        if value < 0 and not (name == "P" and i == 2):
            message = f"aperture D{code} has the negative size {value:g}. Repair it."
            raise ValueError(message)
    budget.vertices(64)
    diameter = None
    if name == "C":
        diameter = numbers.length(plain[0])
        shape = Polygon(full_circle((0.0, 0.0), diameter / 2)) if diameter else Polygon()
    elif name == "P":
        shape = Polygon(regular(numbers.length(plain[0]), plain[1])) if plain[0] else Polygon()
        shape = turned(shape, plain[2] if len(plain) > 2 else 0.0)
    else:
        width, height = numbers.length(plain[0]), numbers.length(plain[1])
        shape = _rectangle(width, height) if name == "R" else obround(width, height)
    if hole and any(hole):
        sizes = [numbers.length(value) for value in hole]
        cut = Polygon(full_circle((0.0, 0.0), sizes[0] / 2)) if len(sizes) == 1 else _rectangle(sizes[0], sizes[1])
        shape = difference(shape, cut)
        diameter = None
    solid = not (hole and any(hole))
    return Aperture(code=code, shape=shape, diameter=diameter, standard=solid and name in "CR")


def _rectangle(width: float, height: float) -> Polygon:
    return shapely.box(-width / 2, -height / 2, width / 2, height / 2) if width * height else Polygon()


def obround(width: float, height: float) -> Polygon:
    """
    Rectangle with its two shorter sides replaced by half circles of equal area, about the origin.

    Examples
    --------
    >>> print(f"{obround(3.0, 1.0).area - 2:.9f}")
    0.785398163
    """
    if not width * height:
        return Polygon()
    radius = min(width, height) / 2
    if width == height:
        return Polygon(full_circle((0.0, 0.0), radius))
    cap = half_circle(radius) + np.array([max(width, height) / 2 - radius, 0.0])
    points = np.concatenate([cap, -cap])
    return Polygon(points if width > height else points[:, ::-1] * (-1, 1))


def half_circle(radius: float) -> Floats:
    """Corners of the half circle to the right of the y axis, from below to above, both ends on the axis."""
    start = (0.0, -radius)
    return np.concatenate([[start], arc(start, (0.0, radius), (0.0, 0.0), clockwise=False)])
