"""Contacts as copper of the magnetic mesh: eddy currents cross them, and the resistive pattern does without loss."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from returnflow.magnetic.traces import Route
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.mesh.mesher import Mesh, whole_contacts
from returnflow_geometry.model.board import Shape

Floats = NDArray[np.float64]

HOLE = 2.0  # heights; what no current crosses may be so wide: it adds a thousandth to an inductance


def opened(
    conductors: Conductors,
    used: Collection[int],
    over: Sequence[Sequence[Route | None]],
    holes_anyway: Collection[int] = (),
) -> Conductors:
    """
    Conductors whose contacts are copper wherever they are wide against the height of routes and other copper.

    Those `used`, which loops and links end on, keep a narrow hole in their middle where the current enters. The
    contacts follow the regions, as regions of their own. Some may be holes however wide they are.
    """
    planes, contacts, regions = [], [], []
    count = conductors.counts[0]
    for number, plane in enumerate(conductors.planes):
        near = [abs(route.nearest) for route in over[number] if route is not None]
        near += conductors.distance[number].tolist()
        widest = HOLE * min((h for h in near if h > 0), default=np.inf)
        holes, kept, metal = [], [], []
        for contact, name in zip(plane.contacts, conductors.contacts[number].tolist(), strict=True):
            parts = [shapely.intersection(part, plane.copper) for part in shapely.get_parts(contact)]
            hole = None if name in holes_anyway else _hole(parts, widest)
            if hole is None:
                hole = contact
            else:
                metal += parts
            if hole is contact or name in used or len(parts) > 1:
                holes.append(hole)
                kept.append(name)
        areas = [whole_contacts(region, plane.contacts) for region in plane.regions]
        planes.append(replace(plane, contacts=holes, regions=[*areas, *metal]))
        contacts.append(np.array(kept, dtype=np.int64))
        regions.append(np.append(conductors.regions[number], count + np.arange(len(metal))))
        count += len(metal)
    return replace(
        conductors,
        planes=tuple(planes),
        contacts=tuple(contacts),
        regions=tuple(regions),
        counts=(count, conductors.counts[1]),
    )


def _hole(parts: Sequence[Shape], widest: float) -> Shape | None:
    """Middle of a contact, no wider than asked; None where it is as it is, or joins copper that it does not lie in."""
    if not all(isinstance(part, Polygon) and part.area > 0 for part in parts):
        return None
    half = [float(shapely.length(shapely.maximum_inscribed_circle(part))) for part in parts]
    if max(half) <= 0.5 * widest:
        return None
    middles = [part.buffer(-max(0.0, r - 0.5 * widest)) for part, r in zip(parts, half, strict=True)]
    largest = [max(shapely.get_parts(middle), key=shapely.area) for middle in middles]
    return shapely.union_all(largest) if len(largest) > 1 else largest[0]


def told_apart(mesh: Mesh, regions: int) -> tuple[Mesh, NDArray[np.bool_]]:
    """Mesh of opened conductors with its own regions only, and which triangles lie inside contacts, shape (m,)."""
    inside = np.asarray(mesh.region_triangles[regions:].any(axis=0))
    return replace(
        mesh,
        region_triangles=mesh.region_triangles[:regions],
        region_borders=mesh.region_borders[:regions],
        # As at 0 Hz, what crosses a section within a contact does not count.
        section_edges=tuple(line[~inside[line[:, 0]]] for line in mesh.section_edges),
    ), inside
