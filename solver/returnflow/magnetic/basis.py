"""The basis of the reduced model: vectors, and what the equations make of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.equations import System
from returnflow.magnetic.faces import Magnetized, Projected

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Basis:
    """
    Orthonormal vectors, and what dissipation and induction make of them, shape (free, r) each.

    ``inside`` are dissipation, induction, and the dissipation of every foil in the basis, (r, r) each. ``right`` is all
    that drives unknowns, (free, k), and ``driven`` that in the basis, (r, k). They grow with it: what is known of old
    vectors is not worked out again.
    """

    system: System
    vectors: Floats
    dissipated: Floats
    induced: Floats
    inside: tuple[Floats, ...]
    right: Floats
    driven: Floats

    @classmethod
    def empty(cls, system: System) -> Basis:
        """Without vectors."""
        nothing = np.zeros((len(system.drive), 0))
        right = np.concatenate([system.columns, system.normal[1], *(foil.residual for foil in system.foils)], axis=1)
        inside = tuple(np.zeros((0, 0)) for _ in range(2 + len(system.foils)))
        return cls(system, nothing, nothing, nothing, inside, right, np.zeros((0, right.shape[1])))

    def extended(self, new: Floats) -> Basis:
        """Basis with what is new in some columns."""
        size = np.linalg.norm(new, axis=0)
        new = new[:, size > 0] / size[size > 0]
        before = np.linalg.norm(new, axis=0)
        for _ in range(2):
            new = new - self.vectors @ (self.vectors.T @ new)
        left, values, _ = np.linalg.svd(new / before, full_matrices=False)
        keep = left[:, values > 1e-8]
        keep = keep - self.vectors @ (self.vectors.T @ keep)
        keep /= np.linalg.norm(keep, axis=0)
        if not keep.shape[1]:
            return self
        system = self.system
        made = [system.dissipation @ keep, system.induce(keep), *(foil.dissipation @ keep for foil in system.foils)]
        pairs = ((self.vectors, keep), (self.dissipated, made[0]), (self.induced, made[1]))
        vectors, dissipated, induced = (np.concatenate(pair, axis=1) for pair in pairs)
        inside = tuple(
            _bordered(known, self.vectors.T @ each, keep.T @ each)
            for known, each in zip(self.inside, made, strict=True)
        )
        driven = np.concatenate([self.driven, keep.T @ self.right])
        return Basis(system, vectors, dissipated, induced, inside, self.right, driven)

    @property
    def projections(self) -> tuple[tuple[Projected, ...], Magnetized, Floats, Floats, Floats]:
        """Foils, what magnetizes them, induction, drive and links in the basis."""
        system = self.system
        loops, first = system.drive.shape[1], system.columns.shape[1]
        magnetizes, *residuals = np.split(self.driven[:, first:], 1 + len(system.foils), axis=1)
        foils = tuple(
            Projected(foil.number, foil.level, foil.weight, own, residual, foil.resistance)
            for foil, own, residual in zip(system.foils, self.inside[2:], residuals, strict=True)
        )
        magnetized = Magnetized.of(system, magnetizes)
        return foils, magnetized, self.inside[1], self.driven[:, :loops], system.link_map @ self.vectors

    def coefficients(self, sheet: float, s: float) -> Floats:
        """Galerkin solution at a real shift, shape (r, columns)."""
        dissipation, induction = self.inside[:2]
        columns = self.driven[:, : self.system.columns.shape[1]]
        return np.linalg.solve(sheet * dissipation + s * induction, columns).astype(np.float64)

    def solution(self, sheet: float, s: float) -> tuple[Floats, Floats]:
        """Galerkin solution at a real shift, and what the equations make of it, shape (free, columns)."""
        y = self.coefficients(sheet, s)
        return self.vectors @ y, sheet * (self.dissipated @ y) + s * (self.induced @ y)

    def worst(self, sheet: float, lowest: float, highest: float, used: Sequence[float]) -> float:
        """Frequency at which a loop has the largest residual, scaled by the diagonal of the dissipation."""
        root = 1 / np.sqrt(self.system.dissipation.diagonal())[:, None]
        # Every residual is a combination of these columns, so their products give its size.
        own = ~self.system.between
        driven = self.system.columns[:, own]
        columns = root * np.concatenate([driven, self.dissipated, self.induced], axis=1)
        products = columns.T @ columns
        loops = driven.shape[1]
        whole = np.diag(products)[:loops]
        best, largest = highest, -1.0
        for frequency in np.geomspace(lowest, highest, 25):
            if min(abs(np.log(frequency / f)) for f in used) < 0.2:
                continue
            s = 2 * np.pi * frequency
            y = self.coefficients(sheet, s)[:, own]
            residual = np.concatenate([np.eye(loops), -sheet * y, -s * y])
            size = np.sum(residual * (products @ residual), axis=0)
            relative = float(np.max(size / np.where(whole > 0, whole, 1)))
            if relative > largest:
                best, largest = float(frequency), relative
        return best


def _bordered(known: Floats, beside: Floats, new: Floats) -> Floats:
    """Symmetric array with what is new beside it, (r, k), and at its end, (k, k)."""
    return np.block([[known, beside], [beside.T, 0.5 * (new + new.T)]])
