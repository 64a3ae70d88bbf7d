"""What a noise budget says of its limit: one sentence each, which terminal, report and result.json all show."""

from __future__ import annotations

import math
from collections.abc import Sequence

from returnflow.answers.budget import Budget, Contribution, decibels
from returnflow_geometry.model.numbers import dB, engineering, percent
from returnflow_geometry.model.wording import joined, named

WHERE = {"sensitive": "in series with its signal", "cables": "between its connectors"}
MOST_SOURCES = 3
LEAST_SOURCE = 0.005  # of the power
_STATES = {
    "sensitive": {
        "kept": "Sharing the plane is tolerable for {}",
        "exceeded": "Sharing the plane is not tolerable for {}",
        "undecided": "Whether sharing the plane is tolerable for {} is undecided",
    },
    "cables": {
        "kept": "{} is within its limit",
        "exceeded": "{} exceeds its limit",
        "undecided": "Whether {} is within its limit is undecided",
    },
}


def finding(budget: Budget) -> str:
    """Whether a limit is kept, by what margin, which loops make the noise, and on what conductors that rests."""
    return " ".join(filter(None, (verdict(budget), sources(budget), budget.proviso)))


def sources(budget: Budget) -> str:
    """Which loops make the noise, the largest first; empty where there is no verdict on it, or no noise."""
    parts = [part for part in heard(budget)[:MOST_SOURCES] if abs(part.part) > LEAST_SOURCE]
    if budget.verdict not in ("kept", "exceeded") or not budget.noise > 0 or not parts:
        return ""
    return f"Noise power by source: {', '.join(f'{named(part.loop)} {percent(part.part)}' for part in parts)}."


def verdict(budget: Budget) -> str:
    """Whether a limit is kept, and by what margin."""
    state, limit = budget.verdict, engineering(budget.limit, "V")
    if state == "unknown":
        how = "by resistance alone" if budget.unsolved else "computed without it"
        return (
            f"{named(budget.loop)} cannot be judged yet: {needed(budget.unrouted, unsolved=budget.unsolved)}. The "
            f"{engineering(budget.noise, 'V')} {how}, limit {limit}, are not reliable."
        )
    where, says = WHERE[budget.role], _STATES[budget.role][state].format(named(budget.loop))
    if not heard(budget):
        return f"{says}: no noisy loop has a line in its band. Lines out of band can still demodulate or alias."
    if state == "kept" and budget.noise == 0:
        return f"{says}: no noisy loop causes a voltage {where}."
    if state == "undecided":
        span = f"known only to lie between {engineering(budget.low, 'V')} and {engineering(budget.high, 'V')}"
        said = f"{says}: {engineering(budget.noise, 'V')} rms {where}, {span}, limit {limit}."
        return f"{said} Set a smaller `accuracy` and solve again."
    return f"{says}: {said_noise(budget)} rms {where}, limit {limit}, {margin(budget)}."


def needed(unrouted: Sequence[str], *, unsolved: bool) -> str:
    """
    What has to be done before there is a verdict.

    Examples
    --------
    >>> needed(["clock"], unsolved=False)
    'draw the route of "clock"'
    >>> needed([], unsolved=True)
    'solve above 0 Hz (leave out frequencies_Hz)'
    """
    solve = ["solve above 0 Hz (leave out frequencies_Hz)"] if unsolved else []
    draw = [f"draw the route of {joined([named(name) for name in unrouted])}"] if unrouted else []
    return " and ".join([*solve, *draw])


def heard(budget: Budget) -> list[Contribution]:
    """Contributions with a line in the band, the largest first."""
    return sorted((part for part in budget.contributions if part.in_band), key=lambda part: -part.noise)


def said_noise(budget: Budget) -> str:
    """Noise with its unit; where a route is missing, what is certain without it."""
    if budget.waits and budget.verdict == "exceeded":
        return f"at least {engineering(budget.founded, 'V')}"
    return with_bound(budget)


def with_bound(budget: Budget) -> str:
    """Noise with its unit, and with its upper bound where that is what to rely on."""
    most = f" (at most {engineering(budget.sure, 'V')})" if budget.sure > budget.noise else ""
    return engineering(budget.noise, "V") + most


def margin(budget: Budget) -> str:
    """Margin in words."""
    noise = budget.founded if budget.waits and budget.verdict == "exceeded" else budget.sure
    return margin_words(decibels(budget.limit, noise))


def margin_words(value: float) -> str:
    """
    Margin in dB to a limit, or how far above it.

    Examples
    --------
    >>> margin_words(12.0), margin_words(-50.2), margin_words(float("inf"))
    ('12.0 dB margin', '50.2 dB over the limit', 'no noise')
    """
    if math.isinf(value):
        return "no noise"
    return f"{dB(value)} margin" if value >= 0 else f"{dB(-value)} over the limit"
