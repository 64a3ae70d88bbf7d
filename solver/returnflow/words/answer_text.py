"""The answer in plain text: summary sentence first, then the tables behind it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from returnflow.advice.study import Study
from returnflow.answers.budget import Budget, Contribution, engineering
from returnflow.answers.result import Result
from returnflow.resistive.foil import resistive_limit
from returnflow.words.columns import WIDTH, percent, rows_text
from returnflow.words.comparison import comparison_text, decision_text
from returnflow.words.drives import amperes, driven
from returnflow_geometry.model.board import Loop

MOST_FINDINGS = 3  # on a terminal
VERDICT_WORDS = {"kept": "kept", "exceeded": "EXCEEDED", "undecided": "undecided"}


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
    kept = sorted((b for b in budgets if b.verdict == "kept"), key=lambda b: b.margin_dB)
    sentences = [_too_much(result, b) for b in bad]
    sentences += [
        f"“{b.loop}” is undecided: {engineering(b.noise, 'V')} against {engineering(b.limit, 'V')}, and the bracket "
        "reaches from "
        f"{engineering(b.low, 'V')} to {engineering(b.high, 'V')}."
        for b in unknown
    ]
    if kept:
        names = _listed([f"“{b.loop}” ({_in_hand(b)})" for b in kept])
        every = (
            "Every limit is kept: "
            if not bad and not unknown
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
    return first, (first.noise / budget.noise) ** 2


def power_share(budget: Budget, part: Contribution) -> float | None:
    """Share of a contribution in the noise power, 0 to 1; None out of band or without noise."""
    if not part.in_band or not budget.noise > 0:
        return None
    return (part.noise / budget.noise) ** 2


def margin(budget: Budget) -> str:
    """Margin in dB with its sign; positive is in hand."""
    return "no noise" if math.isinf(budget.margin_dB) else f"{budget.margin_dB:+.1f} dB".replace("-", "−")


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
    text = engineering(value, unit).replace("-", "−")
    if not half_width > 0:
        return text
    text += f" ± {engineering(half_width, unit, 2)}"
    return text if abs(value) <= half_width else f"{text} ({100 * half_width / abs(value):.2g} %)"


def summary_table(study: Study) -> str:
    """
    Everything a reviewer asks first, as text for a terminal.

    Parameters
    ----------
    study : Study
    """
    parts = [study.case.title]
    base, *others = study.variants.values()  # of the others the comparison tells, and the report everything
    head = f"{base.name}: " if others else ""
    parts.append(textwrap.fill(head + summary(base), WIDTH))
    parts += [decision_text(decision) for decision in study.decisions]
    parts += [text for text in (comparison_text(study),) if text]
    parts += [text for text in (_review_text(study), _sweeps_text(study)) if text]
    parts += [_budget_text(base, budget) for budget in (*base.sensitive, *base.cables)]
    parts.append(_own_text(base))
    parts += [text for text in (_traffic_text(base),) if text]
    parts.append(textwrap.fill(accuracy_sentence(base), WIDTH))
    parts += [textwrap.fill(f"Caution: {caution}", WIDTH) for caution in base.cautions]
    parts.append("This is no compliance test and replaces no measurement.")
    return "\n\n".join(parts)


def _review_text(study: Study) -> str:
    """The weightiest findings of the review, and how many more the report has."""
    weighty = [finding for finding in study.findings if finding.level != "low"]
    if not weighty:
        return ""
    lines = [textwrap.fill(f"- {f.sentence}", WIDTH, subsequent_indent="  ") for f in weighty[:MOST_FINDINGS]]
    rest = len(study.findings) - len(lines)
    return "\n".join(["what the drawing gives away", *lines, *([f"  {rest} more in the report"] if rest else [])])


def _sweeps_text(study: Study) -> str:
    lines = [
        textwrap.fill(f"sweep “{swept.sweep.name}”: {swept.sentence(loop)}", WIDTH, subsequent_indent="  ")
        for swept in study.swept
        for loop in swept.loops
    ]
    return "\n".join(lines)


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


def _budget_text(result: Result, budget: Budget) -> str:
    sensitive = result.case.loop(budget.loop).role == "sensitive"
    what = "noise" if sensitive else "voltage"
    head = ["noisy loop", "transfer resistance", "current", "at", "counted", what, "of power"]
    rows = contribution_rows(budget)
    where = "rms in series with the signal" if sensitive else "rms between the two"
    limit = "tolerated" if sensitive else "limit"
    lines = [f"{'sensitive loop' if sensitive else 'cables'} “{budget.loop}”"]
    if rows:
        lines.append(rows_text(head, rows))
    lines.append(
        f"  {engineering(budget.noise, 'V')} {where} ({known_to(budget)}), worst case "
        f"{engineering(budget.worst_case, 'V')}; {limit} {engineering(budget.limit, 'V')}; "
        f"margin {margin(budget)}: {VERDICT_WORDS[budget.verdict]}"
    )
    return "\n".join(lines)


def _own_text(result: Result) -> str:
    solution = result.solution
    rows = []
    for j, loop in enumerate(result.case.loops):
        peak = result.peaks[j]
        rows.append(
            [
                loop.name,
                loop.role,
                bracket(float(solution.mid[j, j]), float(solution.half_width[j, j])),
                engineering(peak.value * amperes(loop), "A/m") + ("" if driven(loop) else " per A"),
                f"({1e3 * peak.x:.1f}, {1e3 * peak.y:.1f})",
                turns(result, j),
            ]
        )
    head = ["loop", "role", "own resistance", "peak sheet current", "at (mm)", "return turns at"]
    return "all loops\n" + rows_text(head, rows, 2)


def turns(result: Result, j: int) -> str:
    """Frequency at which half of a loop's return has left the resistive pattern, or the estimate of where it begins."""
    if result.spectral is not None:
        turning = result.spectral.facts[j].turning
        return "nowhere" if turning is None else engineering(turning, "Hz")
    return f"about {engineering(valid_to(result, j), 'Hz', 2)}"


def _traffic_text(result: Result) -> str:
    texts = []
    for names, table, word in (
        (region_names(result), result.shares, "share across"),
        (section_names(result), result.sections, "net through"),
    ):
        if names:
            rows = [
                [loop.name, *(amount(table[n, j], loop) for n in range(len(names)))]
                for j, loop in enumerate(result.case.loops)
            ]
            texts.append(rows_text(["loop", *(f"{word} {name}" for name in names)], rows))
    return "\n\n".join(texts)


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
    return f"{text} = {engineering(share * amperes(loop), 'A')}".replace("-", "−") if driven(loop) else text


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
        f"“{budget.loop}” has {engineering(budget.noise, 'V')} rms {where}, {times} times the {limit} "
        f"({-budget.margin_dB:.1f} dB too much)"
    )
    first = lead(budget)
    if first is None:
        return text + "."
    part, share = first
    return f"{text}; “{part.loop}” ({engineering(part.current, 'A')}) alone causes {percent(share)} of the noise power."


def _in_hand(budget: Budget) -> str:
    if math.isinf(budget.margin_dB):
        return "no noise"
    return f"{engineering(budget.noise, 'V')} of {engineering(budget.limit, 'V')}, {budget.margin_dB:.1f} dB in hand"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
