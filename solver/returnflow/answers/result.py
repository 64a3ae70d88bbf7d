"""What one variant of a case came to: fields, impedances, budgets, placements."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.budget import Budget
from returnflow.answers.coupling import Peak
from returnflow.answers.enclosure import Enclosure
from returnflow.answers.frequency import LoopFacts
from returnflow.answers.spectra import lines_of
from returnflow.answers.supplies import SupplyFacts
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.routes import Faced
from returnflow.resistive.conductors import Conductors, copper_numbers
from returnflow.resistive.solution import Conduction
from returnflow_geometry.mesh.mesher import Mesh, Plane
from returnflow_geometry.model.board import Case, Loop
from returnflow_geometry.model.wording import listed, named

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_AREA = 0.05  # of the largest copper: what is smaller is a pad or a trace, and an outline says all there is to see


@dataclass(frozen=True, kw_only=True)
class Placement:
    """
    Where the inject end of a sensitive loop may sit.

    Attributes
    ----------
    copper : str
        Name of the copper it is about: that of the inject end, or the widest one joined to it where that end stands on
        a pad or trace, which would go with it to another place.
    rms, worst : array, shape (unknowns,)
        Noise relative to the loop's return terminal, V. NaN on unconnected copper.
    area : float
        Copper on which `rms` is within the limit, m².
    radius : float
        Everywhere within this distance of the return terminal's centre `rms` is within the limit, m.
    nearest : (x, y) or None
        Place within the limit that is nearest to the present inject terminal, m. It may lie on a narrow ribbon
        of equal potential, which any change of the currents moves; `radius` is the robust figure.
    reach : str
        The same in plain words.
    """

    copper: str
    rms: Floats
    worst: Floats
    area: float
    radius: float
    nearest: tuple[float, float] | None
    reach: str = ""


@dataclass(frozen=True, kw_only=True)
class Spectral:
    """
    Everything above 0 Hz.

    Attributes
    ----------
    model : Broadband
    facts : tuple of LoopFacts, one per loop
    shares : array, shape (frequencies, regions, loops)
        Magnitudes, as `Result.shares`.
    sections : array of complex, shape (frequencies, sections, loops)
    near : array of complex, shape (frequencies, loops)
        Share of the return within three heights of the conductor; NaN for loops without one.
    """

    model: Broadband
    facts: tuple[LoopFacts, ...]
    shares: Floats
    sections: NDArray[np.complex128]
    near: NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Result:
    """
    All results of one variant of a case.

    Attributes
    ----------
    name : str
    case : Case
    conductors : Conductors
        The coppers that were solved.
    focus : int
        Number of the copper that pictures show.
    whole : Conduction
        Of all coppers.
    solution : Conduction
        Its fields on the copper that pictures show.
    shares : array, shape (regions, loops)
    sections : array, shape (sections, loops)
    peaks : tuple of Peak, one per loop, per ampere
    sensitive, cables : tuple of Budget
    placements : dict, sensitive loop name to Placement
        Resistive, with each loop's in-band rms current.
    cautions : tuple of str
    frequencies : tuple of float
        Asked for in the case, hertz.
    spectral : Spectral or None
        What frequency does; None where nothing in the case asks for more than the resistive limit.
    facing : tuple of Faced, one per loop
        Which copper its outgoing conductor faces.
    supplies : tuple of SupplyFacts
        What every supply comes to.
    enclosures : tuple of Enclosure
        What every bonded copper off the board does.
    """

    name: str
    case: Case
    conductors: Conductors
    focus: int
    whole: Conduction
    solution: Conduction
    shares: Floats
    sections: Floats
    peaks: tuple[Peak, ...]
    sensitive: tuple[Budget, ...]
    cables: tuple[Budget, ...]
    placements: dict[str, Placement]
    cautions: tuple[str, ...]
    frequencies: tuple[float, ...] = (0.0,)
    spectral: Spectral | None = None
    facing: tuple[Faced, ...] = ()
    supplies: tuple[SupplyFacts, ...] = ()
    enclosures: tuple[Enclosure, ...] = ()
    seconds: dict[str, float] = field(default_factory=dict)

    def __repr__(self) -> str:
        """One line."""
        judged = [f"{item.verdict} for {named(item.loop)}" for item in (*self.sensitive, *self.cables)]
        return f"<Result {named(self.name)}: {len(self.case.loops)} loops; limits {', '.join(judged) or 'none'}>"

    @property
    def loop_names(self) -> tuple[str, ...]:
        """Names of the loops, in the order of every matrix."""
        return tuple(loop.name for loop in self.case.loops)

    @property
    def copper(self) -> str:
        """Name of the copper that pictures show."""
        return self.conductors.names[self.focus]

    @property
    def plane(self) -> Plane:
        """What is left of that copper, and its contacts."""
        return self.conductors.planes[self.focus]

    @property
    def idle(self) -> tuple[str, ...]:
        """Names of coppers that no loop reaches, and in which what induction drives round is computed."""
        if self.spectral is None:
            return ()
        return Conductors.magnetic(self.case).names[len(self.conductors.names) :]

    def on(self, copper: int) -> Result:
        """The same result, for pictures of another copper (by its number in `conductors`); fields are its own."""
        return replace(self, focus=copper, solution=self.whole.on(copper), whole=self.whole)

    def rows(self, mesh: Mesh) -> Ints:
        """Triangles of a mesh of all coppers that lie on the copper that pictures show."""
        return np.flatnonzero(copper_numbers(mesh) == self.focus)

    def index(self, loop: str) -> int:
        """Row of a loop in every matrix; KeyError if there is none of that name."""
        if loop not in self.loop_names:
            message = f"no loop {named(loop)}; there are {listed(self.loop_names)}"
            raise KeyError(message)
        return self.loop_names.index(loop)

    def impedance(self, frequency: float = 0.0) -> NDArray[np.complex128]:
        """
        Impedance matrix of the loops in ohm, shape (loops, loops).

        Raises
        ------
        ValueError
            For a frequency above 0 if nothing in the case asked for any.
        """
        if frequency == 0:
            return self.solution.mid.astype(np.complex128)
        if self.spectral is None:
            message = (
                f"Invalid frequency {frequency} Hz. The case asks for the resistive limit only; list frequencies_Hz "
                "in [solve], or give a noisy loop a frequency."
            )
            raise ValueError(message)
        return self.spectral.model.impedance(frequency)

    def at_lines(self, loop: Loop) -> NDArray[np.complex128]:
        """Impedance matrix of the loops at every line of one of them, ohm, shape (lines, loops, loops)."""
        frequency = lines_of(loop).frequency
        steady = self.impedance()
        if self.spectral is None or not np.any(frequency > 0):
            return np.broadcast_to(steady, (len(frequency), *steady.shape))
        found = np.empty((len(frequency), *steady.shape), dtype=np.complex128)
        found[frequency == 0] = steady
        found[frequency > 0] = self.spectral.model.lines(frequency[frequency > 0])
        return found
