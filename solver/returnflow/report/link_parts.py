"""Links, coppers, findings of the review, and sweeps, as parts of the report."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from returnflow.advice.findings import Finding
from returnflow.answers.budget import engineering
from returnflow.answers.result import Result
from returnflow.pictures.lettering import plain
from returnflow.pictures.pictured import areas, pictured
from returnflow.report.html_tables import table_html
from returnflow.words.columns import percent
from returnflow.words.link_rows import LEAST, LinkFacts, link_facts, using

LEVELS = {"high": "at or above what is tolerated", "moderate": "above a tenth of it", "low": "below a tenth of it"}
AT_REST = {"conducts": "conducts", "open": "open", "closed": "taken as closed, as there is no other way"}


def links_html(result: Result) -> str:
    """What every link is made of, and what part of each loop's current flows in it; empty without links."""
    frequencies = (0.0, *(f for f in result.frequencies if f > 0))
    facts = link_facts(result, frequencies)
    if not facts:
        return ""
    board = result.case.board
    rows = []
    for item in facts:
        link = item.link
        ends = " – ".join(f"{name} ({board.terminal(name).copper})" for name in link.between)
        rows.append(
            [
                link.name,
                ends,
                engineering(link.resistance, "Ω"),
                engineering(link.inductance, "H") if link.inductance else "none",
                "none" if link.capacitance is None else engineering(link.capacitance, "F"),
                AT_REST[item.at_rest] if item.solved else "no loop reaches it",
            ]
        )
    head = ["link", "between", "resistance", "inductance", "capacitance", "at 0 Hz"]
    parts = [table_html("Links", head, rows, left=2)]
    loops, solved = using(result, facts), [item for item in facts if item.solved]
    heads = ["0 Hz" if f == 0 else engineering(f, "Hz") for f in frequencies]
    for j in loops:
        name = result.loop_names[j]
        lines = [
            [item.link.name, *(_part(item, k, j) for k in range(len(heads)))]
            for item in solved
            if float(np.abs(item.currents[:, j]).max()) > LEAST
        ]
        parts.append(table_html(f"Part of the current of “{name}” that flows in each link", ["link", *heads], lines))
    idle = [f"“{name}”" for j, name in enumerate(result.loop_names) if j not in loops]
    if idle and solved:
        which = ", ".join(idle)
        parts.append(f'<p class="note">No link carries any of {escape(which)}.</p>')
    if loops:
        parts.append(
            '<p class="note">Magnitudes of the parts; they need not add up to 100 %, as a current may cross to another '
            "copper and back, and above 0 Hz they are not in phase.</p>"
        )
    return "\n".join(parts)


def _part(item: LinkFacts, row: int, loop: int) -> str:
    if item.at_rest == "open" and not np.isfinite(item.impedance[row]):
        return "open"
    return percent(float(abs(item.currents[row, loop])))


def coppers_html(result: Result) -> str:
    """Every copper, and those that no loop reaches; empty where there is one and it is solved."""
    conductors, board = result.conductors, result.case.board
    if len(conductors.names) == 1 and not conductors.left_out:
        return ""
    wide, area = pictured(result), areas(result)
    rows = [
        [
            name,
            board.copper(name).layer,
            f"{plain(1e6 * area[n])} mm²",
            f"{1e6 * conductors.thickness[n]:.3g} µm",
            engineering(float(conductors.sheets[n]), "Ω"),
            "pictures of its own" if n in wide else "an outline on the board picture",
        ]
        for n, name in enumerate(conductors.names)
    ]
    rows += [
        [name, board.copper(name).layer, "", "", "", "no loop reaches it: left out"] for name in conductors.left_out
    ]
    return table_html("Coppers", ["copper", "layer", "area", "foil", "per square", "in this report"], rows, left=2)


def findings_html(findings: Sequence[Finding]) -> str:
    """What the drawing gives away, the worst first; empty without findings."""
    if not findings:
        return ""
    lines = [
        [
            finding.sentence,
            LEVELS[finding.level],
            "" if finding.at is None else f"({1e3 * finding.at[0]:.1f}, {1e3 * finding.at[1]:.1f})",
        ]
        for finding in findings
    ]
    table = table_html(
        "What the drawing gives away, the worst first", ["finding", "weight", "at x, y in mm"], lines, left=2
    )
    return table.replace("<table>", '<table class="findings">')
