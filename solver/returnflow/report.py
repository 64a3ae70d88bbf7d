"""The report: one HTML file that opens anywhere, prints on A4 and needs no network."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from html import escape

from returnflow.plots import Picture
from returnflow.report_style import STYLE
from returnflow.study import Result, Study
from returnflow.tables import (
    amount,
    bracket,
    known_to,
    margin,
    percent,
    power_share,
    region_names,
    section_names,
    summary,
    valid_to,
)
from returnflow.verdict import Budget, engineering
from returnflow_geometry.board import Loop

VERDICTS = {"kept": "kept", "exceeded": "exceeded", "undecided": "undecided"}
ALWAYS = (
    "This is no compliance test and replaces no measurement.",
    (
        "Protective earth, isolation barriers, mains, battery and medical inputs, and the bonds of cable shields are "
        "matters of safety and of electromagnetic compatibility, for local codes and a qualified person. None of them "
        "is ever to be lifted on the word of a simulation."
    ),
    (
        "All numbers are the resistive limit: the currents spread as at low frequency. Above about Rs / (2 µ0 d), with "
        "Rs the sheet resistance and d the distance between a loop’s terminals, the return gathers under its outgoing "
        "conductor; the table of loops says where that begins for each."
    ),
    (
        "Vias, connectors and wires outside the solved copper are not part of the numbers; each terminal is one "
        "equipotential contact."
    ),
)


def report_html(study: Study, drawn: Mapping[str, Sequence[Picture]]) -> str:
    """
    Report of a study as one HTML page.

    Parameters
    ----------
    study : Study
    drawn : mapping of variant name to pictures
        From :func:`returnflow.plots.pictures`.
    """
    several = len(study.variants) > 1
    sections = [_variant(result, drawn.get(name, ()), several=several) for name, result in study.variants.items()]
    versions = ", ".join(f"{escape(name)} {escape(version)}" for name, version in study.versions.items())
    title = escape(study.case.title)
    lead = "".join(
        f'<p class="lead">{f"<b>{escape(result.name)}</b>: " if several else ""}{escape(summary(result))}</p>'
        for result in study.variants.values()
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="returnflow">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}: return currents</title>
<style>{STYLE}</style>
</head>
<body>
<header>
<p class="kind">Return currents and common-impedance coupling</p>
<h1>{title}</h1>
{lead}
</header>
<main>
{"".join(sections)}
<section>
<h2>What these numbers are, and are not</h2>
{_list(ALWAYS)}
</section>
</main>
<footer><p>Calculated with {versions}.</p></footer>
</body>
</html>
"""


def _variant(result: Result, pictures: Sequence[Picture], *, several: bool) -> str:
    parts = [f"<h2>{escape(result.name[:1].upper() + result.name[1:])}</h2>"] if several else []
    parts += [_figure(picture) for picture in pictures if picture.kind == "board"]
    parts += [_sensitive(result, budget, pictures) for budget in result.sensitive]
    if result.cables:
        parts.append(
            _section(
                "Cables whose shields must sit at one potential",
                *(_cables(result, budget, pictures) for budget in result.cables),
            )
        )
    parts.append(
        _section(
            "Where each current flows",
            _loops(result),
            *(_figure(picture) for picture in pictures if picture.kind == "flow"),
        )
    )
    traffic = _traffic(result)
    if traffic:
        parts.append(_section("Who crosses what", traffic))
    parts.append(_section("Resistance matrix", _matrix(result)))
    parts.append(_section("How accurate this is", _accuracy(result)))
    if result.cautions:
        parts.append(_section("Frequencies to mind", _list(result.cautions)))
    if result.case.assumptions:
        parts.append(_section("Assumptions", _list(result.case.assumptions)))
    return "\n".join(parts)


def _sensitive(result: Result, budget: Budget, pictures: Sequence[Picture]) -> str:
    placement = result.placements[budget.loop]
    loop = result.case.loop(budget.loop)
    facts = [
        (
            "In series with the signal",
            f"{engineering(budget.noise, 'V')} rms",
            known_to(budget),
        ),
        (
            "Tolerated",
            engineering(budget.limit, "V"),
            "" if loop.signal is None else f"of {engineering(loop.signal, 'V')} full scale",
        ),
        ("Margin", margin(budget), "positive is in hand"),
        ("Worst case", engineering(budget.worst_case, "V"), "sum of all magnitudes"),
        ("Robust distance", f"{1e3 * placement.radius:.2g} mm", f"round {loop.return_}, tolerated everywhere within"),
    ]
    own = [p for p in pictures if p.kind in ("placement", "coupling") and p.loops[-1] == budget.loop]
    return _section(
        f"What gets into “{budget.loop}”",
        _verdict(budget),
        f"<p>{escape(budget.recommendation)}</p>" if budget.recommendation else "",
        _facts(facts),
        _contributions(budget, "noise"),
        *(_figure(picture) for picture in own),
    )


def _cables(result: Result, budget: Budget, pictures: Sequence[Picture]) -> str:
    loop = result.case.loop(budget.loop)
    facts = [
        (
            "Between the two",
            f"{engineering(budget.noise, 'V')} rms",
            known_to(budget),
        ),
        ("Limit", engineering(budget.limit, "V"), ""),
        ("Margin", margin(budget), "positive is in hand"),
        ("Worst case", engineering(budget.worst_case, "V"), "sum of all magnitudes"),
    ]
    own = [p for p in pictures if p.kind == "coupling" and p.loops[-1] == budget.loop]
    return "\n".join(
        [
            f"<h3>{escape(budget.loop)}: {escape(loop.inject)} and {escape(loop.return_)}</h3>",
            _verdict(budget),
            _facts(facts),
            _contributions(budget, "voltage"),
            *(_figure(picture) for picture in own),
        ]
    )


def _verdict(budget: Budget) -> str:
    return f'<p class="verdict {budget.verdict}">Limit {VERDICTS[budget.verdict]}</p>'


def _contributions(budget: Budget, what: str) -> str:
    if not budget.contributions:
        return "<p>No noisy loop is given.</p>"
    rows = []
    for part in budget.contributions:
        share = power_share(budget, part)
        rows.append(
            [
                part.loop,
                bracket(part.transfer, part.half_width),
                engineering(part.current, "A"),
                "any" if part.frequency is None else engineering(part.frequency, "Hz"),
                "in band" if part.in_band else "out of band, not counted",
                engineering(part.noise, "V"),
                "" if share is None else percent(share),
            ]
        )
    foot = [
        ["rms sum", *[""] * 4, engineering(budget.noise, "V"), "100 %" if budget.noise > 0 else ""],
        ["worst case, sum of magnitudes", *[""] * 4, engineering(budget.worst_case, "V"), ""],
        ["tolerated" if what == "noise" else "limit", *[""] * 4, engineering(budget.limit, "V"), ""],
        ["margin", *[""] * 4, margin(budget), ""],
    ]
    head = ["noisy loop", "transfer resistance", "current rms", "frequency", "counted", f"{what} rms", "of the power"]
    return _table(f"What each noisy loop contributes to “{budget.loop}”", head, rows, foot)


def _loops(result: Result) -> str:
    board = result.case.board
    thickness = board.layer(board.copper(result.copper).layer).thickness
    rows = []
    for j, loop in enumerate(result.case.loops):
        peak, current = result.peaks[j], loop.current or 1.0
        K = peak.value * current
        rows.append(
            [
                loop.name,
                loop.role,
                f"{loop.inject} → {loop.return_}",
                _drive(loop),
                engineering(K, "A/m"),
                engineering(K / thickness * 1e-6, "A/mm²"),
                f"({1e3 * peak.x:.1f}, {1e3 * peak.y:.1f})",
                engineering(valid_to(result, j), "Hz"),
            ]
        )
    head = [
        "loop",
        "role",
        "inject → return",
        "drawn for",
        "peak sheet current",
        "peak in the foil",
        "at x, y in mm",
        "spreads as drawn up to about",
    ]
    note = f"Peaks are averages over a disc of 0.1 mm; the foil is {1e6 * thickness:.3g} µm thick."
    return (
        _table("Loops, their strongest sheet current, and how far the resistive picture holds", head, rows, left=4)
        + f"<p class='note'>{escape(note)}</p>"
    )


def _traffic(result: Result) -> str:
    tables = []
    loops = result.case.loops
    regions, sections = region_names(result), section_names(result)
    if regions:
        rows = [
            [loop.name, *(amount(float(result.shares[n, j]), loop.current) for n in range(len(regions)))]
            for j, loop in enumerate(loops)
        ]
        tables.append(_table("Share of each loop's current across each region", ["loop", *regions], rows))
        note = (
            "100 % where a loop is injected or returns inside the region. A streamline that enters twice counts twice."
        )
        tables.append(f'<p class="note">{note}</p>')
    if sections:
        rows = [
            [loop.name, *(amount(float(result.sections[n, j]), loop.current) for n in range(len(sections)))]
            for j, loop in enumerate(loops)
        ]
        tables.append(_table("Net current of each loop through each section", ["loop", *sections], rows))
        note = "Positive from the left to the right of the section’s path, the way its arrow points."
        tables.append(f'<p class="note">{note}</p>')
    return "\n".join(tables)


def _matrix(result: Result) -> str:
    solution = result.solution
    names = result.loop_names
    rows = [
        [name, *(bracket(float(solution.mid[i, j]), float(solution.half_width[i, j])) for j in range(len(names)))]
        for i, name in enumerate(names)
    ]
    note = (
        "On the diagonal the resistance of each loop’s own way back, elsewhere the transfer resistance: volts in the "
        "loop of the row per ampere in the loop of the column, negative where it opposes."
    )
    caption = "Middle of the bracket, and its guaranteed half-width"
    return _table(caption, ["", *names], rows, stacked=True) + f'<p class="note">{note}</p>'


def _accuracy(result: Result) -> str:
    solution = result.solution
    worst = float(solution.accuracy_reached().max())
    text = (
        "Everything is calculated twice on the same mesh, once from the potential and once from the stream function. "
        "For the power a set of currents dissipates the first can only be too low, the second only too high: not an "
        "estimate of the error but a bound on it, valid on the meshed outline. A loop’s own resistance lies between "
        "the two; a transfer resistance lies within the half-width that follows from them. Here every half-width is "
        f"within {100 * worst:.2g} % ({100 * result.case.accuracy:.3g} % asked) of the value, or of 1 % of the "
        "geometric mean of the two loops’ own resistances where that is larger. Circles are polygons of equal area. "
        "The bound covers the mathematics; foil thickness, temperature and the drawing are taken as given."
    )
    passes = [
        [str(number), f"{count}", percent(relative * result.case.accuracy)]
        for number, (count, relative) in enumerate(solution.passes, 1)
    ]
    seconds = ", ".join(f"{escape(part)} {value:.2f} s" for part, value in result.seconds.items())
    table = _table("Refinement of the mesh", ["pass", "triangles", "worst half-width"], passes) if passes else ""
    return f"<p>{escape(text)}</p>{table}<p class='note'>{solution.space.size} unknowns per side. Time: {seconds}.</p>"


def _drive(loop: Loop) -> str:
    if not loop.current:
        return "1 A"
    at = "" if loop.frequency is None else f", {engineering(loop.frequency, 'Hz')}"
    return f"{engineering(loop.current, 'A')} rms{at}"


def _section(title: str, *parts: str) -> str:
    return "\n".join(["<section>", f"<h2>{escape(title)}</h2>", *(part for part in parts if part), "</section>"])


def _facts(facts: Sequence[tuple[str, str, str]]) -> str:
    cells = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}{f'<small>{escape(note)}</small>' if note else ''}</dd></div>"
        for name, value, note in facts
    )
    return f'<dl class="facts">{cells}</dl>'


def _table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    foot: Sequence[Sequence[str]] = (),
    left: int = 1,
    *,
    stacked: bool = False,
) -> str:
    """Table with scoped headings; the first `left` columns flush left. Scrolls where the window is too narrow."""

    def cell(k: int, text: str) -> str:
        kind = ' class="text"' if 0 < k < left else ""
        shown = escape(text).replace(" ± ", "<br><small>± ") + "</small>" if stacked and " ± " in text else escape(text)
        return f'<th scope="row">{shown}</th>' if k == 0 else f"<td{kind}>{shown}</td>"

    def line(row: Sequence[str]) -> str:
        return f"<tr>{''.join(cell(k, text) for k, text in enumerate(row))}</tr>"

    headings = "".join(
        f'<th scope="col"{" class=" + chr(34) + "text" + chr(34) if k < left else ""}>{escape(text)}</th>'
        for k, text in enumerate(head)
    )
    body = "".join(line(row) for row in rows)
    end = f"<tfoot>{''.join(line(row) for row in foot)}</tfoot>" if foot else ""
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{escape(caption)}"><table>'
        f"<caption>{escape(caption)}</caption>"
        f"<thead><tr>{headings}</tr></thead><tbody>{body}</tbody>{end}</table></div>"
    )


def _figure(picture: Picture) -> str:
    data = base64.b64encode(picture.png).decode()
    width, height = (int.from_bytes(picture.png[at : at + 4], "big") for at in (16, 20))  # from the PNG's header
    scale = 1 if width <= 1300 else math.ceil(width / 1300)
    return (
        f'<figure><img src="data:image/png;base64,{data}" width="{width // scale}" height="{height // scale}" '
        f'alt="{escape(picture.alt)}">'
        f"<figcaption>{escape(picture.caption)}</figcaption></figure>"
    )


def _list(items: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"
