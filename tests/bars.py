"""
Loops over planes by bars: what the magnetic model must come to, from other unknowns on other cells by other integrals.

Every plane is a rectangle of square cells with a node at every corner. Bars of flat copper lie between neighbouring
nodes, half as wide along the rim; their partial inductances are those of thin tapes in closed form (C. Hoer and
C. Love, Journal of Research of the National Bureau of Standards 69C, 127, 1965). Where copper expels the field,
currents are those of least energy that take what enters at every node on to where it leaves. A current enters evenly
along the circle of a contact, shared by the corners of the cell; copper goes on inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

Floats = NDArray[np.float64]

MU0 = 4e-7 * np.pi
Contact = tuple[int, float, float, float]  # plane, place and diameter, metres
ROUND = 96  # places along a contact's circle


def tapes(x: tuple[Floats, Floats], z: tuple[Floats, Floats], height: Floats | float) -> Floats:
    """
    Integral of 1/r over two parallel rectangles in planes `height` apart, m^3.

    Parameters
    ----------
    x, z : pairs of arrays, shape (..., 2)
        From where to where each reaches along both axes, metres.
    """
    total = np.zeros(np.broadcast_shapes(x[0].shape[:-1], x[1].shape[:-1], z[0].shape[:-1], z[1].shape[:-1]))
    ends = [(i, j, (-1) ** (i + j)) for i in (0, 1) for j in (0, 1)]
    for i, j, sign in ends:
        for k, m, other in ends:
            total += sign * other * _fourth(x[1][..., i] - x[0][..., j], z[1][..., k] - z[0][..., m], height)
    return total


def _fourth(x: Floats, z: Floats, P: Floats | float) -> Floats:
    """What 1/r is the fourth derivative of, twice by x and twice by z."""
    rho = np.sqrt(x**2 + z**2 + P**2)
    beside, along = np.sqrt(z**2 + P**2), np.sqrt(x**2 + P**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_z = np.where(along > 0, (x**2 - P**2) / 2 * z * np.arcsinh(z / along), 0.0)
        to_x = np.where(beside > 0, (z**2 - P**2) / 2 * x * np.arcsinh(x / beside), 0.0)
        turned = np.where(P * rho > 0, x * P * z * np.arctan(x * z / (P * rho)), 0.0)
    return np.asarray(to_z + to_x - (x**2 - 2 * P**2 + z**2) * rho / 6 - turned)


@dataclass(frozen=True, kw_only=True)
class Way:
    """
    One loop: contacts of injection and return as (plane, x, y, diameter), and a straight route between them.

    Attributes
    ----------
    inject, leave : tuple
        Current enters at the first and leaves at the other.
    route : (height, width) or None
        Above the first plane, metres; from `leave` back to `inject`, parallel to an axis. Closed far away without it.
    """

    inject: Contact
    leave: Contact
    route: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class Bars:
    """
    Planes of one outline under one another, from (0, 0) on.

    Attributes
    ----------
    size : (float, float)
        Metres.
    cells : (int, int)
    below : sequence of float
        Of every plane below the first, metres.
    joined : sequence of two contacts each
        What conducts without any loss or flux of its own between them: vias, or parts of one contact.
    """

    size: tuple[float, float]
    cells: tuple[int, int]
    below: Sequence[float] = (0.0,)
    joined: Sequence[tuple[Contact, Contact]] = ()

    def inductance(self, loops: Sequence[Way]) -> Floats:
        """Inductance matrix of loops, henry."""
        enters = np.column_stack([self._entry(way.inject) - self._entry(way.leave) for way in loops])
        vias = [self._entry(end) - self._entry(start) for start, end in self.joined]
        ahead = np.column_stack([np.zeros((len(enters), 0)), *vias])
        out, mutual, bars = [], [], []
        for axis in (0, 1):
            L = self._partial(axis)
            factor, grid = cho_factor(L, lower=True, overwrite_a=True), self._incidence(axis)
            m = np.column_stack([self._to_route(axis, way) for way in loops])
            bars.append((factor, grid, m))
            out.append(grid.T @ cho_solve(factor, grid))
            mutual.append(grid.T @ cho_solve(factor, m))
        # Currents of bars are L^-1 (G phi - m); what leaves nodes by them and by vias is what enters.
        count, links = len(enters), ahead.shape[1]
        whole = np.zeros((count + links, count + links))
        whole[:count, :count] = sum(out)
        whole[:count, count:], whole[count:, :count] = -ahead, -ahead.T
        right = np.vstack([enters + sum(mutual), np.zeros((links, len(loops)))])
        # One potential is free: that of the first node.
        potential = np.zeros_like(right)
        potential[1:] = np.linalg.solve(whole[1:, 1:], right[1:])
        phi = potential[:count]
        energy = self._routes(loops)
        for factor, grid, m in bars:
            driven = grid @ phi - m
            current = cho_solve(factor, driven)
            energy += current.T @ driven + current.T @ m + m.T @ current
        return 0.5 * (energy + energy.T)

    def _lines(self, axis: int) -> tuple[Floats, Floats, Floats]:
        """Nodes' places along an axis, and from where to where bars along the other axis reach across it."""
        at = np.linspace(0.0, self.size[axis], self.cells[axis] + 1)
        edges = np.concatenate([at[:1], 0.5 * (at[1:] + at[:-1]), at[-1:]])
        return at, edges[:-1], edges[1:]

    def _partial(self, axis: int) -> Floats:
        """Partial inductances of all bars along an axis, planes first, then lines across it, then along it."""
        at, _, _ = self._lines(axis)
        _, low, high = self._lines(1 - axis)
        lines, along = len(low), len(at) - 1
        apart = np.abs(np.subtract.outer(self.below, self.below))
        across = np.stack([low, high], axis=-1)
        step = at[1]
        first = np.array([0.0, step])
        others = np.arange(along)[:, None] * step + first
        table = np.zeros((*apart.shape, lines, lines, along))
        for distance in np.unique(apart):
            each = tapes((across[:, None, None], across[None, :, None]), (first, others), float(distance))
            table[apart == distance] = each
        wide = high - low
        table *= MU0 / (4 * np.pi) / (wide[:, None, None] * wide[None, :, None])
        n = np.abs(np.subtract.outer(np.arange(along), np.arange(along)))
        whole = table[..., n]  # planes, planes, lines, lines, along, along
        size = len(self.below) * lines * along
        return np.ascontiguousarray(whole.transpose(0, 2, 4, 1, 3, 5)).reshape(size, size)

    def _nodes(self) -> NDArray[np.int64]:
        shape = (len(self.below), self.cells[0] + 1, self.cells[1] + 1)
        return np.arange(np.prod(shape)).reshape(shape)

    def _incidence(self, axis: int) -> Floats:
        """Drop of potential along every bar, from those of the nodes."""
        nodes = np.swapaxes(self._nodes(), 1, 2) if axis == 0 else self._nodes()
        starts, ends = nodes[:, :, :-1].ravel(), nodes[:, :, 1:].ravel()
        grid = np.zeros((len(starts), self._nodes().size))
        grid[np.arange(len(starts)), starts], grid[np.arange(len(starts)), ends] = 1.0, -1.0
        return grid

    def _entry(self, contact: Contact) -> Floats:
        """What enters at every node of one ampere evenly along a circle."""
        plane, x, y, wide = contact
        turn = 2 * np.pi * (np.arange(ROUND) + 0.5) / ROUND
        u = (x + 0.5 * wide * np.cos(turn)) / self.size[0] * self.cells[0]
        v = (y + 0.5 * wide * np.sin(turn)) / self.size[1] * self.cells[1]
        i, j = np.floor(u).astype(int), np.floor(v).astype(int)
        a, b = u - i, v - j
        entry, nodes = np.zeros(self._nodes().size), self._nodes()[plane]
        for di, dj, part in ((0, 0, (1 - a) * (1 - b)), (1, 0, a * (1 - b)), (0, 1, (1 - a) * b), (1, 1, a * b)):
            np.add.at(entry, nodes[i + di, j + dj], part / ROUND)
        return entry

    def _to_route(self, axis: int, way: Way) -> Floats:
        """Mutual inductance of every bar along an axis with a loop's route, signed as currents count."""
        at, _, _ = self._lines(axis)
        _, low, high = self._lines(1 - axis)
        bars = np.zeros((len(self.below), len(low), len(at) - 1))
        if way.route is None or _axis(way) != axis:
            return bars.ravel()
        (height, wide), start, end = way.route, way.leave[1 + axis], way.inject[1 + axis]
        middle = way.leave[2 - axis]
        across = (np.stack([low, high], axis=-1)[:, None], np.array([middle - wide / 2, middle + wide / 2]))
        along = (np.stack([at[:-1], at[1:]], axis=-1), np.sort([start, end]))
        for n, below in enumerate(self.below):
            bars[n] = tapes(across, along, height + below) / ((high - low)[:, None] * wide)
        return MU0 / (4 * np.pi) * np.sign(end - start) * bars.ravel()

    def _routes(self, loops: Sequence[Way]) -> Floats:
        """Partial inductances of the routes: a strip with crowded current is a wire of a quarter of its width."""
        found = np.zeros((len(loops), len(loops)))
        for i, one in enumerate(loops):
            for j, other in enumerate(loops):
                if one.route is None or other.route is None or _axis(one) != _axis(other):
                    continue
                axis = _axis(one)
                (a, b), (c, d) = ((way.leave[1 + axis], way.inject[1 + axis]) for way in (one, other))
                beside = one.leave[2 - axis] - other.leave[2 - axis]
                away = one.route[1] / 4 if i == j else float(np.hypot(beside, one.route[0] - other.route[0]))
                found[i, j] = (
                    MU0
                    / (4 * np.pi)
                    * sum(
                        sign * _filaments(end, away) for end, sign in ((d - a, 1), (d - b, -1), (c - a, -1), (c - b, 1))
                    )
                )
        return found


def _axis(way: Way) -> int:
    """Which axis a route follows."""
    return 0 if way.leave[2] == way.inject[2] else 1


def _filaments(z: float, away: float) -> float:
    """What 1/r of two parallel filaments is the second derivative of (Neumann)."""
    return float(z * np.arcsinh(z / away) - np.hypot(z, away))
