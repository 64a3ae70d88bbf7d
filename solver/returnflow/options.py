"""What can be done for one sensitive loop, each option computed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from returnflow import coupling
from returnflow.foil import sheet_resistance
from returnflow.result import Result
from returnflow.spectra import lines_of
from returnflow.verdict import Budget, Contribution, band_mask, decibels, engineering, passed
from returnflow_geometry.board import Case, Loop

Kind = Literal["move amplifier", "noisy current", "dedicated return", "differential", "copper"]
EFFORT: tuple[Kind, ...] = ("move amplifier", "noisy current", "dedicated return", "differential", "copper")
RETURN_WIDTH = 0.3e-3  # m, of a dedicated return that nobody has drawn yet
ROOM = 1e-3  # m of free copper round a connector's pad, below which no amplifier sits "by" it
RESISTIVE = 0.1  # part of the noise that may be other than resistive where an option rests on resistances
MOST_REDUCTION = 4.0  # a current that must fall further than to a quarter is another circuit, not another layout
REJECTION = 80.0  # dB; common practice, no source: what an amplifier reaches without care at low frequency


@dataclass(frozen=True, kw_only=True)
class Option:
    """
    One thing that could be done for a sensitive loop.

    Attributes
    ----------
    kind : str
    title : str
    possible : bool
        False where a bond that must stay, or the board's size, rules it out; the reasons say why.
    noise, low, high : float or None
        V rms in series with the signal if it is done, and its bounds; None where it has no figure.
    limit : float
        Tolerated, V.
    reasons, costs : tuple of str
        Plain sentences: what it does and on what numbers that rests; what it costs elsewhere.
    variant : str or None
        Variant that was solved for it; None where the figures follow from the case as drawn.
    broken : tuple of str
        Limits between cables that are kept as drawn, and exceeded if it is done.
    mended : tuple of str
        Limits between cables that it brings back, which are exceeded as drawn.
    """

    kind: Kind
    title: str
    possible: bool
    noise: float | None
    low: float | None
    high: float | None
    limit: float
    reasons: tuple[str, ...]
    costs: tuple[str, ...] = ()
    variant: str | None = None
    broken: tuple[str, ...] = ()
    mended: tuple[str, ...] = ()

    @property
    def margin_dB(self) -> float | None:
        """20 log10(limit / noise); None where there is no figure."""
        return None if self.noise is None else decibels(self.limit, self.noise)

    @property
    def meets(self) -> bool:
        """Whether it is possible and certainly keeps the limit."""
        return self.possible and self.high is not None and self.high <= self.limit

    @property
    def effort(self) -> int:
        """Rank in the order of effort, from 0."""
        return EFFORT.index(self.kind)


def options_for(loop: Loop, base: Result, variants: Mapping[str, Result]) -> tuple[Option, ...]:
    """
    All options for a sensitive loop, in the order of effort.

    Parameters
    ----------
    loop : Loop
        Sensitive.
    base : Result
        The case as drawn.
    variants : mapping of name to Result
        Solved variants, and trials.
    """
    budget = _budget(base, loop)
    found = [
        *_move(loop, budget, base),
        *_quieter(loop, budget, base),
        *_dedicated(loop, budget, base),
        _differential(loop, budget),
    ]
    for name, result in variants.items():
        kind = what_changes(loop, base.case, result.case)
        if kind is not None and loop.name in result.loop_names:
            found.append(_from_variant(kind, name, loop, base, result))
    return tuple(sorted(found, key=lambda option: (option.effort, option.variant is not None)))


def _budget(result: Result, loop: Loop) -> Budget:
    return next(item for item in result.sensitive if item.loop == loop.name)


def what_changes(loop: Loop, base: Case, other: Case) -> Kind | None:
    """Which kind of option a variant is for a sensitive loop: by what it changes, the strongest means first."""
    if all(item.name != loop.name for item in other.loops):
        return None
    mine = other.loop(loop.name)
    if mine.rejection != base.loop(loop.name).rejection:
        return "differential"
    here, there = base.board.terminal(loop.inject), other.board.terminal(mine.inject)
    known = {copper.name for copper in base.board.coppers}
    if there.copper not in known:
        return "dedicated return"
    if _copper(base) != _copper(other):
        return "copper"
    if there.shape != here.shape or mine.inject != loop.inject or mine.return_ != loop.return_:
        return "move amplifier"
    if _noise(base) != _noise(other):
        return "noisy current"
    return None


def _copper(case: Case) -> tuple[object, ...]:
    board = case.board
    return board.coppers, board.cutouts, board.bridges, board.links, board.layers


def _noise(case: Case) -> list[object]:
    board = case.board
    return [
        (replace(loop, name=""), board.terminal(loop.inject).shape, board.terminal(loop.return_).shape)
        for loop in case.loops
        if loop.role == "noisy"
    ]


def _heard(budget: Budget) -> list[Contribution]:
    return [part for part in budget.contributions if part.in_band]


def resistive_noise(loop: Loop, base: Result) -> float:
    """What the transfer resistances alone put in series with a loop's signal within its band, V rms."""
    i, parts = base.index(loop.name), []
    for j, other in enumerate(base.case.loops):
        if other.role == "noisy":
            lines = lines_of(other)
            heard = (passed(lines, loop) * lines.current)[band_mask(lines, loop)]
            parts.append(abs(float(base.whole.mid[i, j])) * float(np.linalg.norm(heard)))
    return math.hypot(0.0, *parts)


def _mostly_induced(loop: Loop, budget: Budget, base: Result) -> str:
    """Sentence where the resistive picture does not hold the noise; empty where it does."""
    resistive = resistive_noise(loop, base)
    if budget.noise * (1 - RESISTIVE) <= resistive <= budget.noise * (1 + RESISTIVE):
        return ""
    return (
        f"By resistance alone there would be {engineering(resistive, 'V')} of the {engineering(budget.noise, 'V')}: "
        "the rest is induced, which this figure does not hold; draw it as a variant to have it solved."
    )


def _move(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """Nearer to the connector: from the placement map."""
    place, board = base.placements[loop.name], base.case.board
    connector, amplifier = board.terminal(loop.return_), board.terminal(loop.inject)
    if connector.copper != amplifier.copper:
        return []
    now = math.dist(connector.centre, amplifier.centre)
    pad = math.sqrt(connector.shape.area / math.pi)
    near = place.radius > pad + ROOM
    somewhere = place.nearest is not None and place.area - math.pi * place.radius**2 > (2 * ROOM) ** 2
    reasons = [
        (
            f"Within {1e3 * place.radius:.2g} mm of {loop.return_} every place keeps {engineering(budget.limit, 'V')}; "
            f"{loop.inject} is {1e3 * now:.1f} mm away."
        )
    ]
    if place.nearest is not None and somewhere:
        x, y = place.nearest
        reasons.append(
            f"The nearest place on this copper that does is ({1e3 * x:.1f}, {1e3 * y:.1f}) mm; where that lies on a "
            "narrow ribbon of the placement map, any change of the currents moves it."
        )
    if not near:
        reasons.append(
            f"That is no room for an amplifier: less than {1e3 * ROOM:.0f} mm beyond the edge of {loop.return_}'s pad."
        )
    exceeded = budget.verdict != "kept"
    induced = _mostly_induced(loop, budget, base)
    if induced:
        reasons.append(induced)
    title = f"Move {loop.inject} nearer to {loop.return_}" + (f": within {1e3 * place.radius:.2g} mm" if near else "")
    # On the border of the disc the noise is the limit itself; without a need to move, what is there now.
    noise = (budget.limit if near and not induced else None) if exceeded else budget.noise
    return [
        Option(
            kind="move amplifier",
            title=title,
            possible=near or not exceeded,
            noise=noise,
            low=noise,
            high=noise,
            limit=budget.limit,
            reasons=tuple(reasons),
        )
    ]


def _quieter(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """A smaller or narrower noisy current: which, by how much, and where copper would help."""
    parts = sorted(_heard(budget), key=lambda part: -part.noise)
    if not parts or budget.noise <= budget.limit:
        return []
    loud, rest = [], parts
    # The fewest loops that, if they were silent, would leave the others within the limit.
    while rest and math.hypot(*(part.noise for part in rest)) > budget.limit:
        loud.append(rest[0])
        rest = rest[1:]
    left = math.hypot(*(part.noise for part in rest)) if rest else 0.0
    together = math.hypot(*(part.noise for part in loud))
    factor = together / math.sqrt(budget.limit**2 - left**2)
    names = ", ".join(f"“{part.loop}”" for part in loud)
    reasons = [
        f"{names} would have to fall to 1/{factor:.3g} (by {decibels(factor, 1):.0f} dB) of "
        f"{'its current' if len(loud) == 1 else 'their currents'}"
        + (f"; the others alone make {engineering(left, 'V')}." if rest else ".")
    ]
    lead = loud[0]
    reasons.append(_where_copper_helps(loop, lead, base))
    possible = factor <= MOST_REDUCTION
    if not possible:
        reasons.append("That much is another circuit, not another layout.")
    return [
        Option(
            kind="noisy current",
            title=f"Lower or move {names}",
            possible=possible,
            noise=budget.limit if possible else None,
            low=budget.limit if possible else None,
            high=budget.limit if possible else None,
            limit=budget.limit,
            reasons=tuple(reasons),
        )
    ]


def _where_copper_helps(loop: Loop, lead: Contribution, base: Result) -> str:
    i, j = base.index(loop.name), base.index(lead.loop)
    best: tuple[float, str] | None = None
    for number, name in enumerate(base.conductors.names):
        part = base.whole.on(number)
        density, areas = coupling.coupling_density(part, i, j), part.mesh.areas
        total = float(np.abs(density) @ areas)
        if total == 0 or (best is not None and total <= best[0]):
            continue
        chosen = coupling.carrying_triangles(density, areas, 0.5)
        centre = part.mesh.points[part.mesh.triangles[chosen]].mean(axis=1)
        x, y = 1e3 * np.average(centre, axis=0, weights=(np.abs(density) * areas)[chosen])
        extent = 1e6 * float(np.sum(areas[chosen]))
        best = (
            total,
            (
                f"Half of its coupling arises in {extent:.3g} mm² of “{name}” round ({x:.0f}, {y:.0f}) mm: more copper "
                "there, or keeping its return away from there, helps most (see the coupling map)."
            ),
        )
    return best[1] if best else "The two currents meet on no copper: what couples is induction."


def _dedicated(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """A return of its own: one ground point if an end may be lifted, and what two would share."""
    board = base.case.board
    ends = [board.terminal(name) for name in (loop.return_, loop.inject)]
    if ends[0].copper != ends[1].copper:
        return []
    i = base.index(loop.name)
    induced = _mostly_induced(loop, budget, base)
    if induced and resistive_noise(loop, base) < (1 - RESISTIVE) * budget.limit:
        return []  # its return is as good as its own already
    layer = board.layer(loop.route.layer) if loop.route else board.layer(board.copper(ends[0].copper).layer)
    length = _length(loop, base.case)
    own = sheet_resistance(layer.thickness, board.temperature) * length / RETURN_WIDTH
    plane = float(base.whole.mid[i, i])
    noisy = [(j, part) for part in _heard(budget) for j in [base.index(part.loop)]]
    lines = {j: lines_of(base.case.loops[j]).rms for j, _ in noisy}
    stray = {part.loop: abs(float(base.whole.mid[i, j])) / (own + plane) * lines[j] for j, part in noisy}
    # A resistor beside the plane: the plane's voltage, divided between the trace and the plane under it.
    two = math.hypot(0.0, *(own * amps for amps in stray.values()))
    drawn = (
        f"taken as {1e3 * length:.0f} mm of {1e3 * RETURN_WIDTH:.1f} mm trace on “{layer.name}”, "
        f"{engineering(own, 'Ω')}, against {engineering(plane, 'Ω')} of plane between the same points"
    )
    most = max(stray, key=lambda name: stray[name], default="")
    shared = (
        f"Grounded at both ends ({drawn}) it would carry {plane / (own + plane):.0%} of the signal's return"
        + (f", and {engineering(stray[most], 'A')} of “{most}” would stray into it" if most else "")
        + f": {engineering(two, 'V')} in series with the signal, against {engineering(budget.noise, 'V')} as drawn. "
        "Two ground points defeat it."
    )
    bonded = [end for end in ends if end.bonded]
    if len(bonded) == 2:
        why = " and ".join(f"{end.name} must stay bonded ({end.bonded})" for end in bonded)
        return [
            Option(
                kind="dedicated return",
                title="Dedicated return with one ground point",
                possible=False,
                noise=None,
                low=None,
                high=None,
                limit=budget.limit,
                reasons=(f"Neither end may be lifted from the plane: {why}.", shared),
            )
        ]
    keep = bonded[0] if bonded else ends[0]
    lift = ends[1] if keep is ends[0] else ends[0]
    reasons = [
        f"Ground it at {keep.name} only"
        + (f", which must stay bonded ({keep.bonded})" if keep.bonded else "")
        + f", and lift {lift.name} off the plane: then no noisy current of the plane flows in the signal's return, and "
        "what remains is the magnetic pick-up between signal and return, small where they run side by side; draw the "
        "return as a copper of its own in a variant to have it computed.",
        (
            f"It rests on {lift.name} having no other way to the plane: a device that joins both grounds inside, a "
            "shield or a mounting hole would be a second ground point."
        ),
        shared,
    ]
    return [
        Option(
            kind="dedicated return",
            title=f"Dedicated return grounded at {keep.name} only",
            possible=True,
            noise=None if induced else 0.0,
            low=None if induced else 0.0,
            high=None if induced else 0.0,
            limit=budget.limit,
            reasons=(*reasons, induced) if induced else tuple(reasons),
        )
    ]


def _length(loop: Loop, case: Case) -> float:
    if loop.route is not None:
        return float(sum(math.dist(a, b) for a, b in zip(loop.route.path[:-1], loop.route.path[1:], strict=True)))
    return math.dist(case.board.terminal(loop.inject).centre, case.board.terminal(loop.return_).centre)


def _differential(loop: Loop, budget: Budget) -> Option:
    """Reception that is isolated from ground: the rejection it needs over the band."""
    needed = max(0.0, decibels(budget.noise, budget.limit)) if budget.noise > 0 else 0.0
    bound = max(0.0, decibels(budget.high, budget.limit)) if budget.high > 0 else 0.0
    parts = sorted(_heard(budget), key=lambda part: -part.noise)
    reasons = [
        f"Received differentially and isolated from this copper, the input needs {needed:.0f} dB of common-mode "
        f"rejection" + (" on top of what it has" if loop.rejection else "") + _over_band(loop)
    ]
    if parts and parts[0].frequency is not None:
        listed = ", ".join(
            f"{max(0.0, decibels(part.noise, budget.limit)):.0f} dB at {engineering(part.frequency, 'Hz')} "
            f"(“{part.loop}”)"
            for part in parts[:3]
            if part.frequency is not None
        )
        reasons.append(f"By its strongest lines: {listed}.")
    possible = bound <= REJECTION
    if not possible:
        reasons.append(f"More than {REJECTION:.0f} dB is hard to hold over a band; lower the noise first.")
    left = budget.limit if needed else budget.noise
    return Option(
        kind="differential",
        title=f"Differential input with at least {bound:.0f} dB of rejection",
        possible=possible,
        noise=left,
        low=left,
        high=left,
        limit=budget.limit,
        reasons=tuple(reasons),
        costs=("Both input lines must be held within the amplifier's common-mode range by a path of high impedance.",),
    )


def _over_band(loop: Loop) -> str:
    if loop.band is None:
        return " at every frequency its currents have."
    low, high = (engineering(f, "Hz") for f in loop.band)
    return f" from {low} to {high}."


def _from_variant(kind: Kind, name: str, loop: Loop, base: Result, result: Result) -> Option:
    """Option that a solved variant stands for."""
    budget, before = _budget(result, loop), _budget(base, loop)
    less = decibels(before.noise, budget.noise) if before.noise > 0 else 0.0
    word = "less" if less >= 0 else "more"
    size = "nothing left" if math.isinf(less) else f"{abs(less):.1f} dB {word}"
    reasons = [
        (
            f"Solved as “{name}”: {engineering(budget.noise, 'V')} in series with the signal, {size} than the "
            f"{engineering(before.noise, 'V')} as drawn; {engineering(budget.limit, 'V')} tolerated."
        )
    ]
    if kind == "dedicated return":
        reasons += _return_sentences(loop, result)
    broken, mended, costs = _elsewhere(base, result)
    lifted = _lifted(loop, base.case, result.case)
    return Option(
        kind=kind,
        title=name,
        possible=not lifted,
        noise=budget.noise,
        low=budget.low,
        high=budget.high,
        limit=budget.limit,
        reasons=(*lifted, *reasons),
        costs=costs,
        variant=name,
        broken=broken,
        mended=mended,
    )


def _lifted(loop: Loop, base: Case, other: Case) -> tuple[str, ...]:
    """Bonds that must stay and that a variant has lifted: the loop's end is on another copper, without a link back."""
    sentences = []
    mine = other.loop(loop.name)
    for before, after in ((loop.inject, mine.inject), (loop.return_, mine.return_)):
        terminal = base.board.terminal(before)
        if terminal.bonded is None:
            continue
        kept = [t for t in other.board.terminals if t.name == before and t.copper == terminal.copper]
        linked = {end for link in other.board.links if link.capacitance is None for end in link.between}
        if not kept or (after != before and before not in linked):
            sentences.append(f"It lifts {before}, which must stay bonded ({terminal.bonded}): not advised.")
    return tuple(sentences)


def _return_sentences(loop: Loop, result: Result) -> list[str]:
    """What part of the sensitive return flows in its own copper, and how much of each noisy current strays into it."""
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
    sentences = [f"{1 - beside:.1%} of the signal's return flows in “{own}”, which has {points}."]
    for j, other in enumerate(result.case.loops):
        if other.role == "noisy" and len(links) > 1:
            stray = 0.5 * float(np.sum(np.abs(whole.link_current[j, links]))) * lines_of(other).rms
            sentences.append(f"{engineering(stray, 'A')} of “{other.name}” strays into it.")
    if len(links) == 1:
        sentences.append("With one ground point no steady noisy current can stray into it.")
    return sentences


def _elsewhere(base: Result, result: Result) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Cable limits that break and that are mended, and what changes elsewhere, in sentences."""
    before = {item.loop: item for item in base.cables}
    costs, broken, mended = [], [], []
    for item in result.cables:
        old = before.get(item.loop)
        if item.verdict != "kept" and (old is None or old.verdict == "kept"):
            broken.append(item.loop)
        if item.verdict == "kept" and old is not None and old.verdict != "kept":
            mended.append(item.loop)
        known = 0.0 if old is None else (item.high - item.noise) + (old.high - old.noise)
        if old is None or abs(item.noise - old.noise) > max(known, 0.01 * old.noise):
            was = f" (as drawn {engineering(old.noise, 'V')})" if old else ""
            word = "within" if item.verdict == "kept" else "over"
            costs.append(
                f"“{item.loop}”: {engineering(item.noise, 'V')}{was}, {word} its {engineering(item.limit, 'V')}."
            )
    costs += _crossings(base, result)
    for j, loop in enumerate(result.case.loops):
        if loop.role != "noisy" or loop.name not in base.loop_names:
            continue
        new, old_peak = result.peaks[j], base.peaks[base.index(loop.name)]
        amps = lines_of(loop).rms
        if new.value > 1.2 * old_peak.value:
            costs.append(
                f"“{loop.name}” crowds to {engineering(new.value * amps, 'A/m')} at ({1e3 * new.x:.0f}, "
                f"{1e3 * new.y:.0f}) mm, {new.value / old_peak.value:.1f} times as drawn."
            )
    return tuple(broken), tuple(mended), tuple(costs)


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
        if facts.gaps and facts.gap_inductance is not None and facts.gap_detour is not None:
            sentences.append(
                f"The route of “{name}” crosses {', '.join(f'“{gap}”' for gap in facts.gaps)}: "
                f"{engineering(facts.gap_inductance, 'H')} and {1e3 * facts.gap_detour:.0f} mm of detour added."
            )
        elif was.gap_inductance is not None:
            sentences.append(
                f"The route of “{name}” no longer crosses {', '.join(f'“{gap}”' for gap in was.gaps)}: "
                f"{engineering(was.gap_inductance, 'H')} less."
            )
    return sentences
