"""The magnetic mesh of a case, fine where its routes and gaps want it, and what is solved on it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from returnflow.magnetic.barrels import inductance_of_barrels
from returnflow.magnetic.contacts import NARROW as WIDEST_ENTRY
from returnflow.magnetic.contacts import Opened, Told, opened
from returnflow.magnetic.coplanar import Across
from returnflow.magnetic.displacement import Piece
from returnflow.magnetic.equations import System, assemble
from returnflow.magnetic.one_mesh import LOOK
from returnflow.magnetic.routes import Faced, elevations, faced, routes_of
from returnflow.magnetic.stack import Stack
from returnflow.magnetic.traces import Route
from returnflow.resistive import expected
from returnflow.resistive.conductors import Conductors, StackMesher, copper_numbers
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.linear import NumericalError, Progress
from returnflow.resistive.refinement import diagonal
from returnflow_geometry.mesh.halving import halved
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.mesh.sizes import starting_size
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

ROUTE_STEP = 4.0  # edges per height under a route
WIDE_ROUTE = 2.0  # heights; under a wider route current is even but near its edges
EDGE_STEP = 2.0  # triangles under those edges, as under a narrow route times this: 2.5 is 2 % off a strip
FINEST = 30e-6  # m; no finer under a route
GAP_STEP = 0.1  # heights per edge along a gap: the return crowds at its rim, and one height is 2.5 % too coarse
GAP_FINEST = 0.1e-3  # m; no finer along a gap
RIM_WIDTHS = 0.5  # widths of a gap per edge along it, where displacement current passes
GROWTH = 0.3
IDLE_PARTS = 30.0  # of the diagonal, the largest edges of copper that no loop reaches
BEHIND_STEP = 2.0  # edges per height on such copper where other copper shields it from the route
RIM_STEP = 2.0  # edges per distance on such copper where it faces a gap
USUAL_ACCURACY = 0.01  # of a case that the edges here are meant for
COARSEST = 2.5  # where less accuracy is asked for: edges of such a factor
COARSE = 4.0  # edges of the coarser of two meshes over all these; the finer one has half of it
STRIP = 2.0  # the same where copper is narrow, or faces narrow copper
RIM = 0.25  # of the largest edges, along the outline of wide copper: what runs far from any route crowds there
WIDE = 2.5  # diagonals at least of such an outline; the edges of narrower copper are near its middle
STEEPEST = 0.5  # growth of triangles
MOST_TRIANGLES = 300_000
ACROSS = 4.0  # triangles across a narrow copper
SLIM = 2.0  # heights; under a narrower copper what its edges draw runs together
NARROW = 10.0  # heights; the edges of a wider copper are far apart against what happens under them


def route_size(mesher: Mesher, routes: Sequence[Route | None], largest: float) -> SizeField:
    """Size field of the magnetic mesh: a quarter of the height under a route, half under the edges of a wide one."""
    fields = [starting_size(mesher.coarse(), largest, corner=0.5)]
    copper = mesher.plane.copper
    for route in routes:
        if route is None:
            continue
        line = LineString(route.path)
        # What lies beside the copper is as far from it as what lies above.
        reach = float(np.hypot(route.nearest, shapely.distance(line, copper)))
        if reach < largest and route.width > WIDE_ROUTE * reach:
            # Under the middle of a wide one current is even: what is fine there is under its edges.
            edges = line.buffer(0.5 * route.width, cap_style="flat", join_style="mitre").boundary
            size = max(EDGE_STEP * reach / ROUTE_STEP, FINEST)
            fields += [_along_line(edge, size, largest) for edge in shapely.get_parts(edges)]
        elif reach < largest:
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


def mesh_of(
    case: Case,
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    facing: Sequence[Faced] | None = None,
    coarser: float = COARSE,
    gaps: Sequence[Across] = (),
    whole: Collection[str] = (),
) -> Mesh:
    """
    Mesh of a case for its magnetic field, edges `coarser` times as long as its routes and gaps want by themselves.

    It holds more than `conductors`: idle copper near them as well. Its edges grow with the accuracy asked for, as
    errors grow with them. Along `gaps` that displacement current passes it is finer as well. Contacts among `whole` are
    entered along their outline, however wide they are.
    """
    # One mesh alone is to be as accurate as two.
    usual = LOOK if case.accuracy >= LOOK else USUAL_ACCURACY
    coarser *= float(np.clip(case.accuracy / usual, 1.0, COARSEST))
    facing = faced(case, conductors) if facing is None else facing
    conductors = Conductors.magnetic(case)
    over = [routes_of(case, name, conductors.names) for name in conductors.names]

    drawn = _opened(conductors, loops, over, whole)

    def size(number: int, mesher: Mesher) -> SizeField:
        plane = conductors.planes[number]
        if number >= len(conductors.names) - conductors.idle:
            return _coarser(_idle_sizes(case, conductors, number, over, facing), coarser)
        largest = diagonal(plane) / 40
        narrow = _width(plane) / ACROSS
        if len(conductors.planes) > 1:
            largest = min(largest, narrow)
        field = route_size(mesher, over[number], largest)
        slots = _gap_sizes(case, conductors.names[number], [item for item in facing if item.copper == number], field)
        slots += _displaced_sizes(gaps, number, largest)
        rings = [ring for ring in shapely.get_parts(plane.copper.boundary) if ring.length > WIDE * diagonal(plane)]
        rims = [_along_line(ring, RIM * diagonal(plane) / 40, largest) for ring in rings]
        strip = coarser * STRIP / COARSE
        field = _coarser(replace(field, others=(*field.others, *slots, *rims)), coarser if rims else strip)
        faced_by = [_coarser(other, coarser if slim and rims else strip)
                    for other, slim in _facing_sizes(conductors, number, largest)]  # fmt: skip
        return replace(field, largest=min(field.largest, strip * narrow), others=(*field.others, *faced_by))

    mesh = StackMesher(drawn.conductors).graded(size)
    count = 4 * len(mesh.triangles)
    if count > MOST_TRIANGLES:
        message = (
            f"The magnetic mesh takes {count} triangles, and {MOST_TRIANGLES} are allowed: leave out routes, "
            "small cutouts or coppers that no loop of interest needs, set a larger `accuracy`, or ask for "
            "frequencies_Hz = [0]."
        )
        raise NumericalError(message)
    return mesh


def system_of(case: Case, conductors: Conductors, loops: Sequence[tuple[int, int]]) -> System:
    """Equations of a case on the finer of its two meshes."""
    return system_on(halved(mesh_of(case, conductors, loops)), case, conductors, loops)


def system_on(
    mesh: Mesh,
    case: Case,
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    progress: Progress | None = None,
    pieces: Sequence[Piece] = (),
    whole: Collection[str] = (),
) -> System:
    """Equations of a case on a mesh of `mesh_of`, or on a halved one, with displacement currents across dielectric."""
    conductors = Conductors.magnetic(case)
    over = [routes_of(case, name, conductors.names) for name in conductors.names]
    told = Told.apart(mesh, conductors.counts[0], _opened(conductors, loops, over, whole).entered)
    mesh = told.mesh
    if progress:
        count = len(mesh.triangles)
        progress(f"magnetic mesh: {count} triangles")
        if ahead := expected.said(count, *expected.magnetic(count, len(conductors.names))):
            progress(ahead)
    copper = copper_numbers(mesh)
    level, (thickness, foil) = conductors.levels[0], conductors.foils
    first = [int(np.flatnonzero(level == n)[0]) for n in range(int(level.max()) + 1)]
    at = elevations(case, conductors.names)
    height = np.array([at[case.board.copper(conductors.names[n]).layer] for n in first])
    sheets = np.array([sheet_resistance(t, case.board.temperature) for t in thickness])
    stack = Stack(
        foil[copper], sheets / conductors.reference, level[copper], np.abs(height[:, None] - height),
        conductors.links, conductors.ohmic, _facing_side(height), told.inside, float(thickness[0]),
        inductance_of_barrels(case, conductors), told.outer, told.along,
    )  # fmt: skip
    return assemble(mesh, len(conductors.terminals), loops, over[0], stack, [over[n] for n in first], pieces)


def _opened(
    conductors: Conductors,
    loops: Sequence[tuple[int, int]],
    over: Sequence[Sequence[Route | None]],
    whole: Collection[str],
) -> Opened:
    entering = dict.fromkeys([*np.ravel(loops).tolist(), *conductors.links.ends.ravel().tolist()], np.inf)
    for n, ends in enumerate(loops):
        # The return runs under a route to where that ends; other loops' routes are none of this contact's affair.
        mine = [routes[n] for routes in over if n < len(routes)]
        heights = [abs(route.nearest) for route in mine if route is not None]
        widest = WIDEST_ENTRY * min((h for h in heights if h > 0), default=np.inf)
        entering |= {end: min(widest, entering[end]) for end in ends}
    return opened(conductors, entering, over, {conductors.number[name] for name in whole})


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


def _displaced_sizes(gaps: Sequence[Across], number: int, largest: float) -> list[SizeField]:
    """Size fields along the rims of gaps that displacement current passes: current along them crowds there."""
    fields = []
    for gap in (item.gap for item in gaps):
        size = max(RIM_WIDTHS * float(np.median(gap.width)), GAP_FINEST)
        rims = [rim for copper, rim in zip(gap.coppers, (gap.near, gap.far), strict=True) if copper == number]
        fields += [_along_line(LineString(rim), size, largest) for rim in rims if size < largest]
    return fields


def _idle_sizes(
    case: Case, conductors: Conductors, number: int, over: Sequence[Sequence[Route | None]], facing: Sequence[Faced]
) -> SizeField:
    """
    Size field of a copper that no loop reaches: fine only where it faces a route, or gaps in what shields it.

    Behind other copper the field is as smooth as the way to the route is long.
    """
    plane, board = conductors.planes[number], case.board
    largest = min(diagonal(plane) / IDLE_PARTS, _width(plane) / ACROSS)
    order = {layer.name: n for n, layer in enumerate(board.layers)}
    place = [order[board.copper(name).layer] for name in conductors.names]
    fields = []
    for loop, route, item in zip(case.loops, over[number], facing, strict=True):
        if route is None or loop.route is None:
            continue
        line, start = LineString(route.path), order[loop.route.layer]
        between = [n for n, at in enumerate(place) if min(start, place[number]) < at < max(start, place[number])]
        shield = shapely.union_all([conductors.planes[n].copper for n in between])
        reach = max(float(np.hypot(route.nearest, shapely.distance(line, plane.copper))), 0.5 * route.width)
        for part, step in ((line.difference(shield), ROUTE_STEP), (line.intersection(shield), BEHIND_STEP)):
            size = max(reach / step, FINEST)
            pieces = [piece for piece in shapely.get_parts(part) if piece.length > 0 and size < largest]
            fields += [_along_line(piece, size, largest) for piece in pieces]
        for cutout in board.cutouts:
            if cutout.copper == conductors.names[item.copper] and cutout.name in item.gaps:
                size = max(float(conductors.distance[number, item.copper]) / RIM_STEP, GAP_FINEST)
                rims = shapely.get_parts(shapely.boundary(cutout.shape))
                fields += [_along_line(rim, size, largest) for rim in rims if size < largest]
    corner = np.array([plane.copper.bounds[:2]])
    return SizeField(corner, np.array([largest]), largest, GROWTH, tuple(fields))


def _facing_side(height: Floats) -> Floats:
    """Side on which the nearest other level lies, shape (levels,): 1 above, -1 below, 0 where there is none."""
    away = np.abs(height[:, None] - height) + np.where(np.eye(len(height)) > 0, np.inf, 0.0)
    side: Floats = np.sign(height[np.argmin(away, axis=1)] - height)
    return side


def _width(plane: Plane) -> float:
    """Width of a long copper, metres: its area over half its outline."""
    return float(2 * plane.copper.area / plane.copper.length)


def _facing_sizes(conductors: Conductors, number: int, largest: float) -> list[tuple[SizeField, bool]]:
    """
    Size fields where a narrow copper lies over this one: at high frequency they crowd under each other's edges.

    With whether it is slim: what is under one edge then runs into what is under the other, as smooth as under a route.
    """
    fields = []
    for other, plane in enumerate(conductors.planes):
        height = conductors.distance[number, other]
        if 0 < height < largest and _width(plane) < NARROW * height:
            size = max(height / ROUTE_STEP, FINEST)
            slim = _width(plane) < SLIM * height
            fields += [(_along_line(ring, size, largest), slim) for ring in shapely.get_parts(plane.copper.boundary)]
    return fields
