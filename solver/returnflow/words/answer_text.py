"""Facts of one result in a sentence or a few words each."""

from __future__ import annotations

import math
from collections.abc import Sequence

from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.missing import missing_route
from returnflow.answers.result import Result
from returnflow.resistive.foil import resistive_limit
from returnflow.words.drives import amperes, driven
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import dB, engineering, percent
from returnflow_geometry.model.wording import named


def summary(result: Result) -> str:
    """What is exceeded, by how much and because of whom, in one or two sentences."""
    budgets = [*result.sensitive, *result.cables]
    if not budgets:
        return (
            "No sensitive loop and no pair of cables is given, so nothing is judged; "
            "the resistances stand for themselves."
        )
    bad = sorted((b for b in budgets if b.verdict == "exceeded"), key=lambda b: b.margin_dB)
    unknown = [b for b in budgets if b.verdict == "undecided"]
    routeless = [b for b in budgets if b.verdict == "unknown"]
    kept = sorted((b for b in budgets if b.verdict == "kept"), key=lambda b: b.margin_dB)
    sentences = [_too_much(result, b) for b in bad]
    sentences += [
        f"{named(b.loop)} is undecided: {engineering(b.noise, 'V')} against {engineering(b.limit, 'V')}, and the "
        "bracket reaches from "
        f"{engineering(b.low, 'V')} to {engineering(b.high, 'V')}."
        for b in unknown
    ]
    sentences += [missing_route(b) for b in routeless]
    if kept:
        names = _listed([f"{named(b.loop)} ({_in_hand(b)})" for b in kept])
        every = (
            "Every limit is kept: "
            if not bad and not unknown and not routeless
            else "Within its limit: "
            if len(kept) == 1
            else "Within their limits: "
        )
        sentences.append(f"{every}{names}.")
    return " ".join(sentences)


def lead(budget: Budget) -> tuple[Contribution, float] | None:
    """The contribution that dominates and its share of the noise power; None without noise."""
    counted = [c for c in budget.contributions if c.in_band and c.noise > 0]
    if not counted or not budget.noise > 0:
        return None
    first = max(counted, key=lambda c: c.noise)
    return first, first.part


def power_share(budget: Budget, part: Contribution) -> float | None:
    """Share of a contribution in the noise power, 0 to 1; None out of band or without noise."""
    if not part.in_band or not budget.noise > 0:
        return None
    return part.part


def margin(budget: Budget) -> str:
    """Margin in dB with its sign; positive is in hand."""
    return "no noise" if math.isinf(budget.margin_dB) else dB(budget.margin_dB, sign=True)


def known_to(budget: Budget) -> str:
    """How well the rms sum is known, from the brackets of its parts."""
    if not budget.noise > 0:
        return "exactly" if not budget.high > 0 else f"at most {engineering(budget.high, 'V')}"
    return f"known to ±{50 * (budget.high - budget.low) / budget.noise:.2g} %"


def bracket(value: float, half_width: float, unit: str = "Ω") -> str:
    """
    Value with its bracket, which is given in per cent as well where that says something.

    Examples
    --------
    >>> bracket(-2.691e-4, 2.1e-7), bracket(0.0, 1e-9), bracket(0.0, 0.0)
    ('−269 µΩ ± 210 nΩ (0.078 %)', '0 Ω ± 1 nΩ', '0 Ω')
    """
    text = engineering(value, unit)
    if not half_width > 0:
        return text
    text += f" ± {engineering(half_width, unit, 2)}"
    return text if abs(value) <= half_width else f"{text} ({100 * half_width / abs(value):.2g} %)"


def accuracy_sentence(result: Result) -> str:
    """How accurate, how it is guaranteed, and what it took."""
    solution = result.solution
    worst = float(solution.accuracy_reached().max())
    return (
        f"Accuracy: every resistance is bracketed to ±{100 * worst:.2g} % or better "
        f"({100 * result.case.accuracy:.3g} % asked) of its value, or of "
        "1 % of the geometric mean of its two loops' own resistances where that is larger; "
        f"{len(solution.mesh.triangles)} triangles, "
        f"{len(solution.passes)} pass{'es' * (len(solution.passes) != 1)}, {result.seconds.get('total', 0.0):.1f} s."
    )


def counted(part: Contribution) -> str:
    """How many of a noisy loop's lines count in the victim's band."""
    if part.lines == 1:
        return "in band" if part.in_band else "out of band, not counted"
    return f"{part.counted} of {part.lines} lines" if part.in_band else f"none of {part.lines} lines"


def strongest_line(part: Contribution) -> str:
    """Frequency of the line that contributes most."""
    return "any" if part.frequency is None else engineering(part.frequency, "Hz")


def contribution_rows(budget: Budget) -> list[list[str]]:
    """Loop, transfer resistance, current, strongest line, whether it counts, noise and part of the power of each."""
    rows = []
    for part in budget.contributions:
        share = power_share(budget, part)
        rows.append(
            [
                part.loop,
                bracket(part.transfer, part.half_width),
                engineering(part.current, "A"),
                strongest_line(part),
                counted(part),
                engineering(part.noise, "V"),
                "" if share is None else percent(share),
            ]
        )
    return rows


def turns(result: Result, j: int) -> str:
    """Frequency at which half of a loop's return has left the resistive pattern, or the estimate of where it begins."""
    if result.spectral is not None:
        turning = result.spectral.facts[j].turning
        return "nowhere" if turning is None else engineering(turning, "Hz")
    return f"about {engineering(valid_to(result, j), 'Hz', 2)}"


def region_names(result: Result) -> list[str]:
    """Names of the regions, in the order of `result.shares`."""
    return [region.name for region in result.case.regions]


def section_names(result: Result) -> list[str]:
    """Names of the sections, in the order of `result.sections`."""
    return [section.name for section in result.case.sections]


def amount(share: float, loop: Loop) -> str:
    """Share of a loop's current in per cent, and in amperes where it has one; at the resistive limit."""
    share = 0.0 if abs(share) < 5e-6 else float(share)
    text = percent(share)
    return f"{text} = {engineering(share * amperes(loop), 'A')}" if driven(loop) else text


def valid_to(result: Result, j: int) -> float:
    """Frequency in Hz above which the return of a loop begins to leave the resistive pattern."""
    loop, board = result.case.loops[j], result.case.board
    distance = math.dist(*(board.terminal(name).centre for name in (loop.inject, loop.return_)))
    return resistive_limit(result.solution.sheet, distance) if distance > 0 else math.inf


def _too_much(result: Result, budget: Budget) -> str:
    sensitive = result.case.loop(budget.loop).role == "sensitive"
    where = "in series with its signal" if sensitive else "between its two ends"
    limit = f"{engineering(budget.limit, 'V')} it {'tolerates' if sensitive else 'may have'}"
    ratio = budget.noise / budget.limit
    times = f"{ratio:.0f}" if ratio >= 10 else f"{ratio:.2g}"
    text = (
        f"{named(budget.loop)} has {engineering(budget.noise, 'V')} rms {where}, {times} times the {limit} "
        f"({-budget.margin_dB:.1f} dB too much)"
    )
    first = lead(budget)
    if first is None:
        return text + "."
    part, share = first
    cause = f"{named(part.loop)} ({engineering(part.current, 'A')})"
    return f"{text}; {cause} alone causes {percent(share)} of the noise power."


def _in_hand(budget: Budget) -> str:
    if math.isinf(budget.margin_dB):
        return "no noise"
    return f"{engineering(budget.noise, 'V')} of {engineering(budget.limit, 'V')}, {budget.margin_dB:.1f} dB in hand"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
