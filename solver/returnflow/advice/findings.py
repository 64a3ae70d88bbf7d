"""What a board review points at, and the words that all its findings share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FindingKind = Literal["crossing", "edge", "detour", "change", "connectors", "between"]


@dataclass(frozen=True, kw_only=True)
class Finding:
    """
    Something that a reviewer would point at.

    Attributes
    ----------
    kind : "crossing", "edge", "detour", "change", "connectors" or "between"
        A route crosses a gap (or leaves its copper); runs near a copper edge; is much longer than its ends are apart;
        changes the copper it refers to; a gap lies between two cable connectors; a noisy loop does.
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


def place(points: NDArray[np.float64]) -> tuple[float, float] | None:
    """First of some points, shape (n, 2), as a plain pair; None if there is none."""
    return (float(points[0, 0]), float(points[0, 1])) if len(points) else None
