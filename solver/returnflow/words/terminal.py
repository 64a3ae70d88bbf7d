"""The answer on a terminal: summary sentence first, then the tables behind it, as the report has them."""

from __future__ import annotations

import textwrap

from returnflow.advice.decision import Decision
from returnflow.advice.recommendation import in_sentence, keeps
from returnflow.advice.study import AS_DRAWN, Study
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result
from returnflow.answers.verdict import margin_words
from returnflow.words.answer_text import NO_TEST, accuracy_sentence, summary_lines
from returnflow.words.columns import WIDTH
from returnflow.words.comparison import comparison_text
from returnflow.words.device_table import devices_table
from returnflow.words.enclosure_table import enclosure_tables
from returnflow.words.radiation_table import radiation_table
from returnflow.words.result_tables import contributions_table, loops_table, traffic_tables
from returnflow.words.study_tables import all_limits, options_table
from returnflow.words.supply_tables import supply_tables
from returnflow.words.table import Table
from returnflow_geometry.model.wording import joined, listed, named

MOST_FINDINGS = 3
LOOP_COLUMNS = (
    "loop",
    "role",
    "own resistance",
    "peak sheet current",
    "at",
    "crossover frequency",
    "resistive up to about",
)
OPTION_COLUMNS = ("option", "possible", "noise left (margin)", "within limit")


def summary_table(study: Study) -> str:
    """
    Everything a reviewer asks first, as text for a terminal.

    Parameters
    ----------
    study : Study
    """
    parts = [study.case.title]
    base, *others = study.variants.values()  # of the others the comparison tells, and the report everything
    head = f"{base.name}: " if others or base.name != AS_DRAWN else ""
    first, *more = summary_lines(base)
    parts.append("\n".join(textwrap.fill(line, WIDTH) for line in (head + first, *more)))
    parts += [_decision_text(study, decision) for decision in study.decisions]
    parts += [textwrap.fill(f"For all limits: {said}", WIDTH) for said in all_limits(study.decisions)]
    parts += [textwrap.fill(study.reservation, WIDTH)] if study.reservation else []
    parts += [text for text in (comparison_text(study),) if text]
    parts += [text for text in (_review_text(study), _sweeps_text(study)) if text]
    parts += [_budget_text(base, budget) for budget in (*base.sensitive, *base.cables)]
    parts += [_table_text(table) for table in (*supply_tables(base), *enclosure_tables(base))]
    parts.append(f"{loops_table(base).title}\n" + loops_table(base).text(*LOOP_COLUMNS))
    devices = devices_table(base)
    parts += [f"{table.title}\n{table.text()}" for table in (*([devices] if devices else []), *traffic_tables(base))]
    parts.append(textwrap.fill(accuracy_sentence(base), WIDTH))
    parts += [textwrap.fill(f"Caution: {caution}", WIDTH) for caution in base.cautions]
    parts.append(NO_TEST)
    return "\n\n".join(parts)


def _review_text(study: Study) -> str:
    """The weightiest findings of the review, and how many more the report has."""
    weighty = [finding for finding in study.findings if finding.level != "low"]
    if not weighty:
        return ""
    lines = [textwrap.fill(f"- {f.sentence}", WIDTH, subsequent_indent="  ") for f in weighty[:MOST_FINDINGS]]
    rest = len(study.findings) - len(lines)
    return "\n".join(["layout findings, the worst first", *lines, *([f"  {rest} more in the report"] if rest else [])])


def _sweeps_text(study: Study) -> str:
    lines = [
        textwrap.fill(f"sweep {named(swept.sweep.name)}: {swept.sentence(loop)}", WIDTH, subsequent_indent="  ")
        for swept in study.swept
        for loop in swept.loops
    ]
    return "\n".join(lines)


def _decision_text(study: Study, decision: Decision) -> str:
    """Recommendation and options of one sensitive loop, whose finding is in the summary; a star at the chosen one."""
    table = options_table(study, decision)
    notes = [f"{option.title}: {option.why_not}" for option in decision.options if option.why_not]
    unknown = [option for option in decision.options if option.possible and option.noise is None and not option.waits]
    notes += [f"{option.title}, not computed: {option.reasons[-1]}" for option in unknown if option.reasons]
    harm = dict.fromkeys(option.over for option in decision.options if option.over)
    for names in harm:
        titles = joined([in_sentence(option.title) for option in decision.options if option.over == names], "or")
        over = "is over its limit" if len(names) == 1 else "are over their limits"
        notes.append(f"With {titles}, {listed(names, 'and')} {over}.")
    notes += [
        f"With {in_sentence(option.title)} it is open whether {listed(option.unsure, 'and')} {keeps(option.unsure)}."
        for option in decision.options
        if option.unsure
    ]
    tight = [(option, name, room) for option in decision.options for name, room in option.tight.items()]
    notes += [f"With {in_sentence(it.title)}, {named(name)} has {margin_words(room)}." for it, name, room in tight]
    return "\n".join(
        [
            textwrap.fill(f"Recommended for {named(decision.loop)}: {decision.recommendation}", WIDTH),
            table.title,
            table.text(*OPTION_COLUMNS),
            *(textwrap.fill(note, WIDTH, initial_indent="  ", subsequent_indent="    ") for note in notes),
        ]
    )


def _budget_text(result: Result, budget: Budget) -> str:
    tables = (contributions_table(result, budget), radiation_table(result, budget))
    return "\n\n".join(_table_text(table) for table in tables if table is not None)


def _table_text(table: Table) -> str:
    notes = [textwrap.fill(note, WIDTH, initial_indent="  ", subsequent_indent="  ") for note in table.notes]
    return "\n".join([table.title, table.text(), *notes])
