"""What the own tables of a case say about the fabrication data that it names, and the same tables with its names."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Any

from returnflow_geometry.casefile.reader import good_name
from returnflow_geometry.fabrication.copper.stack import Thickness
from returnflow_geometry.keys.reading import Book, read_table
from returnflow_geometry.keys.schema import KEYS, LOSS_TANGENT, SINGLE
from returnflow_geometry.model.wording import brief, label, listed, nearest

Tables = dict[str, Any]
ON_COPPER = ("cutout", "bridge", "terminal", "vias", "bank", "region", "section")
READING = ("plating_um", "simplify_um")  # keys of [board] that say how a source is read
FURTHER = re.compile(r"(.+) \((.+)\)")  # a pin's contact on a further copper
DRAWING = frozenset(("copper", "at", "shape", "diameter_mm"))


def tables_of(own: Mapping[str, Any], kind: str) -> list[Tables]:
    """Tables of a kind in the case itself; whatever is no table is reported by their reader."""
    value = own.get(kind)
    return [table for table in value if isinstance(table, dict)] if isinstance(value, list) else []


def added(own: Mapping[str, Any], kind: str) -> list[Tables]:
    """Tables of a kind that variants add."""
    extra = (variant.get("add") for variant in tables_of(own, "variant"))
    return [table for tables in extra if isinstance(tables, dict) for table in tables_of(tables, kind)]


def named(tables: Iterable[Tables]) -> Iterator[tuple[str, Tables]]:
    """Tables that have a name."""
    yield from ((table["name"], table) for table in tables if isinstance(table.get("name"), str))


def settings(own: Mapping[str, Any]) -> Iterator[tuple[str, str, object]]:
    """What variants and sweeps set: who does, the address, and the value (None for a sweep)."""
    for k, variant in enumerate(tables_of(own, "variant"), start=1):
        given = variant.get("set")
        for address, value in given.items() if isinstance(given, dict) else ():
            yield label("variant", good_name(variant) or f"number {k}"), address, value
    for k, sweep in enumerate(tables_of(own, "sweep"), start=1):
        for quantity in tables_of(sweep, "vary"):
            addresses = quantity.get("set")
            for address in addresses if isinstance(addresses, list) else [addresses]:
                if isinstance(address, str):
                    yield label("sweep", good_name(sweep) or f"number {k}"), address, None


def ends(own: Mapping[str, Any]) -> list[str]:
    """Terminals that loops and links name, in the case or in a variant, each once."""
    found: list[object] = []
    for loop in (*tables_of(own, "loop"), *added(own, "loop")):
        found += [loop.get("inject"), loop.get("return")]
    for link in (*tables_of(own, "link"), *added(own, "link")):
        found += _items(link.get("between"))
    for _, address, value in settings(own):
        if address.endswith((".inject", ".return")):
            found.append(value)
        elif address.endswith(".between"):
            found += _items(value)
    return list(dict.fromkeys(name for name in found if isinstance(name, str)))


def texts(value: object) -> set[str]:
    """All texts in a value, however deep."""
    found: set[str] = set()
    todo = [value]
    while todo:
        here = todo.pop()
        if isinstance(here, str):
            found.add(here)
        elif isinstance(here, dict):
            todo += here.values()
        elif isinstance(here, list):
            todo += here
    return found


def only_bonds(own: Mapping[str, Any]) -> dict[str, Tables]:
    """Terminals that are no contacts of their own: they say why a pin of the source cannot be lifted."""
    return {name: table for name, table in named(tables_of(own, "terminal")) if not DRAWING.intersection(table)}


def board_values(own: Mapping[str, Any]) -> dict[str, float]:
    """Good numbers of [board], in the file's units; bad ones are reported when the whole case is read."""
    board = own.get("board")
    keys = {key: SINGLE["board"][key] for key in (*READING, "temperature_C")}
    return read_table(Book(), "", board, keys).values if isinstance(board, dict) else {}


def stackup(own: Mapping[str, Any]) -> dict[str, Thickness]:
    """What the case says of layers; bad values are reported when the whole case is read."""
    found = {}
    for name, table in named(tables_of(own, "layer")):
        values = read_table(Book(), "", table, KEYS["layer"]).values
        permittivity = values.get("permittivity")
        loss = values.get("loss_tangent", 0.0 if permittivity is None else LOSS_TANGENT)
        found[name] = Thickness(
            copper=values.get("copper_um"), below=values.get("below_mm"), permittivity=permittivity, loss=loss
        )
    return found


def roles(own: Mapping[str, Any]) -> dict[str, str] | None:
    """Table of what the files are; None if there is no good one."""
    table = own.get("source_layers")
    good = isinstance(table, dict) and all(isinstance(value, str) for value in table.values())
    return table if good else None


def unsourced(own: Mapping[str, Any]) -> list[str]:
    """Mistakes of a case without a source that says how one is to be read."""
    board = own.get("board")
    lost = ["source_layers"] if "source_layers" in own else []
    lost += [f"[board]: {key}" for key in READING if isinstance(board, dict) and key in board]
    rule = "it says how the fabrication data of a source is read"
    return [f"{key} is given without a source; {rule}; remove it, or name the source" for key in lost]


def bad_layers(own: Mapping[str, Any], known: Collection[str]) -> list[str]:
    """Mistakes of the [[layer]] tables beside a source, which override its layers by name."""
    value = own.get("layer", [])
    if not isinstance(value, list):
        return ["layer is not a list of tables; there may be several of them; write [[layer]] in double brackets"]
    mistakes = []
    seen: set[str] = set()
    for k, table in enumerate(value, start=1):
        name = good_name(table)
        near = None if name is None else nearest(name, known)
        advice = f"did you mean {listed([near])}?" if near else "name one of these"
        if name is None:
            where = f"layer number {k} has no name that can be used"
            mistakes.append(f"{where}; a layer of the source is named by {listed(known)}; name one of these")
        elif name not in known:
            mistakes.append(f"{label('layer', name)} is not a layer of the source; it has {listed(known)}; {advice}")
        elif name in seen:
            mistakes.append(f"{label('layer', name)} is given again; each layer is given once; put its keys together")
        seen.add(name or "")
    return mistakes


def fixed(own: Mapping[str, Any]) -> list[str]:
    """Mistakes of variants and sweeps that set what a source is read by."""
    rule = "the source is read once for the case and all its variants"
    advice = "set the resistance_ohm of links, or write another case"
    return [
        f'{who}: set "{brief(address)}" cannot vary; {rule}; {advice}'
        for who, address, _ in settings(own)
        if address.replace(" ", "") in {f"board.{key}" for key in READING}
    ]


def unlike_drawn(own: Mapping[str, Any]) -> bool:
    """Whether a variant or sweep sets a temperature or thickness, on which the resistance of plated holes depends."""
    return any(address.endswith((".temperature_C", ".copper_um", ".below_mm")) for _, address, _ in settings(own))


def respelled(own: Tables, terminals: Mapping[str, str], coppers: Mapping[str, str]) -> None:
    """Give terminals and coppers the names that they have in the part, in place."""

    def terminal(name: object) -> object:
        return terminals.get(name, name) if isinstance(name, str) else name

    def copper(name: object) -> object:
        if isinstance(name, list):
            return list(dict.fromkeys(map(copper, name))) if all(isinstance(item, str) for item in name) else name
        return coppers.get(name, name) if isinstance(name, str) else name

    def both(names: object) -> object:
        return [terminal(name) for name in names] if isinstance(names, list) else names

    for kind in ON_COPPER:
        _change((*tables_of(own, kind), *added(own, kind)), {"copper": copper, "coppers": copper})
    _change((*tables_of(own, "loop"), *added(own, "loop")), {"inject": terminal, "return": terminal})
    _change((*tables_of(own, "link"), *added(own, "link")), {"between": both})
    by_key = {"inject": terminal, "return": terminal, "copper": copper, "coppers": copper, "between": both}
    for variant in tables_of(own, "variant"):
        given, moves = variant.get("set"), variant.get("move")
        if isinstance(given, dict):
            for address, value in given.items():
                change = by_key.get(address.rpartition(".")[2])
                given[address] = value if change is None else change(value)
        if isinstance(moves, dict):
            variant["move"] = {terminals.get(name, name): place for name, place in moves.items()}
        if "drop" in variant:
            variant["drop"] = both(variant["drop"])
    for sweep in tables_of(own, "sweep"):
        _change(tables_of(sweep, "vary"), {"move": terminal})


def _change(tables: Iterable[Tables], by_key: Mapping[str, Callable[[object], object]]) -> None:
    for table in tables:
        for key, change in by_key.items():
            if key in table:
                table[key] = change(table[key])


def _items(value: object) -> list[object]:
    return value if isinstance(value, list) else []
