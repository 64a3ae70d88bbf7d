"""Lists of pairs of numbers, over frequency."""

from __future__ import annotations

from collections.abc import Callable

from returnflow_geometry.keys.reading import Spot, as_number
from returnflow_geometry.model.wording import show

MAX_REPORTED = 3  # bad pairs reported of one list

Pair = tuple[float, float]


def read_pairs(
    spot: Spot,
    value: object,
    read: Callable[[Spot, object], Pair | None],
    *,
    rule: str,
    form: str,
    what: str,
    most: int,
    fewer: str,
) -> list[Pair] | None:
    """
    Read a list of pairs, each by a reader of its own; note what is wrong with the list.

    Parameters
    ----------
    spot : Spot
    value : object
    read : function of Spot and object
        Reads one pair, or notes what is wrong with it.
    rule : str
        What the list must be.
    form : str
        How a pair is written, such as ``[f, A]``.
    what : str
        One of them: line, point.
    most : int
        How many are read.
    fewer : str
        What to leave out of a longer list.
    """
    if not isinstance(value, list) or not value:
        spot.wrong(f"is {show(value)}", rule, f"write it as [{form}, {form}, ...]")
        return None
    if len(value) > most:
        spot.wrong(f"has {len(value)} {what}s", f"at most {most} are read", f"leave {fewer}")
        return None
    if all(as_number(item) is not None for item in value):
        # One message, not one per number: the inner brackets were forgotten.
        spot.wrong(f"is {show(value)}", rule, f"put each {what} in brackets of its own")
        return None
    before = len(spot.book.mistakes)
    pairs: list[Pair] = []
    for index, item in enumerate(value, start=1):
        pair = read(spot.within(f" {what} {index}"), item)
        if pair is not None:
            pairs.append(pair)
        elif len(spot.book.mistakes) - before >= MAX_REPORTED:
            return None
    return pairs if len(spot.book.mistakes) == before else None


def two_numbers(value: object) -> Pair | None:
    """Both numbers of a pair; None where it is not a list of two numbers."""
    numbers = [as_number(item) for item in value] if isinstance(value, list) else []
    if len(numbers) != 2 or numbers[0] is None or numbers[1] is None:
        return None
    return numbers[0], numbers[1]
