"""What was moved on a served page, as its messages say it: read, checked, and as changes of a case."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from returnflow_geometry.casefile.variants import Editor
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.numbers import MM

Span = Sequence[Sequence[float]]  # two places

MOST_PLACES = 1000
DIGITS = 6  # of a millimetre
STRAIGHT = 1e-6


class RequestError(ValueError):
    """A message that cannot be answered; the text says why."""


class RefusedError(RequestError):
    """A good message with something filled in wrongly: an answer to whoever did so, and no fault of the page."""


def changes_of(message: Mapping[str, Any], case: Case) -> dict[str, Any]:
    """
    What a message moves, as arguments of `Case.changed`; empty if it moves nothing.

    Parameters
    ----------
    message : mapping
        `places`: contacts and their [x, y]; `ends`: ends of slots as [name, place as drawn, place now]; `bridges`:
        [name, both edges as drawn, both edges now]; `routes`: of loops, the paths of all legs. Millimetres.
    case : Case

    Raises
    ------
    RequestError
        If anything in it is none of these; nothing has changed then.
    """
    found = {
        "move": _places(message.get("places", {}), case),
        "set": {
            **_ends(message.get("ends", []), case),
            **_bridges(message.get("bridges", []), case),
            **_routes(message.get("routes", {}), case),
        },
    }
    return {key: value for key, value in found.items() if value}


def _places(value: object, case: Case) -> dict[str, list[float]]:
    known = {terminal.name for terminal in case.board.terminals}
    good = (
        isinstance(value, dict)
        and len(value) <= MOST_PLACES
        and all(name in known and _is_place(place) for name, place in value.items())
    )
    if not good:
        text = "places must give contacts of this board their [x, y] in millimetres."
        raise RequestError(text)
    assert isinstance(value, dict)
    return {name: _rounded(place) for name, place in value.items()}


def _ends(value: object, case: Case) -> dict[str, float]:
    """New coordinates of ends of slots, by address."""
    drawn = _drawn(case, "cutout")
    found: dict[str, float] = {}
    for item in _items(value):
        if not (isinstance(item, list) and len(item) == 3 and _is_place(item[1]) and _is_place(item[2])):
            text = "ends must give ends of slots as [name, [x, y], [x, y]]."
            raise RequestError(text)
        name, old, new = item
        shape = drawn.get(name, {}).get("shape") if isinstance(name, str) else None
        path = shape.get("slot") if isinstance(shape, Mapping) else None
        if not path:
            text = f"The cutout {name!r} is not drawn as a slot in the case file, so its end cannot be moved there."
            raise RequestError(text)
        near = min((0, len(path) - 1), key=lambda n: math.dist(path[n], old))
        for axis in range(2):
            if abs(new[axis] - path[near][axis]) > STRAIGHT:
                found[f"cutout:{name}.shape.slot.{near + 1}.{axis + 1}"] = round(float(new[axis]), DIGITS)
    return found


def _bridges(value: object, case: Case) -> dict[str, Any]:
    """New shapes of bridges, by address."""
    drawn = _drawn(case, "bridge")
    found: dict[str, Any] = {}
    for item in _items(value):
        good = isinstance(item, list) and len(item) == 3 and all(_is_span(span) for span in item[1:])
        if not good or not isinstance(item[0], str):
            text = "bridges must give bridges as [name, [[x, y], [x, y]], [[x, y], [x, y]]]: both edges, drawn and now."
            raise RequestError(text)
        name, old, new = item
        shape = drawn.get(name, {}).get("shape")
        if not isinstance(shape, Mapping):
            text = f"The bridge {name!r} is not drawn in the case file, so it cannot be moved there."
            raise RequestError(text)
        found[f"bridge:{name}.shape"] = stretched(shape, old, new)
    return found


def stretched(
    shape: Mapping[str, Any], old: Sequence[Sequence[float]], new: Sequence[Sequence[float]]
) -> dict[str, Any]:
    """
    Shape of a bridge whose two edges across a slot lie elsewhere along it, mm.

    Examples
    --------
    >>> stretched({"slot": [[39, 25], [41, 25]], "width": 6}, [[40, 22], [40, 28]], [[40, 10], [40, 13]])
    {'slot': [[39.0, 11.5], [41.0, 11.5]], 'width': 3.0}
    >>> stretched({"rect": [48, 60, 52, 80]}, [[50, 60], [50, 80]], [[50, 50], [50, 60]])
    {'rect': [48.0, 50.0, 52.0, 60.0]}
    """
    (a, b), (p, q) = np.array(old, dtype=float), np.array(new, dtype=float)
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    scale = float((q - p) @ along) / length
    if scale <= 0:
        text = "A bridge must keep some width."
        raise RequestError(text)

    def put(points: object) -> list[list[float]]:
        at = np.array(points, dtype=float)
        t = (at - a) @ along
        moved: list[list[float]] = np.round(at + ((p - a) @ along + (scale - 1) * t)[:, None] * along, DIGITS).tolist()
        return moved

    if "rect" in shape and min(abs(along)) < STRAIGHT:
        x0, y0, x1, y1 = shape["rect"]
        (x0, y0), (x1, y1) = put([[x0, y0], [x1, y1]])
        return {"rect": [x0, y0, x1, y1]}
    if "rect" in shape:
        x0, y0, x1, y1 = shape["rect"]
        return {"polygon": put([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])}
    if "polygon" in shape:
        return {"polygon": put(shape["polygon"])}
    if "slot" in shape and len(shape["slot"]) == 2:
        start, end = np.array(shape["slot"], dtype=float)
        lean = abs(float((end - start) @ along)) / math.dist(start, end)
        if lean < STRAIGHT:  # across the slot
            return {"slot": put(shape["slot"]), "width": round(scale * shape["width"], DIGITS)}
        if lean > 1 - STRAIGHT:
            return {"slot": put(shape["slot"]), "width": shape["width"]}
    text = "This bridge is drawn in a way that cannot be moved here: draw it as a rectangle."
    raise RequestError(text)


def _routes(value: object, case: Case) -> dict[str, Any]:
    """Routes with their corners elsewhere, by address."""
    legs = {loop.name: loop.route.legs or (loop.route,) for loop in case.loops if loop.route is not None}
    found: dict[str, Any] = {}
    for name, paths in value.items() if isinstance(value, dict) and len(value) <= MOST_PLACES else [("", None)]:
        mine = legs.get(name, ())
        good = (
            isinstance(paths, list)
            and len(paths) == len(mine)
            and all(
                isinstance(path, list) and len(path) == len(leg.path) and all(map(_is_place, path))
                for path, leg in zip(paths, mine, strict=True)
            )
        )
        if not good:
            text = "routes must give loops of this board the paths of all legs, with as many points as are drawn."
            raise RequestError(text)
        assert isinstance(paths, list)
        tables = [
            {"layer": leg.layer, "path": [_rounded(place) for place in path], "width_mm": round(leg.width * MM, DIGITS)}
            for path, leg in zip(paths, mine, strict=True)
        ]
        found[f"loop:{name}.route"] = tables[0] if len(tables) == 1 else tables
    return found


def _drawn(case: Case, kind: str) -> dict[str, Mapping[str, Any]]:
    """Tables of a kind in the case file by name."""
    value = case.editor.raw.get(kind) if isinstance(case.editor, Editor) else None
    return {table["name"]: table for table in value if isinstance(table, Mapping)} if isinstance(value, list) else {}


def _items(value: object) -> list[Any]:
    return value if isinstance(value, list) and len(value) <= MOST_PLACES else [None]


def _rounded(place: Sequence[float]) -> list[float]:
    return [round(float(v), DIGITS) for v in place]


def _is_span(span: object) -> bool:
    return isinstance(span, list) and len(span) == 2 and all(map(_is_place, span)) and span[0] != span[1]


def _is_place(place: object) -> bool:
    return (
        isinstance(place, list)
        and len(place) == 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in place)
    )
