"""What a reduced model lacks: bounds of its errors from what the equations leave of its answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.basis import Basis
from returnflow.magnetic.iteration import Preconditioner

if TYPE_CHECKING:
    from returnflow.magnetic.broadband import Broadband

Floats = NDArray[np.float64]

LACKING = 13  # frequencies at which the residual is taken
BETWEEN = 6  # every so many of them, that of what foil does between its faces, which goes with frequency


def lacking(
    model: Broadband, basis: Basis, preconditioner: Preconditioner, band: tuple[float, float]
) -> tuple[Floats, Floats]:
    """
    Frequencies, and bounds of the errors of the loops' own impedances, ohm, shape (frequencies, loops).

    Of r^T (z A + jwL)^-1 r, r being what the equations make of the reduced answer. That inverse is at most sqrt(2)
    times the one of its parts in phase, for which the preconditioner stands as it does in the iteration. What the
    faces add is the difference of two more answers, whose errors have nearly one phase: at most the larger of both.
    """
    system, links = model.system, model.system.stack.links

    def bound(w: float, sheets: Sequence[complex]) -> Floats:
        y = model.answer(w, sheets)
        crosswise = model.magnetized.currents(y, model.magnetized_thickness)
        r = 1j * w * (system.drive + basis.induced @ y + system.normal[1] @ crosswise)
        through = system.link_current + model.link_basis @ y
        r += system.link_map.T @ ((links.resistance + links.elastance / (1j * w))[:, None] * through)
        values = basis.vectors @ y
        for sheet, foil in zip(sheets, system.foils, strict=True):
            r += sheet * (foil.residual + foil.dissipation @ values)
        parts = np.concatenate([r.real, r.imag], axis=1)
        weights = preconditioner.weights(float(abs(sheets[0])) / system.foils[0].weight, w)
        energy = np.sum(parts * preconditioner.apply(weights, parts), axis=0)
        found: Floats = np.sqrt(2) * energy.reshape(2, -1).sum(axis=0)
        return found

    frequencies = np.geomspace(*band, LACKING)
    found = np.array([bound(2 * np.pi * f, model.of_foils(f)) for f in frequencies])
    at = frequencies[::BETWEEN]
    halves, none = [model.of_foils(f, between=True) for f in at], [0j] * len(system.foils)
    own = [np.maximum(bound(w, half), bound(w, none)) / w for w, half in zip(2 * np.pi * at, halves, strict=True)]
    between = [2 * np.pi * frequencies * np.interp(np.log(frequencies), np.log(at), part) for part in np.transpose(own)]
    return frequencies, found + np.transpose(between)
