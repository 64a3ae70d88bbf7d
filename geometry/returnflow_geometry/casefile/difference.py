"""What a board has that another one has not, as the table of a variant that a case file would give for it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from returnflow_geometry.keys.schema import UM
from returnflow_geometry.model.board import Board, Bridge, Case, Copper, Cutout, Link, Loop, Outgoing, Shape, Terminal
from returnflow_geometry.model.numbers import MM
from returnflow_geometry.model.overlay import difference
from returnflow_geometry.model.shapes import circle, rectangle, slot
from returnflow_geometry.model.wording import listed, named

NANOMETRES = 6  # digits of a millimetre
SAME = 3e-9  # m: places as near are the same, as a table gives them to a nanometre
CONTACTS = "contacts"
PLACING = ("at", "pins", "everywhere")  # of a bank
MOST_CORNERS = 200  # of what may be a slot
SAME_AREA = 1e-12  # m2, a square micrometre

_Part = Copper | Cutout | Bridge | Terminal | Link
_KINDS = {"copper": "coppers", "cutout": "cutouts", "bridge": "bridges", "terminal": "terminals", "link": "links"}


class NoVariantError(ValueError):
    """A board that no table of a variant makes; the message is a clause that says why."""


def variant_table(case: Case, drawn: Case) -> dict[str, Any]:
    """
    Changes that make one board of another, as a variant's table gives them: what it drops, adds, moves and sets.

    They are read again before they are given: what a case file makes of them is the board that was drawn.

    Parameters
    ----------
    case : Case
        Read from a case file.
    drawn : Case
        The same with copper, contacts, links, routes or layers changed; currents and limits are the same.

    Raises
    ------
    NoVariantError
        Where no table says it.

    Examples
    --------
    >>> from returnflow_geometry.casefile.read import read_case
    >>> case = read_case("examples/strip_with_slot.toml")
    >>> drawn = replace(case, board=replace(case.board, cutouts=()))
    >>> variant_table(case, drawn)
    {'drop': ['slot']}
    """
    if case.editor is None:
        message = "the case was not read from a case file"
        raise NoVariantError(message)
    for what, here, there in (
        ("loops", case.loops, drawn.loops),
        ("layers", case.board.layers, drawn.board.layers),
    ):
        if [it.name for it in here] != [it.name for it in there]:
            message = f"it has other {what}"
            raise NoVariantError(message)
    changes = _changes(case, drawn)
    unlike = _unlike(_read(case, changes), drawn)
    if unlike == CONTACTS and case.board.banks:
        changes = _banks_where_they_are(case, drawn, changes)
        unlike = _unlike(_read(case, changes), drawn)
    if unlike is not None:
        message = f"a case file would draw {unlike} otherwise"
        raise NoVariantError(message)
    return changes


def _read(case: Case, changes: Mapping[str, Any]) -> Case:
    try:
        return case.changed(**changes)
    except ValueError as error:
        message = f"a case file would refuse it: {error}"
        raise NoVariantError(message) from None


def _banks_where_they_are(case: Case, drawn: Case, changes: dict[str, Any]) -> dict[str, Any]:
    """Changes with every capacitor where it is: one beside a pin would go with it, others stand where there is room."""
    raw = getattr(case.editor, "raw", {}).get("bank", [])
    links = {link.name: link for link in drawn.board.links}
    tables = []
    for bank, table in zip(drawn.board.banks, raw, strict=True):
        kept = {key: value for key, value in table.items() if key not in PLACING}
        places = [drawn.board.terminal(links[name].between[0]).centre for name in bank.links]
        tables.append({**kept, "at": [_point(place) for place in places]})
    names = [_address(case, "bank", bank.name) for bank in drawn.board.banks]
    changes = {"drop": [], "add": {}} | changes
    return {**changes, "drop": [*changes["drop"], *names], "add": {**changes["add"], "bank": tables}}


def _changes(case: Case, drawn: Case) -> dict[str, Any]:
    drop: list[str] = []
    add: dict[str, Any] = {}
    moves: dict[str, Any] = {}
    sets: dict[str, Any] = {}
    for kind, of in _KINDS.items():
        before, after = (_by_name(getattr(each.board, of)) for each in (case, drawn))
        drop += [_address(case, kind, name) for name in before if name not in after]
        tables = [table for name, item in after.items() if name not in before for table in _tables(item)]
        add |= {kind: tables} if tables else {}
        for name, item in after.items():
            if name not in before or _alike(was := before[name], item):
                continue
            if not isinstance(was, Terminal) or not isinstance(item, Terminal) or was.copper != item.copper:
                message = f"{kind} {named(name)} has another shape or place"
                raise NoVariantError(message)
            moves[_address(case, kind, name)] = _point(item.centre)
    for layer, other in zip(case.board.layers, drawn.board.layers, strict=True):
        if layer.thickness != other.thickness:
            sets[f"{_address(case, 'layer', layer.name)}.copper_um"] = round(other.thickness * UM, NANOMETRES)
    for loop, there in zip(case.loops, drawn.loops, strict=True):
        address = _address(case, "loop", loop.name)
        sets |= {f"{address}.{key}": value for key, value in _settings(loop, there).items()}
    every = {"drop": drop, "add": add, "move": moves, "set": sets}
    return {key: value for key, value in every.items() if value}


def _by_name(parts: Sequence[_Part]) -> dict[str, _Part]:
    found = {part.name: part for part in parts}
    if len(found) < len(parts):
        twice = [name for name in found if sum(part.name == name for part in parts) > 1]
        # Of a cutout on several coppers there is one each; one name stands for all of them.
        if not all(isinstance(part, Cutout | Bridge) for part in parts if part.name in twice):
            message = f"{listed(twice)} names several things"
            raise NoVariantError(message)
    return found


def _address(case: Case, kind: str, name: str) -> str:
    """The name, with its kind before it where another kind has that name."""
    board = case.board
    every = {kind: getattr(board, of) for kind, of in (*_KINDS.items(), ("layer", "layers"), ("bank", "banks"))}
    every |= {"loop": case.loops, "region": case.regions, "section": case.sections}
    several = any(item.name == name for other, items in every.items() if other != kind for item in items)
    return f"{kind}:{name}" if several else name


def _settings(loop: Loop, after: Loop) -> dict[str, Any]:
    """Keys of a loop that differ."""
    found: dict[str, Any] = {}
    for key, was, now in (("inject", loop.inject, after.inject), ("return", loop.return_, after.return_)):
        found |= {key: now} if was != now else {}
    if not _same_route(loop.route, after.route) and after.route is not None:
        legs = [_leg(leg) for leg in after.route.legs or (after.route,)]
        found["route"] = legs[0] if len(legs) == 1 else legs
    if replace(after, inject=loop.inject, return_=loop.return_, route=loop.route) != loop:
        message = f"{named(loop.name)} has another current or limit"
        raise NoVariantError(message)
    return found


def _leg(leg: Outgoing) -> dict[str, Any]:
    return {"layer": leg.layer, "path": [_point(at) for at in leg.path], "width_mm": round(leg.width * MM, NANOMETRES)}


def _tables(item: _Part) -> list[dict[str, Any]]:
    """Tables of what is new: of copper with holes or of several pieces one each."""
    table: dict[str, Any] = {"name": item.name}
    match item:
        case Link():
            if item.barrel is not None:
                message = f"link {named(item.name)} is a plated hole"
                raise NoVariantError(message)
            parts = {"resistance_ohm": item.resistance, "inductance_H": item.inductance or None}
            parts["capacitance_F"] = item.capacitance
            table |= {"between": list(item.between)} | {key: x for key, x in parts.items() if x is not None}
            return [table]
        case Copper():
            table["layer"] = item.layer
        case _:
            table["copper"] = item.copper
    pieces = _pieces(item.shape)
    if len(pieces) > 1 and not isinstance(item, Bridge | Cutout):
        message = f"{named(item.name)} has several pieces"
        raise NoVariantError(message)
    names = [item.name, *(f"{item.name}, part {n}" for n in range(2, len(pieces) + 1))]
    return [{**table, "name": name, "shape": shape_table(piece)} for name, piece in zip(names, pieces, strict=True)]


def _pieces(shape: Shape) -> list[Polygon]:
    """Pieces of a shape, those with a hole cut through it."""
    found: list[Polygon] = []
    for piece in shapely.get_parts(shape):
        if not piece.interiors:
            found.append(piece)
            continue
        x = piece.interiors[0].centroid.x
        x0, y0, x1, y1 = piece.bounds
        for half in (rectangle(x0, y0, x, y1), rectangle(x, y0, x1, y1)):
            cut = shapely.intersection(piece, half)
            found += _pieces(MultiPolygon([it for it in shapely.get_parts(cut) if isinstance(it, Polygon)]))
    return found


def shape_table(shape: Polygon) -> dict[str, Any]:
    """
    Table of a shape in millimetres: as a circle, a rectangle or a slot where it is one, else by its corners.

    Parameters
    ----------
    shape : Polygon
        Metres, without holes.

    Examples
    --------
    >>> shape_table(circle(0.01, 0.02, 0.6e-3))
    {'circle': [10.0, 20.0], 'diameter': 0.6}
    >>> shape_table(slot([(0, 0), (0.01, 0), (0.01, 0.005)], 3e-4))
    {'slot': [[0.0, 0.0], [10.0, 0.0], [10.0, 5.0]], 'width': 0.3}
    >>> shape_table(rectangle(0, 0, 0.01, 0.02))
    {'rect': [0.0, 0.0, 10.0, 20.0]}
    """
    corners = shapely.get_coordinates(shape)[:-1]
    count = len(corners)
    x0, y0, x1, y1 = shape.bounds
    if count == 4 and _same(rectangle(x0, y0, x1, y1), shape):
        return {"rect": [*_point((x0, y0)), *_point((x1, y1))]}
    centre, diameter = shape.centroid, 2 * math.sqrt(shape.area / math.pi)
    if _same(circle(centre.x, centre.y, diameter), shape):
        return {"circle": _point((centre.x, centre.y)), "diameter": round(diameter * MM, NANOMETRES)}
    slots = _slots(corners) if count % 2 == 0 and count <= MOST_CORNERS else []
    for path, width in sorted(slots, key=lambda it: it[1]):
        if _same(slot([(x / MM, y / MM) for x, y in path], width / MM), shape):
            return {"slot": path, "width": width}
    return {"polygon": [_point(at) for at in corners.tolist()]}


def _slots(corners: NDArray[np.float64]) -> Iterator[tuple[list[list[float]], float]]:
    """Paths and widths, mm, that may have these corners, one side forth and the other back."""
    half = len(corners) // 2
    for start in range(half):
        turned = np.roll(corners, -start, axis=0)
        one, other = turned[:half], turned[half:][::-1]
        first, last = np.hypot(*(one - other)[[0, -1]].T)
        path = [_point(at) for at in ((one + other) / 2).tolist()]
        if abs(first - last) < SAME and all(map(math.dist, path, path[1:])):
            yield min(path, path[::-1]), round(float(first) * MM, NANOMETRES)


def _point(at: Sequence[float]) -> list[float]:
    return [round(MM * x, NANOMETRES) + 0.0 for x in at[:2]]


def _same(one: Shape, other: Shape) -> bool:
    return bool(shapely.equals_exact(one.normalize(), other.normalize(), SAME)) or (
        shapely.area(shapely.symmetric_difference(one, other)) < SAME * other.length
    )


def _alike(one: _Part, other: _Part) -> bool:
    """Whether two parts are the same but for rounding."""
    if isinstance(one, Link) or isinstance(other, Link):
        return one == other
    shape = one.shape
    return shape is other.shape or (replace(other, shape=shape) == one and _same(shape, other.shape))


def _same_route(one: Outgoing | None, other: Outgoing | None) -> bool:
    if one is None or other is None or one == other:
        return one is other or one == other
    legs = [list(each.legs or (each,)) for each in (one, other)]
    return len(legs[0]) == len(legs[1]) and all(
        a.layer == b.layer
        and abs(a.width - b.width) < SAME
        and len(a.path) == len(b.path)
        and all(math.dist(p, q) < SAME for p, q in zip(a.path, b.path, strict=True))
        for a, b in zip(*legs, strict=True)
    )


def _unlike(found: Case, drawn: Case) -> str | None:
    """What of a board that was read is not as it was drawn; None if all is."""
    for one, other in itertools.zip_longest(found.loops, drawn.loops):
        if one is None or other is None or one.name != other.name:
            return "loops"
        if (one.inject, one.return_) != (other.inject, other.return_) or not _same_route(one.route, other.route):
            return f"the way of {named(one.name)}"
    boards = found.board, drawn.board
    ends = [{it.name: it for it in board.terminals} for board in boards]
    joins = [sorted(board.links, key=lambda it: it.name) for board in boards]
    if joins[0] != joins[1]:
        return "links"
    if ends[0].keys() != ends[1].keys() or not all(_alike(it, ends[1][name]) for name, it in ends[0].items()):
        return CONTACTS
    return _unlike_copper(*boards)


def _unlike_copper(one: Board, other: Board) -> str | None:
    names = [[it.name for it in board.coppers] for board in (one, other)]
    if sorted(names[0]) != sorted(names[1]):
        return "coppers"
    for name in names[0]:
        here, there = one.remaining(name), other.remaining(name)
        if difference(here, there).area + difference(there, here).area > max(SAME_AREA, SAME * there.length):
            return f"copper {named(name)}"
    thick = [[(it.name, round(it.thickness * UM, NANOMETRES)) for it in board.layers] for board in (one, other)]
    return None if thick[0] == thick[1] else "layers"
