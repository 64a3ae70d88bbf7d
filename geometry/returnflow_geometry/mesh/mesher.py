"""Copper to a graded triangulation whose boundaries know what they are: insulated edge, contact, region, section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon

from returnflow_geometry.mesh.seeding import SizeField, graded_points, split_segments
from returnflow_geometry.mesh.spare import DRAWN, SpareHoles
from returnflow_geometry.mesh.triangulation import (
    GRID,
    MeshError,
    Triangulation,
    joined,
    noded,
    read,
    refine,
    split_pinches,
    triangulate,
)
from returnflow_geometry.model.board import Case, Shape
from returnflow_geometry.model.overlay import difference, intersection, union, union_all

__all__ = ["Mesh", "MeshError", "Mesher", "Plane"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_OUTSIDE, _COPPER = -2, -1  # kinds of triangle; >= 0 is the number of a contact


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
    whole : bool
        Keep pieces of copper that no contact touches too: nothing flows into them, but induction drives currents round.
    """

    copper: Shape
    contacts: Sequence[Shape]
    regions: Sequence[Shape] = ()
    sections: Sequence[LineString] = ()
    whole: bool = False

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
        inside = [[holds(region, contact) for contact in self.contacts] for region in self.regions]
        return np.array(inside, dtype=bool).reshape(len(self.regions), len(self.contacts))


@dataclass(frozen=True)
class Mesh:
    """
    Triangles of the copper outside its contacts. Only copper that reaches a contact is kept, unless all is asked for.

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
    copper_of : array, shape (m,), or None
        Number of the copper of every triangle, where several are solved together.
    shadow : array, shape (m,), or None
        Number of the spare hole whose box a triangle lies in, or that it meets where the hole is only marked, within
        its copper, or -1: there the copper is whole for bounds from below, and missing for bounds from above.
    """

    points: Floats
    triangles: Ints
    contact_edges: Ints
    contact_of: Ints
    region_triangles: NDArray[np.bool_]
    region_borders: tuple[Ints, ...] = ()
    section_edges: tuple[Ints, ...] = ()
    copper_of: Ints | None = None
    shadow: Ints | None = None

    @cached_property
    def areas(self) -> Floats:
        """Area of every triangle in m², shape (m,)."""
        a, b, c = (self.points[self.triangles[:, k]] for k in range(3))
        u, v = b - a, c - a
        areas: Floats = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        return areas

    @property
    def edge_ends(self) -> Ints:
        """Start and end point of the three edges of every triangle, shape (m, 3, 2)."""
        return np.stack([self.triangles, np.roll(self.triangles, -1, axis=1)], axis=2)

    @property
    def edge_lengths(self) -> Floats:
        """Length of the three edges of every triangle in metres, shape (m, 3)."""
        ends = self.points[self.edge_ends]
        lengths: Floats = np.linalg.norm(ends[:, :, 1] - ends[:, :, 0], axis=2)
        return lengths

    @property
    def smallest_angle(self) -> float:
        """Smallest angle of all triangles, in degrees."""
        a, b, c = self.edge_lengths.T
        cosines = [(y * y + z * z - x * x) / (2 * y * z) for x, y, z in ((a, b, c), (b, c, a), (c, a, b))]
        return float(np.degrees(np.arccos(np.clip(np.max(cosines), -1, 1))))


class Mesher:
    """
    Meshes one plane, again and again, to changing sizes.

    Parameters
    ----------
    plane : Plane
    spare : SpareHoles, optional
        Of another mesher of the same copper, whose contacts covered these.

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

    def __init__(self, plane: Plane, spare: SpareHoles | None = None) -> None:
        self.plane = plane
        _check_apart(plane.contacts)
        self._regions = [whole_contacts(region, plane.contacts) for region in plane.regions]
        lines = [*plane.contacts, *(region.boundary for region in self._regions), *plane.sections]
        self.spare = spare or SpareHoles.of(plane.copper, lines)
        copper = self.spare.solid
        areas = [_shared_area(area, copper) for area in (*plane.contacts, *self._regions)]
        cuts = [intersection(section, copper) for section in plane.sections]
        self._points, self._segments = noded([*(area.boundary for area in (copper, *areas)), *cuts])
        shapely.prepare(copper)

    def coarse(self, levels: Ints | None = None) -> Mesh:
        """Few triangles: what every drawn line and the smallest angle ask for, no more."""
        levels = self._levels(levels)
        return self._mesh(*self._lines(levels), np.empty((0, 2)), levels)

    def graded(self, size: SizeField, levels: Ints | None = None) -> Mesh:
        """
        Triangles that follow a size field.

        Parameters
        ----------
        size : SizeField
        levels : array of int, optional
            How every spare hole is shown, by default as it is.
        """
        levels = self._levels(levels)
        points, segments = split_segments(*self._lines(levels), size)
        middles = points[segments].mean(axis=1)
        inner = graded_points(self.plane.copper.bounds, size, np.concatenate([points, middles]))
        inner = inner[shapely.contains_xy(self.spare.solid, inner)]
        return self._mesh(points, segments, inner[~self.spare.within(inner, levels)[0]], levels)

    def _levels(self, levels: Ints | None) -> Ints:
        return np.full(len(self.spare), DRAWN) if levels is None else levels

    def _lines(self, levels: Ints) -> tuple[Floats, Ints]:
        points, segments = self.spare.lines(levels)
        return np.concatenate([self._points, points]), np.concatenate([self._segments, len(self._points) + segments])

    def uniform(self, size: float) -> Mesh:
        """Triangles of one wanted edge length in metres, smaller only where the shape is."""
        return self.graded(SizeField(self._points[:1], np.array([size]), size))

    def _mesh(self, points: Floats, segments: Ints, inner: Floats, levels: Ints) -> Mesh:
        result = triangulate(np.concatenate([points, inner]), segments)
        refine(result, np.flatnonzero(self._kinds(read(result), levels)[0] != _COPPER))
        return self._tagged(read(result), levels)

    def _kinds(self, net: Triangulation, levels: Ints) -> tuple[Ints, Ints]:
        """
        Per triangle: outside, copper, or the number of its contact; and the spare hole in whose box it lies, or -1.

        One point of each face decides.
        """
        face, where = net.faces
        inside, box = self.spare.within(where, levels)
        kind = np.where(shapely.contains_xy(self.spare.solid, where) & ~inside, _COPPER, _OUTSIDE)
        if len(self.plane.contacts):
            copper = np.flatnonzero(kind == _COPPER)
            spot, contact = self._contacts.query(shapely.points(where[copper]), predicate="intersects")
            kind[copper[spot]] = contact
        return kind[face], box[face]

    @cached_property
    def _contacts(self) -> shapely.STRtree:
        return shapely.STRtree(np.array(self.plane.contacts, dtype=object))

    def _tagged(self, net: Triangulation, levels: Ints) -> Mesh:
        kinds, box = self._kinds(net, levels)
        across = np.where(net.neighbours >= 0, kinds[net.across], _OUTSIDE)
        # Copper that no contact touches carries no current from outside.
        piece = joined(net.neighbours, (kinds[:, None] == _COPPER) & (across == _COPPER))
        touched = piece[((kinds[:, None] == _COPPER) & (across >= 0)).any(axis=1)]
        solved = (kinds == _COPPER) & (np.isin(piece, touched) | self.plane.whole)
        inside = np.flatnonzero(solved)
        if not len(inside):
            message = "No copper reaches a contact and lies outside it; nothing is left to solve."
            raise MeshError(message)
        renumber = np.full(len(kinds), -1)
        renumber[inside] = np.arange(len(inside))

        owner, edge = np.nonzero(solved[:, None] & (across >= 0))
        face, where = net.faces
        member = np.zeros((len(self._regions), len(kinds)), dtype=bool)
        for row, region in zip(member, self._regions, strict=True):
            row[:] = shapely.contains_xy(region, where)[face]
        borders = tuple(_border(row, net, solved, across, renumber) for row in member)
        sections = tuple(_on_section(section, net, solved, renumber) for section in self.plane.sections)

        kept, corners = np.unique(net.triangles[inside], return_inverse=True)
        neighbours = np.where(across[inside] == _COPPER, renumber[net.across[inside]], -1)
        points, triangles = split_pinches(net.points[kept], corners.reshape(-1, 3), neighbours)
        rim = np.column_stack([renumber[owner], edge])
        shadow = box[inside]
        met, hole = self.spare.met(points[triangles], levels)
        shadow[met] = hole
        mesh = Mesh(
            points,
            triangles,
            rim,
            across[owner, edge],
            member[:, inside],
            borders,
            sections,
            shadow=shadow if np.any(shadow >= 0) else None,
        )
        if not np.all(mesh.areas > 0):
            message = "Meshing made a triangle without area; look for drawn points closer than 1 nm."
            raise MeshError(message)
        return mesh


def _shared_area(area: Shape, copper: Shape) -> MultiPolygon:
    """Intersection without the lines and points where the two only touch."""
    parts = shapely.get_parts(intersection(area, copper))
    return MultiPolygon(parts[shapely.get_dimensions(parts) == 2].tolist())


def _check_apart(contacts: Sequence[Shape]) -> None:
    """Contacts that touch or overlap would be one: say which, in one go."""
    every = np.array(contacts, dtype=object)
    first, second = shapely.STRtree(every).query(every, predicate="intersects")
    pairs = [f"{i + 1} and {j + 1}" for i, j in zip(first.tolist(), second.tolist(), strict=True) if i < j]
    if pairs:
        message = f"Invalid contacts. They must not touch, but numbers {', '.join(pairs)} do: join them or move one."
        raise MeshError(message)


def holds(region: Shape, contact: Shape) -> bool:
    """Whether a contact belongs to a region: by its centre; rounding does not put it inside from the border."""
    return bool(region.contains(contact.centroid) and region.boundary.distance(contact.centroid) > 2 * GRID)


def whole_contacts(region: Shape, contacts: Sequence[Shape]) -> Shape:
    """Region that takes in or leaves out each contact whole, by the contact's centre; one on the border is left out."""
    crossing = [contact for contact in contacts if region.intersects(contact) and not region.contains(contact)]
    inside = [contact for contact in crossing if holds(region, contact)]
    outside = [contact for contact in crossing if not holds(region, contact)]
    return difference(union_all([region, *inside]), union(outside))


def _border(
    member: NDArray[np.bool_], net: Triangulation, solved: NDArray[np.bool_], across: Ints, renumber: Ints
) -> Ints:
    """Edges between a region and the rest, each once: inside the copper the region's triangle has it."""
    differs = solved[:, None] & (across != _OUTSIDE) & (member[:, None] != member[net.across])
    tri, k = np.nonzero(differs & (member[:, None] | (across >= 0)))
    return np.column_stack([renumber[tri], k])


def _on_section(section: LineString, net: Triangulation, solved: NDArray[np.bool_], renumber: Ints) -> Ints:
    """Mesh edges that lie on a section, each once, with the direction of the path."""
    once = np.arange(len(solved))[:, None] < net.neighbours
    tri, k = np.nonzero(net.drawn & once & solved[:, None] & solved[net.across])
    a, b = net.points[net.triangles[tri, k]], net.points[net.triangles[tri, (k + 1) % 3]]
    middle = 0.5 * (a + b)
    # Snapping may move a drawn line by a grid step; an edge is on the section if its ends and middle are.
    near = [shapely.distance(section, shapely.points(place)) < 4 * GRID for place in (a, middle, b)]
    on = np.all(near, axis=0)
    tri, k, along, middle = tri[on], k[on], (b - a)[on], middle[on]
    at = shapely.line_locate_point(section, shapely.points(middle))
    quarter = 0.25 * np.linalg.norm(along, axis=1)
    ahead, behind = (
        shapely.get_coordinates(shapely.line_interpolate_point(section, at + s * quarter)) for s in (1, -1)
    )
    sign = np.where(np.sum((ahead - behind) * along, axis=1) > 0, 1, -1)
    return np.column_stack([renumber[tri], k, sign])
