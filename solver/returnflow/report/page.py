"""The report: one HTML file that opens anywhere, prints on A4 and needs no network."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from html import escape

from returnflow.advice.study import Study
from returnflow.answers.budget import Budget, engineering
from returnflow.answers.result import Result
from returnflow.pictures.album import Picture
from returnflow.pictures.lettering import plain
from returnflow.report.decision_parts import comparison_html, decisions_html
from returnflow.report.html_tables import (
    accuracy_html,
    contributions_html,
    frequencies_html,
    loops_html,
    matrix_html,
    traffic_html,
)
from returnflow.report.link_parts import coppers_html, findings_html, links_html
from returnflow.report.style import STYLE
from returnflow.words.answer_text import (
    known_to,
    margin,
    summary,
)

VERDICTS = {"kept": "kept", "exceeded": "exceeded", "undecided": "undecided"}
ALWAYS = (
    "This is no compliance test and replaces no measurement.",
    (
        "Protective earth, isolation barriers, mains, battery and medical inputs, and the bonds of cable shields are "
        "matters of safety and of electromagnetic compatibility, for local codes and a qualified person. None of them "
        "is ever to be lifted on the word of a simulation."
    ),
    (
        "Vias, connectors and wires outside the solved copper are not part of the numbers; each terminal is one "
        "equipotential contact."
    ),
)
RESISTIVE = (
    "All numbers are the resistive limit: the currents spread as at low frequency. Above about Rs / (2 µ0 d), with "
    "Rs the sheet resistance and d the distance between a loop’s terminals, the return gathers under its outgoing "
    "conductor; the table of loops says where that begins for each."
)
SPECTRAL = (
    "The noise sums take every line at its own frequency, with the skin effect of the foil and with the outgoing "
    "conductors where the case gives them; a loop without one is taken as closed far away. Maps without a frequency in "
    "their title, shares and net currents show the resistive limit, where the currents spread as at low frequency."
)


def report_html(study: Study, drawn: Mapping[str, Sequence[Picture]], shared: Sequence[Picture] = ()) -> str:
    """
    Report of a study as one HTML page.

    Parameters
    ----------
    study : Study
    drawn : mapping of variant name to pictures
        From :func:`returnflow.plots.pictures`.
    shared : sequence of Picture
        Of all variants side by side, and of sweeps.
    """
    several = len(study.variants) > 1
    spectral = any(result.spectral is not None for result in study.variants.values())
    base = next(iter(study.variants.values()))
    sections = [decisions_html(study), comparison_html(study)]
    beside = [_figure(picture) for picture in shared if picture.kind == "compare"]
    if beside:
        sections.append(_section("Side by side, on one scale", *beside))
    if study.swept:
        sections.append(_section("Sweeps", *(_figure(picture) for picture in shared if picture.kind == "sweep")))
    if study.findings:
        sections.append(_section("Review of the drawing", findings_html(study.findings)))
    sections += [_variant(result, drawn.get(name, ()), several=several) for name, result in study.variants.items()]
    versions = ", ".join(f"{escape(name)} {escape(version)}" for name, version in study.versions.items())
    title = escape(study.case.title)
    lead = f'<p class="lead">{f"<strong>{escape(base.name)}</strong>: " if several else ""}{escape(summary(base))}</p>'
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
<section class="terms">
<h2>What these numbers are, and are not</h2>
{_list([*ALWAYS, SPECTRAL if spectral else RESISTIVE])}
</section>
</main>
<footer><p>Calculated with {versions}.</p></footer>
</body>
</html>
"""


def _variant(result: Result, pictures: Sequence[Picture], *, several: bool) -> str:
    parts = []
    if several:
        parts.append(f'<h2 class="variant">Details: {escape(result.name)}</h2><p>{escape(summary(result))}</p>')
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
            loops_html(result),
            *(_figure(picture) for picture in pictures if picture.kind == "flow"),
        )
    )
    traffic = traffic_html(result)
    if traffic:
        parts.append(_section("Who crosses what, at the resistive limit", traffic))
    layers = [text for text in (coppers_html(result), links_html(result)) if text]
    if layers:
        parts.append(_section("Coppers and links", *layers))
    parts.append(_section("Resistance matrix", matrix_html(result)))
    if result.spectral is not None:
        over = [p for kind in ("strip", "spectrum") for p in pictures if p.kind == kind]
        parts.append(_section("Above the resistive limit", frequencies_html(result), *map(_figure, over)))
    parts.append(_section("How accurate this is", accuracy_html(result)))
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
        (
            "Robust distance",
            f"{plain(1e3 * placement.radius, 2)} mm",
            f"round {loop.return_}, tolerated everywhere within",
        ),
    ]
    own = [p for p in pictures if p.kind in ("placement", "coupling") and p.loops[-1] == budget.loop]
    return _section(
        f"What gets into “{budget.loop}”",
        _verdict(budget),
        f"<p>{escape(budget.recommendation)}</p>" if budget.recommendation else "",
        _facts(facts),
        contributions_html(budget, "noise"),
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
            contributions_html(budget, "voltage"),
            *(_figure(picture) for picture in own),
        ]
    )


def _verdict(budget: Budget) -> str:
    return f'<p class="verdict {budget.verdict}">Limit {VERDICTS[budget.verdict]}</p>'


def _section(title: str, *parts: str) -> str:
    return "\n".join(["<section>", f"<h2>{escape(title)}</h2>", *(part for part in parts if part), "</section>"])


def _facts(facts: Sequence[tuple[str, str, str]]) -> str:
    cells = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}{f'<small>{escape(note)}</small>' if note else ''}</dd></div>"
        for name, value, note in facts
    )
    return f'<dl class="facts">{cells}</dl>'


def _figure(picture: Picture) -> str:
    data = base64.b64encode(picture.png).decode()
    width, height = (int.from_bytes(picture.png[at : at + 4], "big") for at in (16, 20))  # from the PNG's header
    scale = 1 if width <= 1300 else math.ceil(width / 1300)
    return (
        f'<figure class="{picture.kind}"><img src="data:image/png;base64,{data}" '
        f'width="{width // scale}" height="{height // scale}" alt="{escape(picture.alt)}">'
        f"<figcaption>{escape(picture.caption)}</figcaption></figure>"
    )


def _list(items: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"
