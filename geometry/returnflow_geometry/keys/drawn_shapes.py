"""Drawn things of a case file, in millimetres, to shapely geometry in metres."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import shapely
from shapely import LineString, MultiPolygon, Polygon

from returnflow_geometry.keys.reading import Fields, Key, Spot, as_number, note_unknown_key, number, read_table
from returnflow_geometry.model import shapes
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.numbers import MM, mm, place, square_millimetres
from returnflow_geometry.model.overlay import difference, union_all
from returnflow_geometry.model.wording import brief, show

Point = tuple[float, float]

MAX_COORDINATE = 2000.0  # mm: larger than any board, so a larger number is a wrong unit
MIN_FEATURE = 1e-3  # mm: finer than any board can be etched
MAX_REPORTED = 3  # bad points reported of one list
MAX_POINTS = 200_000
MAX_MITRE = 3.0  # half-widths
CONTACT_CORNERS = 24  # least corners of a round contact: field and current crowd there


read_extent = number(least=MIN_FEATURE, most=2 * MAX_COORDINATE, per=MM)


def read_coordinates(spot: Spot, value: object, count: int = 2) -> tuple[float, ...] | None:
    """Read `count` numbers in mm; return metres."""
    pattern = "[x, y]" if count == 2 else "[x0, y0, x1, y1]"
    rule = f"must be {pattern}, {count} numbers in millimetres"
    if not isinstance(value, list) or len(value) != count:
        got = f", which has {len(value)}" if isinstance(value, list) else ""
        spot.wrong(f"is {show(value)}{got}", rule, f"write it as {pattern}")
        return None
    numbers = [as_number(item) for item in value]
    result = [item / MM for item in numbers if item is not None and abs(item) <= MAX_COORDINATE]
    if len(result) != count:
        limit = f"{rule}, each finite and between {-MAX_COORDINATE:g} and {MAX_COORDINATE:g}"
        spot.wrong(f"is {show(value)}", limit, "correct the value, and check its unit")
        return None
    return tuple(result)


def read_point(spot: Spot, value: object) -> Point | None:
    """Read one point in mm; return metres."""
    result = read_coordinates(spot, value)
    return None if result is None else (result[0], result[1])


def read_points(spot: Spot, value: object, least: int) -> list[Point] | None:
    """Read a list of at least so many points in mm; return metres."""
    rule = f"must be a list of at least {least} point{'s' if least > 1 else ''} [x, y] in millimetres"
    if not isinstance(value, list) or len(value) < least:
        got = f", which has {len(value)}" if isinstance(value, list) else ""
        spot.wrong(f"is {show(value)}{got}", rule, "write it as [[x, y], [x, y], ...]")
        return None
    if len(value) > MAX_POINTS:
        spot.wrong(f"has {len(value)} points", f"at most {MAX_POINTS} are read", "split it or leave out detail")
        return None
    if len(value) in {2, 4} and all(as_number(item) is not None for item in value):
        # One message, not one per number: the inner brackets were forgotten.
        spot.wrong(f"is {show(value)}", rule, "put each point in brackets of its own")
        return None
    before = len(spot.book.mistakes)
    result: list[Point] = []
    for index, item in enumerate(value, start=1):
        point = read_point(spot.within(f" point {index}"), item)
        if point is not None:
            result.append(point)
        elif len(spot.book.mistakes) - before >= MAX_REPORTED:
            return None
    return result if len(spot.book.mistakes) == before else None


def distinct(spot: Spot, points: Sequence[Point], *, closed: bool) -> bool:
    """Tell whether no two neighbouring points coincide; note it otherwise."""
    following = [*points[1:], points[0]] if closed else points[1:]
    for index, (first, second) in enumerate(zip(points, following, strict=False), start=1):
        if first == second:
            last = closed and index == len(points)
            spot.wrong(
                f"has point {index} and point {1 if last else index + 1} both at {place(*first)}",
                "neighbouring points must differ",
                "leave out the last point, the outline closes by itself" if last else "leave out one of them",
            )
            return False
    return True


def read_path(spot: Spot, value: object) -> tuple[Point, ...] | None:
    """Read a path of two or more points in mm that does not cross itself; return metres."""
    points = read_points(spot, value, 2)
    if points is None or not distinct(spot, points, closed=False):
        return None
    if not LineString(points).is_simple:
        spot.wrong(
            f"is {show(value)}",
            "a section must not cross or retrace itself, else it would count a current twice",
            "draw it as one open line",
        )
        return None
    return tuple(points)


def read_centres(spot: Spot, value: object) -> tuple[Point, ...] | None:
    """Read the centres of a cutout's circles in mm; return metres."""
    points = read_points(spot, value, 1)
    if points is None:
        return None
    seen: dict[Point, int] = {}
    for index, point in enumerate(points, start=1):
        if point in seen:
            spot.wrong(
                f"has point {seen[point]} and point {index} both at {place(*point)}",
                "each circle must be given once",
                "leave out one of them",
            )
            return None
        seen[point] = index
    return tuple(points)


def contact(at: Point, diameter: float) -> Polygon:
    """Round contact of a terminal, in metres."""
    corners = shapes.corners_for(diameter / 2, least=CONTACT_CORNERS)
    return shapes.circle(*at, diameter, corners=corners)


@lru_cache(maxsize=32)
def circles(centres: tuple[Point, ...], diameter: float) -> Shape:
    """Many circles as one shape, in metres; where they overlap they merge. Steps of a sweep share it."""
    drawn = union_all([shapes.circle(x, y, diameter) for x, y in centres])
    return drawn if isinstance(drawn, Polygon | MultiPolygon) else MultiPolygon()


def _build_rectangle(spot: Spot, values: Mapping[str, Any]) -> Polygon | None:
    x0, y0, x1, y1 = values["rect"]
    flat = [
        f"{axis}0 and {axis}1 {'both' if low == high else 'nearly'} {mm(low)}"
        for axis, low, high in (("x", x0, x1), ("y", y0, y1))
        if not abs(high - low) * MM >= MIN_FEATURE
    ]
    if flat:
        spot.within(".rect").wrong(
            f"has {' and '.join(flat)}",
            f"the two opposite corners must differ by at least {MIN_FEATURE:g} mm both ways",
            "give [x0, y0, x1, y1]: corner, then opposite corner, not width and height",
        )
        return None
    return shapes.rectangle(x0, y0, x1, y1)


def _build_circle(spot: Spot, values: Mapping[str, Any]) -> Polygon | None:  # noqa: ARG001  one signature for all
    x, y = values["circle"]
    return shapes.circle(x, y, values["diameter"])


def _build_polygon(spot: Spot, values: Mapping[str, Any]) -> Polygon | None:
    points = values["polygon"]
    inner = spot.within(".polygon")
    if not distinct(inner, points, closed=True):
        return None
    shape = Polygon(points)
    rule = f"must enclose an area, at least {MIN_FEATURE:g} mm wide somewhere"
    if not _is_wide(shapely.convex_hull(shape)):
        inner.wrong("has all its points on one line", rule, "correct the points")
        return None
    if not shape.is_valid:
        reason = shapely.is_valid_reason(shape)
        found = re.search(r"\[(\S+) (\S+)\]", reason)
        where = f" at {place(float(found[1]), float(found[2]))}" if found else ""
        crosses = "touches itself" if "Ring" in reason else "crosses itself"
        inner.wrong(
            f"{crosses}{where}",
            "an outline must be one closed line without crossing or touching",
            "check the order of the points, or draw two shapes",
        )
        return None
    if not _is_wide(shape):
        inner.wrong(f"has an area of {square_millimetres(shape.area)} only", rule, "correct the points")
        return None
    return shape


def _is_wide(shape: Shape) -> bool:
    """Tell whether the smallest feature fits into the shape somewhere."""
    return not shape.buffer(-MIN_FEATURE / MM / 2, quad_segs=2).is_empty


def _build_slot(spot: Spot, values: Mapping[str, Any]) -> Polygon | None:
    path, width = values["slot"], values["width"]
    inner = spot.within(".slot")
    if not distinct(inner, path, closed=False):
        return None
    shape = shapes.slot(path, width)
    # Where a path folds back within its own width the offset curve may drop or swallow legs: each straight
    # leg, drawn as a rectangle, must be there again.
    legs = union_all([shapes.slot(leg, width) for leg in itertools.pairwise(path)])
    lost = difference(legs, shape).area
    if not shape.is_valid or not lost <= 0.01 * legs.area:
        shortest = min(math.dist(*leg) for leg in itertools.pairwise(path))
        inner.wrong(
            f"folds back within its own width (shortest leg {mm(shortest)} mm, width {mm(width)} mm)",
            "the slot cannot be drawn from that path",
            "leave out points that are nearer to each other than the width, or draw a polygon",
        )
        return None
    # The mitre of a very sharp bend reaches far beyond the slot.
    reach = shapely.distance(LineString(path), shapely.points(shape.exterior.coords)).max()
    if not reach <= MAX_MITRE * width / 2:
        inner.wrong(
            f"bends so sharply that its corner reaches {mm(reach)} mm away from the path",
            f"a corner may reach at most {MAX_MITRE:g} half-widths, as a bend back by 140 degrees does",
            "replace the sharp bend by two flatter ones",
        )
        return None
    return shape


_POINT = "give its centre as [x, y] in millimetres"
_SIZE = "give it in millimetres"

# Kind of shape -> (its keys, how it is built). All lengths in the file are in mm.
SHAPES: dict[str, tuple[dict[str, Key], Callable[[Spot, Mapping[str, Any]], Polygon | None]]] = {
    "rect": (
        {"rect": Key(read=lambda spot, value: read_coordinates(spot, value, 4), advice="give two corners")},
        _build_rectangle,
    ),
    "circle": (
        {
            "circle": Key(read=read_point, advice=_POINT),
            "diameter": Key(read=read_extent, advice=_SIZE, required=True, unit="millimetres"),
        },
        _build_circle,
    ),
    "polygon": (
        {"polygon": Key(read=lambda spot, value: read_points(spot, value, 3), advice="give its corners")},
        _build_polygon,
    ),
    "slot": (
        {
            "slot": Key(read=lambda spot, value: read_points(spot, value, 2), advice="give its path"),
            "width": Key(read=read_extent, advice=_SIZE, required=True, unit="millimetres"),
        },
        _build_slot,
    ),
}
EXAMPLES = {
    "rect": "{ rect = [x0, y0, x1, y1] }",
    "circle": "{ circle = [x, y], diameter = d }",
    "polygon": "{ polygon = [[x, y], ...] }",
    "slot": "{ slot = [[x, y], ...], width = w }",
}


def shape_reader(kinds: Sequence[str] = tuple(SHAPES)) -> Callable[[Spot, object], Shape | None]:
    """Make a reader of a shape table of one of the kinds; it returns it in metres."""
    every_key = {name: key for kind in kinds for name, key in SHAPES[kind][0].items()}
    examples = " or ".join(EXAMPLES[kind] for kind in kinds)

    def read(spot: Spot, value: object) -> Shape | None:
        if isinstance(value, Polygon | MultiPolygon):  # not from TOML: board data that is drawn already
            return value
        if not isinstance(value, dict):
            spot.wrong(f"is {show(value)}", "must be a table that draws a shape", f"write {examples}")
            return None
        given = [kind for kind in kinds if kind in value]
        unknown = [name for name in value if name not in every_key]
        if not given and unknown and not any(kind in value for kind in SHAPES):
            for name in unknown:
                note_unknown_key(spot.within(f".{brief(name, 40)}"), name, every_key)
            return None
        other = [kind for kind in SHAPES if kind not in kinds and kind in value]
        if len(given) != 1 or other:
            rule = f"must have exactly one of {', '.join(kinds)}"
            spot.wrong(f"is {show(value)}", rule, f"write {examples}")
            return None
        keys, build = SHAPES[given[0]]
        before = len(spot.book.mistakes)
        fields: Fields = read_table(spot.book, f"{spot.where}.", value, keys)
        if len(spot.book.mistakes) > before:
            return None
        return build(spot, fields.values)

    return read


read_shape = shape_reader()
