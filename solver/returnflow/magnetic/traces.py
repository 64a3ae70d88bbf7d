"""Outgoing conductors: vector potential of routes at their heights, and their flux through each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from returnflow.resistive.foil import MU0

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Route:
    """
    Outgoing conductor of a loop, from its return end to its inject end.

    Attributes
    ----------
    path : array, shape (k, 2), metres
    height : float
        Over the copper's plane, metres; negative below it. The field is the same on both sides of a thin sheet.
    width : float
        Metres; the current is uniform over it.
    thickness : float
        Metres; with the width it sets the conductor's own flux.
    legs : tuple of Route
        Where it changes layers, its parts with their own heights; then the rest is that of the longest.
    """

    path: Floats
    height: float
    width: float
    thickness: float = 35e-6
    legs: tuple[Route, ...] = ()

    @property
    def parts(self) -> tuple[Route, ...]:
        """Its legs, or itself."""
        return self.legs or (self,)

    @property
    def nearest(self) -> float:
        """Height of the leg nearest to the copper's plane, metres."""
        return min((leg.height for leg in self.parts), key=abs)

    @property
    def length(self) -> float:
        """Length of the path in metres."""
        return float(np.sum(np.linalg.norm(np.diff(self.path, axis=0), axis=1)))

    @property
    def mean_distance(self) -> float:
        """Geometric mean distance of the cross-section from itself, 0.2235 (w + t), metres (Rosa 1908, from memory)."""
        return 0.2235 * (self.width + self.thickness)

    def filaments(self) -> tuple[list[Floats], Floats]:
        """Parallel paths that carry the uniform current, and the part each carries (Gauss points over the width)."""
        count = (
            1 if self.width < 0.3 * abs(self.height) else 2 * math.ceil(1 + self.width / max(abs(self.height), 1e-9))
        )
        nodes, weights = np.polynomial.legendre.leggauss(min(count, 40))
        return [_offset(self.path, 0.5 * self.width * node) for node in nodes], 0.5 * weights


def _offset(path: Floats, distance: float) -> Floats:
    """Path shifted to its left by a distance, with mitred bends."""
    if distance == 0:
        return path
    along = np.diff(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    left = np.column_stack([-along[:, 1], along[:, 0]])
    before, after = np.vstack([left[:1], left]), np.vstack([left, left[-1:]])
    scale = 1 + np.sum(before * after, axis=1, keepdims=True)
    # Hairpins would send the mitre to infinity.
    shifted: Floats = path + distance * (before + after) / np.maximum(scale, 0.1)
    return shifted


def vector_potential(route: Route, places: Floats, level: float = 0.0, *, softening: float = 0.0) -> Floats:
    """
    Vector potential of 1 A along a route at places of a level, in Vs/(A m), shape (n, 2) to (n, 2).

    Of a straight piece from s = 0 to l at the distance rho: mu0/4pi [asinh((l - s)/rho) + asinh(s/rho)] along it.
    Textbook.

    Parameters
    ----------
    route : Route
    places : array, shape (n, 2), metres
    level : float
        Height of the places over the copper's plane, metres.
    softening : float
        Added to rho in quadrature, metres: the geometric mean distance for a route's own flux.
    """
    if route.legs:
        own = (vector_potential(leg, places, level, softening=softening) for leg in route.legs)
        return sum(own, np.zeros_like(places))
    total = np.zeros_like(places)
    paths, parts = (route.filaments()) if softening == 0 else ([route.path], np.ones(1))
    for path, part in zip(paths, parts, strict=True):
        for start, end in pairwise(path):
            length = float(np.hypot(*(end - start)))
            if length == 0:
                continue
            unit = (end - start) / length
            offset = places - start
            s = offset @ unit
            across = offset[:, 1] * unit[0] - offset[:, 0] * unit[1]
            rho = np.sqrt(across**2 + (route.height - level) ** 2 + softening**2)
            rho = np.maximum(rho, 1e-9)
            total += part * np.outer(np.arcsinh((length - s) / rho) + np.arcsinh(s / rho), unit)
    potential: Floats = MU0 / (4 * np.pi) * total
    return potential


def mutual_flux(first: Route, second: Route) -> float:
    """
    Line integral along one route of the vector potential of 1 A in the other, in henry; partial inductance.

    Where the conductors are one, or share copper, by the geometric mean distance of their cross-sections: so loops
    fed by one trace couple as its own partial inductance, and never more.
    """
    if first.legs or second.legs:
        return sum(mutual_flux(one, other) for one in first.parts for other in second.parts)
    apart = shapely.distance(LineString(first.path), LineString(second.path))
    shared = first.height == second.height and apart < 0.5 * (first.width + second.width)
    mean_distance = 0.5 * (first.mean_distance + second.mean_distance)
    # Pieces short against what can lie near them; Gauss points integrate the logarithms between.
    reach = mean_distance if shared else max(abs(first.height - second.height), mean_distance)
    places, steps = _quadrature(first.path, second.path, reach)
    potential = vector_potential(second, places, first.height, softening=mean_distance if shared else 0.0)
    return float(np.sum(potential * steps))


def _quadrature(path: Floats, other: Floats, reach: float) -> tuple[Floats, Floats]:
    """
    Points and vector weights of a line integral of what another path causes.

    The pieces shorten towards the ends of every segment, and towards where the other path bends, ends or crosses.
    """
    nodes, weights = np.polynomial.legendre.leggauss(8)
    places, steps = [], []
    for start, end in pairwise(path):
        length = float(np.hypot(*(end - start)))
        if length == 0:
            continue
        marks = _graded(_special(start, end, other), reach / length)
        low, high = marks[:-1, None], marks[1:, None]
        t = (0.5 * (low + high) + 0.5 * (high - low) * nodes).ravel()
        w = (0.5 * (high - low) * weights).ravel()
        places.append(start + np.outer(t, end - start))
        steps.append(np.outer(w, end - start))
    return np.concatenate(places), np.concatenate(steps)


def _special(start: Floats, end: Floats, other: Floats) -> Floats:
    """Where along a segment, from 0 to 1, another path bends, ends or crosses it; sorted, with both ends."""
    step = end - start
    beside = (other - start) @ step / (step @ step)
    across = (other[:, 1] - start[1]) * step[0] - (other[:, 0] - start[0]) * step[1]
    turned = np.flatnonzero(across[:-1] * across[1:] < 0)
    part = across[turned] / (across[turned] - across[turned + 1])
    crossing = beside[turned] + part * (beside[turned + 1] - beside[turned])
    inner = np.concatenate([beside, crossing])
    marks = np.concatenate([[0.0, 1.0], inner[(inner > 1e-9) & (inner < 1 - 1e-9)]])
    return np.unique(np.round(marks, 9))


def _graded(marks: Floats, reach: float) -> Floats:
    """Marks with more between them: intervals halve towards every mark until they are as short as the reach."""
    parts = [marks[:1]]
    for low, high in pairwise(marks):
        levels = max(1, math.ceil(math.log2(max(2.0, (high - low) / max(reach, 1e-9)))))
        half = 0.5 ** np.arange(levels, 0, -1)
        parts.append(low + (high - low) * np.concatenate([half, 1 - half[-2::-1], [1.0]]))
    return np.concatenate(parts)


def flux_matrix(routes: Sequence[Route | None]) -> Floats:
    """Partial inductances of all routes in henry, shape (loops, loops); zero for loops without one. Symmetric."""
    matrix = np.zeros((len(routes), len(routes)))
    for i, first in enumerate(routes):
        for j, second in enumerate(routes):
            if first is not None and second is not None:
                matrix[i, j] = mutual_flux(first, second)
    return 0.5 * (matrix + matrix.T)
