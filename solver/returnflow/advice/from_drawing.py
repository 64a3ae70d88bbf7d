"""Options for a sensitive loop whose figures follow from the case as drawn."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

import numpy as np

from returnflow.advice.drawn import RETURN_WIDTH, loops_at
from returnflow.advice.option import ROOM_DB, Option
from returnflow.answers import coupling
from returnflow.answers.adding import Coupled
from returnflow.answers.budget import Budget, Contribution, decibels
from returnflow.answers.coupling import NOTHING_SHARED
from returnflow.answers.evaluate import budget_from, couplings, heard_weights
from returnflow.answers.result import Result
from returnflow.resistive.foil import sheet_resistance
from returnflow_geometry.model.board import Case, Loop
from returnflow_geometry.model.numbers import dB, engineering, millimetres, near, percent, plain, square_millimetres
from returnflow_geometry.model.wording import joined, named

ROOM = 1e-3  # m of free copper round a connector's pad, below which no amplifier sits "by" it
RESISTIVE = 0.1  # part of the noise that may be other than resistive where an option rests on resistances
MOST_FALL = 200  # dB, of a current
MANY = 16  # currents; how many must fall, and how far, is found by halving where there are more
MOST_REDUCTION = 4.0  # a current that must fall further than to a quarter is another circuit, not another layout
NOT_REJECTED = (
    "What is induced between the signal's line and its own return is no common-mode voltage, and is not rejected: run "
    "both input lines side by side and have that measured. So it has no figure here."
)
REJECTION = 80.0  # dB; common practice, no source: what an amplifier reaches without care at low frequency


def _heard(budget: Budget) -> list[Contribution]:
    return [part for part in budget.contributions if part.in_band]


def resistive_noise(loop: Loop, base: Result) -> float:
    """What the transfer resistances alone put in series with a loop's signal within its band, V rms."""
    i = base.index(loop.name)
    noisy = [(j, other) for j, other in enumerate(base.case.loops) if other.role == "noisy"]
    row = base.whole.mid[i, [j for j, _ in noisy]]
    return float(np.linalg.norm(row @ heard_weights(loop, [other for _, other in noisy])))


def mostly_induced(loop: Loop, budget: Budget, base: Result) -> str:
    """Sentence where the resistive picture does not hold the noise; empty where it does."""
    resistive = resistive_noise(loop, base)
    if budget.noise * (1 - RESISTIVE) <= resistive <= budget.noise * (1 + RESISTIVE):
        return ""
    if resistive > budget.noise:
        return (
            f"By resistance alone it would be {engineering(resistive, 'V')}, not {engineering(budget.noise, 'V')}: at "
            "the frequencies of the noise the return runs elsewhere. Draw it as a variant to have it solved."
        )
    return (
        f"Resistance alone makes {engineering(resistive, 'V')} of the {engineering(budget.noise, 'V')}; the rest is "
        "induced and not in this figure. Draw it as a variant to have it solved."
    )


def _use(how_many: int) -> str:
    """That so many things use something besides."""
    return f"also use{'s' * (how_many == 1)}"


def move(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """Nearer to the connector: what the placement map says of it, and where it cannot say."""
    place, board = base.placements[loop.name], base.case.board
    if budget.verdict == "unknown" and resistive_noise(loop, base) <= budget.limit:
        return []  # by resistance it may stay, and of the rest nothing is known
    connector, amplifier = board.terminal(loop.return_), board.terminal(loop.inject)
    if connector.copper != amplifier.copper:
        return []
    pad = math.sqrt(connector.shape.area / math.pi)
    near = place.radius > pad + ROOM
    others = loops_at(base.case, loop.inject, loop.name)
    exceeded = budget.verdict != "kept"
    if others:
        quoted = joined([named(name) for name in others])
        says = f"{quoted} {_use(len(others))} {loop.inject}: moving it also moves that current, which the placement "
        reasons = [says + "map does not show: only solved positions count."]
    else:
        reasons = [place.reach]
        induced = mostly_induced(loop, budget, base)
        if induced:
            reasons.append(induced)
    why_not = ""
    if exceeded and not near and not others:
        why_not = (
            f"It leaves no room for an amplifier: less than {millimetres(ROOM)} beyond the edge of "
            f"{loop.return_}'s pad."
        )
    now = math.dist(amplifier.centre, connector.centre)
    within = f": within {millimetres(place.radius, 2)}" if near and not others and place.radius < now else ""
    # Where there is a need to move, the figure is that of a solved place, an option of its own.
    noise, low, high = (None,) * 3 if exceeded else (budget.noise, budget.low, budget.high)
    title = f"Move {loop.inject} closer to {loop.return_}{within}"
    if not exceeded:
        # Its figure is that of where it is: elsewhere there may be more, though within the limit by resistance.
        title = f"Leave {loop.inject} where it is"
    return [
        Option(
            kind="move amplifier",
            title=title,
            why_not=why_not,
            noise=noise,
            low=low,
            high=high,
            limit=budget.limit,
            reasons=tuple(reasons),
            proviso="" if exceeded else budget.proviso,
        )
    ]


def quieter(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """A smaller noisy current: which, by how much so that there is room, and where copper would help."""
    parts = sorted(_heard(budget), key=lambda part: -part.noise)
    if not parts or budget.verdict == "kept":
        return []
    seen = next(
        each
        for victim, each in couplings(
            base.case, base.whole, base.spectral.model if base.spectral else None, base.conductors.reference
        )
        if victim.name == loop.name
    )
    if _has_room(_scaled_budget(loop, seen, (), 1.0)):
        return []  # a verdict waits for something else

    # The fewest currents that, if they fall, leave room; all of them together always do.
    def without(count: int) -> Budget:
        return _scaled_budget(loop, seen, {part.loop for part in parts[:count]}, 0.0)

    count = _least(lambda count: _has_room(without(count)), len(parts), len(parts))
    silent, loud = without(count), {part.loop for part in parts[:count]}

    def less(fall: int) -> Budget:
        return _scaled_budget(loop, seen, loud, 10 ** (-fall / 20))

    fall = _least(lambda fall: _has_room(less(fall)), MOST_FALL, len(parts))
    factor, found = 10 ** (fall / 20), less(fall)
    what = f"current{'s' * (count > 1)} of {joined([named(part.loop) for part in parts[:count]])}"
    reasons = [
        f"The {what} would have to fall by {decibels(factor, 1):.0f} dB, to 1/{plain(factor)}, for {ROOM_DB:.0f} dB "
        "margin" + (f"; the others alone make {engineering(silent.noise, 'V')}." if count < len(parts) else "."),
        _where_copper_helps(loop, budget, base),
    ]
    possible = factor <= MOST_REDUCTION and found.high <= found.limit
    return [
        Option(
            kind="noisy current" if loop.role == "sensitive" else "noisy part",
            title=f"Reduce the {what} by {decibels(factor, 1):.0f} dB",
            why_not="" if possible else "That takes a different circuit, not a different layout.",
            noise=found.noise if possible else None,
            low=found.low if possible else None,
            high=found.high if possible else None,
            limit=found.limit,
            reasons=tuple(reasons),
        )
    ]


def _least(enough: Callable[[int], bool], most: int, currents: int) -> int:
    """
    Least number from 1 that is enough, or `most`.

    With many currents by halving, which finds the least unless some of them cancel others; enough it is in any case.

    Examples
    --------
    >>> [_least(lambda n: n >= 7, most, currents) for most in (200, 5) for currents in (3, 300)]
    [7, 7, 5, 5]
    """
    numbers = range(1, most)
    if currents > MANY:
        return 1 + bisect_left(numbers, True, key=enough)
    return next((n for n in numbers if enough(n)), most)


def _has_room(budget: Budget) -> bool:
    return budget.high <= budget.limit * 10 ** (-ROOM_DB / 20)


def _scaled_budget(loop: Loop, seen: Sequence[Coupled], loud: Collection[str], factor: float) -> Budget:
    """Budget with some currents made smaller by a factor: of the same fields, hence as certain as the case as drawn."""
    return budget_from(
        loop,
        [
            replace(part, lines=replace(part.lines, current=factor * part.lines.current))
            if part.loop.name in loud
            else part
            for part in seen
        ],
    )


def _where_copper_helps(loop: Loop, budget: Budget, base: Result) -> str:
    lead = max(_heard(budget), key=lambda part: part.noise)
    i, j = base.index(loop.name), base.index(lead.loop)
    if mostly_induced(loop, budget, base):
        away = f"those of {named(loop.name)}" if loop.role == "sensitive" else "the way between the connectors"
        return (
            f"What {named(lead.loop)} couples is not by resistance alone: its trace and its return further from "
            f"{away}, or nearer to their plane, help more than copper. Draw it as a variant to have it solved."
        )
    best: tuple[float, str] | None = None
    for number, name in enumerate(base.conductors.names):
        part = base.whole.on(number)
        density, areas = coupling.coupling_density(part, i, j), part.mesh.areas
        total = float(np.abs(density) @ areas)
        if total == 0 or (best is not None and total <= best[0]):
            continue
        chosen = coupling.carrying_triangles(density, areas, 0.5)
        centre = part.mesh.points[part.mesh.triangles[chosen]].mean(axis=1)
        x, y = np.average(centre, axis=0, weights=(np.abs(density) * areas)[chosen])
        extent = square_millimetres(float(np.sum(areas[chosen])))
        best = (
            total,
            (
                f"Half of its coupling arises on {extent} of {named(name)} around {near(x, y)}: more "
                "copper there, or keeping its return away from there, helps most (see the coupling map)."
            ),
        )
    return best[1] if best else NOTHING_SHARED


def dedicated(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """A return of its own: one ground point if an end may be lifted, and what two would share."""
    board = base.case.board
    ends = [board.terminal(name) for name in (loop.return_, loop.inject)]
    if ends[0].copper != ends[1].copper or not budget.noise > 0:
        return []
    i = base.index(loop.name)
    induced = mostly_induced(loop, budget, base)
    if induced and resistive_noise(loop, base) < (1 - RESISTIVE) * budget.limit:
        return []  # its return is as good as its own already
    layer = board.layer(loop.route.layer) if loop.route else board.layer(board.copper(ends[0].copper).layer)
    length = _length(loop, base.case)
    own = sheet_resistance(layer.thickness, board.temperature) * length / RETURN_WIDTH
    plane = float(base.whole.mid[i, i])
    # A resistor beside the plane: the plane's voltage, divided between the trace and the plane under it.
    now = resistive_noise(loop, base)
    two = own / (own + plane) * now
    shared = (
        f"On the board as drawn, grounded at both ends, {millimetres(length)} of {millimetres(RETURN_WIDTH)} trace on "
        f"{named(layer.name)} "
        f"({engineering(own, 'Ω')}, in parallel with {engineering(plane, 'Ω')} of plane) would carry "
        f"{percent(plane / (own + plane))} of the signal's return: {engineering(two, 'V')} in series with the signal "
        f"by resistance, against {engineering(now, 'V')} by resistance as drawn. A second ground point cancels the "
        "benefit."
    )
    bonded = [end for end in ends if end.bonded]
    if len(bonded) == 2:
        why = " and ".join(f"{end.name} must stay bonded ({end.bonded})" for end in bonded)
        return [
            Option(
                kind="dedicated return",
                title="Dedicated return with one ground point",
                why_not=f"Neither end may be lifted from the plane: {why}.",
                noise=None,
                low=None,
                high=None,
                limit=budget.limit,
                reasons=(shared,),
            )
        ]
    keep = bonded[0] if bonded else ends[0]
    lift = ends[1] if keep is ends[0] else ends[0]
    reasons = [
        f"Ground it at {keep.name} only"
        + (f", which must stay bonded ({keep.bonded})" if keep.bonded else "")
        + f", and lift {lift.name} off the plane."
    ]
    others = loops_at(base.case, lift.name, loop.name)
    if others:
        reasons.append(
            f"{joined([named(name) for name in others])} {_use(len(others))} {lift.name}: lifting it forces that "
            "current into the new return. Give it a ground pin of its own first."
        )
    reasons += [
        (
            f"This holds only if {lift.name} has no other path to the plane: a device that joins both grounds inside, "
            "a shield or a mounting hole would be a second ground point."
        ),
        shared,
    ]
    # Its figure is that of a solved board, an option of its own.
    return [
        Option(
            kind="dedicated return",
            title=f"Dedicated return grounded at {keep.name} only",
            noise=None,
            low=None,
            high=None,
            limit=budget.limit,
            reasons=tuple(reasons),
        )
    ]


def _length(loop: Loop, case: Case) -> float:
    if loop.route is not None:
        return float(sum(math.dist(a, b) for a, b in zip(loop.route.path[:-1], loop.route.path[1:], strict=True)))
    return math.dist(case.board.terminal(loop.inject).centre, case.board.terminal(loop.return_).centre)


def differential(loop: Loop, budget: Budget, base: Result) -> list[Option]:
    """Reception that is isolated from ground: the rejection it needs over the band, with room."""
    aim = budget.limit * 10 ** (-ROOM_DB / 20)
    needed = max(0, math.ceil(decibels(budget.high, aim))) if budget.high > 0 else 0
    if not needed:
        return []
    less = 10 ** (-needed / 20)
    parts = sorted(_heard(budget), key=lambda part: -part.noise)
    reasons = [
        f"Received differentially and isolated from this copper, the input needs {needed} dB of common-mode "
        f"rejection for {ROOM_DB:.0f} dB margin"
        + (", on top of what it has," if loop.rejection else "")
        + _over_band(loop)
    ]
    if parts and parts[0].frequency is not None:
        each = ", ".join(
            f"{dB(max(0.0, decibels(part.noise, aim)))} at {engineering(part.frequency, 'Hz')} ({named(part.loop)})"
            for part in parts[:3]
            if part.frequency is not None
        )
        reasons.append(f"For the strongest lines: {each}.")
    induced = bool(mostly_induced(loop, budget, base))
    if induced:
        reasons.append(NOT_REJECTED)
    hard = f"More than {REJECTION:.0f} dB is hard to hold over a band; lower the noise first."
    return [
        Option(
            kind="differential",
            title=f"Differential input with at least {needed} dB of rejection",
            why_not="" if needed <= REJECTION else hard,
            noise=None if induced else less * budget.noise,
            low=None if induced else less * budget.low,
            high=None if induced else less * budget.high,
            limit=budget.limit,
            reasons=tuple(reasons),
            costs=(
                "Both input lines must be held within the amplifier's common-mode range by a path of high impedance.",
            ),
        )
    ]


def _over_band(loop: Loop) -> str:
    if loop.band is None:
        return " at every frequency its currents have."
    low, high = (engineering(f, "Hz") for f in loop.band)
    return f" from {low} to {high}."
