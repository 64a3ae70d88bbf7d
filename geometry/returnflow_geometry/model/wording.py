"""How messages spell values and names: on one line, cut short, safe to send to a terminal."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Iterable, Sequence

from shapely.geometry.base import BaseGeometry

MAX_NAME = 200  # characters
MIN_START = 3  # letters that a name has to begin with, to be meant
MAX_LISTED = 8  # names listed in one message


class Unnamed(str):
    """Stands in for a missing or repeated name, such as `number 3`; shown without quotation marks."""

    __slots__ = ()


def nearest(name: str, known: Iterable[str]) -> str | None:
    """
    Most similar of the known names, letter case aside, or one that begins with it; None if none is similar.

    Examples
    --------
    >>> nearest("SLOTT", ["slot", "bridge"]), nearest("buck", ["buck, high side on"]), nearest("x", ["slot"])
    ('slot', 'buck, high side on', None)
    >>> print(nearest("U1.AGND", ["J1.GND"]), nearest("U1.AGND", ["J1.GND", "U1.GND"]))  # no connector for an amplifier
    None U1.GND
    """
    kind = _kind(name)
    folded = {item.casefold(): item for item in known if not (kind and _kind(item)) or kind == _kind(item)}
    given = name[:MAX_NAME].casefold()
    near = difflib.get_close_matches(given, folded, n=1, cutoff=0.6)
    begins = [item for item in folded if len(given) >= MIN_START and item.startswith(given)]
    return folded[(near or begins)[0]] if near or begins else None


def _kind(name: str) -> str:
    """Letters that a part's reference begins with, such as U of U1.AGND; empty for names that are no pins."""
    found = re.match(r"([A-Za-z]+)\d+\.", name)
    return found[1].casefold() if found else ""


def named(name: str) -> str:
    """
    Name in quotation marks, as it is written but on one line; a stand-in for a missing one without.

    Examples
    --------
    >>> print(named("A"), named('2" pipe'), named(Unnamed("number 3")))
    "A" "2" pipe" number 3
    """
    if isinstance(name, Unnamed):
        return name
    return f'"{name if name.isprintable() and len(name) <= MAX_NAME else brief(name, MAX_NAME)}"'


def listed(names: Iterable[str], last: str = "") -> str:
    """
    Names in quotation marks, capped; `last` is the word before the last of them.

    Examples
    --------
    >>> print(listed(["A", "B", "C"]), "/", listed(["A", "B", "C"], "and"), "/", listed("ABCDEFGHIJ"))
    "A", "B", "C" / "A", "B" and "C" / "A", "B", "C", "D", "E", "F", "G", "H" and 2 more
    """
    every = list(names)
    shown = [named(name) for name in every[:MAX_LISTED]]
    if len(every) > MAX_LISTED:
        return f"{', '.join(shown)} and {len(every) - MAX_LISTED} more"
    return joined(shown, last) if last else ", ".join(shown)


def joined(parts: Sequence[str], last: str = "and") -> str:
    """
    Parts of a sentence in a row.

    Examples
    --------
    >>> print(joined(["one"]), "/", joined(["one", "two", "three"]))
    one / one, two and three
    """
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}" if len(parts) > 1 else "".join(parts)


def count(how_many: int, thing: str, things: str = "") -> str:
    """
    So many things, in digits.

    Examples
    --------
    >>> print(count(1, "pad"), count(2, "pad"), count(0, "pass", "passes"))
    1 pad 2 pads 0 passes
    """
    return f"{how_many} {thing if how_many == 1 else things or thing + 's'}"


def label(kind: str, name: str) -> str:
    """
    How a message calls a thing.

    Examples
    --------
    >>> print(label("cutout", "gap"), "/", label("cutout", Unnamed("number 3")))
    cutout "gap" / cutout number 3
    """
    return f"{kind} {named(name)}"


def brief(value: str, limit: int = 60) -> str:
    r"""
    One printable line of limited length, safe to send to a terminal.

    Examples
    --------
    >>> print(brief("two\nlines"), brief("long" * 5, limit=4))
    two\nlines long...
    """
    if len(value) <= limit and value.isprintable() and not ("\\" in value or '"' in value):
        return value
    shown = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode()
        for letter in value[:limit].replace("\\", "\\\\").replace('"', '\\"')
    )
    return shown if len(value) <= limit else shown + "..."


def show(value: object, depth: int = 2) -> str:
    """
    Return a value as a case file would spell it, on one line and cut short.

    Examples
    --------
    >>> print(show(True), show("1 oz"), show([0, 1.5]), show({"rect": []}))
    true "1 oz" [0, 1.5] { rect = [] }
    """
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f'"{brief(value)}"'
        case int() if abs(value) >= 10**20:  # Python refuses to print the longest ones
            return "a whole number of more than 20 digits"
        case list() | dict() if depth == 0 and value:
            return "[...]" if isinstance(value, list) else "{ ... }"
        case list():
            more = ", ..." if len(value) > 4 else ""
            return "[" + ", ".join(show(item, depth - 1) for item in value[:4]) + more + "]"
        case dict():
            items = [f"{brief(key, 20)} = {show(item, depth - 1)}" for key, item in list(value.items())[:3]]
            more = ", ..." if len(value) > 3 else ""
            return "{ " + ", ".join(items) + more + " }" if items else "{}"
        case dt.date() | dt.time():
            return value.isoformat()
        case BaseGeometry():
            return "a drawn shape"
    return repr(value)


def toml_text(text: str) -> str:
    r"""
    Text as a TOML string.

    Examples
    --------
    >>> print(toml_text('a "b" \\ c'))
    "a \"b\" \\ c"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(letter if letter.isprintable() else f"\\U{ord(letter):08X}" for letter in escaped) + '"'
