"""The resistive solve from both sides: every loop's current, and every resistance between two bounds."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import bmat, csc_array, csr_array, diags_array, hstack, vstack

from returnflow.resistive import expected, goals
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.linear import NumericalError, Progress, factorize_each
from returnflow.resistive.links import NONE, Links
from returnflow.resistive.products import both_sides, circuit_products
from returnflow.resistive.refinement import Refinement
from returnflow.resistive.solution import Conduction, Options
from returnflow.resistive.spaces import Space, Topology, circuit_fields, path_fields, potential_map, stream_map
from returnflow.resistive.squares import Rims, scatter
from returnflow.resistive.streams import Streams
from returnflow_geometry.mesh.mesher import Mesh, Plane
from returnflow_geometry.model.numbers import within
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

AIM = 0.8  # each new mesh aims this far inside the goal, and further each time, since a forecast is only a forecast
AGREEMENT = 1e-7  # of two routes to one number, relative to the resistance
GROWTH_PER_PASS = 8  # a forecast from a coarse mesh is not worth more triangles than this factor
HOPE = 2.5  # by so much a first look at contacts as squares forecasts too much, measured on boards of thousands
TOGETHER = 32  # loops that are solved for at a time
FITTING = 0.85  # of the triangles that fit into usual memory, as a forecast is only a forecast
MORE, NEARER = 3, 0.9  # meshes that undecided limits may ask for, and how far each aims inside their goal
SHAPED = 150  # triangles for each hole: so many at most from a first look


def solve_on(
    mesh: Mesh,
    contacts: int,
    loops: Sequence[tuple[int, int]],
    sheet: float,
    options: Options,
    weight: Floats | None = None,
    links: Links = NONE,
    rims: Rims | None = None,
) -> Conduction:
    """
    Solve both sides on a given mesh.

    Parameters
    ----------
    mesh : Mesh
    contacts : int
        Number of contacts.
    loops : sequence of (int, int)
        Contact of injection and of return.
    sheet : float
        Ohm per square of the reference, > 0.
    options : Options
    weight : array, shape (m,), optional
        Sheet resistance of every triangle relative to the reference, > 0; 1 by default.
    links : Links
        What joins contacts outside the copper.
    rims : Rims, optional
        Of contacts that the mesh shows as squares.

    Raises
    ------
    NumericalError
        If a linear solve or the cross-check of the two sides fails.
    """
    same = [number + 1 for number, (start, end) in enumerate(loops) if start == end]
    if same:
        message = (
            f"Invalid loops. Numbers {same} return at the contact where they are injected: no copper carries them."
        )
        raise ValueError(message)
    clock = _Clock()
    links = closed_at_dc(mesh, contacts, links)
    space, topology = Space(mesh, options.order), Topology(mesh, contacts, links.ends)
    weight = np.ones(len(mesh.triangles)) if weight is None else weight
    ohmic = links.resistance / sheet
    count = len(loops)
    to_potential, column = potential_map(space, topology, ohmic == 0)
    to_stream = stream_map(space, topology)
    paths = [*path_fields(topology, loops, options.order), *circuit_fields(topology, options.order)]
    loads, products, values = circuit_products(space, paths, weight, ohmic)
    stiffness = space.weighted_stiffness(weight)
    if rims is not None:
        local, spread_out = rims.local(space), scatter(space)
        stiffness = stiffness + spread_out @ local @ spread_out.T
        loads, products = loads + spread_out @ (local @ values), products + values.T @ (local @ values)
    loads = csc_array(to_stream.T @ loads)
    inner = to_stream.T @ stiffness @ to_stream
    circuits = loads[:, count:]
    # Circuits are a few more unknowns of the stream function.
    streams = (
        csc_array(bmat([[inner, circuits], [circuits.T, products[count:, count:]]])) if len(paths) > count else inner
    )
    potentials = to_potential.T @ space.weighted_stiffness(1 / weight) @ to_potential
    across = _across(links.ends[ohmic > 0], column, to_potential.shape[1])
    potentials = potentials + across.T @ diags_array(1 / ohmic[ohmic > 0]) @ across
    middles = [path.middle(mesh) for path in paths[count:]]
    where = [space.places(to_potential), np.vstack([space.places(to_stream), *middles])]
    places = [(each, topology.holes) for each in where]
    solvers = factorize_each([csc_array(potentials), csc_array(streams)], options.backend, places=places)
    clock.lap("assembly")

    solve = next(solvers)
    clock.lap("factor")
    potential = np.zeros((space.size, count), order="F")
    contact_potential, voltage = np.zeros((contacts, count)), np.zeros((count, len(links)))
    for some in _blocks(count):
        injected = np.zeros((to_potential.shape[1], len(some)))
        for n, number in enumerate(some):
            for contact, ampere in zip(loops[number], (1.0, -1.0), strict=True):
                if column[contact] >= 0:
                    injected[column[contact], n] += ampere
        free = solve(injected)
        potential[:, some] = to_potential @ free
        contact_potential[:, some] = np.where(column[:, None] >= 0, free[np.maximum(column, 0)], 0.0)
        voltage[np.ix_(some, np.flatnonzero(ohmic > 0))] = (across @ free).T
    del solve
    clock.lap("solve")

    solve = next(solvers)
    clock.lap("factor")
    ends = np.array(loops, dtype=np.int64)
    lower = contact_potential[ends[:, 0]] - contact_potential[ends[:, 1]]
    driving = csc_array(vstack([loads[:, :count], products[count:, :count]]))
    upper = products[:count, :count].toarray()
    carried = np.array([path.links for path in paths]).reshape(len(paths), -1)
    nodal, jumps, through = np.empty((space.size, count)), [], carried[:count].copy()
    for some in _blocks(count):
        answer = solve(-driving[:, some].toarray())
        nodal[:, some], share = to_stream @ answer[: to_stream.shape[1]], answer[to_stream.shape[1] :]
        # A stream function that is orthogonal to all others: what it dissipates with a path is all there is.
        upper[:, some] += driving.T @ answer
        # Path fields live on few triangles.
        jumps.append(values[:, some] + values[:, count:] @ csr_array(share))
        through[some] += share.T @ carried[count:]
    del solve
    clock.lap("solve")

    stream = Streams(nodal, space.local, csr_array(hstack(jumps)))
    mixture = np.random.default_rng(count).choice([-1.0, 1.0], count)
    energy, gap = both_sides(space, potential, stream, weight, mixture)
    real = ohmic > 0
    for side, (one, two) in enumerate(((voltage / np.where(real, ohmic, 1.0), voltage), (through * ohmic, through),
                                       (voltage, through))):  # fmt: skip
        energy[side, :count] += np.sum(one * two, axis=1)
        energy[side, count] += (mixture @ one) @ (mixture @ two)
    rim = np.zeros((count, 0))
    if rims is not None:
        more, rim = rims.energy(space, stream, mixture, contacts)
        energy[1] += more
    _check(lower, upper, energy, mixture)
    lower, upper = (0.5 * (each + each.T) for each in (lower, upper))
    spread = np.zeros((int(topology.blocks.max()) + 1, count))
    np.add.at(spread, topology.block, gap.T)
    if rims is not None:
        block = np.zeros(contacts, dtype=np.int64)
        block[rims.contact] = topology.block[rims.pairs[:, 0]]
        np.add.at(spread, block, rim.T)
    np.add.at(
        spread,
        topology.blocks[links.ends[real, 0]],
        ((voltage[:, real] / ohmic[real] - through[:, real]) ** 2 * ohmic[real]).T,
    )
    clock.lap("fields")
    meet = topology.meeting(loops, links.resistance, through)
    potential *= sheet  # in place: of hundreds of loops these two are half of the memory
    gap *= sheet
    return Conduction(
        mesh, space, topology, tuple(loops), sheet, weight, links, potential, sheet * contact_potential, stream,
        sheet * lower, sheet * upper, gap, sheet * spread, through,
        np.where(meet, 0.5 * (lower + upper), 0.0), meet, rim=sheet * rim, seconds=clock.seconds,
    )  # fmt: skip


def closed_at_dc(mesh: Mesh, contacts: int, links: Links) -> Links:
    """Links that conduct at 0 Hz; and a capacitor that is the only way, so that its loop has a way back at all."""
    return links.only(links.conducting | Topology(mesh, contacts, links.ends).opening) if len(links) else links


def _across(ends: Ints, column: Ints, size: int) -> csr_array:
    """From free potentials to the voltage from the first to the second contact of links, shape (links, size)."""
    row = np.repeat(np.arange(len(ends)), 2)
    col, sign = column[ends].ravel(), np.tile([1.0, -1.0], len(ends))
    return csr_array((sign[col >= 0], (row[col >= 0], col[col >= 0])), shape=(len(ends), size))


def solve(
    copper: Plane | Conductors,
    loops: Sequence[tuple[int, int]],
    sheet: float | None = None,
    options: Options | None = None,
    progress: Progress | None = None,
    names: Sequence[str] | None = None,
    wanted: Callable[[Conduction], Floats] | None = None,
) -> Conduction:
    """
    Refine the mesh until every entry of the resistance matrix is as accurate as asked.

    Parameters
    ----------
    copper : Plane or Conductors
    loops : sequence of (int, int)
        Contact of injection and of return.
    sheet : float
        Ohm per square, > 0, of a plane; conductors have their own.
    options : Options, optional
    progress : function of one string, optional
        Called with a line of progress after every mesh.
    names : sequence of str, optional
        What to call the loops in messages.
    wanted : function of a Conduction, optional
        Asked once the accuracy is reached: half-widths of entries that must be smaller still, ohm, shape (loops,
        loops), infinite elsewhere. On a few more meshes, and as far as `options` allow; no failure where it is not met.

    Raises
    ------
    NumericalError
        If the accuracy is not reached within `options`; the message says how far it got.

    Notes
    -----
    The refinement indicator is the exact local gap between the two sides [PragerSynge]_, weighted by how
    accurate each loop must be; the next mesh is the one that reaches the goal with the fewest triangles if
    every gap falls at its own rate, so a few meshes suffice.

    References
    ----------
    .. [PragerSynge] W. Prager and J. L. Synge, Approximations in elasticity based on the concept of function
       space, Quart. Appl. Math. 5 (1947) 241-269 (from memory).
    """
    options = options or Options()
    say = progress or (lambda _: None)
    called = [named(name) for name in names] if names else [f"number {number + 1}" for number in range(len(loops))]
    clock = _Clock()
    whole = copper if isinstance(copper, Conductors) else Conductors.single(copper, 1.0 if sheet is None else sheet)
    refinement = Refinement(whole, [np.flatnonzero(np.isin(mine, loops)) for mine in whole.contacts])
    mesh = refinement.first()
    clock.lap("mesh")
    passes: list[tuple[int, float]] = []
    preview = refinement.holes[1] > 0 or refinement.squares > 0
    found: Conduction | None = None
    asked_for = 0
    while True:
        if len(mesh.triangles) > options.most_triangles:
            if found is not None:
                return found
            message = (
                f"The copper takes {len(mesh.triangles)} triangles, and {options.most_triangles} are allowed: leave "
                "out coppers, contacts or details that no loop of interest needs."
            )
            raise NumericalError(message)
        if ahead := expected.said(len(mesh.triangles), *expected.resistive(len(mesh.triangles), len(loops)),
                                  options.accuracy if found is None else None):  # fmt: skip
            say(ahead)
        weight = whole.weight(mesh)
        rims = refinement.rims(mesh, weight)
        try:
            result = solve_on(mesh, len(whole.terminals), loops, whole.reference, options, weight, whole.links, rims)
        except (MemoryError, NumericalError):
            if found is None:
                raise
            say("the finer mesh could not be solved: what is found stands")
            return found
        for part, seconds in result.seconds.items():
            clock.seconds[part] = clock.seconds.get(part, 0.0) + seconds
        clock.restart()
        boxes, spare = refinement.holes
        goal, aim = goals.allowed(result, options), AIM**2
        most = GROWTH_PER_PASS * len(mesh.triangles)
        if preview:
            say(f"first look with {spare} small holes filled: {len(mesh.triangles)} triangles")
            most, aim = max(most, SHAPED * spare), aim * (HOPE if refinement.squares else 1.0)
        else:
            reached = result.accuracy_reached()
            worst = float(np.max(reached)) / options.accuracy
            passes.append((len(mesh.triangles), worst))
            known = within(float(np.max(reached)))
            holes = f", {boxes} of {spare} small holes simplified" if boxes else ""
            holes += f", {refinement.squares} contacts as squares" if refinement.squares else ""
            say(
                f"mesh {len(passes)}: {len(mesh.triangles)} triangles{holes}, every resistance known to {known} or "
                "better"
            )
            full = len(mesh.triangles) > 0.7 * options.most_triangles
            if worst <= 1:
                found = replace(result, passes=tuple(passes), seconds=dict(clock.seconds), simplified=(boxes, spare))
            if found is not None:
                large = full or len(mesh.triangles) > 0.7 * expected.fitting(len(loops))
                asked = None if wanted is None or large or asked_for >= MORE else wanted(found)
                if asked is None or not np.any(found.half_width > asked):
                    return found
                say("a limit is undecided: solving again, finer where its loop's current flows")
                goal, most = goals.sharper(result, goal, asked), int(FITTING * expected.fitting(len(loops)))
                asked_for += 1
                aim = NEARER**asked_for
            elif len(passes) >= options.passes or full:
                i, j = np.unravel_index(np.argmax(reached), reached.shape)
                message = (
                    f"Accuracy {options.accuracy:g} not reached: after {len(passes)} meshes ({len(mesh.triangles)} "
                    f"triangles, at most {options.most_triangles} allowed) the resistance between loops {called[i]} "
                    f"and {called[j]} is known to {within(float(reached[i, j]))}. Set a larger `accuracy`, or "
                    "remove copper details that are much finer than the contacts."
                )
                raise NumericalError(message)
            else:
                aim = AIM ** len(passes)
        mesh = refinement.next(result, goal, min(most, 0.9 * options.most_triangles), aim)
        preview = False
        clock.lap("mesh")


def _check(lower: Floats, upper: Floats, energy: Floats, mixture: Floats) -> None:
    """
    Several routes to the bounds must agree: port voltages, energies, and the product of the two sides.

    `energy` is that of both sides and of their product, of every loop and of a mixture of all: see `both_sides`.
    """
    ports = np.array([[*np.diag(each), mixture @ each @ mixture] for each in (lower, upper, lower)])
    scale = np.append(np.diag(upper), np.sum(np.sqrt(np.diag(upper))) ** 2)
    own = np.sqrt(np.diag(upper))
    askew = [np.max(np.abs(each - each.T) / np.outer(own, own)) for each in (lower, upper)]
    error = max(float(np.max(np.abs(ports - energy) / scale)), *map(float, askew))
    if not error < AGREEMENT:
        message = (
            f"The two sides of the solution disagree by {error:.1e} of the resistance (allowed {AGREEMENT:.0e}): "
            "copper connects in a way the mesh does not show. Please report this board."
        )
        raise NumericalError(message)
    if not np.all(np.diag(upper - lower) >= -1e-9 * np.diag(upper)):
        message = "An upper bound came out below its lower bound: rounding dominates. Set a larger `accuracy`."
        raise NumericalError(message)


def _blocks(count: int) -> list[Ints]:
    """Numbers of so many loops, some at a time, so that many take no gigabytes."""
    return np.array_split(np.arange(count), max(1, -(-count // TOGETHER)))


class _Clock:
    """Adds up wall seconds per part."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.restart()

    def restart(self) -> None:
        self.last = time.perf_counter()

    def lap(self, part: str) -> None:
        now = time.perf_counter()
        self.seconds[part] = self.seconds.get(part, 0.0) + now - self.last
        self.last = now
