"""Tables with a header in text of any separator: where the header is, and the rows below it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from returnflow_geometry.fabrication.base.budget import Budget

HEAD = 8192  # bytes in which the header stands
FIRST = 20  # lines in which the header stands


@dataclass(frozen=True)
class Header:
    """Number of the line of a header, its separator, and its headings."""

    line: int
    separator: str
    headings: list[str]


def header_of(text: str, fits: Callable[[list[str]], bool]) -> Header | None:
    r"""
    Find the header among the first lines; None if there is none.

    Examples
    --------
    >>> header_of("made up\nref;value\nR1;1k", lambda names: "ref" in names)
    Header(line=1, separator=';', headings=['ref', 'value'])
    """
    for number, line in enumerate(text.splitlines()[:FIRST]):
        for separator in ",;\t":
            headings = next(csv.reader([line], delimiter=separator), [])
            if fits(headings):
                return Header(number, separator, headings)
    return None


def rows_below(text: str, header: Header, budget: Budget) -> Iterator[list[str]]:
    """Rows below a header, each counted; a mistake of the file where it is no table."""
    lines = io.StringIO("".join(text.splitlines(keepends=True)[header.line + 1 :]))
    try:
        for row in csv.reader(lines, delimiter=header.separator):
            budget.objects()
            yield row
    except csv.Error as error:
        budget.fail(f"no table that can be read ({error}); write it again with one part in a row.")
