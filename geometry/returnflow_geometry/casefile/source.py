"""A case's board from the fabrication data it names: coppers, pins and plated holes as tables before the file's own."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from shapely import box

from returnflow_geometry.casefile.addresses import Draft
from returnflow_geometry.casefile.builder import read_tables
from returnflow_geometry.casefile.devices import PinOfNet, expanded
from returnflow_geometry.casefile.edits import Edit
from returnflow_geometry.casefile.found_routes import find_routes, wanted_way
from returnflow_geometry.casefile.parts import part_table
from returnflow_geometry.casefile.source_tables import (
    FURTHER,
    ON_COPPER,
    Tables,
    added,
    bad_layers,
    board_values,
    ends,
    fixed,
    named,
    only_bonds,
    respelled,
    roles,
    stackup,
    tables_of,
    texts,
    unlike_drawn,
)
from returnflow_geometry.casefile.supplied import Supplied
from returnflow_geometry.casefile.sweep_steps import change
from returnflow_geometry.casefile.variants import read_variants
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError, Limits
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.summary import remarks
from returnflow_geometry.fabrication.copper.connectivity import PLATING, Connectivity, connect
from returnflow_geometry.fabrication.copper.contacts import pieces_of
from returnflow_geometry.fabrication.copper.extract import TEMPERATURE, BoardPart, board_of
from returnflow_geometry.fabrication.copper.merged import SIMPLIFY, copper_name
from returnflow_geometry.fabrication.copper.pins import Pin, find_pin, pins_of
from returnflow_geometry.fabrication.copper.slots import with_slots
from returnflow_geometry.fabrication.copper.stack import Thickness
from returnflow_geometry.fabrication.copper.touching import LEAST_AREA
from returnflow_geometry.keys.quantities import MAX_STEPS
from returnflow_geometry.keys.reading import Book, Spot, read_text
from returnflow_geometry.model.board import Board, Layer, Shape, Terminal
from returnflow_geometry.model.numbers import square_millimetres
from returnflow_geometry.model.overlay import intersection
from returnflow_geometry.model.wording import brief, label, listed

UM = 1e6
FAR = 1e4  # mm: a stand-in for imported copper reaches everywhere


class _Contacts(NamedTuple):
    """
    What a case draws on imported copper.

    `own` are terminals of the case, `further` those of variants only, `bridges` all that may be laid: their name, the
    coppers they name, layer and shape.
    """

    own: dict[str, Terminal]
    further: dict[str, Terminal]
    bridges: list[tuple[str, frozenset[str], str, Shape]]


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
        Pins that the case names, as it spells them.
    stackup : dict
        What the case says of layers, by name.
    known : (BoardData, Connectivity), optional
        What the files say, where they are read already with what the case says of them.
    """

    folder: Path
    limits: Limits = field(default_factory=Limits)
    data: BoardData | None = None
    connectivity: Connectivity | None = None
    part: BoardPart | None = None
    pins: list[str] = field(default_factory=list)
    stackup: dict[str, Thickness] = field(default_factory=dict)
    known: tuple[BoardData, Connectivity] | None = None

    def __call__(self, own: Mapping[str, Any]) -> Supplied:
        """Tables of the board, for a case that names a source; nothing for one that does not."""
        if "source" not in own:
            return Supplied()
        book = Book()
        place = read_text(Spot(book, "source"), own["source"])
        if place is None:
            return _refused(own, book.mistakes)
        try:
            return self._supplied(copy.deepcopy(dict(own)), place)
        except FabricationError as error:
            return _refused(own, [f"source: {error}"])

    def _supplied(self, own: Tables, place: str) -> Supplied:
        read = self.known[0] if self.known else from_fabrication(self.folder / place, self.limits, table=roles(own))
        self.data = data = read
        self.stackup = stackup(own)
        pins = [PinOfNet(pin.name, pin.refdes, pin.net) for pin in pins_of(data, self.limits).values()]
        own, wrong, devices = expanded(own, pins)
        said = board_values(own)
        plating = said.get("plating_um", PLATING * UM) / UM
        met = self.known[1] if self.known else connect(data, plating=plating, limits=self.limits)
        self.connectivity = connectivity = met
        names = {copper_name(item.net, data.layers[item.layer].name): item.layer for item in connectivity.islands}
        layers = {name: data.layers[number].name for name, number in names.items()}
        mistakes = [*wrong, *bad_layers(own, [layer.name for layer in data.layers]), *fixed(own)]
        asked, spelled, bonds = self._asked(own, data, layers, mistakes)
        contacts = _contacts(own, layers, {pin.name for pin in asked})
        mistakes += _shorts(contacts, data, connectivity)
        if not (mistakes or self.pins or contacts.own):
            mistakes.append(
                "[[loop]]: none names a pin of the source; a current enters and leaves the copper at pins; complete "
                "the loops, or draw a [[terminal]] on imported copper"
            )
        if mistakes:
            return _refused(own, mistakes)
        self.part = part = board_of(
            data,
            list(dict.fromkeys(pin.name for pin in asked)),
            stackup=self.stackup,
            plating=plating,
            temperature=said.get("temperature_C", TEMPERATURE),
            simplify=said.get("simplify_um", SIMPLIFY * UM) / UM,
            laid=list(dict.fromkeys((layer, shape) for *_, layer, shape in contacts.bridges)),
            drawn=[*contacts.own.values(), *contacts.further.values()],
            connectivity=connectivity,
            limits=self.limits,
        )
        said_ways = find_routes(
            own, data, connectivity, part, {name: pin for name, (pin, _) in spelled.items()}, mistakes
        )
        if mistakes:
            return _refused(own, mistakes)
        coppers, slots, openings = with_slots(part.coppers, data, connectivity)
        unused = [name for name in bonds if name not in {terminal.name for terminal in part.terminals}]
        unreached = _unreached(own, names, part)
        # What only a variant draws is no contact of the case itself, unless a hole is a part of it.
        joined = {end for link in part.links for end in link.between}
        drawn = {name for name, _ in named(tables_of(own, "terminal"))}
        later = {name for name in (*contacts.further, *(contacts.own.keys() - drawn)) if name not in joined}
        _take_out(own, {*contacts.own, *only_bonds(own), *(contacts.further.keys() - later)})
        terminals = {
            name: f"{pin} ({part.names.get(copper, copper)})" if copper else pin
            for name, (pin, copper) in spelled.items()
        }
        respelled(own, terminals, part.names)
        notes = [f'Terminal "{brief(name)}": no loop ends there, so its bond has no effect.' for name in unused]
        if part.links and unlike_drawn(own):
            notes.append(
                "Plated holes keep the resistance they have in the case as drawn where a variant or sweep sets "
                "another temperature or thickness."
            )
        return Supplied(
            own=own,
            parts={
                "layer": _said_of(part.layers, dict(named(tables_of({"layer": own.pop("layer", [])}, "layer")))),
                "copper": coppers,
                "cutout": slots,
                "terminal": _said_of([t for t in part.terminals if t.name not in later], bonds),
                "link": part.links,
            },
            board={"outline": part.outline},
            mistakes=tuple(unreached),
            assumptions=(
                *devices,
                *part.notes,
                *notes,
                *openings,
                *said_ways,
                *remarks(data, connectivity, self.limits),
            ),
        )

    def _asked(
        self, own: Tables, data: BoardData, layers: Mapping[str, str], mistakes: list[str]
    ) -> tuple[list[Pin], dict[str, tuple[str, str]], dict[str, Tables]]:
        """
        Pins that loops and links name; how the case spells them; and what it says of bonds, by the pin's name.

        A spelling stands for the pin's name and, for its contact on a further copper, that copper.
        """
        known = pins_of(data, self.limits)
        bonds = only_bonds(own)
        mine = {name for name, _ in named(tables_of(own, "terminal"))} - bonds.keys()
        # A variant may draw a pin's contact elsewhere: in the case it is a pin.
        mine |= {name for name, _ in named(added(own, "terminal"))} - known.keys()
        asked: list[Pin] = []
        spelled: dict[str, tuple[str, str]] = {}
        self.pins = []
        wanted = ends(own)
        for name in [*wanted, *(name for name in bonds if name not in wanted)]:
            further = FURTHER.fullmatch(name)
            alone, copper = (further[1], further[2]) if further and further[2] in layers else (name, "")
            if name.startswith("hole "):
                spelled[name] = (alone, copper)
            if name in mine or alone in mine or name.startswith("hole "):
                continue
            try:
                pin = find_pin(known, name if name in known else alone, data.origin)
            except FabricationError as error:
                mistakes.append(f"{label('terminal', name)}: {error}")
                continue
            spelled[name] = (pin.name, "" if name in known else copper)
            if name in wanted:
                asked.append(pin)
                self.pins.append(alone)
        self.pins = list(dict.fromkeys(self.pins))
        return asked, spelled, {spelled[name][0]: table for name, table in bonds.items() if name in spelled}


def _contacts(own: Tables, layers: Mapping[str, str], pins: Collection[str]) -> _Contacts:
    """
    Read what the case, its variants and its sweeps draw on imported copper, as if that copper were everywhere.

    What takes the place of one of the pins in a variant is left to the variant. What is wrong with any of them is said
    when the whole case is read.
    """
    told = texts([own.get(kind) for kind in (*ON_COPPER, "variant", "sweep")])
    here = {name: layer for name, layer in layers.items() if name in told}
    everywhere = {"rect": [-FAR, -FAR, FAR, FAR]}
    stand_in: Tables = {
        "format": 1,
        "title": "contacts",
        "board": {"outline": everywhere},
        "layer": [{"name": layer, "copper_um": 35, "below_mm": 1} for layer in dict.fromkeys(layers.values())],
        "copper": [{"name": name, "layer": layer, "shape": everywhere} for name, layer in here.items()],
        "terminal": [table for name, table in named(tables_of(own, "terminal")) if name not in only_bonds(own)],
        "bridge": tables_of(own, "bridge"),
        "vias": tables_of(own, "vias"),
        "bank": [table for table in tables_of(own, "bank") if "at" in table],
        "variant": tables_of(own, "variant"),
    }
    reading = read_tables(stand_in, whole=False)
    base = reading.case.board
    variants, _ = read_variants(Draft(stand_in), reading)
    boards = [base, *(variant.case.board for variant in variants)]
    if stand_in["bridge"]:
        boards += _steps(stand_in, tables_of(own, "sweep"))
    first = {terminal.name: terminal for terminal in base.terminals}
    known = {*first, *pins}
    further = {t.name: t for board in reversed(boards[1:]) for t in board.terminals if t.name not in known}
    bridges: dict[tuple[str, frozenset[str], str, Shape], None] = {}
    for board in boards:
        for item in board.bridges:
            joins = frozenset(other.copper for other in board.bridges if other.name == item.name)
            bridges[item.name, joins, layers[item.copper], item.shape] = None
    return _Contacts(own=first, further=further, bridges=list(bridges))


def _shorts(contacts: _Contacts, data: BoardData, connectivity: Connectivity) -> list[str]:
    """Mistakes of bridges that lie on copper of other nets than they name, and would short them."""
    numbers = {layer.name: k for k, layer in enumerate(data.layers)}
    piece = pieces_of(connectivity)
    found: dict[str, dict[str, float]] = {}
    for name, joins, layer, shape in contacts.bridges:
        members, tree = connectivity.on_layer.get(numbers[layer], ([], None))
        met = [members[k] for k in tree.query(shape, predicate="intersects")] if tree is not None else []
        called = {k: copper_name(connectivity.islands[k].net, layer) for k in members}
        own = {piece[k] for k in members if called[k] in joins}
        for k in met:
            area = intersection(connectivity.islands[k].shape, shape).area
            if piece[k] not in own and area > LEAST_AREA:
                nets = found.setdefault(name, {})
                nets[called[k]] = max(nets.get(called[k], 0.0), area)
    rule = "it would short what it does not name"
    advice = "name in copper = [...] all that it is meant to join, or shorten it"
    return [
        f"{label('bridge', name)}: lies on "
        + " and ".join(f"{listed([net])} ({square_millimetres(area)})" for net, area in nets.items())
        + f"; {rule}; {advice}"
        for name, nets in found.items()
    ]


def _steps(stand_in: Tables, sweeps: list[Tables]) -> list[Board]:
    """Boards of the steps of all sweeps; what they change elsewhere than on imported copper is passed over."""
    reading = read_tables(stand_in | {"sweep": sweeps}, whole=False)
    varied = [entry.fields.values.get("vary") or [] for entry in reading.values.get("sweep", [])]
    boards: list[Board] = []
    for quantities in varied:
        steps = itertools.product(*(range(len(quantity.values)) for quantity in quantities))
        for at in itertools.islice(steps, MAX_STEPS):
            edit = Edit(Draft(stand_in), "")
            for quantity, index in zip(quantities, at, strict=True):
                change(edit, quantity, index)
            boards.append(read_tables(edit.draft.raw, whole=False).case.board)
    return boards


def _refused(own: Mapping[str, Any], mistakes: Sequence[str]) -> Supplied:
    """Mistakes, and what of the file can be read without its source: names may then be those of the source."""
    kept = {key: value for key, value in own.items() if key not in {"source", "layer", "device"}}
    bonds = only_bonds(own)
    if isinstance(own.get("terminal"), list):
        kept["terminal"] = [t for t in own["terminal"] if not (isinstance(t, dict) and t.get("name") in list(bonds))]
    if isinstance(own.get("loop"), list):
        kept["loop"] = [_without_way(table) for table in own["loop"]]
    return Supplied(
        own=kept,
        board={"outline": box(0, 0, 1, 1)},
        mistakes=tuple(mistakes),
        incomplete=("layer", "copper", "terminal", "link"),
    )


def _without_way(loop: object) -> object:
    """Table of a loop without the route that was to be found: there is nothing to find it on."""
    if isinstance(loop, dict) and wanted_way(loop.get("route")) is not None:
        return {key: value for key, value in loop.items() if key != "route"}
    return loop


def _unreached(own: Tables, names: Mapping[str, int], part: BoardPart) -> list[str]:
    """Mistakes of things on copper that is there and that no loop reaches; they are put on other copper instead."""
    mistakes = []
    some = part.coppers[0].name if part.coppers else ""
    mine = {name for name, _ in named((*tables_of(own, "copper"), *added(own, "copper")))}
    for kind in ON_COPPER:
        for table in (*tables_of(own, kind), *added(own, kind)):
            key = "coppers" if kind in ("vias", "bank") else "copper"
            value = table.get(key)
            every = value if isinstance(value, list) else [value]
            for copper in every:
                if isinstance(copper, str) and copper in names and copper not in mine and copper not in part.names:
                    where = f"{label(kind, str(table.get('name', 'without a name')))}: {key}"
                    advice = f"name one of {listed(part.names)}, or leave it out"
                    mistakes.append(f"{where} is {listed([copper])}; no loop reaches that copper; {advice}")
                    table[key] = (
                        [some if name == copper else name for name in every] if isinstance(value, list) else some
                    )
    return mistakes


def _take_out(own: Tables, names: Collection[str]) -> None:
    """Take out terminals that the tables of the source have taken in."""

    def left(value: object) -> object:
        if not isinstance(value, list):
            return value
        return [t for t in value if not (isinstance(t, dict) and isinstance(t.get("name"), str) and t["name"] in names)]

    if "terminal" in own:
        own["terminal"] = left(own["terminal"])
    for variant in tables_of(own, "variant"):
        extra = variant.get("add")
        if isinstance(extra, dict) and "terminal" in extra:
            extra["terminal"] = left(extra["terminal"])
            if not extra["terminal"]:
                del extra["terminal"]


def _said_of(parts: Sequence[Layer | Terminal], said: Mapping[str, Tables]) -> list[object]:
    """Parts, or for those that the case says something of, their tables with that instead."""
    return [{**part_table(part), **said[part.name], "name": part.name} if part.name in said else part for part in parts]
