"""Elements and areas of IPC-2581: names without namespaces, rectangles with cut corners, slots recognised."""

from __future__ import annotations

from collections.abc import Iterator
from xml.etree.ElementTree import Element  # the type only; defusedxml does the parsing

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from returnflow_geometry.fabrication.base.curves import arc
from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import union_all

EMPTY = MultiPolygon()


def tag(element: Element) -> str:
    """Name of an element without its namespace."""
    return str(element.tag).rpartition("}")[2]


def children(element: Element, *names: str) -> Iterator[Element]:
    """Direct children of these names."""
    return (child for child in element if tag(child) in names)


def flag(element: Element, key: str, absent: bool = False) -> bool:
    """Read a yes or no attribute."""
    text = element.get(key)
    return absent if text is None else text.strip().lower() in ("true", "1")


def moved(shape: Shape, at: tuple[float, float]) -> Shape:
    """Shape moved by a vector, in metres."""
    if at == (0.0, 0.0):
        return shape
    result: Shape = shapely.transform(shape, lambda points: points + np.array(at))
    return result


def rounded(
    width: float, height: float, cut: float, chosen: list[bool] | None = None, *, chamfered: bool = False
) -> Polygon:
    """Rectangle about the origin whose corners (upper right, upper left, lower left, lower right) are cut off."""
    points: list[Floats] = []
    for k, cutting in enumerate(chosen or [True] * 4):
        along, up = ((1, 1), (-1, 1), (-1, -1), (1, -1))[k]
        corner = np.array([along * width / 2, up * height / 2])
        if not cutting or cut <= 0.0:
            points.append(corner[None])
            continue
        ends = [corner - [0.0, up * cut], corner - [along * cut, 0.0]]
        start, end = ends if along * up > 0 else ends[::-1]
        centre = (float(corner[0]) - along * cut, float(corner[1]) - up * cut)
        points.append(start[None])
        first, last = (float(start[0]), float(start[1])), (float(end[0]), float(end[1]))
        points.append(end[None] if chamfered else arc(first, last, centre, clockwise=False))
    return Polygon(np.vstack(points))


def areas(shape: shapely.Geometry) -> Shape:
    """Keep only the areas of a geometry."""
    if isinstance(shape, Polygon | MultiPolygon):
        return shape
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon | MultiPolygon)]
    if not parts:
        return EMPTY
    united: Shape = union_all(parts)
    return united


def polygons(shape: Shape) -> list[Polygon]:
    """Parts of an area."""
    return [part for part in shapely.get_parts(shape) if not part.is_empty]


def rings_of(part: Polygon) -> list[shapely.LinearRing]:
    """Outer and inner borders."""
    return [part.exterior, *part.interiors]


def stadium(area: Shape) -> tuple[Floats, float] | None:
    """
    Centre line (k, 2) and width of an area that is a straight slot with round ends or a circle, else None.

    Judged by area and by reach, within 3 %.
    """
    parts = polygons(area)
    if len(parts) != 1 or len(parts[0].interiors):
        return None
    box = shapely.minimum_rotated_rectangle(parts[0])
    if not isinstance(box, shapely.Polygon):
        return None
    corners = np.asarray(box.exterior.coords)[:4]
    sides = corners[1] - corners[0], corners[2] - corners[1]
    lengths = [float(np.hypot(*side)) for side in sides]
    long = int(lengths[1] > lengths[0])
    width, length = lengths[1 - long], lengths[long]
    if width <= 0.0:
        return None
    along = sides[long] / length
    centre = corners.mean(axis=0)
    half = along * max(0.0, length - width) / 2
    path = np.array([centre - half, centre + half]) if length > 1.03 * width else centre[None]
    ideal = shapely.LineString(path) if len(path) > 1 else shapely.Point(path[0])
    ideal = ideal.buffer(width / 2, quad_segs=16)
    if shapely.symmetric_difference(ideal, parts[0]).area > 0.03 * parts[0].area:
        return None
    return path, width
