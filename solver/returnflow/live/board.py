"""What the live page solves: copper meshed without the contacts that move, every contact a port, links between ports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu
from shapely import Polygon

from returnflow.live.sheet import Unknowns
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesh, Mesher, MeshError, Plane, starting_size
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.model.board import Case, Shape
from returnflow_geometry.model.wording import label

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NANO = 1e-9  # m; places are whole nanometres, so that page and reference start from the same numbers
LARGEST = 20  # largest triangles per diagonal of a copper
BORDER = 70  # edges of the border per diagonal: a contact is as exact as it is far from the border in such edges
ROUND = 0.97  # 4 pi area over the square of the perimeter: from here on a contact is a disc
WIDE = 0.02  # of the diagonal: a wider disc is meshed and stays, its first-order term is not enough


@dataclass(frozen=True)
class Port:
    """
    One place where current enters a sheet: a disc that moves, or a run of edges along a contact that stays.

    Attributes
    ----------
    terminal : int
    sheet : int
    place : (float, float)
        Centre of the disc; of a closed rim a point inside it, of an open one a place to draw it, metres.
    radius : float
        Metres; 0 for a contact that stays.
    strength : int
        1 if the field has a point source at `place`, 0 for an open run.
    """

    terminal: int
    sheet: int
    place: tuple[float, float]
    radius: float
    strength: int


@dataclass(frozen=True)
class Sheet:
    """
    A connected piece of copper as it is meshed for the page.

    Attributes
    ----------
    copper : int
    resistance : float
        Ohm per square.
    points : array of int, shape (n, 2), nanometres
    triangles : array of int, shape (m, 3)
        Counter-clockwise. Edge k runs from corner k to corner k + 1; its number is 3 times the triangle's plus k.
    rings : tuple of arrays of int
        Edges of every closed line of the border in their order, copper on the left; the outer one first.
    runs : tuple of arrays of int
        Port of each of those edges, -1 where it is insulated.
    drain : int
        Insulated edge of the outer line by which a current leaves that no port takes.
    regions, sections : tuples of (number, edges), sections with a sign per edge
    orders : (array, array)
        Order in which the unknowns of potential and stream function are eliminated.
    """

    copper: int
    resistance: float
    points: Ints
    triangles: Ints
    rings: tuple[Ints, ...]
    runs: tuple[Ints, ...]
    drain: int
    regions: tuple[tuple[int, Ints], ...] = ()
    sections: tuple[tuple[int, Ints, Ints], ...] = ()
    orders: tuple[Ints, Ints] = field(default=(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)))


@dataclass(frozen=True)
class LiveBoard:
    """
    Sheets, ports, and what joins them.

    Attributes
    ----------
    case : Case
    conductors : Conductors
    sheets : tuple of Sheet
    ports : tuple of Port
    of_terminal : tuple of tuples of int
        Ports of every terminal.
    links : tuple of (port, port, ohm)
        Links of the case that conduct at 0 Hz, then shorts between the ports of one terminal.
    names : tuple of str
        Of the links of the case.
    loops : tuple of (port, port)
        Injection and return.
    """

    case: Case
    conductors: Conductors
    sheets: tuple[Sheet, ...]
    ports: tuple[Port, ...]
    of_terminal: tuple[tuple[int, ...], ...]
    links: tuple[tuple[int, int, float], ...]
    names: tuple[str, ...]
    loops: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, case: Case, fineness: float = 1.0) -> LiveBoard:
        """
        Mesh the coppers of a case for its live page.

        Parameters
        ----------
        case : Case
        fineness : float
            Edges are so many times shorter than the page needs.
        """
        conductors = Conductors.of(case)
        sheets: list[Sheet] = []
        ports: list[Port] = []
        for number in range(len(conductors.names)):
            _mesh_copper(case, conductors, number, fineness, sheets, ports)
        of_terminal = tuple(
            tuple(n for n, port in enumerate(ports) if port.terminal == t) for t in range(len(conductors.terminals))
        )
        first = [mine[0] if mine else -1 for mine in of_terminal]
        links = conductors.links
        kept = links.only(links.conducting)
        if not _connected(len(sheets), ports, of_terminal, kept.ends, conductors.ends(case)):
            kept = links  # a capacitor that is the only way is taken as closed
        joins = [
            (first[a], first[b], float(ohm)) for (a, b), ohm in zip(kept.ends.tolist(), kept.resistance, strict=True)
        ]
        joins += [(mine[0], other, 0.0) for mine in of_terminal for other in mine[1:]]
        loops = tuple((first[a], first[b]) for a, b in conductors.ends(case))
        return cls(case, conductors, tuple(sheets), tuple(ports), of_terminal, tuple(joins), kept.names, loops)


def _connected(
    sheets: int, ports: Sequence[Port], of_terminal: Sequence[Sequence[int]], links: Ints, loops: Sequence[tuple[int, int]]
) -> bool:
    """Whether every loop has a way back through sheets and links."""
    group = list(range(sheets))

    def join(a: int, b: int) -> None:
        old, new = group[a], group[b]
        for n, value in enumerate(group):
            group[n] = new if value == old else value

    sheet = [[ports[n].sheet for n in mine] for mine in of_terminal]
    for mine in sheet:
        for other in mine[1:]:
            join(mine[0], other)
    for a, b in links.tolist():
        join(sheet[a][0], sheet[b][0])
    return all(group[sheet[a][0]] == group[sheet[b][0]] for a, b in loops)


def _discs(shape: Shape, copper: Shape, widest: float) -> list[tuple[float, float, float]]:
    """Centres and radii of a contact's parts if all are discs that lie wholly on the copper; else nothing."""
    found = []
    for part in shapely.get_parts(shape):
        radius = float(np.sqrt(part.area / np.pi))
        centre = part.centroid
        inside = copper.contains(centre) and copper.boundary.distance(centre) > 1.001 * radius
        if not (4 * np.pi * part.area > ROUND * part.length**2 and inside and radius < widest):
            return []
        found.append((float(centre.x), float(centre.y), radius))
    return found


def _mesh_copper(
    case: Case, conductors: Conductors, number: int, fineness: float, sheets: list[Sheet], ports: list[Port]
) -> None:
    plane = conductors.planes[number]
    name = conductors.names[number]
    x0, y0, x1, y1 = plane.copper.bounds
    diagonal = float(np.hypot(x1 - x0, y1 - y0))
    moving: list[tuple[int, tuple[float, float, float]]] = []
    fixed: list[tuple[int, Shape]] = []
    for terminal, shape in zip(conductors.contacts[number].tolist(), plane.contacts, strict=True):
        discs = _discs(shape, plane.copper, WIDE * diagonal)
        moving += [(terminal, disc) for disc in discs]
        if not discs:
            fixed.append((terminal, shape))
    bare = Plane(plane.copper, [shape for _, shape in fixed], plane.regions, plane.sections, whole=True)
    mesher = Mesher(bare)
    coarse = mesher.coarse()
    size = starting_size(coarse, diagonal / LARGEST / fineness, corner=0.2)
    border = _border_points(plane.copper, diagonal / BORDER / fineness)
    along = SizeField(border, np.full(len(border), diagonal / BORDER / fineness), size.largest)
    near = np.array([[x, y] for _, (x, y, _) in moving]).reshape(-1, 2)
    others: tuple[SizeField, ...] = (along,)
    if len(near):
        others += (SizeField(near, np.full(len(near), diagonal / 60 / fineness), size.largest),)
    mesh = mesher.graded(SizeField(size.points, np.maximum(size.sizes, 0.0), size.largest, size.growth, others))
    topology = Topology(mesh, len(fixed))
    points = np.round(mesh.points / NANO).astype(np.int64)
    for piece in np.unique(topology.piece):
        rows = np.flatnonzero(topology.piece == piece)
        mine = [(t, disc) for t, disc in moving if _holds(mesh, rows, disc[0], disc[1])]
        rims = np.isin(mesh.contact_edges[:, 0], rows)
        if not mine and not rims.any():
            continue
        sheet = len(sheets)
        ports += [Port(t, sheet, (x, y), r, 1) for t, (x, y, r) in mine]
        contact = np.full((len(mesh.triangles), 3), -1)
        contact[mesh.contact_edges[rims, 0], mesh.contact_edges[rims, 1]] = mesh.contact_of[rims]
        kept, corners = np.unique(mesh.triangles[rows], return_inverse=True)
        triangles = corners.reshape(-1, 3)
        rings = _rings(triangles, topology.neighbours[rows] < 0)
        rings.sort(key=lambda ring: -_area(points[kept], triangles, ring))
        runs = [_runs(contact[rows].ravel()[ring]) for ring in rings]
        made = []
        for ring, (turn, run) in enumerate(runs):
            rings[ring] = np.roll(rings[ring], -turn)
            found = np.full(len(run), -1)
            for start, stop, which in _stretches(run):
                found[start:stop] = len(ports)
                ports.append(_rim(points[kept], triangles, rings[ring], (start, stop), fixed[which], sheet))
            made.append(found)
        insulated = rings[0][made[0] < 0]
        if not len(insulated):
            message = f"{label('copper', name)} is bounded by a contact all round: the live page cannot show it."
            raise MeshError(message)
        new = np.full(len(mesh.triangles), -1)
        new[rows] = np.arange(len(rows))
        bare_sheet = Sheet(
            number,
            float(conductors.sheets[number]),
            points[kept],
            triangles,
            tuple(rings),
            tuple(made),
            int(insulated[0]),
            tuple(
                (int(r), _numbers(border_edges, new))
                for r, border_edges in zip(conductors.regions[number], mesh.region_borders, strict=True)
            ),
            tuple(
                (int(s), _numbers(edges, new), edges[new[edges[:, 0]] >= 0, 2])
                for s, edges in zip(conductors.sections[number], mesh.section_edges, strict=True)
            ),
        )
        sheets.append(_ordered(bare_sheet))


def _border_points(copper: Shape, step: float) -> Floats:
    dense = shapely.segmentize(copper.boundary, step / 2)
    found: Floats = np.asarray(shapely.get_coordinates(dense), dtype=np.float64)
    return found


def _holds(mesh: Mesh, rows: Ints, x: float, y: float) -> bool:
    corners = mesh.points[mesh.triangles[rows]]
    ahead = np.roll(corners, -1, axis=1) - corners
    to = np.array([x, y]) - corners
    inside = ahead[..., 0] * to[..., 1] - ahead[..., 1] * to[..., 0] >= 0
    return bool(np.any(np.all(inside, axis=1)))


def _numbers(edges: Ints, new: Ints) -> Ints:
    """Numbers of the (triangle, edge) pairs that lie in a piece, by the new numbers of its triangles."""
    here = new[edges[:, 0]] >= 0
    found: Ints = 3 * new[edges[here, 0]] + edges[here, 1]
    return found


def _rings(triangles: Ints, free: NDArray[np.bool_]) -> list[Ints]:
    """Closed lines of border edges, each in its order."""
    tri, k = np.nonzero(free)
    start, end = triangles[tri, k], triangles[tri, (k + 1) % 3]
    leaving = dict(zip(start.tolist(), range(len(start)), strict=True))
    left = dict.fromkeys(range(len(start)))
    rings = []
    while left:
        first = next(iter(left))
        ring = []
        at = first
        while at in left:
            del left[at]
            ring.append(at)
            at = leaving[int(end[at])]
        rings.append(3 * tri[ring] + k[ring])
    return rings


def _ends(triangles: Ints, ring: Ints) -> Ints:
    starts: Ints = triangles[ring // 3, ring % 3]
    return starts


def _area(points: Ints, triangles: Ints, ring: Ints) -> float:
    x, y = points[_ends(triangles, ring)].astype(np.float64).T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _runs(contact: Ints) -> tuple[int, Ints]:
    """By how many edges to turn a ring so that no run of one contact goes over its end; and the turned contacts."""
    change = np.flatnonzero(contact != np.roll(contact, 1))
    turn = int(change[0]) if len(change) else 0
    return turn, np.roll(contact, -turn)


def _stretches(run: Ints) -> list[tuple[int, int, int]]:
    """Start, stop and contact of every run of edges along one contact."""
    cuts = np.concatenate([[0], np.flatnonzero(np.diff(run)) + 1, [len(run)]])
    return [(int(a), int(b), int(run[a])) for a, b in zip(cuts[:-1], cuts[1:], strict=True) if run[a] >= 0]


def _rim(
    points: Ints, triangles: Ints, ring: Ints, span: tuple[int, int], contact: tuple[int, Shape], sheet: int
) -> Port:
    start, stop = span
    closed = stop - start == len(ring)
    if closed:
        inside = Polygon(points[_ends(triangles, ring)] * NANO).representative_point()
        return Port(contact[0], sheet, (float(inside.x), float(inside.y)), 0.0, 1)
    inside = contact[1].representative_point()
    return Port(contact[0], sheet, (float(inside.x), float(inside.y)), 0.0, 0)


def _ordered(sheet: Sheet) -> Sheet:
    """The same with orders of elimination that leave little fill."""
    unknowns = Unknowns(sheet)
    orders = []
    for matrix in (unknowns.potential, unknowns.stream):
        factor = splu(
            csc_array(matrix), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        )
        orders.append(np.argsort(factor.perm_c).astype(np.int64))
    return Sheet(**{**vars(sheet), "orders": (orders[0], orders[1])})
