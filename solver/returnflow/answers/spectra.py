"""What a noisy loop carries, line by line: single currents, spectra, and the harmonics of a trapezoidal wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.model.board import Loop, Trapezoid

Floats = NDArray[np.float64]

HIGHEST = 1e9  # Hz; where the reduced model ends
MOST_LINES = 2000


@dataclass(frozen=True)
class Lines:
    """
    Lines of a current.

    Attributes
    ----------
    frequency : array, shape (k,), hertz, ascending
    current : array, shape (k,), A rms (the mean value at 0 Hz)
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

    Mean value A d; harmonic n: peak 2 A d |sinc(n d)| |sinc(n f tau)| with sinc(x) = sin(pi x)/(pi x), equal rise
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
    >>> lines = trapezoid_lines(Trapezoid(frequency=1e6, swing=1.0, rise=1e-9))
    >>> print(f"{lines.current[0]:.3f} {lines.current[1] * 2**0.5:.4f} {lines.current[2]:.4f}")
    0.500 0.6366 0.0000
    """
    count = max(1, min(most, int(highest / wave.frequency)))
    n = np.arange(1, count + 1)
    peak = 2 * wave.swing * wave.duty * np.abs(np.sinc(n * wave.duty) * np.sinc(n * wave.frequency * wave.rise))
    current = np.concatenate([[wave.swing * wave.duty], peak / np.sqrt(2)])
    # Mean square of the wave: the flat top, and a third of the square over each flank.
    mean_square = wave.swing**2 * (wave.duty - wave.frequency * wave.rise / 3)
    left_out = float(np.sqrt(max(mean_square - np.sum(current**2), 0.0)))
    return Lines(np.concatenate([[0.0], n * wave.frequency]), current, left_out=left_out)


def lines_of(loop: Loop) -> Lines:
    """Lines of a noisy loop."""
    if loop.trapezoid is not None:
        return trapezoid_lines(loop.trapezoid)
    if loop.spectrum is not None:
        frequency, current = np.array(sorted(loop.spectrum)).T
        return Lines(frequency, current)
    return Lines(np.array([loop.frequency or 0.0]), np.array([loop.current or 0.0]), anywhere=loop.frequency is None)
