"""The small equations of the reduced model, and what foil does between its two faces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.equations import System
from returnflow.resistive.foil import MU0

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Projected:
    """One foil in the basis: dissipation (r, r), drive of its resistive pattern (r, loops), resistance; squares."""

    number: int
    level: int
    weight: float
    dissipation: Floats
    drive: Floats
    resistance: Floats


@dataclass(frozen=True)
class Inductive:
    """Induction in the basis (r, r), what every loop drives (r, loops), and the loops' own inductances; henry."""

    induction: Floats
    drive: Floats
    own: Floats


@dataclass(frozen=True)
class Magnetized:
    """
    Flux that passes through foil as a whole finds the foil's thickness in its way.

    Heights end at the faces, so that the thickness is missing from the space outside. Flux along the faces has its
    room in the foil by the difference of the faces' impedances; flux across the foil is given it here, as currents
    curl m round the foil's body that cost mu0/t times the integral of m^2. They are taken as multiples of those of
    the resistive patterns, which is where they are large. In the basis: what they induce (r, loops), what drives them,
    their induction, and their cost per thickness of the reference (loops, loops).
    """

    induced: Floats
    driven: Floats
    induction: Floats
    cost: Floats

    @classmethod
    def of(cls, system: System, induced: Floats) -> Magnetized:
        """What a system's own flux makes of its foils; `induced` is what its currents induce in the basis."""
        return cls(induced, *system.normal_products, system.normal[2])

    def _free(self, thickness: float) -> Floats:
        """How much of these currents a flux drives."""
        return np.linalg.pinv(self.induction + self.cost / thickness, rcond=1e-10, hermitian=True).astype(np.float64)

    def currents(self, y: Complexes, thickness: float) -> Complexes:
        """These currents where those of the basis flow, shape (loops, loops)."""
        return -self._free(thickness) @ (self.driven + self.induced.T @ y)

    def beside(self, plain: Inductive, thickness: float) -> Inductive:
        """Return what is left of the induction where these currents are free to flow; never negative."""
        free = self._free(thickness)
        return Inductive(
            plain.induction - self.induced @ free @ self.induced.T,
            plain.drive - self.induced @ free @ self.driven,
            plain.own - self.driven.T @ free @ self.driven,
        )


@dataclass(frozen=True)
class Small:
    """
    All equations in a basis, for any sheet impedances.

    Frequencies are given one by one, or many at once as an array, shape (f,), with sheet impedances of that shape; then
    every answer has one more axis in front. ``correction`` are squares of the reference added to the loops'
    resistances; ``link_basis`` are the currents in the links (links, r).
    """

    system: System
    foils: tuple[Projected, ...]
    link_basis: Floats
    correction: Floats

    def equations(
        self, w: float | Floats, sheets: Sequence[complex | Complexes], inductive: Inductive
    ) -> tuple[Complexes, Complexes, Complexes]:
        """Matrix (r, r), what every loop drives (r, loops), and the loops' own impedances of the resistive pattern."""
        links, through = self.system.stack.links, self.system.link_current
        jw = 1j * np.asarray(w)[..., None, None]
        barrier = links.resistance[None] + (links.elastance / jw if np.all(jw) else 0)  # what is not induction
        matrix = jw * inductive.induction + (self.link_basis.T * barrier) @ self.link_basis
        over = np.swapaxes(barrier, -1, -2) * through
        driven = jw * inductive.drive + self.link_basis.T @ over
        at = [np.asarray(sheet)[..., None, None] for sheet in sheets]
        Z: Complexes = jw * inductive.own + at[0] / self.foils[0].weight * self.correction + through.T @ over
        for sheet, foil in zip(at, self.foils, strict=True):
            matrix = matrix + sheet * foil.dissipation
            driven = driven + sheet * foil.drive
            Z = Z + sheet * foil.resistance
        return matrix, driven, Z

    def impedance(self, w: float | Floats, sheets: Sequence[complex | Complexes], inductive: Inductive) -> Complexes:
        """Impedance matrix of the loops in ohm, (loops, loops)."""
        matrix, driven, Z = self.equations(w, sheets, inductive)
        result: Complexes = Z - np.swapaxes(driven, -1, -2) @ np.linalg.solve(matrix, driven) if np.all(w) else Z
        return result

    def slow_inductance(self, thickness: Sequence[float], inductive: Inductive) -> Floats:
        """
        Inductance of the loops where all currents keep their resistive pattern, henry, (loops, loops).

        A foil of thickness t adds mu0 t/12 per square of the whole current and mu0 t/4 of what differs on its faces.
        """
        expelled = -np.linalg.solve(inductive.induction, inductive.drive)
        total = inductive.own.copy()
        for foil in self.foils:
            if foil.level < 0:
                continue
            side, cross = self.system.side[foil.level], foil.drive.T @ expelled
            differing = foil.resistance + cross + cross.T + expelled.T @ foil.dissipation @ expelled
            total += MU0 * thickness[foil.number] * (foil.resistance / 12 + np.outer(side, side) * differing / 4)
        return total

    def between_faces(
        self, w: float | Floats, halves: Sequence[complex | Complexes], inductive: Inductive
    ) -> Complexes:
        """
        What the faces of foil add: the impedance by which their currents differ, over that of a perfect conductor.

        Of the same sign for two loops on one face of a foil, of opposite signs for loops on different faces: so their
        sum with the whole currents' impedance falls with the foil's transfer impedance.
        """
        side = self.system.side
        signs = side[:, :, None] * side[:, None, :]
        none: list[complex | Complexes] = [0j] * len(self.foils)
        before = self.impedance(w, none, inductive)
        if np.all(signs == signs[:1]):
            result: Complexes = signs[0] * (self.impedance(w, halves, inductive) - before)
            return result
        total = np.zeros_like(before)
        for level, sign in enumerate(signs):
            # Level by level, so that the sum is that of all at once.
            none = [
                half if foil.level == level else last for half, foil, last in zip(halves, self.foils, none, strict=True)
            ]
            now = self.impedance(w, none, inductive)
            total += sign * (now - before)
            before = now
        return total
