"""A case's board from the fabrication data it names: coppers, pins and plated holes as tables before the file's own."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shapely import box

from returnflow_geometry.board import Shape, Terminal
from returnflow_geometry.builder import read_tables
from returnflow_geometry.drawing import MM
from returnflow_geometry.fabrication.assemble import from_fabrication
from returnflow_geometry.fabrication.connectivity import PLATING, Connectivity, connect
from returnflow_geometry.fabrication.coppers import SIMPLIFY, copper_name
from returnflow_geometry.fabrication.extract import BoardPart, board_of
from returnflow_geometry.fabrication.objects import BoardData, FabricationError, Limits
from returnflow_geometry.fabrication.pins import find_pin, pins_of
from returnflow_geometry.fabrication.stack import Thickness
from returnflow_geometry.supplied import Supplied
from returnflow_geometry.wording import brief, listed, nearest, show

UM = 1e6
ON_COPPER = ("cutout", "bridge", "terminal", "region", "section")
Tables = dict[str, Any]


@dataclass
class Source:
    """
    Supplies a case with the board of the fabrication data that it names by `source`.

    Attributes
    ----------
    folder : Path
        Where relative paths begin: the folder of the case file.
    limits : Limits
    data, connectivity, part : what was read, for a report; None before
    pins : list of str
        Pins that the case names.
    """

    folder: Path
    limits: Limits = field(default_factory=Limits)
    data: BoardData | None = None
    connectivity: Connectivity | None = None
    part: BoardPart | None = None
    pins: list[str] = field(default_factory=list)

    def __call__(self, own: Mapping[str, Any]) -> Supplied:
        """Tables of the board, for a case that names a source; nothing for one that does not."""
        if "source" not in own:
            return Supplied()
        place = own["source"]
        if not isinstance(place, str) or not place.strip():
            message = f"source is {show(place)}; must be the path of a folder, an archive or a file; name it"
            return _refused(own, [message])
        try:
            return self._supplied(copy.deepcopy(dict(own)), place)
        except FabricationError as error:
            return _refused(own, [f"source: {error}"])

    def _supplied(self, own: Tables, place: str) -> Supplied:
        table = own.get("source_layers")
        roles = table if isinstance(table, dict) and all(isinstance(v, str) for v in table.values()) else None
        self.data = data = from_fabrication(self.folder / place, self.limits, table=roles)
        board = own.get("board")
        plating = _number(board, "plating_um", PLATING * UM) / UM
        self.connectivity = connect(data, plating=plating, limits=self.limits)
        mistakes: list[str] = []
        known = pins_of(data, self.limits)
        mine = {name for name, _ in _named(own, "terminal")}
        for name in dict.fromkeys(_ends(own)):
            if name in mine or name.startswith("hole "):
                continue
            try:
                find_pin(known, name, brief(place))
                self.pins.append(name)
            except FabricationError as error:
                mistakes.append(f'terminal "{brief(name)}": {error}')
        # A [[terminal]] that only says why a pin cannot be lifted is no contact of its own.
        bonds = {name: t for name, t in _named(own, "terminal") if "copper" not in t and name in known}
        for name in bonds:
            if name not in self.pins:
                self.pins.append(name)
        drawn, laid = self._drawn(own, data, set(bonds))
        mistakes += _unknown_layers(own, data)
        if not mistakes and not self.pins and not drawn:
            mistakes.append(
                "[[loop]]: none names a pin of the source; a current enters and leaves the copper at pins; complete "
                "the loops, or draw a [[terminal]] on imported copper"
            )
        if mistakes:
            return _refused(own, mistakes)
        self.part = part = board_of(
            data,
            self.pins,
            stackup=_stackup(own),
            plating=plating,
            temperature=_number(board, "temperature_C", 25.0),
            simplify=_number(board, "simplify_um", SIMPLIFY * UM) / UM,
            laid=laid,
            drawn=drawn,
            connectivity=self.connectivity,
            limits=self.limits,
        )
        return Supplied(
            own=_without(own, part, {terminal.name for terminal in drawn} | set(bonds)),
            tables={
                "layer": _layers(own, part),
                "copper": [{"name": c.name, "layer": c.layer, "shape": c.shape} for c in part.coppers],
                "terminal": [_terminal(terminal, bonds.get(terminal.name)) for terminal in part.terminals],
                "link": [_link(link) for link in part.links],
            },
            board={"outline": part.outline},
            assumptions=(*data.contradictions, *part.notes),
        )

    def _drawn(self, own: Tables, data: BoardData, bonds: set[str]) -> tuple[list[Terminal], list[tuple[str, Shape]]]:
        """Contacts that the case draws on imported copper, and bridges that it or a variant lays on it."""
        names = {copper_name(net, layer.name): layer.name for layer in data.layers for net in layer.nets}
        contacts = [t for name, t in _named(own, "terminal") if name not in bonds]
        bridges = [t for _, t in _named(own, "bridge")]
        everywhere = {"rect": [-1e4, -1e4, 1e4, 1e4]}
        stand_in: Tables = {
            "format": 1,
            "title": "contacts",
            "board": {"outline": everywhere},
            "layer": [{"name": layer.name, "copper_um": 35, "below_mm": 1} for layer in data.layers],
            "copper": [{"name": name, "layer": layer, "shape": everywhere} for name, layer in names.items()],
            "terminal": contacts,
            "bridge": bridges,
        }
        # What is wrong with them is said when the whole case is read.
        board = read_tables(stand_in, {}, whole=False).case.board
        laid = [(names[bridge.copper], bridge.shape) for bridge in board.bridges]
        return list(board.terminals), laid


def _refused(own: Mapping[str, Any], mistakes: Sequence[str]) -> Supplied:
    """Mistakes, and what of the file can be read without its source."""
    kept = {key: value for key, value in own.items() if key not in {"source", "layer", "copper", "terminal"}}
    return Supplied(own=kept, board={"outline": box(0, 0, 1, 1)}, mistakes=tuple(mistakes))


def _named(own: Tables, kind: str) -> Iterator[tuple[str, Tables]]:
    """Tables of a kind with a name, those that variants add among them."""
    every = [own.get(kind)]
    for variant in _tables(own.get("variant")):
        added = variant.get("add")
        every.append(added.get(kind) if isinstance(added, dict) else None)
    for tables in every:
        for table in _tables(tables):
            if isinstance(table.get("name"), str):
                yield table["name"], table


def _tables(value: object) -> list[Tables]:
    return [table for table in value if isinstance(table, dict)] if isinstance(value, list) else []


def _ends(own: Tables) -> Iterator[str]:
    """Terminals that loops and links name, in the case or in a variant."""
    found: list[object] = []
    for _, loop in _named(own, "loop"):
        found += [loop.get("inject"), loop.get("return")]
    for _, link in _named(own, "link"):
        between = link.get("between")
        found += between if isinstance(between, list) else []
    for variant in _tables(own.get("variant")):
        given = variant.get("set")
        if isinstance(given, dict):
            found += [value for key, value in given.items() if key.endswith((".inject", ".return"))]
    yield from (name for name in found if isinstance(name, str))


def _number(table: object, key: str, default: float) -> float:
    """Number in a table; what is none is reported by the reader of the key."""
    value = table.get(key, default) if isinstance(table, dict) else default
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 1e6
    return float(value) if good else default


def _stackup(own: Tables) -> dict[str, Thickness]:
    """What the case says of layers; checked when the whole case is read."""
    return {
        name: Thickness(
            copper=_number(table, "copper_um", 0.0) / UM or None, below=_number(table, "below_mm", 0.0) / MM or None
        )
        for name, table in _named(own, "layer")
    }


def _unknown_layers(own: Tables, data: BoardData) -> list[str]:
    names = [layer.name for layer in data.layers]
    return [
        f'layer "{brief(name)}": is no layer of the source; it has {listed(names)}; '
        f"{'did you mean ' + show(nearest(name, names)) if nearest(name, names) else 'name one of these'}"
        for name, _ in _named(own, "layer")
        if name not in names
    ]


def _layers(own: Tables, part: BoardPart) -> list[Tables]:
    """Layers of the source, with whatever the case says of them instead."""
    said = dict(_named(own, "layer"))
    result = []
    for layer in part.layers:
        table: Tables = {"name": layer.name, "copper_um": layer.thickness * UM}
        if layer.below is not None:
            table["below_mm"] = layer.below * MM
        result.append(table | said.get(layer.name, {}))
    return result


def _terminal(terminal: Terminal, bond: Tables | None) -> Tables:
    table: Tables = {"name": terminal.name, "copper": terminal.copper, "shape": terminal.shape}
    if terminal.bonded is not None:
        table["bonded"] = terminal.bonded
    return table | {key: value for key, value in (bond or {}).items() if key != "name"}


def _link(link: Any) -> Tables:
    table: Tables = {"name": link.name, "between": list(link.between), "resistance_ohm": link.resistance}
    if link.inductance:
        table["inductance_H"] = link.inductance
    return table


def _without(own: Tables, part: BoardPart, taken: Sequence[str] | set[str]) -> Tables:
    """The file's own tables without what the source's have taken in, and with the names that coppers have there."""
    kept = {key: value for key, value in own.items() if key != "layer"}
    if isinstance(own.get("terminal"), list):
        kept["terminal"] = [t for t in own["terminal"] if not (isinstance(t, dict) and t.get("name") in taken)]
    for variant in _tables(kept.get("variant")):
        added = variant.get("add")
        if isinstance(added, dict) and isinstance(added.get("terminal"), list):
            added["terminal"] = [t for t in added["terminal"] if not (isinstance(t, dict) and t.get("name") in taken)]
            if not added["terminal"]:
                del added["terminal"]
    for kind in ON_COPPER:
        for _, table in _named(kept, kind):
            if table.get("copper") in part.names:
                table["copper"] = part.names[table["copper"]]
    return kept
