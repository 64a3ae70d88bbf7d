"""Gerber text to words: what stands between the asterisks, inside or outside percent signs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Literal, NamedTuple

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.objects import FabricationError

# A comment may hold percent signs although it should not; everything else ends at one.
_WORD = re.compile(r"\s*(?:%([^%]*)%|(G0?4(?![0-9])[^*]*)\*|([^*%]*)\*)")
_BREAKS = re.compile(r"[\r\n]+")
_SPACE = re.compile(r"\s+")

TokenKind = Literal["word", "comment", "extended", "tail"]


class Word(NamedTuple):
    """
    One command.

    `position` is where it starts in the text, `kind` tells plain words, comments and extended commands (those inside
    percent signs) apart; "tail" is what follows the last complete command. `text` has no line breaks and no asterisk,
    but for aperture macros, whose blocks stay together.
    """

    position: int
    kind: TokenKind
    text: str


def words(text: str, budget: Budget) -> Iterator[Word]:
    """
    Give the commands of a Gerber text in order.

    Raises
    ------
    FabricationError
        If a command lacks its asterisk, or the time is up.

    Examples
    --------
    >>> from returnflow_geometry.fabrication.base.objects import Limits
    >>> [word.text for word in words("%MOMM*LPD*%X0Y0D03*", Budget("a.gbr", Limits()))]
    ['MOMM', 'LPD', 'X0Y0D03']
    """
    at = 0
    match = _WORD.match
    while True:
        found = match(text, at)
        if found is None:
            break
        budget.clock()
        start, at = at, found.end()
        inside, comment, plain = found.groups()
        if plain is not None:
            if not plain.isalnum():
                plain = _SPACE.sub("", plain)
            if plain:
                yield Word(start, "word", plain)
        elif comment is not None:
            yield Word(start, "comment", _BREAKS.sub("", comment))
        else:
            yield from _extended(inside, found.start(1), text, budget)
    rest = text[at:].strip("\x00\x1a \t\r\n\f\v")
    if not rest:
        return
    percent = rest.find("%")
    if percent > 0 and "*" not in rest[:percent]:
        where = line_of(text, at + len(text[at:]) - len(text[at:].lstrip()))
        raise FabricationError(
            budget.file,
            f"line {where}: {quoted(rest[:percent].strip())} has no asterisk at its end; every command ends with one. "
            "Write the file again or repair the place.",
        )
    yield Word(at, "tail", rest)


def line_of(text: str, position: int) -> int:
    r"""
    Line number, counted from 1, of the first character at or after `position` that is not a blank.

    Examples
    --------
    >>> line_of("G01*X1*", 4), line_of("G01*\nX1*", 4)
    (1, 2)
    """
    while position < len(text) and text[position].isspace():
        position += 1
    return text.count("\n", 0, position) + 1


def _extended(inside: str, start: int, text: str, budget: Budget) -> Iterator[Word]:
    """Split what stands between two percent signs; a macro takes all that follows it."""
    at = 0
    while at < len(inside):
        end = inside.find("*", at)
        piece = _BREAKS.sub("", inside[at:] if end < 0 else inside[at:end]).strip()
        if end < 0 and piece:
            raise FabricationError(
                budget.file,
                f"line {line_of(text, start + at)}: {quoted(piece)} has no asterisk before the percent sign; every "
                "command ends with one. Write the file again or repair the place.",
            )
        if piece.startswith("AM"):
            yield Word(start + at, "extended", _BREAKS.sub("", inside[at:]).strip().removesuffix("*"))
            return
        if piece:
            yield Word(start + at, "extended", piece)
        if end < 0:
            return
        at = end + 1
