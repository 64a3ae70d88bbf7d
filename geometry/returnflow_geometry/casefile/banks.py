"""Banks of capacitors: contacts on two coppers at many places, and a capacitor between each pair of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from scipy.cluster.vq import kmeans2

from returnflow_geometry.keys.reading import Book, Fields, Spot
from returnflow_geometry.model import shapes
from returnflow_geometry.model.board import Bank, Board, Link, Shape, Terminal
from returnflow_geometry.model.wording import label, listed

Place = tuple[float, float]
Wrong = Callable[[str, str, str, str], None]

VIA = 0.3e-3  # m, diameter of a capacitor's vias where the table does not say
CORNERS = 8  # of their contacts: they are many, and right to a per cent of a via's own spreading
CLEAR = 0.3e-3  # m, from other contacts and from edges
BESIDE = (0.5e-3, 1e-3, 2e-3, 4e-3)  # m, from the rim of a pin to a capacitor beside it
FINE = 60  # places along the longer side of what a bank is spread over, of which some are chosen
PARTS = {"resistance_ohm": "resistance", "inductance_H": "inductance", "mounting_H": "inductance of its mounting"}


def with_bank(board: Board, name: str, fields: Fields, book: Book, assumptions: list[str]) -> Board:
    """
    Return the board with the capacitors of one table; mistakes go to the book.

    Parameters
    ----------
    board : Board
    name : str
    fields : Fields
        What was read of the table.
    book : Book
    assumptions : list of str
        Is added to.
    """
    values = fields.values

    def wrong(key: str, given: str, rule: str, advice: str) -> None:
        Spot(book, f"{label('bank', name)}: {key}").wrong(given, rule, advice)

    known = {copper.name: copper for copper in board.coppers}
    coppers: Sequence[str] = values.get("coppers", ())
    if "capacitance_F" not in values or not coppers or any(copper not in known for copper in coppers):
        return board  # what could not be read is reported
    if len(coppers) != 2:
        wrong("coppers", f"names {len(coppers)} coppers", "a capacitor joins two", "name two")
        return board
    diameter = values.get("via_mm", VIA)
    places = values["at"] if "at" in values else _found(board, coppers, values, diameter, wrong)
    for key, what in PARTS.items():
        if fields.lacks(key):
            assumptions.append(f"{label('Bank', name)}: {key} is not given, the {what} of each is taken as 0.")
    terminals: list[Terminal] = []
    links: list[Link] = []
    for number, at in enumerate(places, start=1):
        own = f"{name} {number}" if len(places) > 1 else name
        ends = (f"{own} ({coppers[0]})", f"{own} ({coppers[1]})")
        shape = shapes.circle(at[0], at[1], diameter, corners=CORNERS)
        terminals += [Terminal(name=end, copper=copper, shape=shape) for end, copper in zip(ends, coppers, strict=True)]
        links.append(
            Link(
                name=own,
                between=ends,
                resistance=values.get("resistance_ohm", 0.0),
                inductance=values.get("inductance_H", 0.0) + values.get("mounting_H", 0.0),
                capacitance=values["capacitance_F"],
            )
        )
    new = {*(terminal.name for terminal in terminals), *(link.name for link in links)}
    taken = sorted(new & {*(terminal.name for terminal in board.terminals), *(link.name for link in board.links)})
    if taken:
        given = f"gives something the name {listed(taken)}, which is taken"
        wrong("name", given, "everything needs a name of its own", "rename one of them")
        return board
    bank = Bank(name=name, coppers=(coppers[0], coppers[1]), links=tuple(link.name for link in links))
    return replace(
        board,
        terminals=(*board.terminals, *terminals),
        links=(*board.links, *links),
        banks=(*board.banks, bank),
    )


def _found(
    board: Board, coppers: Sequence[str], values: Mapping[str, Any], diameter: float, wrong: Wrong
) -> Sequence[Place]:
    """Places beside pins, or spread evenly, where both coppers are and nothing else is."""
    free = free_for(board, coppers, diameter)
    if "everywhere" in values:
        places = spread(free, values["everywhere"])
        if len(places) < values["everywhere"]:
            given, rule = f"is {values['everywhere']}", f"there is room for {len(places)} where both coppers are"
            wrong("everywhere", given, rule, "ask for fewer")
        return places
    found = []
    for pin in values["pins"]:
        if any(terminal.name == pin for terminal in board.terminals):
            place = _beside(board.terminal(pin), free, diameter)
            if place is None:
                rule = f"a capacitor lies within {1e3 * BESIDE[-1]:g} mm of its pin, where both coppers are"
                wrong("pins", f"names {listed([pin])}, which has no room beside it", rule, "give its place with at")
                continue
            found.append(place)
            free = shapely.difference(free, shapely.Point(place).buffer(diameter + CLEAR))
    return found


def free_for(board: Board, coppers: Sequence[str], diameter: float) -> Shape:
    """Where the middle of a contact of a diameter may lie on all of some coppers, clear of what is there."""
    both = board.remaining(coppers[0])
    for copper in coppers[1:]:
        both = shapely.intersection(both, board.remaining(copper))
    there = [terminal.shape for terminal in board.terminals if terminal.copper in coppers]
    away = 0.5 * diameter + CLEAR
    free: Shape = shapely.difference(both.buffer(-away), shapely.union_all(there).buffer(away))
    return free


def spread(free: Shape, many: int) -> list[Place]:
    """
    So many places spread evenly over a shape; fewer where there is no room.

    Examples
    --------
    >>> sorted((round(x, 1), round(y, 1)) for x, y in spread(shapely.box(0, 0, 2, 1), 2))
    [(0.5, 0.5), (1.5, 0.5)]
    """
    if free.is_empty:
        return []
    x0, y0, x1, y1 = free.bounds
    step = max(x1 - x0, y1 - y0) / FINE
    x, y = np.meshgrid(np.arange(x0 + step / 2, x1, step), np.arange(y0 + step / 2, y1, step))
    grid = np.column_stack([x.ravel(), y.ravel()])
    grid = grid[shapely.contains_xy(free, grid)]
    if len(grid) < many:
        return [(float(a), float(b)) for a, b in grid]
    # As middles of equal parts; each then at the nearest place that is free and not taken.
    middles, _ = kmeans2(grid, many, iter=40, minit="++", rng=np.random.default_rng(1), missing="warn")
    left = np.ones(len(grid), dtype=bool)
    chosen = []
    for middle in middles:
        away = np.where(left, np.hypot(*(grid - middle).T), np.inf)
        at = int(np.argmin(away))
        place = middle if shapely.contains_xy(free, *middle) else grid[at]
        left[at] = False
        chosen.append((float(place[0]), float(place[1])))
    return chosen


def _beside(pin: Terminal, free: Shape, diameter: float) -> Place | None:
    """Free place nearest to the rim of a pin."""
    x0, y0, x1, y1 = pin.shape.bounds
    reach = 0.5 * max(x1 - x0, y1 - y0) + 0.5 * diameter
    for away in BESIDE:
        for angle in np.linspace(0, 2 * np.pi, 16, endpoint=False):
            x, y = (c + (reach + away) * s for c, s in zip(pin.centre, (np.cos(angle), np.sin(angle)), strict=True))
            if shapely.contains_xy(free, x, y):
                return (float(x), float(y))
    return None
