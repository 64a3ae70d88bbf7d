"""Which of many lines of a spectrum a chart draws."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_LINES, PER_DECADE = 60, 24  # lines of one current that are drawn one by one, and bands that stand for more


def strongest_per_band(frequencies: Floats, volts: Floats) -> tuple[Floats, Floats, Floats]:
    """Of many lines frequency and voltage of the strongest in each narrow band, and the weakest; of few all of them."""
    if len(frequencies) <= MOST_LINES:
        return frequencies, volts, volts
    band = np.floor(PER_DECADE * np.log10(frequencies)).astype(np.int64)
    order = np.lexsort((volts, band))
    last = np.flatnonzero(np.diff(band[order], append=np.iinfo(np.int64).max))
    first = np.concatenate([[0], last[:-1] + 1])
    return frequencies[order[last]], volts[order[last]], volts[order[first]]
