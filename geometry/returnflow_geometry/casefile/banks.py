"""Banks of capacitors: contacts on two coppers at many places, and a capacitor between each pair of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from returnflow_geometry.keys.reading import Book, Fields, Spot
from returnflow_geometry.model import shapes
from returnflow_geometry.model.board import Bank, Board, Link, Section, Shape, Terminal
from returnflow_geometry.model.wording import label, listed

Floats = NDArray[np.float64]
Place = tuple[float, float]
Wrong = Callable[[str, str, str, str], None]

VIA = 0.3e-3  # m, diameter of a capacitor's vias where the table does not say
CORNERS = 8  # of their contacts: they are many, and right to a per cent of a via's own spreading
CLEAR = 0.3e-3  # m, from other contacts and from edges
BESIDE = (0.5e-3, 1e-3, 2e-3, 4e-3)  # m, from the rim of a pin to a capacitor beside it
LEAST, EACH, MOST = 2000, 40, 8000  # places that a bank is weighed by: in all at least, for each, in all at most
STARTS, ROUNDS = 5, 60  # of which the most even is taken; and how often every capacitor moves to the middle of its part
PARTS = {"resistance_ohm": "resistance", "inductance_H": "inductance", "mounting_H": "inductance of its mounting"}


def with_bank(
    board: Board, name: str, fields: Fields, book: Book, assumptions: list[str], cuts: Sequence[Section] = ()
) -> Board:
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
    cuts : sequence of Section
        That no capacitor may stand on whose place is left to the program.
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
    places = values["at"] if "at" in values else _found(board, coppers, values, diameter, cuts, wrong)
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
    board: Board,
    coppers: Sequence[str],
    values: Mapping[str, Any],
    diameter: float,
    cuts: Sequence[Section],
    wrong: Wrong,
) -> Sequence[Place]:
    """Places beside pins, or spread evenly, where both coppers are and nothing else is."""
    free = free_for(board, coppers, diameter, cuts)
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


def free_for(board: Board, coppers: Sequence[str], diameter: float, cuts: Sequence[Section]) -> Shape:
    """Where the middle of a contact may lie on all of some coppers, clear of what is there and of cuts."""
    both = board.remaining(coppers[0])
    for copper in coppers[1:]:
        both = shapely.intersection(both, board.remaining(copper))
    there = [terminal.shape for terminal in board.terminals if terminal.copper in coppers]
    there += [shapely.LineString(cut.path) for cut in cuts if cut.copper in coppers and len(cut.path) > 1]
    away = 0.5 * diameter + CLEAR
    free: Shape = shapely.difference(both.buffer(-away), shapely.union_all(there).buffer(away))
    return free


@lru_cache(maxsize=64)
def spread(free: Shape, many: int) -> tuple[Place, ...]:
    """
    So many places spread evenly over a shape; fewer where there is no room.

    They are the middles of their parts of it: from places each as far from the others as can be, every one moves to the
    middle of what is nearest to it, again and again. Of some such the most even one is taken.

    Examples
    --------
    >>> sorted((round(x, 1), round(y, 1)) for x, y in spread(shapely.box(0, 0, 2, 1), 2))
    [(0.5, 0.5), (1.5, 0.5)]
    """
    if free.is_empty:
        return ()
    x0, y0, x1, y1 = free.bounds
    step = np.sqrt(free.area / max(LEAST, min(EACH * many, MOST)))
    across, up = (max(1, int(np.ceil(length / step))) for length in (x1 - x0, y1 - y0))
    x, y = np.meshgrid(x0 + (np.arange(across) + 0.5) * (x1 - x0) / across, y0 + (np.arange(up) + 0.5) * (y1 - y0) / up)
    grid = np.column_stack([x.ravel(), y.ravel()])
    grid = grid[shapely.contains_xy(free, grid)]
    if len(grid) <= many:
        return tuple((float(a), float(b)) for a, b in grid)
    first = np.random.default_rng(1).integers(len(grid), size=STARTS)
    tries = [_relaxed(grid, _apart(grid, many, int(start))) for start in first]
    return tuple((float(a), float(b)) for a, b in min(tries, key=lambda places: _uneven(grid, places)))


def _uneven(grid: Floats, places: Floats) -> float:
    """How far anything is from the nearest place, over how near two of them are."""
    tree = cKDTree(places)
    apart = float(tree.query(places, k=2)[0][:, 1].min()) if len(places) > 1 else 1.0
    return float(tree.query(grid)[0].max()) / max(apart, 1e-12)


def _apart(grid: Floats, many: int, start: int) -> Floats:
    """So many of some places, each as far from those before as can be."""
    chosen, away = [start], np.full(len(grid), np.inf)
    for _ in range(many - 1):
        away = np.minimum(away, np.hypot(*(grid - grid[chosen[-1]]).T))
        chosen.append(int(np.argmax(away)))
    return grid[chosen]


def _relaxed(grid: Floats, places: Floats) -> Floats:
    """Places moved to the middles of what is nearest to each; in the end each at a place of its own that is free."""
    for _ in range(ROUNDS):
        nearest = cKDTree(places).query(grid)[1]
        count = np.bincount(nearest, minlength=len(places))[:, None]
        sums = np.column_stack([np.bincount(nearest, part, len(places)) for part in grid.T])
        places = np.where(count > 0, sums / np.maximum(count, 1), places)
    # A middle may lie in a hole or beside a bend; the nearest free place is then within its own part.
    nearest = cKDTree(places).query(grid)[1]
    away = np.hypot(*(grid - places[nearest]).T)
    order = np.lexsort((away, nearest))
    own, at = np.unique(nearest[order], return_index=True)
    result: Floats = places.copy()
    result[own] = grid[order[at]]
    return result


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
