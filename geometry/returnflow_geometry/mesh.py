"""Copper to a graded triangulation whose boundaries know what they are: insulated edge, contact, region, section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pythoncdt as cdt
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString, MultiLineString

from returnflow_geometry.board import Case, Shape
from returnflow_geometry.seeding import SizeField, graded_points, limit_growth, split_segments

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GRID = 1e-9  # m; all drawn points are snapped to it, far below anything a board shop can etch
MIN_ANGLE = 22.0  # degrees; asking for more costs triangles, 26 degrees takes a third more
_OUTSIDE, _COPPER = -2, -1  # kinds of face; >= 0 is the number of a contact


class MeshError(RuntimeError):
    """The copper could not be meshed; the message says where and why."""


@dataclass(frozen=True)
class Plane:
    """
    One copper to mesh: what is left of it after the cutouts, its contacts, and the lines the mesh must follow.

    Attributes
    ----------
    copper : polygon or multipolygon, metres
    contacts : sequence of polygons, metres
        Equipotential; their inside is not meshed. They must not overlap each other.
    regions : sequence of polygons, metres
    sections : sequence of line strings, metres
    """

    copper: Shape
    contacts: Sequence[Shape]
    regions: Sequence[Shape] = ()
    sections: Sequence[LineString] = ()

    @classmethod
    def of(cls, case: Case, copper: str) -> Plane:
        """Plane of one copper of a case; contacts, regions and sections in the order of the case."""
        board = case.board
        return cls(
            board.remaining(copper),
            [terminal.shape for terminal in board.terminals if terminal.copper == copper],
            [region.shape for region in case.regions if region.copper == copper],
            [LineString(section.path) for section in case.sections if section.copper == copper],
        )

    def contact_inside(self) -> NDArray[np.bool_]:
        """Which contacts belong to which region, by their centres, shape (regions, contacts)."""
        inside = [[bool(region.contains(contact.centroid)) for contact in self.contacts] for region in self.regions]
        return np.array(inside, dtype=bool).reshape(len(self.regions), len(self.contacts))


@dataclass(frozen=True)
class Mesh:
    """
    Triangles of the copper outside its contacts. Only copper that reaches a contact is kept.

    Attributes
    ----------
    points : array, shape (n, 2), metres
    triangles : array, shape (m, 3)
        Counter-clockwise corner numbers. Edge k of a triangle runs from corner k to corner k + 1 (mod 3).
    contact_edges : array, shape (c, 2)
        Triangle number and edge number of every edge on the rim of a contact.
    contact_of : array, shape (c,)
        Number of the contact.
    region_triangles : array of bool, shape (regions, m)
    region_borders : tuple of arrays, shape (k, 2)
        Per region, the (triangle, edge) pairs of its border inside the copper and along contacts.
    section_edges : tuple of arrays, shape (k, 3)
        Per section, triangle, edge and +1 or -1: whether the edge runs along the section's path or against it.
    """

    points: Floats
    triangles: Ints
    contact_edges: Ints
    contact_of: Ints
    region_triangles: NDArray[np.bool_]
    region_borders: tuple[Ints, ...] = ()
    section_edges: tuple[Ints, ...] = ()

    @property
    def areas(self) -> Floats:
        """Area of every triangle in m², shape (m,)."""
        a, b, c = (self.points[self.triangles[:, k]] for k in range(3))
        areas: Floats = 0.5 * ((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
        return areas

    @property
    def edge_lengths(self) -> Floats:
        """Length of the three edges of every triangle in metres, shape (m, 3)."""
        corners = self.points[self.triangles]
        lengths: Floats = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
        return lengths

    @property
    def smallest_angle(self) -> float:
        """Smallest angle of all triangles, in degrees."""
        a, b, c = self.edge_lengths.T
        cosines = [(b * b + c * c - a * a) / (2 * b * c), (a * a + c * c - b * b) / (2 * a * c), (a * a + b * b - c * c) / (2 * a * b)]
        return float(np.degrees(np.arccos(np.clip(np.max(cosines), -1, 1))))


@dataclass
class Mesher:
    """
    Meshes one plane, again and again, to changing sizes.

    Parameters
    ----------
    plane : Plane

    Notes
    -----
    Every call makes a new triangulation: boundary pieces are halved to the wanted size, graded lattice points
    fill the inside, and constrained Delaunay refinement repairs what is left [Ruppert]_. The result depends on
    the plane and the sizes only, bit for bit.

    References
    ----------
    .. [Ruppert] J. Ruppert, A Delaunay refinement algorithm for quality 2-dimensional mesh generation,
       J. Algorithms 18 (1995) 548-585 (from memory).
    """

    plane: Plane
    _points: Floats = field(init=False, repr=False)
    _segments: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        plane = self.plane
        lines = [plane.copper.boundary]
        lines += [shapely.intersection(contact, plane.copper).boundary for contact in plane.contacts]
        self._regions = [_whole_contacts(region, plane.contacts) for region in plane.regions]
        lines += [shapely.intersection(region, plane.copper).boundary for region in self._regions]
        lines += [shapely.intersection(section, plane.copper) for section in plane.sections]
        self._points, self._segments = _noded(lines)

    def coarse(self) -> Mesh:
        """Fewest triangles that respect every line and the smallest angle."""
        return self._triangulate(self._points, self._segments, np.empty((0, 2)))

    def graded(self, size: SizeField) -> Mesh:
        """Triangles that follow a size field."""
        points, segments = split_segments(self._points, self._segments, size)
        middles = points[segments].mean(axis=1)
        inner = graded_points(self.plane.copper.bounds, size, np.concatenate([points, middles]))
        shapely.prepare(self.plane.copper)
        inner = inner[shapely.contains_xy(self.plane.copper, inner)]
        return self._triangulate(points, segments, inner)

    def uniform(self, size: float) -> Mesh:
        """Triangles of one wanted edge length in metres, smaller only where the shape is."""
        return self.graded(SizeField(self._points[:1], np.array([size]), size))

    def _triangulate(self, points: Floats, segments: Ints, inner: Floats) -> Mesh:
        every = np.concatenate([points, inner])
        result = cdt.Triangulation(cdt.VertexInsertionOrder.AUTO, cdt.IntersectingConstraintEdges.TRY_RESOLVE, 0.0)
        result.insert_vertices(np.ascontiguousarray(every))
        result.insert_edges(np.ascontiguousarray(segments.astype(np.uintc)))
        skip = set(np.flatnonzero(self._kinds(*_faces(result)) != _COPPER).tolist())
        budget = 20 * len(every) + 100_000
        before = result.vertices_count()
        result.refine_triangles(budget, cdt.RefinementCriterion.SMALLEST_ANGLE, cdt.deg_to_rad(MIN_ANGLE), skip)
        if result.vertices_count() - before >= budget:
            message = f"Meshing needs more than {budget} extra points; look for slivers or near-touching cutouts."
            raise MeshError(message)
        return self._tagged(*_faces(result))

    def _kinds(self, points: Floats, triangles: Ints, neighbours: Ints, fixed: NDArray[np.bool_]) -> Ints:
        """Per triangle: outside, copper, or the number of its contact; one point of each face decides."""
        face, where = _face_points(points, triangles, neighbours, fixed)
        kind = np.full(len(where), _OUTSIDE)
        shapely.prepare(self.plane.copper)
        kind[shapely.contains_xy(self.plane.copper, where)] = _COPPER
        for number, contact in enumerate(self.plane.contacts):
            x0, y0, x1, y1 = contact.bounds
            box = (kind == _COPPER) & (where[:, 0] >= x0) & (where[:, 0] <= x1) & (where[:, 1] >= y0) & (where[:, 1] <= y1)
            hit = np.flatnonzero(box)
            kind[hit[shapely.contains_xy(contact, where[hit])]] = number
        kinds: Ints = kind[face]
        return kinds

    def _tagged(self, points: Floats, triangles: Ints, neighbours: Ints, fixed: NDArray[np.bool_]) -> Mesh:
        kinds = self._kinds(points, triangles, neighbours, fixed)
        kinds = _reached(kinds, neighbours)
        inside = np.flatnonzero(kinds == _COPPER)
        if not len(inside):
            message = "No copper is left outside the contacts; nothing to solve."
            raise MeshError(message)
        face, where = _face_points(points, triangles, neighbours, fixed)
        member = np.array([shapely.contains_xy(region, where)[face] for region in self._regions], dtype=bool)
        member = member.reshape(len(self._regions), len(triangles))
        across = np.where(neighbours >= 0, neighbours, 0)
        kind_across = np.where(neighbours >= 0, kinds[across], _OUTSIDE)
        renumber = np.full(len(triangles), -1)
        renumber[inside] = np.arange(len(inside))

        owner, edge = np.nonzero((kinds[:, None] == _COPPER) & (kind_across >= 0))
        borders = []
        for row in member:
            # Inner border edges are seen from both sides; the triangle inside the region owns them.
            differs = (kinds[:, None] == _COPPER) & (kind_across != _OUTSIDE) & (row[:, None] != row[across])
            differs &= row[:, None] | (kind_across >= 0)
            tri, k = np.nonzero(differs)
            borders.append(np.column_stack([renumber[tri], k]))
        sections = [self._along(section, points, triangles, neighbours, fixed, kinds, renumber) for section in self.plane.sections]

        kept, corners = np.unique(triangles[inside], return_inverse=True)
        new_points, new_triangles = _split_pinches(points[kept], corners.reshape(-1, 3), neighbours[inside], kind_across[inside], renumber)
        mesh = Mesh(
            new_points,
            new_triangles,
            np.column_stack([renumber[owner], edge]),
            kind_across[owner, edge],
            member[:, inside],
            tuple(borders),
            tuple(sections),
        )
        if not np.all(mesh.areas > 0):
            message = "Meshing made a triangle without area; look for drawn points closer than 1 nm."
            raise MeshError(message)
        return mesh

    def _along(
        self, section: LineString, points: Floats, triangles: Ints, neighbours: Ints, fixed: NDArray[np.bool_], kinds: Ints, renumber: Ints
    ) -> Ints:
        """Mesh edges that lie on a section, each once, with the direction of the path."""
        across = np.where(neighbours >= 0, neighbours, 0)
        own = fixed & (kinds[:, None] == _COPPER) & (kinds[across] == _COPPER) & (np.arange(len(kinds))[:, None] < neighbours)
        tri, k = np.nonzero(own)
        a, b = points[triangles[tri, k]], points[triangles[tri, (k + 1) % 3]]
        # Snapping may move a drawn line by a grid step; an edge is on the section if ends and middle are.
        on = np.all([shapely.distance(section, shapely.points(p)) < 4 * GRID for p in (a, 0.5 * (a + b), b)], axis=0)
        tri, k, a, b = tri[on], k[on], a[on], b[on]
        start, end = (shapely.line_locate_point(section, shapely.points(p)) for p in (a, b))
        middle = shapely.line_locate_point(section, shapely.points(0.5 * (a + b)))
        near = np.hypot(*(b - a).T) * 0.25
        step = shapely.get_coordinates(shapely.line_interpolate_point(section, middle + near)) - shapely.get_coordinates(
            shapely.line_interpolate_point(section, middle - near)
        )
        sign = np.where(np.sum(step * (b - a), axis=1) > 0, 1, -1)
        del start, end
        return np.column_stack([renumber[tri], k, sign])


def _noded(lines: Sequence[shapely.Geometry]) -> tuple[Floats, Ints]:
    """Segments that meet only at common points, snapped to the grid; each once."""
    union = shapely.union_all(lines, grid_size=GRID)
    parts = shapely.get_parts(union)
    parts = parts[shapely.get_type_id(parts) == 1]
    coordinates, part = shapely.get_coordinates(shapely.get_parts(MultiLineString(list(parts))), return_index=True)
    keys, first, number = np.unique(np.round(coordinates / GRID).astype(np.int64), axis=0, return_index=True, return_inverse=True)
    del keys
    number = number.reshape(-1)
    joined = part[1:] == part[:-1]
    pairs = np.sort(np.column_stack([number[:-1], number[1:]])[joined], axis=1)
    pairs = np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)
    return coordinates[first], pairs


def _whole_contacts(region: Shape, contacts: Sequence[Shape]) -> Shape:
    """Region that takes in or leaves out each contact whole, by the contact's centre."""
    crossing = [contact for contact in contacts if region.intersects(contact) and not region.contains(contact)]
    inside = [contact for contact in crossing if region.contains(contact.centroid)]
    outside = [contact for contact in crossing if not region.contains(contact.centroid)]
    return shapely.difference(shapely.union_all([region, *inside]), shapely.union_all(outside))


def _faces(result: cdt.Triangulation) -> tuple[Floats, Ints, Ints, NDArray[np.bool_]]:
    """Points, triangles, neighbours across edge k, and whether edge k is a drawn line."""
    vertices = result.vertices_array()
    points = np.column_stack([vertices["x"], vertices["y"]])
    table = result.triangles_array()
    triangles = table["vertices"].astype(np.int64)
    neighbours = table["neighbors"].astype(np.int64)
    neighbours[neighbours == cdt.NO_NEIGHBOR] = -1
    drawn = np.frombuffer(b"".join(map(bytes, result.fixed_edges_iter())), dtype=np.uintc).reshape(-1, 2).astype(np.int64)
    count = len(points)
    keys = np.sort(np.sort(drawn, axis=1) @ np.array([count, 1]))
    ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2), axis=2)
    wanted = ends[..., 0] * count + ends[..., 1]
    place = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return points, triangles, neighbours, keys[place] == wanted


def _face_points(points: Floats, triangles: Ints, neighbours: Ints, fixed: NDArray[np.bool_]) -> tuple[Ints, Floats]:
    """Face of every triangle, and per face the centroid of its largest triangle."""
    count = len(triangles)
    tri, k = np.nonzero(~fixed & (neighbours >= 0))
    graph = coo_array((np.ones(len(tri), dtype=bool), (tri, neighbours[tri, k])), shape=(count, count))
    faces, face = connected_components(graph, directed=False)
    a, b, c = (points[triangles[:, k]] for k in range(3))
    area = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    order = np.lexsort((-area, face))
    first = np.searchsorted(face[order], np.arange(faces))
    return face.astype(np.int64), ((a + b + c) / 3)[order[first]]


def _reached(kinds: Ints, neighbours: Ints) -> Ints:
    """Mark copper that no contact touches as outside: no current can get there."""
    count = len(kinds)
    across = np.where(neighbours >= 0, neighbours, 0)
    same = (kinds[:, None] == _COPPER) & (neighbours >= 0) & (kinds[across] == _COPPER)
    tri, k = np.nonzero(same)
    graph = coo_array((np.ones(len(tri), dtype=bool), (tri, neighbours[tri, k])), shape=(count, count))
    _, piece = connected_components(graph, directed=False)
    touches = ((kinds[:, None] == _COPPER) & (neighbours >= 0) & (kinds[across] >= 0)).any(axis=1)
    reached = np.isin(piece, np.unique(piece[touches]))
    return np.where((kinds == _COPPER) & ~reached, _OUTSIDE, kinds)


def _split_pinches(points: Floats, triangles: Ints, neighbours: Ints, kind_across: Ints, renumber: Ints) -> tuple[Floats, Ints]:
    """
    Give each side its own copy of a point where two boundaries touch.

    Copper that meets in a single point does not conduct there.
    """
    boundary = kind_across != _COPPER
    ends = np.concatenate([triangles[boundary], np.roll(triangles, -1, axis=1)[boundary]])
    pinched = np.flatnonzero(np.bincount(ends, minlength=len(points)) > 2)
    if not len(pinched):
        return points, triangles
    triangles = triangles.copy()
    extra: list[Floats] = []
    at = np.isin(triangles, pinched)
    rows = np.flatnonzero(at.any(axis=1))
    local = {int(row): number for number, row in enumerate(rows)}
    for point in pinched:
        around = rows[(triangles[rows] == point).any(axis=1)]
        left = set(around.tolist())
        fans = 0
        while left:
            fan = [left.pop()]
            for tri in fan:
                for k in range(3):
                    # Cross only the two edges that end at this point.
                    if kind_across[tri, k] != _COPPER or point not in (triangles[tri, k], triangles[tri, (k + 1) % 3]):
                        continue
                    other = int(renumber[neighbours[tri, k]])
                    if other in left:
                        left.remove(other)
                        fan.append(other)
            if fans:
                number = len(points) + len(extra)
                extra.append(points[point])
                for tri in fan:
                    triangles[tri, triangles[tri] == point] = number
            fans += 1
    del local
    return np.concatenate([points, np.array(extra).reshape(-1, 2)]), triangles


def starting_size(mesh: Mesh, largest: float, *, corner: float) -> SizeField:
    """
    Size field of a first mesh: fine at contacts and at re-entrant corners, `largest` elsewhere.

    Parameters
    ----------
    mesh : Mesh
        The coarse mesh; its points carry the sizes.
    largest : float
        Metres.
    corner : float
        Wanted size at strongly re-entrant corners, as a fraction of the shorter edge beside the corner.
    """
    count = len(mesh.points)
    sizes = np.full(count, largest)
    lengths = mesh.edge_lengths
    ends = np.stack([mesh.triangles, np.roll(mesh.triangles, -1, axis=1)], axis=2)
    rim = mesh.contact_edges
    for side in range(2):
        np.minimum.at(sizes, ends[rim[:, 0], rim[:, 1], side], lengths[rim[:, 0], rim[:, 1]])
    angle = corner_angles(mesh)
    shortest = np.full(count, np.inf)
    for side in range(2):
        np.minimum.at(shortest, ends[..., side].ravel(), lengths.ravel())
    sharp = angle > np.radians(225)
    sizes[sharp] = np.minimum(sizes[sharp], corner * shortest[sharp])
    edges = ends.reshape(-1, 2)
    return SizeField(mesh.points, limit_growth(mesh.points, edges, sizes), largest)


def corner_angles(mesh: Mesh) -> Floats:
    """Sum of the triangles' angles at every point in radians, shape (n,): 2 pi inside, less or more at corners."""
    corners = mesh.points[mesh.triangles]
    ahead, behind = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    cross = ahead[..., 0] * behind[..., 1] - ahead[..., 1] * behind[..., 0]
    angle = np.arctan2(cross, np.sum(ahead * behind, axis=2))
    total = np.bincount(mesh.triangles.ravel(), weights=angle.ravel(), minlength=len(mesh.points))
    boundary_free = np.isclose(total, 2 * np.pi)
    return np.where(boundary_free, 0.0, total)
