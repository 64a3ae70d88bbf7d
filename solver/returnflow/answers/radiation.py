"""
What a voltage between two cables radiates, by an upper estimate, and which line of all is nearest to the limit.

Two straight cables in line, driven against one another, are a thin dipole. From where both together are half a
wavelength, some length of it is in resonance: then the current is V / 73.1 ohm, and the field broadside 60 I / r.
Below, a dipole with arms l and radius a has the reactance 120 (ln(l / a) - 1) cot(k l) and the field
60 I tan(k l / 2) / r, with I at its feed (Balanis, Antenna Theory, chapters 4 and 8; King, The Theory of Linear
Antennas). Reflection by the ground at most doubles it. It is for judging layouts: cables lie otherwise, and a
measurement decides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from returnflow.answers.adding import Coupled
from returnflow.answers.budget import Budget, Radiated, band_mask, budget
from returnflow.resistive.foil import LIGHT
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.radiation import HIGHEST, LOWEST, Radiates

RESONANT = 73.13  # ohm, of a half-wave dipole in free space
GROUND = 2.0  # at most, with what the ground reflects


def field_per_volt(cables: Radiates, frequency: float) -> float:
    """
    Field at the distance in free space per volt between two cables, 1/m: an upper estimate.

    Examples
    --------
    >>> it = Radiates(limit="47 CFR 15.109 class B", distance=3.0, length=1.0, diameter=5e-3)
    >>> print(f"{1e6 * 1e-3 * field_per_volt(it, 100e6):.0f} uV/m of 1 mV")
    273 uV/m of 1 mV
    """
    resonant = 60 / (RESONANT * cables.distance)
    turn = 2 * math.pi * frequency / LIGHT * cables.length
    if turn >= math.pi / 2:
        return resonant
    reactance = 120 * (math.log(2 * cables.length / cables.diameter) - 1) / math.tan(turn) if turn else math.inf
    return min(resonant, 60 / (reactance * cables.distance) * math.tan(turn / 2))


def allowed_volts(cables: Radiates, frequency: float) -> float:
    """Voltage between two cables whose field, with the ground's reflection, just keeps the limit, V rms."""
    return cables.allowed(frequency) / (GROUND * field_per_volt(cables, frequency))


def radiated_lines(victim: Loop, cables: Radiates, parts: Sequence[Coupled]) -> tuple[Radiated, ...]:
    """
    What is radiated at every frequency in the band, nearest to the limit first; currents of one line in power.

    Where no limit of radiated emission holds, nothing is judged.
    """
    power: dict[float, float] = {}
    for part in parts:
        if part.lines.anywhere:
            continue
        mask = band_mask(part.lines, victim) & (part.lines.frequency >= LOWEST) & (part.lines.frequency <= HIGHEST)
        each_line = np.abs(part.lines.current * part.impedance)[mask]
        for f, each in zip(part.lines.frequency[mask].tolist(), each_line.tolist(), strict=True):
            power[float(f"{f:.9g}")] = power.get(float(f"{f:.9g}"), 0.0) + each**2
    found = []
    for f, squared in power.items():
        volts = math.sqrt(squared)
        free = volts * field_per_volt(cables, f)
        found.append(Radiated(frequency=f, volts=volts, free=free, ground=GROUND * free, allowed=cables.allowed(f)))
    return tuple(sorted(found, key=lambda line: -line.ground / line.allowed))


def radiated_budget(victim: Loop, cables: Radiates, parts: Sequence[Coupled]) -> Budget:
    """
    Budget of the frequency that is nearest to the limit of radiated emission: its voltage, and the one allowed there.

    A receiver hears one line at a time, so that lines of other frequencies do not add to it.
    """
    lines = radiated_lines(victim, cables, parts)
    worst = lines[0].frequency if lines else LOWEST
    # What the currents have at that frequency, and nothing else.
    at = replace(victim, band=(worst * (1 - 1e-9), worst * (1 + 1e-9)))
    # A current of no known frequency radiates at none: taken as steady.
    known = [replace(part, lines=replace(part.lines, anywhere=False)) for part in parts]
    return replace(budget(at, allowed_volts(cables, worst), known), radiated=lines)
