"""How one table of a case file is read: every key has a reader, and every mistake names its key."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from returnflow_geometry.model.wording import MAX_NAME, nearest, show
from returnflow_geometry.model.wording import brief as brief
from returnflow_geometry.model.wording import listed as listed

UNITS = {
    "mm": "millimetres",
    "um": "micrometres",
    "C": "degrees Celsius",
    "A": "amperes",
    "V": "volts",
    "Hz": "hertz",
    "s": "seconds",
    "ohm": "ohms",
    "H": "henries",
    "F": "farads",
    "dB": "decibels",
}
PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
LENGTHS = {"mm": 1.0, "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "cm": 10.0, "m": 1e3, "mil": 0.0254, "in": 25.4}  # mm


@dataclass
class Book:
    """
    What is known while a file is read: the mistakes so far, and the names declared per kind.

    A kind is `incomplete` when one of its tables could not be named or read at all. A reference to an
    unknown name of that kind then says nothing, as it may well mean the table that is already reported.
    """

    mistakes: list[str] = field(default_factory=list)
    names: dict[str, list[str]] = field(default_factory=dict)
    incomplete: set[str] = field(default_factory=set)


@dataclass(frozen=True)
class Spot:
    """One key in the file, `where` as the reader of a message sees it; `unit` spelled out, or empty."""

    book: Book
    where: str
    unit: str = ""

    def wrong(self, given: str, rule: str, advice: str) -> None:
        """Note a mistake in four parts: which key, what was given, the rule, what to do."""
        self.book.mistakes.append(f"{self.where} {given}; {rule}; {advice}")

    def unsupported(self, advice: str = "remove it") -> None:
        """Note something the contract has and this version has not: refused by name, never ignored."""
        self.book.mistakes.append(f"{self.where} is not supported by this version: {advice}")

    def within(self, inner: str) -> Spot:
        """Return the spot of a part of this one, such as `.width` or ` point 3`."""
        return Spot(self.book, self.where + inner, self.unit)


@dataclass(frozen=True, kw_only=True)
class Key:
    """
    One key of a table.

    `read` returns the value, or None after it has noted a mistake. `advice` says what to give,
    `rule` why it must be there. `unit` is spelled out; by default it follows from the key's suffix.
    """

    read: Callable[[Spot, object], Any]
    advice: str
    required: bool = False
    rule: str = "it is required"
    unit: str = ""


Refusal = Callable[[Spot], None]


@dataclass
class Fields:
    """What was read from one table: good values, and the keys that are already reported as bad."""

    values: dict[str, Any] = field(default_factory=dict)
    bad: set[str] = field(default_factory=set)

    def lacks(self, key: str) -> bool:
        """Tell whether the key is absent, and not merely bad or misspelled."""
        return key not in self.values and key not in self.bad


def read_table(
    book: Book,
    prefix: str,
    table: Mapping[str, object],
    keys: Mapping[str, Key],
    *,
    refused: Mapping[str, Refusal] | None = None,
) -> Fields:
    """
    Read one table by its keys; note unknown, refused, bad and missing ones.

    Parameters
    ----------
    book : Book
        Takes the mistakes.
    prefix : str
        Put before a key in messages, such as ``'terminal "A": '``.
    table : mapping
        As parsed from TOML.
    keys : mapping of str to Key
        The valid keys.
    refused : mapping of str to callable, optional
        Keys that get a message of their own.

    Returns
    -------
    fields : Fields
    """
    fields = Fields()
    for name, value in table.items():
        spot = Spot(book, prefix + brief(name), unit_of(name, keys))
        if name in keys:
            result = keys[name].read(spot, value)
            if result is None:
                fields.bad.add(name)
            else:
                fields.values[name] = result
        elif (near := _nearest_refused(name, keys, refused or {})) is not None:
            (refused or {})[near](spot)
        else:
            fields.bad |= note_unknown_key(spot, name, keys)
    for name, key in keys.items():
        if key.required and fields.lacks(name):
            Spot(book, prefix + name).wrong("is missing", key.rule, key.advice)
    return fields


def _nearest_refused(name: str, keys: Mapping[str, Key], refused: Mapping[str, Refusal]) -> str | None:
    near = name if name in refused else nearest(name, [*keys, *refused])
    return near if near in refused else None


def unit_of(name: str, keys: Mapping[str, Key]) -> str:
    """Return the unit of a key, spelled out; empty if it has none."""
    unit = keys[name].unit if name in keys else ""
    return unit or UNITS.get(name.rpartition("_")[2] if "_" in name else "", "")


def note_unknown_key(spot: Spot, name: str, keys: Mapping[str, Key]) -> set[str]:
    """Note an unknown key and return the valid keys it may stand for, which are then not missing as well."""
    same_stem = [key for key in keys if stem(key) == stem(name) and key.lower() != name.lower() and unit_of(key, keys)]
    if same_stem:
        key = same_stem[0]
        spot.wrong(
            "is an unknown key",
            f"wrong unit: this key is {key}, in {unit_of(key, keys)}",
            "rename it and give the value in that unit",
        )
        return {key}
    near = nearest(name, keys)
    valid = ", ".join(keys)
    if near is None:
        spot.wrong("is an unknown key", f"valid keys here are {valid}", "remove it or use one of these")
        return set()
    spot.wrong("is an unknown key", f"the nearest valid key is {near} (of {valid})", "rename or remove it")
    return {near}


def stem(key: str) -> str:
    """Key without its unit: what is left of the last underscore, in lower case."""
    return (key.rpartition("_")[0] or key).lower()


def as_number(value: object) -> float | None:
    """Finite float of a TOML number; None for anything else. Booleans are not numbers."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        result = float(value)
    except OverflowError:
        return None
    return result if math.isfinite(result) else None


def number(
    *,
    least: float | None = None,
    above: float | None = None,
    most: float | None = None,
    below: float | None = None,
    per: float = 1.0,
    advice: str = "correct the value, and check its unit",
) -> Callable[[Spot, object], float | None]:
    """
    Make a reader of a bare number.

    Parameters
    ----------
    least, above, most, below : float, optional
        Bounds in the file's unit; `least` and `most` are allowed themselves, `above` and `below` are not.
    per : float
        File units per SI unit: the value is divided by it.
    advice : str
        What to do about a value outside the bounds.
    """
    given = (("greater than", above), ("at least", least), ("at most", most), ("less than", below))
    bounds = [f"{words} {bound:g}" for words, bound in given if bound is not None]

    def read(spot: Spot, value: object) -> float | None:
        inside = f" in {spot.unit}" if spot.unit else ""
        rule = f"must be a bare number{inside}" + (f", {' and '.join(bounds)}" if bounds else "")
        result = as_number(value)
        if result is None:
            alone = "write the number alone, without quotation marks or unit"
            if isinstance(value, str) and "oz" in value.lower():
                alone += " (1 oz of copper per square foot is about 35 micrometres)"
            meant = number_meant(value, spot.unit) if isinstance(value, str) else None
            alone += "" if meant is None else f": {meant:.12g}"
            spot.wrong(f"is {show(value)}", rule, alone if isinstance(value, str) else "give a finite number")
            return None
        high_enough = (least is None or result >= least) and (above is None or result > above)
        low_enough = (most is None or result <= most) and (below is None or result < below)
        if not (high_enough and low_enough):
            spot.wrong(f"is {show(value)}", rule, advice)
            return None
        return result / per

    return read


def number_meant(text: str, unit: str) -> float | None:
    """
    Number that a text with a unit of its own means in the unit of a key, spelled out; None if it cannot be told.

    Examples
    --------
    >>> number_meant("2 uV", "volts"), number_meant("35 um", "millimetres"), number_meant("4k7", "ohms")
    (2e-06, 0.035, None)
    """
    parts = re.fullmatch(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\D*?)\s*", text)
    symbol = next((short for short, spelled in UNITS.items() if spelled == unit), "")
    if parts is None:
        return None
    value, given = float(parts[1]), parts[2].replace("Ω", "ohm").replace("Ohm", "ohm")
    if symbol in LENGTHS:
        factor = LENGTHS[given] / LENGTHS[symbol] if given in LENGTHS else 1.0 if not given else None
    else:
        short = given.removesuffix(symbol)
        factor = PREFIXES.get(short) if short != given or short in ("", "k", "M", "G") else None
    return None if factor is None else float(f"{value * factor:.12g}")


def read_flag(spot: Spot, value: object) -> bool | None:
    """Read true or false."""
    if not isinstance(value, bool):
        spot.wrong(f"is {show(value)}", "must be true or false", "write one of them")
        return None
    return value


def read_whole(least: int, most: int) -> Callable[[Spot, object], int | None]:
    """Make a reader of whole numbers within limits."""

    def read(spot: Spot, value: object) -> int | None:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            spot.wrong(f"is {show(value)}", f"must be a whole number from {least} to {most}", "correct it")
            return None
        return value

    return read


def read_text(spot: Spot, value: object) -> str | None:
    """Read a nonempty text on one line."""
    if not isinstance(value, str):
        spot.wrong(f"is {show(value)}", "must be text", "put it in quotation marks")
        return None
    if not value.strip():
        spot.wrong(f"is {show(value)}", "must not be empty", "write some text")
        return None
    if not value.isprintable() and any(unicodedata.category(letter) in {"Cc", "Cs", "Zl", "Zp"} for letter in value):
        spot.wrong(f"is {show(value)}", "must be one line of printable text", "remove the control characters")
        return None
    return value


def read_name(spot: Spot, value: object) -> str | None:
    """Read a name: one line, no blanks at its ends, not too long for a table."""
    text = read_text(spot, value)
    if text is None:
        return None
    if text != text.strip():
        spot.wrong(f"is {show(value)}", "a name must not start or end with a blank", "remove the blank")
        return None
    if len(text) > MAX_NAME:
        spot.wrong(f"is {show(value)}", f"a name has at most {MAX_NAME} characters", "shorten it")
        return None
    return text


def reference(kind: str) -> Callable[[Spot, object], str | None]:
    """Make a reader of the name of another thing in the file."""

    def read(spot: Spot, value: object) -> str | None:
        known = spot.book.names.get(kind, [])
        if isinstance(value, str) and value in known:
            return value
        if not isinstance(value, str):
            spot.wrong(f"is {show(value)}", f"must be the name of a {kind}", "put the name in quotation marks")
            return None
        if kind in spot.book.incomplete:
            return None
        # A search costs up to 40 ms: nobody reads the hundredth suggestion.
        near = nearest(value, known[:2000]) if len(spot.book.mistakes) < 100 else None
        if not known:
            rule, advice = f"the file has no {kind}", f"add a [[{kind}]] of that name"
        else:
            rule = f"no {kind} has that name, there are {listed(known)}"
            advice = f"did you mean {listed([near])}?" if near else f"use one of these or add a [[{kind}]]"
        spot.wrong(f"is {show(value)}", rule, advice)
        return None

    return read


def references(kind: str, least: int = 1) -> Callable[[Spot, object], tuple[str, ...] | None]:
    """Make a reader of the names of other things, in a list; where one will do, it may stand by itself."""
    one = reference(kind)

    def read(spot: Spot, value: object) -> tuple[str, ...] | None:
        if not isinstance(value, list) and least == 1:
            name = one(spot, value)
            return None if name is None else (name,)
        items = value if isinstance(value, list) else []
        if len(items) < least:
            rule = f"must be a list of at least {least} names of a {kind}"
            spot.wrong(f"is {show(value)}", rule, 'write it as ["A", "B"]')
            return None
        names = [one(spot.within(f" name {which}"), item) for which, item in enumerate(items, start=1)]
        found = tuple(dict.fromkeys(name for name in names if name is not None))
        if None not in names and len(found) < least:
            twice = next(name for name in found if names.count(name) > 1)
            spot.wrong(f"is {show(value)}", f"needs {least} different ones", f"name another beside {listed([twice])}")
        return None if None in names or len(found) < least else found

    return read


def choice(options: Iterable[str]) -> Callable[[Spot, object], str | None]:
    """Make a reader of one of several words."""
    words = tuple(options)

    def read(spot: Spot, value: object) -> str | None:
        if isinstance(value, str) and value in words:
            return value
        near = nearest(value, words) if isinstance(value, str) else None
        advice = f"did you mean {listed([near])}?" if near else "use one of these words"
        spot.wrong(f"is {show(value)}", f"must be one of {listed(words)}", advice)
        return None

    return read
