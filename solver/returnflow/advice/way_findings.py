"""Routes that are much longer than need be, and routes that change the copper they refer to; and what that costs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np
import shapely
from shapely import Point

from returnflow.advice.findings import Finding
from returnflow.advice.route_findings import NOTABLE, inductive
from returnflow.answers.result import Result
from returnflow_geometry.model.board import Board
from returnflow_geometry.model.numbers import engineering, millimetres, place
from returnflow_geometry.model.wording import named

LONGER = 1.5  # times the straight way between the ends, from which a route is worth a look; common practice, no source
MORE = 10e-3  # m beyond the straight way, likewise
NEARBY = 5e-3  # m from a change of copper to the next link between both; common practice, no source


def detours(result: Result) -> Iterator[Finding]:
    """Routes of noisy loops that are much longer than the straight way between their ends."""
    facts = result.spectral.facts if result.spectral else None
    for j, loop in enumerate(result.case.loops):
        if loop.role != "noisy" or loop.route is None or facts is None:
            continue
        straight, length = math.dist(loop.route.path[0], loop.route.path[-1]), loop.route.length
        if length < LONGER * straight or length - straight < MORE:
            continue
        # A ribbon of current below a trace: inductance in proportion to length. Gaps have findings of their own.
        along = facts[j].high_inductance - max(0.0, facts[j].gap_inductance or 0.0)
        extra = along * (1 - straight / length)
        dropped = inductive(loop, extra)
        if dropped is None:
            continue
        total = float(np.linalg.norm(dropped[1]))
        ends, whole = millimetres(straight), engineering(along, "H")
        yield Finding(
            kind="detour", things=(loop.name,),
            sentence=(
                f"The route of {named(loop.name)} is {millimetres(length)} long, its ends are {ends} apart: in "
                f"proportion to length about {engineering(extra, 'H')} of the {whole} of its loop"
                f"{', what gaps add aside,' if along < facts[j].high_inductance else ''} are due to that; its "
                f"own current drops {engineering(total, 'V')} rms there."
            ),
            severity=total / NOTABLE, value=extra, unit="H", at=loop.route.path[len(loop.route.path) // 2],
        )  # fmt: skip


def changes(result: Result) -> Iterator[Finding]:
    """Routes that go over from one copper to another as reference where no link joins the two nearby."""
    board = result.case.board
    facts = result.spectral.facts if result.spectral else None
    for j, loop in enumerate(result.case.loops):
        if loop.route is None:
            continue
        for one, other in itertools.pairwise(loop.route.legs):
            at = other.path[0]
            first, second = (_reference(board, leg.layer, at) for leg in (one, other))
            if first is None or second is None or first == second:
                continue
            link, away = _nearest_link(board, first, second, at)
            if away <= NEARBY:
                continue
            where = (
                f"the next link between them, {named(link)}, is {millimetres(away)} away"
                if link
                else ("no link joins them")
            )
            text = (
                f"The route of {named(loop.name)} changes its reference from {named(first)} to {named(second)} at "
                f"{place(*at)}, where {where}"
            )
            value, severity = None, 0.0
            if facts is not None:
                value, length = facts[j].high_length, loop.route.length
                severity = max(value - length, 0.0) / length
                text += (
                    f": at high frequency its mean return path is {millimetres(value)} long, its conductor "
                    f"{millimetres(length)}, and its loop has {engineering(facts[j].high_inductance, 'H')}"
                )
            yield Finding(
                kind="change", things=(loop.name, first, second), sentence=text + ".", severity=severity, value=value,
                unit="m", at=at,
            )  # fmt: skip


def _reference(board: Board, layer: str, at: tuple[float, float]) -> str | None:
    """Copper nearest in height to a layer, of those that lie there."""
    here = [
        copper.name for copper in board.coppers if shapely.covers(copper.shape, Point(at)) and copper.layer != layer
    ]
    return min(here, key=lambda name: abs(board.height(layer, name)), default=None)


def _nearest_link(board: Board, first: str, second: str, at: tuple[float, float]) -> tuple[str, float]:
    """Name and distance of the nearest link between two coppers; no name and infinity where there is none."""
    found = [
        (math.dist(board.terminal(link.between[0]).centre, at), link.name)
        for link in board.links
        if {board.terminal(end).copper for end in link.between} == {first, second}
    ]
    away, name = min(found, default=(math.inf, ""))
    return name, away
