"""Ends of slots and bridges across them that can be dragged on the page: the mesh's points go with them."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely import LineString, Point

from returnflow.live.board import LiveBoard
from returnflow.live.parts import NANO, Sheet
from returnflow_geometry.model.board import Shape

SLIM = 8.0  # length over width; what is less slim is no slot
CLEAR = 3.0  # widths of copper that there must be ahead of an end
SAME = 1e-6  # m: what lies as near is the same place


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
    laid = shapely.union_all([bridge.shape for bridge in board.case.board.bridges if bridge.copper == name])
    for cutout in board.case.board.cutouts:
        if cutout.copper != name:
            continue
        for part in shapely.get_parts(cutout.shape):
            for end, along, width in _ends(part):
                if laid.distance(Point(end)) < SAME:
                    continue
                ahead = LineString([end + 0.1 * width * along, end + CLEAR * width * along])
                near = np.min(np.hypot(*(places - end).T)) < width
                if not (near and copper.contains(ahead)):
                    continue
                own = shapely.difference(part, laid).buffer(SAME)
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


def bridges(board: LiveBoard, sheet: Sheet) -> list[dict[str, Any]]:
    """
    Bridges straight across the straight slots of a sheet.

    Each has a name, a place on the slot's axis (x, y) and the slot's direction (dx, dy), metres; along it from there
    where the bridge begins and ends (`from`, `to`) and where the slots beside it do (`low`, `high`); the slot's width,
    and how far to both sides points go with it (`reach`).
    """
    name = board.conductors.names[sheet.copper]
    copper = board.conductors.planes[sheet.copper].copper
    drawn = board.case.board
    places = sheet.points * NANO
    found = []
    for cutout in drawn.cutouts:
        cut = shapely.intersection(cutout.shape, drawn.copper(name).shape)
        ends = _ends(cut) if cutout.copper == name and cut.geom_type == "Polygon" else []
        if len(ends) != 2:
            continue
        (start, _, width), (_, along, _) = ends
        across = np.array([-along[1], along[0]])
        laid = []
        for bridge in drawn.bridges:
            over = shapely.intersection(cut, bridge.shape)
            if bridge.copper != name or over.is_empty:
                continue
            t = (shapely.get_coordinates(over) - start) @ along
            low, high = float(t.min()), float(t.max())
            if abs(over.area - (high - low) * width) < 1e-3 * over.area:
                laid.append((low, high, bridge.name))
        laid.sort()
        stops = [0.0, *(stop for _, stop, _ in laid)]
        starts = [*(begin for begin, _, _ in laid[1:]), float(np.hypot(*(ends[1][0] - start)))]
        own = shapely.difference(cut, shapely.union_all([b.shape for b in drawn.bridges if b.copper == name])).buffer(
            SAME
        )
        others = copper.boundary.difference(own)
        for (begin, stop, bridge_name), low, high in zip(laid, stops, starts, strict=False):
            if not (low + width < begin < stop < high - width):
                continue
            edges = [start + begin * along, start + stop * along]
            if any(np.min(np.hypot(*(places - edge).T)) > width for edge in edges):
                continue
            inner = LineString([start + (low + SAME) * along, start + (high - SAME) * along])
            far = float(np.hypot(*np.ptp(places, axis=0)))
            strip = inner.buffer(far, cap_style="flat")
            beside = shapely.get_coordinates(shapely.segmentize(shapely.intersection(others, strip), width))
            reach = float(np.min(np.abs((beside - start) @ across))) if len(beside) else far
            if reach > 4 * width:
                place = {"x": float(start[0]), "y": float(start[1]), "dx": float(along[0]), "dy": float(along[1])}
                span = {"from": begin, "to": stop, "low": low, "high": high}
                found.append({"name": bridge_name, **place, **span, "wide": width, "reach": 0.98 * reach})
    return found
