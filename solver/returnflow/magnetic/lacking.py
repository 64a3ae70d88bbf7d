"""What a reduced model lacks: bounds of its errors from what the equations leave of its answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.basis import Basis
from returnflow.magnetic.iteration import Preconditioner

if TYPE_CHECKING:
    from returnflow.magnetic.broadband import Broadband

Floats = NDArray[np.float64]

LACKING = 13  # frequencies at which the residual is taken
BETWEEN = 6  # every so many of them, that of what foil does between its faces, which goes with frequency
LEAST = 1e-30  # ohm


def lacking(
    model: Broadband, basis: Basis, preconditioner: Preconditioner, band: tuple[float, float]
) -> tuple[Floats, Floats]:
    """
    Frequencies, and bounds of the errors of the loops' own impedances, ohm, shape (frequencies, loops).

    Of r^T (z A + jwL)^-1 r, r being what the equations make of the reduced answer. That inverse is at most sqrt(2)
    times the one of its parts in phase, for which the preconditioner stands as it does in the iteration. What the
    faces add is the difference of two more answers, whose errors have nearly one phase: at most the larger of both. Nor
    is it off by more than all of it: where links have resistance and sheets none, as in those two, currents flow that
    the basis was not made for.
    Displacement currents matter near the highest frequency only, and are many: theirs is taken at a few.
    """
    system, links = model.system, model.system.stack.links

    def bound(w: float, sheets: Sequence[complex], some: slice) -> Floats:
        every = model.answer(w, sheets)
        y = every[:, some]
        crosswise = model.magnetized.currents(every, model.magnetized_thickness)[:, some]
        # Real and imaginary parts side by side: large arrays stay real.
        values = basis.vectors @ _apart(y)
        induced = basis.induced @ _apart(y) + system.normal[1] @ _apart(crosswise)
        count = y.shape[1]
        induced[:, :count] += system.drive[:, some]
        parts = w * np.concatenate([-induced[:, count:], induced[:, :count]], axis=1)
        if len(links):
            through = system.link_current[:, some] + model.link_basis @ y
            parts += system.link_map.T @ _apart((links.resistance + links.elastance / (1j * w))[:, None] * through)
        for sheet, foil in zip(sheets, system.foils, strict=True):
            if sheet:
                made = foil.dissipation @ values
                made[:, :count] += foil.residual[:, some]
                parts += sheet.real * made
                parts[:, :count] -= sheet.imag * made[:, count:]
                parts[:, count:] += sheet.imag * made[:, :count]
        weights = preconditioner.weights(float(abs(sheets[0])) / system.foils[0].weight, w)
        energy = np.sum(parts * preconditioner.apply(weights, parts), axis=0)
        found: Floats = np.sqrt(2) * energy.reshape(2, -1).sum(axis=0)
        return found

    def faces(w: float, some: slice) -> Floats:
        half, none = model.of_foils(w / (2 * np.pi), between=True), [0j] * len(system.foils)
        larger: Floats = np.maximum(bound(w, half, some), bound(w, none, some)) / w
        return larger

    def added(some: slice) -> Floats:
        halves = [*np.transpose([model.of_foils(float(f), between=True) for f in frequencies])]
        every = model.small.between_faces(2 * np.pi * frequencies, halves, model.passing)
        found: Floats = np.abs(np.einsum("fii->fi", every))[:, some]
        return found

    frequencies = np.geomspace(*band, LACKING)
    first = system.loops if system.elastance is not None else system.drive.shape[1]
    loops, displaced = slice(0, first), slice(first, None)
    w, few = 2 * np.pi * frequencies, slice(None, None, BETWEEN)
    own = np.array([bound(each, model.of_foils(f), loops) for each, f in zip(w, frequencies, strict=True)])
    own += np.minimum(w[:, None] * _between(w, w[few], np.array([faces(each, loops) for each in w[few]])), added(loops))
    if system.elastance is None:
        return frequencies, own
    rest = [bound(each, model.of_foils(f), displaced) for each, f in zip(w[few], frequencies[few], strict=True)]
    others = np.exp(_between(w, w[few], np.log(np.maximum(rest, LEAST)))) + w[:, None] * faces(w[-1], displaced)
    return frequencies, np.concatenate([own, others], axis=1)


def _apart(values: NDArray[Any]) -> Floats:
    """Real and imaginary parts of columns, side by side."""
    return np.concatenate([values.real, values.imag], axis=1)


def _between(at: Floats, known: Floats, values: Floats) -> Floats:
    """Columns of values, known at some frequencies, at others between them; along the logarithm."""
    return np.column_stack([np.interp(np.log(at), np.log(known), column) for column in values.T])
