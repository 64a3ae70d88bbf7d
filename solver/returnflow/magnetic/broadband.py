"""One reduced model for all frequencies: sheet currents from DC to where they hug the outgoing conductor."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic import two_meshes
from returnflow.magnetic.basis import Basis
from returnflow.magnetic.displacement import closed
from returnflow.magnetic.equations import System, assemble
from returnflow.magnetic.faces import Inductive, Magnetized, Projected, Small
from returnflow.magnetic.iteration import Preconditioner, conjugate_gradients
from returnflow.magnetic.lacking import lacking
from returnflow.magnetic.traces import Route
from returnflow.resistive.foil import face_impedances, sheet_resistance
from returnflow.resistive.linear import NumericalError, Progress

__all__ = ["Broadband", "BroadbandOptions", "Route", "System", "assemble", "paired", "reduce"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

TINY = 1e-30  # ohm
ROUNDING = 1e-6  # of the loops' own reactances
HIGH = 1e9  # Hz; the field is expelled
OVERLAP_LOWEST, OVERLAPS = 1e3, 7  # Hz, and how many frequencies from there to the highest
DISPLACED = 1e-3  # relative residual of displacement currents at which the iteration stops
PASSIVE = 13  # frequencies at which what two meshes lead to is kept positive


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
    shifts: int = 20
    residual: float = 1e-5


@dataclass(frozen=True)
class Broadband:
    """
    Reduced model: loop impedances and whole fields at any frequency.

    Attributes
    ----------
    system : System
    basis : array, shape (free, r)
    foils : tuple of Projected
        One for each thickness of copper and level.
    magnetized : Magnetized
    induction : array, shape (r, r)
    drive : array, shape (r, loops)
    link_basis : array, shape (links, r)
    thickness : float, or tuple of float
        Of every foil, metres.
    temperature : float
        Of the copper; the model serves any.
    correction : array, shape (loops, loops)
        Squares of the reference added so that the DC end is the bracketed resistive result.
    shifts : tuple of (frequency, iterations)
    error : float
        By how much the last shift moved any impedance in the band, relative as `accuracy` is.
    solved_sheet : float
        Sheet resistance of the first foil that it was solved with, ohm per square.
    coarse : Broadband or None
        The same on the mesh that was halved for this one: what two meshes lead to, and what they leave uncertain.
    lacking : (array of frequencies, array (frequencies, loops))
        What the basis lacks: bound of the error of every loop's own impedance, ohm, from the residuals.
    overlap : (array of frequencies, array (frequencies, loops, loops))
        How far the errors of two loops' fields lie in the same place, 0 to 1; see `two_meshes`.
    """

    system: System
    basis: Floats
    foils: tuple[Projected, ...]
    magnetized: Magnetized
    induction: Floats
    drive: Floats
    link_basis: Floats
    thickness: float | tuple[float, ...]
    temperature: float
    correction: Floats
    shifts: tuple[tuple[float, int], ...]
    error: float
    solved_sheet: float = 1.0
    seconds: dict[str, float] = field(default_factory=dict)
    coarse: Broadband | None = None
    lacking: tuple[Floats, Floats] | None = None
    overlap: tuple[Floats, Floats] | None = None

    @property
    def dissipation(self) -> Floats:
        """Of all foils and links at 0 Hz, in squares of the reference, shape (r, r)."""
        links: Floats = (self.link_basis.T * self.system.stack.ohmic) @ self.link_basis
        return links + sum(foil.weight * foil.dissipation for foil in self.foils)

    @property
    def _each(self) -> tuple[float, ...]:
        return self.thickness if isinstance(self.thickness, tuple) else (self.thickness,)

    def sheets(self, frequency: float, *, between: bool = False) -> Complexes:
        """Impedance of every foil to the whole current of its faces, or to their difference, ohm per square."""
        return np.array([face_impedances(t, frequency, self.temperature)[int(between)] for t in self._each])

    @property
    def small(self) -> Small:
        """All equations in the basis."""
        return Small(self.system, self.foils, self.link_basis, self.correction)

    @cached_property
    def passing(self) -> Inductive:
        """Induction where flux passes through the thickness of the foils, in the basis."""
        plain = Inductive(self.induction, self.drive, self.system.inductance)
        return self.magnetized.beside(plain, self.magnetized_thickness)

    @property
    def magnetized_thickness(self) -> float:
        """Thickness of the reference, metres."""
        return float(self._each[0] * self.system.stack.weights[0])

    def answer(self, w: float, sheets: Sequence[complex]) -> Complexes:
        """Coefficients of the basis per ampere of every loop where foils have these impedances, shape (r, loops)."""
        matrix, driven, _ = self.small.equations(w, sheets, self.passing)
        return -np.linalg.solve(matrix, driven).astype(np.complex128)

    def of_foils(self, frequency: float, *, between: bool = False) -> list[complex]:
        """Impedances of all foils, as `sheets`; traces have no two faces."""
        sheets = self.sheets(frequency, between=between)
        return [0j if between and foil.level < 0 else complex(sheets[foil.number]) for foil in self.foils]

    def reduced(self, frequency: float) -> Complexes:
        """Coefficients of the basis per ampere of every loop, shape (r, loops)."""
        if frequency == 0:
            return np.zeros(self.drive.shape, dtype=np.complex128)
        return self.answer(2 * np.pi * frequency, self.of_foils(frequency))

    def impedance(self, frequency: float) -> Complexes:
        """Impedance matrix of the loops in ohm, shape (loops, loops); of two meshes it is what both lead to."""
        if self.coarse is not None:
            return self.led_to(*(each.impedance(frequency) for each in self.both))
        w = 2 * np.pi * frequency
        Z = self.small.impedance(w, self.of_foils(frequency), self.passing)
        if frequency > 0:
            Z = Z + self.small.between_faces(w, self.of_foils(frequency, between=True), self.passing)
        symmetric: Complexes = 0.5 * (Z + Z.T)
        return symmetric

    @cached_property
    def slow_inductance(self) -> Floats:
        """Inductance matrix of the loops at the low end, henry, shape (loops, loops)."""
        if self.coarse is not None:
            return np.real(self.led_to(*(each.slow_inductance for each in self.both)))
        return self.small.slow_inductance(self._each, self.passing)

    @cached_property
    def high_inductance(self) -> Floats:
        """Inductance matrix at infinite frequency in henry, shape (loops, loops)."""
        if self.coarse is not None:
            return np.real(self.led_to(*(each.high_inductance for each in self.both)))
        matrix = self.system.inductance - self.drive.T @ np.linalg.solve(self.induction, self.drive)
        symmetric: Floats = 0.5 * (matrix + matrix.T)
        return symmetric

    @property
    def expelled(self) -> Floats:
        """Coefficients of the basis at infinite frequency, shape (r, loops): the field is expelled."""
        return -np.linalg.solve(self.induction, self.drive).astype(np.float64)

    def without_operators(self) -> Broadband:
        """The same without what only solving needs: it would be most of the memory."""
        return replace(self, system=replace(self.system, panels=None))

    @property
    def compared(self) -> Broadband:
        """The same on the coarser mesh; `ValueError` where there is none, since nothing is known of the mesh then."""
        if self.coarse is None:
            message = "This model was solved on one mesh only, so what the mesh leaves uncertain is not known."
            raise ValueError(message)
        return self.coarse

    @cached_property
    def both(self) -> tuple[Broadband, Broadband]:
        """Each mesh alone: the finer one, and the coarser one with the same copper."""
        return replace(self, coarse=None), replace(
            self.compared, thickness=self.thickness, temperature=self.temperature
        )

    @cached_property
    def missing(self) -> float:
        """As much of the difference of two meshes as leaves resistances and inductances positive at all frequencies."""
        fine, coarse = self.both
        pairs = [(fine.impedance(f).real, coarse.impedance(f).real) for f in np.geomspace(10.0, HIGH, PASSIVE)]
        return min(two_meshes.missing(*pair) for pair in [*pairs, (fine.high_inductance, coarse.high_inductance)])

    def led_to(self, fine: NDArray[Any], coarse: NDArray[Any]) -> Complexes:
        """What a quantity on both meshes leads to."""
        led: Complexes = fine + self.missing * (fine - coarse)
        return led

    def doubt(self, frequency: float) -> Floats:
        """
        What mesh and basis leave uncertain of every impedance, ohm, shape (loops, loops); an estimate.

        Of the mesh a part of what two meshes differ by; see `two_meshes`.
        """
        fine, coarse = (each.impedance(frequency) for each in self.both)
        return two_meshes.half_widths(np.abs(fine - coarse), self._overlap(frequency)) + self.unreduced(frequency)

    @cached_property
    def inductance_doubt(self) -> Floats:
        """What mesh and basis leave uncertain of `high_inductance`, henry, shape (loops, loops); see `doubt`."""
        fine, coarse = (each.high_inductance for each in self.both)
        return two_meshes.half_widths(np.abs(fine - coarse), self._overlap(HIGH)) + self.unreduced(HIGH) / (
            2 * np.pi * HIGH
        )

    def _overlap(self, frequency: float) -> Floats:
        if self.overlap is None:
            return np.ones(self.correction.shape)
        at, every = self.overlap
        # The larger of both neighbours.
        above = int(np.clip(np.searchsorted(at, frequency), 1, len(at) - 1))
        larger: Floats = np.maximum(every[above - 1], every[above])
        return larger

    def unreduced(self, frequency: float) -> Floats:
        """
        What the reduced model leaves uncertain of every impedance, ohm, shape (loops, loops).

        An error is the product of two residuals through the inverse of the equations: at most the root of the product
        of the loops' own.
        """
        if frequency == 0 or self.lacking is None:
            return np.zeros(self.correction.shape)
        at, own = self.lacking
        # With another sheet resistance fields are those of another frequency.
        part = float(abs(self.sheets(0.0)[0])) / self.solved_sheet
        logs = [np.interp(np.log(frequency / part), np.log(at), np.log(np.maximum(e, TINY))) for e in own.T]
        root = np.sqrt(part * np.exp(logs) * max(1.0, frequency / part / at[-1]))
        # Far boxes talk in single precision.
        inductive = np.sqrt(2 * np.pi * frequency * ROUNDING * np.abs(np.diag(self.system.inductance)))
        both: Floats = np.outer(root, root) + np.outer(inductive, inductive)
        return both

    def link_currents(self, frequency: float) -> Complexes:
        """Current from the first to the second contact of every link per ampere of every loop, (links, loops)."""
        through: Complexes = self.system.link_current + self.link_basis @ self.reduced(frequency)
        return through

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


def paired(fine: Broadband, coarse: Broadband) -> Broadband:
    """
    Model of two meshes, the first with edges of half the length: its impedances are what both lead to.

    Where their fields differ tells how much of two loops' errors can meet in a transfer.
    """
    at = np.geomspace(OVERLAP_LOWEST, HIGH, OVERLAPS)
    mesh = fine.system.space.mesh
    overlap = [two_meshes.overlap(fine.current(f), coarse.current(f), mesh.areas) for f in at]
    coarse = replace(coarse, system=replace(coarse.system, panels=None))
    return replace(fine, coarse=coarse, overlap=(at, np.array(overlap)))


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
    band = np.geomspace(options.lowest, options.highest, 61)
    shifts: list[tuple[float, int]] = []
    error = np.inf

    def model() -> Broadband:
        return Broadband(
            system, basis.vectors, *basis.projections, thicknesses, temperature, correction, tuple(shifts), error
        )

    def impedances() -> Complexes:
        now = model()
        return np.array([_of_loops(now.impedance(f), system, f) for f in band])

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
    result = replace(
        model(), lacking=lacking(model(), basis, preconditioner, (options.lowest, options.highest)), solved_sheet=sheet0
    )
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
        np.where(rough, max(options.residual, DISPLACED), options.residual),
        (x[:, some], made[:, some]),
    )


def _change(before: Complexes, after: Complexes) -> float:
    """Largest change of an impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj) if larger."""
    own = np.sqrt(np.abs(np.einsum("fii->fi", after)))
    scale = np.maximum(np.abs(after), 0.01 * own[:, :, None] * own[:, None, :])
    return float(np.max(np.abs(after - before) / scale))
