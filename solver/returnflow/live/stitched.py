r"""
The live solve of a board of many vias, as the page's script does it: coppers and pins as one system of equations.

As on a single sheet a contact is a point source and second-order elements carry the rest, but from one side alone: the
potential w with :math:`\int \sigma\nabla w\cdot\nabla v + \sum g\,\Delta w\,\Delta v = -\sum_m \sigma_m \oint_m
\partial_n\varphi_0\,v - \sum g\,\Delta\varphi_0\,\Delta v`, where :math:`\Delta` is the difference between the ends
of a joint of conductance g. The source's own triangle counts as bare copper. A current is known on all coppers at once,
and resistances are what w is at the other contacts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import block_diag, coo_array, csc_array, csr_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from returnflow.live.board import LiveBoard
from returnflow.live.parts import Port
from returnflow.live.reference import LiveSolver
from returnflow.live.sheet import Unknowns, moments, shapes
from returnflow.live.stitching import locate

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class WholeField:
    """
    One port's field on all sheets.

    Attributes
    ----------
    port : Port
    smooth : array, shape (size,), volt per ampere
        Potential at the nodes of all sheets, without the point source.
    values : array, shape (unknowns,)
    """

    port: Port
    smooth: Floats
    values: Floats


class StitchedSolver(LiveSolver):
    """Contacts that move on a live board with pins."""

    def __init__(self, board: LiveBoard) -> None:
        assert board.stitching is not None
        self.board = board
        self.meshes = [Unknowns(sheet) for sheet in board.sheets]
        self.first = np.cumsum([0, *(it.size for it in self.meshes)])
        self.ports = list(board.ports)
        pins = board.stitching.pins
        self.group = bodies(board)
        self.pin_nodes = np.array([self.first[p.sheet] + self.meshes[p.sheet].nodes[p.triangle] for p in pins])
        self.pin_shape = np.array([shapes(self.meshes[p.sheet], p.triangle, np.array(p.place))[0] for p in pins])
        self.pin_place = np.array([p.place for p in pins])
        self.pin_sheet = np.array([p.sheet for p in pins])
        self.joint = np.array([(a, b) for a, b, _ in board.stitching.joints], dtype=np.int64).reshape(-1, 2)
        self.siemens = np.array([g for _, _, g in board.stitching.joints])
        self.lines = [self._lines(n) for n in range(len(board.sheets))]
        self.of, self.unknown, self.drains = self._number()
        here = np.flatnonzero(self.of >= 0)
        spread = csr_array((np.ones(len(here)), (here, self.of[here])), shape=(len(self.of), int(self.of.max()) + 1))
        self._factor = splu(csc_array(spread.T @ self.matrix @ spread)).solve
        self._spread = spread
        self.fields = [self._field(n) for n in range(len(self.ports))]

    @cached_property
    def differences(self) -> csr_array:
        """Of the potential between the ends of every joint, shape (joints, nodes)."""
        rows = np.repeat(np.arange(len(self.joint)), 6)
        entries = [(self.pin_shape[pin], self.pin_nodes[pin]) for pin in self.joint.T]
        one, other = (
            coo_array((shape.ravel(), (rows, nodes.ravel())), shape=(len(self.joint), self.first[-1]))
            for shape, nodes in entries
        )
        return csr_array(one - other)

    @cached_property
    def matrix(self) -> csr_array:
        """Siemens between nodes: copper, and joints."""
        copper = [it.stiffness / it.sheet.resistance for it in self.meshes]
        joints = self.differences.T @ (self.differences.multiply(self.siemens[:, None]))
        return csr_array(block_diag(copper) + joints)

    def _lines(self, number: int) -> tuple[Ints, Floats]:
        """Edges across which the conductivity changes, as nodes of their sheet (k, 3), and by how much it falls."""
        sheet = self.board.sheets[number]
        it = self.meshes[number]
        weight = np.ones(len(sheet.triangles)) if sheet.conductivity is None else sheet.conductivity
        fall = np.zeros(it.size)
        edges = it.nodes[:, 3:].ravel()
        own = np.full(it.size, -1)
        own[edges[::-1]] = np.arange(len(edges))[::-1]  # the first triangle that has it
        sign = np.where(own[edges] == np.arange(len(edges)), 1.0, -1.0)
        np.add.at(fall, edges, sign * np.repeat(weight, 3))
        chosen = own[(own >= 0) & (fall != 0)]
        return it.edge(np.sort(chosen)), fall[edges[np.sort(chosen)]]

    def _number(self) -> tuple[Ints, dict[int, int], dict[int, Ints]]:
        mark = np.full(self.first[-1], -2)
        drains: dict[int, Ints] = {}
        for number, (it, sheet) in enumerate(zip(self.meshes, self.board.sheets, strict=True)):
            for ring, run in zip(sheet.rings, sheet.runs, strict=True):
                rim = run >= 0
                mark[self.first[number] + it.edge(ring[rim])] = run[rim, None]
            if self.group[number] not in drains:
                nodes = self.first[number] + it.edge(np.array([sheet.drain]))[0]
                drains[self.group[number]] = nodes
                mark[nodes[1]] = -1
        inner = np.flatnonzero(mark == -2)
        found = np.full(len(mark), -1)
        found[inner] = np.arange(len(inner))
        unknown = {int(port): len(inner) + n for n, port in enumerate(np.unique(mark[mark >= 0]))}
        for port, number in unknown.items():
            found[mark == port] = number
        return found, unknown, drains

    def _field(self, number: int) -> WholeField:
        """Field of one ampere that enters at a port and leaves by the drain of its group."""
        port = self.ports[number]
        sheet, it, first = self.board.sheets[port.sheet], self.meshes[port.sheet], self.first[port.sheet]
        load, given = np.zeros(self.first[-1]), np.zeros(self.first[-1])
        source = np.zeros(len(self.pin_sheet))
        if port.strength:
            at = np.array(port.place)
            nodes, fall = self.lines[port.sheet]
            m = int(locate(sheet, at[None])[0])
            if m >= 0 and sheet.conductivity is not None:
                nodes = np.concatenate([nodes, it.edge(3 * m + np.arange(3))])
                fall = np.append(fall, np.full(3, 1 - sheet.conductivity[m]))
            normal = moments(it.places[nodes[:, 0]], it.places[nodes[:, 2]], at)[0]
            np.add.at(load, first + nodes, -fall[:, None] * normal)
            rim = np.unique(
                np.concatenate([it.edge(ring[run >= 0]) for ring, run in zip(sheet.rings, sheet.runs, strict=True)])
            )
            given[first + rim] = sheet.resistance * np.log(np.hypot(*(it.places[rim] - at).T)) / (2 * np.pi)
            mine = self.pin_sheet == port.sheet
            source[mine] = -sheet.resistance * np.log(np.hypot(*(self.pin_place[mine] - at).T)) / (2 * np.pi)
            load -= self.differences.T @ (self.siemens * (source[self.joint[:, 0]] - source[self.joint[:, 1]]))
            load -= self.matrix @ given
        load[self.drains[self.group[port.sheet]]] -= np.array([1, 4, 1]) / 6
        right = self._spread.T @ load
        if number in self.unknown:
            right[self.unknown[number]] += 1.0
        values = self._factor(right)
        smooth = given + np.where(self.of >= 0, values[self.of], 0.0)
        return WholeField(port, smooth, values)

    def port_matrix(self) -> Floats:
        """Resistance between all ports in ohm, the first-order term of every disc included; 0 between groups."""
        count = len(self.ports)
        result, passing = np.zeros((count, count)), np.zeros((count, count, 2))
        for k, port in enumerate(self.ports):
            if not port.radius:
                result[:, k] = [field.values[self.unknown[k]] for field in self.fields]
                continue
            it, sheet, at = self.meshes[port.sheet], self.board.sheets[port.sheet], np.array(port.place)
            m = int(locate(sheet, at[None])[0])
            value, gradient = shapes(it, m, at)
            nodes = self.first[port.sheet] + it.nodes[m]
            weight = 1.0 if sheet.conductivity is None else sheet.conductivity[m]
            for i, field in enumerate(self.fields):
                other = self.ports[i]
                w = field.smooth[nodes]
                result[i, k] = value @ w
                passing[i, k] = -weight / sheet.resistance * (w @ gradient)
                if other.sheet != port.sheet or not other.strength:
                    continue
                r = at - np.array(other.place)
                far = port.radius if i == k else float(np.hypot(*r))
                result[i, k] -= sheet.resistance * np.log(far) / (2 * np.pi)
                if i != k:
                    passing[i, k] += r / (2 * np.pi * far * far)
        result = 0.5 * (result + result.T)
        for k, port in enumerate(self.ports):
            if port.radius:
                here = passing[:, k]
                result -= 2 * np.pi * port.radius**2 * self.board.sheets[port.sheet].resistance * here @ here.T
        return result

    @property
    def bodies(self) -> list[int]:
        """Group of every sheet."""
        return self.group


def bodies(board: LiveBoard) -> list[int]:
    """Sheets that pins join, as one: number of the group of every sheet."""
    assert board.stitching is not None
    pins = board.stitching.pins
    pairs = [(pins[a].sheet, pins[b].sheet) for a, b, _ in board.stitching.joints]
    ends = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends)), ends.T), shape=(len(board.sheets),) * 2)
    found: list[int] = connected_components(graph, directed=False)[1].tolist()
    return found


def solver_of(board: LiveBoard) -> LiveSolver:
    """What solves a board: with pins, all coppers together."""
    return LiveSolver(board) if board.stitching is None else StitchedSolver(board)
