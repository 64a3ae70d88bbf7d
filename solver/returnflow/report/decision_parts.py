"""Top of the report: the decision for every sensitive loop, and all variants in one table."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import groupby

from returnflow.advice.decision import Decision
from returnflow.advice.option import Option
from returnflow.advice.study import AS_DRAWN, Study
from returnflow.answers.compare import Row
from returnflow.words.comparison import (
    KIND_WORDS,
    Cell,
    cell,
    changes_of,
    costs_text,
    keeps_text,
    moving,
    noise_text,
    origin_text,
    possible_text,
    row_limit,
    row_name,
)


def decisions_html(study: Study) -> str:
    """One section for every sensitive loop; empty without any."""
    return "\n".join(_decision(study, decision) for decision in study.decisions)


def _decision(study: Study, decision: Decision) -> str:
    state = "kept" if decision.tolerable else "exceeded"
    budget = next(item for item in study[AS_DRAWN].sensitive if item.loop == decision.loop)
    reasons = "".join(_reasons(option, chosen=option is decision.chosen) for option in decision.options)
    rests = "".join(f"<li>{escape(sentence)}</li>" for sentence in decision.rests_on)
    words = {"kept": "Tolerable as drawn", "exceeded": "Not tolerable as drawn", "undecided": "Not decided"}
    return f"""<section class="decision">
<h2>Decision: “{escape(decision.loop)}”</h2>
<p class="verdict {state if budget.verdict != "undecided" else "undecided"}">{words[budget.verdict]}</p>
<p>{escape(decision.finding)}</p>
<div class="advice"><h3>Recommended</h3><p>{escape(decision.recommendation)}</p></div>
{_options(study, decision)}
<h3>Reasons</h3>
{reasons}
<details><summary>What the recommendation rests on</summary><ul>{rests}</ul></details>
</section>"""


def _options(study: Study, decision: Decision) -> str:
    if not decision.options:
        return ""
    rows = []
    for option in decision.options:
        chosen = option is decision.chosen
        mark = "<strong>recommended</strong> · " if chosen else ""
        cells = (possible_text(option), noise_text(option), keeps_text(option), costs_text(option))
        rows.append(
            f'<tr{" class=" + chr(34) + "chosen" + chr(34) if chosen else ""}><th scope="row">{escape(option.title)}'
            f"<small>{mark}{escape(origin_text(option, study))}</small></th>"
            + "".join(f'<td class="text">{escape(text)}</td>' for text in cells)
            + "</tr>"
        )
    head = ("option, in the order of effort", "possible", "noise left (margin)", "keeps the limit", "elsewhere")
    headings = "".join(f'<th scope="col" class="text">{text}</th>' for text in head)
    return _table(f"What can be done for “{decision.loop}”", f"<tr>{headings}</tr>", "".join(rows), "options")


def _reasons(option: Option, *, chosen: bool) -> str:
    sentences = "".join(f"<li>{escape(text)}</li>" for text in (*option.reasons, *option.costs))
    mark = " (recommended)" if chosen else ""
    return f"<details><summary>{escape(option.title)}{mark}</summary><ul>{sentences}</ul></details>"


def comparison_html(study: Study) -> str:
    """All variants in one table, those that failed and why, and what each changes; empty for a single variant."""
    failed = "".join(
        f"<p class='failed'>Variant “{escape(name)}” could not be solved: {escape(reason)}</p>"
        for name, reason in study.failed.items()
    )
    names = study.comparison.variants
    if len(names) == 1:
        return f"<section><h2>Variants</h2>{failed}</section>" if failed else ""
    changes = "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(changes_of(study, name))}</dd></div>" for name in names)
    first, rest = moving(study.comparison.rows)
    table = _comparison(study, first, f"All variants against “{names[0]}”")
    folded = ""
    if rest:
        what = f"{len(rest)} more quantities, which no variant changes or which are nothing in all of them"
        if len(rest) == 1:
            what = "One more quantity, which no variant changes"
        caption = "Quantities without a change, or that are nothing"
        folded = f"<details><summary>{what}</summary>{_comparison(study, rest, caption)}</details>"
    note = (
        f"Below every value its change against “{names[0]}”, in dB and per cent. “No change” means that the difference "
        "is smaller than what both values are known to, which stands in brackets: brackets of the resistances, what a "
        "magnetic mesh of twice the edges changes, 3 % of a strongest sheet current. Margins are positive where a "
        "limit is kept. A dash: the variant has no such thing."
    )
    return (
        f'<section><h2>Variants compared</h2>{failed}<dl class="changes">{changes}</dl>{table}{folded}'
        f'<p class="note">{escape(note)}</p></section>'
    )


def _comparison(study: Study, rows: Sequence[Row], caption: str) -> str:
    names = study.comparison.variants
    head = '<th scope="col">quantity</th>' + "".join(f'<th scope="col">{escape(name)}</th>' for name in names)
    body = []
    for kind, group in groupby(rows, key=lambda row: row.kind):
        lines = [f'<tr class="group"><th scope="colgroup" colspan="{len(names) + 1}">{KIND_WORDS[kind]}</th></tr>']
        for row in group:
            limit = row_limit(study, row)
            small = f"<small>{escape(limit)}</small>" if limit else ""
            cells = "".join(_cell(cell(study, row, n)) for n in range(len(names)))
            lines.append(f'<tr><th scope="row">{escape(row_name(row))}{small}</th>{cells}</tr>')
        body.append("".join(lines))
    return _table(caption, f"<tr>{head}</tr>", "".join(body), "comparison")


def _cell(it: Cell) -> str:
    if it.absent:
        return f'<td class="none">{escape(it.value)}</td>'
    margin = f'<small class="{it.verdict}">{escape(it.margin)}</small>' if it.margin else ""
    change = f'<small class="{"moved" if it.moved else "same"}">{escape(it.change)}</small>' if it.change else ""
    return f"<td><strong>{escape(it.value)}</strong>{margin}{change}</td>".replace(" %", "\u00a0%").replace(
        " dB", "\u00a0dB"
    )


def _table(caption: str, head: str, body: str, kind: str) -> str:
    return (
        f'<div class="scroll {kind}-box" role="region" tabindex="0" aria-label="{escape(caption)}">'
        f'<table class="{kind}">'
        f"<caption>{escape(caption)}</caption><thead>{head}</thead><tbody>{body}</tbody></table></div>"
    )
