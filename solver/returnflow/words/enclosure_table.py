"""What the bonds of an enclosure carry, and what it makes of the voltages between cables."""

from __future__ import annotations

import math

from returnflow.answers.enclosure import Enclosure, Shielded
from returnflow.answers.result import Result
from returnflow.words.table import Table
from returnflow_geometry.model.numbers import changed_by, engineering
from returnflow_geometry.model.wording import named


def enclosure_tables(result: Result) -> list[Table]:
    """One table for every bonded copper off the board."""
    return [_table(each) for each in result.enclosures]


def _table(enclosure: Enclosure) -> Table:
    return Table(
        title=f"Bonds of {named(enclosure.copper)}",
        head=("bond", "current, rms", "most of it by", "at", "that line"),
        rows=[
            [
                bond.name,
                engineering(bond.current, "A"),
                bond.loop,
                engineering(bond.frequency, "Hz", 3),
                engineering(bond.strongest, "A"),
            ]
            for bond in enclosure.bonds
        ],
        notes=tuple(shielded_sentence(each) for each in enclosure.cables),
    )


def shielded_sentence(cables: Shielded) -> str:
    """What an enclosure makes of one voltage between cables."""
    now, then = engineering(cables.voltage, "V"), engineering(cables.without, "V")
    if not cables.voltage > 0 or not cables.without > 0:
        return f"Nothing drives {named(cables.loop)} above 0 Hz within its band."
    what = changed_by(20 * math.log10(cables.voltage / cables.without))
    return (
        f"Between the cables of {named(cables.loop)} its bonds make {then} rms into {now}, {what}: all lines above "
        "0 Hz in their band, the bonds opened by circuit algebra."
    )
