"""Geometric checks of a case: whether every drawn thing lies where it can mean something."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely import STRtree

from returnflow_geometry.checks.connection import as_array
from returnflow_geometry.checks.copper_checks import (
    MAX_PAIRS,
    MAX_PIECES,
    NEAR,
    Findings,
    at,
    check_copper,
    cutouts_listed,
)
from returnflow_geometry.checks.joins import Network, loop_ends
from returnflow_geometry.checks.sheets import LEAST_AREA, Sheet
from returnflow_geometry.keys.outgoing import route_assumptions, route_mistakes
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.numbers import MM, mm, place, square_millimetres
from returnflow_geometry.model.overlay import intersection, shapes_of
from returnflow_geometry.model.wording import label, listed

__all__ = ["Findings", "check_case"]


def check_case(case: Case, *, connections: bool = True) -> Findings:
    """
    Check where the things of a case lie.

    Parameters
    ----------
    case : Case
        Names are unique per kind, and every shape is valid. Things that could not be read are simply absent.
    connections : bool
        Whether to check that the two ends of each loop are connected. False when a terminal, link, bridge or
        copper is missing from the case, as it may be the one that joins two pieces of copper.

    Returns
    -------
    findings : Findings
        One line per mistake: which thing, what was found, the rule, and what to do.

    Examples
    --------
    >>> from returnflow_geometry.model.board import Board, Copper, Layer, Terminal
    >>> from returnflow_geometry.model.shapes import rectangle
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
    sheets = []
    for copper in case.board.coppers:
        with shapes_of(label("copper", copper.name)):
            sheet = Sheet(case.board, copper)
        if sheet.left.is_empty:
            findings.wrong(
                label("copper", copper.name),
                f"is removed entirely by {cutouts_listed(sheet.cutouts)}",
                "copper must be left to carry current",
                "shrink the cutouts",
            )
            continue
        with shapes_of(label("copper", copper.name)):
            check_copper(case, sheet, findings)
        sheets.append(sheet)
    _check_layers(sheets, findings)
    network = Network(sheets, case.board.links)
    if connections:
        _check_connections(case, network, findings)
    left = {sheet.copper.name: sheet.left for sheet in sheets}
    for loop in case.loops:
        good = [end for end in loop_ends(loop) if network.knows(end)]
        for mistake in route_mistakes(case.board, loop, good, left):
            findings.wrong(*mistake)
        findings.assumptions.extend(route_assumptions(case.board, loop))
    _note_idle(case, findings)
    return findings


def _check_layers(sheets: Sequence[Sheet], findings: Findings) -> None:
    """Coppers on one layer that overlap or touch would be one copper."""
    by_layer: dict[str, list[Sheet]] = {}
    for sheet in sheets:
        if sheet.copper.layer:  # else it could not be read, and is reported
            by_layer.setdefault(sheet.copper.layer, []).append(sheet)
    for layer, here in by_layer.items():
        if len(here) > 1:
            _check_overlaps(layer, here, findings)
            _check_strays(here, findings)


def _check_overlaps(layer: str, sheets: Sequence[Sheet], findings: Findings) -> None:
    shapes = as_array([sheet.left for sheet in sheets])
    rule = f"coppers on one layer must be at least {mm(NEAR)} mm apart, else they are one"
    first, second = STRtree(shapes).query(shapes, predicate="dwithin", distance=NEAR)
    pairs = sorted((i, j) for i, j in zip(first.tolist(), second.tolist(), strict=True) if i < j)
    for i, j in pairs[:MAX_PAIRS]:
        common = intersection(shapes[i], shapes[j])
        names = listed([sheets[k].copper.name for k in (i, j)])
        if common.area > LEAST_AREA:
            what = f"overlap by {square_millimetres(common.area)} at {at(common)}"
        else:
            line = shapely.shortest_line(shapes[i], shapes[j])
            gap = f"are only {MM * line.length:.3g} mm apart" if common.is_empty else "touch"
            what = f"{gap} at {place(*line.coords[0])}"
        findings.wrong(
            f"coppers {names}",
            f"{what}, on layer {listed([layer])}",
            rule,
            "draw them as one [[copper]], or take copper away between them by a [[cutout]]",
        )
    if len(pairs) > MAX_PAIRS:
        findings.wrong(
            f"coppers on layer {listed([layer])}",
            f"overlap or touch in {len(pairs) - MAX_PAIRS} more places",
            rule,
            "correct the ones above first",
        )


def _check_strays(sheets: Sequence[Sheet], findings: Findings) -> None:
    """A terminal belongs to one copper; drawn over another one on its layer, it would short them."""
    shapes = as_array([sheet.left for sheet in sheets])
    terminals = [(k, terminal) for k, sheet in enumerate(sheets) for terminal in sheet.terminals]
    contacts = as_array([terminal.shape for _, terminal in terminals])
    # The many-cornered coppers ask the tree of contacts, as the asking side is the prepared one.
    asked, met = STRtree(contacts).query(shapes, predicate="intersects")
    strays = [(m, k) for k, m in zip(asked.tolist(), met.tolist(), strict=True) if terminals[m][0] != k]
    for m, k in sorted(strays)[:MAX_PAIRS]:
        own, terminal = terminals[m]
        area = intersection(terminal.shape, shapes[k]).area
        if area > LEAST_AREA:
            names = [listed([sheets[number].copper.name]) for number in (own, k)]
            findings.wrong(
                label("terminal", terminal.name),
                f"at {place(*terminal.centre)} on copper {names[0]} overlaps copper {names[1]} by "
                f"{square_millimetres(area)}",
                "a terminal touches one copper only",
                "shrink it, or give each copper a terminal of its own and join them by a [[link]]",
            )


def _check_connections(case: Case, network: Network, findings: Findings) -> None:
    for sheet in network.sheets:
        _note_pieces(sheet, findings)
    # A terminal off its copper is reported, and its link might be what joins.
    if all(network.knows(end) for link in case.board.links for end in link.between):
        for loop in case.loops:
            if all(network.knows(end) for end in loop_ends(loop)):
                for mistake in network.mistakes(loop):
                    findings.wrong(*mistake)
                findings.assumptions.extend(network.assumptions(loop))
    idle = network.idle_links(case.loops)
    if idle:
        what = f"Link {listed(idle)} joins" if len(idle) == 1 else f"Links {listed(idle)} join"
        findings.assumptions.append(f"{what} copper that no loop reaches, and carries no net current.")


def _note_pieces(sheet: Sheet, findings: Findings) -> None:
    """What no terminal touches, and which terminals join pieces."""
    name = listed([sheet.copper.name])
    if not sheet.terminals:
        findings.assumptions.append(
            f"Copper {name} has no terminal: it floats and carries no net current, only induced eddy currents."
        )
        return
    for k, contact in enumerate(sheet.good_contacts):
        joined = len(sheet.connection.pieces_at(k))
        if joined > 1:
            findings.assumptions.append(
                f"Terminal {listed([contact.terminal.name])} touches {joined} separate pieces of copper and joins them."
            )
    floating = sorted(sheet.connection.floating(), key=lambda piece: -piece.area)
    findings.assumptions.extend(
        f"Copper {name}: a piece of {square_millimetres(piece.area)} at {at(piece)} has no terminal and carries no net "
        "current."
        for piece in floating[:MAX_PIECES]
    )
    if len(floating) > MAX_PIECES:
        findings.assumptions.append(
            f"Copper {name}: {len(floating) - MAX_PIECES} more and smaller pieces have no terminal and carry no "
            "net current."
        )


def _note_idle(case: Case, findings: Findings) -> None:
    used = {name for loop in case.loops for name in loop_ends(loop)}
    used.update(end for link in case.board.links for end in link.between)
    idle = [terminal.name for terminal in case.board.terminals if terminal.name not in used]
    if idle:
        what = f"Terminal {listed(idle)} is" if len(idle) == 1 else f"Terminals {listed(idle)} are each"
        findings.assumptions.append(
            f"{what} used by no loop: treated as one equipotential contact without net current."
        )
