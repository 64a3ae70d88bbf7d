"""The basis of the reduced model: vectors, and what the equations make of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.equations import System
from returnflow.magnetic.faces import Magnetized, Projected

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Basis:
    """Orthonormal vectors, and what dissipation and induction make of them, shape (free, r) each."""

    system: System
    vectors: Floats
    dissipated: Floats
    induced: Floats

    @classmethod
    def empty(cls, system: System) -> Basis:
        """Without vectors."""
        nothing = np.zeros((len(system.drive), 0))
        return cls(system, nothing, nothing, nothing)

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
        added = (keep, self.system.dissipation @ keep, self.system.induce(keep))
        old = (self.vectors, self.dissipated, self.induced)
        return Basis(self.system, *(np.concatenate(pair, axis=1) for pair in zip(old, added, strict=True)))

    @cached_property
    def _real(self) -> tuple[Floats, Floats, Floats]:
        """Dissipation and induction in the basis, and what is solved for."""
        dissipation, induction = self.vectors.T @ self.dissipated, self.vectors.T @ self.induced
        return (
            0.5 * (dissipation + dissipation.T),
            0.5 * (induction + induction.T),
            self.vectors.T @ self.system.columns,
        )

    @cached_property
    def projections(self) -> tuple[tuple[Projected, ...], Magnetized, Floats, Floats, Floats]:
        """Foils, what magnetizes them, induction, drive and links in the basis."""
        V, system = self.vectors, self.system
        foils = tuple(
            Projected(
                foil.number, foil.level, foil.weight, V.T @ (foil.dissipation @ V), V.T @ foil.residual, foil.resistance
            )
            for foil in system.foils
        )
        return foils, Magnetized.of(system, V), self._real[1], V.T @ system.drive, system.link_map @ V

    def coefficients(self, sheet: float, s: float) -> Floats:
        """Galerkin solution at a real shift, shape (r, columns)."""
        dissipation, induction, columns = self._real
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
