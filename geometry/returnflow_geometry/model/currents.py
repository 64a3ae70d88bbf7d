"""What a loop carries, and what a device asks of its supply (SI units)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HIGHEST = 1e9  # Hz; where the reduced model ends
MOST_LINES = 2000
ROUNDING = 1e-12  # of the largest harmonic: what is less is none


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


def harmonics(
    wave: Trapezoid, highest: float = HIGHEST, most: int = MOST_LINES
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Frequencies (Hz, ascending) and currents (A rms) of a trapezoidal current, without its mean.

    Harmonic n: peak 2 A d |sinc(n d)| |sinc(n f tau)| with sinc(x) = sin(pi x)/(pi x), equal rise
    and fall tau, duty d between the half-height points. Textbook.

    Parameters
    ----------
    wave : Trapezoid
    highest : float
        Harmonics above are left out, hertz.
    most : int
        At most so many harmonics.

    Examples
    --------
    >>> frequency, current = harmonics(Trapezoid(frequency=1e6, swing=1.0, rise=1e-9))
    >>> print(f"{frequency[0]:.0f} Hz {current[0] * 2**0.5:.4f} {current[1]:.4f}")
    1000000 Hz 0.6366 0.0000
    """
    count = max(1, min(most, int(highest / wave.frequency)))
    n = np.arange(1, count + 1)
    peak = 2 * wave.swing * wave.duty * np.abs(np.sinc(n * wave.duty) * np.sinc(n * wave.frequency * wave.rise))
    peak[peak < ROUNDING * np.max(peak)] = 0.0
    return np.asarray(n * wave.frequency, dtype=np.float64), np.asarray(peak / np.sqrt(2), dtype=np.float64)
