"""How fine a mesh is to be: at contacts and corners to begin with, then where errors ask for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from returnflow_geometry.mesh.mesher import Mesh
from returnflow_geometry.mesh.seeding import GROWTH, SizeField, limit_growth

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FINE = 20e-6  # m, at sharp corners: sheet currents are averaged over some times this before their peak is taken
MANY = 300  # sharp corners: where there are more, errors show which of them matter


def starting_size(
    mesh: Mesh,
    largest: float,
    *,
    corner: float,
    fine: Ints | None = None,
    sharp: float = 225.0,
    finest: float = FINE,
    growth: float = GROWTH,
) -> SizeField:
    """
    Size field of a first mesh: fine at contacts, at their ends and at re-entrant corners, `largest` elsewhere.

    Parameters
    ----------
    mesh : Mesh
        The coarse mesh; its points carry the sizes.
    largest : float
        Metres.
    corner : float
        Wanted size at strongly re-entrant corners, as a fraction of the shortest edge at the corner; at most
        `finest`.
    fine : array of int, optional
        Numbers of the contacts to be fine at, by default all: where no loop ends, errors show what is needed.
    sharp : float
        Degrees of copper from which on a corner is strongly re-entrant.
    finest : float
        Metres.
    growth : float
        Of sizes, per metre.
    """
    count = len(mesh.points)
    sizes = np.full(count, largest)
    shortest = np.full(count, np.inf)
    ends, lengths = mesh.edge_ends, mesh.edge_lengths
    rim = mesh.contact_edges
    loud = rim if fine is None else rim[np.isin(mesh.contact_of, fine)]
    for side in range(2):
        np.minimum.at(sizes, ends[loud[:, 0], loud[:, 1], side], lengths[loud[:, 0], loud[:, 1]])
        np.minimum.at(shortest, ends[..., side].ravel(), lengths.ravel())
    angle = corner_angles(mesh)
    # A contact that ends on an edge of more than 100 degrees is as bad as a corner of twice that angle.
    touching = np.bincount(ends[rim[:, 0], rim[:, 1]].ravel(), minlength=count)
    pointed = (angle > np.radians(sharp)) | ((touching == 1) & (angle > np.radians(100)))
    if fine is not None:
        # Corners of contacts where no loop ends say nothing; nor do thousands of corners that are all alike.
        idle = np.unique(ends[rim[:, 0], rim[:, 1]][~np.isin(mesh.contact_of, fine)])
        pointed[idle[touching[idle] == 2]] = False
        pointed &= np.count_nonzero(pointed) <= MANY
    sizes[pointed] = np.minimum(sizes[pointed], np.minimum(corner * shortest[pointed], finest))
    return SizeField(mesh.points, limit_growth(mesh.points, ends.reshape(-1, 2), sizes, growth), largest, growth=growth)


def error_size(mesh: Mesh, pieces: Floats, largest: float) -> SizeField:
    """
    Size field that cuts every triangle into a wanted number of pieces, smoothed.

    Parameters
    ----------
    mesh : Mesh
    pieces : array, shape (m,)
        > 0; below 1 asks for larger triangles.
    largest : float
        Metres.
    """
    wanted = 0.5 * np.log(4 / np.sqrt(3) * mesh.areas / pieces)
    corners = mesh.triangles.ravel()
    count = np.bincount(corners, minlength=len(mesh.points))
    sizes = np.exp(np.bincount(corners, weights=np.repeat(wanted, 3), minlength=len(mesh.points)) / count)
    limited = limit_growth(mesh.points, mesh.edge_ends.reshape(-1, 2), sizes)
    # Between points that are far apart against the wanted size, the field would grow to more than was asked.
    between = mesh.points[mesh.triangles].mean(axis=1), limited[mesh.triangles].mean(axis=1)
    return SizeField(np.concatenate([mesh.points, between[0]]), np.concatenate([limited, between[1]]), largest)


def corner_angles(mesh: Mesh) -> Floats:
    """
    Angle of copper at every boundary point in radians, shape (n,); 0 at points inside the copper.

    Above pi the corner is re-entrant, and the current density has no bound there.
    """
    corners = mesh.points[mesh.triangles]
    ahead, behind = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    cross = ahead[..., 0] * behind[..., 1] - ahead[..., 1] * behind[..., 0]
    angle = np.arctan2(cross, np.sum(ahead * behind, axis=2))
    total = np.bincount(mesh.triangles.ravel(), weights=angle.ravel(), minlength=len(mesh.points))
    return np.where(np.isclose(total, 2 * np.pi), 0.0, total)
