"""What a study came to, as tables: options of a decision, all variants against the first, and the layout findings."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from returnflow.advice.decision import Decision
from returnflow.advice.option import Option
from returnflow.advice.study import Study
from returnflow.answers.compare import Row
from returnflow.words.comparison import (
    KIND_WORDS,
    cell,
    changes_of,
    costs_text,
    heading,
    keeps_text,
    moving,
    noise_text,
    origin_text,
    possible_text,
    row_limit,
    row_name,
)
from returnflow.words.table import Cell, Entry, Table, largest
from returnflow_geometry.model.numbers import near, percent
from returnflow_geometry.model.wording import named

SEVERITY = "High: at or above the limit, or 1 mV where there is none; moderate: above a tenth of it; low: below."
MOST_LINKS = 12  # rows of currents in links
MOST_JUDGED = 5  # limits in the table of variants by limit


def all_limits(decisions: Sequence[Decision]) -> list[str]:
    """What is said for all limits together, once."""
    return list(dict.fromkeys(decision.all_limits for decision in decisions if decision.all_limits))


def options_table(study: Study, decision: Decision, most: int | None = None) -> Table:
    """Options for one limit, in order of effort: all, or so many with the chosen one."""
    every = decision.options
    options = [o for n, o in enumerate(every) if most is None or len(every) <= most or n < most or o is decision.chosen]
    chosen = next((n for n, option in enumerate(options) if option is decision.chosen), None)
    rest = len(every) - len(options)
    return Table(
        title=f"Options for {named(decision.loop)}, in order of effort",
        head=("option", "possible", "noise left (margin)", "within limit", "elsewhere"),
        rows=[
            [
                Cell(
                    option.title,
                    _why_not(option) or (("recommended · " if n == chosen else "") + origin_text(option, study),),
                ),
                possible_text(option),
                noise_text(option),
                keeps_text(option),
                costs_text(option),
            ]
            for n, option in enumerate(options)
        ],
        left=5,
        notes=(f"{rest} more are in the details.",) if rest else (),
        marks={} if chosen is None else {chosen: "chosen"},
    )


def _why_not(option: Option) -> tuple[str, ...]:
    return (option.why_not,) if option.why_not else ()


def reasons_table(decision: Decision) -> Table:
    """Why every option does what it does, and what it costs elsewhere."""
    chosen = next((n for n, option in enumerate(decision.options) if option is decision.chosen), None)
    return Table(
        title=f"Options for {named(decision.loop)}: reasons",
        head=("option", "what it does, and its cost elsewhere"),
        rows=[
            [option.title, Cell("", (*_why_not(option), *option.reasons, *option.costs))] for option in decision.options
        ],
        left=2,
        marks={} if chosen is None else {chosen: "chosen"},
    )


def variants_table(study: Study) -> Table | None:
    """All variants by what has a limit: the first few limits; None for a single variant."""
    comparison = study.comparison
    if len(comparison.variants) < 2:
        return None
    every = [*comparison.of("noise"), *comparison.of("cables")]
    judged = every[:MOST_JUDGED]
    rows: list[list[Entry]] = []
    for n, name in enumerate(comparison.variants):
        cells = [cell(study, row, n) for row in judged]
        shown = [Cell(it.value, tuple(text for text in (it.margin, it.change) if text), it.verdict) for it in cells]
        rows.append([Cell(name, (changes_of(study, name),)), *shown])
    chosen: set[str | None] = {d.chosen.variant for d in study.decisions if d.chosen is not None}
    best = study.joint or chosen
    rest = len(every) - len(judged)
    return Table(
        title="Variants against their limits",
        head=("variant", *(f"{heading(row)}, {row_limit(study, row)}" for row in judged)),
        rows=rows,
        notes=(
            "Below each value: its margin, positive within the limit, and its change against "
            f"{named(comparison.variants[0])}." + (f" {rest} more limits are in the details." if rest else ""),
        ),
        marks={n: "chosen" for n, name in enumerate(comparison.variants) if name in best},
    )


def comparison_tables(study: Study) -> list[Table]:
    """All variants, quantity by quantity: what a variant changes, and what none does; none for a single variant."""
    names = study.comparison.variants
    if len(names) < 2:
        return []
    first, rest = moving(study.comparison.rows)
    note = (
        f"Below each value: its change against {named(names[0])}, in dB and per cent. 'No change': the difference is "
        "within the uncertainty of the two values, given in brackets (bounds of the resistances; what a coarser "
        "magnetic mesh changes; 3 % of a peak sheet current). A margin is positive within the limit. A dash: the "
        "variant has no such thing."
    )
    tables = [_comparison(study, first, f"All variants against {named(names[0])}", (note,))]
    if rest:
        tables.append(_comparison(study, rest, "Quantities that no variant changes, or that are negligible", ()))
    return tables


def _comparison(study: Study, rows: Sequence[Row], title: str, notes: tuple[str, ...]) -> Table:
    names = study.comparison.variants
    lines: list[list[Entry]] = []
    for kind, every in groupby(rows, key=lambda row: row.kind):
        group = list(every)
        lines.append([KIND_WORDS[kind]])
        if kind == "link" and len(group) > MOST_LINKS:
            sizes = [max((abs(f.value) for f in row.figures if f is not None), default=0.0) for row in group]
            kept, least = largest(sizes, MOST_LINKS)
            notes = (*notes, f"{len(group) - len(kept)} more shares through links are at most {percent(least)}.")
            group = [group[n] for n in kept]
        for row in group:
            cells = [cell(study, row, n) for n in range(len(names))]
            limit = row_limit(study, row)
            lines.append(
                [
                    Cell(row_name(row), (limit,) if limit else ()),
                    *(
                        Cell(it.value, tuple(t for t in (it.margin, it.change) if t), it.verdict or "none" * it.absent)
                        for it in cells
                    ),
                ]
            )
    return Table(title=title, head=("quantity", *names), rows=lines, notes=notes)


def findings_table(study: Study, most: int | None = None) -> Table | None:
    """Layout findings, the worst first, at most so many; None without findings."""
    shown = study.findings[:most]
    if not shown:
        return None
    rest = len(study.findings) - len(shown)
    return Table(
        title="Layout findings, the worst first",
        head=("finding", "severity", "at"),
        rows=[
            [
                finding.sentence,
                finding.level,
                "" if finding.at is None else near(*finding.at),
            ]
            for finding in shown
        ],
        left=2,
        notes=(SEVERITY, *([f"{rest} more, no more severe, are in the details."] if rest else [])),
    )
