"""What a loop carries, and what a device asks of its supply (SI units)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Trapezoid:
    """
    Periodic trapezoidal current of peak-to-peak `swing` (A), with equal rise and fall.

    `frequency` in Hz; `rise` (s) from 0 to 100 %; `duty` between the half-height points, as a fraction of the period;
    `mean` (A), which is 0 unless the case says otherwise: into a capacitive load what flows in flows out again.
    """

    frequency: float
    swing: float
    rise: float
    duty: float = 0.5
    mean: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Supply:
    """
    What a device asks of its supply, seen from its pins.

    `layer` is the one it sits on. It tolerates a voltage `tolerates` (V rms), or its supply has an impedance of at most
    `target` (ohm) within `band` (Hz, Hz).
    """

    layer: str
    tolerates: float | None = None
    target: float | None = None
    band: tuple[float, float] | None = None
