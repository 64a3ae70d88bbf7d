"""Geometric checks of one copper: its outline, cutouts and bridges, and what lies on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import shapely
from shapely import LineString, STRtree

from returnflow_geometry.checks.connection import as_array
from returnflow_geometry.checks.sheets import LEAST_AREA, LEAST_CONTACT, Sheet, parts
from returnflow_geometry.model.board import GRID, Case, Cutout, Region, Shape
from returnflow_geometry.model.numbers import MM, mm, place, square_millimetres
from returnflow_geometry.model.overlay import difference, intersection, union_all
from returnflow_geometry.model.wording import label, listed

NEAR = 1e-6  # m: contacts nearer than this count as one, no board shop keeps them apart
WHOLE_CONTACT = 0.999  # more than this is rounding
MAX_PAIRS = 20  # overlapping pairs reported
MAX_PIECES = 5  # floating pieces listed


class Findings(NamedTuple):
    """What the checks found: mistakes that forbid a solve, and plain sentences about what is assumed."""

    mistakes: list[str]
    assumptions: list[str]

    def wrong(self, where: str, given: str, rule: str, advice: str) -> None:
        """Note a mistake in four parts: which thing, what was found, the rule, what to do."""
        self.mistakes.append(f"{where}: {given}; {rule}; {advice}")


def check_copper(case: Case, sheet: Sheet, findings: Findings) -> None:
    """Check one copper, and all that lies on it, by itself."""
    outline = case.board.outline
    regions = [region for region in case.regions if region.copper == sheet.copper.name]
    if not any(layer.name == sheet.copper.layer and layer.off_board for layer in case.board.layers):
        _check_outline(outline, sheet, findings)
    _check_cutouts(sheet, findings)
    _check_bridges(sheet, findings)
    _check_contacts(sheet, findings)
    _check_spacing(sheet, findings)
    _check_regions(regions, sheet, findings)
    _check_sections(case, sheet, findings)


def cutouts_listed(cutouts: Sequence[Cutout]) -> str:
    """Cutouts as a message names them."""
    return f"cutout{'s' if len(cutouts) > 1 else ''} {listed([cutout.name for cutout in cutouts])}"


def at(shape: Any) -> str:
    """Some place inside a shape, as text."""
    point = shape.representative_point()
    return place(point.x, point.y)


def _check_outline(outline: Shape, sheet: Sheet, findings: Findings) -> None:
    if outline.is_empty:  # could not be read, and is reported
        return
    allowed = shapely.buffer(outline, GRID, quad_segs=1)
    laid = [("copper", sheet.copper.name, sheet.drawn), *(("bridge", item.name, item.shape) for item in sheet.bridges)]
    for kind, name, shape in laid:
        outside = difference(shape, allowed)
        if outside.area > LEAST_AREA:
            corners = shapely.points(shapely.get_coordinates(outside))
            reach = shapely.distance(outline, corners)
            worst = corners[int(np.argmax(reach))]
            findings.wrong(
                f"{label(kind, name)}: shape",
                f"lies outside the board's outline, by up to {MM * reach.max():.3g} mm at {place(worst.x, worst.y)}",
                "copper must lie within the outline",
                f"shrink the {kind}, extend the outline, or give its layer off_board if it is no part of the board",
            )


def _check_cutouts(sheet: Sheet, findings: Findings) -> None:
    for cutout in sheet.cutouts:
        pieces = shapely.get_parts(cutout.shape)
        off = ~shapely.intersects(sheet.drawn, pieces)
        for k in np.flatnonzero(~off & ~shapely.covers(sheet.drawn, pieces)):
            off[k] = not intersection(sheet.drawn, pieces[k]).area > LEAST_AREA
        if off.all():
            findings.wrong(
                label("cutout", cutout.name),
                f"lies entirely off the copper {listed([sheet.copper.name])}, {_nearest(sheet.drawn, cutout.shape)}",
                "a cutout must take copper away",
                "move it or remove it",
            )
        elif off.any():
            findings.assumptions.append(
                f"Cutout {listed([cutout.name])}: {off.sum()} of its {len(pieces)} parts lie off the copper, "
                f"one near {at(pieces[off][0])}, and change nothing."
            )


def _check_bridges(sheet: Sheet, findings: Findings) -> None:
    if not sheet.bridges:
        return
    laid = union_all([bridge.shape for bridge in sheet.bridges])
    before = sheet.before_bridges
    # Several bridges may lead on from one another: each piece they make must reach other copper.
    reaching = [part for part in parts(sheet.left) if difference(part, laid).area > LEAST_AREA]
    for bridge in sheet.bridges:
        if difference(bridge.shape, before).area <= LEAST_AREA:
            findings.assumptions.append(
                f"Bridge {listed([bridge.name])} lies entirely on existing copper and changes nothing."
            )
        elif not any(intersection(part, bridge.shape).area > LEAST_AREA for part in reaching):
            left = f", {_nearest(before, bridge.shape)}" if not before.is_empty else ""
            findings.wrong(
                label("bridge", bridge.name),
                f"touches nothing that is left of the copper {listed([sheet.copper.name])}{left}",
                "a bridge is laid on copper and leads on from it",
                "move or lengthen it, or draw it as a [[copper]] of its own",
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
        there = f"at {place(*terminal.centre)}"
        if share >= LEAST_CONTACT:
            by = cutouts_listed(holes) if holes else "the copper's edge"
            pieces = len(parts(contact.shape))
            joined = f", and its {pieces} pieces as one conductor: it bridges what parts them" if pieces > 1 else ""
            findings.assumptions.append(
                f"Terminal {listed([terminal.name])} is cut by {by}: the {100 * share:.3g} % of its contact "
                f"that touches copper is taken as the terminal{joined}."
            )
        elif intersection(contact.shape, sheet.left).area > LEAST_AREA:
            findings.wrong(
                where,
                f"{there} touches the copper with {100 * share:.2g} % of its contact only",
                f"at least {100 * LEAST_CONTACT:g} % of a terminal must touch copper",
                "move it onto the copper",
            )
        elif holes:
            findings.wrong(
                where,
                f"{there} lies inside {cutouts_listed(holes)}, {_nearest(sheet.left, terminal.shape)}",
                "a terminal must touch copper",
                "move the terminal, or move or shrink the cutout",
            )
        else:
            findings.wrong(
                where,
                f"{there} lies off the copper {listed([sheet.copper.name])}, {_nearest(sheet.left, terminal.shape)}",
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
        overlap = intersection(shapes[i], shapes[j]).area
        if overlap > LEAST_AREA:
            what = f"overlap by {square_millimetres(overlap)}"
        else:
            what = "touch" if gap <= GRID else f"are only {MM * gap:.3g} mm apart"
        findings.wrong(
            f"terminals {listed([contacts[i].terminal.name, contacts[j].terminal.name])}",
            f"{what}, with centres at {place(*contacts[i].terminal.centre)} and {place(*contacts[j].terminal.centre)}",
            f"terminals on one copper must be at least {mm(NEAR)} mm apart",
            "join them into one terminal or move one",
        )
    if len(pairs) > MAX_PAIRS:
        findings.wrong(
            f"terminals on copper {listed([sheet.copper.name])}",
            f"overlap or touch in {len(pairs) - MAX_PAIRS} more places",
            f"terminals on one copper must be at least {mm(NEAR)} mm apart",
            "correct the ones above first",
        )


def _check_regions(regions: Sequence[Region], sheet: Sheet, findings: Findings) -> None:
    for region in regions:
        if not intersection(region.shape, sheet.left).area > LEAST_AREA:
            findings.wrong(
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
        inside = intersection(line, sheet.left)
        along = intersection(inside, shapely.boundary(sheet.left))
        if not inside.length - along.length > NEAR:
            findings.wrong(
                where,
                f"does not cross the copper {listed([sheet.copper.name])}, {_nearest(sheet.left, line)}",
                "a section must cross copper",
                "move the path across the copper whose current you want",
            )
            continue
        met = np.flatnonzero(shapely.dwithin(line, shapes, GRID))
        if len(met):
            names = [sheet.good_contacts[k].terminal.name for k in met]
            findings.wrong(
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
