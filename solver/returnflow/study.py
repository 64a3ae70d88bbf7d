"""Run a case: mesh, solve, and collect every number the reviewer asked for."""

from __future__ import annotations

import importlib.metadata
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow import coupling, frequency, verdict
from returnflow.broadband import Broadband
from returnflow.conduction import SMALL, Conduction, Options, solve
from returnflow.conductors import Conductors, copper_numbers
from returnflow.coupling import Peak
from returnflow.frequency import LoopFacts
from returnflow.spectra import lines_of
from returnflow.verdict import Budget, Coupled
from returnflow_geometry.board import Case, Loop
from returnflow_geometry.mesh import Mesh, Plane

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Report = Callable[[str], None]

AS_DRAWN = "as drawn"


@dataclass(frozen=True, kw_only=True)
class Placement:
    """
    Where the inject end of a sensitive loop may sit.

    Attributes
    ----------
    rms, worst : array, shape (unknowns,)
        Noise relative to the loop's return terminal, V. NaN on unconnected copper.
    area : float
        Copper on which `rms` is within the limit, m².
    radius : float
        Everywhere within this distance of the return terminal's centre `rms` is within the limit, m.
    nearest : (x, y) or None
        Place within the limit that is nearest to the present inject terminal, m. It may lie on a narrow ribbon
        of equal potential, which any change of the currents moves; `radius` is the robust figure.
    """

    rms: Floats
    worst: Floats
    area: float
    radius: float
    nearest: tuple[float, float] | None


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
        Share of the return within three heights of the route; NaN for loops without one.
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
    seconds: dict[str, float] = field(default_factory=dict)

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

    def on(self, copper: int) -> Result:
        """The same result, for pictures of another copper (by its number in `conductors`); fields are its own."""
        return replace(self, focus=copper, solution=self.whole.on(copper), whole=self.whole)

    def rows(self, mesh: Mesh) -> Ints:
        """Triangles of a mesh of all coppers that lie on the copper that pictures show."""
        return np.flatnonzero(copper_numbers(mesh) == self.focus)

    def index(self, loop: str) -> int:
        """Row of a loop in every matrix; KeyError if there is none of that name."""
        try:
            return self.loop_names.index(loop)
        except ValueError:
            raise KeyError(loop) from None

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


@dataclass(frozen=True, kw_only=True)
class Study:
    """Results of a case by variant name; `study["as drawn"]`."""

    case: Case
    variants: dict[str, Result]
    versions: dict[str, str]

    def __getitem__(self, name: str) -> Result:
        """Result of the variant of that name."""
        return self.variants[name]

    @cached_property
    def exceeded(self) -> tuple[str, ...]:
        """Names of the loops whose limit is not kept (or not known to be) in any variant."""
        return tuple(
            item.loop
            for result in self.variants.values()
            for item in (*result.sensitive, *result.cables)
            if item.verdict != "kept"
        )


def run(case: Case, options: Options | None = None, report: Report | None = None) -> Study:
    """
    Solve a case.

    Parameters
    ----------
    case : Case
        From `read_case`.
    options : Options, optional
        By default with the accuracy of the case.
    report : function of one string, optional
        Called with a line of progress now and then.

    Raises
    ------
    NumericalError, MeshError
        If the accuracy is not reached or the copper cannot be meshed; the message says why.
    """
    options = options or Options(accuracy=case.accuracy)
    return Study(case=case, variants={AS_DRAWN: _solve_variant(AS_DRAWN, case, options, report)}, versions=versions())


def versions() -> dict[str, str]:
    """Versions of the program and of the libraries its numbers rest on."""
    names = ("returnflow", "numpy", "scipy", "scikit-fem", "shapely", "pythoncdt")
    found = {"python": platform.python_version()}
    for name in names:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found


def _solve_variant(name: str, case: Case, options: Options, report: Report | None) -> Result:
    begin = time.perf_counter()
    conductors = Conductors.of(case)
    loops = conductors.ends(case)
    solution = solve(conductors, loops, None, options, report, [loop.name for loop in case.loops])
    after = time.perf_counter()

    spectral = None
    if frequency.wants_frequencies(case):
        spectral = _spectral(case, conductors, loops, solution, report)
    broad = time.perf_counter()

    noisy = [(j, loop) for j, loop in enumerate(case.loops) if loop.role == "noisy"]
    budgets: dict[str, list[Budget]] = {"sensitive": [], "cables": []}
    placements: dict[str, Placement] = {}
    for i, loop in enumerate(case.loops):
        limit = {"sensitive": loop.tolerates, "cables": loop.limit}.get(loop.role)
        if limit is None:
            continue
        sums = verdict.budget(loop, limit, [_coupled(solution, spectral, i, j, other) for j, other in noisy])
        if loop.role == "sensitive":
            placements[loop.name] = _placement(case, conductors, solution, i, noisy)
            sentence = verdict.recommend(case, loop, sums, _reach(case, loop, placements[loop.name]))
            sums = replace(sums, recommendation=sentence)
        budgets[loop.role].append(sums)
    # The copper on which most loops end is the one to look at first.
    focus = int(np.argmax(np.bincount(conductors.copper_of_contact[np.array(loops)].ravel())))
    result = Result(
        name=name,
        case=case,
        conductors=conductors,
        focus=focus,
        solution=solution.on(focus),
        whole=solution,
        shares=coupling.region_shares(solution, conductors.contact_inside()),
        sections=coupling.section_currents(solution),
        peaks=_peaks(solution, len(conductors.names)),
        sensitive=tuple(budgets["sensitive"]),
        cables=tuple(budgets["cables"]),
        placements=placements,
        cautions=tuple(verdict.frequency_cautions(case, conductors.reference)),
        frequencies=case.frequencies,
        spectral=spectral,
    )
    end = time.perf_counter()
    parts = {"frequencies": broad - after, "evaluation": end - broad, "total": end - begin}
    result.seconds.update(solution.seconds | parts)
    return result


def _spectral(
    case: Case, conductors: Conductors, loops: list[tuple[int, int]], solution: Conduction, report: Report | None
) -> Spectral:
    model = frequency.solve_broadband(case, conductors, loops, solution.mid, report=report)
    facing = frequency.faced(case, conductors)
    solid = None
    crossed = {(conductors.names[item.copper], name) for item in facing for name in item.gaps}
    if crossed:
        if report:
            report("once more without the gaps that routes cross")
        kept = tuple(cutout for cutout in case.board.cutouts if (cutout.copper, cutout.name) not in crossed)
        bare = replace(case, board=replace(case.board, cutouts=kept), regions=(), sections=())
        solid = frequency.solve_expelled(bare, Conductors.of(bare), loops, report)
    inside = conductors.contact_inside()
    shares, sections = frequency.traffic(model, loops, inside, case.frequencies)
    if 0.0 in case.frequencies:
        # The resistive solution is the more accurate one there.
        at = case.frequencies.index(0.0)
        shares[at], sections[at] = coupling.region_shares(solution, inside), coupling.section_currents(solution)
    near = np.full((len(case.frequencies), len(case.loops)), np.nan, dtype=complex)
    for j, item in enumerate(facing):
        if item.route is not None and item.route.height:
            mine = frequency.among(model, conductors, item.copper)
            near[:, j] = frequency.near_shares(model, item.route, j, case.frequencies, among=mine)
    facts = frequency.loop_facts(conductors, model, solid, facing)
    return Spectral(model=model, facts=facts, shares=shares, sections=sections, near=near)


def _peaks(solution: Conduction, coppers: int) -> tuple[Peak, ...]:
    """Largest sheet current of every loop, on whichever copper it is."""
    every = range(len(solution.loops))
    each = [coupling.peak_currents(solution.on(n), every) for n in range(coppers)]
    return tuple(
        max((replace(peaks[j], copper=n) for n, peaks in enumerate(each)), key=lambda peak: peak.value) for j in every
    )


def _coupled(solution: Conduction, spectral: Spectral | None, i: int, j: int, loop: Loop) -> Coupled:
    """Transfer impedance of one pair at every line of the noisy loop, and how well it is known."""
    lines = lines_of(loop)
    transfer, half_width = float(solution.mid[i, j]), float(solution.half_width[i, j])
    impedance = np.full(len(lines.frequency), transfer, dtype=complex)
    doubt = np.full(len(lines.frequency), half_width)
    if spectral is not None and not lines.anywhere:
        model = spectral.model
        own = verdict.MESH_ACCURACY + model.error
        for n, f in enumerate(lines.frequency):
            if f > 0:
                skin = model.sheets(float(f))[0] / solution.sheet
                Z = model.impedance(float(f))
                impedance[n] = Z[i, j]
                # Weak couplings are known to a fraction of the loops' own impedances only, as their resistances are.
                floor = SMALL * float(np.sqrt(abs(Z[i, i]) * abs(Z[j, j])))
                doubt[n] = half_width * abs(skin) + own * max(abs(Z[i, j] - skin * transfer), floor)
    return Coupled(loop=loop, lines=lines, transfer=transfer, half_width=half_width, impedance=impedance, doubt=doubt)


def _placement(
    case: Case, conductors: Conductors, whole: Conduction, i: int, noisy: list[tuple[int, Loop]]
) -> Placement:
    victim, ends = case.loops[i], whole.loops[i]
    solution = whole.on(int(conductors.copper_of_contact[ends[0]]))
    heard = [(j, lines, verdict.band_mask(lines, victim)) for j, lines in ((j, lines_of(loop)) for j, loop in noisy)]
    counted = [(j, float(np.sqrt(np.sum(lines.current[mask] ** 2)))) for j, lines, mask in heard if mask.any()]
    loops = np.array([j for j, _ in counted], dtype=np.int64)
    currents = np.array([current for _, current in counted])
    rms, worst = coupling.placement_noise(solution, ends[1], loops, currents)
    limit = victim.tolerates or 0.0
    here, connector = (np.array(case.board.terminal(name).centre) for name in (victim.inject, victim.return_))
    good = np.flatnonzero(rms <= limit)
    nearest = None
    if len(good):
        places = coupling.unknown_places(solution)[good]
        x, y = places[np.argmin(np.hypot(*(places - here).T))]
        nearest = (float(x), float(y))
    return Placement(
        rms=rms,
        worst=worst,
        area=coupling.placement_area(solution, ends[1], loops, currents, limit),
        radius=coupling.placement_radius(solution, rms, limit, connector),
        nearest=nearest,
    )


def _reach(case: Case, loop: Loop, placement: Placement) -> str:
    """Sentence on how near the inject end would have to be."""
    (x0, y0), (x1, y1) = case.board.terminal(loop.return_).centre, case.board.terminal(loop.inject).centre
    now = np.hypot(x1 - x0, y1 - y0)
    sentence = (
        f"With these currents {loop.inject} may sit anywhere within {1e3 * placement.radius:.2g} mm of {loop.return_} "
        f"(now {1e3 * now:.1f} mm away)"
    )
    spare = placement.area - _copper_within(case, loop, placement.radius)
    if placement.nearest is None or spare < 1e-6:
        return f"{sentence}, and practically nowhere else on this copper."
    x, y = placement.nearest
    return (
        f"{sentence}. Another {1e6 * spare:.0f} mm² lie within tolerance, nearest to {loop.inject} at ({1e3 * x:.1f}, "
        f"{1e3 * y:.1f}) mm; see the placement map: a narrow ribbon of equal potential moves with the currents."
    )


def _copper_within(case: Case, loop: Loop, radius: float) -> float:
    """Copper in m² within a radius of a loop's return terminal, contacts left out."""
    board, terminal = case.board, case.board.terminal(loop.return_)
    disc = shapely.Point(terminal.centre).buffer(radius, quad_segs=32)
    contacts = [other.shape for other in board.terminals if other.copper == terminal.copper]
    copper = shapely.intersection(board.remaining(terminal.copper), disc)
    return float(shapely.difference(copper, shapely.union_all(contacts)).area)
