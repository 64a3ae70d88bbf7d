"""Displacement current between facing coppers, or across a gap: ports beside the loops, which the dielectric closes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import DisjointSet

from returnflow.resistive.conductors import copper_numbers
from returnflow.resistive.paths import Path, path_fields
from returnflow.resistive.spreading import conductors_of, spread_fields
from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Complexes = NDArray[np.complex128]


class Piece(Protocol):
    """
    Dielectric between two coppers, or two rims, and patterns of the charge on both, the even one first.

    What each of the two carries of every pattern is 1 in all of the even one, and 0 of the others; they are at right
    angles to one another in energy, and have one elastance.
    """

    @property
    def upper(self) -> int:
        """Number of one copper."""

    @property
    def lower(self) -> int:
        """Number of the other one."""

    @property
    def between_levels(self) -> bool:
        """Whether the coppers face each other from level to level."""

    @property
    def elastance(self) -> complex:
        """One over its capacitance, 1/F, with its loss."""

    @property
    def count(self) -> int:
        """Number of patterns."""

    def sides(self, mesh: Mesh) -> tuple[Floats, Floats]:
        """Part of every pattern's charge on every triangle, on one side and on the other, (m, patterns) each."""


@dataclass(frozen=True)
class Displaced:
    """
    Fields of loops and, behind them, of displacement currents at 1 A.

    Attributes
    ----------
    paths : list of Path
        Of all ports.
    elastance : array of complex, shape (ports, ports)
        1/F: what the charge of one leaves across the dielectric for another.
    leaves : array, shape (coppers, ports)
        Which face of every copper a port's displacement current leaves by: 1 upper, -1 lower; 0 no displacement.
    """

    paths: list[Path]
    elastance: Complexes
    leaves: Floats

    def faces(self, level: Ints, mesh: Mesh) -> Floats:
        """The same of every level, shape (levels, ports), from the levels of the triangles of a mesh."""
        result = np.zeros((int(level.max()) + 1, self.leaves.shape[1]))
        for copper, row in enumerate(self.leaves):
            at = level[np.flatnonzero(copper_numbers(mesh) == copper)[0]]
            result[at] = np.where(row != 0, row, result[at])
        return result


def displaced(topology: Topology, loops: Sequence[tuple[int, int]], pieces: Sequence[Piece]) -> Displaced:
    """
    Displacement currents that are independent of one another and of the loops.

    Every uneven pattern of a piece of dielectric is one: what leaves its copper here comes back to it there. An even
    one carries a net current from copper to copper. Where these are joined otherwise, by links or by other pieces, that
    is one more current, round through both; where not, it is how a loop that ends on both is closed.

    Parameters
    ----------
    topology : Topology
    loops : sequence of (int, int)
        Contact of injection and of return.
    pieces : sequence of Piece
    """
    mesh = topology.mesh
    triangles, offset = len(mesh.triangles), np.cumsum([0, *(piece.count for piece in pieces)])
    labels = conductors_of(topology)
    of = [piece.sides(mesh) for piece in pieces]
    ends = [tuple(int(labels[np.argmax(side[:, 0])]) for side in sides) for sides in of]
    joined = DisjointSet(range(int(labels.max()) + 1))
    closing: list[int] = []
    forest: list[int] = []
    for number, (a, b) in enumerate(ends):
        (forest if joined.merge(a, b) else closing).append(number)
    ports = [(n, m) for n, piece in enumerate(pieces) for m in range(piece.count) if m or n in closing]
    coefficients = np.zeros((int(offset[-1]), len(loops) + len(ports)))
    for number, (n, m) in enumerate(ports, start=len(loops)):
        coefficients[offset[n] + m, number] = 1.0

    plain = [labels[triangles + a] == labels[triangles + b] for a, b in loops]
    sources = np.zeros((triangles + topology.contacts, coefficients.shape[1]))
    for number, (start, end) in enumerate(loops):
        sources[triangles + start, number] += 1
        sources[triangles + end, number] -= 1
    balance = np.zeros((int(labels.max()) + 1, sources.shape[1]))
    np.add.at(balance, labels, sources)
    for number, (n, m) in enumerate(ports, start=len(loops)):
        if m == 0:
            balance[ends[n][0], number] -= 1
            balance[ends[n][1], number] += 1
    if forest:
        # A forest leaves no choice.
        incidence = np.zeros((len(balance), len(forest)))
        for column, n in enumerate(forest):
            incidence[ends[n][0], column] -= 1
            incidence[ends[n][1], column] += 1
        coefficients[offset[forest]] = -np.linalg.lstsq(incidence, balance, rcond=None)[0].round(9)
    for n, (upper, lower) in enumerate(of):
        # What leaves the upper copper enters the lower one.
        sources[:triangles] += (lower - upper) @ coefficients[offset[n] : offset[n + 1]]
    some = [number for number in range(sources.shape[1]) if number >= len(loops) or not plain[number]]
    spread = dict(zip(some, spread_fields(topology, sources[:, some]), strict=True))
    walked = iter(path_fields(topology, [loop for loop, easy in zip(loops, plain, strict=True) if easy], 1))
    paths = [spread[number] if number in spread else next(walked) for number in range(sources.shape[1])]

    each = np.repeat([piece.elastance for piece in pieces], [piece.count for piece in pieces])
    leaves = np.zeros((int(copper_numbers(mesh).max()) + 1, sources.shape[1]))
    for n, piece in enumerate(pieces):
        used = np.any(coefficients[offset[n] : offset[n + 1]] != 0, axis=0)
        if piece.between_levels:
            leaves[piece.upper, used], leaves[piece.lower, used] = -1.0, 1.0
    elastance = (coefficients.T @ (each[:, None] * coefficients)).astype(np.complex128)
    return Displaced(paths, elastance, leaves)


def closed(Z: Complexes, elastance: Complexes, frequency: float, loops: int) -> tuple[Complexes, Complexes]:
    """
    Impedances of the loops where displacement currents are free, and what these are per ampere of every loop.

    Parameters
    ----------
    Z : array, shape (ports, ports)
        Of all ports without what the dielectric adds, ohm.
    elastance : array, shape (ports, ports)
    frequency : float
        Hertz, above 0.
    loops : int
        So many ports are loops, the first ones.
    """
    open_ = (Z + elastance / (2j * np.pi * frequency)).astype(np.complex128)
    between: Complexes = -np.linalg.solve(open_[loops:, loops:], open_[loops:, :loops]).astype(np.complex128)
    whole: Complexes = open_[:loops, :loops] + open_[:loops, loops:] @ between
    return 0.5 * (whole + whole.T), between
