"""Boards and second routes that the tests of induction share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Polygon

from returnflow.magnetic.equations import System, assemble
from returnflow.magnetic.iteration import Preconditioner, conjugate_gradients
from returnflow.magnetic.traces import Route
from returnflow.resistive.foil import MU0, sheet_impedance, transfer_impedance
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.model.shapes import circle, rectangle

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


def along(path: Sequence[tuple[float, float]], step: float) -> Floats:
    """Points along a path, about a step apart."""
    line = LineString(path)
    count = max(2, int(np.ceil(line.length / step)) + 1)
    return np.array([line.interpolate(s).coords[0] for s in np.linspace(0, line.length, count)])


def graded(plane: Plane, finest: Sequence[tuple[Floats, float]], largest: float, growth: float = 0.3) -> Mesh:
    """Mesh with given sizes at given points."""
    points = np.concatenate([where for where, _ in finest])
    sizes = np.concatenate([np.full(len(where), size) for where, size in finest])
    return Mesher(plane).graded(SizeField(points, sizes, largest, growth))


def crossing(mesh: Mesh, section: int, stream: NDArray[np.generic]) -> complex:
    """Current through a section, from the left to the right of its path, from local stream values (m, 3)."""
    tri, k, sign = mesh.section_edges[section].T
    return complex(np.sum(sign * (stream[tri, (k + 1) % 3] - stream[tri, k])))


# ---------------------------------------------------------------- direct solves


class Whole:
    """
    Direct complex solves of the whole system: what the reduced model must come to.

    Foil between its faces as in the derivation: Z of the whole currents, and what the faces add with the sign of the
    sides that two loops lie on, level by level.
    """

    def __init__(self, system: System, thickness: Sequence[float], temperature: float = 20.0) -> None:
        self.system, self.thickness, self.temperature = system, thickness, temperature
        L = system.induce(np.eye(len(system.drive)))
        self.L = 0.5 * (L + L.T)
        N, LN, cost = system.normal
        free = np.linalg.pinv(N.T @ LN + cost / (thickness[0] * system.stack.weights[0]), rcond=1e-10)
        b, own = system.drive, system.inductance
        self.inductive = self.L - LN @ free @ LN.T, b - LN @ free @ (N.T @ b), own - b.T @ N @ free @ (N.T @ b)
        self.foils = [(foil, foil.dissipation.toarray()) for foil in system.foils]
        self.J = system.link_map.toarray()

    def solve(self, f: float, sheets: Sequence[complex], inductive: tuple[Floats, Floats, Floats]):
        """Impedance of the loops and the unknowns."""
        w, links, through = 2 * np.pi * f, self.system.stack.links, self.system.link_current
        Zl = links.resistance + links.elastance / (1j * w)
        M, b, Z = (1j * w * part for part in inductive)
        M = M + (self.J.T * Zl) @ self.J + sum(z * A for z, (_, A) in zip(sheets, self.foils, strict=True))
        b = b + self.J.T @ (Zl[:, None] * through)
        b = b + sum(z * foil.residual for z, (foil, _) in zip(sheets, self.foils, strict=True))
        Z = Z + through.T @ (Zl[:, None] * through)
        Z = Z + sum(z * foil.resistance for z, (foil, _) in zip(sheets, self.foils, strict=True))
        x = -np.linalg.solve(M, b)
        return Z + b.T @ x, x

    def sheets(self, f: float) -> tuple[tuple[complex, ...], tuple[complex, ...]]:
        """Half of the sum and of the difference of surface and transfer impedance, by foil."""
        found = []
        for foil, _ in self.foils:
            at = self.thickness[foil.number], f, self.temperature
            surface, transfer = sheet_impedance(*at), transfer_impedance(*at)
            found.append(((surface + transfer) / 2, (surface - transfer) / 2 if foil.level >= 0 else 0j))
        common, half = zip(*found, strict=True)
        return common, half

    def impedance(self, f: float) -> Complexes:
        """Impedance of the loops."""
        common, half = self.sheets(f)
        Z, _ = self.solve(f, common, self.inductive)
        sheets = [0j] * len(half)
        before, _ = self.solve(f, sheets, self.inductive)
        for level, side in enumerate(self.system.side):
            sheets = [half[n] if foil.level == level else sheets[n] for n, (foil, _) in enumerate(self.foils)]
            now, _ = self.solve(f, sheets, self.inductive)
            Z, before = Z + np.outer(side, side) * (now - before), now
        return Z

    def answer(self, f: float) -> Complexes:
        """What induction adds to the resistive pattern."""
        return self.solve(f, self.sheets(f)[0], self.inductive)[1]


# ---------------------------------------------------------------- the high-frequency end


@dataclass(frozen=True)
class Ideal:
    """Sheet without resistance: what one solve of L psi = -drive gives."""

    system: System
    answer: Floats

    @classmethod
    def of(cls, system: System, residual: float = 1e-6) -> Ideal:
        preconditioner = Preconditioner.of(system)
        weights = preconditioner.weights(0.0, 1.0)
        answer, _ = conjugate_gradients(
            system.induce, lambda right: preconditioner.apply(weights, right), -system.drive, residual
        )
        return cls(system, answer)

    @property
    def inductance(self) -> Floats:
        """Henry, shape (loops, loops)."""
        return self.system.inductance + self.system.drive.T @ self.answer

    @property
    def stream(self) -> Floats:
        """Local stream values per ampere, shape (loops, m, 3)."""
        added: Floats = self.system.to_local @ self.answer
        return self.system.stream + added.T.reshape(self.system.stream.shape)


# ---------------------------------------------------------------- a long strip under a long trace


@dataclass(frozen=True)
class Strip:
    """
    Strip of a width and a length under a trace along its middle line, fed over its whole width at both ends.

    Lengths in heights of the trace, which is 0.1 m: then the foil is thin against everything. Sections 0, 1, ... run
    across the middle from -x to +x for the half-widths `marks`. Loop 0 has the trace, loop 1 is closed far away.
    """

    width: float
    length: float
    trace: float = 1e-3
    marks: tuple[float, ...] = (1.0, 3.0, 10.0)
    h: float = 0.1

    def mesh(self, step: float, *, growth: float = 0.3, everywhere: bool = False, edge: float | None = None) -> Mesh:
        """Mesh with a step (in heights) under the trace, in the middle or all along, and one at the long edges."""
        h, W, L = self.h, self.width * self.h, self.length * self.h
        ends = [rectangle(-W, s * L / 2, W, s * (L / 2 + W)) for s in (-1, 1)]
        sections = [LineString([(x * h, 0), (-x * h, 0)]) for x in self.marks]
        plane = Plane(
            rectangle(-W / 2, -L / 2 - h, W / 2, L / 2 + h), ends, [rectangle(-W / 2, -h, W / 2, h)], sections
        )
        path = [(0, -L / 2), (0, L / 2)] if everywhere else [(0, -h), (0, h)]
        cut = along([(-4 * h, 0), (4 * h, 0)], step * h)
        finest = [(along(path, step * h), step * h), (cut, step * h)]
        if edge:
            finest += [(along([(x, -L / 2), (x, L / 2)], edge * h), edge * h) for x in (-W / 2, W / 2)]
        return graded(plane, finest, W / 8, growth)

    def system(self, mesh: Mesh) -> System:
        L = self.length * self.h
        route = Route(np.array([[0.0, L / 2], [0.0, -L / 2]]), self.h, self.trace * self.h)
        return assemble(mesh, 2, [(0, 1), (0, 1)], [route, None])

    def shares(self, mesh: Mesh, stream: NDArray[np.generic]) -> Complexes:
        """Of the return between -x and +x for every mark."""
        return np.array([crossing(mesh, n, stream) for n in range(len(self.marks))])

    def frequency(self, b: float, sheet: float) -> float:
        """Frequency at which w mu0 h / (2 Rs) = b."""
        return b * sheet / (np.pi * MU0 * self.h)

    def resistance(self, mesh: Mesh, current: Complexes) -> float:
        """Dissipation in the middle per length and squared current, times the width, in Rs: 1 if uniform."""
        mine = mesh.region_triangles[0]
        power = float(np.sum(np.abs(current[:, mine]) ** 2 @ mesh.areas[mine]))
        return power / (2 * self.h) * self.width * self.h


# ---------------------------------------------------------------- closed sheets in a uniform normal field


@dataclass(frozen=True)
class Disc:
    """
    Disc of radius 1 m in a uniform normal field of B = 1 T, A = (-y, x)/2.

    The mesh needs contacts. Two of radius 0.004 near the centre carry no net current; they short-circuit places
    where the current is weak, which changes a moment by less than 1e-4 (their missing area included).
    """

    edge: float
    inner: float = 0.12

    def system(self) -> System:
        corners = 4 * int(np.ceil(np.pi / 2 / self.edge))
        rim = circle(0, 0, 2.0, corners=corners)
        contacts: list[Polygon] = [circle(0.0, 0.0, 8e-3, corners=8), circle(0.05, 0.0, 8e-3, corners=8)]
        mesh = graded(Plane(rim, contacts), [(np.array(rim.exterior.coords), self.edge)], self.inner, 0.35)
        system = assemble(mesh, 2, [(0, 1)], [None])
        middle = mesh.points[mesh.triangles].mean(axis=1)
        potential = 0.5 * np.stack([-middle[:, 1], middle[:, 0]]) * mesh.areas
        drive = system.curl[0].T @ potential[0] + system.curl[1].T @ potential[1]
        # The field takes the place of the loop; what belongs to the loop itself is zero.
        none = np.zeros((1, 1))
        return replace(
            system,
            drive=drive[:, None],
            currents=np.zeros_like(system.currents),
            stream=np.zeros_like(system.stream),
            resistance=none,
            inductance=none,
        )


def moment(system: System, values: NDArray[np.generic]) -> complex:
    """Magnetic moment of free stream values: integral of psi, A m2."""
    local = (system.to_local @ values).reshape(-1, 3)
    return complex(np.sum(local.mean(axis=1) * system.space.mesh.areas))


def beta_frequency(beta: float, sheet: float) -> float:
    """Frequency at which w mu0 a / Rs = beta for a = 1 m."""
    return beta * sheet / (2 * np.pi * MU0)
