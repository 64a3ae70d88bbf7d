"""Common-mode rejection of a differential input, as one number or by frequency."""

from __future__ import annotations

from returnflow_geometry.keys import Spot, as_number, number
from returnflow_geometry.wording import show

MOST = 200.0  # dB: no amplifier reaches it, so a larger number is a mistake
MOST_POINTS = 1000
MAX_REPORTED = 3  # bad points reported of one list
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
    >>> from returnflow_geometry.keys import Book
    >>> read_rejection(Spot(Book(), ""), 80)
    ((1.0, 80.0),)
    """
    if not isinstance(value, list):
        plain = _read_number(spot, value)
        return None if plain is None else ((ANYWHERE, plain),)
    rule = "must be a number of decibels or a list of points [frequency in hertz, decibels]"
    if not value:
        spot.wrong(f"is {show(value)}", rule, "write it as [[f, dB], [f, dB], ...]")
        return None
    if len(value) > MOST_POINTS:
        spot.wrong(f"has {len(value)} points", f"at most {MOST_POINTS} are read", "leave some out")
        return None
    if all(as_number(item) is not None for item in value):
        # One message, not one per number: the inner brackets were forgotten.
        spot.wrong(f"is {show(value)}", rule, "put each point in brackets of its own")
        return None
    before = len(spot.book.mistakes)
    points: list[tuple[float, float]] = []
    for index, item in enumerate(value, start=1):
        point = _read_point(spot.within(f" point {index}"), item)
        if point is not None:
            points.append(point)
        elif len(spot.book.mistakes) - before >= MAX_REPORTED:
            return None
    if len(spot.book.mistakes) > before:
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
    numbers = [as_number(item) for item in value] if isinstance(value, list) else []
    if len(numbers) == 2 and numbers[0] is not None and numbers[1] is not None:
        frequency, decibels = numbers[0], numbers[1]
        if frequency > 0 and 0 <= decibels <= MOST:
            return (frequency, decibels)
    spot.wrong(
        f"is {show(value)}",
        f"must be [f, dB], a frequency in hertz, greater than 0, and decibels, at least 0 and at most {MOST:g}",
        "write it as [f, dB]",
    )
    return None
