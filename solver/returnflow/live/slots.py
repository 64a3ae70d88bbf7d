"""Ends of slots that can be drawn longer or shorter on the page: the mesh's points go with them."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely import LineString, Point

from returnflow.live.board import LiveBoard
from returnflow.live.parts import Sheet
from returnflow.live.sheet import NANO
from returnflow_geometry.model.board import Shape

SLIM = 8.0  # length over width; what is less slim is no slot
CLEAR = 3.0  # widths of copper that there must be ahead of an end


def slot_ends(board: LiveBoard, sheet: Sheet) -> list[dict[str, Any]]:
    """
    Ends of the straight slots of a sheet that lie in its copper.

    Each has a name, its place (x, y) and direction (dx, dy), the slot's width, and how far points go with it (`reach`):
    as far as the nearest border that is not its own, metres.
    """
    name = board.conductors.names[sheet.copper]
    copper = board.conductors.planes[sheet.copper].copper
    places = sheet.points * NANO
    found = []
    for cutout in board.case.board.cutouts:
        if cutout.copper != name:
            continue
        for part in shapely.get_parts(cutout.shape):
            for end, along, width in _ends(part):
                ahead = LineString([end + 0.1 * width * along, end + CLEAR * width * along])
                near = np.min(np.hypot(*(places - end).T)) < width
                if not (near and copper.contains(ahead)):
                    continue
                own = part.buffer(1e-6)
                reach = float(Point(end).distance(copper.boundary.difference(own)))
                if reach > 10 * width:
                    place = {"x": float(end[0]), "y": float(end[1]), "dx": float(along[0]), "dy": float(along[1])}
                    found.append({"name": cutout.name, **place, "wide": width, "reach": 0.98 * reach})
    return found


def _ends(shape: Shape) -> list[tuple[Any, Any, float]]:
    """Middles of the short sides of a slim rectangle, the directions out of it, and its width."""
    box = shapely.minimum_rotated_rectangle(shape)
    if box.geom_type != "Polygon" or shape.area < 0.999 * box.area:
        return []
    corners = np.asarray(box.exterior.coords)[:4]
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*sides.T)
    width = float(min(lengths[:2]))
    if max(lengths) < SLIM * width:
        return []
    short = [k for k in range(4) if abs(lengths[k] - width) < 1e-9]
    ends = []
    for k in short[:2]:
        middle = 0.5 * (corners[k] + corners[(k + 1) % 4])
        along = (middle - box.centroid.coords[0]) / np.hypot(*(middle - box.centroid.coords[0]))
        ends.append((middle, along, width))
    return ends
