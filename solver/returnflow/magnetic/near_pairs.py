"""Integral of 1/R over pairs of near triangles, in one plane or in two, however close the planes are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Least clearance of the two outlines, in longest sides of the smaller triangle, and the Gauss points along each side
# that then give 2e-4 of the integral, 2e-5 in the mean square. Only outlines that cross, or nearly so, at a distance of
# less than a 30th of a side take 16 points to 6e-4 (7e-5 in the mean square). Measured on random pairs.
POINTS = ((0.5, 4), (0.2, 6), (0.08, 10), (0.0, 16))
BATCH = 12_000  # Gauss points at a time: what they need stays in the cache
TOUCHING = 5  # Gauss points along each side of the smaller triangle, in one plane


def touching_integrals(smaller: Floats, larger: Floats, precision: type = np.float64) -> NDArray[Any]:
    """
    Integral of 1/r over pairs of near triangles, also where they share edges or corners, in m³, shape (k,).

    In the plane 1/r is the Laplacian of r, so the double area integral is minus the double integral of r t . t' over
    the two outlines, t the unit tangents: nothing singular is left. Closed form along the larger triangle, 5 Gauss
    points along each side of the smaller one. Derived (Green's theorem twice).

    Parameters
    ----------
    smaller, larger : array, shape (k, 3, 2), metres, counter-clockwise
    precision : type, optional
        Single precision takes half the time, and loses as many digits more as the sizes differ by.
    """
    result: NDArray[Any] = np.empty(len(smaller), dtype=precision)
    for begin in range(0, len(smaller), BATCH // 6):
        some = slice(begin, begin + BATCH // 6)
        seen = _Seen.of(smaller[some], larger[some], TOUCHING, precision=precision)
        value: NDArray[Any] = np.zeros(len(smaller[some]), dtype=precision)
        for k in range(3):
            # In place: these arrays are what takes the time.
            low, away, log = seen.edge(k)
            away *= away
            log *= away
            np.multiply(low, seen.R[k], out=away)
            log -= away
            low += seen.length[k]
            low *= seen.R[(k + 1) % 3]
            log += low
            value -= seen.along(k, log)
        result[some] = 0.5 * value
    return result


def facing_integrals(smaller: Floats, larger: Floats, distance: Floats) -> Floats:
    """
    Integral of 1/R over pairs of near triangles, R² = r² + d² with d the distance of their planes, in m³, shape (k,).

    1/R is the Laplacian in the plane of F = R - d ln(R + d), so the double area integral is minus the double
    integral of F t . t' over the two outlines, t the unit tangents. Closed form along the larger triangle, Gauss
    points along each side of the smaller one. Derived (Green's theorem twice).

    Parameters
    ----------
    smaller, larger : array, shape (k, 3, 2), metres, counter-clockwise
    distance : array, shape (k,), metres, > 0

    Notes
    -----
    For d -> 0 this is `touching_integrals`, and what little the two differ by, about 2 pi d times the shared area,
    comes out as well: along the outline F only bends where the other one is crossed. The other way, the potential of
    one triangle integrated over the area of the other by a Gauss rule, jumps by 2 pi d there. Measured on overlapping
    pairs, 48 points each: 1e-5 against 2e-3 of the integral in the mean square at a 20th of a size, in less time.
    """
    clearance = _clearance(smaller, larger, distance)
    result = np.empty(len(smaller))
    above = np.inf
    for least, points in POINTS:
        mine = np.flatnonzero((clearance >= least) & (clearance < above))
        step = BATCH // (3 * points)
        for part in (mine[begin : begin + step] for begin in range(0, len(mine), step)):
            result[part] = outline_integrals(smaller[part], larger[part], distance[part], points)
        above = least
    return result


def _clearance(smaller: Floats, larger: Floats, distance: Floats) -> Floats:
    """How far the outlines are apart at least, in longest sides of the smaller triangle."""
    gap, longest = np.zeros(len(smaller)), np.zeros(len(smaller))
    deepest = np.full(len(smaller), -np.inf)
    for own, other in ((larger, smaller), (smaller, larger)):
        for k in range(3):
            start = own[:, k]
            ex, ey = (own[:, (k + 1) % 3] - start).T
            length = np.hypot(ex, ey)
            beside = ((other[..., 0] - start[:, :1]) * ey[:, None] - (other[..., 1] - start[:, 1:]) * ex[:, None]).T
            gap = np.maximum(gap, np.min(beside, axis=0) / length)
            if own is larger:
                deepest = np.maximum(deepest, np.max(beside, axis=0) / length)
            else:
                longest = np.maximum(longest, length)
    # A triangle wholly inside the other is as far from its outline as its corner nearest to a side of it.
    clearance: Floats = np.hypot(np.maximum(gap, -deepest), distance) / longest
    return clearance


def outline_integrals(smaller: Floats, larger: Floats, distance: Floats, points: int) -> Floats:
    """
    What `facing_integrals` gives, with a number of Gauss points along each side.

    Notes
    -----
    Along an edge's line at the distance t from the point, s from its foot, R² = s² + t² + d², the integral of F is

    s R / 2 + (t² - d²)/2 asinh(s/sqrt(t² + d²)) - d s ln(R + d) - d t atan(s t / (t² + d² + d R)),

    but for a constant times s, which is nothing once round the outline. Derived; checked against quadrature.
    """
    seen = _Seen.of(smaller, larger, points, distance)
    d, d2 = distance, distance * distance
    log = [d * np.log(r + d) for r in seen.R]
    total = np.zeros(len(smaller))
    for k in range(3):
        n = (k + 1) % 3
        low, t, asinh = seen.edge(k)
        high = low + seen.length[k]
        near, far = seen.R[k], seen.R[n]
        t2 = t * t
        base = t2 + d2
        # The difference of two arcs of less than a quarter turn each, as one.
        u, v = base + d * near, base + d * far
        turn = np.arctan2(t * (high * u - low * v), u * v + t2 * high * low)
        value = 0.5 * (high * far - low * near + (t2 - d2) * asinh)
        value -= high * log[n] - low * log[k] + d * t * turn
        total -= seen.along(k, value)
    return total


@dataclass(frozen=True)
class _Seen:
    """
    Larger triangles as seen from Gauss points along the sides of smaller ones, one array for each of their corners.

    `x`, `y` and `R` lead from the points to a corner, shape (3, points, 3, k); `ex`, `ey` and `length` are the edges
    that begin there, (3, k); `dx` and `dy` the sides of the smaller ones.
    """

    x: NDArray[Any]
    y: NDArray[Any]
    R: NDArray[Any]
    ex: NDArray[Any]
    ey: NDArray[Any]
    length: NDArray[Any]
    dx: NDArray[Any]
    dy: NDArray[Any]
    weights: NDArray[Any]

    @classmethod
    def of(
        cls, smaller: Floats, larger: Floats, points: int, distance: Floats | None = None, precision: type = np.float64
    ) -> _Seen:
        """Of pairs of triangles in planes so far apart."""
        nodes, weights = np.asarray(np.polynomial.legendre.leggauss(points), dtype=precision)
        ahead, origin = [1, 2, 0], larger[:, :1]
        # Corners first: (3, k).
        (px, py), (cx, cy) = (
            np.ascontiguousarray((part - origin).transpose(2, 1, 0), dtype=precision) for part in (smaller, larger)
        )
        dx, dy = px[ahead] - px, py[ahead] - py
        at = (0.5 * (1 + nodes))[:, None, None]
        px, py = px + at * dx, py + at * dy
        x, y, R = (np.empty((3, *px.shape), dtype=precision) for _ in range(3))
        square = np.empty_like(px)
        for k in range(3):
            np.subtract(cx[k], px, out=x[k])
            np.subtract(cy[k], py, out=y[k])
            np.multiply(x[k], x[k], out=R[k])
            R[k] += np.multiply(y[k], y[k], out=square)
            if distance is not None:
                R[k] += distance**2
        np.sqrt(R, out=R)
        ex, ey = cx[ahead] - cx, cy[ahead] - cy
        length = np.sqrt(ex * ex + ey * ey)
        return cls(x, y, R, ex / length, ey / length, length, dx, dy, weights)

    def edge(self, k: int) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """
        Where an edge begins along its line, how far that line is, and the integral of 1/R along it.

        That integral diverges on the edge itself, where what it is multiplied with vanishes.
        """
        n, length = (k + 1) % 3, self.length[k]
        low, away = self.x[k] * self.ex[k], self.x[k] * self.ey[k]
        both = self.y[k] * self.ey[k]
        low += both
        away -= np.multiply(self.y[k], self.ex[k], out=both)
        # ln((R+ + R- + l) / (R+ + R- - l)): nothing cancels but on the edge.
        np.add(self.R[k], self.R[n], out=both)
        less = both - length
        np.maximum(less, 4 * np.finfo(less.dtype).eps * length, out=less)
        both += length
        both /= less
        return low, away, np.log(both, out=both)

    def along(self, k: int, values: NDArray[Any]) -> NDArray[Any]:
        """Integral over the smaller outlines of values times t . t', t' along an edge of the larger ones."""
        line = (0.5 * self.weights @ values.reshape(len(self.weights), -1)).reshape(3, -1)
        whole: NDArray[Any] = np.sum(line * (self.dx * self.ex[k] + self.dy * self.ey[k]), axis=0)
        return whole
