"""Options that a solved variant stands for, and what each costs elsewhere."""

from __future__ import annotations

import math

import numpy as np

from returnflow.advice.drawn import loops_at
from returnflow.advice.from_drawing import NOT_REJECTED, mostly_induced
from returnflow.advice.option import ROOM_DB, Option, OptionKind, budget_of
from returnflow.answers.budget import Budget, decibels
from returnflow.answers.result import Result
from returnflow.answers.spectra import lines_of
from returnflow.answers.verdict import WHERE
from returnflow_geometry.model.board import Case, Loop
from returnflow_geometry.model.numbers import changed_by, engineering, millimetres, near, percent
from returnflow_geometry.model.wording import joined, listed, named


def from_variant(kind: OptionKind, name: str, loop: Loop, base: Result, result: Result) -> Option:
    """Option that a solved variant stands for."""
    budget, before = budget_of(result, loop), budget_of(base, loop)
    less = decibels(before.noise, budget.noise) if before.noise > 0 else 0.0
    size = "" if not before.noise > 0 else ", to zero" if math.isinf(less) else f", {changed_by(-less)}"
    reasons = [
        (
            f"Solved as {named(name)}: {_left(budget)} {WHERE[budget.role]}, against "
            f"{engineering(before.noise, 'V')} as drawn{size}; limit {engineering(budget.limit, 'V')}."
        )
    ]
    if kind == "dedicated return":
        reasons += _return_sentences(loop, result)
        reasons += [
            f"{joined([named(name) for name in others])} stays at {pin}: this takes a part whose signal ground is "
            f"another pin, not joined to {pin} inside it."
            for pin, others in staying(loop, result.case).items()
        ]
    # A case's rejection divides all noise; what is induced between two lines no input rejects.
    figured = kind != "differential" or not mostly_induced(loop, before, base)
    if not figured:
        reasons.append(NOT_REJECTED)
    changed, costs = _elsewhere(base, result, loop)
    bonds = lifted(base.case, result.case)
    return Option(
        kind=kind,
        title=name,
        why_not=" ".join(bonds),
        noise=budget.noise if figured else None,
        low=budget.low if figured else None,
        high=budget.high if figured else None,
        limit=budget.limit,
        reasons=tuple(reasons),
        costs=costs,
        variant=name,
        broken=changed["broken"],
        unsure=changed["unsure"],
        mended=changed["mended"],
        worse=changed["worse"],
        tight=_tight(base, result, loop),
        proviso=budget.proviso,
        elsewhere={it.loop: it.sure for it in (*result.sensitive, *result.cables) if it.loop != loop.name},
    )


def _left(budget: Budget) -> str:
    return engineering(budget.noise, "V") if budget.noise > 0 else "no conducted noise"


def staying(loop: Loop, other: Case) -> dict[str, tuple[str, ...]]:
    """Terminals that a signal leaves in another case where other loops stay, and the names of these."""
    mine = other.loop(loop.name)
    left = [pin for pin in (loop.inject, loop.return_) if pin not in (mine.inject, mine.return_)]
    return {pin: names for pin in left if (names := loops_at(other, pin))}


def lifted(base: Case, other: Case) -> tuple[str, ...]:
    """Bonds that must stay and that another case has lifted: a loop's end is on another copper, without a link back."""
    sentences = []
    linked = {end for link in other.board.links if link.capacitance is None for end in link.between}
    was = {loop.name: loop for loop in base.loops}
    ends = [
        (before, after)
        for mine in other.loops
        if mine.name in was
        for before, after in ((was[mine.name].inject, mine.inject), (was[mine.name].return_, mine.return_))
    ]
    for before, after in ends:
        terminal = base.board.terminal(before)
        if terminal.bonded is None:
            continue
        kept = [t for t in other.board.terminals if t.name == before and t.copper == terminal.copper]
        elsewhere = other.board.terminal(after).copper != terminal.copper
        if not kept or (elsewhere and before not in linked):
            sentences.append(f"It lifts {before}, which must stay bonded ({terminal.bonded}): not advised.")
    return tuple(dict.fromkeys(sentences))


def _return_sentences(loop: Loop, result: Result) -> list[str]:
    """Share of the sensitive return in its own copper, and how much of each noisy current strays into it."""
    whole, i = result.whole, result.index(loop.name)
    own = result.case.board.terminal(result.case.loop(loop.name).inject).copper
    links = [
        n
        for n, name in enumerate(whole.links.names)
        for link in result.case.board.links
        if link.name == name and own in {result.case.board.terminal(end).copper for end in link.between}
    ]
    # What leaves by links at the very terminal where the signal's return enters never flows along the copper.
    start = whole.loops[i][0]
    here = [n for n in links if start in whole.links.ends[n]]
    points = "one ground point" if len(links) == 1 else f"{len(links)} ground points"
    beside = abs(float(np.sum(whole.link_current[i, here] * np.where(whole.links.ends[here, 0] == start, 1, -1))))
    sentences = [f"{percent(1 - beside)} of the signal's return flows in {named(own)}, which has {points}."]
    for j, other in enumerate(result.case.loops):
        if other.role == "noisy" and len(links) > 1:
            stray = 0.5 * float(np.sum(np.abs(whole.link_current[j, links]))) * lines_of(other).rms
            sentences.append(f"{engineering(stray, 'A')} of {named(other.name)} strays into it.")
    board = result.case.board
    inside = [
        named(other.name)
        for other in result.case.loops
        if other.role == "noisy" and own in {board.terminal(end).copper for end in (other.inject, other.return_)}
    ]
    if inside:
        sentences.append(f"{joined(inside)} ends in it and flows in it as well.")
    elif len(links) == 1:
        sentences.append("With one ground point no steady noisy current strays into it.")
    return sentences


def _elsewhere(base: Result, result: Result, loop: Loop) -> tuple[dict[str, tuple[str, ...]], tuple[str, ...]]:
    """Limits of other signals and between cables that break, are mended or get worse; what changes, in sentences."""
    before = {item.loop: item for item in (*base.sensitive, *base.cables)}
    changed: dict[str, list[str]] = {"broken": [], "unsure": [], "mended": [], "worse": []}
    costs = []
    for item in (*result.sensitive, *result.cables):
        if item.loop == loop.name:
            continue
        old = before.get(item.loop)
        known = 0.0 if old is None else (item.high - item.noise) + (old.high - old.noise)
        moved = old is None or abs(item.noise - old.noise) > max(known, 0.01 * old.noise)
        if item.verdict == "kept":
            if old is not None and old.verdict != "kept":
                changed["mended"].append(item.loop)
        elif old is None or old.verdict == "kept":
            changed["broken"].append(item.loop)
            if item.verdict != "exceeded":
                changed["unsure"].append(item.loop)
        elif moved and item.noise > old.noise:
            changed["worse"].append(item.loop)
        if moved:
            was = f" (as drawn {engineering(old.noise, 'V')})" if old else ""
            word = {"kept": "within", "exceeded": "over"}.get(item.verdict, "not known to keep")
            costs.append(
                f"{named(item.loop)}: {engineering(item.noise, 'V')}{was}, {word} its limit of "
                f"{engineering(item.limit, 'V')}."
            )
    costs += _crossings(base, result)
    for j, loop in enumerate(result.case.loops):
        if loop.role != "noisy" or loop.name not in base.loop_names:
            continue
        new, old_peak = result.peaks[j], base.peaks[base.index(loop.name)]
        amps = lines_of(loop).rms
        if new.value > 1.2 * old_peak.value:
            costs.append(
                f"{named(loop.name)} crowds to {engineering(new.value * amps, 'A/m')} at {near(new.x, new.y)}, "
                f"{new.value / old_peak.value:.1f} times the value as drawn."
            )
    return {kind: tuple(names) for kind, names in changed.items()}, tuple(costs)


def _tight(base: Result, result: Result, loop: Loop) -> dict[str, float]:
    """Other signals whose limit is kept with room as drawn and just kept here, with the margin that is left, dB."""
    had = {it.loop for it in base.sensitive if it.verdict == "kept" and decibels(it.limit, it.sure) >= ROOM_DB}
    left = {it.loop: decibels(it.limit, it.sure) for it in result.sensitive if it.verdict == "kept"}
    return {name: room for name, room in left.items() if name in had and name != loop.name and room < ROOM_DB}


def _crossings(base: Result, result: Result) -> list[str]:
    """Routes that newly cross a gap, or no longer do."""
    if result.spectral is None or base.spectral is None:
        return []
    sentences = []
    old = dict(zip(base.loop_names, base.spectral.facts, strict=True))
    for name, facts in zip(result.loop_names, result.spectral.facts, strict=True):
        was = old.get(name)
        if was is None or was.gaps == facts.gaps:
            continue
        if facts.gaps and facts.gap_inductance is not None:
            sentences.append(
                f"The route of {named(name)} crosses {listed(facts.gaps, 'and')}, which adds "
                f"{engineering(facts.gap_inductance, 'H')}"
                + ("." if facts.gap_detour is None else f" and a detour of {millimetres(facts.gap_detour)}.")
            )
        elif was.gap_inductance is not None:
            sentences.append(
                f"The route of {named(name)} no longer crosses {listed(was.gaps, 'and')}: "
                f"{engineering(was.gap_inductance, 'H')} less."
            )
    return sentences
