"""From the whole board to the part that given pins' currents use: coppers, terminals, and links between layers."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from returnflow_geometry.fabrication.base.budget import names_data
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError, Limits
from returnflow_geometry.fabrication.copper.connectivity import PLATING, Connectivity, connect
from returnflow_geometry.fabrication.copper.contacts import Use, links_of, terminals_of, use_of
from returnflow_geometry.fabrication.copper.merged import SIMPLIFY, Sheets, build_sheets, copper_name
from returnflow_geometry.fabrication.copper.pins import Pin, PinContact, find_pin, pins_of
from returnflow_geometry.fabrication.copper.stack import Thickness, layers_of
from returnflow_geometry.model.board import Copper, Layer, Link, Shape, Terminal
from returnflow_geometry.model.numbers import mm, square_millimetres
from returnflow_geometry.model.wording import brief, listed

TEMPERATURE = 25.0  # degree Celsius
LEAST_LEFT_OUT = 5e-6  # m2: pads and stubs are not worth a word
MAX_LISTED = 8


@dataclass(frozen=True, kw_only=True)
class BoardPart:
    """
    The part of a board that the named pins' currents can use, ready for a case.

    Attributes
    ----------
    outline : Shape
        Border of the board, m.
    layers : tuple of Layer
        All copper layers, top to bottom.
    coppers : tuple of Copper
        One per layer and net, named ``NET on LAYER``; nets that touch on a layer share one copper, named after the
        larger. It may have several pieces.
    terminals : tuple of Terminal
        Those `drawn`. Of a pin: under its own name where its current enters, ``PIN (COPPER)`` on other coppers. Of a
        plated hole: ``hole N (COPPER)``, N counted from 1 in the files' order.
    links : tuple of Link
        Plated holes between two layers, ``hole N, LAYER to LAYER``; and shorts between pads of one pin.
    names : dict
        Every ``NET on LAYER`` to the name of the copper that holds it.
    pins : dict
        Each name asked for to the pin it means.
    notes : tuple of str
        What was assumed or left out.
    """

    outline: Shape
    layers: tuple[Layer, ...]
    coppers: tuple[Copper, ...]
    terminals: tuple[Terminal, ...]
    links: tuple[Link, ...]
    names: dict[str, str]
    pins: dict[str, Pin]
    notes: tuple[str, ...]


@names_data
def board_of(
    data: BoardData,
    pins: Sequence[str],
    *,
    stackup: Mapping[str, Thickness] | None = None,
    plating: float = PLATING,
    temperature: float = TEMPERATURE,
    simplify: float = SIMPLIFY,
    laid: Sequence[tuple[str, Shape]] = (),
    drawn: Sequence[Terminal] = (),
    connectivity: Connectivity | None = None,
    limits: Limits | None = None,
) -> BoardPart:
    """
    Take from a board what carries current between the pins.

    Parameters
    ----------
    data : BoardData
    pins : sequence of str
        Names such as ``U3.12``: all pins that loops name.
    stackup : mapping of str to Thickness, optional
        Overrides by layer name.
    plating : float
        Thickness of the copper on hole walls, m.
    temperature : float
        Degrees Celsius.
    simplify : float
        Outlines may move by at most this, m; holes in copper that no circle of this diameter fits into are closed.
        What would join or part copper stays as it is.
    laid : sequence of (layer name, Shape)
        Copper that a variant lays. What one of them touches on its layer becomes one copper, so that it can be laid
        on that copper; it is not laid here.
    drawn : sequence of Terminal
        Contacts that the case draws on imported copper, each on a ``NET on LAYER``: they count as pins do.
    connectivity : Connectivity, optional
        Result of `connect` with the same plating, to save doing it again.
    limits : Limits, optional
        What looking up pins may use up.

    Returns
    -------
    part : BoardPart

    Raises
    ------
    FabricationError
        If a pin is not in the files, lies on no copper, or shares its pad with another pin that is asked for.

    Notes
    -----
    Copper hanging on by a single contact carries no current at 0 Hz, and is left out with its holes; so is copper of
    other nets. Loops whose pins lie on separate coppers get both: whoever checks the loop says so.
    """
    if not plating > 0:
        message = f"Invalid plating {plating}. Must be > 0."
        raise ValueError(message)
    if connectivity is None:
        connectivity = connect(data, plating=plating, limits=limits)
    file = data.origin
    known = pins_of(data, limits)
    reasons = {terminal.name: terminal.bonded for terminal in drawn}
    asked = {name: find_pin(known, name, file) for name in dict.fromkeys(pins)}
    layers, notes = layers_of(data, stackup)
    numbers = {layer.name: k for k, layer in enumerate(data.layers)}
    unknown = [name for name, _ in laid if name not in numbers]
    if unknown:
        message = f"copper is laid on {listed(unknown)}; the board has the layers {listed(numbers)}; name one of these"
        raise FabricationError(file, message)
    spots = [(numbers[name], shape) for name, shape in laid]
    all_pins = {pin.name: pin for pin in asked.values()}
    for terminal in drawn:
        if terminal.name in all_pins:
            message = f'terminal "{terminal.name}" has the name of a pin; every terminal needs its own; rename it'
            raise FabricationError(file, message)
        all_pins[terminal.name] = _drawn(terminal, data, connectivity, file)
    use: Use = use_of(connectivity, list(all_pins.values()), spots)
    notes += use.notes
    notes += _left_out(data, connectivity, use)
    sheets: Sheets = build_sheets(data, connectivity, use.islands, spots)
    placed = terminals_of(connectivity, use, sheets, file)
    links = links_of(data, connectivity, use, placed, layers, temperature)
    coppers, simplified = sheets.coppers(placed.terminals, simplify)
    if links:
        notes.append(f"Plating of holes is taken as {plating * 1e6:g} um thick; solder and pins in holes are left out.")
    if simplified:
        notes.append(simplified)
    outline = data.outline
    if outline is None:
        outline = sheets.hull()
        notes.append(f"No file gives the board's outline: taken as the box around the copper, {_size(outline)}.")
    return BoardPart(
        outline=outline,
        layers=layers,
        coppers=coppers,
        terminals=tuple(replace(item, bonded=reasons.get(item.name)) for item in placed.terminals),
        links=links,
        names=sheets.names,
        pins=asked,
        notes=tuple(notes),
    )


def _left_out(data: BoardData, connectivity: Connectivity, use: Use) -> list[str]:
    """Say which larger copper is joined to that in use and still carries nothing."""
    groups = {connectivity.islands[k].group for k in use.islands}
    area: dict[str, float] = {}
    for k, island in enumerate(connectivity.islands):
        if island.group in groups and k not in use.islands and island.shape.area >= LEAST_LEFT_OUT:
            name = copper_name(island.net, data.layers[island.layer].name)
            area[name] = area.get(name, 0.0) + island.shape.area
    if not area:
        return []
    largest = sorted(area, key=lambda name: -area[name])
    named = [f'"{brief(name)}" ({square_millimetres(area[name])})' for name in largest]
    more = f" and {len(named) - MAX_LISTED} more" if len(named) > MAX_LISTED else ""
    what = "Copper connected by a single contact carries no current at 0 Hz and is left out"
    return [f"{what}: {', '.join(named[:MAX_LISTED])}{more}."]


def _drawn(terminal: Terminal, data: BoardData, connectivity: Connectivity, file: str) -> Pin:
    """Contact drawn on a copper as a pin."""
    pairs = {(island.net, island.layer) for island in connectivity.islands}
    names = {copper_name(net, data.layers[layer].name): (net, layer) for net, layer in pairs}
    if terminal.copper not in names:
        near = difflib.get_close_matches(terminal.copper, names, n=4, cutoff=0.3)
        known = f"the nearest are {listed(near)}" if near else f"there are {listed(sorted(names))}"
        message = (
            f'terminal "{brief(terminal.name)}" lies on {listed([terminal.copper])}; imported copper is named by net '
            f"and layer; {known}"
        )
        raise FabricationError(file, message)
    net, layer = names[terminal.copper]
    contact = PinContact(layer=layer, at=terminal.centre, shape=terminal.shape)
    return Pin(refdes="", pin="", net=net, contacts=(contact,), label=terminal.name)


def _size(shape: Shape) -> str:
    x0, y0, x1, y1 = shape.bounds
    return f"{mm(x1 - x0)} x {mm(y1 - y0)} mm"
