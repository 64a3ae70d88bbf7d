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
MET = 0.02  # of the root of the product of two loops' own, by which a transfer may be off besides


def lacking(
    model: Broadband, basis: Basis, preconditioner: Preconditioner, band: tuple[float, float]
) -> tuple[Floats, Floats]:
    """
    Frequencies, and how far all impedances are off, ohm, shape (frequencies, loops, loops).

    Of r^T (z A + jwL)^-1 r, r being what the equations make of the reduced answer. That inverse is at most sqrt(2)
    times the one of its parts in phase, for which the preconditioner stands as it does in the iteration. Of two loops
    r lie in different places, mostly: the same product of both, all parts in one phase, and `MET` of the root of the
    product of their own for what the preconditioner does not see. What the
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
        energy = parts.T @ preconditioner.apply(weights, parts)
        energy = 0.5 * (energy + energy.T)  # in single precision it is nearly so
        half = len(energy) // 2
        real, imaginary = energy[:half, :half], energy[half:, half:]
        crossed = np.abs(energy[:half, half:])
        own = np.diag(real) + np.diag(imaginary)
        met = np.abs(real) + np.abs(imaginary) + crossed + crossed.T + MET * np.sqrt(np.outer(own, own))
        np.fill_diagonal(met, own)
        found: Floats = np.sqrt(2) * np.minimum(met, np.sqrt(np.outer(own, own)))
        return found

    def faces(w: float, some: slice) -> Floats:
        half, none = model.of_foils(w / (2 * np.pi), between=True), [0j] * len(system.foils)
        larger: Floats = np.maximum(bound(w, half, some), bound(w, none, some)) / w
        return larger

    def added(some: slice) -> Floats:
        halves = [*np.transpose([model.of_foils(float(f), between=True) for f in frequencies])]
        every = model.small.between_faces(2 * np.pi * frequencies, halves, model.passing)
        own = np.sqrt(np.abs(np.einsum("fii->fi", every))[:, some])
        found: Floats = own[:, :, None] * own[:, None, :]
        return found

    frequencies = np.geomspace(*band, LACKING)
    first = system.loops if system.elastance is not None else system.drive.shape[1]
    loops, displaced = slice(0, first), slice(first, None)
    w, few = 2 * np.pi * frequencies, slice(None, None, BETWEEN)
    own = np.array([bound(each, model.of_foils(f), loops) for each, f in zip(w, frequencies, strict=True)])
    between = _between(w, w[few], np.array([faces(each, loops) for each in w[few]]))
    own += np.minimum(w[:, None, None] * between, added(loops))
    if system.elastance is None:
        return frequencies, own
    rest = [bound(each, model.of_foils(f), displaced) for each, f in zip(w[few], frequencies[few], strict=True)]
    others = np.exp(_between(w, w[few], np.log(np.maximum(rest, LEAST))))
    others += w[:, None, None] * faces(w[-1], displaced)
    root = np.sqrt(np.concatenate([np.einsum("fii->fi", part) for part in (own, others)], axis=1))
    whole = root[:, :, None] * root[:, None, :]
    whole[:, :first, :first], whole[:, first:, first:] = own, others
    return frequencies, whole


def _apart(values: NDArray[Any]) -> Floats:
    """Real and imaginary parts of columns, side by side."""
    return np.concatenate([values.real, values.imag], axis=1)


def _between(at: Floats, known: Floats, values: Floats) -> Floats:
    """Values known at some frequencies, at others between them; along the logarithm."""
    flat = values.reshape(len(known), -1)
    found = np.column_stack([np.interp(np.log(at), np.log(known), column) for column in flat.T])
    return found.reshape(len(at), *values.shape[1:])
