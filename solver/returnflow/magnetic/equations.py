"""The equations of sheet currents with dissipation and induction on one mesh, and what every loop drives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr
from scipy.sparse import block_diag, csc_array, csr_array, diags_array, hstack

from returnflow.magnetic import entering
from returnflow.magnetic.displacement import Piece, displaced
from returnflow.magnetic.induction import PanelOperator, Sandwich
from returnflow.magnetic.panels import RULE_2, RULE_5
from returnflow.magnetic.stack import Stack
from returnflow.magnetic.traces import MOST_LINES, Route, Traces, from_path, potentials
from returnflow.resistive.conduction import closed_at_dc
from returnflow.resistive.foil import MU0
from returnflow.resistive.linear import factorize
from returnflow.resistive.spaces import Path, Space, Topology, circuit_fields, path_fields, stream_map
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Routes = Sequence[Route | None]

FAR_TRIANGLES, FAR_WIDTHS, FAR_LINES = 4.0, 2.0, 8  # sizes of a triangle, widths of a trace; and lines for it then
NO_DRIVE = 1e-6  # of 1 A through a square: what contacts that are not quite without loss leave of a balance
LOSSLESS = 1e-6  # of its sheet resistance, what copper has inside contacts at 0 Hz


@dataclass(frozen=True)
class Foil:
    """
    All copper of one thickness on one level; or all traces, as if they were of the first thickness.

    Attributes
    ----------
    number, level : int
        Of its thickness, and of the level; -1 of traces.
    weight : float
        Sheet resistance at 0 Hz relative to the reference.
    dissipation : sparse array, shape (free, free)
        Of this copper, in units of its own sheet resistance.
    resistance : array, shape (loops, loops)
        Of the resistive pattern in this copper, squares.
    residual : array, shape (free, loops)
        Integral of K . curl w of the resistive pattern; zero where there is one foil and no link.
    """

    number: int
    level: int
    weight: float
    dissipation: csr_array
    resistance: Floats
    residual: Floats


@dataclass(frozen=True)
class System:
    """
    The equations on one mesh: dissipation A and induction L of stream functions, and what every loop drives.

    ``to_local`` leads from the unknowns (free stream values, then circuits from part to part of contacts and through
    links, then currents that spread over traces) to the local values of every triangle, (3 m, free). ``currents`` are
    the loops' resistive sheet currents at 1 A, (2, m, loops): x and y per triangle, A/m. The unknowns are what
    induction adds to them.

    ``dissipation`` and ``resistance`` are those at 0 Hz, of all foils and links, in squares of the reference.
    ``link_map`` leads from the unknowns to the currents in the links, (links, free); ``link_current`` are those of the
    resistive pattern, (links, loops). The first ``single`` unknowns are stream values. ``spreads`` is what induction
    makes of the last unknowns, those in traces, (free, q), henry. ``side`` is the face of every level that every loop's
    route lies over, (levels, loops): 1 the upper, -1 the lower, 0 neither.
    """

    space: Space
    to_local: csr_array
    curl: tuple[csr_array, csr_array]
    dissipation: csr_array
    panels: Sandwich | None  # None once everything is solved
    currents: Floats
    resistance: Floats  # squares
    drive: Floats  # (free, loops), henry per ampere
    inductance: Floats  # (loops, loops), of the resistive pattern
    stream: Floats  # (loops, m, 3): local values of the resistive stream function
    stack: Stack
    foils: tuple[Foil, ...]
    link_map: csr_array
    link_current: Floats
    single: int
    spreads: Floats
    side: Floats
    elastance: NDArray[np.complex128] | None = None  # (loops, loops), 1/F: see `displacement`
    loops: int = 0  # all but the displacement currents, which are the last of what is called loops here

    def induce(self, values: Floats) -> Floats:
        """Apply L to columns of stream values, (free, k) to (free, k), henry."""
        if self.panels is None:
            message = "This system is solved; its operators were let go."
            raise ValueError(message)
        result: Floats = MU0 / (4 * np.pi) * (self.panels @ values)
        links = self.stack.links
        if len(links):
            result += self.link_map.T @ (self.stack.beside(0) @ (self.link_map @ values))
        last = len(values) - self.spreads.shape[1]
        result += self.spreads @ values[last:]
        result[last:] += self.spreads[:last].T @ values[:last]
        return result

    @cached_property
    def extra(self) -> Floats:
        """
        What drives the unknowns besides induction, shape (free, k): a basis of it.

        Voltages across capacitors, and in copper of several thicknesses what the skin effect changes.
        """
        links = self.stack.links
        columns: list[Floats] = [self.link_map[np.flatnonzero(links.elastance)].toarray().T]
        if len(self.stack.weights) > 1 or np.any(links.resistance):
            total = np.zeros((len(self.stack.weights), *self.drive.shape))
            for foil in self.foils:
                total[foil.number] += foil.residual
            columns += list(total)
        every = np.concatenate(columns, axis=1)
        every = every[:, np.linalg.norm(every, axis=0) > NO_DRIVE]
        if not every.shape[1]:
            return np.zeros((len(self.drive), 0))
        base, triangle, _ = qr(every, mode="economic", pivoting=True)
        independent: Floats = base[:, np.abs(np.diag(triangle)) > NO_DRIVE]
        return independent

    @cached_property
    def normal(self) -> tuple[Floats, Floats, Floats]:
        """
        Flux through the copper of every loop's resistive pattern, as stream functions (see `faces`).

        That is the flux density over mu0 per relative sheet resistance, (free, loops) in 1/m per ampere; what
        induction makes of it; and mu0 times the integrals of their products over the thickness, (loops, loops).
        """
        areas = np.repeat(self.space.mesh.areas / 3, 3)
        local = self.to_local[:, : self.single]
        mass = local.T @ (areas[:, None] * np.ones((local.shape[0], 1)))
        weights = np.repeat(self.stack.weights[self.stack.foil], 3)
        heavy = local.T @ (areas * weights)[:, None]
        flux = np.zeros_like(self.drive)
        # Where a foil ends nothing of it is left to magnetize: the sums of edges and insulated edges stay zero.
        inner = np.flatnonzero(mass[:, 0] > 0)
        flux[inner] = self.drive[inner] / (MU0 * heavy[inner])
        values = self.to_local @ flux
        return flux, self.induce(flux), MU0 * (values.T @ ((areas * weights)[:, None] * values))

    @cached_property
    def normal_products(self) -> tuple[Floats, Floats]:
        """What drives the currents of `normal`, and their induction, (loops, loops) each."""
        flux, induced, _ = self.normal
        return flux.T @ self.drive, flux.T @ induced

    @cached_property
    def columns(self) -> Floats:
        """All that drives the unknowns, shape (free, loops + k)."""
        every: Floats = np.concatenate([self.drive, self.extra], axis=1)
        return every

    @property
    def between(self) -> NDArray[np.bool_]:
        """Which of the columns are displacement currents'."""
        number = np.arange(self.drive.shape[1] + self.extra.shape[1])
        displaced: NDArray[np.bool_] = (number >= self.loops) & (number < self.drive.shape[1])
        return displaced


def assemble(
    mesh: Mesh,
    contacts: int,
    loops: Sequence[tuple[int, int]],
    routes: Routes,
    stack: Stack | None = None,
    over: Sequence[Routes] | None = None,
    pieces: Sequence[Piece] = (),
) -> System:
    """
    Build the equations on a mesh.

    Parameters
    ----------
    mesh : Mesh
    contacts : int
    loops : sequence of (int, int)
        Contact of injection and of return.
    routes : sequence of Route or None
        Outgoing conductor of every loop; None: closed far away.
    stack : Stack, optional
        By default one copper without links.
    over : one sequence of routes for each level of the stack, optional
        The same routes with their heights over that level; by default all levels see `routes`.
    pieces : sequence of Piece, optional
        Of dielectric: displacement currents across them are more loops, behind the others.
    """
    stack = stack or Stack.plain(len(mesh.triangles))
    over = [routes] * len(stack.distance) if over is None else over
    links = stack.links
    space, triangles = Space(mesh, 1), len(mesh.triangles)
    # Outside the outlines that currents enter along there are ways from contact to contact; copper is everywhere.
    outer, bare = entering.parted(mesh, stack.outer, stack.along)
    topology = Topology(outer, contacts, links.ends)
    pick = csr_array(
        (np.ones(3 * triangles), space.local.ravel(), np.arange(3 * triangles + 1)), (3 * triangles, space.size)
    )
    plain = pick @ stream_map(Space(bare, 1), Topology(bare, contacts, links.ends))
    evened = entering.evened(mesh, stack.outer, stack.along)
    circuits = circuit_fields(topology, 1)
    to_local = csr_array(hstack([plain, entering.even(evened, _local_columns(circuits, triangles))]))
    gradients = space.shape_gradients_of(slice(None))[:, :, 0, :].reshape(-1, 2)
    every, corners = np.repeat(np.arange(triangles), 3), np.arange(3 * triangles)
    d_dx, d_dy = (csr_array((part, (every, corners)), (triangles, 3 * triangles)) for part in gradients.T)
    curl = (csr_array(d_dy @ to_local), csr_array(-d_dx @ to_local))

    crossing = displaced(topology, loops, pieces) if pieces else None
    paths = crossing.paths if crossing else path_fields(topology, loops, 1)
    local_paths = entering.even(evened, _local_columns(paths, triangles))
    currents = np.stack([(d_dy @ local_paths).toarray(), (-d_dx @ local_paths).toarray()])
    link_map = _link_map(circuits, plain.shape[1], len(links))
    count = len(paths)
    through = np.array([path.links for path in paths]).reshape(count, len(links)).T
    over = [[*at, *[None] * (count - len(loops))] for at in over]

    foils = sorted({(int(n), int(level)) for n, level in zip(stack.foil, stack.level, strict=True)})
    areas = [mesh.areas * ((stack.foil == n) & (stack.level == level)) for n, level in foils]
    weights = stack.weights[[n for n, _ in foils]]
    own = [csr_array(sum(part.T @ diags_array(area) @ part for part in curl)) for area in areas]
    ohmic = link_map.T @ diags_array(stack.ohmic) @ link_map
    dissipation = _sum(weights, own) + ohmic

    # The resistive pattern: circuits through capacitors carry nothing.
    closed = closed_at_dc(outer, contacts, links).names
    open_link = np.array([name not in closed for name in links.names], dtype=bool)
    live = np.flatnonzero(~(abs(link_map[open_link]).sum(axis=0) > 0)) if open_link.any() else slice(None)
    weight = diags_array(mesh.areas * stack.weights[stack.foil] * np.where(stack.contact, LOSSLESS, 1.0))
    lossy = csc_array(sum(part.T @ weight @ part for part in curl) + ohmic) if stack.contact.any() else dissipation
    load = sum(part.T @ (weight @ currents[c]) for c, part in enumerate(curl)) + link_map.T @ (
        stack.ohmic[:, None] * through
    )
    # A strip one triangle wide leaves the current no choice, and no unknown.
    resistive = np.zeros((to_local.shape[1], count))
    if to_local.shape[1]:
        resistive[live] = factorize(csc_array(csc_array(lossy)[:, live][live]))(-np.asarray(load)[live])
    for c, part in enumerate(curl):
        currents[c] += part @ resistive
    through = through + link_map @ resistive
    stream = (local_paths.toarray() + to_local @ resistive).T.reshape(count, triangles, 3)
    areas = [area * ~stack.contact for area in areas]
    parts = tuple(_foil(*item, curl, currents, live_alone=len(areas) == 1 and not len(links))
                  for item in zip(foils, weights, areas, own, strict=True))  # fmt: skip
    resistance = sum(foil.weight * foil.resistance for foil in parts) + through.T @ (stack.ohmic[:, None] * through)

    panels = PanelOperator(mesh.points[mesh.triangles], stack.level, stack.distance)
    induced = MU0 / (4 * np.pi) * (panels @ np.concatenate([currents[0], currents[1]], axis=1))
    traces = Traces.of(over)
    along = _trace_integrals(mesh, traces, stack.level)
    trace, spread = along[..., :count], along[..., count:]
    potential = np.stack([induced[:, :count], induced[:, count:]]) + trace
    aside = np.vstack([through, np.eye(count)])
    inductive = stack.beside(count) @ aside
    drive = curl[0].T @ potential[0] + curl[1].T @ potential[1] + link_map.T @ inductive[: len(links)]
    own = sum(currents[c].T @ potential[c] + trace[c].T @ currents[c] for c in (0, 1)) + aside.T @ inductive
    inductance = 0.5 * (own + own.T) + traces.flux[:count, :count]
    # What spreads in traces comes last.
    drive = np.vstack([drive, spread[0].T @ currents[0] + spread[1].T @ currents[1] + traces.flux[count:, :count]])
    spreads = np.vstack([curl[0].T @ spread[0] + curl[1].T @ spread[1], traces.flux[count:, count:]])
    all_foils, whole = _with_traces(parts, csr_array(dissipation), traces.resistance(stack.thickness))
    more = spread.shape[2]
    to_local, link_map, *curls = (_wider(part, more) for part in (to_local, link_map, *curl))
    side = [[side if route is None else np.sign(route.height) for route in at]
            for side, at in zip(stack.side, over, strict=True)]  # fmt: skip
    if crossing:
        faces = crossing.faces(stack.level, outer)
        side = np.where(faces != 0, faces, side).tolist()
    return System(
        space, to_local, (curls[0], curls[1]), whole, panels.between((curls[0], curls[1])), currents,
        np.asarray(resistance), drive, inductance, stream, stack, all_foils, link_map, through, plain.shape[1], spreads,
        np.array(side), crossing.elastance if crossing else None, len(loops),
    )  # fmt: skip


def _wider(matrix: csr_array, more: int) -> csr_array:
    """With so many empty columns more."""
    return csr_array((matrix.data, matrix.indices, matrix.indptr), shape=(matrix.shape[0], matrix.shape[1] + more))


def _with_traces(foils: Sequence[Foil], dissipation: csr_array, squares: Floats) -> tuple[tuple[Foil, ...], csr_array]:
    """Foils and dissipation with what spreads in traces, and dissipates there, as the last unknowns."""
    if not len(squares):
        return tuple(foils), csr_array(dissipation)
    nothing = csr_array(squares.shape)
    wider = [
        replace(
            foil,
            dissipation=csr_array(block_diag([foil.dissipation, nothing])),
            residual=np.pad(foil.residual, ((0, len(squares)), (0, 0))),
        )
        for foil in foils
    ]
    none = csr_array(dissipation.shape)
    traces = replace(
        wider[0],
        level=-1,
        dissipation=csr_array(block_diag([none, squares])),
        resistance=0 * wider[0].resistance,
        residual=0 * wider[0].residual,
    )
    return (*wider, traces), csr_array(block_diag([dissipation, traces.weight * squares]))


def _sum(weights: Floats, parts: Sequence[csr_array]) -> csr_array:
    total = parts[0] if weights[0] == 1 else weights[0] * parts[0]
    for weight, part in zip(weights[1:], parts[1:], strict=True):
        total = total + weight * part
    return csr_array(total)


def _foil(
    name: tuple[int, int],
    weight: float,
    area: Floats,
    own: csr_array,
    curl: tuple[csr_array, csr_array],
    currents: Floats,
    *,
    live_alone: bool,
) -> Foil:
    """One foil's part in the resistive pattern."""
    carried = [diags_array(area) @ currents[c] for c in (0, 1)]
    resistance = sum(currents[c].T @ carried[c] for c in (0, 1))
    residual = sum(part.T @ carried[c] for c, part in enumerate(curl))
    # By itself it dissipates least: what is left is rounding.
    return Foil(*name, float(weight), own, np.asarray(resistance), 0 * residual if live_alone else np.asarray(residual))


def _local_columns(paths: Sequence[Path], triangles: int) -> csc_array:
    """Local values of path fields as columns, shape (3 m, paths)."""
    rows = [(3 * path.triangles[:, None] + np.arange(3)).ravel() for path in paths]
    values = [path.values.ravel() for path in paths]
    column = np.repeat(np.arange(len(paths)), [len(part) for part in rows])
    if not paths:
        return csc_array((3 * triangles, 0))
    return csc_array((np.concatenate(values), (np.concatenate(rows), column)), shape=(3 * triangles, len(paths)))


def _link_map(circuits: Sequence[Path], before: int, links: int) -> csr_array:
    """From the unknowns, circuits last, to the currents in the links, shape (links, free)."""
    values = np.array([path.links for path in circuits]).reshape(len(circuits), links)
    circuit, link = np.nonzero(values)
    return csr_array((values[circuit, link], (link, before + circuit)), shape=(links, before + len(circuits)))


def _trace_integrals(mesh: Mesh, traces: Traces, level: Ints) -> Floats:
    """Integral of every potential of the traces over every triangle, shape (2, m, loops + q), Vs m/A."""
    corners = mesh.points[mesh.triangles]
    middle = corners.mean(axis=1)
    reach = np.hypot(*(corners - middle[:, None]).transpose(2, 0, 1)).max(axis=1)
    result = np.zeros((2, len(corners), len(traces.flux)))
    for number, heights in enumerate(traces.heights):
        mine = np.flatnonzero(level == number)
        for n, (leg, height) in enumerate(zip(traces.legs, heights, strict=True)):
            away = np.hypot(from_path(leg.path, middle[mine])[0], height)
            far = away > np.maximum(FAR_TRIANGLES * reach[mine], FAR_WIDTHS * leg.as_sheet)
            # What is far is smooth across the trace and across the triangle.
            for some, (points, weights), lines in ((mine[~far], RULE_5, MOST_LINES), (mine[far], RULE_2, FAR_LINES)):
                own = potentials(leg, (points @ corners[some]).reshape(-1, 2), leg.height - height, lines)
                own = weights @ own.reshape(len(own), len(some), len(points), 2) * mesh.areas[some, None]
                for column, part in traces.spread(n, own):
                    result[:, some, column] += part.T
    return result
