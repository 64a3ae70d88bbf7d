"""Attributes of a Gerber file: the three dictionaries of file, aperture and object."""

from __future__ import annotations

import re

from returnflow_geometry.fabrication.base.budget import quoted

_ESCAPE = re.compile(r"\\u([0-9a-fA-F]{4})|\\U([0-9a-fA-F]{8})")
_COMMENT = re.compile(r"\s*#@!\s*(T[FAOD].*)\Z", re.DOTALL)
NO_NET = ("", "N/C")  # the standard's names for copper that belongs to no net

Values = tuple[str, ...]


class Attributes:
    """
    What the TF, TA, TO and TD commands have set so far.

    Attributes
    ----------
    file, aperture, object : dict
        Name without its leading dot to fields.
    """

    def __init__(self) -> None:
        self.file: dict[str, Values] = {}
        self.aperture: dict[str, Values] = {}
        self.object: dict[str, Values] = {}

    def command(self, text: str) -> str:
        """
        Take one attribute command.

        Returns
        -------
        note : str
            Empty, or what is odd about it.
        """
        name, *fields = (unescape(field).strip() for field in text[2:].split(","))
        name = name.removeprefix(".")
        kind = text[:2]
        if kind == "TD":
            for store in (self.aperture, self.object):
                if name:
                    store.pop(name, None)
                else:
                    store.clear()
            return ""
        if not name:
            return f"The attribute {quoted(text)} has no name and was ignored."
        values = tuple(fields)
        if kind == "TF":
            before = self.file.setdefault(name, values)
            if before != values:
                return (
                    f"The file attribute {quoted(name)} is set twice; the first, {quoted(','.join(before))}, is used."
                )
        elif kind == "TA":
            self.aperture[name] = values
        else:
            self.object[name] = values
        return ""


def hidden_in_comment(comment: str) -> str:
    """
    Return the attribute command inside a comment, or nothing.

    Examples
    --------
    >>> hidden_in_comment("G04 #@! TO.N,GND"), hidden_in_comment("G04 TO.N,GND")
    ('TO.N,GND', '')
    """
    found = _COMMENT.match(comment[comment.index("4") + 1 :])
    return found.group(1) if found else ""


def unescape(text: str) -> str:
    r"""
    Put the characters in that are written as four or eight hexadecimal digits.

    Examples
    --------
    >>> unescape("A\\u002CB"), unescape("\\U0001F600") == chr(0x1F600), unescape("\\u12")
    ('A,B', True, '\\u12')
    """

    def character(found: re.Match[str]) -> str:
        code = int(found.group(1) or found.group(2), 16)
        # Halves of surrogate pairs and numbers beyond the last character stay as they are written.
        return found.group(0) if 0xD800 <= code <= 0xDFFF or code > 0x10FFFF else chr(code)

    return _ESCAPE.sub(character, text)


def nets_of(fields: Values | None) -> Values:
    """
    Net names of a ``.N`` attribute, without the words for "none".

    Examples
    --------
    >>> nets_of(("GND", "GNDA")), nets_of(("N/C",)), nets_of(None)
    (('GND', 'GNDA'), (), ())
    """
    return tuple(dict.fromkeys(name for name in fields or () if name not in NO_NET))
