"""Copper meshed without the contacts that move, as pieces with rings of border edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from returnflow.live.discs import Disc, diagonal_of
from returnflow.live.meshcode import decode, encode
from returnflow.live.parts import NANO, Pin, Port, Sheet
from returnflow.live.stitching import FEW, conductivity, locate
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesh, Mesher, MeshError, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.mesh.sizes import starting_size
from returnflow_geometry.mesh.spare import DRAWN, FILLED
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.shapes import circle, polygon_capacity
from returnflow_geometry.model.wording import label

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LARGEST = 20  # largest triangles per diagonal of a copper
BORDER = 70  # edges of the border per diagonal: a contact is as exact as it is far from the border in such edges
SMALL = 0.01  # of the diagonal: smaller round holes have few corners
CORNERS = 7
TIP = 6e-6  # m, at sharp corners: the peak there, a mean over 0.1 mm, is 1.2 % low, and 3.3 % were this 20 um
SHARP = 235.0  # degrees: corners of those polygons need no fine mesh
PINNED = 50  # edges per diagonal where there are many pins, at least
ROOM = 10_000  # triangles of all coppers together: small boards are meshed more finely
GRADED = 0.8  # how fast edges may grow there
BLUNT = 20e-6  # m, at sharp corners there
BESIDE = 3.0  # edges: holes as near to a contact are drawn
FILL = 0.5  # of an edge there: smaller holes that stand clear of all else are filled


def _plainer(copper: Shape, largest: float) -> Shape:
    """The same with small round holes as polygons of few corners that do the same to a current round them."""
    parts = []
    for part in shapely.get_parts(copper):
        holes = []
        for ring in part.interiors:
            hole = Polygon(ring)
            radius = float(np.sqrt(hole.area / np.pi))
            round_ = (
                4 * np.pi * hole.area > 0.9 * hole.length**2 and radius < largest and len(ring.coords) > CORNERS + 1
            )
            if round_:
                x, y = hole.centroid.coords[0]
                hole = circle(x, y, 2 * radius / polygon_capacity(CORNERS), corners=CORNERS)
            holes.append(hole)
        outside = Polygon(part.exterior)
        parts.append(shapely.difference(outside, shapely.union_all(holes)) if holes else outside)
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def edge_of(conductors: Conductors, quiet: Mask) -> float:
    """How long edges may be on coppers with many pins so that there are `ROOM` triangles, but for corners, metres."""
    area = sum(
        plane.copper.area
        for plane, contacts in zip(conductors.planes, conductors.contacts, strict=True)
        if _crowded(plane.copper, int(np.count_nonzero(quiet[contacts])))
    )
    return float(np.sqrt(4 / np.sqrt(3) * area / ROOM)) or np.inf


def _crowded(copper: Shape, pins: int) -> bool:
    """Whether a copper has so many pins that its mesh is one of like edges."""
    return pins > FEW * len(shapely.get_parts(copper))


@dataclass
class Made:
    """
    Sheets, ports and pins, copper by copper.

    Attributes
    ----------
    edge : float
        Of triangles on coppers with many pins, at most, metres.
    sheets, ports, pins : lists
    """

    edge: float = np.inf
    sheets: list[Sheet] = field(default_factory=list)
    ports: list[Port] = field(default_factory=list)
    pins: list[Pin] = field(default_factory=list)


def mesh_copper(
    conductors: Conductors, number: int, fineness: float, round_: Sequence[Sequence[Disc]], quiet: Mask, made: Made
) -> None:
    """
    Mesh a copper and add its pieces that have contacts to the sheets, and the contacts to the ports or the pins.

    Parameters
    ----------
    conductors : Conductors
    number : int
        Of the copper.
    fineness : float
        Edges are so many times shorter than the page needs.
    round_ : sequence of sequences of discs
        Of every terminal that moves or is a pin.
    quiet : array of bool, shape (terminals,)
        Which are pins.
    made : Made
    """
    plane = conductors.planes[number]
    sheets, ports = made.sheets, made.ports
    name = conductors.names[number]
    diagonal = diagonal_of(plane.copper)
    moving: list[tuple[int, Disc]] = []
    still: list[tuple[int, Disc]] = []
    fixed: list[tuple[int, Shape]] = []
    for terminal, shape in zip(conductors.contacts[number].tolist(), plane.contacts, strict=True):
        (still if quiet[terminal] else moving).extend((terminal, disc) for disc in round_[terminal])
        if not round_[terminal]:
            fixed.append((terminal, shape))
    bare = Plane(
        _plainer(plane.copper, SMALL * diagonal),
        [shape for _, shape in fixed],
        plane.regions,
        plane.sections,
        whole=True,
    )
    mesher = Mesher(bare)
    near = np.array([[x, y] for _, (x, y, _) in moving]).reshape(-1, 2)
    middles = [shape.representative_point().coords[0] for _, shape in fixed]
    if _crowded(plane.copper, len(still)):
        edge = min(diagonal / PINNED, made.edge) / fineness
        mesh, filled = _pinned(mesher, edge, np.concatenate([near, np.reshape(middles, (-1, 2))]))
    else:
        mesh, filled = _fine(mesher, diagonal, fineness, near), np.empty((0, 3))
    spots = np.array([disc for _, disc in still]).reshape(-1, 3)
    linked = np.isin([terminal for terminal, _ in still], conductors.links.ends)
    topology = Topology(mesh, len(fixed))
    points = np.round(mesh.points / NANO).astype(np.int64)
    for piece in np.unique(topology.piece):
        rows = np.flatnonzero(topology.piece == piece)
        mine = [(t, disc) for t, disc in moving if _holds(mesh, rows, disc[0], disc[1])]
        rims = np.isin(mesh.contact_edges[:, 0], rows)
        pins = np.array([_holds(mesh, rows, x, y) for x, y, _ in spots], dtype=bool)
        # A piece that one link reaches carries nothing.
        if not mine and not rims.any() and np.count_nonzero(linked[pins]) < 2:
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
        along = []
        for ring, (turn, run) in enumerate(runs):
            rings[ring] = np.roll(rings[ring], -turn)
            found = np.full(len(run), -1)
            for start, stop, which in _stretches(run):
                found[start:stop] = len(ports)
                ports.append(_rim(points[kept], triangles, rings[ring], (start, stop), fixed[which], sheet))
            along.append(found)
        insulated = rings[0][along[0] < 0]
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
            tuple(along),
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
        told = _told(bare_sheet)
        if quiet.any():
            here = np.flatnonzero(pins)
            held = [(n, int(t)) for n, t in zip(here, locate(told, spots[here, :2]), strict=True) if t >= 0]
            made.pins += [
                Pin(still[n][0], sheet, t, (_whole(spots[n, 0]), _whole(spots[n, 1])), float(spots[n, 2]))
                for n, t in held
            ]
            holes = filled[locate(told, filled[:, :2]) >= 0]
            told = replace(told, conductivity=conductivity(told, spots[[n for n, _ in held]], holes), holes=holes)
        sheets.append(told)


def _whole(value: float) -> float:
    """A length in metres as the page is told it: whole nanometres."""
    return float(round(value / NANO) * NANO)


def _fine(mesher: Mesher, diagonal: float, fineness: float, near: Floats) -> Mesh:
    """A mesh whose edges are short along the border and where contacts are."""
    size = starting_size(mesher.coarse(), diagonal / LARGEST / fineness, corner=0.2, sharp=SHARP, finest=TIP)
    border = _border_points(mesher.plane.copper, diagonal / BORDER / fineness)
    others: tuple[SizeField, ...] = (
        SizeField(border, np.full(len(border), diagonal / BORDER / fineness), size.largest),
    )
    if len(near):
        others += (SizeField(near, np.full(len(near), diagonal / 60 / fineness), size.largest),)
    return mesher.graded(SizeField(size.points, size.sizes, size.largest, size.growth, others))


def _pinned(mesher: Mesher, edge: float, near: Floats) -> tuple[Mesh, Floats]:
    """A mesh of like edges, small holes far from contacts and all else filled; and these, as discs that do the same."""
    spare = mesher.spare
    bounds = shapely.bounds(spare.boxes).reshape(-1, 4)
    small = np.max(bounds[:, 2:] - bounds[:, :2], axis=1) < FILL * edge
    if len(near) and len(spare):
        small &= shapely.distance(spare.boxes, shapely.MultiPoint(near)) > BESIDE * edge
    levels = np.where(small, FILLED, DRAWN)
    size = starting_size(mesher.coarse(levels), edge, corner=0.2, sharp=SHARP, finest=BLUNT)
    mesh = mesher.graded(SizeField(size.points, size.sizes, size.largest, GRADED), levels)
    found = []
    for hole in shapely.get_parts(spare.holes[small]):
        radius = np.sqrt(hole.area / np.pi) * polygon_capacity(len(hole.exterior.coords) - 1)
        found.append((hole.centroid.x, hole.centroid.y, radius))
    return mesh, np.array(found).reshape(-1, 3)


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
    """Closed lines of border edges, each in its order: from the end of one round its point to the next."""
    rows = triangles.tolist()
    number = {(row[k], row[(k + 1) % 3]): 3 * m + k for m, row in enumerate(rows) for k in range(3)}
    border = free.ravel()
    left = dict.fromkeys(np.flatnonzero(border).tolist())
    rings = []
    while left:
        first = at = next(iter(left))
        ring = []
        while True:
            del left[at]
            ring.append(at)
            while True:
                m, k = divmod(at, 3)
                at = 3 * m + (k + 1) % 3
                if border[at]:
                    break
                start, end = rows[m][at % 3], rows[m][(at + 1) % 3]
                at = number[end, start]
            if at == first:
                break
        rings.append(np.array(ring))
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
    return [(int(a), int(b), int(run[a])) for a, b in pairwise(cuts) if run[a] >= 0]


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


def _told(sheet: Sheet) -> Sheet:
    """The same with points and triangles in the order in which the page is told of them, and points as it gets them."""
    keep = np.zeros(len(sheet.points), dtype=bool)
    lines = (*sheet.rings, *(edges for _, edges in sheet.regions), *(edges for _, edges, _ in sheet.sections))
    for edges in lines:
        tri, k = edges // 3, edges % 3
        keep[sheet.triangles[tri, k]] = keep[sheet.triangles[tri, (k + 1) % 3]] = True
    code, _, number = encode(sheet.points, sheet.triangles, keep)
    points, triangles, _ = decode(code)
    return replace(
        sheet,
        points=points,
        triangles=triangles,
        rings=tuple(number[ring] for ring in sheet.rings),
        drain=int(number[sheet.drain]),
        regions=tuple((n, number[edges]) for n, edges in sheet.regions),
        sections=tuple((n, number[edges], signs) for n, edges, signs in sheet.sections),
        code=code,
    )
