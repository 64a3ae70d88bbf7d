"""What an aperture covers when it is dragged along a line or an arc."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from returnflow_geometry.fabrication.base.curves import arc, full_circle
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.gerber.apertures import half_circle
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import union_all

Point = tuple[float, float]


def round_strokes(ends: Floats, diameter: float) -> NDArray[np.object_]:
    """
    Straight strokes of a round aperture: exact width, half circles of equal area at the ends.

    Parameters
    ----------
    ends : array, shape (n, 4), metres
        x and y of start and end; equal ends give a disc.
    diameter : float
        In metres, > 0.

    Returns
    -------
    shapes : array of n polygons

    Examples
    --------
    >>> strokes = round_strokes(np.array([[0.0, 0.0, 3.0, 4.0]]), 2.0)
    >>> print(f"{strokes[0].area:.9f}")
    13.141592654
    """
    start, end = ends[:, :2], ends[:, 2:]
    along = end - start
    length = np.hypot(along[:, 0], along[:, 1])
    along = np.divide(along, length[:, None], out=np.zeros_like(along), where=length[:, None] > 0)
    shapes = np.empty(len(ends), dtype=object)
    dots = length == 0
    if dots.any():
        disc = full_circle((0.0, 0.0), diameter / 2)
        shapes[dots] = shapely.polygons(start[dots, None, :] + disc[None])
    if not dots.all():
        cap = half_circle(diameter / 2)
        across = np.column_stack([-along[:, 1], along[:, 0]])[~dots]
        turned = along[~dots, None, :] * cap[None, :, :1] + across[:, None, :] * cap[None, :, 1:]
        shapes[~dots] = shapely.polygons(
            np.concatenate([end[~dots, None] + turned, start[~dots, None] - turned], axis=1)
        )
    return shapes


def convex_strokes(ends: Floats, brush: Polygon) -> NDArray[np.object_]:
    """
    Straight strokes of a convex aperture: the hull of the aperture at both ends, which is exact.

    Parameters
    ----------
    ends : array, shape (n, 4), metres
    brush : Polygon
        Convex, about the origin.

    Examples
    --------
    >>> strokes = convex_strokes(np.array([[0.0, 0.0, 1.0, 1.0]]), shapely.box(-1, -1, 1, 1))
    >>> float(strokes[0].area)
    8.0
    """
    corners = np.asarray(brush.exterior.coords)[:-1]
    points = np.concatenate([ends[:, None, :2] + corners, ends[:, None, 2:] + corners], axis=1)
    hulls: NDArray[np.object_] = shapely.convex_hull(shapely.multipoints(points))
    return hulls


def is_convex(shape: Shape) -> bool:
    """Tell whether a shape is one polygon without holes or dents."""
    if shape.geom_type != "Polygon" or shape.is_empty or len(shape.interiors):
        return False
    return bool(abs(shape.convex_hull.area - shape.area) <= 1e-9 * shape.area)


def arc_stroke(path: Floats, centre: Point, *, clockwise: bool, diameter: float) -> Shape:
    """
    Cover of a round aperture dragged along an arc.

    Parameters
    ----------
    path : array, shape (k, 2), metres
        Start and points of the arc; equal first and last points mean a full turn.
    centre : (x, y), metres
    clockwise : bool
    diameter : float
        Of the aperture, metres, > 0.
    """
    first, last, half = _point(path[0]), _point(path[-1]), diameter / 2
    radius = math.dist(first, centre)
    if radius <= half:
        # The inner edge has vanished: chord by chord.
        return union_all(round_strokes(np.hstack([path[:-1], path[1:]]), diameter))
    if first == last:
        return Polygon(full_circle(centre, radius + half), [full_circle(centre, radius - half)])
    outer = _edge(first, last, centre, half, clockwise=clockwise)
    inner = _edge(first, last, centre, -half, clockwise=clockwise)
    end = half_circle(half)
    caps = []
    for place, sign in ((last, 1.0), (first, -1.0)):
        away = np.subtract(place, centre) / math.dist(place, centre)
        # In the frame of the motion: along, and across towards the left.
        along = np.array([away[1], -away[0]]) if clockwise else np.array([-away[1], away[0]])
        across = np.array([-along[1], along[0]])
        caps.append(np.add(place, sign * (end[:, :1] * along + end[:, 1:] * across)))
    left, right = (outer, inner) if clockwise else (inner, outer)
    whole = Polygon(np.concatenate([right[:-1], caps[0][:-1], left[::-1][:-1], caps[1][:-1]]))
    if whole.is_valid:
        return whole
    # The round ends overlap, or the arc is shorter than a chord: piece by piece.
    band = shapely.make_valid(Polygon(np.concatenate([right, left[::-1]])), method="structure", keep_collapsed=False)
    return union_all([band, *(Polygon(cap) for cap in caps)])


def _edge(first: Point, last: Point, centre: Point, out: float, *, clockwise: bool) -> Floats:
    """Arc beside an arc, `out` farther from the centre, with both ends."""
    ends = []
    for place in (first, last):
        grow = 1.0 + out / math.dist(place, centre)
        ends.append((centre[0] + grow * (place[0] - centre[0]), centre[1] + grow * (place[1] - centre[1])))
    return np.concatenate([[ends[0]], arc(ends[0], ends[1], centre, clockwise=clockwise)])


def _point(xy: Floats) -> Point:
    return float(xy[0]), float(xy[1])
