"""Noise budget of every sensitive loop: which loops contribute, against what is tolerated, in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from returnflow.foil import resistive_limit
from returnflow_geometry.board import Case, Loop


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """
    What one noisy loop puts in series with a sensitive loop, or between two cables.

    `transfer` and `half_width` in ohm, `current` in A rms, `noise` in V rms; `in_band` is False where the
    loop's frequency lies outside the sensitive band.
    """

    loop: str
    transfer: float
    half_width: float
    current: float
    noise: float
    frequency: float | None
    in_band: bool


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
    >>> round(decibels(10.0, 1.0)), decibels(1.0, 0.0)
    (20, inf)
    """
    return 20 * math.log10(above / below) if below > 0 else math.inf


def in_band(noisy: Loop, victim: Loop) -> bool:
    """Whether a noisy loop counts in a sensitive loop's band; without a frequency or a band it always counts."""
    if noisy.frequency is None or victim.band is None:
        return True
    return victim.band[0] <= noisy.frequency <= victim.band[1]


def budget(
    victim: Loop, limit: float, noisy: Sequence[Loop], transfer: Sequence[float], half_width: Sequence[float]
) -> Budget:
    """
    Sum what every noisy loop couples into one loop.

    Parameters
    ----------
    victim : Loop
        Sensitive or cables.
    limit : float
        Volts.
    noisy : sequence of Loop
    transfer, half_width : sequences of float
        Transfer resistance to each noisy loop and its guaranteed error, ohm.
    """
    contributions = tuple(
        Contribution(
            loop=loop.name,
            transfer=r,
            half_width=h,
            current=loop.current or 0.0,
            noise=abs(r) * (loop.current or 0.0),
            frequency=loop.frequency,
            in_band=in_band(loop, victim),
        )
        for loop, r, h in zip(noisy, transfer, half_width, strict=True)
    )
    counted = [c for c in contributions if c.in_band]
    return Budget(
        loop=victim.name,
        limit=limit,
        contributions=tuple(sorted(contributions, key=lambda c: -c.noise)),
        noise=math.hypot(*(c.noise for c in counted)),
        low=math.hypot(*(c.current * max(abs(c.transfer) - c.half_width, 0.0) for c in counted)),
        high=math.hypot(*(c.current * (abs(c.transfer) + c.half_width) for c in counted)),
        worst_case=sum(c.noise for c in counted),
    )


def regime(frequency: float, sheet: float, distance: float) -> str:
    """
    How far the resistive answer holds at a frequency: `resistive`, `transition` or `inductive`.

    Below a tenth of Rs / (2 mu0 d) it holds to a few per cent; above that frequency the return gathers under
    the outgoing conductor and the resistive number is only the low-frequency limit.
    """
    limit = resistive_limit(sheet, distance)
    if frequency <= 0.1 * limit:
        return "resistive"
    return "transition" if frequency <= limit else "inductive"


def frequency_cautions(case: Case, sheet: float) -> list[str]:
    """One sentence for every noisy loop whose frequency lies beyond the resistive picture."""
    sentences = []
    for loop in case.loops:
        if loop.role != "noisy" or loop.frequency is None:
            continue
        (x0, y0), (x1, y1) = (case.board.terminal(name).centre for name in (loop.inject, loop.return_))
        distance = math.hypot(x1 - x0, y1 - y0)
        limit = resistive_limit(sheet, distance)
        kind = regime(loop.frequency, sheet, distance)
        here, there = engineering(loop.frequency, "Hz"), engineering(limit, "Hz")
        if kind == "transition":
            sentences.append(
                f"“{loop.name}” at {here} is within a decade of {there}, where its return begins to gather under the "
                "outgoing conductor: its numbers are an estimate."
            )
        elif kind == "inductive":
            sentences.append(
                f"“{loop.name}” at {here} is above {there}, where its return has left the resistive pattern: its "
                "numbers here are the low-frequency limit, not the value at that frequency."
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
