"""From a solved board to what the reviewer asked of it: budgets, shares, placements."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.answers import budget, coupling, frequency, undecided
from returnflow.answers.adding import Coupled
from returnflow.answers.budget import Budget
from returnflow.answers.coupling import Peak
from returnflow.answers.enclosure import enclosures
from returnflow.answers.missing import frequency_cautions, routeless, unsolved
from returnflow.answers.placing import heard_weights as heard_weights
from returnflow.answers.placing import placement_of
from returnflow.answers.radiation import radiated_budget
from returnflow.answers.result import Placement, Result, Spectral
from returnflow.answers.spectra import lines_of
from returnflow.answers.supplies import supplies
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.routes import Faced, faced
from returnflow.magnetic.solving import Expelled, solve_broadband
from returnflow.magnetic.unseen import unseen
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import REACH, Conductors
from returnflow.resistive.linear import Progress
from returnflow.resistive.solution import Conduction, Options
from returnflow_geometry.model.board import Case, Loop
from returnflow_geometry.model.numbers import percent
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
AtLines = dict[float, tuple[Complexes, Floats]]  # by frequency


@dataclass(frozen=True, kw_only=True)
class Solved:
    """
    Fields of a board, whatever the currents are.

    Attributes
    ----------
    conductors : Conductors
    solution : Conduction
        Resistive, bracketed.
    model : Broadband or None
        None where nothing asks for more than the resistive limit.
    facing : tuple of Faced
    """

    conductors: Conductors
    solution: Conduction
    model: Broadband | None
    facing: tuple[Faced, ...]
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def expelled(self) -> Expelled | None:
        """High-frequency end, if no route crosses a gap: what boards with gaps are compared with."""
        if self.model is None or any(item.gaps for item in self.facing):
            return None
        length = [frequency.mean_length(self.model, j, high=True) for j in range(len(self.model.drive.T))]
        return Expelled(inductance=self.model.high_inductance, length=np.array(length))

    def without_operators(self) -> Solved:
        """The same without what only solving needs: it would be most of the memory."""
        if self.model is None:
            return self
        return replace(self, model=self.model.without_operators())


def solve_case(
    case: Case,
    options: Options,
    progress: Progress | None = None,
    *,
    highest: float | None = None,
    alike: Sequence[Case] = (),
) -> Solved:
    """
    Solve the board of a case for all its loops.

    Parameters
    ----------
    case : Case
    options : Options
    progress : function of one string, optional
    highest : float, optional
        Hertz up to which the reduced model is to be accurate; by default as `BroadbandOptions` has it.
    alike : sequence of Case
        Others of the same board, whose limits are to be decided as well.

    Raises
    ------
    NumericalError, MeshError
        The message says why.
    """
    begin = time.perf_counter()
    case = replace(case, accuracy=options.accuracy)
    conductors = Conductors.of(case)
    loops = conductors.ends(case)
    facing = tuple(faced(case, conductors))
    above = frequency.wants_frequencies(case)
    # Whose copper is thicker or warmer has noise that is hardly another: it is for asking only.
    asked = undecided.wanted([case, *alike], lambda one, it: _every_budget(one, it, conductors.reference))
    names = [loop.name for loop in case.loops]
    solution = solve(conductors, loops, None, options, progress, names, None if above else asked)
    after = time.perf_counter()
    model = None
    if above:
        band = None if highest is None else BroadbandOptions(highest=highest)
        model = solve_broadband(case, conductors, loops, solution.squares, band, progress, facing)
    end = time.perf_counter()
    seconds = solution.seconds | {"frequencies": end - after, "total": end - begin}
    return Solved(conductors=conductors, solution=solution, model=model, facing=facing, seconds=seconds)


def evaluate(name: str, case: Case, solved: Solved) -> Result:
    """
    Everything the reviewer asked for, from solved fields.

    Parameters
    ----------
    name : str
        Of the variant.
    case : Case
        Whose board is the solved one; its currents, limits and frequencies count.
    solved : Solved
    """
    begin = time.perf_counter()
    conductors, solution = solved.conductors, solved.solution
    spectral = _spectral(case, solved)
    noisy = [(j, loop) for j, loop in enumerate(case.loops) if loop.role == "noisy"]
    placements: dict[str, Placement] = {}
    sensitive, cables = budgets(case, solved)
    for sums in sensitive:
        i = next(n for n, loop in enumerate(case.loops) if loop.name == sums.loop)
        placements[sums.loop] = placement_of(case, conductors, solution, i, noisy)
    # The copper on which most loops end is the one to look at first.
    focus = int(np.argmax(np.bincount(conductors.copper_of_contact[np.array(solution.loops)].ravel())))
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
        sensitive=tuple(sensitive),
        cables=tuple(cables),
        placements=placements,
        cautions=(
            *frequency_cautions(case, conductors.reference),
            *_left_out(case, solved.model),
            *_thinned(solved.model),
            *_simplified(solution),
        ),
        frequencies=case.frequencies,
        spectral=spectral,
        facing=solved.facing,
        supplies=supplies(case, solved.model),
        enclosures=enclosures(case, solved.model),
    )
    took = time.perf_counter() - begin
    result.seconds.update(solved.seconds | {"evaluation": took, "total": solved.seconds.get("total", 0.0) + took})
    return result


def gaps_told(result: Result, solid: Expelled) -> Result:
    """The same with what the gaps cost that routes cross, from the board without them."""
    if result.spectral is None:
        return result
    alone = len(result.spectral.model.system.stack.distance) == 1
    facts = frequency.gaps_told(result.spectral.facts, solid.of(result.loop_names), alone=alone)
    return replace(result, spectral=replace(result.spectral, facts=facts))


def _left_out(case: Case, model: Broadband | None) -> list[str]:
    """What eddy currents in copper beyond reach would change."""
    found = {} if model is None else unseen(case, model.system)
    return [
        f"Copper {named(name)} lies more than {1e3 * REACH:g} mm from all copper and routes of the loops, so eddy "
        "currents in it are left out: by estimate they would change no loop's inductance by more than "
        f"{percent(max(part, 1e-3))}."
        for name, part in found.items()
    ]


def _thinned(model: Broadband | None) -> list[str]:
    """What the magnetic mesh does not show as it is."""
    if model is None or model.thinning is None:
        return []
    return [f"{model.thinning.made.said}."]


def _simplified(solution: Conduction) -> list[str]:
    """What the resistive mesh does not show."""
    boxes, spare = solution.simplified
    said = (
        f"{boxes} of {spare} small holes in the copper count little here: the resistive solution takes each as filled "
        "for lower bounds and as larger than it is for upper bounds, so the stated accuracy holds with it."
    )
    return [said] if boxes else []


def budgets(case: Case, solved: Solved) -> tuple[list[Budget], list[Budget]]:
    """Noise budget of every sensitive loop, and voltage budget of every pair of cables."""
    every = _every_budget(case, solved.solution, solved.conductors.reference, solved.model)
    return [it for it in every if it.role == "sensitive"], [it for it in every if it.role == "cables"]


def _every_budget(case: Case, solution: Conduction, sheet: float, model: Broadband | None = None) -> list[Budget]:
    return [budget_from(loop, parts) for loop, parts in couplings(case, solution, model, sheet)]


def budget_from(loop: Loop, parts: Sequence[Coupled]) -> Budget:
    """Budget of a sensitive loop or a pair of cables, from what every noisy loop couples into it."""
    if loop.radiates:
        return radiated_budget(loop, loop.radiates, parts)
    limit = loop.tolerates if loop.role == "sensitive" else loop.limit
    return budget.budget(loop, limit or 0.0, parts)


def couplings(
    case: Case, solution: Conduction, model: Broadband | None, sheet: float
) -> Iterator[tuple[Loop, list[Coupled]]]:
    """Every sensitive loop and pair of cables, with all noisy loops as it sees them; `sheet` in ohm per square."""
    noisy = [(j, loop) for j, loop in enumerate(case.loops) if loop.role == "noisy"]
    # Once for all pairs of loops.
    at = None if model is None else _at_lines(model, [loop for _, loop in noisy])
    for i, loop in enumerate(case.loops):
        if loop.role != "noisy":
            parts = []
            for j, other in noisy:
                missing = routeless(case.board, (other, loop), sheet, whatever=case.steady_only)
                most = unsolved(case.board, (other, loop)) if missing else None
                unknown, beside = (most, None) if case.steady_only else (None, most)
                part = _coupled(solution, model, at, i, j, other)
                parts.append(replace(part, routeless=missing, unsolved=unknown, beside=beside))
            yield loop, parts


def _at_lines(model: Broadband, noisy: Sequence[Loop]) -> AtLines:
    """Impedances of a model at every line above 0 Hz of some loops, and what is uncertain of them."""
    every = np.unique([f for loop in noisy for f in lines_of(loop).frequency.tolist() if f > 0])
    return {f: (Z, doubt) for f, Z, doubt in zip(every.tolist(), *model.many(every), strict=True)} if len(every) else {}


def _spectral(case: Case, solved: Solved) -> Spectral | None:
    model, conductors, solution = solved.model, solved.conductors, solved.solution
    if model is None:
        return None
    inside = conductors.contact_inside()
    shares, sections = frequency.traffic(model, solution.loops, inside, case.frequencies)
    if 0.0 in case.frequencies:
        # The resistive solution is the more accurate one there.
        at = case.frequencies.index(0.0)
        shares[at], sections[at] = coupling.region_shares(solution, inside), coupling.section_currents(solution)
    near = np.full((len(case.frequencies), len(case.loops)), np.nan, dtype=complex)
    for j, item in enumerate(solved.facing):
        if item.route is not None and item.route.height:
            mine = frequency.among(model, conductors, item.copper)
            near[:, j] = frequency.near_shares(model, item.route, j, case.frequencies, among=mine)
    facts = frequency.loop_facts(conductors, model, solved.facing)
    return Spectral(model=model, facts=facts, shares=shares, sections=sections, near=near)


def _peaks(solution: Conduction, coppers: int) -> tuple[Peak, ...]:
    """Largest sheet current of every loop, on whichever copper it is."""
    every = range(len(solution.loops))
    each = [coupling.peak_currents(solution.on(n), every) for n in range(coppers)]
    return tuple(
        max((replace(peaks[j], copper=n) for n, peaks in enumerate(each)), key=lambda peak: peak.value) for j in every
    )


def _coupled(
    solution: Conduction,
    model: Broadband | None,
    at: AtLines | None,
    i: int,
    j: int,
    loop: Loop,
) -> Coupled:
    """
    Transfer impedance of one pair at every line of the noisy loop, and how well it is known.

    `at` gives the model's impedances at a frequency, and what is uncertain of them above 0 Hz.
    """
    lines = lines_of(loop)
    transfer, half_width = float(solution.mid[i, j]), float(solution.half_width[i, j])
    impedance = np.full(len(lines.frequency), transfer, dtype=complex)
    doubt = np.full(len(lines.frequency), half_width)
    if model is not None and at is not None and not lines.anywhere:
        for n, f in enumerate(lines.frequency.tolist()):
            if f > 0:
                Z, above = at[f]
                impedance[n] = Z[i, j]
                doubt[n] = half_width * abs(model.sheets(f)[0] / solution.sheet) + above[i, j]
    return Coupled(loop=loop, lines=lines, transfer=transfer, half_width=half_width, impedance=impedance, doubt=doubt)
