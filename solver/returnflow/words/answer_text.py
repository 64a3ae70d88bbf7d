"""Facts of one result in a sentence or a few words each."""

from __future__ import annotations

import math

from returnflow.answers.budget import Budget, Contribution, decibels
from returnflow.answers.result import Result
from returnflow.answers.verdict import finding, sources, verdict, with_bound
from returnflow.answers.verdict import margin as margin_in_words
from returnflow.resistive.foil import resistive_limit
from returnflow.words.drives import amperes, driven
from returnflow.words.supply_tables import supply_sentence
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import dB, engineering, percent, within
from returnflow_geometry.model.wording import count, joined, named

NO_TEST = "This is not a compliance test and does not replace a measurement."
LOOKED = (
    "Above 0 Hz this is a first look, on one magnetic mesh: inductances are uncertain by some per cent, "
    "weak couplings by more. Noise and voltages say how well they are known; crossovers and what gaps add do not."
)
EXACT = 1e-9  # of a value: a bracket that is narrower is rounding
WORST = {"exceeded": 0, "unknown": 1, "undecided": 1, "kept": 2}  # to be told first


def summary(result: Result) -> str:
    """Which limits are exceeded, by how much and by which loops; then those that are met."""
    return " ".join(summary_lines(result))


def summary_lines(result: Result) -> list[str]:
    """The same, with a line for every limit that is not met, one for those that are, and one for every supply."""
    budgets = [*result.sensitive, *result.cables]
    supplied = [supply_sentence(result, facts) for facts in sorted(result.supplies, key=lambda it: -it.ratio)]
    if not budgets and supplied:
        return supplied
    if not budgets:
        return ["No sensitive loop and no pair of cables is given, so there is no limit to judge."]
    kept = [b for b in budgets if b.verdict == "kept"]
    judged = sorted((b for b in budgets if b.verdict != "kept"), key=lambda b: (WORST[b.verdict], b.margin_dB))
    if len(kept) == 1 and not judged and not supplied:
        return [finding(kept[0])]
    said = [sources(b) for b in judged]
    lines = []
    for n, (each, text) in enumerate(zip(judged, said, strict=True)):
        line = [verdict(each)]
        # The same sources of several are told once, after the last of them.
        if text and text not in said[n + 1 :]:
            alike = [named(b.loop) for b, other in zip(judged, said, strict=True) if other == text]
            line.append(text.replace("source:", f"source in {joined(alike)}:") if len(alike) > 1 else text)
        lines.append(" ".join(line))
    if kept:
        names = joined([f"{named(b.loop)} ({_in_short(b)})" for b in sorted(kept, key=lambda b: b.margin_dB)])
        head = "Every limit is met" if not judged else f"Within {'its limit' if len(kept) == 1 else 'their limits'}"
        lines.append(" ".join([f"{head}: {names}.", *(b.proviso for b in kept if b.proviso)]))
    return [*lines, *supplied]


def urgency(budget: Budget) -> tuple[int, bool, float]:
    """Key that sorts limits: those over first, of these signals before cables, the worst first."""
    return WORST[budget.verdict], budget.role == "cables", budget.margin_dB


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
    """Margin in dB with its sign; positive where the limit is kept."""
    sure = decibels(budget.limit, budget.sure)
    return "no noise" if math.isinf(sure) else dB(sure, sign=True)


def known_to(budget: Budget) -> str:
    """How well the rms sum is known, from the brackets of its parts."""
    if not budget.noise > 0:
        return "exactly 0 V" if not budget.high > 0 else f"at most {engineering(budget.high, 'V')}"
    return f"known to {within(0.5 * (budget.high - budget.low) / budget.noise)}"


def bracket(value: float, half_width: float, unit: str = "Ω") -> str:
    """
    Value with its bracket, which is given in per cent as well where that says something.

    Examples
    --------
    >>> bracket(-2.691e-4, 2.1e-7), bracket(0.0, 1e-9), bracket(0.0, 0.0), bracket(2.91e-3, 3e-15)
    ('−269 µΩ ± 210 nΩ (0.078 %)', '0 Ω ± 1 nΩ', '0 Ω', '2.91 mΩ (exact)')
    """
    text = engineering(value, unit)
    if 0 < half_width < EXACT * abs(value):
        return f"{text} (exact)"
    if not half_width > 0:
        return text
    text += f" ± {engineering(half_width, unit, 2)}"
    return text if abs(value) <= half_width else f"{text} ({within(half_width / abs(value))[1:]})"


def accuracy_sentence(result: Result) -> str:
    """How accurate, how it is guaranteed, and what it took."""
    solution = result.solution
    worst = max(float(solution.accuracy_reached().max()), EXACT)
    look = result.spectral is not None and result.spectral.model.coarse is None
    return (
        f"Accuracy: every resistance is known to {within(worst)} or better (asked: {within(result.case.accuracy)}) of "
        "its value, or of 1 % of the geometric mean of its two loops' own resistances where that is larger; "
        f"{count(len(result.whole.mesh.triangles), 'triangle')}, {count(len(solution.passes), 'mesh', 'meshes')}, "
        f"{result.seconds.get('total', 0.0):.1f} s."
    ) + (" " + LOOKED if look else "")


def counted(part: Contribution) -> str:
    """How many of a noisy loop's lines count in the victim's band."""
    if part.lines == 1:
        return "in band" if part.in_band else "out of band, not counted"
    return f"{part.counted} of {part.lines} lines" if part.in_band else f"none of {part.lines} lines"


def strongest_line(part: Contribution) -> str:
    """Frequency of the line that contributes most."""
    return "unknown" if part.frequency is None else engineering(part.frequency, "Hz")


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
    """Frequency at which half of a return has left the resistive pattern; at 0 Hz the one up to which that holds."""
    if result.spectral is not None:
        turning = result.spectral.facts[j].turning
        return "none" if turning is None else engineering(turning, "Hz")
    return engineering(valid_to(result, j), "Hz", 2)


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


def _in_short(budget: Budget) -> str:
    if not budget.noise > 0:
        return "no noise"
    return f"{with_bound(budget)}, limit {engineering(budget.limit, 'V')}, {margin_in_words(budget)}"
