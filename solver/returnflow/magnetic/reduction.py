"""Build the reduced model: real solves at a few frequencies, each where what is known so far is worst."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.basis import Basis
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.displacement import closed
from returnflow.magnetic.equations import System
from returnflow.magnetic.iteration import Preconditioner, conjugate_gradients
from returnflow.magnetic.lacking import lacking
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.linear import NumericalError, Progress

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BAND = 33  # frequencies at which it is seen what a shift moves
DISPLACED = 3e-3  # relative residual of displacement currents at which the iteration stops


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
    residual : float, optional
        Relative residual at which the iteration stops; by default a fifth of `accuracy`. Impedances are then off by its
        square, fields by itself.
    bounds : bool
        Whether to estimate what the basis lacks: see `Broadband.lacking`.
    """

    accuracy: float = 1e-3
    lowest: float = 10.0
    highest: float = 1e9
    shifts: int = 20
    residual: float | None = None
    bounds: bool = True

    @property
    def stop(self) -> float:
        """Residual at which the iteration stops."""
        return 0.2 * self.accuracy if self.residual is None else self.residual


def reduce(
    system: System,
    thickness: float | Sequence[float],
    temperature: float,
    resistance: Floats | None = None,
    options: BroadbandOptions | None = None,
    progress: Progress | None = None,
) -> Broadband:
    """
    Build the reduced model: real solves at a few shifts, each where the residual of the model so far is largest.

    Parameters
    ----------
    system : System
    thickness : float, or one for each foil of the system
        Of the copper, metres.
    temperature : float
        Degrees Celsius.
    resistance : array, shape (loops, loops), optional
        Bracketed resistive result in squares of the reference; the DC end is made to equal it.
    options : BroadbandOptions, optional
    progress : function of one string, optional

    Raises
    ------
    NumericalError
        If a solve does not converge, or the model is not accurate enough after all shifts.
    """
    options = options or BroadbandOptions()
    say = progress or (lambda _: None)
    begin = time.perf_counter()
    thicknesses = (thickness,) if isinstance(thickness, float) else tuple(thickness)
    sheet0 = sheet_resistance(thicknesses[0], temperature)
    sheet = sheet0 / system.foils[0].weight
    correction = np.zeros_like(system.resistance)
    if resistance is not None:
        correction[: system.loops, : system.loops] = resistance - system.resistance[: system.loops, : system.loops]
    basis = Basis.empty(system)
    if not len(system.drive):
        return Broadband(system, basis.vectors, *basis.projections, thicknesses, temperature, correction, (), 0.0)
    preconditioner = Preconditioner.of(system)
    factored = time.perf_counter()
    band = np.geomspace(options.lowest, options.highest, BAND)
    shifts: list[tuple[float, int]] = []
    error = np.inf

    def model() -> Broadband:
        return Broadband(
            system, basis.vectors, *basis.projections, thicknesses, temperature, correction, tuple(shifts), error
        )

    def impedances() -> Complexes:
        return np.array([_of_loops(Z, system, f) for Z, f in zip(model().impedances(band), band, strict=True)])

    last = impedances()
    # First the middle and the ends, then wherever the residual is largest.
    queue = [_middle(options), options.highest, options.lowest]
    while len(shifts) < options.shifts and (queue or not error < options.accuracy):
        frequency = (
            queue.pop(0) if queue else basis.worst(sheet, options.lowest, options.highest, [f for f, _ in shifts])
        )
        columns = _columns(system, options, frequency)
        answer, iterations = _solve(system, preconditioner, basis, sheet, 2 * np.pi * frequency, options, columns)
        shifts.append((frequency, iterations))
        basis = basis.extended(answer)
        now = impedances()
        error, last = _change(last, now), now
        say(f"shift {len(shifts)}: {frequency:.3g} Hz, {iterations} iterations, impedances moved by {error:.1e}")
    if not error < options.accuracy:
        message = (
            f"The reduced model reached {error:.1e} (asked: {options.accuracy:.0e}) after {len(shifts)} shifts. Narrow "
            "the band or set a larger `accuracy`."
        )
        raise NumericalError(message)
    # A shift may move nothing by chance: what is left of the equations tells, and counts.
    ends = (options.lowest, options.highest)
    lacks = lacking(model(), basis, preconditioner, ends) if options.bounds else None
    result = replace(model(), lacking=lacks, solved_sheet=sheet0)
    result.seconds.update({"preconditioner": factored - begin, "shifts": time.perf_counter() - factored})
    return result


def _of_loops(Z: Complexes, system: System, frequency: float) -> Complexes:
    """Impedances of the loops among those of all ports."""
    return Z if system.elastance is None else closed(Z, system.elastance, frequency, system.loops)[0]


def _columns(system: System, options: BroadbandOptions, frequency: float) -> NDArray[np.int64]:
    """
    What is solved for at a shift.

    Between close planes currents flow in one pattern wherever it matters what is displaced there: so displacement
    currents are solved for at the highest frequency only, and what capacitors drive besides at the first one.
    """
    number = np.arange(system.columns.shape[1])
    if system.elastance is None:
        return number
    loops, ports = system.loops, system.drive.shape[1]
    highest = frequency == options.highest
    return np.flatnonzero((number < loops) | highest | ((number >= ports) & (frequency == _middle(options))))


def _middle(options: BroadbandOptions) -> float:
    return float(np.sqrt(options.lowest * options.highest))


def _solve(
    system: System,
    preconditioner: Preconditioner,
    basis: Basis,
    sheet: float,
    s: float,
    options: BroadbandOptions,
    some: NDArray[np.int64],
) -> tuple[Floats, int]:
    """
    Solve (Rs A + s L) x = drive for some columns, starting from what the basis knows.

    Where there are displacement currents, they and capacitors are not solved closely: errors of their impedances go
    with the square.
    """
    weights = preconditioner.weights(sheet, s)
    x, made = basis.solution(sheet, s)
    rough = (some >= system.loops) & (system.elastance is not None)
    return conjugate_gradients(
        lambda values: sheet * (system.dissipation @ values) + s * system.induce(values),
        lambda right: preconditioner.apply(weights, right),
        system.columns[:, some],
        np.where(rough, max(options.stop, DISPLACED), options.stop),
        (x[:, some], made[:, some]),
    )


def _change(before: Complexes, after: Complexes) -> float:
    """Largest change of an impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj) if larger."""
    own = np.sqrt(np.abs(np.einsum("fii->fi", after)))
    scale = np.maximum(np.abs(after), 0.01 * own[:, :, None] * own[:, None, :])
    return float(np.max(np.abs(after - before) / scale))
