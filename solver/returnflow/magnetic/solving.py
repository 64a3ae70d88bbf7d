"""What is solved on the magnetic meshes of a case: its reduced model, and where the copper expels the field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic import one_mesh, two_meshes
from returnflow.magnetic.broadband import HIGH, Broadband, Thinning
from returnflow.magnetic.charged import Charged
from returnflow.magnetic.coplanar import across
from returnflow.magnetic.dielectric import facing as facing_pieces
from returnflow.magnetic.displacement import Piece
from returnflow.magnetic.equations import System
from returnflow.magnetic.iteration import Preconditioner, conjugate_gradients
from returnflow.magnetic.meshing import COARSE, mesh_of, system_on
from returnflow.magnetic.one_mesh import LOOK
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.magnetic.routes import Faced, faced
from returnflow.magnetic.thinning import COARSER, Thinned, crowded, thinned
from returnflow.magnetic.two_meshes import towards
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.linear import Progress
from returnflow_geometry.mesh.halving import halved
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

REDUCED = 0.1  # of the accuracy of a first look, that of its reduced model
OVERLAP_LOWEST, OVERLAPS = 1e3, 13  # Hz, and how many frequencies from there to the highest
ROUGH = 3.0  # residual of the iteration on the coarser mesh, over that on the finer one


def solve_broadband(
    case: Case,
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    squares: Floats | None,
    options: BroadbandOptions | None = None,
    progress: Progress | None = None,
    facing: Sequence[Faced] | None = None,
    coarser: float = COARSE,
) -> Broadband:
    """
    Reduced model of a case on a mesh that follows its routes, and on one of twice the edges; or on that alone.

    Parameters
    ----------
    case : Case
    conductors : Conductors
    loops : sequence of (int, int)
        Contact of injection and of return.
    squares : array, shape (loops, loops), or None
        Bracketed resistive result in squares of the reference: the DC end.
    options : BroadbandOptions, optional
    progress : function of one string, optional
    facing : sequence of Faced, optional
        Of every loop, where it is known already.
    coarser : float
        Of the first of the two meshes, see `mesh_of`.
    """
    facing = faced(case, conductors) if facing is None else facing
    options, meshes = options or BroadbandOptions(), meshes_for(case.accuracy)
    if not crowded(Conductors.magnetic(case)):
        found = _on_meshes(case, conductors, loops, squares, options, progress, facing, coarser, meshes=meshes)
        return _closed(_of_meshes(found))
    made, plainer = thinned(case), thinned(case, COARSER)
    if progress:
        progress(made.said)
    slim, ends = _renumbered(made.case, conductors, loops)
    found = _on_meshes(made.case, slim, ends, squares, options, progress, facing, coarser, made, meshes)
    model = _closed(_of_meshes(found))
    slimmer, others = _renumbered(plainer.case, conductors, loops)
    (rough,) = _on_meshes(plainer.case, slimmer, others, squares, options, progress, facing, coarser, plainer, meshes=1)
    inside = slim.contact_inside()
    return replace(model, thinning=Thinning(made, tuple(ends), inside, _closed(rough).without_operators()))


def meshes_for(accuracy: float) -> int:
    """How many meshes an accuracy takes."""
    return 1 if accuracy >= LOOK else 2


def _of_meshes(found: Sequence[Broadband]) -> Broadband:
    return paired(*found) if len(found) > 1 else alone(found[0])


def _renumbered(
    case: Case, conductors: Conductors, loops: Sequence[tuple[int, int]]
) -> tuple[Conductors, list[tuple[int, int]]]:
    """Conductors of a thinned case, and loops by the numbers of its contacts."""
    slim = Conductors.of(case)
    number = [slim.number.get(name, -1) for name in conductors.terminals]
    return slim, [(number[inject], number[leave]) for inject, leave in loops]


def _closed(ports: Broadband) -> Broadband:
    return ports if ports.system.elastance is None else Charged.of(ports)


def _on_meshes(
    case: Case,
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    squares: Floats | None,
    options: BroadbandOptions,
    progress: Progress | None,
    facing: Sequence[Faced],
    coarser: float,
    made: Thinned | None = None,
    meshes: int = 2,
) -> list[Broadband]:
    """Models on the finer and on the coarser mesh, or on the coarser one alone."""
    thickness, temperature = tuple(Conductors.magnetic(case).foils[0].tolist()), case.board.temperature
    gaps, whole = across(case, Conductors.magnetic(case)), made.squares if made else ()
    mesh = mesh_of(case, conductors, loops, facing, coarser, gaps, whole)
    # Beside a finer one what is off counts by a part only, and what its basis lacks is not asked.
    rough = replace(options, residual=ROUGH * options.stop, bounds=False)
    if meshes_for(case.accuracy) == 1:
        reached = max(options.accuracy, REDUCED * case.accuracy)
        rough = replace(options, accuracy=reached, residual=ROUGH * options.stop, bounds=True)
    pieces: tuple[Piece, ...] = (*facing_pieces(case, Conductors.magnetic(case)), *gaps)
    each = [(mesh, rough), (halved(mesh), options)][:meshes]
    systems = (system_on(one, case, conductors, loops, progress, pieces, whole) for one, _ in each)
    found = [
        reduce(system, thickness, temperature, squares, how, progress)
        for system, (_, how) in zip(systems, each, strict=True)
    ]
    return found[::-1]


def alone(model: Broadband) -> Broadband:
    """Model of one mesh: how uneven its currents are tells what they may be off."""
    at = np.geomspace(OVERLAP_LOWEST, HIGH, OVERLAPS)
    mesh = model.system.space.mesh
    part = two_meshes.neighbourhoods(mesh.points[mesh.triangles], model.system.stack.level)
    return replace(model, uneven=(at, np.array([one_mesh.uneven(mesh, model.current(f), part) for f in at])))


def paired(fine: Broadband, coarse: Broadband) -> Broadband:
    """
    Model of two meshes, the first with edges of half the length: its impedances are what both lead to.

    Where their fields differ tells how much of two loops' errors can meet in a transfer.
    """
    at = np.geomspace(OVERLAP_LOWEST, HIGH, OVERLAPS)
    mesh = fine.system.space.mesh
    part = two_meshes.neighbourhoods(mesh.points[mesh.triangles], fine.system.stack.level)
    rim = np.repeat(two_meshes.at_rims(coarse.system.space.mesh, coarse.system.stack.level), 4)
    overlap = [two_meshes.overlap(fine.current(f), coarse.current(f), mesh.areas, part, rim) for f in at]
    coarse = replace(coarse, system=replace(coarse.system, panels=None))
    return replace(fine, coarse=coarse, overlap=(at, np.array(overlap)))


@dataclass(frozen=True, kw_only=True)
class Expelled:
    """
    Loops at infinite frequency, where the copper expels the field.

    Attributes
    ----------
    inductance : array, shape (loops, loops), henry
    length : array, shape (loops,)
        Mean way back, metres.
    names : tuple of str
        Of the loops; empty where nobody asks for them by name.
    """

    inductance: Floats
    length: Floats
    names: tuple[str, ...] = ()

    def of(self, names: Sequence[str]) -> Expelled:
        """The same for other loops, nan for those that are not among these; as it is where these have no names."""
        if not self.names:
            return self
        places = [self.names.index(name) if name in self.names else -1 for name in names]
        missing = np.array([place < 0 for place in places])
        inductance, length = self.inductance[np.ix_(places, places)], self.length[places]
        inductance[missing], inductance[:, missing], length[missing] = np.nan, np.nan, np.nan
        return Expelled(inductance=inductance, length=length, names=tuple(names))


def solve_expelled(
    case: Case, conductors: Conductors, loops: Sequence[tuple[int, int]], progress: Progress | None = None
) -> Expelled:
    """High-frequency end alone, by one solve on either mesh: what a gap is compared with."""
    made = None
    if crowded(Conductors.magnetic(case)):
        made = thinned(case)
        case, (conductors, loops) = made.case, _renumbered(made.case, conductors, loops)
    whole = made.squares if made else ()
    mesh = mesh_of(case, conductors, loops, whole=whole)
    if meshes_for(case.accuracy) == 1:
        return expelled(system_on(mesh, case, conductors, loops, progress, whole=whole))
    systems = (system_on(each, case, conductors, loops, progress, whole=whole) for each in (mesh, halved(mesh)))
    coarse, fine = (expelled(system) for system in systems)
    return replace(fine, inductance=towards(fine.inductance, coarse.inductance))


def expelled(system: System) -> Expelled:
    """High-frequency end of a system."""
    answer = np.zeros_like(system.drive)
    if len(answer):
        preconditioner = Preconditioner.of(system)
        weights = preconditioner.weights(0.0, 1.0)
        answer, _ = conjugate_gradients(
            system.induce,
            lambda right: preconditioner.apply(weights, right),
            -system.drive,
            BroadbandOptions().stop,
        )
    inductance = system.inductance + system.drive.T @ answer
    K = system.currents + np.stack([part @ answer for part in system.curl])
    length = np.hypot(K[0], K[1]).T @ (system.space.mesh.areas * ~system.stack.contact)
    return Expelled(inductance=0.5 * (inductance + inductance.T), length=length)
