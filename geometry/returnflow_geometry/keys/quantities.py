"""What the table of a sweep may say: the quantities that vary, and the values that each takes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from returnflow_geometry.keys.drawn_shapes import distinct, read_points
from returnflow_geometry.keys.reading import Key, Spot, as_number, choice, number, read_table, read_text
from returnflow_geometry.model.numbers import MM
from returnflow_geometry.model.wording import show

MAX_STEPS = 400  # of all sweeps of a file
MAX_QUANTITIES = 2
RULE = "it is given by set and values, by set, from, to and steps (and perhaps spacing), or by move, along and steps"

Place = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """
    One quantity of a sweep, in the units of the case file.

    Attributes
    ----------
    address : str
        Of the key that is set, or the thing that is moved.
    with_it : tuple of str
        Addresses of further keys that are set to the same values.
    values : tuple of float
        Rising or falling; for a move the distance along its way in millimetres.
    places : tuple of (x, y), or None
        For a move, where the thing lies at each of them, in millimetres.
    label : str
        What the file calls it; empty where it does not say.
    """

    address: str
    values: tuple[float, ...]
    with_it: tuple[str, ...] = ()
    places: tuple[Place, ...] | None = None
    label: str = ""

    @property
    def verb(self) -> str:
        """What is done to the address: set or move."""
        return "set" if self.places is None else "move"


def read_vary(spot: Spot, value: object) -> list[Quantity] | None:
    """Read one or two quantities."""
    if not isinstance(value, list) or not 1 <= len(value) <= MAX_QUANTITIES:
        got = f", which has {len(value)}" if isinstance(value, list) else ""
        rule = f"must be a list of 1 to {MAX_QUANTITIES} quantities"
        spot.wrong(f"is {show(value)}{got}", rule, 'write it as [ { set = "name.key", values = [...] } ]')
        return None
    found = [_read_quantity(spot.within(f" number {index}"), item) for index, item in enumerate(value, start=1)]
    return None if None in found else [quantity for quantity in found if quantity is not None]


def _read_quantity(spot: Spot, value: object) -> Quantity | None:
    if not isinstance(value, dict):
        spot.wrong(f"is {show(value)}", "must be a table", 'write { set = "name.key", values = [...] }')
        return None
    before = len(spot.book.mistakes)
    fields = read_table(spot.book, f"{spot.where}: ", value, KEYS)
    needed: tuple[str, ...] = ("set", "from", "to", "steps")
    if "move" in value or "along" in value:
        needed = ("move", "along", "steps")
    elif "values" in value:
        needed = ("set", "values")
    optional = ("label", "spacing") if "from" in needed else ("label",)
    surplus = [key for key in KEYS if key in value and key not in needed + optional]
    if surplus:
        spot.wrong(f"has {', '.join(surplus)} beside {needed[0]} and {needed[1]}", RULE, "remove what does not belong")
    for key in needed:
        if fields.lacks(key):
            spot.within(f": {key}").wrong("is missing", RULE, "add it")
    if len(spot.book.mistakes) > before or fields.bad:
        return None
    found: Quantity | None
    if "move" in needed:
        found = _along(fields.values["move"], fields.values["along"], fields.values["steps"])
    elif "values" in needed:
        found = Quantity(address="", values=fields.values["values"])
    else:
        found = _spaced(spot, fields.values)
    if found is not None and "set" in fields.values:
        first, *others = fields.values["set"]
        found = replace(found, address=first, with_it=tuple(others))
    return None if found is None else replace(found, label=fields.values.get("label", ""))


def _along(address: str, path: list[Place], steps: int) -> Quantity:
    """Places at equal distances along a path in metres."""
    lengths = [math.dist(*leg) for leg in itertools.pairwise(path)]
    reached = [0.0, *itertools.accumulate(lengths)]
    values, places, leg = [], [], 0
    for k in range(steps):
        at = reached[-1] * k / (steps - 1)
        while leg < len(lengths) - 1 and at > reached[leg + 1]:
            leg += 1
        part = min(1.0, (at - reached[leg]) / lengths[leg])
        (x0, y0), (x1, y1) = path[leg], path[leg + 1]
        values.append(_neat(at * MM))
        places.append((_neat((x0 + part * (x1 - x0)) * MM), _neat((y0 + part * (y1 - y0)) * MM)))
    return Quantity(address=address, values=tuple(values), places=tuple(places))


def _spaced(spot: Spot, values: Mapping[str, object]) -> Quantity | None:
    start, end, steps = (as_number(values[key]) or 0.0 for key in ("from", "to", "steps"))
    if start == end:
        spot.wrong(f"has from and to both {start:g}", "the quantity must vary", "correct one of them")
        return None
    parts = [k / (steps - 1) for k in range(int(steps))]
    if values.get("spacing", "linear") == "linear":
        # As a weighted mean: the difference of two numbers of one sign each may overflow.
        spaced = [start * (1 - part) + end * part for part in parts]
    elif start > 0 and end > 0:
        spaced = [start ** (1 - part) * end**part for part in parts]
    else:
        low = min(start, end)
        spot.wrong(f"goes down to {low:g}", "with log spacing both ends are greater than 0", "use linear spacing")
        return None
    neat = tuple(dict.fromkeys([start, *map(_neat, spaced[1:-1]), end]))
    if len(neat) < len(spaced):
        spot.wrong(f"goes from {start!r} to {end!r}", "the values must differ in twelve digits", "widen the range")
        return None
    return Quantity(address="", values=neat)


def _neat(value: float) -> float:
    """The same to twelve digits, without what rounding leaves behind; below a picometre 0."""
    return float(f"{value:.12g}") if abs(value) > 1e-12 else value


def _read_values(spot: Spot, value: object) -> tuple[float, ...] | None:
    numbers = [as_number(item) for item in value] if isinstance(value, list) else []
    good = [item for item in numbers if item is not None]
    if not isinstance(value, list) or len(good) < 2 or len(good) != len(numbers):
        rule = "must be a list of at least two numbers"
        spot.wrong(f"is {show(value)}", rule, "write it as [a, b, ...]; to vary a place use move and along")
        return None
    if len(good) > MAX_STEPS:
        spot.wrong(f"has {len(good)} numbers", f"at most {MAX_STEPS} are computed", "leave out some")
        return None
    pairs = list(itertools.pairwise(good))
    if not (all(a < b for a, b in pairs) or all(a > b for a, b in pairs)):
        spot.wrong(f"is {show(value)}", "the values must all rise or all fall", "sort them, and give each once")
        return None
    return tuple(good)


def _read_addresses(spot: Spot, value: object) -> tuple[str, ...] | None:
    if not isinstance(value, list):
        text = read_text(spot, value)
        return None if text is None else (text,)
    if not value:
        spot.wrong("is []", "must be an address, or a list of those that vary together", 'write "name.key"')
        return None
    every = [read_text(spot.within(f" number {which}"), item) for which, item in enumerate(value, start=1)]
    return None if None in every else tuple(dict.fromkeys(text for text in every if text is not None))


def _read_steps(spot: Spot, value: object) -> int | None:
    if isinstance(value, bool) or not isinstance(value, int) or not 2 <= value <= MAX_STEPS:
        rule = f"must be a whole number from 2 to {MAX_STEPS}, both ends counted"
        spot.wrong(f"is {show(value)}", rule, "correct the value")
        return None
    return value


def _read_way(spot: Spot, value: object) -> list[Place] | None:
    points = read_points(spot, value, 2)
    return points if points is not None and distinct(spot, points, closed=False) else None


KEYS = {
    "set": Key(read=_read_addresses, advice='give the address of a key, such as "name.key", or several in a list'),
    "values": Key(read=_read_values, advice="give them as [a, b, ...]"),
    "from": Key(read=number(), advice="give the first value"),
    "to": Key(read=number(), advice="give the last value"),
    "steps": Key(read=_read_steps, advice="give the number of values"),
    "spacing": Key(read=choice(("linear", "log")), advice="give linear or log"),
    "move": Key(read=read_text, advice="name a terminal, cutout, bridge or region"),
    "label": Key(read=read_text, advice='name the quantity, such as "width of the bridge"'),
    "along": Key(read=_read_way, advice="give the way as [[x, y], [x, y], ...]"),
}
