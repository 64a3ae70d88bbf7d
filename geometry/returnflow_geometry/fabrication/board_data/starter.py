"""A starter case from fabrication files: a small TOML file to complete, with what the files say as comments."""

from __future__ import annotations

import math
import os
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from returnflow_geometry.fabrication.base.budget import names_data
from returnflow_geometry.fabrication.base.objects import BoardData, Limits
from returnflow_geometry.fabrication.board_data.candidates import CONNECTOR, GROUND, Candidate, candidates
from returnflow_geometry.fabrication.board_data.summary import net_names
from returnflow_geometry.fabrication.copper.connectivity import PLATING, Connectivity, connect
from returnflow_geometry.fabrication.copper.merged import copper_name
from returnflow_geometry.fabrication.copper.pins import Pin, parts_of, pins_of
from returnflow_geometry.fabrication.copper.stack import layers_of
from returnflow_geometry.model.numbers import mm, place
from returnflow_geometry.model.wording import toml_text

MAX_NETS, MAX_PARTS, MAX_PINS = 40, 60, 24
PASSIVE = re.compile(r"(?i)^(r|c|l|fb|d|led|tp|fid|h|mh)\d")
WIDTH = 112  # characters of a line of comment


@dataclass(frozen=True)
class Starter:
    """
    A starter case in its making: what the files say, and the loops that are proposed.

    Attributes
    ----------
    head : str
        All but its loops.
    proposals : tuple of Candidate
    """

    head: str
    proposals: tuple[Candidate, ...]

    def text(self, made: str = "", left: Sequence[Candidate] | None = None) -> str:
        """
        Text of the case.

        Parameters
        ----------
        made : str
            TOML of loops and whatever else was made by hand; it stands before the proposals.
        left : sequence of Candidate, optional
            Proposals that stay as comments; by default all.
        """
        proposed = self.proposals if left is None else left
        loops = [] if made and not proposed else _loops(proposed)
        return "\n".join([self.head, "", *([made.strip("\n"), ""] if made else []), *loops]).rstrip("\n") + "\n"


def starter_case(
    data: BoardData,
    source: str,
    *,
    title: str = "",
    connectivity: Connectivity | None = None,
    table: Mapping[str, str] | None = None,
    limits: Limits | None = None,
) -> str:
    """
    Text of a case that names its source and lists what can be named in it; see `starter`.

    Returns
    -------
    text : str
        TOML. Loops are examples in comments: currents and sensitivity are in no fabrication file.
    """
    return starter(data, source, title=title, connectivity=connectivity, table=table, limits=limits).text()


@names_data
def starter(
    data: BoardData,
    source: str,
    *,
    title: str = "",
    connectivity: Connectivity | None = None,
    table: Mapping[str, str] | None = None,
    limits: Limits | None = None,
) -> Starter:
    """
    Look up what a starter case says of a board.

    Parameters
    ----------
    data : BoardData
    source : str
        Path of the data as the case is to give it, relative to the case.
    title : str
        By default the source.
    connectivity : Connectivity, optional
        Result of `connect`, to save doing it again.
    table : mapping of str to str, optional
        What the data was read with; see `from_fabrication`.
    limits : Limits, optional
        What each look-up may use up.

    Returns
    -------
    starter : Starter
    """
    if connectivity is None:
        connectivity = connect(data, limits=limits)
    pins = pins_of(data, limits)
    lines = [
        "# Written from fabrication data. Coordinates are those of the files, in mm. Complete the loops at the end.",
        "format = 1",
        f"title = {toml_text(title or source)}",
        f"source = {toml_text(source)}",
        *(
            [f"source_layers = {{ {', '.join(f'{toml_text(k)} = {toml_text(v)}' for k, v in table.items())} }}"]
            if table
            else []
        ),
        "",
        "[board]",
        "temperature_C = 25  # in no file",
        f"plating_um = {PLATING * 1e6:g}  # copper on hole walls; in no file, assumed",
        "",
        *_stackup(data),
        "",
        *_nets(data, connectivity),
        "",
        *_connectors(pins),
        *_unpinned(data, connectivity, pins),
        "",
        *_grounds(pins),
    ]
    return Starter("\n".join(lines), tuple(candidates(data, connectivity, pins)))


def source_path(data: Path, folder: Path) -> str:
    """Path of the data as seen from a folder, with forward slashes; absolute where there is no way."""
    try:
        return Path(os.path.relpath(data, folder)).as_posix()
    except ValueError:  # another drive
        return data.resolve().as_posix()


def is_ground(pin: Pin) -> bool:
    """Tell whether a pin's net sounds like a return: by its name, as common practice has it."""
    return bool(GROUND.search(pin.net))


def _stackup(data: BoardData) -> list[str]:
    layers, notes = layers_of(data)
    lines = ["# Stackup, top to bottom, as in the files. To override it, take away the comment sign."]
    lines += [f"# {line}" for note in notes for line in textwrap.wrap(f"Assumed: {_printable(note)}", WIDTH)]
    for layer in layers:
        lines += ["# [[layer]]", f"# name = {toml_text(layer.name)}", f"# copper_um = {layer.thickness * 1e6:g}"]
        lines += [f"# below_mm = {mm(layer.below)}"] if layer.below is not None else []
    return lines


def _nets(data: BoardData, connectivity: Connectivity) -> list[str]:
    names = net_names(connectivity)
    if not names:
        return ["# The files name no nets."]
    lines = [f"# {len(names)} nets, those with most copper first:"]
    lines += _wrapped([_plain(net) for net in names], MAX_NETS, "nets")
    joined = sorted({tie.nets for tie in connectivity.ties if all(tie.nets)})
    largest = max(connectivity.islands, key=lambda island: (island.net == names[0], island.shape.area))
    example = copper_name(names[0], data.layers[largest.layer].name)
    lines += [f"# {_plain(a)} and {_plain(b)} touch: see the report of the import." for a, b in joined[:MAX_NETS]]
    lines.append(f"# Copper is named by net and layer, such as {_plain(toml_text(example))}.")
    return lines


def _connectors(pins: dict[str, Pin]) -> list[str]:
    parts = {refdes: own for refdes, own in parts_of(pins).items() if CONNECTOR.match(refdes)}
    if not parts:
        return ["# No part has a connector's name (J, X, P, CN)."]
    lines = ["# Connectors, pin = net:"]
    for refdes, own in list(parts.items())[:MAX_PARTS]:
        lines += _wrapped([_told(pin) for pin in own], MAX_PINS, f"of {refdes}")
    if len(parts) > MAX_PARTS:
        lines.append(f"#   and {len(parts) - MAX_PARTS} more connectors")
    return lines


def _unpinned(data: BoardData, connectivity: Connectivity, pins: dict[str, Pin]) -> list[str]:
    """Parts that a placement file places and whose pins no file names: draw terminals there."""
    named, told = parts_of(pins), dict(data.parts)
    lost = [part for part in data.placed if part.name not in named and not PASSIVE.match(part.name)]
    holes = [
        (data.holes[barrel.hole].path[0], barrel.hole + 1)
        for barrel in connectivity.barrels
        if any(GROUND.search(connectivity.islands[k].net) for k in barrel.islands)
    ]
    lines = []
    for part in lost[:MAX_PARTS]:
        near = min(holes, key=lambda item: math.dist(item[0], part.at), default=None)
        way = f", hole {near[1]} of a ground {mm(math.dist(near[0], part.at))} mm away" if near else ""
        said = f" ({_plain(told[part.name])})" if told.get(part.name) else ""
        side = "bottom" if part.bottom else "top"
        lines.append(f"#   {_plain(part.name)}{said} at {place(*part.at)}, {side}{way}")
    if len(lost) > MAX_PARTS:
        lines.append(f"#   and {len(lost) - MAX_PARTS} more parts")
    head = "# Parts by the placement file whose pins no file names: draw a [[terminal]] at their ground pins."
    return ["", head, *lines] if lines else []


def _told(pin: Pin) -> str:
    """Pin with its net, and what the files call it."""
    function = f" ({_plain(pin.function)})" if pin.function else ""
    return f"{_plain(pin.name)} = {_plain(pin.net) or '?'}{function}"


def _grounds(pins: dict[str, Pin]) -> list[str]:
    found: dict[str, list[str]] = {}
    for pin in pins.values():
        if is_ground(pin):
            found.setdefault(pin.net, []).append(pin.name)
    if not found:
        return ["# No net has a ground's name."]
    lines = ["# Ground pins by net:"]
    for net, names in found.items():
        lines.append(f"#   {_plain(net)}:")
        lines += _wrapped([_plain(name) for name in names], 4 * MAX_PINS, "pins", indent="#     ")
    return lines


def _loops(proposed: Sequence[Candidate]) -> list[str]:
    """Proposed loops as comments, their reasons as comments in these."""
    lines = [
        "# Loops: where each return current enters the copper, and where it leaves it. These are proposed by names",
        "# alone: strike out, correct, fill in currents, and take the comment signs of what is left away.",
    ]
    for item in proposed:
        lines += ["", *(f"# # {line}" for line in textwrap.wrap(_printable(f"{item.why}."), WIDTH))]
        lines += ["# [[loop]]", f"# name = {toml_text(item.name)}"]
        lines += [f"# {key} = {value}" for key, value in item.keys]
    if len(lines) > 2:
        return lines
    return [
        *lines[:1],
        "# No names of parts and nets suggest any; such as",
        "# [[loop]]",
        '# name = "supply"',
        '# role = "noisy"',
        '# inject = "U1.1"',
        '# return = "J1.1"',
        "# current_A = 0.5",
        "# frequency_Hz = 100e3",
    ]


def _plain(text: str) -> str:
    """Text for a comment: one line, whatever the file holds."""
    shown = _printable(text)
    return shown if len(shown) <= WIDTH else shown[:WIDTH] + "..."


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _wrapped(items: list[str], most: int, what: str, indent: str = "#   ") -> list[str]:
    shown = items[:most] + ([f"and {len(items) - most} more {what}"] if len(items) > most else [])
    lines = [""]
    for k, item in enumerate(shown):
        piece = item + ("," if k < len(shown) - 1 else "")
        if lines[-1] and len(lines[-1]) + 1 + len(piece) > WIDTH:
            lines.append("")
        lines[-1] += (" " if lines[-1] else "") + piece
    return [indent + line for line in lines if line]
