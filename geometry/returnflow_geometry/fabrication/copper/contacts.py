"""Contacts of pins and plated holes on the coppers in use, and the links between them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from shapely import STRtree

from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError
from returnflow_geometry.fabrication.copper.connectivity import Connectivity
from returnflow_geometry.fabrication.copper.merged import Sheets
from returnflow_geometry.fabrication.copper.pins import Pin, PinContact, contacts_on_copper
from returnflow_geometry.fabrication.copper.reach import carrying
from returnflow_geometry.fabrication.copper.touching import LEAST_AREA
from returnflow_geometry.model.board import GRID, Layer, Link, Shape, Terminal
from returnflow_geometry.model.groups import grouped
from returnflow_geometry.model.material import barrel_length, resistivity, wall_area
from returnflow_geometry.model.numbers import place
from returnflow_geometry.model.overlay import difference, intersection, union_all
from returnflow_geometry.model.wording import listed

NEAR = 1e-6  # m: contacts nearer than this are one
INSET = 0.1  # of a pad's half width: a contact must leave some copper around it to be meshed


@dataclass(kw_only=True)
class Use:
    """
    What the pins' currents use.

    `contacts` are each pin's pads with their islands, `islands` what carries current or is a pad that leads into
    holes, `barrels` (by their place in ``connectivity.barrels``) the islands each of them joins, `own` the barrels
    that are a pin's, with the number of the pin.
    """

    pins: list[Pin]
    contacts: list[list[tuple[PinContact, int]]]
    islands: set[int]
    barrels: dict[int, list[int]]
    own: dict[int, int]
    notes: list[str] = field(default_factory=list)


def use_of(connectivity: Connectivity, pins: Sequence[Pin], laid: Sequence[tuple[int, Shape]] = ()) -> Use:
    """
    Find what copper and which holes carry current between the pins.

    Vertices are pins and barrels. A pin soldered into holes is one vertex with them. A hole in a surface-mount pad is
    joined to the pin by the solder on the pad. Copper that a variant lays is taken as lying there.
    """
    notes: list[str] = []
    contacts = []
    for pin in pins:
        found, said = contacts_on_copper(pin, connectivity)
        contacts.append(found)
        notes += said
    own = {k: n for n, pin in enumerate(pins) for k, item in enumerate(connectivity.barrels) if item.hole in pin.holes}
    in_pad = _in_pads(connectivity, pins, contacts, own)
    # Islands that touch on their layer are one piece.
    piece_of = pieces_of(connectivity, laid)
    touching: dict[int, list[int]] = {}
    vertex = {k: len(pins) + k for k in range(len(connectivity.barrels))} | own
    for k, barrel in enumerate(connectivity.barrels):
        for island in barrel.islands:
            at_pin = in_pad.get((k, connectivity.islands[island].layer))
            touching.setdefault(piece_of[island], []).append(vertex[k] if at_pin is None else at_pin)
    for n, found in enumerate(contacts):
        for _, island in found:
            touching.setdefault(piece_of[island], []).append(n)
    joins = sorted({(n, vertex[k]) for (k, _), n in in_pad.items()})
    pieces, joined = carrying(range(len(pins)), touching, joins)
    islands = {k for k, piece in enumerate(piece_of) if piece in pieces}
    # The pad itself carries nothing where all its current goes into the holes in it; it is kept to join them.
    leads = {(n, k - len(pins)) for n, k in joined}
    for (k, layer), n in in_pad.items():
        if (n, k) in leads:
            under = {island for contact, island in contacts[n] if contact.layer == layer}
            islands.update(under.intersection(connectivity.barrels[k].islands))
    barrels: dict[int, list[int]] = {}
    for k, barrel in enumerate(connectivity.barrels):
        used = [island for island in barrel.islands if island in islands]
        if len(used) > 1 or (used and k in own):
            barrels[k] = used
    return Use(pins=list(pins), contacts=contacts, islands=islands, barrels=barrels, own=own, notes=notes)


def _in_pads(
    connectivity: Connectivity, pins: Sequence[Pin], contacts: list[list[tuple[PinContact, int]]], own: dict[int, int]
) -> dict[tuple[int, int], int]:
    """Barrels that meet a surface-mount pad of a pin: (barrel, layer) to the number of the pin."""
    found: dict[tuple[int, int], int] = {}
    tree = STRtree([barrel.shape for barrel in connectivity.barrels])
    for n, pin in enumerate(pins):
        if pin.through:
            continue
        for contact, island in contacts[n]:
            for k in tree.query(contact.shape, predicate="dwithin", distance=NEAR).tolist():
                if k not in own and island in connectivity.barrels[k].islands:
                    found[(k, contact.layer)] = n
    return found


def pieces_of(connectivity: Connectivity, laid: Sequence[tuple[int, Shape]] = ()) -> list[int]:
    """For each island the number of the piece that it is a part of."""
    pairs = list(connectivity.touching)
    for layer, shape in laid:
        met = [
            k
            for k, island in enumerate(connectivity.islands)
            if island.layer == layer and shapely.dwithin(island.shape, shape, GRID)
        ]
        pairs += list(itertools.pairwise(met))
    return [int(piece) for piece in grouped(len(connectivity.islands), pairs)]


@dataclass(kw_only=True)
class Placed:
    """
    Terminals, and which of them a barrel meets on an island, or a pin on a copper.

    `at_barrel` maps (barrel, island) and `at_pin` (number of the pin, copper) to the terminal's name.
    """

    terminals: tuple[Terminal, ...]
    at_barrel: dict[tuple[int, int], str]
    at_pin: dict[tuple[int, str], str]


@dataclass(kw_only=True)
class _Mark:
    """One spot of one owner on a copper: a pad or the border of a barrel."""

    shape: Shape
    pin: int | None
    barrel: int | None
    island: int


def terminals_of(connectivity: Connectivity, use: Use, sheets: Sheets, file: str) -> Placed:
    """
    Make one terminal of all spots of one pin on a copper, and of barrels that touch each other or a pin.

    Raises
    ------
    FabricationError
        If a pin meets no copper that carries current, or two pins share a contact.
    """
    marks: dict[str, list[_Mark]] = {name: [] for name in sheets.shape}
    for n, found in enumerate(use.contacts):
        for contact, island in found:
            if island in use.islands:
                marks[sheets.of[island]].append(_Mark(shape=contact.shape, pin=n, barrel=None, island=island))
    for k, islands in use.barrels.items():
        for island in islands:
            shape = connectivity.barrels[k].shape
            marks[sheets.of[island]].append(_Mark(shape=shape, pin=use.own.get(k), barrel=k, island=island))
    placed = Placed(terminals=(), at_barrel={}, at_pin={})
    terminals = []
    first: dict[int, str] = {}  # the copper where a pin has its plain name
    for copper, spots in marks.items():
        for cluster in _clusters(spots):
            members = [spots[k] for k in cluster]
            owners = sorted({mark.pin for mark in members if mark.pin is not None})
            if len(owners) > 1:
                names = listed([use.pins[n].name for n in owners])
                rule = "each requested pin needs a contact of its own"
                message = f"pins {names} meet on {copper}; {rule}; name one of them"
                raise FabricationError(file, message)
            if owners:
                here = first.setdefault(owners[0], copper)
                name = use.pins[owners[0]].name
                name = name if here == copper else f"{name} ({copper})"
                placed.at_pin[(owners[0], copper)] = name
            else:
                number = min(connectivity.barrels[mark.barrel].hole for mark in members if mark.barrel is not None) + 1
                name = f"hole {number} ({copper})"
            drawn = [mark.shape for mark in members]
            area = drawn[0] if len(drawn) == 1 else union_all(drawn, grid_size=GRID)
            terminals.append(Terminal(name=name, copper=copper, shape=area))
            for mark in members:
                if mark.barrel is not None:
                    placed.at_barrel[(mark.barrel, mark.island)] = name
    lost = [pin.name for n, pin in enumerate(use.pins) if n not in first]
    if lost:
        where = [use.pins[n].contacts for n in range(len(use.pins)) if n not in first]
        kind = "terminal" if all(use.pins[n].label for n in range(len(use.pins)) if n not in first) else "pin"
        spots_ = ", ".join(place(*contacts[0].at) for contacts in where if contacts)
        message = (
            f"{kind} {listed(lost)}{f' at {spots_}' if spots_ else ''}: no copper connects it to another of the "
            f"requested pins; a current needs copper to return through; check the pin's net, and the other pins"
        )
        raise FabricationError(file, message)
    placed.terminals = tuple(_inset(terminals, sheets))
    return placed


def _clusters(spots: Sequence[_Mark]) -> list[list[int]]:
    """Marks of one pin, and marks that touch or nearly so, belong together."""
    shapes = np.array([mark.shape for mark in spots], dtype=object)
    near, other = STRtree(shapes).query(shapes, predicate="dwithin", distance=NEAR)
    pairs = list(zip(near.tolist(), other.tolist(), strict=True))
    leader: dict[tuple[str, int], int] = {}
    for k, mark in enumerate(spots):
        key = ("pin", mark.pin) if mark.pin is not None else ("barrel", mark.barrel or 0)
        pairs.append((leader.setdefault(key, k), k))
    found: dict[int, list[int]] = {}
    for k, cluster in enumerate(grouped(len(spots), pairs).tolist()):
        found.setdefault(cluster, []).append(k)
    return list(found.values())


def _inset(terminals: list[Terminal], sheets: Sheets) -> list[Terminal]:
    """Contacts that leave nothing of a piece of copper become a little smaller, as there must be copper to mesh."""
    pieces = {name: shapely.get_parts(shape) for name, shape in sheets.shape.items()}
    areas = {name: shapely.area(parts) for name, parts in pieces.items()}
    result = []
    for terminal in terminals:
        shape = terminal.shape
        for k in np.flatnonzero(areas[terminal.copper] <= 2 * shape.area).tolist():
            piece = pieces[terminal.copper][k]
            if not piece.intersects(shape):
                continue
            if difference(piece, shape).area <= max(LEAST_AREA, 0.02 * piece.area):
                x0, y0, x1, y1 = piece.bounds
                inner = shapely.buffer(piece, -INSET * min(x1 - x0, y1 - y0) / 2, join_style="mitre")
                shape = union_all([intersection(shape, inner), difference(shape, piece)], grid_size=GRID)
        result.append(terminal if shape is terminal.shape else replace(terminal, shape=shape))
    return result


def links_of(
    data: BoardData,
    connectivity: Connectivity,
    use: Use,
    placed: Placed,
    layers: Sequence[Layer],
    temperature: float,
) -> tuple[Link, ...]:
    """
    Plated holes as resistances between their terminals on one layer and the next that they touch.

    The length runs from the middle of one copper to the middle of the other: R = rho L / wall area. A pin whose pads
    lie on coppers that none of its own holes join gets a short between them: the pin's own metal.
    """
    links = []
    joined: set[frozenset[str]] = set()
    rho = resistivity(temperature)
    for k, islands in use.barrels.items():
        hole = data.holes[connectivity.barrels[k].hole]
        straight = float(np.hypot(*np.diff(hole.path, axis=0).T).sum())
        wall = wall_area(hole.diameter, connectivity.plating, straight)
        for upper, lower in itertools.pairwise(islands):
            one, other = placed.at_barrel[(k, upper)], placed.at_barrel[(k, lower)]
            first, last = connectivity.islands[upper].layer, connectivity.islands[lower].layer
            if one == other or first == last:
                continue
            name = f"hole {connectivity.barrels[k].hole + 1}, {layers[first].name} to {layers[last].name}"
            ohm = rho * barrel_length(layers, first, last) / wall
            radius = 0.5 * hole.diameter + connectivity.plating
            links.append(Link(name=name, between=(one, other), resistance=ohm, barrel=radius))
            joined.add(frozenset((one, other)))
    for n, pin in enumerate(use.pins):
        mine = [name for (owner, _), name in placed.at_pin.items() if owner == n]
        apart = [name for name in mine[1:] if not any(name in pair and pair & (set(mine) - {name}) for pair in joined)]
        links += [Link(name=f"{pin.name}, to {name} by the pin", between=(mine[0], name)) for name in apart]
    return tuple(links)
