"""Put names beside things on a picture so that no two of them overlap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Distances in pixels at which a place is looked for, nearest first; 16 directions each.
DISTANCES = (4.0, 9.0, 16.0, 26.0, 40.0, 60.0, 85.0, 115.0, 150.0, 200.0, 260.0)
DIRECTIONS = 16
GAP = 2.0  # pixels between two labels
MOST_COVER = 30.0  # cost of covering many things, in half pixels of distance: a long leader is worse
LEADER_FROM = 12.0  # pixels; a label further from its thing gets a leader line


@dataclass(frozen=True)
class Place:
    """Where one label goes: its box (x0, y0, x1, y1), and the ends of its leader line if it needs one, in pixels."""

    box: tuple[float, float, float, float]
    leader: tuple[tuple[float, float], tuple[float, float]] | None


@dataclass
class Placer:
    """
    Finds places for labels, one after the other.

    Parameters
    ----------
    frame : (x0, y0, x1, y1)
        All labels stay inside, pixels.
    avoid : array, shape (n, 2), optional
        Points that labels should rather not cover (markers, lines); they may where there is no other place.
    """

    frame: tuple[float, float, float, float]
    avoid: Floats = field(default_factory=lambda: np.empty((0, 2)))
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def place(self, anchor: tuple[float, float], size: tuple[float, float], radius: float = 0.0) -> Place | None:
        """
        Best free place for a label, or None if every place would overlap another label.

        Parameters
        ----------
        anchor : (x, y)
            Centre of the thing to name, pixels.
        size : (width, height)
            Of the label, pixels.
        radius : float
            Of the thing, pixels.
        """
        best: Place | None = None
        least = math.inf
        for distance in DISTANCES:
            if best is not None and least < 0.5 * distance:
                break  # nothing further away can be better
            for turn in range(DIRECTIONS):
                box, near = _box(anchor, size, radius + distance, 2 * math.pi * turn / DIRECTIONS)
                if not self._free(box):
                    continue
                leader = (anchor, near) if distance >= LEADER_FROM else None
                cost = 0.5 * distance + min(6.0 * self._covered(box), MOST_COVER) + (turn % 4 != 0)
                if leader is not None:
                    cost += 8.0 * self._crossed(leader)
                if cost < least:
                    best, least = Place(box, leader), cost
        if best is not None:
            self.taken.append(best.box)
        return best

    def _free(self, box: tuple[float, float, float, float]) -> bool:
        x0, y0, x1, y1 = box
        left, bottom, right, top = self.frame
        if x0 < left or y0 < bottom or x1 > right or y1 > top:
            return False
        return not any(x0 < b[2] + GAP and b[0] < x1 + GAP and y0 < b[3] + GAP and b[1] < y1 + GAP for b in self.taken)

    def _covered(self, box: tuple[float, float, float, float]) -> int:
        x, y = self.avoid.T
        return int(np.count_nonzero((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])))

    def _crossed(self, line: tuple[tuple[float, float], tuple[float, float]]) -> int:
        (xa, ya), (xb, yb) = line
        steps = [((1 - s) * xa + s * xb, (1 - s) * ya + s * yb) for s in np.linspace(0, 1, 12)]
        return sum(any(b[0] <= x <= b[2] and b[1] <= y <= b[3] for x, y in steps) for b in self.taken)


def _box(
    anchor: tuple[float, float], size: tuple[float, float], distance: float, angle: float
) -> tuple[tuple[float, float, float, float], tuple[float, float]]:
    """Box whose nearest point lies at a distance and angle from the anchor, and that point."""
    c, s = math.cos(angle), math.sin(angle)
    near = (anchor[0] + distance * c, anchor[1] + distance * s)
    width, height = size
    # The box hangs on the near point: on a side where the direction is level or upright, on a corner between.
    x0 = near[0] - width * (0.5 - 0.5 * _flat(c))
    y0 = near[1] - height * (0.5 - 0.5 * _flat(s))
    return (x0, y0, x0 + width, y0 + height), near


def _flat(component: float) -> float:
    return max(-1.0, min(1.0, 2.0 * component))


def along(lines: Sequence[tuple[tuple[float, float], tuple[float, float]]], step: float = 6.0) -> Floats:
    """Points every few pixels on straight lines, for `Placer.avoid`, shape (n, 2)."""
    parts = [np.empty((0, 2))]
    for a, b in lines:
        count = max(2, int(math.dist(a, b) / step) + 1)
        s = np.linspace(0, 1, count)[:, None]
        parts.append((1 - s) * np.array(a) + s * np.array(b))
    return np.concatenate(parts)
