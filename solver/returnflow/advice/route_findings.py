"""Routes that cross a gap, leave their copper, or run near its edge; and what that does to their return."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.ops import substring

from returnflow.advice.findings import Finding, place
from returnflow.answers import frequency
from returnflow.answers.frequency import LoopFacts
from returnflow.answers.result import Result
from returnflow.answers.spectra import HIGHEST, Lines, lines_of
from returnflow.magnetic.traces import Route
from returnflow_geometry.checks.gaps import GAP, Stretch, edges, filled, long_parts, open_cutouts, stretches
from returnflow_geometry.model.board import Loop, Shape
from returnflow_geometry.model.numbers import engineering, millimetres, percent
from returnflow_geometry.model.wording import listed, named

Floats = NDArray[np.float64]

ROUND = 32  # chords of a quarter circle: distances to 3e-4
BESIDE = 5.0  # heights from a copper edge, for more than as many heights: common practice, no source
RIBBON = 3.0  # heights on either side of a conductor, within which most of its return flows
NOTABLE = 1e-3  # V: at radio frequency it can exceed a limit of radiated emission; common practice, no source


class _Trace(NamedTuple):
    """Route of a loop over the copper it faces, metres; a hole or gap shorter than `least` is none to it."""

    number: int
    loop: Loop
    route: Route
    line: LineString
    copper: int
    name: str
    gaps: tuple[str, ...]
    height: float
    least: float


class Routes:
    """Findings about the outgoing conductors of a result."""

    def __init__(self, result: Result) -> None:
        self.result, self.board = result, result.case.board
        self.facts: tuple[LoopFacts, ...] | None = result.spectral.facts if result.spectral else None
        self._remaining: dict[str, Shape] = {
            name: plane.copper for name, plane in zip(result.conductors.names, result.conductors.planes, strict=True)
        }
        self.traces: list[_Trace] = []
        for j, item in enumerate(result.facing):
            loop = result.case.loops[j]
            if loop.route is not None and item.route is not None and item.route.height:
                h = abs(item.route.height)
                self.traces.append(
                    _Trace(
                        j, loop, item.route, LineString(loop.route.path), item.copper,
                        result.conductors.names[item.copper], item.gaps, h, GAP * max(h, loop.route.width),
                    )
                )  # fmt: skip
        self.gaps = {name: open_cutouts(self.board, name) for name in {trace.name for trace in self.traces}}

    def remaining(self, copper: str) -> Shape:
        """What is left of a copper after its cutouts, metres."""
        if copper not in self._remaining:
            self._remaining[copper] = self.board.remaining(copper)
        return self._remaining[copper]

    def crossings(self) -> Iterator[Finding]:
        """Routes that cross a gap, go over from one copper to another, or pass over none."""
        for it in self.traces:
            if it.gaps:
                yield self._over_gaps(it)
            layer = self.board.copper(it.name).layer
            here = [copper.name for copper in self.board.coppers if copper.layer == layer]
            parts = stretches(it.line.coords, [filled(self.remaining(name), it.least) for name in here])
            covered = [part for part in parts if part.over is not None]
            for before, after in itertools.pairwise(covered):
                if before.over != after.over:
                    names = tuple(here[part.over] for part in (before, after) if part.over is not None)
                    what = f"leaves {named(names[0])} for {named(names[1])}{_bare(after.start - before.end)}"
                    yield self._off_copper(it, names, what, 0.5 * (before.end + after.start))
            for part in self._nowhere(it, parts):
                what = f"passes over no copper of layer {named(layer)} for {millimetres(part.length)}"
                yield self._off_copper(it, (it.name,), what, 0.5 * (part.start + part.end))

    def _nowhere(self, it: _Trace, parts: list[Stretch]) -> Iterator[Stretch]:
        """Long stretches over no copper that neither lie in a named gap nor between two coppers."""
        named = [shape for name, shape in self.gaps[it.name] if name in it.gaps]
        for n, part in enumerate(parts):
            beside = {parts[k].over for k in (n - 1, n + 1) if 0 <= k < len(parts)}
            if part.over is not None or part.length <= it.least or len(beside) > 1:
                continue
            bare = substring(it.line, part.start, part.end)
            if not any(shapely.intersection(bare, shape).length > 0 for shape in named):
                yield part

    def _over_gaps(self, it: _Trace) -> Finding:
        shapes = [part for name, shape in self.gaps[it.name] if name in it.gaps for part in long_parts(shape, it.least)]
        drawn = self.board.copper(it.name).shape
        over = shapely.intersection(shapely.intersection(it.line, shapely.union_all(shapes)), drawn)
        text = f"{named(it.loop.name)} crosses {listed(it.gaps, 'and')}{_bare(over.length)}"
        facts = self.facts[it.number] if self.facts else None
        value, severity = None, 0.0
        if facts is None or facts.gap_inductance is None:
            text += "; its cost was not computed"
        else:
            value = facts.gap_inductance
            text += f": at high frequency that adds {engineering(value, 'H')} to its loop"
            if facts.gap_detour is not None:
                text += f" and {millimetres(facts.gap_detour)} to its mean return path"
                severity = max(facts.gap_detour, 0.0) / it.line.length
            dropped = inductive(it.loop, value)
            if dropped is not None:
                lines, volts = dropped
                total, top = float(np.linalg.norm(volts)), int(np.argmax(volts))
                severity = total / NOTABLE
                most = f" at {engineering(float(lines.frequency[top]), 'Hz')}"
                if len(volts) > 1:
                    most = f", {engineering(float(volts[top]), 'V')} of it{most}"
                text += f"; its own current drops {engineering(total, 'V')} rms there{most}"
        middle = shapely.get_coordinates(shapely.line_interpolate_point(shapely.get_parts(over), 0.5, normalized=True))
        return Finding(
            kind="crossing", things=(it.loop.name, *it.gaps), sentence=text + ".", severity=severity, value=value,
            unit="H", at=place(middle),
        )  # fmt: skip

    def _off_copper(self, it: _Trace, names: tuple[str, ...], what: str, along: float) -> Finding:
        """Without a copper that has no such place there is nothing to compare with: the whole way back is given."""
        text, value, severity = f"{named(it.loop.name)} {what}", None, 0.0
        if self.facts:
            facts, length = self.facts[it.number], it.line.length
            value = facts.high_length
            text += (
                f": at high frequency its mean return path is {millimetres(value)} long, its conductor "
                f"{millimetres(length)}, and its loop has {engineering(facts.high_inductance, 'H')}"
            )
            if self._turns(it):
                severity = max(value - length, 0.0) / length
            else:
                text += "; none of its own lines is that high in frequency"
        at = it.line.interpolate(along)
        return Finding(
            kind="crossing", things=(it.loop.name, *names), sentence=text + ".", severity=severity, value=value,
            unit="m", at=(float(at.x), float(at.y)),
        )  # fmt: skip

    def _turns(self, it: _Trace) -> bool:
        """Whether any current of a loop leaves the resistive pattern; where none is known, it may."""
        if it.loop.role != "noisy":
            return True
        lines = lines_of(it.loop)
        turning = self.facts[it.number].turning if self.facts else None
        return lines.anywhere or (turning is not None and float(lines.frequency[-1]) > turning)

    def near_edges(self) -> Iterator[Finding]:
        """
        Routes within BESIDE heights of an edge for more than as many heights.

        What lies that near to the loop's own terminals is left out (a connector stands at the edge), and what lies
        within twice that of where the route crosses the same edge (that is the crossing).
        """
        for it in self.traces:
            reach = BESIDE * it.height
            solid = filled(self.remaining(it.name), it.least)
            gaps = [(gap, shape) for gap, shape in self.gaps[it.name] if len(long_parts(shape, it.least))]
            ends = [self.board.terminal(end).shape for end in (it.loop.inject, it.loop.return_)]
            counted = shapely.intersection(it.line, solid)
            counted = shapely.difference(counted, shapely.union_all(shapely.buffer(ends, reach)))
            x0, y0, x1, y1 = it.line.bounds
            for gap, whole in edges(solid, gaps):
                edge = shapely.clip_by_rect(whole, x0 - reach, y0 - reach, x1 + reach, y1 + reach)
                near = shapely.intersection(counted, shapely.buffer(edge, reach, quad_segs=ROUND))
                crossing = shapely.intersection(it.line, edge)
                if not crossing.is_empty:
                    near = shapely.difference(near, shapely.buffer(crossing, 2 * reach))
                if near.length > reach:
                    yield self._edge(it, gap, edge, near)

    def _edge(self, it: _Trace, gap: str | None, edge: shapely.Geometry, near: shapely.Geometry) -> Finding:
        distance = float(shapely.distance(near, edge))
        text = (
            f"{named(it.loop.name)} runs within {BESIDE:g} trace heights ({millimetres(BESIDE * it.height)}) of the "
            f"edge of {'' if gap else 'copper '}{named(gap or it.name)} for {millimetres(near.length)}, at the "
            f"closest {millimetres(distance)} or {distance / it.height:.2g} trace heights away"
        )
        value, severity, spectral = None, 0.0, self.result.spectral
        if spectral is not None:
            among = frequency.among(spectral.model, self.result.conductors, it.copper)
            near_shares = frequency.near_shares(spectral.model, it.route, it.number, [HIGHEST], RIBBON, among)
            value, ideal = float(abs(near_shares[0])), frequency.unbroken_share(it.route, RIBBON)
            text += (
                f": at high frequency {percent(value)} of its return flows within {RIBBON:g} trace heights of "
                f"it; over an unbroken plane {percent(ideal)} would"
            )
            if self._turns(it):
                severity = max(0.0, 1 - value / ideal)
            else:
                text += "; none of its own lines is that high in frequency"
        return Finding(
            kind="edge", things=(it.loop.name, gap or it.name), sentence=text + ".", severity=severity, value=value,
            unit="", at=place(shapely.get_coordinates(shapely.shortest_line(near, edge))),
        )  # fmt: skip


def inductive(loop: Loop, inductance: float) -> tuple[Lines, Floats] | None:
    """Lines of a noisy loop, and the volts rms that each drops across an inductance in henry: 2 pi f L I; else None."""
    if loop.role != "noisy":
        return None
    lines = lines_of(loop)
    return None if lines.anywhere else (lines, 2 * np.pi * lines.frequency * abs(inductance) * lines.current)


def _bare(length: float) -> str:
    return f" ({millimetres(length)} over bare laminate)" if length > 0 else ""
