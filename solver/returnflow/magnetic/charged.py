"""The reduced model with the dielectric between facing coppers: the resonances of planes are its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, hstack

from returnflow.magnetic.broadband import HIGH, Broadband, Thinning  # noqa: F401  the last a type
from returnflow.magnetic.displacement import closed
from returnflow.magnetic.equations import System

# The fields inherited are documented here as well, and their types looked up here.
from returnflow.magnetic.faces import Magnetized, Projected  # noqa: F401

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Charged(Broadband):
    """
    Reduced model whose displacement currents are what the dielectric makes of them.

    To who looks at its fields they are the last coordinates of the basis. Its impedances close the ports of the model
    that has them as loops: there all is smooth over frequency, and what two meshes lead to is taken there.

    Attributes
    ----------
    ports : Broadband
        With displacement currents as loops behind the others.
    elastance : array of complex, shape (ports, ports)
        1/F.
    """

    ports: Broadband = field(kw_only=True)
    elastance: Complexes = field(kw_only=True)

    @classmethod
    def of(cls, ports: Broadband) -> Charged:
        """Model of the loops alone, from one with displacement currents as loops behind them."""
        system, elastance = ports.system, ports.system.elastance
        if elastance is None:
            message = "This model has no displacement currents to close."
            raise ValueError(message)
        loops = system.loops
        more = len(elastance) - loops
        rows, columns = ports.basis.shape
        basis = np.zeros((rows + more, columns + more))
        basis[:rows, :columns], basis[rows:, columns:] = ports.basis, np.eye(more)
        values = {name: getattr(ports, name) for name in Broadband.__dataclass_fields__}
        values |= {
            "system": _loops_alone(system, loops),
            "basis": basis,
            "drive": ports.drive[:, :loops],
            "correction": ports.correction[:loops, :loops],
            "coarse": None if ports.coarse is None else cls.of(ports.coarse),
        }
        return cls(**values, ports=ports, elastance=elastance)

    @cached_property
    def open(self) -> Broadband:
        """The model with displacement currents as loops, of copper as thick and as warm as this."""
        ports = self.ports if self.coarse is not None else replace(self.ports, coarse=None)
        return replace(ports, thickness=self.thickness, temperature=self.temperature)

    def without_operators(self) -> Charged:
        """The same without what only solving needs."""
        system = replace(self.system, panels=None)
        return replace(self, system=system, ports=self.ports.without_operators())

    def driven(self, frequency: float) -> Complexes:
        """Currents in all ports per ampere of every loop, shape (ports, loops); none is displaced at 0 Hz."""
        loops = self.system.loops
        result = np.eye(len(self.elastance), loops, dtype=np.complex128)
        if frequency > 0:
            result[loops:] = closed(self.open.impedance(frequency), self.elastance, frequency, loops)[1]
        return result

    def impedance(self, frequency: float) -> Complexes:
        """Impedance matrix of the loops in ohm, shape (loops, loops)."""
        if frequency > 0:
            one: Complexes = self.impedances([frequency])[0]
            return one
        loops = self.system.loops
        return self.open.impedance(0.0)[:loops, :loops]

    def impedances(self, frequencies: Sequence[float] | Floats) -> Complexes:
        """Impedance matrices at many frequencies above 0 Hz, shape (frequencies, loops, loops)."""
        every = zip(self.open.impedances(frequencies), frequencies, strict=True)
        return np.array([closed(Z, self.elastance, float(f), self.system.loops)[0] for Z, f in every])

    def reduced(self, frequency: float) -> Complexes:
        """Coefficients of the basis per ampere of every loop, displacement currents last, shape (r, loops)."""
        driven = self.driven(frequency)
        return np.vstack([self.open.reduced(frequency) @ driven, driven[self.system.loops :]])

    def link_currents(self, frequency: float) -> Complexes:
        """Current from the first to the second contact of every link per ampere of every loop, (links, loops)."""
        through: Complexes = self.open.link_currents(frequency) @ self.driven(frequency)
        return through

    @property
    def slow_inductance(self) -> Floats:
        """Inductance matrix of the loops at the low end, henry: nothing is displaced there."""
        return self._of_loops(self.open.slow_inductance)

    @property
    def high_inductance(self) -> Floats:
        """Inductance matrix where the field is expelled and nothing displaced, henry."""
        return self._of_loops(self.open.high_inductance)

    @property
    def inductance_doubt(self) -> Floats:
        """What mesh and basis leave uncertain of `high_inductance`, henry."""
        return self._of_loops(self.open.inductance_doubt) + self.thinned(HIGH) / (2 * np.pi * HIGH)

    def _of_loops(self, values: Floats) -> Floats:
        loops = self.system.loops
        return values[:loops, :loops]

    @property
    def expelled(self) -> Floats:
        """Coefficients of the basis where the field is expelled and nothing displaced, shape (r, loops)."""
        loops = self.system.loops
        alone = self.open.expelled[:, :loops]
        return np.vstack([alone, np.zeros((len(self.elastance) - loops, loops))])

    @property
    def missing(self) -> float:
        """Part of the difference of two meshes that is added: that of all ports."""
        return self.open.missing

    def lines(self, frequencies: Floats) -> Complexes:
        """Impedances at many lines above 0 Hz: only those of the open ports may be interpolated."""
        every = zip(self.open.lines(frequencies), frequencies.tolist(), strict=True)
        return np.array([closed(Z, self.elastance, f, self.system.loops)[0] for Z, f in every])

    def many(self, frequencies: Floats) -> tuple[Complexes, Floats]:
        """Impedances as `lines` has them, and what is uncertain of them, ohm."""
        ports, doubts = self.open.many(frequencies)
        loops = self.system.loops
        Z, seen = [], []
        for f, port, doubt in zip(frequencies.tolist(), ports, doubts, strict=True):
            own, displaced = closed(port, self.elastance, f, loops)
            Z.append(own)
            size = np.abs(np.vstack([np.eye(loops), displaced]))
            seen.append(size.T @ doubt @ size + self.thinned(f))
        shape = (len(frequencies), loops, loops)
        return np.array(Z, dtype=np.complex128).reshape(shape), np.array(seen).reshape(shape)

    def doubt(self, frequency: float) -> Floats:
        """What mesh and basis leave uncertain of every impedance, ohm: that of all ports, as the loops see it."""
        return self._seen(self.open.doubt(frequency), frequency) + self.thinned(frequency)

    def unreduced(self, frequency: float) -> Floats:
        """What the reduced model leaves uncertain of every impedance, ohm, as the loops see it."""
        return self._seen(self.open.unreduced(frequency), frequency)

    def _seen(self, doubt: Floats, frequency: float) -> Floats:
        size = np.abs(self.driven(frequency))
        # To first order an error of the ports is seen by the currents on both sides of it.
        seen: Floats = size.T @ doubt @ size
        return seen


def _loops_alone(system: System, loops: int) -> System:
    """Loops of a system, with the displacement currents as its last unknowns for who looks at fields."""
    size = 3 * len(system.space.mesh.triangles)
    locals_ = csr_array(system.stream[loops:].reshape(-1, size).T)
    curls = [csr_array(hstack([part, csr_array(system.currents[c][:, loops:])])) for c, part in enumerate(system.curl)]
    return replace(
        system,
        to_local=csr_array(hstack([system.to_local, locals_])),
        curl=(curls[0], curls[1]),
        currents=system.currents[:, :, :loops],
        resistance=system.resistance[:loops, :loops],
        drive=system.drive[:, :loops],
        inductance=system.inductance[:loops, :loops],
        stream=system.stream[:loops],
        link_current=system.link_current[:, :loops],
        side=system.side[:, :loops],
    )
