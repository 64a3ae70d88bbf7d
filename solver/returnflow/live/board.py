"""What the live page solves: sheets of copper, every contact a port, links between ports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.live.discs import discs_of, still_beside_edges
from returnflow.live.meshing import Made, edge_of, mesh_copper
from returnflow.live.parts import Port, Sheet
from returnflow.live.stitching import Stitching, quiet_terminals, stitching
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.mesh.triangulation import MeshError
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.numbers import plain
from returnflow_geometry.model.wording import label, named

Ints = NDArray[np.int64]

# What a page is ready with in about ten seconds: a factor of so many triangles, and fields of so many.
MOST_TRIANGLES, MOST_VALUES = 60_000, 3_000_000


@dataclass(frozen=True)
class LiveBoard:
    """
    Sheets, ports, and what joins them.

    Attributes
    ----------
    case : Case
    conductors : Conductors
    sheets : tuple of Sheet
    ports : tuple of Port
    of_terminal : tuple of tuples of int
        Ports of every terminal.
    links : tuple of (port, port, ohm)
        Links of the case that conduct at 0 Hz, then shorts between the ports of one terminal.
    names : tuple of str
        Of the links of the case that are not between pins.
    loops : tuple of (port, port)
        Injection and return.
    stitching : Stitching, optional
        Of a board with many vias that no loop names: those are pins, and no ports.
    """

    case: Case
    conductors: Conductors
    sheets: tuple[Sheet, ...]
    ports: tuple[Port, ...]
    of_terminal: tuple[tuple[int, ...], ...]
    links: tuple[tuple[int, int, float], ...]
    names: tuple[str, ...]
    loops: tuple[tuple[int, int], ...]
    stitching: Stitching | None = None

    @classmethod
    def of(cls, case: Case, fineness: float = 1.0) -> LiveBoard:
        """
        Mesh the coppers of a case for its live page.

        Parameters
        ----------
        case : Case
        fineness : float
            Edges are so many times shorter than the page needs.
        """
        conductors = Conductors.of(case)
        round_ = discs_of(conductors)
        quiet = quiet_terminals(case, conductors, np.array([len(discs) == 1 for discs in round_], dtype=bool))
        made = Made(edge_of(conductors, quiet))
        if quiet.any():
            loud = np.flatnonzero(quiet | np.isin(np.arange(len(quiet)), conductors.ends(case)))
            still_beside_edges(conductors, round_, loud)
        for number in range(len(conductors.names)):
            mesh_copper(conductors, number, fineness, round_, quiet, made)
        sheets, ports = made.sheets, made.ports
        _check_room(case, conductors, made)
        mine: list[list[int]] = [[] for _ in conductors.terminals]
        for n, port in enumerate(ports):
            mine[port.terminal].append(n)
        of_terminal = tuple(tuple(each) for each in mine)
        first = [mine[0] if mine else -1 for mine in of_terminal]
        links = conductors.links
        kept = links.only(links.conducting)
        where = [[ports[n].sheet for n in mine] for mine in of_terminal]
        for pin in made.pins:
            where[pin.terminal].append(pin.sheet)
        if not _connected(len(sheets), where, kept.ends, conductors.ends(case)):
            kept = links  # a capacitor that is the only way is taken as closed
        kept = kept.only(~quiet[kept.ends[:, 0]])
        joins = [
            (first[a], first[b], float(ohm)) for (a, b), ohm in zip(kept.ends.tolist(), kept.resistance, strict=True)
        ]
        joins += [(mine[0], other, 0.0) for mine in of_terminal for other in mine[1:]]
        loops = tuple((first[a], first[b]) for a, b in conductors.ends(case))
        stitched = stitching(conductors, sheets, made.pins) if made.pins else None
        return cls(
            case, conductors, tuple(sheets), tuple(ports), of_terminal, tuple(joins), kept.names, loops, stitched
        )

    def moves(self, ports: Sequence[int]) -> bool:
        """Whether a contact with these ports moves."""
        return all(self.ports[n].radius for n in ports)


def _check_room(case: Case, conductors: Conductors, made: Made) -> None:
    """Refuse a board that no browser would have ready within some seconds."""
    triangles = np.array([len(sheet.triangles) for sheet in made.sheets])
    fields = len(made.ports) * triangles.sum() if made.pins else sum(int(triangles[port.sheet]) for port in made.ports)
    if triangles.sum() <= MOST_TRIANGLES and fields <= MOST_VALUES:
        return
    of_copper = np.bincount([sheet.copper for sheet in made.sheets], triangles, len(conductors.names))
    largest = conductors.names[int(np.argmax(of_copper))]
    given, most = f"{plain(triangles.sum(), 6)} triangles", MOST_TRIANGLES
    if triangles.sum() <= MOST_TRIANGLES:
        contacts = plain(len(made.ports), 6)
        given, most = f"{contacts} contacts, each on its triangles {plain(fields, 7)} values", MOST_VALUES
    message = (
        f"Case {named(case.title)}: on a live page it has {given}; the rule is at most {plain(most, 7)}, or no browser "
        f"would answer. Leave out coppers, {label('copper', largest)} first, or terminals that no loop needs; "
        "`returnflow run` solves the board as it is."
    )
    raise MeshError(message)


def _connected(sheets: int, sheet: Sequence[Sequence[int]], links: Ints, loops: Sequence[tuple[int, int]]) -> bool:
    """Whether every loop has a way back through sheets and links; `sheet`: those of every terminal."""
    group = list(range(sheets))

    def join(a: int, b: int) -> None:
        old, new = group[a], group[b]
        for n, value in enumerate(group):
            group[n] = new if value == old else value

    for mine in sheet:
        for other in mine[1:]:
            join(mine[0], other)
    for a, b in links.tolist():
        join(sheet[a][0], sheet[b][0])
    return all(group[sheet[a][0]] == group[sheet[b][0]] for a, b in loops)
