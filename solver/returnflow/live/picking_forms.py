"""Forms of the page for picking: their fields from the tables of keys, and what was filled in as tables of a case."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from typing import Any

from returnflow.live.moves import RefusedError, RequestError
from returnflow_geometry.fabrication.board_data.candidates import Candidate
from returnflow_geometry.keys.auto_route import AUTO
from returnflow_geometry.keys.reading import Key, unit_of
from returnflow_geometry.keys.schema import CASE_ROLES, INLINE, KEYS, ROLE_KEYS, WAYS

DRAWN = ("cutout", "bridge", "terminal")
ENDS = ("name", "role", "inject", "return")
MOST_LETTERS = 20_000  # of one field
MOST_FIELDS = 40
Table = dict[str, Any]


def schema() -> dict[str, Any]:
    """
    Roles of loops and their keys, as the page makes fields of them.

    Examples
    --------
    >>> [way for role in schema()["roles"] if role["name"] == "cables" for way in role["ways"]]
    [['limit_V'], ['radiates']]
    """
    return {
        "roles": [
            {
                "name": role,
                "ways": [list(way) for way in WAYS[role].keys] if role in WAYS else [],
                "optional": list(WAYS[role].optional) if role in WAYS else [],
                "keys": _fields(ROLE_KEYS[role]),
            }
            for role in CASE_ROLES
        ],
        "ends": {key: KEYS["loop"][key].advice for key in ("inject", "return")},
        "route": {key: field for key, field in _fields(AUTO).items() if key != "auto"},
    }


def _fields(keys: Mapping[str, Key]) -> dict[str, Any]:
    return {
        name: {
            "unit": unit_of(name, keys),
            "advice": key.advice,
            "required": key.required,
            "inner": _fields(INLINE[name]) if name in INLINE else None,
        }
        for name, key in keys.items()
    }


def proposal(item: Candidate) -> dict[str, Any]:
    """A proposed loop as the page shows it, and fills its form with."""
    table = tomllib.loads("\n".join(f"{key} = {value}" for key, value in item.keys))
    return {"name": item.name, "why": item.why, **filled(table)}


def filled(table: Mapping[str, Any]) -> dict[str, Any]:
    """What the form of a loop is filled with, besides its name."""
    return {
        **{key: table[key] for key in ENDS if key != "name"},
        "values": {key: value for key, value in table.items() if key not in (*ENDS, "route")},
        "route": {"auto": True} if table.get("route") == "auto" else table.get("route"),
    }


def loop_table(message: Mapping[str, Any]) -> Table:
    """
    Table of a loop of a filled form; what is wrong with its values is for the case's own checks to say.

    Raises
    ------
    RequestError
        If it is no form at all.
    """
    table: Table = {key: said for key in ENDS if (said := _text(message, key))}
    values = message.get("values", {})
    if not isinstance(values, dict) or len(values) > MOST_FIELDS:
        text = f"values must be at most {MOST_FIELDS} fields by their keys."
        raise RequestError(text)
    for key, given in values.items():
        value = _inner(given) if isinstance(given, dict) else _value(key, given)
        if value is not None:
            table[key] = value
    route = message.get("route")
    if route is not None:
        table["route"] = route_table(route)
    return table


def route_table(route: object) -> str | Table:
    """What a case says of a route that is to be found: `auto`, or a table with the pins and parts on the way."""
    if not isinstance(route, dict) or not route.keys() <= AUTO.keys():
        text = f"route must be a table of {', '.join(AUTO)}."
        raise RequestError(text)
    named: Table = {}
    for key, given in route.items():
        if key == "auto":
            continue
        if not isinstance(given, list) or len(given) > MOST_FIELDS or not all(isinstance(one, str) for one in given):
            text = f"route: {key} must be a list of names."
            raise RequestError(text)
        named |= {key: [one.strip() for one in given if one.strip()]}
    named = {key: names for key, names in named.items() if names}
    return {"auto": True, **named} if named else "auto"


def drawn_table(message: Mapping[str, Any]) -> Table:
    """
    Table of a cutout, bridge or contact that was drawn; its shape comes as a case file has it.

    Raises
    ------
    RequestError
        If it is no form at all.
    """
    coppers = message.get("coppers")
    if not isinstance(coppers, list) or not all(isinstance(one, str) for one in coppers):
        text = "coppers must be a list of names."
        raise RequestError(text)
    if not coppers:
        text = "copper: none is chosen; it lies on some; choose at least one, or draw it where there is copper"
        raise RefusedError(text)
    if len(coppers) > MOST_FIELDS:
        text = f"copper: {len(coppers)} are named; at most {MOST_FIELDS} may be; choose fewer."
        raise RequestError(text)
    return {
        "name": _text(message, "name"),
        "copper": coppers[0] if len(coppers) == 1 else coppers,
        "shape": shape_value(message),
    }


def shape_value(message: Mapping[str, Any]) -> object:
    """Shape of a drawn thing as a value of a case, read or not."""
    return _value("shape", message.get("shape"))


def _inner(given: Mapping[str, object]) -> Table | None:
    """Table in a table, without the fields that were left empty; None if all were."""
    if len(given) > MOST_FIELDS:
        text = f"A table has at most {MOST_FIELDS} fields."
        raise RequestError(text)
    values = {key: _value(key, one) for key, one in given.items()}
    return {key: value for key, value in values.items() if value is not None} or None


def _text(message: Mapping[str, Any], key: str) -> str:
    value = message.get(key)
    if not isinstance(value, str) or len(value) > MOST_LETTERS:
        text = f"{key} must be a text."
        raise RequestError(text)
    return value.strip()


def _value(key: str, given: object) -> object:
    """
    Value of what was typed: as in a case file, or else a number, or else the text itself; None for nothing.

    Examples
    --------
    >>> [_value("a", typed) for typed in ("1.2", "[0, 1e3]", "class B", " ", ".5")]
    [1.2, [0, 1000.0], 'class B', None, 0.5]
    """
    if not isinstance(given, str) or len(given) > MOST_LETTERS:
        text = f"{key} must be a text of at most {MOST_LETTERS} letters."
        raise RequestError(text)
    typed = given.strip()
    if not typed:
        return None
    try:
        parsed = tomllib.loads(f"value = {typed}")
    except (ValueError, RecursionError):
        parsed = {}
    if parsed.keys() == {"value"} and _plain(parsed["value"]):
        value: object = parsed["value"]
        return value
    try:
        number = float(typed.replace("_", ""))
    except ValueError:
        return typed
    return number if math.isfinite(number) else typed


def _plain(value: object) -> bool:
    """Whether a case file can hold it: it holds no dates."""
    if isinstance(value, dict):
        return all(map(_plain, value.values()))
    if isinstance(value, list):
        return all(map(_plain, value))
    return isinstance(value, str | bool | int | float)
