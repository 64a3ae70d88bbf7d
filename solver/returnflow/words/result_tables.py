"""What one variant came to, as tables: loops, noise, matrices, shares, links, and what frequency does."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from returnflow.answers.budget import ALIKE, Budget
from returnflow.answers.result import Result
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.two_meshes import MARGIN
from returnflow.words.answer_text import (
    accuracy_sentence,
    amount,
    bracket,
    contribution_rows,
    known_to,
    margin,
    region_names,
    section_names,
    turns,
)
from returnflow.words.comparison import NOISE, VERDICTS
from returnflow.words.drives import amperes, drive, driven
from returnflow.words.link_rows import LEAST, LinkFacts, link_facts, using
from returnflow.words.table import Cell, Table, largest
from returnflow_geometry.model.numbers import engineering, millimetres, near, percent, square_millimetres, within
from returnflow_geometry.model.wording import joined, named

MOST_ROWS = 12  # noisy loops, or links, that a table lists; of the others it says how little they carry
AT_REST = {"conducts": "conducts", "open": "open", "closed": "taken as closed: the only path"}


def contributions_table(result: Result, budget: Budget) -> Table:
    """What each noisy loop contributes to one loop, with the sums and the margin below."""
    kept, rest = largest([part.noise or abs(part.transfer) for part in budget.contributions], MOST_ROWS)
    rows = contribution_rows(budget)
    heard = [part for part in budget.contributions if part.in_band and part.noise > 0]
    alike = len(heard) > 1 and not budget.adding and budget.worst_case <= ALIKE * budget.noise
    worst = "; the worst case is the same, as no two of these currents have lines of one frequency that count"
    known = f"The rms sum is {known_to(budget)}{worst if alike else ''}."
    notes = [known] if budget.contributions else ["No noisy loop is given."]
    if budget.proviso:
        notes.append(budget.proviso)
    if budget.radiated:
        at = engineering(budget.radiated[0].frequency, "Hz")
        notes.append(f"Judged at {at}, where it is nearest to its limit: a receiver hears one frequency at a time.")
    if any(part.part < 0 for part in heard):
        notes.append("Shares below 0 and above 100 %: currents that belong together cancel each other in part.")
    if len(rows) > len(kept):
        notes.append(f"{len(rows) - len(kept)} more noisy loops make less than {engineering(rest, 'V')} each.")
    if budget.loop in result.placements:
        notes.append(result.placements[budget.loop].reach)
    head = ["noisy loop", "transfer resistance", "current", "strongest line", "in band", "rms", "share of power"]
    if result.spectral is not None:
        # What makes the voltage beside it: at 0 Hz it is another one.
        i = result.index(budget.loop)
        head.insert(4, "impedance there")
        for row, part in zip(rows, budget.contributions, strict=True):
            there = abs(result.impedance(part.frequency or 0.0)[i, result.index(part.loop)])
            row.insert(4, engineering(float(there), "Ω"))
    empty = [""] * (len(head) - 3)
    doubtful = budget.sure > budget.noise
    in_phase, at_most = (budget.worst_high, ", at most") if doubtful else (budget.worst_case, "")
    foot: list[list[str | Cell]] = [
        ["rms sum", *empty, engineering(budget.noise, "V"), "100 %" if budget.noise > 0 else ""],
        [f"worst case, all in phase{at_most}", *empty, engineering(in_phase, "V"), ""],
        ["limit", *empty, engineering(budget.limit, "V"), ""],
        [f"margin, {VERDICTS[budget.verdict]}", *empty, Cell(margin(budget), mark=budget.verdict), ""],
    ]
    if doubtful:
        foot.insert(1, ["at most", *empty, engineering(budget.sure, "V"), ""])
    return Table(
        title=f"{NOISE[budget.role]} {named(budget.loop)}, by source",
        head=tuple(head),
        rows=[rows[n] for n in kept],
        foot=foot,
        notes=tuple(notes),
    )


def loops_table(result: Result) -> Table:
    """All loops with their own resistance, their strongest sheet current and their crossover."""
    rows: list[list[str | Cell]] = []
    several, solved = len(result.conductors.names) > 1, result.spectral is not None
    until = "crossover frequency" if solved else "resistive up to about"
    for j, loop in enumerate(result.case.loops):
        peak = result.peaks[j]
        thickness = float(result.conductors.thickness[peak.copper])
        K, per = peak.value * amperes(loop), "" if driven(loop) else " per A"
        foil = engineering(thickness, "m")
        where = (foil, named(result.conductors.names[peak.copper])) if several else (foil,)
        rows.append(
            [
                loop.name,
                Cell(loop.role, (f"{loop.inject} → {loop.return_}",)),
                drive(loop),
                bracket(float(result.solution.mid[j, j]), float(result.solution.half_width[j, j])),
                engineering(K, "A/m") + per,
                Cell(engineering(K / thickness * 1e-6, "A/mm²"), where),
                near(peak.x, peak.y),
                turns(result, j),
            ]
        )
    return Table(
        title=f"Loops: resistance, peak sheet current and {'crossover frequency' if solved else 'where it ends'}",
        head=(
            "loop", "role", "current shown", "own resistance", "peak sheet current", "current density", "at", until,
        ),
        rows=rows,
        left=3,
        notes=(
            "Peaks are averages over a disc of 0.1 mm at the resistive limit. Below the current density: the thickness "
            "of the copper that carries it. "
            + (
                "At the crossover frequency half of the return has left the resistive pattern."
                if solved
                else "Up to the last column, an estimate, the return keeps near the resistive pattern; at up to sixty "
                "times that frequency half of it has left, which solving above 0 Hz tells."
            ),
        ),
    )  # fmt: skip


def frequency_tables(result: Result) -> list[Table]:
    """What frequency does to each loop; none where the case asks for the resistive limit only."""
    if result.spectral is None:
        return []
    names, spectral = result.loop_names, result.spectral
    rows: list[list[str | Cell]] = []
    for name, facts in zip(names, spectral.facts, strict=True):
        rows.append(
            [
                name,
                "none" if facts.turning is None else engineering(facts.turning, "Hz"),
                "" if facts.ribbon is None else engineering(facts.ribbon, "Hz"),
                engineering(facts.low_inductance, "H"),
                engineering(facts.high_inductance, "H"),
                *(millimetres(length) for length in (facts.low_length, facts.high_length)),
                Cell(
                    ", ".join(facts.gaps),
                    ()
                    if facts.gap_inductance is None
                    else (
                        engineering(facts.gap_inductance, "H"),
                        *(() if facts.gap_detour is None else (millimetres(facts.gap_detour),)),
                    ),
                ),
            ]
        )
    head = (
        "loop", "crossover frequency", "under its trace above", "inductance, low", "inductance, high",
        "mean return path, low", "mean return path, high", "gaps crossed",
    )  # fmt: skip
    note = (
        "Low: at the resistive limit; high: at high frequency. At the crossover frequency half of the return has left "
        "the resistive pattern; above the next one it flows under its trace, within 10 % of its final width. Below the "
        "gaps: the inductance and the detour they add at high frequency."
    )
    tables = [Table(title="Each loop over frequency", head=head, rows=rows, notes=(note,))]
    asked = [(n, f) for n, f in enumerate(result.frequencies) if f > 0]
    if not asked:
        return tables
    heads = tuple(engineering(f, "Hz") for _, f in asked)
    under = [
        [loop.name, *(percent(float(abs(spectral.near[n, j]))) for n, _ in asked)]
        for j, loop in enumerate(result.case.loops)
        if loop.route is not None
    ]
    if under:
        title = "Share of the return within three trace heights of the outgoing conductor"
        tables.append(Table(title=title, head=("loop", *heads), rows=under))
    every = tuple(engineering(f, "Hz") for f in result.frequencies)
    for r, region in enumerate(region_names(result)):
        lines = [
            [name, *(percent(float(spectral.shares[n, r, j])) for n in range(len(every)))]
            for j, name in enumerate(names)
        ]
        title = f"Share of each loop's current through {named(region)}"
        tables.append(Table(title=title, head=("loop", *every), rows=lines))
    for _, f in asked:
        Z = result.impedance(f)
        lines = [[name, *(_polar(complex(Z[i, j])) for j in range(len(names)))] for i, name in enumerate(names)]
        tables.append(Table(title=f"Impedance matrix at {engineering(f, 'Hz')}", head=("loop", *names), rows=lines))
    return tables


def _polar(value: complex) -> str:
    """Magnitude and angle."""
    return f"{engineering(abs(value), 'Ω')} ∠ {round(math.degrees(cmath.phase(value)))}°".replace("-", "−")


def traffic_tables(result: Result) -> list[Table]:
    """Shares across regions and net currents through sections, of those the case has."""
    tables = []
    where = "" if result.spectral is None else ", at 0 Hz"
    for title, names, table, note in (
        (
            "Share of each loop's current through each region",
            region_names(result),
            result.shares,
            "100 % where the current enters or leaves the copper inside the region. What enters twice counts twice.",
        ),
        (
            "Net current of each loop through each section",
            section_names(result),
            result.sections,
            "Positive from the left to the right of the section's path, as its arrow points.",
        ),
    ):
        rows = [
            [loop.name, *(amount(float(table[n, j]), loop) for n in range(len(names)))]
            for j, loop in enumerate(result.case.loops)
        ]
        if names:
            tables.append(Table(title=title + where, head=("loop", *names), rows=rows, notes=(note,)))
    return tables


def matrix_table(result: Result) -> Table:
    """Resistance matrix with its brackets."""
    solution, names = result.solution, result.loop_names
    rows = [
        [name, *(bracket(float(solution.mid[i, j]), float(solution.half_width[i, j])) for j in range(len(names)))]
        for i, name in enumerate(names)
    ]
    return Table(
        title="Resistance matrix: mid value of the bracket, and its guaranteed half-width",
        head=("loop", *names),
        rows=rows,
        notes=(
            (
                "On the diagonal the resistance of each loop's own return, elsewhere the transfer resistance: volts "
                "in the loop of the row per ampere in the loop of the column, negative where it opposes."
            ),
        ),
    )


def accuracy_words(result: Result) -> str:
    """How the numbers are bounded."""
    text = (
        "Everything is computed twice on the same mesh, once from the potential and once from the stream function. The "
        "first can only underestimate the dissipated power, the second only overestimate it: that bounds the error, on "
        "the meshed outline, and does not just estimate it. A loop's own resistance lies between the two; a transfer "
        "resistance lies within the half-width that follows from them. Circles are polygons of equal area. The bound "
        "covers the mathematics; copper thickness, temperature and the drawing are taken as "
        f"given. {accuracy_sentence(result)}"
    )
    return text if result.spectral is None else text + _magnetic_accuracy(result.spectral.model)


def _magnetic_accuracy(model: Broadband) -> str:
    """Sentences on what the mesh leaves uncertain above 0 Hz."""
    own = np.diag(model.high_inductance)
    part = float(np.max(np.diag(model.inductance_doubt) / np.where(own > 0, own, np.inf), initial=0.0))
    counts = [len(each.system.space.mesh.triangles) for each in model.meshes]
    if len(counts) == 1:
        return (
            f" Above 0 Hz nothing is bounded: for a first look every impedance is solved on one magnetic mesh, of "
            f"{counts[0]} triangles. How much its currents change from triangle to triangle tells what is uncertain, "
            f"beside what the model over frequency lacks. Here that is at most {percent(part)} of a loop's own "
            "inductance at high frequency, and more of weak couplings."
        )
    return (
        f" Above 0 Hz nothing is bounded: every impedance is solved on two magnetic meshes, of {counts[1]} triangles "
        f"and, with edges of half the length, of {counts[0]}. Reported is what both lead to; {percent(MARGIN)} of what "
        "changes between them is taken as uncertain, with what the model over frequency lacks. Here that is at most "
        f"{percent(part)} of a loop's own inductance at high frequency."
    )


def passes_table(result: Result) -> Table:
    """What it took to get that accurate."""
    solution = result.solution
    rows = [
        [str(number), f"{count}", within(relative * result.case.accuracy)]
        for number, (count, relative) in enumerate(solution.passes, 1)
    ]
    seconds = ", ".join(f"{part} {value:.2f} s" for part, value in result.seconds.items())
    note = f"{solution.space.size} unknowns in each of the two solutions. Time: {seconds}."
    return Table(
        title="Refinement of the mesh", head=("mesh", "triangles", "worst half-width"), rows=rows, notes=(note,)
    )


def links_tables(result: Result) -> list[Table]:
    """What every link is made of, and what part of each loop's current flows in it; the largest few of many."""
    frequencies = (0.0, *(f for f in result.frequencies if f > 0))
    facts = link_facts(result, frequencies)
    if not facts:
        return []
    board, names = result.case.board, result.loop_names
    carried = [float(np.abs(item.currents).max()) if item.solved else 0.0 for item in facts]
    # All are listed while they are few: then even one that carries nothing tells something.
    kept, rest = largest(carried, MOST_ROWS)
    rows = []
    for item in (facts[n] for n in kept):
        link = item.link
        rows.append(
            [
                link.name,
                " – ".join(f"{name} ({board.terminal(name).copper})" for name in link.between),
                engineering(link.resistance, "Ω"),
                engineering(link.inductance, "H") if link.inductance else "none",
                "none" if link.capacitance is None else engineering(link.capacitance, "F"),
                AT_REST[item.at_rest] if item.solved else "no loop reaches it",
            ]
        )
    head = ("link", "between", "resistance", "inductance", "capacitance", "at 0 Hz")
    tables = [
        Table(title="Links", head=head, rows=rows, left=2, notes=_others(len(facts) - len(kept), rest, "any current"))
    ]
    loops, solved = using(result, facts), [item for item in facts if item.solved]
    heads = ("link", *("0 Hz" if f == 0 else engineering(f, "Hz") for f in frequencies))
    for j in loops:
        parts = [item for item in solved if float(np.abs(item.currents[:, j]).max()) > LEAST]
        shown, rest = largest([float(np.abs(item.currents[:, j]).max()) for item in parts], MOST_ROWS)
        tables.append(
            Table(
                title=f"Share of the current of {named(names[j])} through each link",
                head=heads,
                rows=[[parts[n].link.name, *(_part(parts[n], k, j) for k in range(len(heads) - 1))] for n in shown],
                notes=_others(len(parts) - len(shown), rest, "it"),
            )
        )
    notes = list(tables[-1].notes)
    idle = [named(name) for j, name in enumerate(names) if j not in loops]
    if idle and solved:
        notes.append(f"No link carries any current of {joined(idle, 'or')}.")
    if loops:
        notes.append(
            "Magnitudes; they need not add up to 100 %, as a current may cross to another copper and back, and above "
            "0 Hz they are not in phase."
        )
    return [*tables[:-1], replace(tables[-1], notes=tuple(notes))]


def _others(count: int, least: float, what: str) -> tuple[str, ...]:
    if not count:
        return ()
    return (f"{count} more {'carry' if count > 1 else 'carries'} at most {percent(least)} of {what}.",)


def _part(item: LinkFacts, row: int, loop: int) -> str:
    if item.at_rest == "open" and not np.isfinite(item.impedance[row]):
        return "open"
    return percent(float(abs(item.currents[row, loop])))


def coppers_table(result: Result, wide: Sequence[int]) -> Table | None:
    """Every copper and whether it has pictures (`wide`), and those that no loop reaches; None for a single one."""
    conductors, board = result.conductors, result.case.board
    if len(conductors.names) == 1 and not conductors.left_out:
        return None
    rows = [
        [
            name,
            board.copper(name).layer,
            square_millimetres(float(conductors.planes[n].copper.area)),
            engineering(float(conductors.thickness[n]), "m"),
            engineering(float(conductors.sheets[n]), "Ω"),
            "own pictures" if n in wide else "outline on the board picture",
        ]
        for n, name in enumerate(conductors.names)
    ]
    what = dict.fromkeys(result.idle, "its eddy currents count")
    rows += [
        [name, board.copper(name).layer, "", "", "", f"no loop reaches it: {what.get(name, 'left out')}"]
        for name in conductors.left_out
    ]
    head = ("copper", "layer", "area", "thickness", "sheet resistance", "in this report")
    return Table(title="Coppers", head=head, rows=rows, left=2)
