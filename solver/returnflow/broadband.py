"""One reduced model for all frequencies: sheet currents from DC to where they hug the outgoing conductor."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from returnflow.foil import sheet_impedance, sheet_resistance
from returnflow.iteration import Preconditioner, conjugate_gradients
from returnflow.linear import NumericalError
from returnflow.magnetics import System, assemble
from returnflow.traces import Route

__all__ = ["Broadband", "BroadbandOptions", "Route", "System", "assemble", "reduce"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Report = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class BroadbandOptions:
    """
    How well to solve.

    Attributes
    ----------
    accuracy : float
        Of every impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj) if larger.
    lowest, highest : float
        Band in hertz in which the reduced model is made accurate.
    shifts : int
        At most so many real solves per loop.
    residual : float
        Relative residual at which the iteration stops.
    """

    accuracy: float = 1e-3
    lowest: float = 10.0
    highest: float = 1e9
    shifts: int = 14
    residual: float = 1e-5


@dataclass(frozen=True)
class Broadband:
    """
    Reduced model: loop impedances and whole fields at any frequency.

    Attributes
    ----------
    system : System
    basis : array, shape (free, r)
    dissipation, induction : arrays, shape (r, r)
    drive : array, shape (r, loops)
    thickness, temperature : float
        Of the copper; the model serves any.
    correction : array, shape (loops, loops)
        Squares added so that the DC end is the bracketed resistive result.
    shifts : tuple of (frequency, iterations)
    error : float
        Estimated error of any impedance in the band, relative as `accuracy` is.
    """

    system: System
    basis: Floats
    dissipation: Floats
    induction: Floats
    drive: Floats
    thickness: float
    temperature: float
    correction: Floats
    shifts: tuple[tuple[float, int], ...]
    error: float
    seconds: dict[str, float] = field(default_factory=dict)

    def reduced(self, frequency: float) -> Complexes:
        """Coefficients of the basis per ampere of every loop, shape (r, loops)."""
        zs = sheet_impedance(self.thickness, frequency, self.temperature)
        w = 2 * np.pi * frequency
        matrix = zs * self.dissipation + 1j * w * self.induction
        return -np.linalg.solve(matrix, 1j * w * self.drive).astype(np.complex128)

    def impedance(self, frequency: float) -> Complexes:
        """Impedance matrix of the loops in ohm, shape (loops, loops)."""
        zs = sheet_impedance(self.thickness, frequency, self.temperature)
        w = 2 * np.pi * frequency
        Z: Complexes = zs * (self.system.resistance + self.correction) + 1j * w * self.system.inductance
        if frequency > 0:
            Z = Z + 1j * w * self.drive.T @ self.reduced(frequency)
        symmetric: Complexes = 0.5 * (Z + Z.T)
        return symmetric

    def current(self, frequency: float) -> Complexes:
        """Sheet current per ampere of every loop at every triangle, shape (2, m, loops), A/m."""
        added = self.basis @ self.reduced(frequency)
        current: Complexes = self.system.currents + np.stack([part @ added for part in self.system.curl])
        return current

    @cached_property
    def stream_products(self) -> Floats:
        """Integrals over the copper of products of the basis' stream functions in m², shape (r, r)."""
        local = self.system.to_local @ self.basis
        mass = np.repeat(self.system.space.mesh.areas / 3, 3)
        products: Floats = local.T @ (mass[:, None] * local)
        return products

    def stream(self, frequency: float) -> Complexes:
        """Stream function per ampere on the corners of every triangle, shape (loops, m, 3); see `Conduction.stream`."""
        added = self.system.to_local @ (self.basis @ self.reduced(frequency))
        stream: Complexes = self.system.stream + added.T.reshape(self.system.stream.shape)
        return stream


def reduce(
    system: System,
    thickness: float,
    temperature: float,
    resistance: Floats | None = None,
    options: BroadbandOptions | None = None,
    report: Report | None = None,
) -> Broadband:
    """
    Build the reduced model: real solves at a few shifts, each where the residual of the model so far is largest.

    Parameters
    ----------
    system : System
    thickness : float
        Of the copper, metres.
    temperature : float
        Degrees Celsius.
    resistance : array, shape (loops, loops), optional
        Bracketed resistive result in squares; the DC end is made to equal it.
    options : BroadbandOptions, optional
    report : function of one string, optional

    Raises
    ------
    NumericalError
        If a solve does not converge, or the model is not accurate enough after all shifts.
    """
    options = options or BroadbandOptions()
    say = report or (lambda _: None)
    begin = time.perf_counter()
    sheet = sheet_resistance(thickness, temperature)
    correction = np.zeros_like(system.resistance) if resistance is None else resistance - system.resistance
    basis = _Basis.empty(system)
    if not len(system.drive):
        return Broadband(system, basis.vectors, *basis.projections, thickness, temperature, correction, (), 0.0)
    preconditioner = Preconditioner.of(system)
    factored = time.perf_counter()
    band = np.geomspace(options.lowest, options.highest, 61)
    shifts: list[tuple[float, int]] = []
    error = np.inf

    def model() -> Broadband:
        return Broadband(
            system, basis.vectors, *basis.projections, thickness, temperature, correction, tuple(shifts), error
        )

    def impedances() -> Complexes:
        now = model()
        return np.array([now.impedance(f) for f in band])

    last = impedances()
    # First the middle and the ends, then wherever the residual is largest.
    queue = [float(np.sqrt(options.lowest * options.highest)), options.highest, options.lowest]
    small_steps = 0
    while len(shifts) < options.shifts and (queue or small_steps < 2):
        frequency = queue.pop(0) if queue else basis.worst(sheet, options, [f for f, _ in shifts])
        answer, iterations = _solve(system, preconditioner, basis, sheet, 2 * np.pi * frequency, options.residual)
        shifts.append((frequency, iterations))
        basis = basis.extended(answer)
        now = impedances()
        error, last = _change(last, now), now
        small_steps = small_steps + 1 if error < options.accuracy else 0
        say(f"shift {len(shifts)}: {frequency:.3g} Hz, {iterations} iterations, impedances moved by {error:.1e}")
    if not error < options.accuracy:
        message = (
            f"The reduced model reached {error:.1e} (asked: {options.accuracy:.0e}) after {len(shifts)} shifts. Narrow "
            "the band or ask for less accuracy."
        )
        raise NumericalError(message)
    result = model()
    result.seconds.update({"preconditioner": factored - begin, "shifts": time.perf_counter() - factored})
    return result


def _solve(
    system: System, preconditioner: Preconditioner, basis: _Basis, sheet: float, s: float, tolerance: float
) -> tuple[Floats, int]:
    """Solve (Rs A + s L) x = drive for every loop, starting from what the basis knows."""
    weights = preconditioner.weights(sheet, s)
    return conjugate_gradients(
        lambda values: sheet * (system.dissipation @ values) + s * system.induce(values),
        lambda right: preconditioner.apply(weights, right),
        system.drive,
        tolerance,
        basis.solution(sheet, s),
    )


@dataclass(frozen=True)
class _Basis:
    """Orthonormal vectors, and what dissipation and induction make of them, shape (free, r) each."""

    system: System
    vectors: Floats
    dissipated: Floats
    induced: Floats

    @classmethod
    def empty(cls, system: System) -> _Basis:
        nothing = np.zeros((len(system.drive), 0))
        return cls(system, nothing, nothing, nothing)

    def extended(self, new: Floats) -> _Basis:
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
        return _Basis(self.system, *(np.concatenate(pair, axis=1) for pair in zip(old, added, strict=True)))

    @cached_property
    def projections(self) -> tuple[Floats, Floats, Floats]:
        """Dissipation, induction and drive in the basis."""
        dissipation, induction = self.vectors.T @ self.dissipated, self.vectors.T @ self.induced
        drive: Floats = self.vectors.T @ self.system.drive
        return 0.5 * (dissipation + dissipation.T), 0.5 * (induction + induction.T), drive

    def coefficients(self, sheet: float, s: float) -> Floats:
        """Galerkin solution at a real shift, shape (r, loops)."""
        dissipation, induction, drive = self.projections
        return np.linalg.solve(sheet * dissipation + s * induction, drive).astype(np.float64)

    def solution(self, sheet: float, s: float) -> tuple[Floats, Floats]:
        """Galerkin solution at a real shift, and what the equations make of it, shape (free, loops)."""
        y = self.coefficients(sheet, s)
        return self.vectors @ y, sheet * (self.dissipated @ y) + s * (self.induced @ y)

    def worst(self, sheet: float, options: BroadbandOptions, used: Sequence[float]) -> float:
        """Frequency with the largest residual, scaled by the diagonal of the dissipation."""
        root = 1 / np.sqrt(self.system.dissipation.diagonal())[:, None]
        # Every residual is a combination of these columns, so their products give its size.
        columns = root * np.concatenate([self.system.drive, self.dissipated, self.induced], axis=1)
        products = columns.T @ columns
        loops = self.system.drive.shape[1]
        whole = np.diag(products)[:loops]
        best, largest = options.highest, -1.0
        for frequency in np.geomspace(options.lowest, options.highest, 25):
            if min(abs(np.log(frequency / f)) for f in used) < 0.2:
                continue
            s = 2 * np.pi * frequency
            y = self.coefficients(sheet, s)
            residual = np.concatenate([np.eye(loops), -sheet * y, -s * y])
            size = np.sum(residual * (products @ residual), axis=0)
            relative = float(np.max(size / np.where(whole > 0, whole, 1)))
            if relative > largest:
                best, largest = float(frequency), relative
        return best


def _change(before: Complexes, after: Complexes) -> float:
    """Largest change of an impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj) if larger."""
    own = np.sqrt(np.abs(np.einsum("fii->fi", after)))
    scale = np.maximum(np.abs(after), 0.01 * own[:, :, None] * own[:, None, :])
    return float(np.max(np.abs(after - before) / scale))
