"""Cable connectors on both sides of a gap, and noisy loops between two cable connectors."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import shapely
from shapely import LineString

from returnflow.advice.findings import Finding, place
from returnflow.answers import missing
from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.result import Result
from returnflow.answers.spectra import lines_of
from returnflow_geometry.checks.gaps import HAIR, filled, long_parts, open_cutouts
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import engineering, millimetres, percent
from returnflow_geometry.model.wording import listed, named

RADIO = 150e3  # Hz: from here on a cable's voltage is looked at as an emission; from memory
STRIP = 0.1  # of the distance of two connectors: half the width of what lies between, and the least size of a gap there


def _pairs(result: Result) -> Iterator[tuple[int, Loop, Budget, LineString]]:
    """Pairs of cables, with the straight line between their connectors."""
    budgets = {budget.loop: budget for budget in result.cables}
    for i, loop in enumerate(result.case.loops):
        if loop.name in budgets:
            ends = [result.case.board.terminal(end).centre for end in (loop.inject, loop.return_)]
            yield i, loop, budgets[loop.name], LineString(ends)


def apart(result: Result) -> Iterator[Finding]:
    """Pairs of cables whose connectors have a gap or the border of a copper between them."""
    for i, loop, budget, line in _pairs(result):
        barrier = _barrier(result, loop, line)
        if barrier is None:
            continue
        what, names, bare = barrier
        text = (
            f"Between {loop.inject} and {loop.return_}, {millimetres(line.length)} apart, lies {what}: "
            f"{engineering(budget.noise, 'V')} rms between these connectors, limit {engineering(budget.limit, 'V')}"
        )
        parts = [part for part in budget.contributions if part.in_band and part.noise > 0]
        if parts:
            each = ", ".join(f"{named(part.loop)} {engineering(part.noise, 'V')}" for part in parts)
            text += f" ({each})"
            # Noise of what radiates is that of one line.
            if loop.radiates is None and (loop.band is None or loop.band[1] > RADIO):
                radio = engineering(radio_voltage(result, i), "V")
                text += f"; {radio} of it at {engineering(RADIO, 'Hz')} or above"
        middle = shapely.line_interpolate_point(shapely.get_parts(bare), 0.5, normalized=True)
        yield Finding(
            kind="connectors", things=(loop.name, *names), sentence=text + ".", severity=budget.noise / budget.limit,
            value=budget.noise, unit="V", at=place(shapely.get_coordinates(middle)),
        )  # fmt: skip


def _barrier(result: Result, loop: Loop, line: LineString) -> tuple[str, tuple[str, ...], shapely.Geometry] | None:
    """What the straight line between two connectors has to pass: in words, its names, and the line over no copper."""
    board, conductors = result.case.board, result.conductors
    first, second = (board.terminal(end).copper for end in (loop.inject, loop.return_))
    least = STRIP * line.length
    coppers = [filled(conductors.planes[conductors.names.index(name)].copper, least) for name in {first, second}]
    bare = shapely.difference(line, shapely.union_all(coppers))
    if first != second:
        return f"the border between coppers {named(first)} and {named(second)}", (first, second), bare
    if not bare.length > HAIR:
        return None
    passed = tuple(
        name
        for name, shape in open_cutouts(board, first)
        if any(line.intersection(part).length > 0 for part in long_parts(shape, least))
    )
    return (listed(passed, "and"), passed, bare) if passed else (f"the edge of copper {named(first)}", (first,), bare)


def radio_voltage(result: Result, i: int) -> float:
    """Voltage in one loop of those lines of the noisy loops in its band that are at RADIO or above, V rms."""
    low, high = result.case.loops[i].band or (0.0, math.inf)
    total = 0.0
    for j, loop in enumerate(result.case.loops):
        if loop.role != "noisy":
            continue
        lines = lines_of(loop)
        # A current of unknown frequency has its line at 0 Hz.
        some = (lines.frequency >= max(RADIO, low)) & (lines.frequency <= high)
        if some.any():
            total += float(np.sum(np.abs(lines.current * result.at_lines(loop)[:, i, j])[some] ** 2))
    return math.sqrt(total)


def between(result: Result) -> Iterator[Finding]:
    """Noisy loops that cross the straight line between two cable connectors, or come near to it."""
    board = result.case.board
    for _, victim, budget, line in _pairs(result):
        strip = line.buffer(STRIP * line.length, cap_style="flat")
        coppers = {board.terminal(end).copper for end in (victim.inject, victim.return_)}
        parts = {part.loop: part for part in budget.contributions}
        for loop in result.case.loops:
            ends = [board.terminal(end) for end in (loop.inject, loop.return_)]
            if loop.role != "noisy" or not coppers & {end.copper for end in ends}:
                continue
            ways = {"the straight line between its ends": LineString([end.centre for end in ends])}
            if loop.route is not None:
                ways["its outgoing conductor"] = LineString(loop.route.path)
            # What starts at a connector's pin is there, and not between the two.
            shared = {loop.inject, loop.return_} & {victim.inject, victim.return_}
            pins = [shapely.Point(board.terminal(end).centre) for end in shared]
            there = shapely.union_all([pin.buffer(2 * STRIP * line.length) for pin in pins])
            ways = {what: way.difference(there) for what, way in ways.items()}
            met = {what: way for what, way in ways.items() if way.intersects(strip)}
            if met:
                routeless = missing.routeless(board, (loop,), result.conductors.reference)
                above = min((limit for _, limit in routeless), default=math.inf)
                yield _lies_between(victim, loop, met, line, parts[loop.name], budget, above)


def _lies_between(
    victim: Loop,
    loop: Loop,
    met: dict[str, shapely.Geometry],
    line: LineString,
    part: Contribution,
    budget: Budget,
    routeless: float,
) -> Finding:
    what, way = min(met.items(), key=lambda item: float(item[1].distance(line)))
    distance = float(way.distance(line))
    how = f"comes within {millimetres(distance)} of" if distance > 0 else "crosses"
    text = (
        f"{named(loop.name)} lies between {victim.inject} and {victim.return_}: {what} {how} the line between them; it "
        f"puts {engineering(part.noise, 'V')} rms between these connectors"
    )
    severity = 0.0
    if part.in_band:
        severity = part.noise / budget.limit
        text += f", {percent(part.part)} of the noise power; limit {engineering(budget.limit, 'V')} in all"
    else:
        text += ", all of it out of band"
        if part.strongest[0] > routeless:  # hertz, above which it matters that it has no route
            text += " and computed as if its current came from far away: draw its route to know"
    return Finding(
        kind="between", things=(loop.name, victim.name), sentence=text + ".", severity=severity, value=part.noise,
        unit="V", at=place(shapely.get_coordinates(shapely.shortest_line(line, way))),
    )  # fmt: skip
