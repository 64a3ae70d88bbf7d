"""One reduced model for all frequencies: sheet currents from DC to where they hug the outgoing conductor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic import one_mesh, two_meshes
from returnflow.magnetic.decades import by_decades
from returnflow.magnetic.equations import System
from returnflow.magnetic.faces import Inductive, Magnetized, Projected, Small
from returnflow.magnetic.thinning import Thinned
from returnflow.resistive.foil import face_impedances

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

TINY = 1e-30  # ohm
ROUNDING = 1e-6  # of the loops' own reactances
HIGH = 1e9  # Hz; the field is expelled
PASSIVE = 13  # frequencies at which what two meshes lead to is kept positive


@dataclass(frozen=True)
class Thinning:
    """
    What a model on a thinned case needs to speak of the whole one.

    Attributes
    ----------
    made : Thinned
    loops : tuple of (int, int)
        By the contacts of the thinned case.
    inside : array of bool, shape (regions, contacts)
        Its contacts inside regions.
    plainer : Broadband
        Model on the coarser mesh of a case thinned more: the difference tells what thinning leaves uncertain.
    """

    made: Thinned
    loops: tuple[tuple[int, int], ...]
    inside: NDArray[np.bool_]
    plainer: Broadband


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
    lacking : (array of frequencies, array (frequencies, loops, loops))
        What the basis lacks: how far every impedance is off, ohm, from the residuals.
    overlap : (array of frequencies, array (frequencies, loops, loops))
        How far the errors of two loops' fields lie in the same place at rims, 0 to 1; see `two_meshes`.
    uneven : (array of frequencies, array (frequencies, loops, loops))
        How uneven two loops' currents are in the same places, henry, where there is one mesh only; see `one_mesh`.
    thinning : Thinning or None
        Where small holes and far vias are not as in the case.
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
    uneven: tuple[Floats, Floats] | None = None
    thinning: Thinning | None = None

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
        if frequency > 0:
            one: Complexes = self.impedances([frequency])[0]
            return one
        if self.coarse is not None:
            return self.led_to(*(each.impedance(0.0) for each in self.both))
        return _symmetric(self.small.impedance(0.0, self.of_foils(0.0), self.passing))

    def impedances(self, frequencies: Sequence[float] | Floats) -> Complexes:
        """Impedance matrices at many frequencies above 0 Hz, shape (frequencies, loops, loops)."""
        if self.coarse is not None:
            return self.led_to(*(each.impedances(frequencies) for each in self.both))
        w = 2 * np.pi * np.asarray(frequencies)
        whole, halves = (
            [*np.transpose([self.of_foils(float(f), between=between) for f in frequencies])]
            for between in (False, True)
        )
        Z = self.small.impedance(w, whole, self.passing)
        return _symmetric(Z + self.small.between_faces(w, halves, self.passing))

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
    def meshes(self) -> tuple[Broadband, ...]:
        """Each mesh alone, with the same copper: the finer one, and the coarser one if there is one."""
        return (self,) if self.coarse is None else self.both

    @cached_property
    def both(self) -> tuple[Broadband, Broadband]:
        """The finer and the coarser mesh alone, with the same copper; `ValueError` where there is one only."""
        if self.coarse is None:
            message = "This model was solved on one mesh only, so no other mesh is there to compare it with."
            raise ValueError(message)
        return replace(self, coarse=None), replace(self.coarse, thickness=self.thickness, temperature=self.temperature)

    @cached_property
    def missing(self) -> float:
        """As much of the difference of two meshes as leaves resistances and inductances positive at all frequencies."""
        fine, coarse = self.both
        pairs = zip(*(each.impedances(np.geomspace(10.0, HIGH, PASSIVE)).real for each in self.both), strict=True)
        return min(two_meshes.missing(*pair) for pair in [*pairs, (fine.high_inductance, coarse.high_inductance)])

    def led_to(self, fine: NDArray[Any], coarse: NDArray[Any]) -> Complexes:
        """What a quantity on both meshes leads to."""
        led: Complexes = fine + self.missing * (fine - coarse)
        return led

    def many(self, frequencies: Floats) -> tuple[Complexes, Floats]:
        """Impedances as `lines` has them, and what is uncertain of them, ohm, (frequencies, loops, loops) both."""
        every = [each.lines(frequencies) for each in self.meshes]
        thin = np.zeros_like(every[-1]) if self.thinning is None else every[-1] - self._plainer.lines(frequencies)
        doubts = [self._doubt(f, Z, change) for f, *Z, change in zip(frequencies.tolist(), *every, thin, strict=True)]
        led = every[0] if self.coarse is None else self.led_to(*every)
        return led, np.array(doubts).reshape(led.shape)

    def lines(self, frequencies: Floats) -> Complexes:
        """Impedances at many lines above 0 Hz, interpolated where there are more of them than their shape needs."""
        if self.coarse is not None:
            return self.led_to(*(each.lines(frequencies) for each in self.both))
        if np.any(self.system.stack.links.elastance):  # resonances of any width
            return self.impedances(frequencies)
        return by_decades(self.impedances, frequencies, self._decades)

    @cached_property
    def _decades(self) -> dict[int, Complexes]:
        return {}

    def doubt(self, frequency: float) -> Floats:
        """
        What mesh and basis leave uncertain of every impedance, ohm, shape (loops, loops); an estimate.

        Of the mesh a part of what two meshes differ by, see `two_meshes`; or what one alone tells, see `one_mesh`.
        """
        every = [each.impedance(frequency) for each in self.meshes]
        thin = np.zeros_like(every[-1]) if self.thinning is None else every[-1] - self._plainer.impedance(frequency)
        return self._doubt(frequency, every, thin)

    def _doubt(self, frequency: float, every: Sequence[Complexes], thin: Complexes) -> Floats:
        """Of impedances on every mesh, the finer one first."""
        if self.coarse is None:
            half = one_mesh.half_widths(2 * np.pi * frequency * self._uneven(frequency), every[0])
        else:
            fine, coarse = every
            half = two_meshes.half_widths(np.abs(fine - coarse), self._overlap(frequency))
        whole: Floats = half + self.unreduced(frequency) + self._holes(frequency, thin)
        return whole

    def thinned(self, frequency: float) -> Floats:
        """
        What thinning leaves uncertain of every impedance, ohm, shape (loops, loops).

        That is what thinning more changes, and what filled holes would add at most by estimate.
        """
        if self.thinning is None or frequency == 0:
            return np.zeros(self.correction.shape)
        return self._holes(frequency, self.meshes[-1].impedance(frequency) - self._plainer.impedance(frequency))

    def _holes(self, frequency: float, change: Complexes) -> Floats:
        """What thinning leaves uncertain, where thinning more makes such a change."""
        if self.thinning is None or frequency == 0:
            return np.zeros(self.correction.shape)
        root = np.sqrt(2 * np.pi * frequency * self.thinning.made.added)
        whole: Floats = np.abs(change) + np.outer(root, root)
        return whole

    @cached_property
    def _plainer(self) -> Broadband:
        """Model of the case thinned more, of copper as thick and as warm as this."""
        if self.thinning is None:
            message = "This model is of the case as it is; nothing of it was thinned."
            raise ValueError(message)
        return replace(self.thinning.plainer, thickness=self.thickness, temperature=self.temperature)

    @cached_property
    def inductance_doubt(self) -> Floats:
        """What mesh and basis leave uncertain of `high_inductance`, henry, shape (loops, loops); see `doubt`."""
        rest = (self.unreduced(HIGH) + self.thinned(HIGH)) / (2 * np.pi * HIGH)
        if self.coarse is None:
            return one_mesh.half_widths(self._uneven(HIGH), 1j * self.high_inductance) + rest
        fine, coarse = (each.high_inductance for each in self.both)
        return two_meshes.half_widths(np.abs(fine - coarse), self._overlap(HIGH)) + rest

    def _overlap(self, frequency: float) -> Floats:
        if self.overlap is None:
            return np.ones(self.correction.shape)
        return _larger(self.overlap, frequency)

    def _uneven(self, frequency: float) -> Floats:
        if self.uneven is None:
            message = "This model was solved on one mesh only, so what the mesh leaves uncertain is not known."
            raise ValueError(message)
        return _larger(self.uneven, frequency)

    def unreduced(self, frequency: float) -> Floats:
        """
        What the reduced model leaves uncertain of every impedance, ohm, shape (loops, loops).

        An error is the product of two residuals through the inverse of the equations: see `lacking`.
        """
        if frequency == 0 or self.lacking is None:
            return np.zeros(self.correction.shape)
        at, own = self.lacking
        # With another sheet resistance fields are those of another frequency.
        part = float(abs(self.sheets(0.0)[0])) / self.solved_sheet
        flat = np.log(np.maximum(own, TINY)).reshape(len(at), -1)
        logs = np.array([np.interp(np.log(frequency / part), np.log(at), column) for column in flat.T])
        lacks = part * np.exp(logs).reshape(own.shape[1:]) * max(1.0, frequency / part / at[-1])
        # Far boxes talk in single precision.
        inductive = np.sqrt(2 * np.pi * frequency * ROUNDING * np.abs(np.diag(self.system.inductance)))
        both: Floats = lacks + np.outer(inductive, inductive)
        return both

    def link_currents(self, frequency: float) -> Complexes:
        """Current from the first to the second contact of every link per ampere of every loop, (links, loops)."""
        through: Complexes = self.system.link_current + self.link_basis @ self.reduced(frequency)
        return through

    def through(self, names: Sequence[str], frequency: float) -> Complexes:
        """
        Current from the first to the second contact of links per ampere of every loop, shape (names, loops).

        Of vias that are taken together every one has its share by resistance. Not known, and nan, of other links.
        """
        currents = self.link_currents(frequency)
        row = {name: n for n, name in enumerate(self.system.stack.links.names)}
        joined = {} if self.thinning is None else self.thinning.made.joined
        result = np.full((len(names), currents.shape[1]), np.nan + 0j)
        for n, name in enumerate(names):
            one, share = joined.get(name, (name, 1.0))
            if one in row:
                result[n] = share * currents[row[one]]
        return result

    def current(self, frequency: float) -> Complexes:
        """Sheet current per ampere of every loop at every triangle, shape (2, m, loops), A/m."""
        y = self.reduced(frequency)
        # The basis is long: in two real parts it is not copied.
        current: Complexes = self.system.currents.astype(np.complex128)
        for values, unit in ((y.real, 1), (y.imag, 1j)):
            added = self.basis @ values
            current += unit * np.stack([part @ added for part in self.system.curl])
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


def _larger(known: tuple[Floats, Floats], frequency: float) -> Floats:
    """The larger of what is known at both neighbours of a frequency."""
    at, every = known
    above = int(np.clip(np.searchsorted(at, frequency), 1, len(at) - 1))
    larger: Floats = np.maximum(every[above - 1], every[above])
    return larger


def _symmetric(Z: Complexes) -> Complexes:
    return 0.5 * (Z + np.swapaxes(Z, -1, -2))
