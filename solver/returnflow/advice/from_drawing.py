"""Options for a sensitive loop whose figures follow from the case as drawn."""

from __future__ import annotations

import math

import numpy as np

from returnflow.advice.option import Option
from returnflow.answers import coupling
from returnflow.answers.budget import Budget, Contribution, band_mask, decibels, engineering, passed
from returnflow.answers.result import Result
from returnflow.answers.spectra import lines_of
from returnflow.resistive.foil import sheet_resistance
from returnflow_geometry.model.board import Case, Loop

RETURN_WIDTH = 0.3e-3  # m, of a dedicated return that nobody has drawn yet
ROOM = 1e-3  # m of free copper round a connector's pad, below which no amplifier sits "by" it
RESISTIVE = 0.1  # part of the noise that may be other than resistive where an option rests on resistances
MOST_REDUCTION = 4.0  # a current that must fall further than to a quarter is another circuit, not another layout
REJECTION = 80.0  # dB; common practice, no source: what an amplifier reaches without care at low frequency


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


def move(loop: Loop, budget: Budget, base: Result) -> list[Option]:
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


def quieter(loop: Loop, budget: Budget, base: Result) -> list[Option]:
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


def dedicated(loop: Loop, budget: Budget, base: Result) -> list[Option]:
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


def differential(loop: Loop, budget: Budget) -> Option:
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
