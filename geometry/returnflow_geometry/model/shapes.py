"""Drawn shapes to polygons: rectangle, circle, polygon and slot, in metres."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString, Polygon

# Board shops etch to no better than 20 um; this, at equal area, is below what can be made.
CHORD_ERROR = 15e-6
MIN_CORNERS = 12
MAX_CORNERS = 720


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Polygon:
    """
    Rectangle from two opposite corners, in metres.

    Examples
    --------
    >>> rectangle(0.0, 0.0, 0.1, 0.08).area
    0.008
    """
    return shapely.box(min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))


def corners_for(radius: float, *, least: int = MIN_CORNERS) -> int:
    """
    Number of corners that keep the chord error of a full circle below 15 um.

    A multiple of four, so that the polygon keeps the symmetry of the axes.

    Examples
    --------
    >>> corners_for(0.15e-3), corners_for(10e-3)
    (12, 60)
    """
    half_angle = math.acos(max(-1.0, 1.0 - CHORD_ERROR / radius)) if radius > CHORD_ERROR else math.pi / 4
    wanted = max(least, math.ceil(math.pi / half_angle))
    return min(MAX_CORNERS, 4 * math.ceil(wanted / 4))


def circle(x: float, y: float, diameter: float, *, corners: int | None = None) -> Polygon:
    """
    Circle as a regular polygon of equal area.

    Equal area makes the logarithmic capacity of the pad right to 2e-4 at 16 corners; an inscribed polygon
    of 16 corners would be 3 % too small in area and moves a pad-to-pad resistance by 0.15 %.

    Parameters
    ----------
    x, y : float
        Centre, in metres.
    diameter : float
        In metres, > 0.
    corners : int, optional
        By default as many as keep the chord error below 15 um, at least 12.

    Examples
    --------
    >>> disc = circle(0.0, 0.0, 2.0)
    >>> print(f"{disc.area:.12f}")
    3.141592653590
    """
    count = corners_for(diameter / 2) if corners is None else corners
    step = 2 * math.pi / count
    radius = diameter / 2 * math.sqrt(step / math.sin(step))
    angles = (np.arange(count) + 0.5) * step
    return Polygon(np.column_stack([x + radius * np.cos(angles), y + radius * np.sin(angles)]))


def polygon_capacity(corners: int) -> float:
    """
    Logarithmic capacity of a regular polygon over the radius of the disc of its area.

    A hole with three or more like sides bends a current round it as the disc of its capacity does: outside, the
    conformal map from the disc begins z = c (w + O(1/w^(n-1))), and the flow round the disc is w + 1/w. Capacity of a
    polygon of side s: s Gamma(1/n) / (2^(1 + 2/n) sqrt(pi) Gamma(1/2 + 1/n)) (Polya and Szego, Isoperimetric
    Inequalities in Mathematical Physics, 1951).

    Examples
    --------
    >>> side = math.sqrt(math.pi)  # of the square with the area of the unit disc
    >>> round(polygon_capacity(4) / side, 5)  # published: 0.59017 times the side
    0.59017
    >>> round(polygon_capacity(1000), 5)
    1.0
    """
    n = float(corners)
    side = math.sqrt(4 * math.pi * math.tan(math.pi / n) / n)
    return side * math.gamma(1 / n) / (2 ** (1 + 2 / n) * math.sqrt(math.pi) * math.gamma(0.5 + 1 / n))


def slot(path: Sequence[tuple[float, float]], width: float) -> Polygon:
    """
    Slot of constant width along a path, with square ends at the path's ends and mitred bends.

    Examples
    --------
    >>> print(f"{slot([(0.0, 0.0), (0.0, 0.06)], 0.5e-3).area:.6e}")
    3.000000e-05
    """
    return LineString(path).buffer(width / 2, cap_style="flat", join_style="mitre")
