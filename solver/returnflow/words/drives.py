"""What a loop is driven with, in numbers and in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from returnflow.answers.budget import Budget, Contribution, band_mask, passed
from returnflow.answers.result import Result
from returnflow.answers.spectra import lines_of
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import engineering


def driven(loop: Loop) -> bool:
    """Whether a loop has a current of its own."""
    return loop.role == "noisy" and lines_of(loop).rms > 0


def amperes(loop: Loop) -> float:
    """Current a loop is drawn for: all its lines together, A rms, or one ampere where it has none."""
    return lines_of(loop).rms if driven(loop) else 1.0


def drive(loop: Loop) -> str:
    """What a loop is drawn for, in words."""
    if not driven(loop):
        return "1 A"
    lines = lines_of(loop)
    total = f"{engineering(lines.rms, 'A')} rms"
    if len(lines.frequency) > 1:
        low, high = (engineering(float(f), "Hz") for f in lines.frequency[[0, -1]])
        return f"{total}, {len(lines.frequency)} lines from {low} to {high}"
    return total if lines.anywhere else f"{total} at {engineering(float(lines.frequency[0]), 'Hz')}"


def heard(result: Result, victim: Loop) -> list[tuple[int, float]]:
    """Noisy loops with lines in a victim's band: number, and A rms of those lines, less what its input rejects."""
    found = []
    for j, loop in enumerate(result.case.loops):
        if driven(loop):
            lines = lines_of(loop)
            current = float(np.linalg.norm((lines.current * passed(lines, victim))[band_mask(lines, victim)]))
            if current > 0:
                found.append((j, current))
    return found


def in_band(result: Result, budget: Budget, part: Contribution) -> tuple[float, float]:
    """
    What a noise comes from, A rms: the lines of a noisy loop that count, and what the victim's input passes of them.

    Those in the victim's band, or at the one frequency that a limit of radiation is judged at; all of them where none
    is in the band.
    """
    victim, lines = result.case.loop(budget.loop), lines_of(result.case.loop(part.loop))
    if budget.radiated:
        f = budget.radiated[0].frequency
        victim = replace(victim, band=(f * (1 - 1e-9), f * (1 + 1e-9)))
    counted = band_mask(lines, victim) if part.in_band else np.ones(len(lines.current), dtype=bool)
    carried = lines.current[counted]
    return float(np.linalg.norm(carried)), float(np.linalg.norm(carried * passed(lines, victim)[counted]))


def telling_frequencies(result: Result, j: int) -> list[float]:
    """
    Frequencies above 0 Hz at which the flow of a loop is worth a picture of its own, hertz.

    Of those that were asked for the highest that the loop's own lines reach, if its return has begun to turn there;
    where none of them is one, that of its strongest line. None for a loop without a current or an outgoing conductor.
    """
    loop = result.case.loops[j]
    if result.spectral is None or loop.route is None or not driven(loop):
        return []
    turning = result.spectral.facts[j].turning
    top = 1.01 * float(lines_of(loop).frequency[-1])
    if turning is None:
        return []
    own = [f for f in result.frequencies if 0.1 * turning < f <= top]
    strongest = strongest_frequency(result, j)
    return own[-1:] or ([strongest] if strongest > 0.1 * turning else [])


def strongest_frequency(result: Result, j: int) -> float:
    """Frequency of the strongest line of a loop, hertz; 0 where it is not known or nothing above 0 Hz is modelled."""
    loop = result.case.loops[j]
    if result.spectral is None or not driven(loop):
        return 0.0
    lines = lines_of(loop)
    return 0.0 if lines.anywhere else float(lines.frequency[int(np.argmax(lines.current))])
