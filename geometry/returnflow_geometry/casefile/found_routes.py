"""Routes that a case asks to be found on its fabrication data, put into its tables as if they had been drawn."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import shapely
from shapely import Point

from returnflow_geometry.casefile.source_tables import Tables, added, named, tables_of
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError
from returnflow_geometry.fabrication.copper.connectivity import Connectivity
from returnflow_geometry.fabrication.copper.extract import BoardPart
from returnflow_geometry.fabrication.copper.pins import pins_of
from returnflow_geometry.fabrication.copper.ways import Way, find_way
from returnflow_geometry.keys.auto_route import AUTO
from returnflow_geometry.keys.drawn_shapes import MIN_FEATURE
from returnflow_geometry.keys.outgoing import TOUCHES
from returnflow_geometry.keys.reading import Book, read_table
from returnflow_geometry.model.board import Outgoing, Terminal
from returnflow_geometry.model.numbers import MM, mm, place
from returnflow_geometry.model.overlay import difference, union_all
from returnflow_geometry.model.wording import label, listed, show

BACK = 1e-4  # rad: what goes back as straight lies on itself
MAX_LEAD = 10e-3  # m: from a signal's pin to the ground pin of its part


def find_routes(
    own: Tables,
    data: BoardData,
    connectivity: Connectivity,
    part: BoardPart,
    spelled: Mapping[str, str],
    mistakes: list[str],
) -> list[str]:
    """
    Find the routes that loops ask for, put them in their place, and say what was found.

    Parameters
    ----------
    own : dict
        Tables of the case; changed in place.
    data, connectivity, part
        What was read, and the part of it that carries the loops' currents.
    spelled : mapping of str to str
        Pins as the case spells them to their names.
    mistakes : list of str
        Takes why one cannot be found.
    """
    pins = pins_of(data)
    contacts = {terminal.name: terminal for terminal in part.terminals}
    said = []
    for name, table in named((*tables_of(own, "loop"), *added(own, "loop"))):
        asked = table.get("route")
        wanted = wanted_way(asked)
        if wanted is None:
            continue
        del table["route"]  # it is found, or what is wrong with it is said
        book = Book()
        where = label("loop", name)
        values = read_table(book, f"{where}: route.", wanted, AUTO).values
        start, end = (spelled.get(str(table.get(key)), "") for key in ("return", "inject"))
        if book.mistakes or not {start, end} <= pins.keys() & contacts.keys():
            rule = "a way is found between parts whose pins the loop names"
            mistakes += book.mistakes or [f"{where}: route is {show(asked)}; {rule}; draw it"]
            continue
        try:
            way = find_way(
                data,
                connectivity,
                pins,
                (pins[start], pins[end]),
                through=values.get("through", ()),
                signals=values.get("pins"),
            )
            route, led = _led_to(way, contacts[start], contacts[end], part, data.origin)
            table["route"] = _table_of(route)
        except FabricationError as error:
            mistakes.append(f"{where}: route: {str(error).removeprefix(f'{error.file}: ')}")
            continue
        said.append(f"{label('Loop', name)}: its route is found on the files, {way.said}{led}.")
    return said


def wanted_way(route: object) -> Tables | None:
    """What a case says of a route that is to be found; None for one that it draws, or for none."""
    wanted = {"auto": True} if route == "auto" else route
    return wanted if isinstance(wanted, dict) and "auto" in wanted else None


def _led_to(way: Way, start: Terminal, end: Terminal, part: BoardPart, file: str) -> tuple[Outgoing, str]:
    """
    Route of a way, with straight pieces from and to the return's contacts beside the signal's pins; and what to say.

    Such pieces, and those through series parts, stand for the way through a part. Where the signal's own layer is
    poured, they are drawn on the nearest layer that is free there: they would lie in the plane they return in.
    """
    ends, moved = (start, end), []

    def beside(piece: Outgoing) -> Outgoing:
        free = _free_layer(part, piece, ends)
        moved.extend([f"{mm(piece.length)} mm on {free}"] if free != piece.layer else [])
        return replace(piece, layer=free)

    first, last = way.legs[0], way.legs[-1]
    leads: list[list[Outgoing]] = []
    for terminal, at, layer, width in (
        (start, first.path[0], way.layers[0], first.width),
        (end, last.path[-1], way.layers[1], last.width),
    ):
        x, y = (float(v) for v in shapely.shortest_line(terminal.shape, Point(at)).coords[0])
        away = math.dist((x, y), at)
        if away > MAX_LEAD:
            rule = f"the return's pin lies within {mm(MAX_LEAD)} mm of the signal's"
            message = (
                f"it ends at {place(*at)}, {mm(away)} mm from {listed([terminal.name])}; {rule}; name a nearer pin"
            )
            raise FabricationError(file, message)
        path = ((x, y), at) if terminal is start else (at, (x, y))
        leads.append([beside(Outgoing(layer=layer, path=path, width=width))] if away > TOUCHES else [])
    drawn = [beside(leg) if k in way.jumps else leg for k, leg in enumerate(way.legs)]
    led = (
        f"; its pieces through parts, where copper of the return is poured beside them: {', '.join(moved)}"
        if moved
        else ""
    )
    return without_folds([*leads[0], *drawn, *leads[1]]), led


def without_folds(legs: Sequence[Outgoing]) -> Outgoing:
    """
    One conductor of legs that follow each other, without what it goes out and straight back again.

    A straight piece from a ground pin to the signal's pin often lies where the trace then comes back past it.

    Examples
    --------
    >>> lead = Outgoing(layer="L1", path=((3, 0), (0, 0)), width=1)
    >>> trace = Outgoing(layer="L1", path=((0, 0), (2, 0), (2, 5)), width=2)
    >>> [leg.path for leg in without_folds([lead, trace]).legs]
    [((3, 0), (2, 0)), ((2, 0), (2, 5))]
    """
    kept: list[Outgoing] = []
    for leg in legs:
        for piece in itertools.pairwise(leg.path):
            rest: Outgoing | None = replace(leg, path=piece)
            while rest is not None and kept and _back(kept[-1], rest):
                before = kept.pop()
                longer = before if before.length > rest.length else rest
                way = (before.path[0], rest.path[1])
                left = replace(longer, path=way) if math.dist(*way) > TOUCHES else None
                if longer is before and left is not None:
                    kept.append(left)
                rest = left if longer is rest else None
            if rest is not None:
                kept.append(rest)
    return Outgoing.chain(kept)


def _back(one: Outgoing, other: Outgoing) -> bool:
    """Whether a straight piece goes back over the one before it; rounding may make it do so later."""
    (ax, ay), (bx, by), (cx, cy) = *one.path, other.path[1]
    ux, uy, vx, vy = bx - ax, by - ay, cx - bx, cy - by
    return ux * vx + uy * vy < 0 and abs(ux * vy - uy * vx) <= BACK * math.hypot(ux, uy) * math.hypot(vx, vy)


def _free_layer(part: BoardPart, piece: Outgoing, ends: Sequence[Terminal]) -> str:
    """Nearest layer on which a piece touches no copper in use, but for the contacts; its own where there is none."""
    names = [item.name for item in part.layers]
    drawn = shapely.LineString(piece.path).buffer(piece.width / 2, cap_style="flat")
    drawn = difference(drawn, union_all([terminal.shape for terminal in ends]).buffer(piece.width))
    used = {copper.layer for copper in part.coppers if shapely.intersects(copper.shape, drawn)}
    free = [name for name in names if name not in used]
    return min(free, key=lambda name: abs(names.index(name) - names.index(piece.layer)), default=piece.layer)


def _table_of(route: Outgoing) -> list[Tables]:
    """Route as a case file has it."""
    return [
        {
            "layer": leg.layer,
            "path": [[round(MM * x, 6), round(MM * y, 6)] for x, y in leg.path],
            "width_mm": max(MM * leg.width, MIN_FEATURE),
        }
        for leg in route.legs or (route,)
    ]
