"""From DC to the harmonics: meshes for routes, crossovers, inductance at both ends, what a gap costs a trace."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from returnflow import coupling
from returnflow.broadband import Broadband, BroadbandOptions, Report, System, assemble, half_widths, reduce
from returnflow.conduction import diagonal
from returnflow.conductors import Conductors, StackMesher, copper_numbers
from returnflow.foil import sheet_resistance
from returnflow.gaps import crossed_gaps
from returnflow.iteration import Preconditioner, conjugate_gradients
from returnflow.magnetics import Stack
from returnflow.spectra import lines_of
from returnflow.traces import Route
from returnflow_geometry.board import Case
from returnflow_geometry.mesh import Mesher, Plane, starting_size
from returnflow_geometry.seeding import SizeField

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

ROUTE_STEP = 3.0  # edges per height under a route
FINEST = 30e-6  # m; no finer under a route
GAP_STEP = 0.1  # heights per edge along a gap: the return crowds at its rim, and one height is 2.5 % too coarse
GAP_FINEST = 0.1e-3  # m; no finer along a gap
GROWTH = 0.3
COARSER = 2.0  # edges of the mesh that tells what the mesh leaves uncertain, over those of the mesh itself
STEEPEST = 0.5  # growth of triangles
ACROSS = 4.0  # triangles across a narrow copper
NARROW = 10.0  # heights; the edges of a wider copper are far apart against what happens under them
TURNED = 0.5  # half of the return has left the resistive pattern
FINAL_WIDTH = 1.1  # the ribbon is within 10 % of its final width


@dataclass(frozen=True, kw_only=True)
class LoopFacts:
    """
    What frequency does to one loop.

    Attributes
    ----------
    low_inductance, high_inductance : float
        H, of the resistive pattern and of the pattern that expels the field.
    turning : float or None
        Hz; half of the return has left the resistive pattern. None where nothing turns.
    ribbon : float or None
        Hz; the ribbon under the route is within 10 % of its final width. None without a route.
    low_length, high_length : float
        Mean length of the way back in metres at both ends: integral of abs(K) over the current.
    gaps : tuple of str
        Cutouts that the route crosses.
    gap_inductance : float or None
        H that these add at high frequency, against the same copper without them.
    gap_detour : float or None
        Metres that these add to the mean way back at high frequency.
    """

    low_inductance: float
    high_inductance: float
    turning: float | None
    ribbon: float | None
    low_length: float
    high_length: float
    gaps: tuple[str, ...] = ()
    gap_inductance: float | None = None
    gap_detour: float | None = None


def wants_frequencies(case: Case) -> bool:
    """Whether anything in the case asks for more than the resistive limit."""
    noisy = (loop for loop in case.loops if loop.role == "noisy")
    return any(f > 0 for f in case.frequencies) or any(np.any(lines_of(loop).frequency > 0) for loop in noisy)


def routes_of(case: Case, copper: str) -> list[Route | None]:
    """Outgoing conductor of every loop over a copper, None where there is none."""
    board = case.board
    routes: list[Route | None] = []
    for loop in case.loops:
        if loop.route is None:
            routes.append(None)
            continue
        layer = board.layer(loop.route.layer)
        height = board.height(layer.name, copper)
        routes.append(Route(np.array(loop.route.path), height, loop.route.width, layer.thickness))
    return routes


@dataclass(frozen=True)
class Faced:
    """Outgoing conductor of a loop, with its height over the copper it faces; and that copper, its cutouts crossed."""

    route: Route | None
    copper: int
    gaps: tuple[str, ...] = ()


def faced(case: Case, conductors: Conductors) -> list[Faced]:
    """
    Which copper the outgoing conductor of every loop faces.

    The nearest that lies under half of its length at least; else the one that the loop is injected into.
    """
    over = [routes_of(case, name) for name in conductors.names]
    crossed = [crossed_gaps(case, name) for name in conductors.names]
    result = []
    for j, loop in enumerate(case.loops):
        own = int(conductors.copper_of_contact[conductors.number[loop.inject]])
        if loop.route is None:
            result.append(Faced(None, own))
            continue
        line = LineString(loop.route.path)
        heights = [abs(routes[j].height) if routes[j] else np.inf for routes in over]  # type: ignore[union-attr]
        drawn = [case.board.copper(name).shape for name in conductors.names]
        under = [n for n, h in enumerate(heights) if h > 0 and line.intersection(drawn[n]).length > 0.5 * line.length]
        best = min(under, key=lambda n: heights[n], default=own)
        result.append(Faced(over[best][j], best, crossed[best][j]))
    return result


def among(model: Broadband, conductors: Conductors, copper: int) -> NDArray[np.bool_]:
    """Triangles on the layer of one copper, shape (m,)."""
    level = conductors.levels[0]
    mine: NDArray[np.bool_] = level[copper_numbers(model.system.space.mesh)] == level[copper]
    return mine


def route_size(mesher: Mesher, routes: Sequence[Route | None], largest: float) -> SizeField:
    """Size field of the magnetic mesh: a third of the height under every route, growing away from it."""
    fields = [starting_size(mesher.coarse(), largest, corner=0.5)]
    copper = mesher.plane.copper
    for route in routes:
        if route is None:
            continue
        line = LineString(route.path)
        # What lies beside the copper is as far from it as what lies above.
        reach = float(np.hypot(route.height, shapely.distance(line, copper)))
        if reach < largest:
            fields.append(_along_line(line, max(reach / ROUTE_STEP, FINEST), largest))
    return replace(fields[0], others=tuple(fields[1:]))


def _along_line(line: shapely.Geometry, size: float, largest: float) -> SizeField:
    marks = np.linspace(0, line.length, max(2, int(np.ceil(line.length / size)) + 1))
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, marks))
    return SizeField(points, np.full(len(points), size), largest, GROWTH)


def _coarser(field: SizeField, factor: float) -> SizeField:
    """The same with triangles larger by a factor everywhere."""
    return replace(
        field,
        sizes=factor * field.sizes,
        largest=factor * field.largest,
        growth=min(factor * field.growth, STEEPEST),
        others=tuple(_coarser(other, factor) for other in field.others),
    )


def solve_broadband(
    case: Case,
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    resistance: Floats | None,
    options: BroadbandOptions | None = None,
    report: Report | None = None,
) -> Broadband:
    """
    Reduced model of a case on a mesh that follows its routes.

    Parameters
    ----------
    case : Case
    conductors : Conductors
    loops : sequence of (int, int)
        Contact of injection and of return.
    resistance : array, shape (loops, loops), or None
        Bracketed resistive result, ohm: the DC end.
    options : BroadbandOptions, optional
    report : function of one string, optional
    """
    squares = None if resistance is None else resistance / conductors.reference
    thickness = tuple(conductors.foils[0].tolist())
    system = _system(case, conductors, loops, report)
    model = reduce(system, thickness, case.board.temperature, squares, options, report)
    system = _system(case, conductors, loops, report, COARSER)
    coarse = reduce(system, thickness, case.board.temperature, squares, options, report)
    return replace(model, coarse=replace(coarse, system=replace(coarse.system, panels=None)))


def _system(
    case: Case,
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    report: Report | None,
    coarser: float = 1.0,
) -> System:
    over = [routes_of(case, name) for name in conductors.names]
    facing = faced(case, conductors)

    def size(number: int, mesher: Mesher) -> SizeField:
        plane = conductors.planes[number]
        largest = diagonal(plane) / 40
        if len(conductors.planes) > 1:
            largest = min(largest, _width(plane) / ACROSS)
        field = route_size(mesher, over[number], largest)
        gaps = _gap_sizes(case, conductors.names[number], [item for item in facing if item.copper == number], field)
        field = replace(field, others=(*field.others, *gaps, *_facing_sizes(conductors, number, field.largest)))
        return field if coarser == 1 else _coarser(field, coarser)

    mesh = StackMesher(conductors).graded(size)
    if report:
        report(f"magnetic mesh{' to compare with' if coarser > 1 else ''}: {len(mesh.triangles)} triangles")
    copper = copper_numbers(mesh)
    (level, distance), (thickness, foil) = conductors.levels, conductors.foils
    sheets = np.array([sheet_resistance(t, case.board.temperature) for t in thickness])
    stack = Stack(
        foil[copper], sheets / conductors.reference, level[copper], distance, conductors.links, conductors.reference
    )
    first = [int(np.flatnonzero(level == n)[0]) for n in range(len(distance))]
    return assemble(mesh, len(conductors.terminals), loops, over[0], stack, [over[n] for n in first])


def _gap_sizes(case: Case, copper: str, facing: Sequence[Faced], field: SizeField) -> list[SizeField]:
    """Size fields along the edges of gaps that routes cross: the return that goes round runs there."""
    fields = []
    for item in facing:
        for cutout in case.board.cutouts:
            if item.route is not None and cutout.copper == copper and cutout.name in item.gaps:
                size = max(GAP_STEP * abs(item.route.height), GAP_FINEST)
                edge = shapely.segmentize(cutout.shape, size)
                points = shapely.get_coordinates(edge)
                fields.append(SizeField(points, np.full(len(points), size), field.largest, GROWTH))
    return fields


def _width(plane: Plane) -> float:
    """Width of a long copper, metres: its area over half its outline."""
    return float(2 * plane.copper.area / plane.copper.length)


def _facing_sizes(conductors: Conductors, number: int, largest: float) -> list[SizeField]:
    """Size fields where a narrow copper lies over this one: at high frequency they crowd under each other's edges."""
    fields = []
    for other, plane in enumerate(conductors.planes):
        height = conductors.distance[number, other]
        if 0 < height < largest and _width(plane) < NARROW * height:
            size = max(height / ROUTE_STEP, FINEST)
            fields += [_along_line(ring, size, largest) for ring in shapely.get_parts(plane.copper.boundary)]
    return fields


@dataclass(frozen=True, kw_only=True)
class Expelled:
    """
    Loops at infinite frequency, where the copper expels the field.

    Attributes
    ----------
    inductance : array, shape (loops, loops), henry
    length : array, shape (loops,)
        Mean way back, metres.
    """

    inductance: Floats
    length: Floats


def solve_expelled(
    case: Case, conductors: Conductors, loops: Sequence[tuple[int, int]], report: Report | None = None
) -> Expelled:
    """High-frequency end alone, by one solve: what a gap is compared with."""
    system = _system(case, conductors, loops, report)
    answer = np.zeros_like(system.drive)
    if len(answer):
        preconditioner = Preconditioner.of(system)
        weights = preconditioner.weights(0.0, 1.0)
        answer, _ = conjugate_gradients(
            system.induce,
            lambda right: preconditioner.apply(weights, right),
            -system.drive,
            BroadbandOptions().residual,
        )
    inductance = system.inductance + system.drive.T @ answer
    K = system.currents + np.stack([part @ answer for part in system.curl])
    length = np.hypot(K[0], K[1]).T @ system.space.mesh.areas
    return Expelled(inductance=0.5 * (inductance + inductance.T), length=length)


def loop_facts(
    conductors: Conductors, model: Broadband, solid: Expelled | None, facing: Sequence[Faced]
) -> tuple[LoopFacts, ...]:
    """
    Crossovers, inductances and lengths of every loop.

    Parameters
    ----------
    conductors : Conductors
    model : Broadband
    solid : Expelled or None
        The same without the cutouts that routes cross.
    facing : sequence of Faced, one per loop
    """
    facts = []
    for j, item in enumerate(facing):
        route, gaps = item.route, item.gaps
        high_length = mean_length(model, j, high=True)
        gap_inductance = gap_detour = None
        if solid is not None and gaps:
            gap_inductance = high_inductance(model)[j, j] - solid.inductance[j, j]
            gap_detour = high_length - float(solid.length[j])
        facts.append(
            LoopFacts(
                low_inductance=float(model.system.inductance[j, j]),
                high_inductance=float(high_inductance(model)[j, j]),
                turning=turning_frequency(model, j),
                ribbon=(
                    ribbon_frequency(model, route, j, among=among(model, conductors, item.copper))
                    if route is not None and route.height
                    else None
                ),
                low_length=mean_length(model, j, high=False),
                high_length=high_length,
                gaps=gaps,
                gap_inductance=None if gap_inductance is None else float(gap_inductance),
                gap_detour=gap_detour,
            )
        )
    return tuple(facts)


def high_pattern(model: Broadband) -> Floats:
    """Coefficients of the basis at infinite frequency, shape (r, loops): the field is expelled."""
    return -np.linalg.solve(model.induction, model.drive).astype(np.float64)


def high_inductance(model: Broadband) -> Floats:
    """Inductance matrix at infinite frequency in henry, shape (loops, loops)."""
    matrix = model.system.inductance + model.drive.T @ high_pattern(model)
    symmetric: Floats = 0.5 * (matrix + matrix.T)
    return symmetric


def inductance_doubt(model: Broadband) -> Floats:
    """What the mesh leaves uncertain of `high_inductance`, henry, shape (loops, loops); see `Broadband.doubt`."""
    return half_widths(np.abs(high_inductance(model) - high_inductance(model.compared)))


def mean_length(model: Broadband, loop: int, *, high: bool) -> float:
    """Mean length of the way back of one loop in metres: integral of abs(K), at 1 A."""
    K = model.system.currents[:, :, loop]
    if high:
        added = model.basis @ high_pattern(model)[:, loop]
        K = K + np.stack([part @ added for part in model.system.curl])
    return float(np.sum(np.hypot(*K) * model.system.space.mesh.areas))


def turning_frequency(model: Broadband, loop: int) -> float | None:
    """
    Frequency at which half of the return has left the resistive pattern, hertz.

    By stream functions: the part of psi(f) - psi(0) along psi(inf) - psi(0), in the mean square over the copper,
    which weighs how much current has moved how far and hardly depends on the width of the ribbon.
    """
    final = high_pattern(model)[:, loop]
    # Where links close circuits the stream function has more than one value: then by currents.
    weighted = (model.stream_products if not len(model.link_basis) else model.dissipation) @ final
    full = float(final @ weighted)
    moved = float(np.sqrt(max(full, 0.0) / np.sum(model.system.space.mesh.areas)))
    if not moved > 1e-3:
        return None
    return _rising(lambda f: float(np.real(model.reduced(f)[:, loop]) @ weighted) / full, TURNED)


def ribbon_frequency(
    model: Broadband, route: Route, loop: int, heights: float = 3.0, among: NDArray[np.bool_] | None = None
) -> float | None:
    """
    Frequency at which the ribbon under a route is within 10 % of its final width, hertz.

    By the integral of abs(K)² within some heights of the route, which goes as one over the ribbon's width.
    """
    near, _ = _under(model, route, heights, among)
    root = np.sqrt(model.system.space.mesh.areas[near])[:, None]
    rest = np.concatenate([part[near, loop] for part in model.system.currents]) * np.tile(root[:, 0], 2)
    basis = np.concatenate([root * (part[near] @ model.basis) for part in model.system.curl])

    def strength(y: NDArray[Any]) -> float:
        return float(np.linalg.norm(rest + basis @ y) ** 2)

    last = strength(high_pattern(model)[:, loop])
    return _rising(lambda f: strength(model.reduced(f)[:, loop]) / last, 1 / FINAL_WIDTH)


def _rising(value: Callable[[float], float], level: float) -> float | None:
    """First frequency from 1 Hz to 100 GHz at which a rising function reaches a level, by bisection."""
    grid = np.geomspace(1.0, 1e11, 90)
    reached = np.flatnonzero([value(f) >= level for f in grid])
    if not len(reached) or reached[0] == 0:
        return None
    low, high = grid[reached[0] - 1], grid[reached[0]]
    for _ in range(30):
        middle = np.sqrt(low * high)
        low, high = (low, middle) if value(middle) >= level else (middle, high)
    return float(high)


def near_share(model: Broadband, route: Route, loop: int, frequency: float, heights: float = 3.0) -> complex:
    """Share of a loop's return within some heights of its route, at one frequency: see `near_shares`."""
    return complex(near_shares(model, route, loop, [frequency], heights)[0])


def near_shares(
    model: Broadband,
    route: Route,
    loop: int,
    frequencies: Sequence[float],
    heights: float = 3.0,
    among: NDArray[np.bool_] | None = None,
) -> Complexes:
    """
    Share of a loop's return that flows within so many heights of its route, against its direction; mean along it.

    `among` are the triangles that count, shape (m,); by default all.
    Complex, shape (frequencies,): the part in phase with the outgoing current, and in quadrature.
    """
    near, at = _under(model, route, heights, among)
    mesh, length = model.system.space.mesh, route.length
    steps = np.diff(route.path, axis=0)
    lengths = np.hypot(*steps.T)
    segment = np.clip(np.searchsorted(np.cumsum(lengths), at), 0, len(steps) - 1)
    # The share is linear in the current: evaluate the functional on the basis once, then every frequency is cheap.
    weight = np.zeros((2, len(mesh.triangles)))
    weight[:, near] = -(steps / lengths[:, None])[segment].T * mesh.areas[near] / length
    resistive = float(np.sum(weight * model.system.currents[:, :, loop]))
    basis = sum(part.T @ weight[c] for c, part in enumerate(model.system.curl)) @ model.basis
    return np.array([resistive + basis @ model.reduced(f)[:, loop] for f in frequencies], dtype=np.complex128)


def _under(
    model: Broadband, route: Route, heights: float, among: NDArray[np.bool_] | None
) -> tuple[NDArray[np.int64], Floats]:
    """Triangles within some heights of a route, beside it and not beyond its ends, and where along it they are (m)."""
    mesh = model.system.space.mesh
    line = LineString(route.path)
    places = shapely.points(mesh.points[mesh.triangles].mean(axis=1))
    close = shapely.distance(line, places) <= heights * abs(route.height)
    near = np.flatnonzero(close if among is None else close & among)
    at = shapely.line_locate_point(line, places[near])
    inside = (at > 0) & (at < line.length)
    return near[inside], at[inside]


def traffic(
    model: Broadband, loops: Sequence[tuple[int, int]], contact_inside: NDArray[np.bool_], frequencies: Sequence[float]
) -> tuple[Floats, Complexes]:
    """
    Shares across regions and net currents through sections at many frequencies.

    Parameters
    ----------
    model : Broadband
    loops : sequence of (int, int)
    contact_inside : array of bool, shape (regions, contacts)
    frequencies : sequence of float, hertz

    Returns
    -------
    shares : array, shape (frequencies, regions, loops)
        Magnitudes.
    sections : array of complex, shape (frequencies, sections, loops)
    """
    mesh = model.system.space.mesh
    lines = [*mesh.region_borders, *mesh.section_edges]
    # Only the triangles along the lines matter.
    some = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *(line[:, 0] for line in lines)]))
    renumbered = [np.column_stack([np.searchsorted(some, line[:, 0]), line[:, 1:]]) for line in lines]
    split = len(mesh.region_borders)
    part = replace(
        mesh,
        triangles=mesh.triangles[some],
        region_borders=tuple(renumbered[:split]),
        section_edges=tuple(renumbered[split:]),
    )
    rows = (3 * some[:, None] + np.arange(3)).ravel()
    basis = model.system.to_local[rows] @ model.basis
    shares = np.zeros((len(frequencies), split, len(loops)))
    sections = np.zeros((len(frequencies), len(mesh.section_edges), len(loops)), dtype=np.complex128)
    for n, f in enumerate(frequencies):
        added = (basis @ model.reduced(f)).T.reshape(len(loops), len(some), 3)
        flow = coupling.Flow(part, 1, tuple(loops), model.system.stream[:, some] + added)
        shares[n], sections[n] = coupling.region_shares(flow, contact_inside), coupling.section_currents(flow)
    return shares, sections
