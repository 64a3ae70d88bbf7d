"""Placement files: where each part lies, from any table with a header; only proposals rest on it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from returnflow_geometry.fabrication.base.budget import Budget, text_of
from returnflow_geometry.fabrication.base.objects import Limits, PlacedPart
from returnflow_geometry.fabrication.texts.csv_tables import HEAD, Header, header_of, rows_below
from returnflow_geometry.fabrication.texts.parts_list import REFERENCE
from returnflow_geometry.model.wording import brief

# Headings as common practice has them, no source; letters only, a unit at their end is taken off.
COLUMNS = {
    "x": {"x", "midx", "centerx", "centrex", "posx", "refx", "xpos", "locationx", "xcoordinate", "centerxcoordinate"},
    "y": {"y", "midy", "centery", "centrey", "posy", "refy", "ypos", "locationy", "ycoordinate", "centerycoordinate"},
    "rotation": {"rot", "rotation", "angle", "orientation"},
    "side": {"side", "layer", "tb", "mirror", "boardside"},
}
NUMBER = re.compile(r"\s*([+-]?\d+(?:[.]\d*)?(?:[eE][+-]?\d+)?)\s*(mm|mil|mils|in|inch)?\s*$")
UNITS = {"mm": 1e-3, "mil": 25.4e-6, "mils": 25.4e-6, "in": 25.4e-3, "inch": 25.4e-3}
BOTTOM = re.compile(r"(?i)^\s*(b|bot|bottom|bottomlayer|yes|back|solder)")


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Where a placement file puts each part, from which columns, and what was assumed."""

    file: str
    parts: tuple[PlacedPart, ...]
    columns: tuple[str, ...]
    notes: tuple[str, ...] = ()


def looks_like_placement(data: bytes) -> bool:
    r"""
    Whether these bytes look like a table that places parts.

    Examples
    --------
    >>> looks_like_placement(b"Ref,PosX,PosY,Rot,Side\nR1,1,2,0,top\n"), looks_like_placement(b"Ref,Value\nR1,10k\n")
    (True, False)
    """
    return b"\0" not in data[:HEAD] and _header(text_of(data[:HEAD])) is not None


def read_placement(data: bytes, file: str, limits: Limits) -> Placement:
    r"""
    Read a placement file.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages.
    limits : Limits

    Examples
    --------
    >>> found = read_placement(b"Designator;Mid X;Mid Y;Layer\nU1;10.5mm;-2mm;Bottom\n", "place.csv", Limits())
    >>> found.parts
    (PlacedPart(name='U1', at=(0.0105, -0.002), rotation=0.0, bottom=True),)
    """
    budget = Budget(file, limits)
    budget.data(data)
    text = text_of(data)
    found = _header(text)
    if found is None:
        budget.fail(
            "no header names columns of references and places; write Ref, PosX, PosY, Rot, Side above the table."
        )
    column = _columns(found.headings)
    unit, said = _unit(found.headings[column["x"]])
    parts, bad = [], 0
    for row in rows_below(text, found, budget):
        cells = {key: row[k].strip() for key, k in column.items() if k < len(row)}
        place = [NUMBER.match(cells.get(key, "").replace(",", ".")) for key in ("x", "y")]
        if not cells.get("reference") or None in place:
            bad += bool(any(row))
            continue
        x, y = (float(one[1]) * UNITS.get(one[2] or "", unit) for one in place if one)
        angle = NUMBER.match(cells.get("rotation", ""))
        parts.append(
            PlacedPart(
                name=brief(cells["reference"]), at=(x, y), rotation=float(angle[1]) if angle else 0.0,
                bottom=bool(BOTTOM.match(cells.get("side", ""))),
            )
        )  # fmt: skip
    notes = [f"{brief(file)}: {said}."] if said else []
    notes += [f"{brief(file)}: {bad} rows without a reference or a place are left out."] if bad else []
    columns = tuple(brief(found.headings[k].strip()) for k in column.values())
    return Placement(file=file, parts=tuple(parts), columns=columns, notes=tuple(notes))


def _unit(heading: str) -> tuple[float, str]:
    """Unit that the heading of places names, in metres; and what is said where it names none."""
    word = re.search(r"(?i)\b(mm|mils?|in|inch)\b", re.sub(r"[^A-Za-z]", " ", heading))
    return (UNITS[word[1].lower()], "") if word else (1e-3, "places of parts are taken as millimetres")


def _columns(headings: list[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for k, heading in enumerate(headings):
        name = re.sub(r"[^a-z]", "", re.sub(r"\(.*?\)|\b(mm|mils?|in|inch)\b", "", heading.lower()))
        for key, names in ({"reference": REFERENCE} | COLUMNS).items():
            if name in names:
                found.setdefault(key, k)
    return found


def _header(text: str) -> Header | None:
    return header_of(text, lambda headings: {"reference", "x", "y"} <= _columns(headings).keys())
