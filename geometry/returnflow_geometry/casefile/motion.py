"""Things of a case moved to other places, and the routes that follow their terminals (raw tables, millimetres)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import shapely
from shapely import affinity

from returnflow_geometry.casefile.addresses import Draft, Table
from returnflow_geometry.keys.drawn_shapes import read_centres, read_point, read_shape
from returnflow_geometry.keys.outgoing import fold
from returnflow_geometry.keys.reading import Book, Spot, as_number
from returnflow_geometry.model.numbers import MM, place

MOVABLE = ("terminal", "cutout", "bridge", "region")
DIGITS = 9  # of a millimetre: what arithmetic leaves beyond is rounding

Place = tuple[float, float]


def centre(table: Table) -> Place | None:
    """
    Place of a thing: where it is `at`, else the centre of the box round its shape; None if it cannot be read.

    Examples
    --------
    >>> centre({"shape": {"rect": [10, 0, 20, 4]}})
    (15.0, 2.0)
    """
    quiet = Spot(Book(), "")
    if "at" in table:
        point = read_point(quiet, table["at"])
        return None if point is None else _rounded(point[0] * MM, point[1] * MM)
    if "shape" in table:
        shape = read_shape(quiet, table["shape"])
        bounds = None if shape is None else shape.bounds
    else:
        centres = read_centres(quiet, table.get("circles"))
        bounds = None if centres is None else shapely.MultiPoint(centres).bounds
    if bounds is None:
        return None
    x0, y0, x1, y1 = bounds
    return _rounded((x0 + x1) / 2 * MM, (y0 + y1) / 2 * MM)


def moved(table: Table, to: Sequence[float]) -> Table | None:
    """
    Table of the same thing at another place; None if where it is now cannot be read.

    Examples
    --------
    >>> moved({"shape": {"slot": [[0, 0], [0, 8]], "width": 1}}, [5, 4])
    {'shape': {'slot': [[5.0, 0.0], [5.0, 8.0]], 'width': 1}}
    """
    now = centre(table)
    if now is None:
        return None
    by = (to[0] - now[0], to[1] - now[1])
    if by == (0.0, 0.0):
        return table
    if "at" in table:
        return {**table, "at": list(to)}
    if "shape" in table:
        return {**table, "shape": _shifted_shape(table["shape"], by)}
    return {**table, "circles": _shifted_points(table["circles"], by)}


def follow(before: Draft, after: Draft) -> list[str]:
    """
    Let the ends of routes follow the terminals that lie elsewhere than before.

    An end keeps its place relative to its terminal. Where the last leg would then fold back on the one before, the
    corner between them is left out: the conductor is cut short.

    Parameters
    ----------
    before, after : Draft
        Routes of `after` that are given anew stay as they are; others are changed in place.

    Returns
    -------
    changes : list of str
        One sentence per end.
    """
    steps: dict[str, Place] = {}
    for target, table in after.all("terminal"):
        old = before.get(target)
        if old is None or before.item(target) is after.item(target):
            continue
        start, end = centre(old), centre(table)
        if start is not None and end is not None and start != end:
            steps[target.name] = (end[0] - start[0], end[1] - start[1])
    if not steps:
        return []
    changes = []
    for target, table in after.all("loop"):
        old = before.get(target) or {}
        for key, backwards in (("return", True), ("inject", False)):
            terminal = table.get(key)
            if isinstance(terminal, str) and terminal in steps and old.get(key) == terminal:
                shifted = _led(table, old, steps[terminal], backwards=backwards)
                if shifted is not None:
                    table = shifted  # noqa: PLW2901  the other end is led next
                    path = _path(table, 0 if backwards else -1)
                    x, y = path[0] if backwards else path[-1]
                    verb = "starts" if backwards else "ends"
                    changes.append(f"the route of {target.quoted} now {verb} at {place(x / MM, y / MM)}")
        after.put(target, table)
    return changes


def _path(table: Table, leg: int = 0) -> list[Place]:
    """Points of a loop's route in mm, or of one of its legs; empty if it has none that can be read."""
    route = table.get("route")
    if isinstance(route, list) and route:
        route = route[leg]
    path = route.get("path") if isinstance(route, dict) else None
    points = []
    for item in path if isinstance(path, list) else []:
        numbers = [as_number(value) for value in item] if isinstance(item, list) else []
        if len(numbers) != 2 or numbers[0] is None or numbers[1] is None:
            return []
        points.append((numbers[0], numbers[1]))
    return points


def _led(table: Table, old: Table, by: Place, *, backwards: bool) -> Table | None:
    """Loop whose route ends elsewhere; None if it has none, or was given a new one."""
    end = 0 if backwards else -1
    path, drawn = _path(table, end), _path(old, end)
    if len(path) < 2 or not drawn or path[end] != drawn[end]:
        return None
    points = path[::-1] if backwards else path
    points[-1] = _rounded(points[-1][0] + by[0], points[-1][1] + by[1])
    while len(points) > 2 and (points[-1] == points[-2] or fold(points[-3:]) is not None):
        del points[-2]
    whole: Any = table["route"]
    leg = whole[end] if isinstance(whole, list) else whole
    leg = {**leg, "path": [list(p) for p in (points[::-1] if backwards else points)]}
    if not isinstance(whole, list):
        return {**table, "route": leg}
    return {**table, "route": [leg, *whole[1:]] if backwards else [*whole[:-1], leg]}


def _shifted_points(points: object, by: Place) -> list[list[float]]:
    return [list(_rounded(x + by[0], y + by[1])) for x, y in points]  # type: ignore[attr-defined]


def _shifted_shape(shape: object, by: Place) -> object:
    if not isinstance(shape, dict):  # drawn already
        return affinity.translate(shape, by[0] / MM, by[1] / MM)
    result = dict(shape)
    for key in ("polygon", "slot"):
        if key in shape:
            result[key] = _shifted_points(shape[key], by)
    if "circle" in shape:
        result["circle"] = _shifted_points([shape["circle"]], by)[0]
    if "rect" in shape:
        corners = _shifted_points([shape["rect"][:2], shape["rect"][2:]], by)
        result["rect"] = corners[0] + corners[1]
    return result


def _rounded(x: float, y: float) -> Place:
    return (round(x, DIGITS), round(y, DIGITS))
