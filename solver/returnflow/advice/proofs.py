"""What is solved before it is recommended: boards drawn for one limit, where no solved one keeps it with room."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from returnflow.advice.around import bridged, led_round
from returnflow.advice.drawn import (
    RETURN_WIDTH,
    Trial,
    bare,
    ends_of_return,
    fits,
    loops_at,
    moved,
    own_return,
)
from returnflow.advice.option import ROOM_DB, Option, budget_of
from returnflow.advice.places import BODY, along_edge, at_edge, place_towards
from returnflow.advice.trials import CLOSED, CLOSED_TOO, without_gaps
from returnflow.answers import coupling
from returnflow.answers.result import Result
from returnflow.magnetic.routes import faced
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.model.board import Case, Link, Loop, Terminal
from returnflow_geometry.model.numbers import millimetres, near
from returnflow_geometry.model.shapes import circle
from returnflow_geometry.model.wording import joined, named

ROOM = 1e-3  # m of free copper round a connector's pad, below which no amplifier sits "by" it
SHARES = (0.5, 0.25)  # of the distance between amplifier and connector, tried where the placement map does not hold
SLOW = 100e3  # Hz: a faster current belongs in the plane under its trace; common practice, no source
THICKER = 2.0  # times the copper of the layer, as the trade sells it: 35 and 70 um
MOST_CABLES = 3  # pairs of cables for which boards are drawn
STITCH = 0.6e-3  # m, diameter of a stitching via that nobody has drawn yet
STITCH_OHM = 0.5e-3  # ohm of one; common practice, no source


def usual(loop: Loop, base: Result) -> dict[str, Trial]:
    """
    Boards to solve first, by name.

    For a sensitive loop the distance shortened, a return of its own, each with no gap too; for cables the trace of the
    loudest current on another way, or the gap under it bridged.

    Parameters
    ----------
    loop : Loop
        Sensitive, or of cables.
    base : Result
        The case as drawn.
    """
    if loop.role == "cables":
        lead = _loudest(loop, base)
        return {} if lead is None else _another_way(lead, base)
    solid = without_gaps(base.case)
    nearer = _nearer(loop, base)
    found = nearer | _own_return(loop, base.case, "")
    if solid is not None:
        found |= _own_return(loop, solid, CLOSED_TOO)
        for name, trial in list(nearer.items())[-1:]:
            both = without_gaps(trial.case)
            if both is not None:
                found[name + CLOSED_TOO] = Trial(case=both, changes=(*trial.changes, "Every gap is closed."))
    return found


def further(loop: Loop, base: Result) -> dict[str, Trial]:
    """
    What is tried where none of the first boards leaves room: the loudest current elsewhere, and other copper.

    For cables also their connectors beside one another.

    Parameters
    ----------
    loop : Loop
        Sensitive, or of cables.
    base : Result
        The case as drawn.
    """
    lead = _loudest(loop, base)
    if lead is None:
        return {}
    elsewhere = _noisy_elsewhere(lead.inject, lead.return_, base)
    heard = [part.frequency or 0.0 for part in budget_of(base, loop).contributions if part.loop == lead.name]
    if max(heard) <= SLOW:
        elsewhere = _return_of_noise(lead, base.case) | elsewhere
    elsewhere |= _noisy_elsewhere(lead.return_, lead.inject, base)
    if loop.role == "cables":
        return elsewhere | _stitched(loop, lead, base) | _connectors_together(loop, base.case)
    elsewhere |= _pin_of_its_own(loop, base.case) | _another_way(lead, base)
    return elsewhere | _stitched(loop, lead, base) | _thicker(loop, base)


def _another_way(lead: Loop, base: Result) -> dict[str, Trial]:
    """The trace of a current round the gaps it crosses, on the layer next to its plane, or with the gap bridged."""
    return led_round(lead, base) | bridged(lead, base) | other_layer(lead, base.case)


def _loudest(loop: Loop, base: Result) -> Loop | None:
    budget = budget_of(base, loop)
    heard = [part for part in budget.contributions if part.in_band and part.noise > 0]
    return base.case.loop(max(heard, key=lambda part: part.noise).loop) if heard else None


def _there(case: Case, terminal: str, place: tuple[float, float]) -> dict[str, Trial]:
    """Board with a terminal elsewhere, with what that does to the loops that use it."""
    others = loops_at(case, terminal)
    also = f", and with it the currents of {joined([named(name) for name in others])}" if len(others) > 1 else ""
    drawn = moved(case, terminal, place)
    changes = [f"{terminal} is moved to {near(*place)}{also}."]
    traces = [
        f"{named(name)} {millimetres(now.length)} instead of {millimetres(was.length)}"
        for name in others
        if (now := drawn.loop(name).route) is not None and (was := case.loop(name).route) is not None
    ]
    if traces:
        changes.append(f"Traces are led there: {joined(traces)}.")
    return {f"{terminal} moved to {near(*place)}": Trial(case=drawn, changes=tuple(changes))}


def _nearer(loop: Loop, base: Result) -> dict[str, Trial]:
    """The amplifier nearer to its connector: as far as the placement map allows with room, or by halves."""
    case, board = base.case, base.case.board
    connector, amplifier = board.terminal(loop.return_), board.terminal(loop.inject)
    if connector.copper != amplifier.copper:
        return {}
    now = math.dist(connector.centre, amplifier.centre)
    pads = sum(math.sqrt(item.shape.area / math.pi) for item in (connector, amplifier))
    distances = [share * now for share in SHARES]
    if not loops_at(case, amplifier.name, loop.name):
        # The map holds where the amplifier's pin carries no other current.
        chart = base.placements[loop.name]
        allowed = (loop.tolerates or 0.0) * 10 ** (-ROOM_DB / 20)
        shown = base.whole.on(base.conductors.names.index(chart.copper))
        reach = coupling.placement_radius(shown, chart.rms, allowed, np.array(connector.centre))
        distances = [min(0.95 * reach, now)]
    found: dict[str, Trial] = {}
    for distance in distances:
        place = place_towards(board, amplifier.name, connector.name, distance) if distance > pads + ROOM else None
        if place is not None and math.dist(place, amplifier.centre) > ROOM:
            found |= _there(case, amplifier.name, place)
    return found


def _own_return(loop: Loop, case: Case, also: str, *, apart: bool = False) -> dict[str, Trial]:
    ends = ends_of_return(case, loop)
    drawn = own_return(case, loop, apart=apart)
    if drawn is None or ends is None:
        return {}
    keep, lifted = ends
    copper, (joint, pin) = drawn.board.coppers[-1], drawn.board.terminals[-2:]
    others = joined([named(name) for name in loops_at(case, lifted, loop.name)])
    title = f"a return of its own for {named(loop.name)}"
    where = f"from {near(*joint.centre)} to {near(*pin.centre)}"
    change = (
        f"A return of {millimetres(RETURN_WIDTH)} for {named(loop.name)} is drawn beside its signal on "
        f"{named(copper.layer)}, {where}, joined to the plane at {keep} only; "
    )
    if apart:
        title += " and a ground pin of its own"
        change += f"it ends at a ground pin of its own beside {lifted}, which stays on the plane with {others}{also}."
    else:
        change += f"{lifted} is lifted off the plane{also}."
    changes = [change]
    if loop.route is None:
        changes.append(f"The signal's own trace is not in the case: assumed straight, {1e3 * RETURN_WIDTH:g} mm wide.")
    if others and not apart:
        changes.append(f"The return of {others} enters at the lifted {lifted} and flows in the new return as well.")
    return {f"{title}{also}": Trial(case=drawn, changes=tuple(changes))}


def _return_of_noise(lead: Loop, case: Case) -> dict[str, Trial]:
    """A return of its own for a noisy current, as wide as its trace, beside it; the load's pin leaves the plane."""
    ends = ends_of_return(case, lead)
    if lead.route is None or ends is None:
        return {}
    keep, lifted = ends
    others = loops_at(case, lifted, lead.name)
    if any(case.loop(name).role != "noisy" for name in others):
        return {}
    width = max(lead.route.width, RETURN_WIDTH)
    drawn = own_return(case, lead, width=width)
    if drawn is None:
        return {}
    change = (
        f"A return of {millimetres(width)} for {named(lead.name)} is drawn beside its trace on "
        f"{named(drawn.board.coppers[-1].layer)}, joined to the plane at {keep} only; {lifted} is lifted off the plane"
    )
    change += f", with {joined([named(name) for name in others])}." if others else "."
    return {f"a return of its own for {named(lead.name)}": Trial(case=drawn, changes=(change,))}


def _pin_of_its_own(loop: Loop, case: Case) -> dict[str, Trial]:
    """A return of its own to a pin that no other current uses, where others use the signal's."""
    ends = ends_of_return(case, loop)
    if ends is None or not loops_at(case, ends[1], loop.name):
        return {}
    return _own_return(loop, case, "", apart=True)


def _noisy_elsewhere(which: str, towards: str, base: Result) -> dict[str, Trial]:
    """A noisy current with one of its ends nearer to the other; nobody moves what must stay bonded."""
    case, board = base.case, base.case.board
    pin, end = board.terminal(which), board.terminal(towards)
    if pin.copper != end.copper or pin.bonded:
        return {}
    return _placed(case, pin.name, _by(case, pin.name, end.name, SHARES[0] * math.dist(pin.centre, end.centre)))


def _by(case: Case, pin: str, end: str, distance: float) -> tuple[float, float] | None:
    """Place for a pin by another: along the edge for what stands there, else at a distance from it."""
    if pin in at_edge(case):
        return along_edge(case, pin, end)
    return place_towards(case.board, pin, end, distance)


def _placed(case: Case, pin: str, place: tuple[float, float] | None) -> dict[str, Trial]:
    return {} if place is None or not fits(case.board, pin, place) else _there(case, pin, place)


def _connectors_together(loop: Loop, case: Case) -> dict[str, Trial]:
    """The connectors of two cables beside one another: of those that may be moved the one that fewer loops use."""
    board = case.board
    one, other = (board.terminal(end) for end in (loop.inject, loop.return_))
    free = [pair for pair in ((one, other), (other, one)) if not pair[0].bonded]
    if one.copper != other.copper or not free or math.dist(one.centre, other.centre) < 2 * BODY:
        return {}
    pin, end = min(free, key=lambda pair: len(loops_at(case, pair[0].name)))
    return _placed(case, pin.name, _by(case, pin.name, end.name, BODY))


def other_layer(lead: Loop, case: Case) -> dict[str, Trial]:
    """A noisy current's trace on the layer nearest to the copper it returns in, if that is another."""
    board, route = case.board, lead.route
    if route is None or route.legs:
        return {}
    copper = board.terminal(lead.inject).copper

    def away(layer: str) -> float:
        return abs(board.height(layer, copper))

    for layer in sorted((layer.name for layer in board.layers), key=away):
        if not 0 < away(layer) < away(route.layer):
            continue
        there = replace(lead, route=replace(route, layer=layer))
        drawn = bare(case, board, tuple(there if loop.name == lead.name else loop for loop in case.loops))
        if not check_case(drawn).mistakes:
            change = (
                f"The trace of {named(lead.name)} runs on {named(layer)}, {1e3 * away(layer):.3g} mm from its plane."
            )
            return {f"{named(lead.name)} routed on {layer}": Trial(case=drawn, changes=(change,))}
    return {}


def _thicker(loop: Loop, base: Result) -> dict[str, Trial]:
    """Twice the copper where the weak signal returns: at most 6 dB, so only where that can be enough."""
    case, board = base.case, base.case.board
    budget = next(item for item in base.sensitive if item.loop == loop.name)
    layer = board.layer(board.copper(board.terminal(loop.inject).copper).layer)
    if budget.low > THICKER * budget.limit:
        return {}
    thick = replace(layer, thickness=THICKER * layer.thickness)
    layers = tuple(thick if item.name == layer.name else item for item in board.layers)
    copper = f"{1e6 * thick.thickness:.0f} µm of copper"
    change = f"{layer.name} has {copper}, {THICKER:g} times as drawn."
    return {f"{copper} on {layer.name}": Trial(case=bare(case, replace(board, layers=layers)), changes=(change,))}


def _stitched(loop: Loop, lead: Loop, base: Result) -> dict[str, Trial]:
    """One more via between two planes where half of the coupling arises."""
    conductors, case = base.conductors, base.case
    if len(conductors.names) < 2:
        return {}
    i, j = base.index(loop.name), base.index(lead.name)
    parts = [base.whole.on(n) for n in range(len(conductors.names))]
    sizes = [float(np.abs(coupling.coupling_density(part, i, j)) @ part.mesh.areas) for part in parts]
    worst = int(np.argmax(sizes))
    if not sizes[worst] > 0:
        return {}
    part = parts[worst]
    density, areas = coupling.coupling_density(part, i, j), part.mesh.areas
    chosen = coupling.carrying_triangles(density, areas, 0.5)
    centre = part.mesh.points[part.mesh.triangles[chosen]].mean(axis=1)
    x, y = np.average(centre, axis=0, weights=(np.abs(density) * areas)[chosen]).tolist()
    for other in np.argsort(conductors.distance[worst]).tolist():
        if other == worst or not conductors.distance[worst, other] > 0:
            continue
        ends = [
            Terminal(name=f"drawn via for {loop.name} on {name}", copper=name, shape=circle(x, y, STITCH))
            for name in (conductors.names[worst], conductors.names[other])
        ]
        link = Link(name=f"drawn via for {loop.name}", between=(ends[0].name, ends[1].name), resistance=STITCH_OHM)
        board = case.board
        new = replace(board, terminals=(*board.terminals, *ends), links=(*board.links, link))
        drawn = bare(case, new)
        if all(fits(drawn.board, end.name, (x, y)) for end in ends):
            where = near(x, y)
            change = f"{named(ends[0].copper)} and {named(ends[1].copper)} are joined by one more via at {where}."
            return {f"one more via at {where}": Trial(case=drawn, changes=(change,))}
    return {}


def wanted(
    base: Result, options: Mapping[str, Sequence[Option]], boards: Callable[[Loop, Result], dict[str, Trial]]
) -> dict[str, Trial]:
    """
    Boards to solve for all that is over its limit and has no solved way to keep it with room.

    Parameters
    ----------
    base : Result
        The case as drawn.
    options : mapping of loop to its options so far
        Of signals, and of cables.
    boards : `usual` or `further`
    """
    found: dict[str, Trial] = {}
    # Of many pairs of cables the worst: what brings them back is mostly the same.
    cables = sorted((it for it in base.cables if it.verdict != "kept"), key=lambda it: it.margin_dB)[:MOST_CABLES]
    for budget in (*base.sensitive, *cables):
        solved = [o for o in options[budget.loop] if o.variant is not None and o.has_room and not o.broken]
        if budget.role == "cables":
            # A gap may be there for a reason: a trace led round it or a bridge under it changes less than closing it.
            tried = boards is not usual
            solved = [option for option in solved if not option.harmful and (tried or option.variant != CLOSED)]
        if budget.verdict in ("exceeded", "undecided") and not solved:
            found |= boards(base.case.loop(budget.loop), base)
    return {name: trial for name, trial in found.items() if not check_case(trial.case).mistakes}


def crosses_more(base: Result, case: Case) -> bool:
    """
    Whether a route of a trial crosses a gap that it does not cross as drawn.

    What a gap costs is told of the board as drawn, and of a trial only if the gap is new to a route: to know it takes
    another solve without gaps, a third of a board's time.
    """
    if base.spectral is None:
        return False
    before = {name: set(facts.gaps) for name, facts in zip(base.loop_names, base.spectral.facts, strict=True)}
    crossed = zip(case.loops, faced(case, Conductors.of(case)), strict=True)
    return any(set(item.gaps) - before.get(loop.name, set()) for loop, item in crossed)
