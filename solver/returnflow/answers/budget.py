"""Noise budget of every sensitive loop: which loops contribute, against what is tolerated, in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.adding import (
    NEGLIGIBLE,
    Coupled,
    Total,
    add_up,
    companies,
    keys_of,
    routeless_lines,
    unrouted_loops,
)
from returnflow.answers.spectra import Lines
from returnflow_geometry.model.board import Loop, Role
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import joined, named

Floats = NDArray[np.float64]

ALIKE = 1.001  # worst case over rms sum up to which it is no other
CLOSE = 1.1  # upper bound over the noise up to which the one figure says it all


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """
    What one noisy loop puts in series with a sensitive loop, or between two cables.

    Attributes
    ----------
    loop : str
    transfer, half_width : float
        Transfer resistance at 0 Hz and its guaranteed error, ohm.
    current : float
        All lines, A rms.
    noise : float
        V rms in the victim's band; of all lines where none lies in the band.
    frequency : float or None
        Line that contributes most, hertz; None where the frequency is not known.
    in_band : bool
        Whether any line lies in the band.
    out_of_band : float
        V rms outside the band: it can demodulate or alias.
    strongest : tuple of (frequency, V rms)
        Line that contributes most of all lines, in the band or not.
    lines, counted : int
        Number of lines, and of those in the band.
    part : float
        Part of the noise power in the band that this current makes. All parts add up to 1; one is negative where its
        steady current cancels part of another's.
    """

    loop: str
    transfer: float
    half_width: float
    current: float
    noise: float
    frequency: float | None
    in_band: bool
    out_of_band: float = 0.0
    strongest: tuple[float, float] = (0.0, 0.0)
    lines: int = 1
    counted: int = 1
    part: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Radiated:
    """
    One frequency at which two cables are driven against one another.

    Attributes
    ----------
    frequency : float, Hz
    volts : float
        Between the two, V rms.
    free, ground : float
        Field at the distance in free space, and at most with the ground's reflection, V/m rms.
    allowed : float, V/m
    """

    frequency: float
    volts: float
    free: float
    ground: float
    allowed: float


@dataclass(frozen=True, kw_only=True)
class Budget:
    """
    Sum of the contributions to one loop against its limit, volts.

    Attributes
    ----------
    role : "sensitive" or "cables"
        Of the loop.
    noise, low, high : float
        V rms in the band, and its bounds by the brackets of the impedances. Steady currents add with their signs,
        lines of currents that belong together in phase, all others in power.
    worst_case, worst_high : float
        V, where all lines of one frequency are in phase; and its bound by the brackets, never below `high`.
    unrouted : tuple of str
        Loops without an outgoing conductor whose lines lie where it matters, and are not negligible: `noise` is then
        that of loops closed far away, and no verdict on it.
    unsolved : bool
        Whether lines that are not negligible want solving above 0 Hz, which the case forbids: no verdict.
    founded : float
        Lower bound of what is known without either, V.
    adding : tuple of str
        Which rule added what, in plain sentences.
    induced : float
        Of a sensitive loop, V: what conductors that are not drawn would induce at most if they ran side by side with
        its own; by order of magnitude.
    undrawn : tuple of str
        Loops whose conductors these are.
    radiated : tuple of Radiated
        Of cables with a limit of radiated emission: what they radiate at every frequency, the worst first.
    """

    loop: str
    limit: float
    contributions: tuple[Contribution, ...]
    noise: float
    low: float
    high: float
    worst_case: float
    worst_high: float = 0.0
    role: Role = "sensitive"
    unrouted: tuple[str, ...] = ()
    unsolved: bool = False
    founded: float = 0.0
    adding: tuple[str, ...] = ()
    induced: float = 0.0
    undrawn: tuple[str, ...] = ()
    radiated: tuple[Radiated, ...] = ()

    @property
    def proviso(self) -> str:
        """What a kept limit rests on where conductors that are not drawn could break it; nothing otherwise."""
        if self.verdict != "kept" or not math.hypot(self.high, self.induced) > self.limit:
            return ""
        quoted = joined([named(name) for name in self.undrawn])
        return (
            f"{named(self.loop)} keeps its limit if conductors keep apart: side by side they would induce up to about "
            f"{engineering(self.induced, 'V', 2)}. Draw the route{'s' * (len(self.undrawn) > 1)} of {quoted} to know."
        )

    @property
    def margin_dB(self) -> float:
        """20 log10(limit / noise): positive where the limit is kept. Infinite without noise."""
        return decibels(self.limit, self.noise)

    @property
    def sure(self) -> float:
        """V rms to be relied on: unless the limit is exceeded, the upper bound if that is much more than the noise."""
        much = self.verdict in ("kept", "undecided") and self.noise > 0 and self.high > CLOSE * self.noise
        return self.high if much else self.noise

    @property
    def waits(self) -> bool:
        """Whether it waits for routes, or for solving above 0 Hz."""
        return self.unsolved or bool(self.unrouted)

    @property
    def verdict(self) -> str:
        """`kept`, `exceeded`, `undecided` where the bracket straddles the limit, `unknown` while it waits."""
        if self.waits:
            return "exceeded" if self.founded > self.limit else "unknown"
        if self.high <= self.limit:
            return "kept"
        return "exceeded" if self.low > self.limit else "undecided"


def decibels(above: float, below: float) -> float:
    """
    20 log10(above / below).

    Examples
    --------
    >>> round(decibels(10.0, 1.0)), decibels(1.0, 0.0), decibels(0.0, 1.0)
    (20, inf, -inf)
    """
    if not below > 0:
        return math.inf
    return 20 * math.log10(above / below) if above > 0 else -math.inf


def band_mask(lines: Lines, victim: Loop) -> NDArray[np.bool_]:
    """Which lines lie in a victim's band; without a band, or without a known frequency, every one does."""
    if victim.band is None or lines.anywhere:
        return np.ones(len(lines.frequency), dtype=bool)
    return (lines.frequency >= victim.band[0]) & (lines.frequency <= victim.band[1])


def passed(lines: Lines, victim: Loop) -> Floats:
    """
    Part of a common-mode voltage that a victim's input lets through at every line, shape (lines,); 1 without rejection.

    Between the given points the rejection is linear in dB over the logarithm of the frequency; where the frequency of
    a current is not known, the smallest counts.
    """
    if victim.rejection is None:
        return np.ones(len(lines.frequency))
    frequency, rejection = (np.array(column) for column in zip(*victim.rejection, strict=True))
    if lines.anywhere:
        return np.full(len(lines.frequency), 10 ** (-float(np.min(rejection)) / 20))
    at = np.maximum(lines.frequency, frequency[0])
    result: Floats = 10 ** (-np.interp(np.log(at), np.log(frequency), rejection) / 20)
    return result


def budget(victim: Loop, limit: float, parts: Sequence[Coupled]) -> Budget:
    """
    Sum what every noisy loop couples into one loop, by the rules of `adding`.

    Parameters
    ----------
    victim : Loop
        Sensitive or cables.
    limit : float
        Volts.
    parts : sequence of Coupled
    """
    company = companies([part.loop for part in parts])
    contributions, keys, volts, doubts, shaky, sizes = [], [], [], [], [], []
    beside: list[str] = []
    induced = 0.0
    for part, group in zip(parts, company, strict=True):
        mask = band_mask(part.lines, victim)
        # What a differential input hears of it: impedances and their doubts shrink together.
        heard = passed(part.lines, victim) * part.lines.current
        size = np.abs(heard * part.impedance)
        counted = mask if mask.any() else ~mask
        top = int(np.argmax(np.where(counted, size, -1.0)))
        strongest = int(np.argmax(size))
        names = keys_of(part.lines, group)
        keys.append([names[n] for n in np.flatnonzero(mask)])
        volts.append((heard * part.impedance)[mask])
        doubts.append((np.abs(heard) * part.doubt)[mask])
        shaky.append(routeless_lines(part)[mask])
        if part.beside is not None and victim.role == "sensitive":
            most = _rms((np.abs(heard) * part.beside)[mask])
            induced = math.hypot(induced, most)
            beside += [name for name, _ in part.routeless if most > NEGLIGIBLE * limit]
        least = 0.0 if part.unsolved is None else part.unsolved
        sizes.append(np.maximum(size, np.abs(heard) * least)[mask])
        contributions.append(
            Contribution(
                loop=part.loop.name,
                transfer=part.transfer,
                half_width=part.half_width,
                current=part.lines.rms,
                noise=_rms(size[counted]),
                frequency=None if part.lines.anywhere else float(part.lines.frequency[top]),
                in_band=bool(mask.any()),
                out_of_band=_rms(size[~mask]),
                strongest=(float(part.lines.frequency[strongest]), float(size[strongest])),
                lines=len(size),
                counted=int(mask.sum()),
            )
        )
    total = add_up(keys, volts, doubts)
    unrouted, founded = unrouted_loops(limit, parts, keys, volts, doubts, shaky, sizes)
    unsolved = bool(unrouted) and any(part.unsolved is not None for part in parts)
    drawn = {loop.name for loop in (victim, *(part.loop for part in parts)) if loop.route is not None}
    contributions = [replace(item, part=share) for item, share in zip(contributions, total.parts, strict=True)]
    return Budget(
        loop=victim.name,
        role=victim.role,
        limit=limit,
        contributions=tuple(sorted(contributions, key=lambda c: (not c.in_band, -c.noise))),
        noise=total.noise,
        low=total.low,
        high=total.high,
        worst_case=total.worst,
        worst_high=total.worst_high,
        unrouted=tuple(name for name in unrouted if name not in drawn),
        unsolved=unsolved,
        founded=founded,
        adding=_adding([part.loop for part in parts], company, total),
        induced=induced,
        undrawn=tuple(dict.fromkeys(beside)),
    )


def _adding(loops: Sequence[Loop], company: Sequence[int], total: Total) -> tuple[str, ...]:
    """Which rule added what, as far as it matters."""
    sentences = []
    steady = [(loop.name, volts) for loop, volts in zip(loops, total.steady, strict=True) if volts]
    if len(steady) > 1:
        listed = ", ".join(
            f"{named(name)} {'+' if volts > 0 else '−'}{engineering(abs(volts), 'V')}" for name, volts in steady
        )
        sentences.append(f"Steady currents add with their signs: {listed}.")
    together = [
        [loop.name for loop, item in zip(loops, company, strict=True) if item == n] for n in sorted(set(company))
    ]
    for names in together:
        if len(names) > 1:
            quoted = " and ".join(named(name) for name in names)
            sentences.append(f"The currents of {quoted} belong together: their lines of one frequency add in phase.")
    if total.alike and total.worst > ALIKE * total.noise:
        frequency, numbers = next(iter(total.alike.items()))
        quoted = " and ".join(named(loops[n].name) for n in numbers)
        more = f" and {len(total.alike) - 1} more" if len(total.alike) > 1 else ""
        sentences.append(
            f"{quoted} have lines of the same frequency ({engineering(frequency, 'Hz')}{more}), taken as independent; "
            f"all in phase they would make {engineering(total.worst, 'V')}. If they belong together, set coherent_with."
        )
    return tuple(sentences)


def _rms(volts: Floats) -> float:
    return float(np.sqrt(np.sum(volts**2)))
