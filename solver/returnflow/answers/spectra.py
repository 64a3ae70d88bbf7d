"""What a noisy loop carries, line by line: single currents, spectra, and the harmonics of a trapezoidal wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.model.board import Loop, Trapezoid

Floats = NDArray[np.float64]

HIGHEST = 1e9  # Hz; where the reduced model ends
MOST_LINES = 2000
ROUNDING = 1e-12  # of the largest harmonic: what is less is none


@dataclass(frozen=True)
class Lines:
    """
    Lines of a current.

    Attributes
    ----------
    frequency : array, shape (k,), hertz, ascending
    current : array, shape (k,), A rms (at 0 Hz the mean, with its sign)
    anywhere : bool
        The frequency is not known: the current counts in every band and is taken at the resistive limit.
    left_out : float
        A rms of harmonics above the last line.
    """

    frequency: Floats
    current: Floats
    anywhere: bool = False
    left_out: float = 0.0

    @property
    def rms(self) -> float:
        """All lines together, A rms."""
        return float(np.sqrt(np.sum(self.current**2)))


def trapezoid_lines(wave: Trapezoid, highest: float = HIGHEST, most: int = MOST_LINES) -> Lines:
    """
    Fourier series of a trapezoidal current.

    Harmonic n: peak 2 A d |sinc(n d)| |sinc(n f tau)| with sinc(x) = sin(pi x)/(pi x), equal rise
    and fall tau, duty d between the half-height points. Textbook. A line at 0 Hz is there only if the wave has a mean.

    Parameters
    ----------
    wave : Trapezoid
    highest : float
        Harmonics above are left out, hertz.
    most : int
        At most so many harmonics.

    Examples
    --------
    >>> lines = trapezoid_lines(Trapezoid(frequency=1e6, swing=1.0, rise=1e-9))
    >>> print(f"{lines.frequency[0]:.0f} Hz {lines.current[0] * 2**0.5:.4f} {lines.current[1]:.4f}")
    1000000 Hz 0.6366 0.0000
    """
    count = max(1, min(most, int(highest / wave.frequency)))
    n = np.arange(1, count + 1)
    peak = 2 * wave.swing * wave.duty * np.abs(np.sinc(n * wave.duty) * np.sinc(n * wave.frequency * wave.rise))
    peak[peak < ROUNDING * np.max(peak)] = 0.0
    frequency = np.asarray(n * wave.frequency, dtype=np.float64)
    current = np.asarray(peak / np.sqrt(2), dtype=np.float64)
    # Mean square of the wave: the flat top, and a third of the square over each flank, less the square of its mean.
    mean_square = wave.swing**2 * (wave.duty - wave.frequency * wave.rise / 3 - wave.duty**2)
    left_out = float(np.sqrt(max(mean_square - np.sum(current**2), 0.0)))
    if wave.mean:
        frequency, current = np.concatenate([[0.0], frequency]), np.concatenate([[wave.mean], current])
    return Lines(frequency, current, left_out=left_out)


def lines_of(loop: Loop) -> Lines:
    """Lines of a noisy loop."""
    if loop.trapezoid is not None:
        return trapezoid_lines(loop.trapezoid)
    if loop.spectrum is not None:
        frequency, current = np.array(sorted(loop.spectrum)).T
        return Lines(frequency, current)
    return Lines(np.array([loop.frequency or 0.0]), np.array([loop.current or 0.0]), anywhere=loop.frequency is None)
