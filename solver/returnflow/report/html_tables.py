"""The tables of the report as HTML."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from html import escape

import numpy as np

from returnflow.answers.budget import Budget, engineering
from returnflow.answers.frequency import high_inductance, inductance_doubt
from returnflow.answers.result import Result
from returnflow.magnetic.broadband import Broadband
from returnflow.words.answer_text import (
    amount,
    bracket,
    contribution_rows,
    margin,
    region_names,
    section_names,
    turns,
)
from returnflow.words.columns import percent
from returnflow.words.drives import amperes, drive


def contributions_html(budget: Budget, what: str) -> str:
    """What each noisy loop contributes, with the sums and the margin below."""
    if not budget.contributions:
        return "<p>No noisy loop is given.</p>"
    rows = contribution_rows(budget)
    foot = [
        ["rms sum", *[""] * 4, engineering(budget.noise, "V"), "100 %" if budget.noise > 0 else ""],
        ["worst case, sum of magnitudes", *[""] * 4, engineering(budget.worst_case, "V"), ""],
        ["tolerated" if what == "noise" else "limit", *[""] * 4, engineering(budget.limit, "V"), ""],
        ["margin", *[""] * 4, margin(budget), ""],
    ]
    head = [
        "noisy loop",
        "transfer resistance",
        "current rms",
        "strongest at",
        "counted",
        f"{what} rms",
        "of the power",
    ]
    return table_html(f"What each noisy loop contributes to “{budget.loop}”", head, rows, foot)


def loops_html(result: Result) -> str:
    """All loops with their strongest sheet current and where their return turns."""
    rows = []
    for j, loop in enumerate(result.case.loops):
        peak = result.peaks[j]
        thickness = result.conductors.thickness[peak.copper]
        K = peak.value * amperes(loop)
        rows.append(
            [
                loop.name,
                loop.role,
                f"{loop.inject} → {loop.return_}",
                drive(loop),
                engineering(K, "A/m"),
                engineering(K / thickness * 1e-6, "A/mm²"),
                f"({1e3 * peak.x:.1f}, {1e3 * peak.y:.1f})",
                turns(result, j),
            ]
        )
    head = ["loop", "role", "inject → return", "drawn for", "peak sheet current", "peak in the foil", "at x, y in mm"]
    note = (
        f"Peaks are averages over a disc of 0.1 mm at the resistive limit; the foil is {1e6 * thickness:.3g} µm thick. "
        + (
            "A return turns where half of it has left the resistive pattern."
            if result.spectral is not None
            else "A return begins to turn at about that frequency, within a factor of two."
        )
    )
    caption = "Loops, their strongest sheet current, and where their return leaves the resistive pattern"
    return table_html(caption, [*head, "return turns at"], rows, left=4) + f'<p class="note">{escape(note)}</p>'


def frequencies_html(result: Result) -> str:
    """What frequency does to each loop: two tables, or nothing where the case asks for the resistive limit only."""
    if result.spectral is None:
        return ""
    rows = []
    for loop, facts in zip(result.case.loops, result.spectral.facts, strict=True):
        cost = "" if facts.gap_inductance is None else engineering(facts.gap_inductance, "H")
        detour = "" if facts.gap_detour is None else f"{1e3 * facts.gap_detour:.3g} mm"
        rows.append(
            [
                loop.name,
                "nowhere" if facts.turning is None else engineering(facts.turning, "Hz"),
                "" if facts.ribbon is None else engineering(facts.ribbon, "Hz"),
                *(engineering(L, "H") for L in (facts.low_inductance, facts.high_inductance)),
                *(f"{1e3 * length:.3g} mm" for length in (facts.low_length, facts.high_length)),
                ", ".join(facts.gaps),
                cost,
                detour,
            ]
        )
    head = ["loop", "half has turned at", "ribbon formed at", "inductance, low", "inductance, high"]
    head += ["mean way back, low", "mean way back, high", "gaps crossed", "inductance they add", "detour they add"]
    parts = [table_html("What frequency does to each loop", head, rows)]
    asked = [(n, f) for n, f in enumerate(result.frequencies) if f > 0]
    near = result.spectral.near
    under = [
        [loop.name, *(percent(float(abs(near[n, j]))) for n, _ in asked)]
        for j, loop in enumerate(result.case.loops)
        if loop.route is not None
    ]
    if asked and under:
        heads = [engineering(f, "Hz") for _, f in asked]
        parts.append(table_html("Return within three heights of the outgoing conductor", ["loop", *heads], under))
    if asked:
        names = result.loop_names
        heads = [engineering(f, "Hz") for f in result.frequencies]
        for r, region in enumerate(region_names(result)):
            shares = result.spectral.shares[:, r]
            lines = [[name, *(percent(float(shares[n, j])) for n in range(len(heads)))] for j, name in enumerate(names)]
            parts.append(table_html(f"Share of each loop’s current across “{region}”", ["loop", *heads], lines))
        for _, f in asked:
            Z = result.impedance(f)
            lines = [[name, *(_polar(complex(Z[i, j])) for j in range(len(names)))] for i, name in enumerate(names)]
            parts.append(table_html(f"Impedance matrix at {engineering(f, 'Hz')}", ["", *names], lines))
    return "\n".join(parts)


def _polar(value: complex) -> str:
    """Magnitude and angle."""
    return f"{engineering(abs(value), 'Ω')} ∠ {round(math.degrees(cmath.phase(value)))}°".replace("-", "−")


def traffic_html(result: Result) -> str:
    """Shares across regions and net currents through sections; empty without either."""
    tables = []
    loops = result.case.loops
    regions, sections = region_names(result), section_names(result)
    if regions:
        rows = [
            [loop.name, *(amount(float(result.shares[n, j]), loop) for n in range(len(regions)))]
            for j, loop in enumerate(loops)
        ]
        tables.append(table_html("Share of each loop's current across each region", ["loop", *regions], rows))
        note = (
            "100 % where a loop is injected or returns inside the region. A streamline that enters twice counts twice."
        )
        tables.append(f'<p class="note">{note}</p>')
    if sections:
        rows = [
            [loop.name, *(amount(float(result.sections[n, j]), loop) for n in range(len(sections)))]
            for j, loop in enumerate(loops)
        ]
        tables.append(table_html("Net current of each loop through each section", ["loop", *sections], rows))
        note = "Positive from the left to the right of the section’s path, the way its arrow points."
        tables.append(f'<p class="note">{note}</p>')
    return "\n".join(tables)


def matrix_html(result: Result) -> str:
    """Resistance matrix with its brackets."""
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
    return table_html(caption, ["", *names], rows, stacked=True) + f'<p class="note">{note}</p>'


def accuracy_html(result: Result) -> str:
    """How the numbers are bounded, and what it took."""
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
    if result.spectral is not None:
        text += _magnetic_accuracy(result.spectral.model)
    passes = [
        [str(number), f"{count}", percent(relative * result.case.accuracy)]
        for number, (count, relative) in enumerate(solution.passes, 1)
    ]
    seconds = ", ".join(f"{escape(part)} {value:.2f} s" for part, value in result.seconds.items())
    table = table_html("Refinement of the mesh", ["pass", "triangles", "worst half-width"], passes) if passes else ""
    return f"<p>{escape(text)}</p>{table}<p class='note'>{solution.space.size} unknowns per side. Time: {seconds}.</p>"


def _magnetic_accuracy(model: Broadband) -> str:
    """Sentences on what the mesh leaves uncertain above 0 Hz."""
    own = np.diag(high_inductance(model))
    part = float(np.max(np.diag(inductance_doubt(model)) / np.where(own > 0, own, np.inf), initial=0.0))
    counts = [len(each.system.space.mesh.triangles) for each in (model, model.compared)]
    return (
        f" Above 0 Hz nothing is bounded: every impedance is solved on two magnetic meshes, of {counts[0]} triangles "
        f"and, with edges twice as long, of {counts[1]}; what changes between them, with a quarter added, is taken as "
        f"what the first leaves uncertain. Here that is at most {percent(part)} of a loop’s own inductance at high "
        "frequency."
    )


def table_html(
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
