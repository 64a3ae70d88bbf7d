"""Common-mode rejection of a differential input, as one number or by frequency."""

from __future__ import annotations

from returnflow_geometry.keys.pairs import read_pairs, two_numbers
from returnflow_geometry.keys.reading import Spot, number
from returnflow_geometry.model.wording import show

MOST = 200.0  # dB: no amplifier reaches it, so a larger number is a mistake
MOST_POINTS = 1000
ANYWHERE = 1.0  # Hz: where a rejection that holds at every frequency is noted

Points = tuple[tuple[float, float], ...]

_read_number = number(above=0, most=MOST)


def read_rejection(spot: Spot, value: object) -> Points | None:
    """
    Read the rejection of a sensitive loop: a number of decibels, or points of hertz and decibels.

    Returns
    -------
    points : tuple of (hertz, dB), rising in hertz
        A plain number becomes one point, as it holds at every frequency.

    Examples
    --------
    >>> from returnflow_geometry.keys.reading import Book
    >>> read_rejection(Spot(Book(), ""), 80)
    ((1.0, 80.0),)
    """
    if not isinstance(value, list):
        plain = _read_number(spot, value)
        return None if plain is None else ((ANYWHERE, plain),)
    points = read_pairs(
        spot, value, _read_point, form="[f, dB]", what="point", most=MOST_POINTS, fewer="some out",
        rule="must be a number of decibels or a list of points [frequency in hertz, decibels]",
    )  # fmt: skip
    if points is None:
        return None
    for index in range(1, len(points)):
        low, high = points[index - 1][0], points[index][0]
        if not low < high:
            spot.wrong(
                f"has point {index} at {low:g} Hz and point {index + 1} at {high:g} Hz",
                "the frequencies must rise from point to point",
                "sort the points, and give each frequency once",
            )
            return None
    return tuple(points)


def _read_point(spot: Spot, value: object) -> tuple[float, float] | None:
    pair = two_numbers(value)
    if pair is not None and pair[0] > 0 and 0 <= pair[1] <= MOST:
        return pair
    spot.wrong(
        f"is {show(value)}",
        f"must be [f, dB], a frequency in hertz, greater than 0, and decibels, at least 0 and at most {MOST:g}",
        "write it as [f, dB]",
    )
    return None
