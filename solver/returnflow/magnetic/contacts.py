"""
Contacts as copper of the magnetic mesh: eddy currents cross them, and the resistive pattern does without loss.

Current enters along an outline within the contact, evenly: copper goes on inside it. Were that a hole of one potential,
what passes it would have no flux, as nothing is meshed in it, and the voltage that flux makes along it would drive any
current: forty vias of 0.3 mm took a quarter of the inductance of a loop closed far away.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from returnflow.magnetic.octagons import WIDE, octagon, stands_clear
from returnflow.magnetic.traces import Route
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.refinement import diagonal
from returnflow_geometry.mesh.mesher import Mesh, whole_contacts
from returnflow_geometry.model.board import Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CLEAR = 0.1  # half widths of a contact that outlines keep off an edge of the copper which they only just touch
TOUCHING, TOUCHED = 0.01, 0.6  # half widths: what is nearer touches; and so long at most where it only just does
NARROW = 2.0  # heights; where a route ends in a wider contact, current enters along such an outline within it


@dataclass(frozen=True)
class Opened:
    """
    Conductors whose contacts are copper.

    Attributes
    ----------
    conductors : Conductors
        Its contacts are those alone that stay holes of the mesh: they end on an edge of the copper. Behind the regions
        of the case there are more.
    entered : array of int, shape (regions,)
        Contact whose current enters along the outline of a region, or -1.
    """

    conductors: Conductors
    entered: Ints


def opened(
    conductors: Conductors,
    entering: Mapping[int, float],
    over: Sequence[Sequence[Route | None]],
    whole: Collection[int] = (),
) -> Opened:
    """
    Conductors whose contacts are copper.

    Contacts that are wide against the height of routes and other copper are regions without loss at 0 Hz. Narrow ones
    that nothing enters are copper like any. Current enters along the outline of a contact; in a wider one than
    `entering` says along one within it, and so where an edge of the copper leaves no outline round it.

    Parameters
    ----------
    conductors : Conductors
    entering : mapping of int to float
        Contacts that loops and links end on, and how wide an outline currents enter them along at most, metres.
    over : sequence of sequences of Route or None
        Of every copper, the loops' routes.
    whole : collection of int
        Contacts that are entered along their outline, however wide they are.
    """
    planes, contacts, regions = [], [], []
    count = conductors.counts[0]
    entered = [-1] * count
    for number, plane in enumerate(conductors.planes):
        near = [abs(route.nearest) for route in over[number] if route is not None]
        near += conductors.distance[number].tolist()
        widest = NARROW * min((h for h in near if h > 0), default=np.inf)
        tree = shapely.STRtree(np.array(plane.contacts, dtype=object))
        holes, kept, more = [], [], []
        shapely.prepare(plane.copper)
        rims = shapely.get_parts(shapely.boundary(plane.copper))
        rim = shapely.STRtree(rims)
        disc = WIDE * diagonal(plane)
        for n, (contact, name) in enumerate(zip(plane.contacts, conductors.contacts[number].tolist(), strict=True)):
            parts = [shapely.intersection(part, plane.copper) for part in shapely.get_parts(contact)]
            parts = [_off(part, rims, rim) for part in parts]
            needed = name in entering or len(parts) > 1
            alone = len(tree.query(contact, predicate="intersects")) == 1
            all_round = all(isinstance(p, Polygon) and plane.copper.contains_properly(p) for p in parts)
            most = entering.get(name, np.inf) if needed and alone and all_round else widest
            middle = None if name in whole else _middle(parts, most)
            metal = [] if middle is None else parts
            entries = parts if middle is None else shapely.get_parts(middle).tolist()
            closed = alone and all(isinstance(p, Polygon) and plane.copper.contains_properly(p) for p in entries)
            if not closed and (needed or middle is None):
                holes.append(contact if middle is None else middle)
                kept.append(name)
                entries = []
            # What crosses a section within a contact does not count: there its outline does.
            cut = any(shapely.intersects(section, contact) for section in plane.sections)
            if name not in whole and not cut and all(stands_clear(part, n, rim, tree, disc) for part in parts):
                metal, entries = ([octagon(part) or part for part in some] for some in (metal, entries))
            more += metal
            entered += [-1] * len(metal)
            if needed:
                more += entries
                entered += [name] * len(entries)
        areas = [whole_contacts(region, plane.contacts) for region in plane.regions]
        planes.append(replace(plane, contacts=holes, regions=[*areas, *more]))
        contacts.append(np.array(kept, dtype=np.int64))
        regions.append(np.append(conductors.regions[number], count + np.arange(len(more))))
        count += len(more)
    result = replace(
        conductors,
        planes=tuple(planes),
        contacts=tuple(contacts),
        regions=tuple(regions),
        counts=(count, conductors.counts[1]),
    )
    return Opened(result, np.array(entered, dtype=np.int64))


def _off(part: Shape, rims: NDArray[np.object_], tree: shapely.STRtree) -> Shape:
    """
    Part of a contact off edges of the copper that it only just touches, as a round pad does in a trace of its width.

    Between such an outline and the edge are cusps, which hold hardly any current and a thousand triangles each.
    """
    if not isinstance(part, Polygon) or part.is_empty:
        return part
    half = float(shapely.length(shapely.maximum_inscribed_circle(part)))
    near = tree.query(part, predicate="dwithin", distance=CLEAR * half)
    if not len(near):
        return part
    edge = shapely.clip_by_rect(shapely.union_all(rims[near]), *part.buffer(half).bounds)
    touching = shapely.intersection(shapely.boundary(part), edge.buffer(TOUCHING * half))
    if max((line.length for line in shapely.get_parts(shapely.line_merge(touching))), default=0.0) > TOUCHED * half:
        return part
    clear = shapely.difference(part, edge.buffer(CLEAR * half))
    return clear if isinstance(clear, Polygon) and not clear.is_empty else part


def _middle(parts: Sequence[Shape], widest: float) -> Shape | None:
    """Middle of a contact, no wider than asked; None where it is as it is, or joins copper that it does not lie in."""
    if not all(isinstance(part, Polygon) and part.area > 0 for part in parts):
        return None
    half = [float(shapely.length(shapely.maximum_inscribed_circle(part))) for part in parts]
    if max(half) <= 0.5 * widest:
        return None
    middles = [part.buffer(-max(0.0, r - 0.5 * widest)) for part, r in zip(parts, half, strict=True)]
    largest = [max(shapely.get_parts(middle), key=shapely.area) for middle in middles]
    return shapely.union_all(largest) if len(largest) > 1 else largest[0]


@dataclass(frozen=True)
class Told:
    """
    Mesh of opened conductors with their own regions only.

    Attributes
    ----------
    mesh : Mesh
        Triangles inside the outlines that currents enter along come last, these outlines behind other contact edges.
    inside : array of bool, shape (m,)
        Triangles inside contacts.
    outer : int
        So many triangles lie outside those outlines.
    along : int
        So many contact edges, the last ones, are along those outlines.
    """

    mesh: Mesh
    inside: NDArray[np.bool_]
    outer: int
    along: int

    @classmethod
    def apart(cls, mesh: Mesh, regions: int, entered: Ints) -> Told:
        """Of a mesh of opened conductors, their own regions being the first ones."""
        inside = np.asarray(mesh.region_triangles[regions:].any(axis=0))
        of = np.full(len(mesh.triangles), -1)
        for number in np.flatnonzero(entered >= 0).tolist():
            of[mesh.region_triangles[number]] = entered[number]
        order = np.argsort(of >= 0, kind="stable")
        rank = np.empty(len(order), dtype=np.int64)
        rank[order] = np.arange(len(order))
        edges, contact = _along(mesh, of)
        mesh = replace(
            mesh,
            triangles=mesh.triangles[order],
            contact_edges=_renumbered(np.concatenate([mesh.contact_edges, edges]), rank),
            contact_of=np.concatenate([mesh.contact_of, contact]),
            region_triangles=mesh.region_triangles[:regions][:, order],
            region_borders=tuple(_renumbered(border, rank) for border in mesh.region_borders[:regions]),
            # As at 0 Hz, what crosses a section within a contact does not count.
            section_edges=tuple(_renumbered(line[~inside[line[:, 0]]], rank) for line in mesh.section_edges),
            copper_of=None if mesh.copper_of is None else mesh.copper_of[order],
        )
        return cls(mesh, inside[order], int(np.count_nonzero(of < 0)), len(edges))


def _along(mesh: Mesh, of: Ints) -> tuple[Ints, Ints]:
    """(triangle, edge) pairs outside the outlines round triangles of some contacts, and the contact of each."""
    ends = np.sort(mesh.edge_ends.reshape(-1, 2), axis=1)
    key = ends[:, 0] * len(mesh.points) + ends[:, 1]
    order = np.argsort(key, kind="stable")
    twin = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    one, other = order[twin], order[twin + 1]
    both = np.column_stack([np.concatenate([one, other]), np.concatenate([other, one])])
    outside, inner = both[(of[both[:, 0] // 3] < 0) & (of[both[:, 1] // 3] >= 0)].T
    arranged = np.argsort(outside, kind="stable")
    outside, inner = outside[arranged], inner[arranged]
    return np.column_stack(np.divmod(outside, 3)), of[inner // 3]


def _renumbered(edges: Ints, rank: Ints) -> Ints:
    """Edges by the new numbers of their triangles."""
    return np.column_stack([rank[edges[:, 0]], edges[:, 1:]])
