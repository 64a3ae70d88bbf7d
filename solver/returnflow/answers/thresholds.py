"""Where a bracketed figure meets its limit along an axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
State: TypeAlias = Literal["kept", "exceeded", "undecided", "unknown"]


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """
    Place on an axis where a limit is met, in the units of the axis.

    Attributes
    ----------
    value : float or None
        Where the figure itself meets it; None where a step between is not known.
    between : (float, float)
        The limit is certainly kept on one side of this, and certainly exceeded on the other.
    rising : bool
        The figure exceeds the limit above it, not below.
    """

    value: float | None
    between: tuple[float, float]
    rising: bool


class _Piece(NamedTuple):
    """Part of an axis where one thing can be said about the limit."""

    start: float
    end: float
    state: State


def state(low: float, high: float) -> State:
    """
    What is known of a figure that lies between two multiples of its limit; NaN where it is not known.

    Examples
    --------
    >>> state(0.8, 1.0), state(1.01, 2.0), state(0.9, 1.1), state(math.nan, math.nan)
    ('kept', 'exceeded', 'undecided', 'unknown')
    """
    if not (math.isfinite(low) and math.isfinite(high)):
        return "unknown"
    if high <= 1:
        return "kept"
    return "exceeded" if low > 1 else "undecided"


def between(a: float, b: float, s: float) -> float:
    """
    Interpolate in the logarithm; linearly where a figure is zero.

    Examples
    --------
    >>> between(1.0, 100.0, 0.5), between(0.0, 100.0, 0.5)
    (10.0, 50.0)
    """
    return a ** (1 - s) * b**s if min(a, b) > 0 else a + s * (b - a)


def meeting(a: float, b: float) -> float | None:
    """
    How far from the one to the other `between` is 1; None where it is not.

    Examples
    --------
    >>> meeting(0.1, 1000.0), meeting(0.0, 4.0), meeting(2.0, 3.0)
    (0.25, 0.25, None)
    """
    if (a <= 1) == (b <= 1):
        return None
    return math.log(a) / (math.log(a) - math.log(b)) if min(a, b) > 0 else (1 - a) / (b - a)


def crossings(at: Floats, low: Floats, figure: Floats, high: Floats) -> list[Crossing]:
    """
    Places where a figure meets its limit: only from where it is certainly kept to where it certainly is not, or back.

    Parameters
    ----------
    at : array, shape (n,)
        Places on the axis, ascending.
    low, figure, high : array, shape (n,)
        Bounds of the figure and itself, in multiples of the limit; NaN where it is not known.

    Examples
    --------
    >>> x, y = np.array([0.0, 1.0, 2.0]), np.array([0.25, 4.0, 4.0])
    >>> crossings(x, y / 2, y, y * 2)
    [Crossing(value=0.5, between=(0.25, 0.75), rising=True)]
    """
    pieces = _pieces(at, low, high)
    places = _places(at, figure)
    certain = [piece for piece in pieces if piece.state in ("kept", "exceeded")]
    found = []
    for one, other in pairwise(certain):
        if one.state != other.state:
            slack = 1e-12 * (abs(one.end) + abs(other.start))
            inside = [place for place in places if one.end - slack <= place <= other.start + slack]
            value = inside[len(inside) // 2] if inside else None
            found.append(Crossing(value=value, between=(one.end, other.start), rising=other.state == "exceeded"))
    return found


def _places(at: Floats, ratio: Floats) -> list[float]:
    found = []
    for n in range(len(at) - 1):
        if np.isfinite(ratio[n]) and np.isfinite(ratio[n + 1]):
            s = meeting(float(ratio[n]), float(ratio[n + 1]))
            if s is not None:
                found.append(float(at[n] + s * (at[n + 1] - at[n])))
    return found


def _pieces(at: Floats, low: Floats, high: Floats) -> list[_Piece]:
    """Parts of the axis by what is known, steps by themselves and what lies between them."""
    marks = sorted([*_places(at, low), *_places(at, high)])
    pieces: list[_Piece] = []

    def say(start: float, end: float, what: State) -> None:
        if pieces and pieces[-1].state == what:
            pieces[-1] = pieces[-1]._replace(end=end)
        else:
            pieces.append(_Piece(start, end, what))

    for n, here in enumerate(at.tolist()):
        say(here, here, state(float(low[n]), float(high[n])))
        if n + 1 == len(at):
            break
        there = float(at[n + 1])
        for a, b in pairwise([here, *(mark for mark in marks if here < mark < there), there]):
            s = (0.5 * (a + b) - here) / (there - here)
            bounds = (between(float(curve[n]), float(curve[n + 1]), s) for curve in (low, high))
            say(a, b, state(*bounds))
    return pieces
