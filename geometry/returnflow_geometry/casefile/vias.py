"""Vias given by place, as a list or an array: contacts on every copper they join, and the barrels between them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

from returnflow_geometry.casefile.parts import table_of
from returnflow_geometry.keys.drawn_shapes import contact, read_centres
from returnflow_geometry.keys.reading import Book, Spot, read_table
from returnflow_geometry.keys.schema import INLINE, MOST_VIAS, UM
from returnflow_geometry.model.board import Copper, Layer, Link, Terminal
from returnflow_geometry.model.material import PLATING, barrel_length, resistivity, wall_area
from returnflow_geometry.model.numbers import MM
from returnflow_geometry.model.wording import label

Place = tuple[float, float]


def places_of(values: Mapping[str, Any]) -> Sequence[Place]:
    """
    Places of vias in metres: as listed, or those of an array, row by row.

    Examples
    --------
    >>> places_of({"array": {"corner": (0.0, 0.0), "step": (1.0, 2.0), "count": (2, 2)}})
    [(0.0, 0.0), (1.0, 0.0), (0.0, 2.0), (1.0, 2.0)]
    """
    if "at" in values:
        found: Sequence[Place] = values["at"]
        return found
    (x, y), (dx, dy), (nx, ny) = (values["array"][key] for key in ("corner", "step", "count"))
    return [(x + k * dx, y + n * dy) for n in range(ny) for k in range(nx)]


def terminal_name(name: str, number: int, count: int, layer: str) -> str:
    """
    Name of the contact of one of so many vias on a layer.

    Examples
    --------
    >>> terminal_name("stitch", 3, 8, "L2"), terminal_name("stitch", 1, 1, "L2")
    ('stitch 3 (L2)', 'stitch (L2)')
    """
    return f"{name} {number} ({layer})" if count > 1 else f"{name} ({layer})"


def declared(raw: Mapping[str, object]) -> list[str]:
    """Names of all contacts of vias, as far as their tables can be read."""
    layers = {
        table["name"]: table.get("layer")
        for table in map(table_of, _list(raw.get("copper")))
        if isinstance(table, dict) and isinstance(table.get("name"), str)
    }
    names = []
    for table in _list(raw.get("vias")):
        if isinstance(table, dict) and isinstance(table.get("name"), str):
            values: dict[str, Any] = {"at": read_centres(Spot(Book(), ""), table["at"])} if "at" in table else {}
            if isinstance(table.get("array"), dict):
                values = {"array": read_table(Book(), "", table["array"], INLINE["array"]).values}
            if values.get("at") or len(values.get("array", ())) == len(INLINE["array"]):
                count = len(places_of(values))
                on = [layers[copper] for copper in _list(table.get("coppers")) if copper in list(layers)]
                names += [terminal_name(table["name"], k + 1, count, str(a)) for k in range(count) for a in on]
    return names


def build_vias(
    name: str,
    values: Mapping[str, Any],
    coppers: Iterable[Copper],
    layers: Sequence[Layer],
    temperature: float,
    known: Collection[str],
    wrong: Callable[[str, str, str, str], None],
) -> tuple[list[Terminal], list[Link]]:
    """
    Make contacts and barrels of vias.

    Parameters
    ----------
    name : str
    values : mapping
        What was read of their table.
    coppers, layers, temperature
        Of the board; degrees Celsius.
    known : collection of str
        Names of contacts that are there already and stay as they are.
    wrong : callable
        Takes a mistake: key, what was found, rule, advice.
    """
    order = [layer.name for layer in layers]
    lying = {copper.name: copper.layer for copper in coppers}
    joined = sorted((order.index(lying[copper]), copper) for copper in values["coppers"] if lying.get(copper) in order)
    for (upper, one), (lower, other) in itertools.pairwise(joined):
        if upper == lower:
            given = f'names "{one}" and "{other}", both on layer "{order[upper]}"'
            wrong("coppers", given, "a via joins coppers of different layers", "name one of each layer")
            return [], []
    if len(joined) < len(values["coppers"]):  # a copper or layer that could not be read, and is reported
        return [], []
    places = places_of(values)
    if len(places) > MOST_VIAS:
        wrong("array.count", f"gives {len(places)} vias", f"at most {MOST_VIAS} are read", "give fewer")
        return [], []
    plating = values.get("plating_um", PLATING)
    wall = wall_area(values["drill_mm"], plating)
    terminals, links = [], []
    for number, at in enumerate(places, start=1):
        ends = [terminal_name(name, number, len(places), order[layer]) for layer, _ in joined]
        shape = contact(at, values["drill_mm"] + 2 * plating)
        terminals += [
            Terminal(name=end, copper=copper, shape=shape)
            for end, (_, copper) in zip(ends, joined, strict=True)
            if end not in known
        ]
        which = f"{name} {number}" if len(places) > 1 else name
        for (upper, lower), between in zip(
            itertools.pairwise(layer for layer, _ in joined), itertools.pairwise(ends), strict=True
        ):
            ohm = resistivity(temperature) * barrel_length(layers, upper, lower) / wall
            whole = f"{which}, {order[upper]} to {order[lower]}"
            links.append(Link(name=whole, between=between, resistance=ohm, barrel=0.5 * values["drill_mm"] + plating))
    return terminals, links


def assumed_plating(values: Mapping[str, Any]) -> str:
    """What is said where the plating is not given; empty where it is."""
    return "" if "plating_um" in values else f"plating_um is not given, taken as {PLATING * MM * MM:g} um"


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def platings(values: Mapping[str, Any]) -> Iterator[tuple[str, float]]:
    """Every plating that a case gives: how messages call what has it, and its metres."""
    if "plating_um" in values.get("board", {}):
        yield "[board]", values["board"]["plating_um"] / UM
    for entry in values.get("vias", ()):
        if entry.part is None and "plating_um" in entry.fields.values:
            yield label("vias", entry.name), entry.fields.values["plating_um"]
