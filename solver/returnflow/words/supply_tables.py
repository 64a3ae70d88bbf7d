"""Supplies in words and numbers: noise at the pins, resonances and their causes, what each capacitor is worth."""

from __future__ import annotations

import itertools
import math

from returnflow.answers.result import Result
from returnflow.answers.supplies import ALIKE, MOST_MORE, Resonance, SupplyFacts
from returnflow.words.table import Cell, Table
from returnflow_geometry.model.numbers import dB, engineering, percent
from returnflow_geometry.model.wording import count, joined, listed, named

MOST_SHOWN = 12  # capacitors, or resonances, in a table


def supply_tables(result: Result) -> list[Table]:
    """Tables of every supply: the answer, its resonances, its capacitors."""
    tables = []
    for facts in result.supplies:
        tables += [_answer(result, facts), _resonances(facts), _capacitors(facts)]
    return [table for table in tables if table is not None]


def supply_answers(result: Result) -> list[Table]:
    """The answer of every supply alone."""
    return [_answer(result, facts) for facts in result.supplies]


def supply_sentence(result: Result, facts: SupplyFacts) -> str:
    """Whether a supply is good enough, and what makes it so."""
    asked = result.case.loop(facts.loop).supply
    if asked is None:
        return ""
    if asked.tolerates is not None:
        said = f"{engineering(facts.noise, 'V')} rms at its pins, {engineering(asked.tolerates, 'V')} tolerated"
    else:
        target = asked.target or 0.0
        worst = engineering(facts.ratio * target, "Ω")
        said = f"{worst} at {engineering(facts.worst, 'Hz', 3)}, {engineering(target, 'Ω')} asked"
    verdict = "is good enough" if facts.enough else "is not good enough"
    return f"The supply of {named(facts.loop)} {verdict}: {said}, {_margin(facts)}. {_more(facts)}".rstrip()


def _margin(facts: SupplyFacts) -> str:
    if not facts.ratio > 0:
        return "no line of its current lies within its band"
    return f"{dB(abs(20 * math.log10(facts.ratio)))} {'margin' if facts.enough else 'over it'}"


def _more(facts: SupplyFacts) -> str:
    if facts.enough:
        return ""
    if not facts.capacitors:
        return "It has no [[bank]] of capacitors."
    if not facts.more:
        return "One more capacitor of a kind that is there, beside any of them, does not help."
    places = [place for place, _ in facts.more]
    banks = {item.link: item.bank for item in facts.capacitors}
    kinds = [count(len(list(group)), f"of {named(bank)}", f"of {named(bank)}")
             for bank, group in itertools.groupby(sorted(banks[place] for place in places))]  # fmt: skip
    last = facts.more[-1][1]
    beside = listed(dict.fromkeys(places), "and")
    if last <= 1:
        return f"Enough with {joined(kinds)} more, beside {beside}."
    told = f"{len(places)} more ({joined(kinds)}, beside {beside}) leave it {dB(20 * math.log10(last))} over"
    return f"{told}; {'more were not tried' if len(places) >= MOST_MORE else 'no further one helps'}."


def _answer(result: Result, facts: SupplyFacts) -> Table:
    asked = result.case.loop(facts.loop).supply
    rows: list[list[str | Cell]] = [["noise at its pins, all lines", engineering(facts.noise, "V")]]
    if facts.loudest[1] > 0:
        loudest = f"{engineering(facts.loudest[1], 'V')} at {engineering(facts.loudest[0], 'Hz', 4)}"
        rows.append(["its loudest line", loudest])
    if asked is not None and asked.tolerates is not None:
        rows.append(["tolerated", engineering(asked.tolerates, "V")])
    elif asked is not None and asked.target is not None and asked.band is not None:
        band = " to ".join(engineering(f, "Hz") for f in asked.band)
        worst = engineering(facts.ratio * asked.target, "Ω")
        rows.append(["impedance where it is worst", f"{worst} at {engineering(facts.worst, 'Hz', 4)}"])
        rows.append(["asked", f"{engineering(asked.target, 'Ω')} from {band}"])
    rows.append(["verdict", Cell(_margin(facts), mark="kept" if facts.enough else "exceeded")])
    return Table(title=f"Supply of {named(facts.loop)}", head=("", "value"), rows=rows, notes=tuple(_notes(facts)))


def _notes(facts: SupplyFacts) -> list[str]:
    notes = [_more(facts)] if _more(facts) else []
    for bank in dict.fromkeys(item.bank for item in facts.capacitors):
        values = [item.doubled for item in facts.capacitors if item.bank == bank]
        if len(values) < 2:
            continue
        apart = facts.spread(bank)
        best = min((item for item in facts.capacitors if item.bank == bank), key=lambda item: item.doubled)
        if apart < ALIKE:
            between = f"{percent(apart)} of its noise between the best and the worst place"
            notes.append(f"Where one more {named(bank)} stands hardly matters: {between}.")
        else:
            notes.append(
                f"Where one more {named(bank)} stands matters: {percent(apart)} of its noise between the best place, "
                f"beside {named(best.link)}, and the worst."
            )
    return notes


def cause(resonance: Resonance) -> str:
    """What makes a resonance."""
    inductance = named(resonance.inductance) if resonance.inductance else "planes and pins"
    if resonance.standing:
        return "a standing wave between the planes"
    capacitance = named(resonance.capacitance) if resonance.capacitance else "the planes"
    if resonance.capacitance == resonance.inductance and resonance.capacitance:
        return f"{capacitance} with its own inductance"
    return f"capacitance of {capacitance} with the inductance of {inductance}"


def _resonances(facts: SupplyFacts) -> Table | None:
    if not facts.resonances:
        return None
    shown = facts.resonances[:MOST_SHOWN]
    rest = len(facts.resonances) - len(shown)
    return Table(
        title=f"Resonances at the pins of {named(facts.loop)}",
        head=("", "frequency", "impedance", "made by"),
        rows=[
            [
                f"{number} {'peak' if item.peak else 'dip'}",
                engineering(item.frequency, "Hz", 3),
                engineering(item.impedance, "Ω"),
                cause(item),
            ]
            for number, item in enumerate(shown, 1)
        ],
        notes=(f"{rest} more lie higher.",) if rest else (),
    )


def _capacitors(facts: SupplyFacts) -> Table | None:
    if not facts.capacitors:
        return None
    order = sorted(facts.capacitors, key=lambda item: -item.without)
    return Table(
        title=f"Capacitors and what each is worth to {named(facts.loop)}",
        head=("capacitor", "without it", "as it is", "one more beside it"),
        rows=[
            [item.link, percent(item.without), percent(facts.ratio), percent(item.doubled)]
            for item in order[:MOST_SHOWN]
        ],
        notes=(
            "In per cent of the limit, by circuit algebra on the solved planes.",
            *((f"{len(order) - MOST_SHOWN} more matter less.",) if len(order) > MOST_SHOWN else ()),
        ),
    )
