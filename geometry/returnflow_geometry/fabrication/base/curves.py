"""Arcs to chords within 5 um, and full circles of equal area."""

from __future__ import annotations

import math

import numpy as np

from returnflow_geometry.fabrication.base.objects import CHORD, Floats

LEAST = 12  # corners of a full circle
MOST = 1440


def corners_for(radius: float) -> int:
    """
    Corners of a full circle (radius in metres) whose chords stay within 5 um of it; a multiple of four.

    Examples
    --------
    >>> corners_for(0.15e-3), corners_for(10e-3)
    (16, 100)
    """
    if radius <= CHORD:
        return LEAST
    wanted = math.ceil(math.pi / math.acos(1.0 - CHORD / radius))
    return min(MOST, max(LEAST, 4 * math.ceil(wanted / 4)))


def full_circle(centre: tuple[float, float], radius: float) -> Floats:
    """
    Corners of a regular polygon with the circle's area, counter-clockwise, not closed.

    Parameters
    ----------
    centre : (x, y), metres
    radius : float
        In metres, > 0.

    Examples
    --------
    >>> from shapely import Polygon
    >>> print(f"{Polygon(full_circle((1.0, 0.0), 1.0)).area:.12f}")
    3.141592653590
    """
    count = corners_for(radius)
    step = 2 * math.pi / count
    angles = (np.arange(count) + 0.5) * step
    out = radius * math.sqrt(step / math.sin(step))
    return np.column_stack([centre[0] + out * np.cos(angles), centre[1] + out * np.sin(angles)])


def arc(
    start: tuple[float, float], end: tuple[float, float], centre: tuple[float, float], *, clockwise: bool
) -> Floats:
    """
    Points of an arc after `start`, up to and with `end`, all in metres.

    The corners between the two ends lie outside the arc by as much as keeps the area under it; the ends stay where they
    are. Equal ends mean a full turn. A centre that is not equally far from both ends gives a radius that changes
    linearly with the angle.

    Returns
    -------
    points : array, shape (k, 2)

    Examples
    --------
    >>> points = arc((1.0, 0.0), (0.0, 1.0), (0.0, 0.0), clockwise=False)
    >>> print(f"{np.abs(np.hypot(*points.T) - 1).max():.0e}", points[-1])
    3e-06 [0. 1.]
    """
    first = (start[0] - centre[0], start[1] - centre[1])
    last = (end[0] - centre[0], end[1] - centre[1])
    radii = (math.hypot(*first), math.hypot(*last))
    begin = math.atan2(first[1], first[0])
    turn = math.atan2(last[1], last[0]) - begin
    full = 2 * math.pi
    turn = -((-turn) % full) if clockwise else turn % full
    if start == end or turn == 0.0:
        turn = -full if clockwise else full
    count = max(1, math.ceil(corners_for(max(radii)) * abs(turn) / full))
    fractions = np.arange(1, count + 1) / count
    step = abs(turn) / count
    # Sum of the triangles to the centre = sector: interior corners moved out, both ends fixed.
    grow = 1.0
    if count > 1 and step < math.pi / 2:
        # (count - 2) grow^2 sin + 2 grow sin = count step
        lack = (count - 2, 2.0, -count * step / math.sin(step))
        grow = (-lack[1] + math.sqrt(lack[1] ** 2 - 4 * lack[0] * lack[2])) / (2 * lack[0]) if lack[0] else -lack[2] / 2
    size = (radii[0] + (radii[1] - radii[0]) * fractions) * grow
    angles = begin + turn * fractions
    points = np.column_stack([centre[0] + size * np.cos(angles), centre[1] + size * np.sin(angles)])
    points[-1] = end
    return points
