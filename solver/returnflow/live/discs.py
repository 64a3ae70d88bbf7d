"""Contacts that are discs on their copper: point sources, which no mesh knows."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Shape

Disc = tuple[float, float, float]  # x, y and radius in metres
Ints = NDArray[np.int64]

ROUND = 0.97  # 4 pi area over the square of the perimeter: from here on a contact is a disc
WIDE = 0.02  # of the diagonal: a wider disc is meshed and stays, its first-order term is not enough
APART = 3.0  # radii: on a board with pins a via as near to an edge is meshed


def discs_of(conductors: Conductors) -> list[list[Disc]]:
    """Discs of every terminal all of whose parts are discs entirely on the copper, and not too wide; else nothing."""
    found: list[list[Disc]] = [[] for _ in conductors.terminals]
    for plane, contacts in zip(conductors.planes, conductors.contacts, strict=True):
        border, widest = plane.copper.boundary, WIDE * diagonal_of(plane.copper)
        shapely.prepare(plane.copper)
        for terminal, shape in zip(contacts.tolist(), plane.contacts, strict=True):
            found[terminal] = _discs(shape, plane.copper, border, widest)
    return found


def still_beside_edges(conductors: Conductors, round_: list[list[Disc]], ends: Ints) -> None:
    """Leave contacts that lie close to an edge in the mesh, unless loops end there: first order is not enough."""
    for plane, contacts in zip(conductors.planes, conductors.contacts, strict=True):
        border = plane.copper.boundary
        for terminal in contacts[~np.isin(contacts, ends)].tolist():
            if any(shapely.dwithin(border, shapely.Point(x, y), APART * r) for x, y, r in round_[terminal]):
                round_[terminal] = []


def _discs(shape: Shape, copper: Shape, border: shapely.Geometry, widest: float) -> list[Disc]:
    found = []
    for part in shapely.get_parts(shape):
        radius = float(np.sqrt(part.area / np.pi))
        centre = part.centroid
        inside = copper.contains(centre) and not shapely.dwithin(border, centre, 1.001 * radius)
        if not (4 * np.pi * part.area > ROUND * part.length**2 and inside and radius < widest):
            return []
        found.append((float(centre.x), float(centre.y), radius))
    return found


def diagonal_of(copper: Shape) -> float:
    """Diagonal of the box round a copper, metres."""
    x0, y0, x1, y1 = copper.bounds
    return float(np.hypot(x1 - x0, y1 - y0))
