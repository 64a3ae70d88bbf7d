"""Noise budget of every sensitive loop: which loops contribute, against what is tolerated, in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.spectra import Lines, lines_of
from returnflow.resistive.foil import resistive_limit
from returnflow_geometry.model.board import Case, Loop

Floats = NDArray[np.float64]
LIGHT = 299_792_458.0  # m/s
PERMITTIVITY = 4.3  # relative, of the usual glass-epoxy laminate; common practice, no source


@dataclass(frozen=True, kw_only=True)
class Coupled:
    """
    A noisy loop as one victim sees it.

    Attributes
    ----------
    loop : Loop
    lines : Lines
    transfer, half_width : float
        Transfer resistance and its guaranteed error, ohm.
    impedance : array of complex, shape (lines,)
        Transfer impedance at every line, ohm.
    doubt : array, shape (lines,)
        Its error, ohm: guaranteed at 0 Hz, an estimate above.
    """

    loop: Loop
    lines: Lines
    transfer: float
    half_width: float
    impedance: NDArray[np.complex128]
    doubt: Floats


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


@dataclass(frozen=True, kw_only=True)
class Budget:
    """
    Sum of the contributions to one loop against its limit, volts.

    `low` and `high` bound `noise` by the brackets of the transfer resistances.
    """

    loop: str
    limit: float
    contributions: tuple[Contribution, ...]
    noise: float
    low: float
    high: float
    worst_case: float
    recommendation: str = ""

    @property
    def margin_dB(self) -> float:
        """20 log10(limit / noise): positive where the limit is kept. Infinite without noise."""
        return decibels(self.limit, self.noise)

    @property
    def verdict(self) -> str:
        """`kept`, `exceeded`, or `undecided` where the bracket straddles the limit."""
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
    Sum what every noisy loop couples into one loop.

    Lines of different frequency add in power, and so do loops in the rms sum; in the worst case the loops' voltages
    add.

    Parameters
    ----------
    victim : Loop
        Sensitive or cables.
    limit : float
        Volts.
    parts : sequence of Coupled
    """
    contributions = []
    low = high = 0.0
    for part in parts:
        mask = band_mask(part.lines, victim)
        # What a differential input hears of it: impedances and their doubts shrink together.
        heard = passed(part.lines, victim)
        size, doubt, amps = heard * np.abs(part.impedance), heard * part.doubt, part.lines.current
        volts = size * amps
        counted = mask if mask.any() else ~mask
        top = int(np.argmax(np.where(counted, volts, -1.0)))
        strongest = int(np.argmax(volts))
        contributions.append(
            Contribution(
                loop=part.loop.name,
                transfer=part.transfer,
                half_width=part.half_width,
                current=part.lines.rms,
                noise=_rms(volts[counted]),
                frequency=None if part.lines.anywhere else float(part.lines.frequency[top]),
                in_band=bool(mask.any()),
                out_of_band=_rms(volts[~mask]),
                strongest=(float(part.lines.frequency[strongest]), float(volts[strongest])),
                lines=len(volts),
                counted=int(mask.sum()),
            )
        )
        low += float(np.sum((np.maximum(size - doubt, 0.0) * amps)[mask] ** 2))
        high += float(np.sum(((size + doubt) * amps)[mask] ** 2))
    loud = [c.noise for c in contributions if c.in_band]
    return Budget(
        loop=victim.name,
        limit=limit,
        contributions=tuple(sorted(contributions, key=lambda c: (not c.in_band, -c.noise))),
        noise=math.hypot(*loud),
        low=math.sqrt(low),
        high=math.sqrt(high),
        worst_case=sum(loud),
    )


def _rms(volts: Floats) -> float:
    return float(np.sqrt(np.sum(volts**2)))


def frequency_cautions(case: Case, sheet: float) -> list[str]:
    """Sentences on lines for which the model lacks something: an outgoing conductor, or the waves on a large board."""
    sentences = []
    x0, y0, x1, y1 = case.board.outline.bounds
    small = LIGHT / math.sqrt(PERMITTIVITY) / (10 * math.hypot(x1 - x0, y1 - y0))
    beyond = []
    for loop in case.loops:
        if loop.role != "noisy":
            continue
        lines = lines_of(loop)
        highest = float(lines.frequency[-1])
        if highest > small:
            beyond.append(f"“{loop.name}”")
        (xa, ya), (xb, yb) = (case.board.terminal(end).centre for end in (loop.inject, loop.return_))
        limit = resistive_limit(sheet, math.hypot(xb - xa, yb - ya))
        if loop.route is None and highest > limit:
            sentences.append(
                f"“{loop.name}” has lines up to {engineering(highest, 'Hz')}, above {engineering(limit, 'Hz')}, where "
                "its return would gather under an outgoing conductor; none is given, so it is taken as closed far away."
            )
        if lines.left_out > 1e-3 * lines.rms:
            sentences.append(
                f"“{loop.name}”: harmonics above {engineering(highest, 'Hz')} are left out, "
                f"{lines.left_out / lines.rms:.1%} of its rms current."
            )
    if beyond:
        sentences.append(
            f"Above {engineering(small, 'Hz', 2)} the board is no longer small against the wavelength (a tenth of it "
            f"in laminate): lines beyond ({', '.join(beyond)}) are indications, resonances are not in the model."
        )
    return sentences


_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


def engineering(value: float, unit: str, digits: int = 3) -> str:
    """
    Value with an SI prefix.

    Examples
    --------
    >>> engineering(3.4e-5, "V"), engineering(0.0, "V"), engineering(999.96e-6, "V"), engineering(24e6, "Hz")
    ('34 µV', '0 V', '1 mV', '24 MHz')
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    rounded = float(f"{value:.{digits}g}")
    power = min(9, max(-12, 3 * math.floor(math.log10(abs(rounded)) / 3 + 1e-12)))
    text = f"{rounded / 10**power:.{digits}g}"
    if "e" in text:
        text = f"{rounded / 10**power:.0f}" if abs(rounded / 10**power) >= 1 else f"{rounded / 10**power:.2g}"
    return f"{text} {_PREFIXES[power]}{unit}"


def recommend(case: Case, victim: Loop, result: Budget, within_reach: str) -> str:
    """Plain-sentence verdict on sharing the plane, with the numbers it rests on."""
    noise, limit = engineering(result.noise, "V"), engineering(result.limit, "V")
    if not any(c.in_band for c in result.contributions):
        return "No noisy loop falls into this band; look at those listed out of band, which can demodulate or alias."
    if not result.noise > 0 and result.verdict == "kept":
        return "Sharing this copper is tolerable as drawn: no noisy loop puts a voltage in series with this signal."
    lead = max((c for c in result.contributions if c.in_band), key=lambda c: c.noise)
    part = (lead.noise / result.noise) ** 2 if result.noise > 0 else 0.0
    found = f"{noise} rms in series with the signal against {limit} tolerated"
    cause = f"“{lead.loop}” causes {part:.0%} of its power"
    if result.verdict == "kept":
        return f"Sharing this copper is tolerable as drawn: {found}, {result.margin_dB:.1f} dB in hand; {cause}."
    if result.verdict == "undecided":
        low, high = engineering(result.low, "V"), engineering(result.high, "V")
        return f"Undecided: {found}, and the bracket reaches from {low} to {high}. Ask for a smaller accuracy."
    ends = [case.board.terminal(name) for name in (victim.inject, victim.return_)]
    kept = [f"{end.name} must stay bonded ({end.bonded})" for end in ends if end.bonded]
    bonds = f" Note that {' and '.join(kept)}." if kept else ""
    return (
        f"Sharing this copper is not tolerable as drawn: {found}, {-result.margin_dB:.1f} dB too much; {cause}. "
        f"{within_reach}{bonds}"
    )
