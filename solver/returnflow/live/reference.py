"""The live solve of a whole board, as the page's script does it: ports, links, and what is read of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.live.board import LiveBoard
from returnflow.live.parts import Port
from returnflow.live.sheet import SheetSolver, mutual

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """
    What the page shows of contacts in their places, at 0 Hz.

    Attributes
    ----------
    currents : array, shape (ports, loops)
        Into the copper at every port, ampere per ampere.
    links : array, shape (links, loops)
        From the first to the second port of every link, ampere per ampere.
    resistance : array, shape (loops, loops), ohm
    """

    currents: Floats
    links: Floats
    resistance: Floats


class LiveSolver:
    """Contacts that move on a live board."""

    def __init__(self, board: LiveBoard) -> None:
        self.board = board
        self.sheets = [SheetSolver(sheet) for sheet in board.sheets]
        self.ports = list(board.ports)
        self.fields: list[Any] = [self._field(n) for n in range(len(self.ports))]

    def _field(self, number: int) -> Any:
        port = self.ports[number]
        return self.sheets[port.sheet].solve(number, port)

    @property
    def bodies(self) -> list[int]:
        """Of every sheet what shares its potential: the sheet itself."""
        return list(range(len(self.board.sheets)))

    def move(self, terminals: Mapping[str, tuple[float, float]]) -> None:
        """Move contacts to places in metres; a contact of several parts goes as a whole, by its first part."""
        for name, (x, y) in terminals.items():
            mine = self.board.of_terminal[self.board.conductors.terminals.index(name)]
            dx, dy = x - self.ports[mine[0]].place[0], y - self.ports[mine[0]].place[1]
            for number in mine:
                old = self.ports[number]
                place = (old.place[0] + dx, old.place[1] + dy)
                self.ports[number] = Port(old.terminal, old.sheet, place, old.radius, old.strength)
                self.fields[number] = self._field(number)

    def port_matrix(self) -> Floats:
        """Resistance between all ports in ohm, the first-order term of every disc included; 0 between sheets."""
        count = len(self.ports)
        result = np.zeros((count, count))
        for number, sheet in enumerate(self.sheets):
            mine = [n for n in range(count) if self.ports[n].sheet == number]
            part = np.array([[mutual(self.fields[i], self.fields[j]) for j in mine] for i in mine])
            for k in mine:
                port = self.ports[k]
                if not port.radius:
                    continue
                at = np.array(port.place)
                triangle = sheet.inside(at)
                here = np.array([sheet.smooth_current(self.fields[i], triangle, at) for i in mine])
                here += np.array([self.fields[i].current_at(at) if i != k else np.zeros(2) for i in mine])
                part -= 2 * np.pi * port.radius**2 * here @ here.T
            result[np.ix_(mine, mine)] = sheet.sheet.resistance * part
        return result

    def read(self) -> Reading:
        """Currents of all ports and links, and the resistances of the loops, for the contacts where they are."""
        board = self.board
        count, body = len(self.ports), self.bodies
        G = self.port_matrix()
        loops = np.zeros((count, len(board.loops)))
        for number, (start, end) in enumerate(board.loops):
            loops[start, number] += 1
            loops[end, number] -= 1
        along = np.zeros((count, len(board.links)))
        for number, (a, b, _) in enumerate(board.links):
            along[a, number] -= 1  # what flows in the link leaves the copper at its first end
            along[b, number] += 1
        ohm = np.array([each for _, _, each in board.links])
        on = np.array([[body[port.sheet] == n for n in range(1 + max(body))] for port in self.ports], dtype=np.float64)
        kept = _references(on, along)
        size = len(ohm) + len(kept)
        matrix = np.zeros((size, size))
        matrix[: len(ohm), : len(ohm)] = along.T @ G @ along + np.diag(ohm)
        matrix[: len(ohm), len(ohm) :] = along.T @ on[:, kept]
        matrix[len(ohm) :, : len(ohm)] = (along.T @ on[:, kept]).T
        right = -np.concatenate([along.T @ G @ loops, on[:, kept].T @ loops])
        answer = np.linalg.solve(matrix, right) if size else np.zeros((0, len(board.loops)))
        links = answer[: len(ohm)]
        currents = loops + along @ links
        resistance = currents.T @ G @ currents + (links.T * ohm) @ links
        return Reading(currents, links, resistance)


def _references(on: Floats, along: Floats) -> list[int]:
    """Sheets whose potential is an unknown: all but one of each group that links join."""
    group = list(range(on.shape[1]))
    for column in (on.T @ np.abs(along)).T:
        joined = [group[n] for n in np.flatnonzero(column)]
        group = [min(joined) if each in joined else each for each in group]
    return [n for n in range(on.shape[1]) if group[n] != n]
