"""Pins by name: `refdes.pin` to its pads, its own holes, and the holes by which its net goes on from there."""

from __future__ import annotations

import difflib
import itertools
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import STRtree

from returnflow_geometry.fabrication.base.budget import Budget, names_data
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError, Limits
from returnflow_geometry.fabrication.copper.connectivity import Barrel, Connectivity, axis, reaches
from returnflow_geometry.fabrication.copper.naming import is_no_net
from returnflow_geometry.fabrication.copper.touching import meetings
from returnflow_geometry.keys.drawn_shapes import CONTACT_CORNERS
from returnflow_geometry.model import shapes
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.numbers import place
from returnflow_geometry.model.overlay import intersection, union_all
from returnflow_geometry.model.wording import brief, listed

SAME_PLACE = 10e-6  # m: netlists round to a ten-thousandth of an inch or coarser
ASSUMED_PAD = 0.3e-3  # m: contact of a pin whose pad no file draws
CUT_REFDES, CUT_NET = 6, 14  # characters that a netlist record has room for
NO_PARTS = {"", "VIA", "N/C", "NC"}
MAX_NEAR = 5


@dataclass(frozen=True, kw_only=True)
class PinContact:
    """One pad of a pin: the layer (from 0 at the top), its border (m), and whether a file draws it."""

    layer: int
    at: tuple[float, float]
    shape: Shape
    drawn: bool = True


@dataclass(frozen=True, kw_only=True)
class Pin:
    """
    One pin: all its pads are one terminal.

    `holes` are places in ``data.holes``: plated holes that are the pin's own. `through` tells that the pin is soldered
    into its holes, and not onto a pad; `cut` that its name comes from a netlist and may be cut short. A `label` is the
    name of a terminal that a case draws on the copper, `function` what the files call the pin.
    """

    refdes: str
    pin: str
    net: str
    contacts: tuple[PinContact, ...]
    holes: tuple[int, ...] = ()
    through: bool = False
    cut: bool = False
    label: str = ""
    function: str = ""

    @property
    def name(self) -> str:
        """Name as a case file gives it."""
        return self.label or f"{self.refdes}.{self.pin}"


@dataclass
class _Found:
    net: str = ""
    contacts: list[PinContact] = field(default_factory=list)
    holes: set[int] = field(default_factory=set)
    through: bool = False
    cut: bool = False
    function: str = ""


@names_data
def pins_of(data: BoardData, limits: Limits | None = None) -> dict[str, Pin]:
    """
    All pins of a board by name, in the order of the files.

    Pads come first; holes that name a pin belong to it. A record of a netlist adds a pin only where no pad and no hole
    of a named pin lies at its place, since its names may be cut short.
    """
    found: dict[tuple[str, str], _Found] = {}
    for number, layer in enumerate(data.layers):
        for pad in layer.pads:
            if pad.refdes.strip().upper() in NO_PARTS:
                continue
            entry = found.setdefault((pad.refdes, pad.pin), _Found())
            entry.net = entry.net or pad.net
            entry.function = entry.function or pad.function
            entry.contacts.append(PinContact(layer=number, at=pad.at, shape=pad.shape))
    for k, hole in enumerate(data.holes):
        if hole.refdes.strip().upper() not in NO_PARTS and hole.plating != "unplated":
            entry = found.setdefault((hole.refdes, hole.pin), _Found())
            entry.net = entry.net or hole.net
            entry.holes.add(k)
            entry.through = True
    _add_points(data, found, limits or Limits())
    _mark_through(data, found)
    return {
        f"{refdes}.{pin}": Pin(
            refdes=refdes,
            pin=pin,
            net=entry.net,
            contacts=tuple(entry.contacts),
            holes=tuple(sorted(entry.holes)),
            through=entry.through,
            cut=entry.cut,
            function=entry.function,
        )
        for (refdes, pin), entry in found.items()
    }


def find_pin(pins: dict[str, Pin], name: str, file: str = "fabrication data") -> Pin:
    """
    Pin of that name.

    Letter case is ignored where that is clear, and a name may be longer than a netlist has room for.

    Raises
    ------
    FabricationError
        If there is none, with the nearest names.
    """
    if name in pins:
        return pins[name]
    folded = [pin for other, pin in pins.items() if other.casefold() == name.casefold()]
    if len(folded) == 1:
        return folded[0]
    # A part's name may hold dots itself, and so may a pin's: try the last dot first, then every other.
    dots = [k for k, letter in enumerate(name) if letter == "."]
    for k in reversed(dots):
        refdes, pin = name[:k].upper(), name[k + 1 :].upper()
        short = [
            item for item in pins.values() if item.cut and item.refdes == refdes[:CUT_REFDES] and item.pin == pin[:4]
        ]
        if len(short) == 1:
            return short[0]
    if not dots:
        mine = [other for other, pin in pins.items() if pin.refdes == name]
        rule = "a pin is named by its part and pin, such as U3.12"
        advice = f"that part has {listed(mine)}" if mine else "write it as part.pin"
    else:
        near = difflib.get_close_matches(name, pins, n=MAX_NEAR, cutoff=0.5)
        same = [other for other in pins if other.rpartition(".")[0] == name.rpartition(".")[0]]
        rule = "the files have no pin of that name"
        advice = f"the nearest are {listed(same or near)}" if same or near else f"they name {len(pins)} pins"
    message = f'pin "{brief(name)}": {rule}; {advice}'
    raise FabricationError(file, message)


def contacts_on_copper(pin: Pin, connectivity: Connectivity) -> tuple[list[tuple[PinContact, int]], list[str]]:
    """
    Pads of a pin with the island each lies on (the one it shares most area with), and what had to be assumed.

    Pads that touch no copper are left out and noted.
    """
    found: list[tuple[PinContact, int]] = []
    notes = []
    for contact in pin.contacts:
        best, area = -1, 0.0
        members, tree = connectivity.on_layer.get(contact.layer, ([], None))
        for k in [] if tree is None else tree.query(contact.shape, predicate="intersects").tolist():
            island = connectivity.islands[members[k]]
            common = intersection(island.shape, contact.shape).area
            if common > area and not (pin.label and island.net != pin.net):
                best, area = members[k], common
        if best < 0:
            where = place(*contact.at)
            notes.append(f"Pin {listed([pin.name])}: its pad at {where} lies on no copper and is left out.")
        else:
            found.append((contact, best))
            if not contact.drawn:
                notes.append(
                    f"Pin {listed([pin.name])}: no file draws its pad at {place(*contact.at)}, "
                    f"taken as a disc of {ASSUMED_PAD * 1e3:g} mm."
                )
    return found, notes


def entry_holes(pin: Pin, connectivity: Connectivity, data: BoardData) -> list[tuple[Barrel, float]]:
    """
    Barrels by which current can leave the layers of a pin's pads, nearest first, with their distance (m).

    For a pin in holes these are its own; for a surface-mount pin, all plated holes of the copper under its pads that
    lead to another layer.
    """
    if pin.through:
        return [(barrel, 0.0) for barrel in connectivity.barrels if barrel.hole in pin.holes]
    contacts, _ = contacts_on_copper(pin, connectivity)
    under = {island for _, island in contacts}
    if not under:
        return []
    pads = union_all([contact.shape for contact, _ in contacts])
    found = []
    for barrel in connectivity.barrels:
        layers = {connectivity.islands[k].layer for k in barrel.islands}
        if len(layers) > 1 and under.intersection(barrel.islands):
            found.append((barrel, float(shapely.distance(axis(data.holes[barrel.hole]), pads))))
    return sorted(found, key=lambda item: (item[1], item[0].hole))


@names_data
def netlist_disagreements(data: BoardData, connectivity: Connectivity, limits: Limits | None = None) -> list[str]:
    """
    Say where the netlist gives copper another net than the images do; names are compared as far as records go.

    A few records are cited, the rest is counted.
    """
    named = [k for k, island in enumerate(connectivity.islands) if island.net]
    points = [point for point in data.points if not is_no_net(point.net)]
    if not named or not points:
        return []
    last = len(data.layers) - 1
    tree = STRtree([shapely.Point(point.at) for point in points])
    areas = np.array([connectivity.islands[k].shape for k in named], dtype=object)
    wrong: dict[int, tuple[str, str]] = {}
    agreed: Counter[int] = Counter()
    for k, index in meetings(tree, areas, Budget("netlist", limits or Limits())):
        island, point = connectivity.islands[named[k]], points[index]
        outer = {"top": {0}, "bottom": {last}, "both": {0, last}}[point.layers]
        if island.layer not in outer:
            continue
        if same_net(point.net, island.net):
            agreed[index] += 1
        else:
            wrong[index] = (point.net, island.net)
    lines = [
        f'at {place(*points[index].at)} the netlist says "{brief(said)}", the images "{brief(seen)}"'
        for index, (said, seen) in sorted(wrong.items())
        if not agreed[index]
    ]
    more = len(lines) - MAX_NEAR
    return [*lines[:MAX_NEAR], f"and {more} more netlist records disagree with the images"] if more > 0 else lines


def same_net(record: str, name: str) -> bool:
    """
    Tell whether a netlist record may mean a net: records are upper-cased and keep the first or last 14 characters.

    Examples
    --------
    >>> same_net("DIGITAL_GROUND", "Digital_Ground_Main"), same_net("GND", "AGND")
    (True, False)
    """
    full, short = name.strip().upper(), record.strip().upper()
    if full == short:
        return True
    return len(short) >= CUT_NET and (full.startswith(short) or full.endswith(short))


def _add_points(data: BoardData, found: dict[tuple[str, str], _Found], limits: Limits) -> None:
    spots = [contact.at for entry in found.values() for contact in entry.contacts]
    spots += [(float(x), float(y)) for entry in found.values() for k in entry.holes for x, y in data.holes[k].path[:1]]
    named = [point for point in data.points if point.refdes.strip().upper() not in NO_PARTS and point.pin.strip()]
    budget = Budget("netlist", limits)
    places = [point.at for point in named]
    taken = _near(places, spots, budget)
    drilled = _near(places, [(float(h.path[0, 0]), float(h.path[0, 1])) for h in data.holes], budget)
    unnamed = [[pad for pad in layer.pads if not pad.refdes] for layer in data.layers]
    padded = [_near(places, [pad.at for pad in pads], budget) for pads in unnamed]
    sizes = [[float(pad.shape.area) for pad in pads] for pads in unnamed]
    added: set[tuple[str, str]] = set()
    last = len(data.layers) - 1
    for n, point in enumerate(named):
        key = (point.refdes.strip(), point.pin.strip())
        if n in taken or (key in found and key not in added):
            continue
        added.add(key)
        entry = found.setdefault(key, _Found(cut=True))
        entry.net = entry.net or point.net
        own = [k for k in drilled.get(n, ()) if data.holes[k].plating != "unplated"] if point.drill is not None else []
        entry.holes.update(own)
        entry.through |= bool(own)
        for layer in () if own else {"top": [0], "bottom": [last], "both": sorted({0, last})}[point.layers]:
            # Of pads that were drawn over one another the largest is the pin's.
            if over := padded[layer].get(n):
                pad = unnamed[layer][max(over, key=sizes[layer].__getitem__)]
                entry.contacts.append(PinContact(layer=layer, at=pad.at, shape=pad.shape))
            else:
                disc = shapes.circle(*point.at, ASSUMED_PAD, corners=CONTACT_CORNERS)
                entry.contacts.append(PinContact(layer=layer, at=point.at, shape=disc, drawn=False))


def _near(places: list[tuple[float, float]], others: list[tuple[float, float]], budget: Budget) -> dict[int, list[int]]:
    """For each place the others that are the same but for rounding; places without are left out."""
    near: dict[int, list[int]] = {}
    if places and others:
        tree = STRtree(shapely.points(others))
        for k, other in meetings(tree, shapely.points(places), budget, predicate="dwithin", distance=SAME_PLACE):
            near.setdefault(k, []).append(other)
    return near


def _mark_through(data: BoardData, found: dict[tuple[str, str], _Found]) -> None:
    """Add the plated holes that lie at the centre of a pin's pads: such a pin is soldered into them."""
    centres = STRtree([shapely.centroid(axis(hole)) for hole in data.holes])
    if not len(centres):
        return
    for entry in found.values():
        count = Counter(
            int(k)
            for contact in entry.contacts
            for k in centres.query(shapely.Point(contact.at), predicate="dwithin", distance=SAME_PLACE)
            if data.holes[int(k)].plating != "unplated" and reaches(data.holes[int(k)], contact.layer)
        )
        # A via in the middle of a surface-mount pad has the pin's pad on one side only.
        sides = len({contact.layer for contact in entry.contacts})
        own = [k for k, pads in count.items() if pads >= 2 and sides >= 2]
        if own:
            entry.holes.update(own)
            entry.through = True


def parts_of(pins: dict[str, Pin]) -> dict[str, list[Pin]]:
    """Pins by the part they belong to."""
    ordered = sorted(pins.values(), key=lambda pin: pin.refdes)
    return {refdes: list(group) for refdes, group in itertools.groupby(ordered, key=lambda pin: pin.refdes)}
