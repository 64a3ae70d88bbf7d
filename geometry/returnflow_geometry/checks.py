"""Geometric checks of a case: whether every drawn thing lies where it can mean something."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import shapely
from shapely import LineString, Polygon, STRtree

from returnflow_geometry.board import GRID, Case, Copper, Cutout, Shape, Terminal
from returnflow_geometry.connection import Connection, LoopEnds, as_array, explain_separation
from returnflow_geometry.drawing import MM, mm, place
from returnflow_geometry.keys import label, listed
from returnflow_geometry.outgoing import route_assumptions, route_mistakes

NEAR = 1e-6  # m: contacts nearer than this count as one, no board shop keeps them apart
LEAST_CONTACT = 0.05  # of a terminal's area: less than this is a drawing mistake, not a contact
WHOLE_CONTACT = 0.999  # more than this is rounding
LEAST_AREA = 1e-12  # m2: a square micrometre
MAX_PAIRS = 20  # overlapping pairs reported
MAX_PIECES = 5  # floating pieces listed


class Findings(NamedTuple):
    """What the checks found: mistakes that forbid a solve, and plain sentences about what is assumed."""

    mistakes: list[str]
    assumptions: list[str]


def check_case(case: Case, *, connections: bool = True) -> Findings:
    """
    Check where the things of a case lie.

    Parameters
    ----------
    case : Case
        Names are unique per kind, and every shape is valid. Things that could not be read are simply absent.
    connections : bool
        Whether to check that the two ends of each loop are connected. False when a terminal is missing
        from the case, as it may be the one that joins two pieces of copper.

    Returns
    -------
    findings : Findings
        One line per mistake: which thing, what was found, the rule, and what to do.

    Examples
    --------
    >>> from returnflow_geometry.board import Board, Layer
    >>> from returnflow_geometry.shapes import rectangle
    >>> plane = rectangle(0.0, 0.0, 0.1, 0.08)
    >>> board = Board(
    ...     outline=plane,
    ...     temperature=25.0,
    ...     layers=(Layer(name="L1", thickness=35e-6),),
    ...     coppers=(Copper(name="ground", layer="L1", shape=plane),),
    ...     terminals=(Terminal(name="A", copper="ground", shape=rectangle(0.2, 0.01, 0.202, 0.012)),),
    ... )
    >>> print(check_case(Case(title="demo", board=board, loops=())).mistakes[0])
    terminal "A": at (201, 11) mm lies off the copper "ground", the nearest copper is 100 mm away at \
(100, 12) mm; a terminal must touch copper; move it or extend the copper
    """
    findings = Findings([], [])
    good: set[str] = set()
    for copper in case.board.coppers:
        sheet = Sheet(case, copper)
        _check_outline(case.board.outline, sheet, findings)
        if sheet.left.is_empty:
            _wrong(
                findings,
                label("copper", copper.name),
                f"is taken away wholly by {_cutouts(sheet.cutouts)}",
                "copper must be left to carry current",
                "shrink the cutouts",
            )
            continue
        _check_cutouts(sheet, findings)
        _check_contacts(sheet, findings)
        _check_spacing(sheet, findings)
        if connections:
            _check_connections(case, sheet, findings)
        _check_regions(case, sheet, findings)
        _check_sections(case, sheet, findings)
        good.update(contact.terminal.name for contact in sheet.good_contacts)
    for loop in case.loops:
        for mistake in route_mistakes(case.board, loop, good):
            _wrong(findings, *mistake)
        findings.assumptions.extend(route_assumptions(case.board, loop))
    used = {name for loop in case.loops for name in (loop.inject, loop.return_)}
    idle = [terminal.name for terminal in case.board.terminals if terminal.name not in used]
    if idle:
        what = f"Terminal {listed(idle)} is" if len(idle) == 1 else f"Terminals {listed(idle)} are each"
        findings.assumptions.append(
            f"{what} used by no loop, and treated as one equipotential contact that carries no net current."
        )
    return findings


class Sheet:
    """One copper with what is left of it, and everything that belongs to it."""

    def __init__(self, case: Case, copper: Copper) -> None:
        self.copper = copper
        self.drawn: Shape = copper.shape
        self.cutouts = [cutout for cutout in case.board.cutouts if cutout.copper == copper.name]
        self.terminals = [terminal for terminal in case.board.terminals if terminal.copper == copper.name]
        self.left: Shape = case.board.remaining(copper.name)
        shapely.prepare(self.drawn)
        shapely.prepare(self.left)

    @cached_property
    def cutout_tree(self) -> STRtree:
        """Finds cutouts by place."""
        return STRtree([cutout.shape for cutout in self.cutouts])

    @cached_property
    def contacts(self) -> list[Contact]:
        """Where each terminal touches copper."""
        shapes = as_array([terminal.shape for terminal in self.terminals])
        whole = shapely.covers(self.left, shapes)
        return [
            Contact(terminal, terminal.shape if inside else self._touched(terminal.shape))
            for terminal, inside in zip(self.terminals, whole, strict=True)
        ]

    @cached_property
    def good_contacts(self) -> list[Contact]:
        """Contacts that are more than a sliver of their terminal."""
        return [contact for contact in self.contacts if contact.share >= LEAST_CONTACT]

    @cached_property
    def connection(self) -> Connection:
        """Which pieces of the copper are joined."""
        bridges = [contact.shape for contact in self.good_contacts]
        return Connection(parts(self.left), bridges)

    def cutouts_at(self, shape: Shape) -> list[Cutout]:
        """Cutouts that overlap a shape."""
        near = [self.cutouts[k] for k in sorted(self.cutout_tree.query(shape, predicate="intersects"))]
        return [cutout for cutout in near if shapely.intersection(cutout.shape, shape).area > LEAST_AREA]

    def _touched(self, shape: Shape) -> Shape:
        # From the few cutouts here, as cutting a plane with thousands of holes costs milliseconds each time.
        touched = shapely.intersection(self.drawn, shape)
        holes = [self.cutouts[k].shape for k in self.cutout_tree.query(shape, predicate="intersects")]
        return shapely.difference(touched, shapely.union_all(holes)) if holes else touched


@dataclass(frozen=True)
class Contact:
    """A terminal and the part of it that touches copper."""

    terminal: Terminal
    shape: Shape

    @property
    def share(self) -> float:
        """Part of the terminal's area that touches copper, 0 to 1."""
        return float(shapely.area(self.shape) / shapely.area(self.terminal.shape))


def parts(shape: Shape) -> list[Polygon]:
    """Separate pieces of a shape, without slivers below a square micrometre. A common point joins nothing."""
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > LEAST_AREA]


def _wrong(findings: Findings, where: str, given: str, rule: str, advice: str) -> None:
    findings.mistakes.append(f"{where}: {given}; {rule}; {advice}")


def _cutouts(cutouts: Sequence[Cutout]) -> str:
    return f"cutout{'s' if len(cutouts) > 1 else ''} {listed([cutout.name for cutout in cutouts])}"


def _at(shape: Any) -> str:
    point = shape.representative_point()
    return place(point.x, point.y)


def _check_outline(outline: Shape, sheet: Sheet, findings: Findings) -> None:
    if outline.is_empty:  # could not be read, and is reported
        return
    outside = shapely.difference(sheet.drawn, shapely.buffer(outline, GRID, quad_segs=1))
    if outside.area > LEAST_AREA:
        corners = shapely.points(shapely.get_coordinates(outside))
        reach = shapely.distance(outline, corners)
        worst = corners[int(np.argmax(reach))]
        _wrong(
            findings,
            f"{label('copper', sheet.copper.name)}: shape",
            f"lies outside the board's outline, by up to {MM * reach.max():.3g} mm at {place(worst.x, worst.y)}",
            "copper must lie within the outline",
            "shrink the copper or extend the outline",
        )


def _check_cutouts(sheet: Sheet, findings: Findings) -> None:
    for cutout in sheet.cutouts:
        pieces = shapely.get_parts(cutout.shape)
        off = ~shapely.intersects(sheet.drawn, pieces)
        for k in np.flatnonzero(~off & ~shapely.covers(sheet.drawn, pieces)):
            off[k] = not shapely.intersection(sheet.drawn, pieces[k]).area > LEAST_AREA
        if off.all():
            _wrong(
                findings,
                label("cutout", cutout.name),
                f"lies wholly off the copper {listed([sheet.copper.name])}, {_nearest(sheet.drawn, cutout.shape)}",
                "a cutout must take copper away",
                "move it or remove it",
            )
        elif off.any():
            findings.assumptions.append(
                f"Cutout {listed([cutout.name])}: {off.sum()} of its {len(pieces)} parts lie off the copper, "
                f"one near {_at(pieces[off][0])}, and change nothing."
            )


def _nearest(copper: Shape, shape: Shape) -> str:
    line = shapely.shortest_line(copper, shape)
    x, y = line.coords[0]
    return f"the nearest copper is {MM * line.length:.3g} mm away at {place(x, y)}"


def _check_contacts(sheet: Sheet, findings: Findings) -> None:
    for contact in sheet.contacts:
        terminal, share = contact.terminal, contact.share
        where = label("terminal", terminal.name)
        if share >= WHOLE_CONTACT:
            continue
        holes = sheet.cutouts_at(terminal.shape)
        at = f"at {place(*terminal.centre)}"
        if share >= LEAST_CONTACT:
            by = _cutouts(holes) if holes else "the copper's edge"
            findings.assumptions.append(
                f"Terminal {listed([terminal.name])} is cut by {by}: the {100 * share:.3g} % of its contact "
                "that touches copper is taken as the terminal."
            )
        elif shapely.intersection(contact.shape, sheet.left).area > LEAST_AREA:
            _wrong(
                findings,
                where,
                f"{at} touches the copper with {100 * share:.2g} % of its contact only",
                f"at least {100 * LEAST_CONTACT:g} % of a terminal must touch copper",
                "move it onto the copper",
            )
        elif holes:
            _wrong(
                findings,
                where,
                f"{at} lies inside {_cutouts(holes)}, {_nearest(sheet.left, terminal.shape)}",
                "a terminal must touch copper",
                "move the terminal, or move or shrink the cutout",
            )
        else:
            _wrong(
                findings,
                where,
                f"{at} lies off the copper {listed([sheet.copper.name])}, {_nearest(sheet.left, terminal.shape)}",
                "a terminal must touch copper",
                "move it or extend the copper",
            )


def _check_spacing(sheet: Sheet, findings: Findings) -> None:
    contacts = sheet.good_contacts
    shapes = [contact.terminal.shape for contact in contacts]
    first, second = STRtree(shapes).query(as_array(shapes), predicate="dwithin", distance=NEAR)
    pairs = sorted((i, j) for i, j in zip(first.tolist(), second.tolist(), strict=True) if i < j)
    for i, j in pairs[:MAX_PAIRS]:
        gap = shapely.distance(shapes[i], shapes[j])
        overlap = shapely.intersection(shapes[i], shapes[j]).area
        if overlap > LEAST_AREA:
            what = f"overlap by {overlap * MM**2:.3g} mm2"
        else:
            what = "touch" if gap <= GRID else f"are only {MM * gap:.3g} mm apart"
        _wrong(
            findings,
            f"terminals {listed([contacts[i].terminal.name, contacts[j].terminal.name])}",
            f"{what}, with centres at {place(*contacts[i].terminal.centre)} and {place(*contacts[j].terminal.centre)}",
            f"terminals on one copper must be at least {mm(NEAR)} mm apart",
            "join them into one terminal or move one",
        )
    if len(pairs) > MAX_PAIRS:
        _wrong(
            findings,
            f"terminals on copper {listed([sheet.copper.name])}",
            f"overlap or touch in {len(pairs) - MAX_PAIRS} more places",
            f"terminals on one copper must be at least {mm(NEAR)} mm apart",
            "correct the ones above first",
        )


def _check_connections(case: Case, sheet: Sheet, findings: Findings) -> None:
    connection = sheet.connection
    bridge = {contact.terminal.name: k for k, contact in enumerate(sheet.good_contacts)}
    for name, k in bridge.items():
        joined = len(connection.pieces_at(k))
        if joined > 1:
            findings.assumptions.append(
                f"Terminal {listed([name])} touches {joined} separate pieces of copper and joins them."
            )
    reasons: dict[frozenset[int], tuple[str, str]] = {}  # by the groups of pieces to be joined
    for loop in case.loops:
        if loop.inject not in bridge or loop.return_ not in bridge:
            continue
        ends = LoopEnds(bridge[loop.inject], bridge[loop.return_])
        if connection.joins(ends):
            continue
        groups = frozenset(connection.group_of(end) for end in ends)
        if groups not in reasons:
            reasons[groups] = explain_separation(sheet.drawn, sheet.cutouts, connection, ends)
        rule, advice = reasons[groups]
        _wrong(
            findings,
            label("loop", loop.name),
            f"inject {listed([loop.inject])} and return {listed([loop.return_])} lie on pieces of copper "
            f"{listed([sheet.copper.name])} that are not connected",
            rule,
            advice,
        )
    floating = sorted(connection.floating(), key=lambda piece: -piece.area)
    findings.assumptions.extend(
        f"Copper {listed([sheet.copper.name])}: a piece of {piece.area * MM**2:.4g} mm2 at {_at(piece)} has "
        "no terminal and carries no current."
        for piece in floating[:MAX_PIECES]
    )
    if len(floating) > MAX_PIECES:
        findings.assumptions.append(
            f"Copper {listed([sheet.copper.name])}: {len(floating) - MAX_PIECES} more and smaller pieces "
            "have no terminal and carry no current."
        )


def _check_regions(case: Case, sheet: Sheet, findings: Findings) -> None:
    for region in case.regions:
        if region.copper != sheet.copper.name:
            continue
        if not shapely.intersection(region.shape, sheet.left).area > LEAST_AREA:
            _wrong(
                findings,
                label("region", region.name),
                f"lies off the copper {listed([sheet.copper.name])}, {_nearest(sheet.left, region.shape)}",
                "a region must overlap copper",
                "move it onto the copper",
            )


def _check_sections(case: Case, sheet: Sheet, findings: Findings) -> None:
    shapes = as_array([contact.shape for contact in sheet.good_contacts])
    for section in case.sections:
        if section.copper != sheet.copper.name:
            continue
        where = f"{label('section', section.name)}: path"
        line = LineString(section.path)
        inside = shapely.intersection(line, sheet.left)
        along = shapely.intersection(inside, shapely.boundary(sheet.left))
        if not inside.length - along.length > NEAR:
            _wrong(
                findings,
                where,
                f"does not cross the copper {listed([sheet.copper.name])}, {_nearest(sheet.left, line)}",
                "a section must cross copper",
                "move the path across the copper whose current you want",
            )
            continue
        met = np.flatnonzero(shapely.dwithin(line, shapes, GRID))
        if len(met):
            names = [sheet.good_contacts[k].terminal.name for k in met]
            _wrong(
                findings,
                where,
                f"passes through the contact of terminal{'s' if len(names) > 1 else ''} {listed(names)}",
                "a section must pass beside it, else its current is on neither side",
                "move the path to the side where that terminal is not to count",
            )
        ends = [] if section.path[0] == section.path[-1] else [section.path[0], section.path[-1]]
        points = shapely.points(ends) if ends else []
        loose = [
            place(point.x, point.y)
            for point in points
            if sheet.left.contains(point) and shapely.distance(shapely.boundary(sheet.left), point) > GRID
        ]
        if loose:
            findings.assumptions.append(
                f"Section {listed([section.name])} ends inside the copper at {' and at '.join(loose)}: it "
                "counts only the current between its ends."
            )
