"""What a board review points at, and the words that all its findings share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FindingKind = Literal["crossing", "edge", "connectors", "between"]
MM = 1e3


@dataclass(frozen=True, kw_only=True)
class Finding:
    """
    Something that a reviewer would point at.

    Attributes
    ----------
    kind : "crossing", "edge", "connectors" or "between"
        A route crosses a gap (or leaves its copper); runs near a copper edge; a gap lies between two cable
        connectors; a noisy loop does.
    things : tuple of str
        Names: the loop first, then what it meets.
    sentence : str
        What is there, and what it costs.
    severity : float
        The consequence in multiples of what is tolerated: a voltage over its limit, or over 1 mV where there is none;
        for a loop without a known frequency, and near an edge, the part of the return that has to go elsewhere.
    value : float or None
        The consequence; None where it was not computed.
    unit : str
        Of `value`: H, m, V, or nothing for a share.
    at : (x, y) or None
        Where, metres.
    """

    kind: FindingKind
    things: tuple[str, ...]
    sentence: str
    severity: float
    value: float | None
    unit: str
    at: tuple[float, float] | None = None

    @property
    def level(self) -> Literal["high", "moderate", "low"]:
        """In words: at the tolerated value or above it; above a tenth of it; below."""
        return "high" if self.severity >= 1 else "moderate" if self.severity >= 0.1 else "low"


def millimetres(length: float) -> str:
    """
    Length in metres as text.

    Examples
    --------
    >>> millimetres(0.0123), millimetres(0.0956), millimetres(1.25)
    ('12.3 mm', '95.6 mm', '1250 mm')
    """
    return f"{MM * length:.3g} mm" if MM * length < 1000 else f"{MM * length:.0f} mm"


def percent(part: float) -> str:
    """
    Fraction as text.

    Examples
    --------
    >>> percent(0.42), percent(0.004), percent(0.9996), percent(0.0)
    ('42 %', 'less than 1 %', '100 %', 'nothing')
    """
    if part == 0:
        return "nothing"
    return "less than 1 %" if part < 0.01 else f"{100 * part:.0f} %"


def listed(names: Sequence[str]) -> str:
    """
    Names as text.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b", "c"])
    ('“a”', '“a”, “b” and “c”')
    """
    quoted = [f"“{name}”" for name in names]
    return f"{', '.join(quoted[:-1])} and {quoted[-1]}" if len(quoted) > 1 else quoted[0]


def place(points: NDArray[np.float64]) -> tuple[float, float] | None:
    """First of some points, shape (n, 2), as a plain pair; None if there is none."""
    return (float(points[0, 0]), float(points[0, 1])) if len(points) else None
