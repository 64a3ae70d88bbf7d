"""From solved fields to what a reviewer asks: shares, net currents, crowding, coupling map, placement map."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from returnflow.answers.contours import isolines, straight_pieces
from returnflow.resistive.solution import Conduction
from returnflow.resistive.spaces import CORNER_MASS, Space
from returnflow.resistive.streams import Streams
from returnflow_geometry.mesh.mesher import Mesh

NOTHING_SHARED = "The two currents share no copper: the coupling is magnetic."
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Sheet current is averaged over this distance before its peak is taken: at a sharp corner the sheet model has
# no finite peak, and real corners are rounded by etching and by the foil's own thickness.
PATCH = 0.1e-3

# Centres of 16 equal parts of a triangle, barycentric.
SAMPLES = (
    np.array(
        [
            (i + shift, j + shift, 4 - i - j - 2 * shift)
            for shift, rows in ((1 / 3, 4), (2 / 3, 3))
            for i in range(rows)
            for j in range(rows - i)
        ]
    )
    / 4
)


@dataclass(frozen=True)
class Peak:
    """Largest sheet current of a loop, averaged over a patch of 0.1 mm: A/m per ampere, where (m), on which copper."""

    value: float
    x: float
    y: float
    copper: int = 0


@dataclass(frozen=True)
class Flow:
    """
    Stream functions of loops on a mesh: what shares and net currents need, at 0 Hz or at any frequency.

    Attributes
    ----------
    mesh : Mesh
    order : int
    loops : tuple of (int, int)
    stream : Streams, or array of shape (loops, m, 3 or 6)
        Real or complex.
    """

    mesh: Mesh
    order: int
    loops: tuple[tuple[int, int], ...]
    stream: NDArray[Any] | Streams


def _flow(solution: Conduction | Flow) -> Flow:
    if isinstance(solution, Flow):
        return solution
    return Flow(solution.mesh, solution.space.order, solution.loops, solution.stream)


def section_currents(solution: Conduction | Flow) -> NDArray[Any]:
    """
    Net current of every loop through every section, per ampere, shape (sections, loops); complex where the flow is.

    Positive from the left to the right of the section's path. From the stream function, so the same current
    crosses every cut to rounding.
    """
    flow = _flow(solution)
    result = np.zeros((len(flow.mesh.section_edges), len(flow.loops)), dtype=flow.stream.dtype)
    for number, edges in enumerate(flow.mesh.section_edges):
        if len(edges):
            values = _along_edges(flow, edges[:, :2])
            result[number] = np.sum((values[..., -1] - values[..., 0]) * edges[:, 2], axis=1)
    return result


def region_shares(solution: Conduction | Flow, contact_inside: NDArray[np.bool_]) -> Floats:
    """
    Fraction of every loop's current that crosses every region, shape (regions, loops).

    Half of the integral of abs(K.n) round the region's border: what flows in. A streamline that enters twice
    counts twice. 1 where the loop is injected or returns inside the region: then all of it is there.

    Parameters
    ----------
    solution : Conduction or Flow
    contact_inside : array of bool, shape (regions, contacts)
        Which contacts belong to each region.
    """
    flow = _flow(solution)
    shares = np.zeros((len(flow.mesh.region_borders), len(flow.loops)))
    for number, border in enumerate(flow.mesh.region_borders):
        traffic = np.sum(total_variation(_along_edges(flow, border)), axis=1)
        for j, (start, end) in enumerate(flow.loops):
            ends_inside = bool(contact_inside[number, start]) or bool(contact_inside[number, end])
            shares[number, j] = 1.0 if ends_inside else 0.5 * traffic[j]
    return shares


def _along_edges(flow: Flow, pairs: Ints) -> NDArray[Any]:
    """Stream function of every loop along (triangle, edge) pairs, shape (loops, k, 2 or 3)."""
    tri, k = pairs[:, 0], pairs[:, 1]
    parts = [flow.stream[:, tri, k], flow.stream[:, tri, (k + 1) % 3]]
    if flow.order == 2:
        parts.insert(1, flow.stream[:, tri, 3 + k])
    return np.stack(parts, axis=-1)


def total_variation(values: NDArray[Any]) -> Floats:
    """Total variation along edges of values at start, (middle,) end: the integral of abs(K.n)."""
    if values.shape[-1] == 2:
        step: Floats = np.abs(values[..., 1] - values[..., 0])
        return step
    a, m, b = np.moveaxis(values, -1, 0)
    bend = 4 * (a - 2 * m + b)
    turn = np.divide(3 * a - 4 * m + b, bend, out=np.full_like(a, -1.0), where=bend != 0)
    turns = (turn > 0) & (turn < 1)
    s = np.where(turns, turn, 0.0)
    extreme = a * (1 - s) * (1 - 2 * s) + 4 * m * s * (1 - s) + b * s * (2 * s - 1)
    total: Floats = np.abs(extreme - a) + np.abs(b - extreme)
    return total


def peak_current(solution: Conduction, loop: int, patch: float = PATCH) -> Peak:
    """Peak of one loop, see `peak_currents`."""
    return peak_currents(solution, [loop], patch)[0]


def peak_currents(solution: Conduction, loops: Iterable[int], patch: float = PATCH) -> tuple[Peak, ...]:
    """
    Largest sheet current of loops per ampere, averaged over a disc of diameter `patch` in metres, and where.

    The average makes the figure independent of the mesh at corners, where the sheet model itself diverges.
    """
    mesh = solution.mesh
    centre = mesh.points[mesh.triangles].mean(axis=1)
    tree = KDTree(centre)
    return tuple(_peak(solution, loop, centre, tree, patch) for loop in loops)


def _peak(solution: Conduction, loop: int, centre: Floats, tree: KDTree, patch: float) -> Peak:
    K = np.linalg.norm(solution.current(loop), axis=2).mean(axis=1)
    areas = solution.mesh.areas
    # No average exceeds the largest value in it: walk down from the largest until that cannot win any more.
    order = np.argsort(-K, kind="stable")
    best = Peak(0.0, float(centre[0, 0]), float(centre[0, 1]))
    for tri in order:
        if K[tri] <= best.value:
            break
        near = tree.query_ball_point(centre[tri], patch / 2)
        value = float(np.dot(K[near], areas[near]) / np.sum(areas[near]))
        if value > best.value:
            best = Peak(value, float(centre[tri, 0]), float(centre[tri, 1]))
    return best


def coupling_density(solution: Conduction, i: int, j: int) -> Floats:
    """
    Coupling map of loops i and j: integrand of their transfer resistance, mean per triangle, ohm/m², shape (m,).

    The mean of both sides, so that its integral is the mid value of the bracket. Positive where the two
    currents flow together, negative where they oppose.
    """
    total = np.zeros(len(solution.mesh.triangles))
    for side in ("potential", "stream"):
        first, second = solution.current(i, side), solution.current(j, side)
        total += 0.5 * np.einsum("mcd,ce,med->m", first, CORNER_MASS, second, optimize=True)
    density: Floats = solution.sheet * solution.weight * total
    return density


def carrying_triangles(density: Floats, areas: Floats, fraction: float = 0.9) -> NDArray[np.bool_]:
    """
    Smallest set of triangles that carries a fraction of the integral of abs(density), as a mask of shape (m,).

    Examples
    --------
    >>> carrying_triangles(np.array([8.0, -1.0, 1.0]), np.ones(3), 0.75)
    array([ True, False, False])
    """
    weight = np.abs(density)
    order = np.argsort(-weight, kind="stable")
    carried = np.cumsum((weight * areas)[order])
    needed = int(np.searchsorted(carried, fraction * carried[-1] * (1 - 1e-12))) + 1
    chosen = np.zeros(len(density), dtype=bool)
    chosen[order[:needed]] = True
    return chosen


def placement_noise(solution: Conduction, reference: int, loops: Ints, mixing: Floats) -> tuple[Floats, Floats]:
    """
    Placement map: noise between every unknown's place and the reference contact, in volts.

    A sensitive loop that is grounded at a place and returns at the reference contact has this noise in series.

    Parameters
    ----------
    solution : Conduction
    reference : int
        Contact of the input connector.
    loops : array of int, shape (k,)
        Noisy loops.
    mixing : array, shape (k, n)
        How their currents add, A: voltages per ampere, times this, add in the mean square (`adding.weights`).

    Returns
    -------
    rms, worst : arrays, shape (space.size,)
        Root of the sum of squares, and sum of magnitudes. NaN on copper not connected to the reference.
    """
    relative = (solution.potential[:, loops] - solution.contact_potential[reference, loops]) @ mixing
    rms, worst = np.sqrt(np.sum(relative**2, axis=1)), np.sum(np.abs(relative), axis=1)
    apart = ~connected_unknowns(solution, reference)
    rms[apart] = worst[apart] = np.nan
    return rms, worst


def placement_area(solution: Conduction, reference: int, loops: Ints, mixing: Floats, limit: float) -> float:
    """
    Copper in m² on which the rms noise of `placement_noise` is within a limit in volts.

    From the potentials at many points: where they cross zero, the magnitude has valleys narrower than a triangle.
    """
    mesh = solution.mesh
    relative = (solution.potential[:, loops] - solution.contact_potential[reference, loops]) @ mixing
    pieces = sub_triangles(solution.space)
    within = np.zeros(len(mesh.triangles))
    for piece in pieces:
        squares = np.zeros((len(SAMPLES), len(mesh.triangles)))
        for values in relative.T:
            squares += (SAMPLES @ values[piece]) ** 2
        within += np.mean(squares <= limit**2, axis=0) / len(pieces)
    within[~connected_unknowns(solution, reference)[solution.space.local[:, 0]]] = 0
    return float(np.sum(within * mesh.areas))


def placement_radius(solution: Conduction, rms: Floats, limit: float, centre: Floats) -> float:
    """
    Distance in metres from a place within which a placement map (size,) keeps a limit wherever it is known.

    Copper of other pieces is no place for an amplifier, nor is copper over the limit that no line of equal noise
    parts from the rest, as beyond a gap.
    """
    places, known = unknown_places(solution), ~np.isnan(rms)
    over = np.hypot(*(places[known & ~(rms <= limit)] - centre).T)
    points, values = straight_pieces(solution.mesh, rms[solution.space.local])
    border = isolines(points, values, np.full(len(points), limit), np.arange(len(points)))
    if len(border):
        over = np.append(over, np.min(shapely.distance(shapely.linestrings(border), shapely.points(centre))))
    return float(np.min(over)) if len(over) else float(np.max(np.hypot(*(places[known] - centre).T)))


def connected_unknowns(solution: Conduction, contact: int) -> NDArray[np.bool_]:
    """Which unknowns lie on copper connected to a contact, shape (space.size,)."""
    topology = solution.topology
    mesh = solution.mesh
    mine = topology.conductor[mesh.contact_of] == topology.conductor[contact]
    pieces = np.unique(topology.piece[mesh.contact_edges[mine, 0]])
    result = np.zeros(solution.space.size, dtype=bool)
    result[solution.space.local[np.isin(topology.piece, pieces)]] = True
    return result


def unknown_places(solution: Conduction) -> Floats:
    """Place of every unknown in metres, shape (space.size, 2)."""
    mesh, space = solution.mesh, solution.space
    places = np.empty((space.size, 2))
    corners = mesh.points[mesh.triangles]
    places[space.local[:, :3]] = corners
    if space.order == 2:
        places[space.local[:, 3:]] = 0.5 * (corners + np.roll(corners, -1, axis=1))
    return places


def sub_triangles(space: Space) -> Ints:
    """Unknowns of the corners of the straight pieces that draw each triangle, shape (1 or 4, 3, m)."""
    local = space.local.T
    if space.order == 1:
        return local[None, :, :]
    a, b, c, ab, bc, ca = local
    return np.array([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]])


def contact_centre(solution: Conduction, contact: int) -> Floats:
    """Centroid of the rim of a contact in metres, shape (2,)."""
    mesh = solution.mesh
    tri, k = mesh.contact_edges[mesh.contact_of == contact].T
    ends = mesh.points[mesh.edge_ends[tri, k]]
    centre: Floats = np.average(ends.mean(axis=1), axis=0, weights=mesh.edge_lengths[tri, k])
    return centre
