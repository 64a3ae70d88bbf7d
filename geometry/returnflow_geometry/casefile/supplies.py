"""What a device asks of its supply, from the table of its loop."""

from __future__ import annotations

from collections.abc import Sequence

from returnflow_geometry.keys.reading import Book, Fields, Spot
from returnflow_geometry.model.board import Supply
from returnflow_geometry.model.wording import label, listed

ASKS = ("tolerates_V", "target_ohm")


def build_supply(name: str, fields: Fields, layers: Sequence[str], book: Book, assumptions: list[str]) -> Supply:
    """
    What a loop of role "supply" asks for; mistakes go to the book.

    Parameters
    ----------
    name : str
        Of the loop.
    fields : Fields
        What was read of its table.
    layers : sequence of str
        Of the board, top to bottom: a device sits on the first if nothing is said.
    book : Book
    assumptions : list of str
        Is added to.
    """
    values = fields.values

    def wrong(key: str, given: str, rule: str, advice: str) -> None:
        Spot(book, f"{label('loop', name)}: {key}").wrong(given, rule, advice)

    layer = values.get("on") or next(iter(layers), "")
    if fields.lacks("on") and layer:
        assumptions.append(
            f"{label('Loop', name)}: on is not given, its device is taken to sit on layer {listed([layer])}."
        )
    asked = [key for key in ASKS if key in values]
    if len(asked) > 1:
        wrong(" and ".join(asked), "are given together", "a supply is asked for one of them", "remove one")
    if not asked and all(fields.lacks(key) for key in ASKS):
        wrong("tolerates_V", "is missing", "a device asks something of its supply", "add it, or target_ohm")
    if "target_ohm" in values and fields.lacks("band_Hz"):
        wrong("band_Hz", "is missing", "a target impedance holds within a band", "give [low, high]")
    return Supply(
        layer=layer, tolerates=values.get("tolerates_V"), target=values.get("target_ohm"), band=values.get("band_Hz")
    )
