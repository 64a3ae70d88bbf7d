"""Routes that a case asks to be found on its fabrication data, put into its tables as if they had been drawn."""

from __future__ import annotations

import math
from collections.abc import Mapping

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
from returnflow_geometry.model.wording import label, listed, show

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
        wanted = {"auto": True} if asked == "auto" else asked
        if not (isinstance(wanted, dict) and "auto" in wanted):
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
            table["route"] = _table_of(_led_to(way, contacts[start], contacts[end], data.origin))
        except FabricationError as error:
            mistakes.append(f"{where}: route: {str(error).removeprefix(f'{error.file}: ')}")
            continue
        said.append(f"{label('Loop', name)}: its route is found on the files, {way.said}.")
    return said


def _led_to(way: Way, start: Terminal, end: Terminal, file: str) -> Outgoing:
    """Route of a way, with straight pieces from and to the return's contacts beside the signal's pins."""
    legs = list(way.route.legs or (way.route,))
    first, last = legs[0], legs[-1]
    for terminal, at, layer in ((start, first.path[0], way.layers[0]), (end, last.path[-1], way.layers[1])):
        x, y = shapely.shortest_line(terminal.shape, Point(at)).coords[0]
        away = math.dist((x, y), at)
        if away > MAX_LEAD:
            rule = f"the return's pin lies within {mm(MAX_LEAD)} mm of the signal's"
            message = (
                f"it ends at {place(*at)}, {mm(away)} mm from {listed([terminal.name])}; {rule}; name a nearer pin"
            )
            raise FabricationError(file, message)
        if away > TOUCHES and terminal is start:
            legs.insert(0, Outgoing(layer=layer, path=((float(x), float(y)), at), width=first.width))
        elif away > TOUCHES:
            legs.append(Outgoing(layer=layer, path=(at, (float(x), float(y))), width=last.width))
    return Outgoing.chain(legs)


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
