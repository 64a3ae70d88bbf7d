"""Parts lists: which part has which value and description, from any table with a header; only proposals rest on it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from returnflow_geometry.fabrication.base.budget import Budget, text_of
from returnflow_geometry.fabrication.base.objects import Limits
from returnflow_geometry.fabrication.texts.csv_tables import HEAD, Header, header_of, rows_below
from returnflow_geometry.model.wording import brief

# Headings as common practice has them, no source; letters only.
REFERENCE = {"reference", "references", "ref", "refs", "refdes", "designator", "designators", "partreference"}
TELLING = {"value", "val", "comment", "part", "partnumber", "mpn", "device", "description", "desc", "type", "name"}
RANGE = re.compile(r"([A-Za-z_]+)(\d{1,5})\s*-\s*(?:([A-Za-z_]+))?(\d{1,5})")
MOST_IN_RANGE = 1000


@dataclass(frozen=True, kw_only=True)
class PartsList:
    """What a parts list says of each part, in one line of text, and from which columns."""

    file: str
    parts: dict[str, str]
    columns: tuple[str, ...]
    notes: tuple[str, ...] = ()


def looks_like_parts(data: bytes) -> bool:
    r"""
    Whether these bytes look like a table of parts with a header.

    Examples
    --------
    >>> looks_like_parts(b"Designator;Value\nR1;10k\n"), looks_like_parts(b"x,y\n1,2\n")
    (True, False)
    """
    return b"\0" not in data[:HEAD] and _header(text_of(data[:HEAD])) is not None


def read_parts(data: bytes, file: str, limits: Limits) -> PartsList:
    r"""
    Read a parts list.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages.
    limits : Limits

    Examples
    --------
    >>> found = read_parts(b'Ref,Value,Description\n"R1, R3-R4",10k,chip\nU1,,motor driver\n', "parts.csv", Limits())
    >>> found.parts
    {'R1': '10k, chip', 'R3': '10k, chip', 'R4': '10k, chip', 'U1': 'motor driver'}
    >>> found.columns
    ('Ref', 'Value', 'Description')
    """
    budget = Budget(file, limits)
    budget.data(data)
    text = text_of(data)
    found = _header(text)
    if found is None:
        budget.fail("no header names a column of references; write Reference, Value, Description above the table.")
    names = [_letters(heading) for heading in found.headings]
    by = next(k for k, name in enumerate(names) if name in REFERENCE)
    telling = [k for k, name in enumerate(names) if name in TELLING]
    parts: dict[str, str] = {}
    for row in rows_below(text, found, budget):
        if by < len(row):
            said = ", ".join(brief(row[k].strip()) for k in telling if k < len(row) and row[k].strip())
            parts |= dict.fromkeys(_references(row[by]), said)
    return PartsList(file=file, parts=parts, columns=tuple(brief(found.headings[k].strip()) for k in (by, *telling)))


def _header(text: str) -> Header | None:
    def fits(headings: list[str]) -> bool:
        names = {_letters(heading) for heading in headings}
        return bool(names & REFERENCE and names & TELLING)

    return header_of(text, fits)


def _letters(heading: str) -> str:
    return re.sub(r"[^a-z]", "", heading.lower())


def _references(cell: str) -> list[str]:
    """References of a cell, such as `R1, R3-R5`."""
    found = []
    for item in re.split(r"[,;\s]+", re.sub(r"\s*-\s*", "-", cell.strip())):
        run = RANGE.fullmatch(item)
        if run and (run[3] or run[1]) == run[1] and 0 <= int(run[4]) - int(run[2]) < MOST_IN_RANGE:
            found += [f"{run[1]}{number}" for number in range(int(run[2]), int(run[4]) + 1)]
        elif item:
            found.append(item)
    return found
