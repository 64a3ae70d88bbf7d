"""
Round contacts as octagons: to currents outside, one is as the disc of its capacity, for a third of the triangles.

Each of a pad's twelve to twenty corners would be a corner of the magnetic mesh, which has no need of them: what a
polygon of n like sides has more than its disc dies out with the n-th power of the distance.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.shapes import circle, polygon_capacity

CORNERS = 8
ROUND = 1e-3  # of the radius, by which corners of a disc are off their circle
WIDE = 0.02  # of the copper's diagonal: in a wider disc the mesh is as fine as its corners make it, or too coarse
CLEAR = 1.15  # radii from a disc's centre to all else: the octagon's corners are 1.05 away


def octagon(disc: Shape) -> Shape | None:
    """
    Octagon of a disc's capacity; None if it is none, or has no more corners.

    Examples
    --------
    >>> round(octagon(circle(0, 0, 2)).area, 3)  # of the disc 3.142
    3.111
    >>> octagon(shapely.box(0, 0, 1, 1)) is None
    True
    """
    corners = shapely.get_coordinates(disc)[:-1]
    if not isinstance(disc, Polygon) or disc.interiors or len(corners) <= CORNERS:
        return None
    x, y = corners.mean(axis=0)
    away = np.hypot(*(corners - (x, y)).T)
    steps = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    if np.ptp(away) > ROUND * np.mean(away) or np.ptp(steps) > 0.1 * np.mean(steps):
        return None
    radius = float(np.sqrt(disc.area / np.pi))
    return circle(float(x), float(y), 2 * radius / polygon_capacity(CORNERS), corners=CORNERS)


def stands_clear(part: Shape, number: int, rims: shapely.STRtree, contacts: shapely.STRtree, widest: float) -> bool:
    """
    Whether a part of a contact is a disc, and no rim of the copper and no other contact is near it.

    Parameters
    ----------
    part : polygon
    number : int
        Of its contact.
    rims, contacts : STRtree
        Of the same copper.
    widest : float
        Radius at most, metres.
    """
    eased, radius = octagon(part), float(np.sqrt(part.area / np.pi))
    if eased is None or radius > widest:
        return False
    reach = CLEAR * radius
    near = [tree.query(eased.centroid, predicate="dwithin", distance=reach) for tree in (rims, contacts)]
    return not len(near[0]) and set(near[1].tolist()) <= {number}
