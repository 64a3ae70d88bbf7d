"""The report before solving: what was read, from where, what was assumed, and where sources contradict each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import shapely

from returnflow_geometry.fabrication.base.budget import names_data
from returnflow_geometry.fabrication.base.objects import BoardData, Limits
from returnflow_geometry.fabrication.copper.connectivity import PLATING, Connectivity, connect, describe_tie
from returnflow_geometry.fabrication.copper.merged import copper_name
from returnflow_geometry.fabrication.copper.pins import Pin, entry_holes, find_pin, netlist_disagreements, pins_of
from returnflow_geometry.fabrication.copper.stack import Thickness, layers_of
from returnflow_geometry.model.numbers import mm, percent, place, square_millimetres
from returnflow_geometry.model.wording import brief, count

MAX_LISTED = 10
LEAST_POUR = 1e-6  # m2: floating copper smaller than 1 mm2 is a pad of its own or a mark


@names_data
def describe(
    data: BoardData,
    *,
    pins: Sequence[str] = (),
    connectivity: Connectivity | None = None,
    plating: float | None = None,
    stackup: Mapping[str, Thickness] | None = None,
    limits: Limits | None = None,
) -> list[str]:
    """
    Say in plain lines what the data holds.

    Parameters
    ----------
    data : BoardData
    pins : sequence of str
        Pins whose entry holes are wanted, such as ``U3.12``.
    connectivity : Connectivity, optional
        Result of `connect`, to save doing it again.
    plating : float, optional
        m; what `connect` takes by default.
    stackup : mapping of str to Thickness, optional
        What a case says of layers, by name.
    limits : Limits, optional
        What each look-up may use up.

    Returns
    -------
    lines : list of str
        Sections, each a line that ends with a colon, and below it lines that start with two blanks.
    """
    if connectivity is None:
        connectivity = connect(data, plating=PLATING if plating is None else plating, limits=limits)
    layers, assumed = layers_of(data, stackup)
    lines = _section("Files used", [f"{brief(file)}: {what}" for file, what in data.used])
    lines += _section("Files ignored", [f"{brief(file)}: {why}" for file, why in data.ignored])
    lines += ["Board:", f"  {_outline(data)}"]
    lines += [f"  layer order from {data.order}"] if data.order else []
    lines += [f"  {brief(file)}: {percent(rate)} of the plated holes meet copper" for file, rate in data.hits]
    lines.append("Layers, top to bottom:")
    for k, layer in enumerate(layers):
        islands = [island for island in connectivity.islands if island.layer == k]
        holes = sum(any(connectivity.islands[i].layer == k for i in item.islands) for item in connectivity.barrels)
        area = sum(island.shape.area for island in islands)
        below = "" if layer.below is None else f", {mm(layer.below)} mm to the next"
        lines.append(
            f"  {layer.name}: {layer.thickness * 1e6:g} um copper{below}; {square_millimetres(area)} in "
            f"{count(len(islands), 'island')}, {count(len({island.net for island in islands if island.net}), 'net')}, "
            f"{count(holes, 'plated hole')}" + _nameless(sum(not island.net for island in islands), layer.name)
        )
    lines += _section("Net ties", _capped([describe_tie(tie, data) for tie in connectivity.ties], "ties"))
    lines += _section("Floating pours", _floating(data, connectivity))
    if pins:
        known = pins_of(data, limits)
        lines.append("Requested pins:")
        lines += [f"  {_pin(find_pin(known, name, data.origin), data, connectivity)}" for name in dict.fromkeys(pins)]
    wall = f"Plating of hole walls is in no file, taken as {connectivity.plating * 1e6:g} um."
    assumed = [wall, *assumed] if connectivity.barrels else assumed
    lines += _section("Assumed", _capped(_unique([*assumed, *connectivity.notes, *data.notes]), "remarks", 40))
    against = [*data.contradictions, *netlist_disagreements(data, connectivity, limits)]
    lines += _section("Contradictions", _capped(_unique(against), "contradictions"))
    return lines


def remarks(data: BoardData, connectivity: Connectivity, limits: Limits | None = None) -> list[str]:
    """Say what reading the files left open, and where they contradict each other, for a case's list of assumptions."""
    against = [*data.contradictions, *netlist_disagreements(data, connectivity, limits)]
    lines = _capped(_unique([*connectivity.notes, *data.notes]), "remarks on the files", 40)
    return [
        *lines,
        *(f"The files contradict each other: {line}." for line in _capped(_unique(against), "contradictions")),
    ]


def _nameless(islands: int, layer: str) -> str:
    """How a case calls the copper of a layer that has no net; empty where there is none."""
    return f'; {count(islands, "island")} without a net, together named "{copper_name("", layer)}"' if islands else ""


def floating(connectivity: Connectivity) -> list[int]:
    """Islands that no plated hole and no other copper touches, largest first: pours that hang in the air, and pads."""
    held = {k for barrel in connectivity.barrels if len(barrel.islands) > 1 for k in barrel.islands}
    held.update(k for pair in connectivity.touching for k in pair)
    loose = [k for k in range(len(connectivity.islands)) if k not in held]
    return sorted(loose, key=lambda k: -connectivity.islands[k].shape.area)


def _outline(data: BoardData) -> str:
    if data.outline is None:
        return "no outline in the files"
    x0, y0, x1, y1 = data.outline.bounds
    joined = "" if data.joining is None else f", ends of lines joined within {data.joining * 1e6:g} um"
    area = square_millimetres(data.outline.area)
    return f"outline of {mm(x1 - x0)} x {mm(y1 - y0)} mm from {place(x0, y0)}, {area}{joined}"


def _floating(data: BoardData, connectivity: Connectivity) -> list[str]:
    padded: Counter[int] = Counter()
    spots = [(k, pad.at) for k, layer in enumerate(data.layers) for pad in layer.pads]
    large = [k for k in floating(connectivity) if connectivity.islands[k].shape.area >= LEAST_POUR]
    tree = shapely.STRtree([shapely.Point(at) for _, at in spots])
    for k in large:
        island = connectivity.islands[k]
        padded[k] = sum(spots[i][0] == island.layer for i in tree.query(island.shape, predicate="intersects"))
    lines = []
    for k in large:
        if padded[k]:
            continue
        island = connectivity.islands[k]
        net = f'of net "{brief(island.net)}"' if island.net else "without a net"
        point = island.shape.representative_point()
        lines.append(
            f"{data.layers[island.layer].name}: {square_millimetres(island.shape.area)} {net} at "
            f"{place(point.x, point.y)}, no pad and no plated hole"
        )
    return _capped(lines, "pours")


def _pin(pin: Pin, data: BoardData, connectivity: Connectivity) -> str:
    holes = entry_holes(pin, connectivity, data)
    net = f', net "{brief(pin.net)}"' if pin.net else ""
    pads = f"{len(pin.contacts)} pad{'s' if len(pin.contacts) != 1 else ''}"
    where = f" at {place(*pin.contacts[0].at)}" if pin.contacts else ""
    if pin.through:
        count = f"{len(holes)} hole{'s' if len(holes) != 1 else ''}"
        return f"{brief(pin.name)}{net}: soldered into {count}{where}"
    if not holes:
        return f"{brief(pin.name)}{net}: {pads}{where}, no plated hole leads to another layer"
    shown = ", ".join(_hole(item.hole, distance, data) for item, distance in holes[:4])
    more = f" and {len(holes) - 4} more" if len(holes) > 4 else ""
    return (
        f"{brief(pin.name)}{net}: {pads}{where}, {len(holes)} entry hole{'s' if len(holes) > 1 else ''}: {shown}{more}"
    )


def _hole(number: int, distance: float, data: BoardData) -> str:
    hole = data.holes[number]
    first, last = hole.span or (1, len(data.layers))
    away = "in the pad" if distance <= hole.diameter / 2 else f"{mm(distance)} mm away"
    return f"{mm(hole.diameter)} mm {away} (L{first} to L{last})"


def _section(title: str, lines: Iterable[str]) -> list[str]:
    listed_ = [f"  {line}" for line in lines]
    return [f"{title}:", *(listed_ or ["  none"])]


def _capped(lines: list[str], what: str, most: int = MAX_LISTED) -> list[str]:
    return [*lines[:most], f"and {len(lines) - most} more {what}"] if len(lines) > most else lines


def _unique(lines: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(lines))


def net_names(connectivity: Connectivity) -> list[str]:
    """
    Names of all nets, those with the most copper first.

    Nets of a board are many, and a return current's is among the largest.
    """
    area: dict[str, float] = {}
    for island in connectivity.islands:
        if island.net:
            area[island.net] = area.get(island.net, 0.0) + island.shape.area
    return sorted(area, key=lambda net: -area[net])
