"""What a noisy loop carries, line by line: single currents, spectra, and the harmonics of a trapezoidal wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.model.board import Loop, Trapezoid
from returnflow_geometry.model.currents import HIGHEST as HIGHEST
from returnflow_geometry.model.currents import MOST_LINES as MOST_LINES
from returnflow_geometry.model.currents import harmonics

Floats = NDArray[np.float64]


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
    Fourier series of a trapezoidal current; a line at 0 Hz is there only if the wave has a mean.

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
    frequency, current = harmonics(wave, highest, most)
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
