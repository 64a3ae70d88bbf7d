"""Integrals of 1/R over triangles of parallel planes: closed form where they are near, quadrature where not."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.near_pairs import facing_integrals
from returnflow.resistive.factor_threads import side_by_side

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Distance of centres, in largest distances of a corner from its centre, below which pairs are near or middling.
NEAR, MIDDLE = 2.2, 4.5
BATCH = 20_000  # pairs at a time: what they need stays in the cache
TOGETHER = 60  # batches of one piece of work

# Symmetric rules on the triangle: barycentric points and weights that sum to one. Degree 2 and degree 5
# (Strang and Fix 1973; Radon 1948; from memory, tested for their degree).
RULE_2 = (np.array([[2 / 3, 1 / 6, 1 / 6], [1 / 6, 2 / 3, 1 / 6], [1 / 6, 1 / 6, 2 / 3]]), np.full(3, 1 / 3))
_a, _b = (6 - np.sqrt(15)) / 21, (6 + np.sqrt(15)) / 21
RULE_5 = (
    np.array(
        [[1 / 3, 1 / 3, 1 / 3]] + [[1 - 2 * s if i == k else s for i in range(3)] for s in (_a, _b) for k in range(3)]
    ),
    np.array([9 / 40] + [(155 - np.sqrt(15)) / 1200] * 3 + [(155 + np.sqrt(15)) / 1200] * 3),
)


def potential(corners: Floats, places: Floats, height: float = 0.0) -> Floats:
    """
    Integral of 1/r over triangles, seen from places at a height over their plane, in metres.

    Parameters
    ----------
    corners : array, shape (k, 3, 2), metres, counter-clockwise
    places : array, shape (k, q, 2), metres
    height : float, metres

    Returns
    -------
    array, shape (k, q)

    Notes
    -----
    Sum over the edges: with the distance t of the place from the edge's line (positive inside), the two ends at
    l- and l+ along it and at the distances R- and R+,
    t ln((R+ + l+)/(R- + l-)) - h [atan(t l+ / (R0² + h R+)) - atan(t l- / (R0² + h R-))], R0² = t² + h².
    Source: Wilton, Rao, Glisson, Schaubert, Al-Bundak and Butler, IEEE Trans. Antennas Propag. 32 (1984) 276
    (from memory); checked against quadrature.
    """
    h = abs(height)
    total = np.zeros(places.shape[:2])
    for k in range(3):
        start, end = corners[:, None, k], corners[:, None, (k + 1) % 3]
        along = end - start
        along = along / np.linalg.norm(along, axis=2, keepdims=True)
        first, second = start - places, end - places
        low, high = np.sum(first * along, axis=2), np.sum(second * along, axis=2)
        t = first[..., 0] * along[..., 1] - first[..., 1] * along[..., 0]
        r0 = t * t + h * h
        # ln((R+ + l+)/(R- + l-)) as a difference of asinh: nothing cancels, and on the edge's own line, where the
        # logarithm diverges and t vanishes, their product does.
        rho = np.maximum(np.sqrt(r0), 1e-30)
        total += t * (np.arcsinh(high / rho) - np.arcsinh(low / rho))
        if h:
            near, far = np.sqrt(low * low + r0), np.sqrt(high * high + r0)
            total -= h * (np.arctan2(t * high, r0 + h * far) - np.arctan2(t * low, r0 + h * near))
    return total


def self_integral(corners: Floats) -> Floats:
    """
    Integral of 1/r over each triangle with itself, in m³, shape (k, 3, 2) to (k,).

    (4 A² / 3) sum over the sides a of (1/a) ln(s / (s - a)), s half the perimeter. Source: Eibert and Hansen,
    IEEE Trans. Antennas Propag. 43 (1995) 1499 (from memory); checked against quadrature.
    """
    sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    half = 0.5 * sides.sum(axis=1, keepdims=True)
    area2 = half[:, 0] * np.prod(half - sides, axis=1)
    value: Floats = 4 / 3 * area2 * np.sum(np.log(half / (half - sides)) / sides, axis=1)
    return value


def touching_integrals(smaller: Floats, larger: Floats) -> Floats:
    """
    Integral of 1/r over pairs of near triangles, also where they share edges or corners, in m³, shape (k,).

    In the plane 1/r is the Laplacian of r, so the double area integral is minus the double integral of r t . t' over
    the two outlines, t the unit tangents: nothing singular is left. Closed form along the larger triangle, 5 Gauss
    points along each side of the smaller one. Derived (Green's theorem twice).

    Parameters
    ----------
    smaller, larger : array, shape (k, 3, 2), metres, counter-clockwise
    """
    nodes, weights = np.polynomial.legendre.leggauss(5)
    x, y = smaller.transpose(2, 1, 0)  # corners first: (3, k)
    dx, dy = np.roll(x, -1, axis=0) - x, np.roll(y, -1, axis=0) - y
    t = 0.5 * (1 + nodes)[:, None, None]
    px, py = x + t * dx, y + t * dy  # (5, 3, k)
    total = np.zeros(len(smaller))
    for k in range(3):
        (x0, y0), (x1, y1) = larger[:, k].T, larger[:, (k + 1) % 3].T
        length = np.hypot(x1 - x0, y1 - y0)
        ex, ey = (x1 - x0) / length, (y1 - y0) / length
        fx, fy = x0 - px, y0 - py
        low = fx * ex + fy * ey
        high = low + length
        t2 = (fx * ey - fy * ex) ** 2
        near, far = np.sqrt(low * low + t2), np.sqrt(high * high + t2)
        # On the edge's own line t = 0 and the logarithm may diverge: their product vanishes.
        with np.errstate(divide="ignore", invalid="ignore"):
            behind = high + low < 0
            ratio = np.where(behind, (near - low) / (far - high), (far + high) / (near + low))
            bent = np.where(t2 > 1e-20 * (near + far) ** 2, t2 * np.log(ratio), 0.0)
        line = np.tensordot(0.25 * weights, high * far - low * near + bent, axes=1)
        total -= np.sum(line * (dx * ex + dy * ey), axis=0)
    return total


def pair_integrals(corners: Floats, i: Ints, j: Ints, distance: Floats | None = None) -> Floats:
    """
    Integral of 1/R over pairs of triangles of parallel planes, R² = r² + distance², in m³, shape (pairs,).

    Pairs nearer than about two sizes: closed form along the outlines. Further apart: degree 2 on both; further than
    four sizes: their centres with the second moments. Each tier is good to 5e-4, the first to 2e-4; thin triangles
    (20°) take the middle one to 2e-3. The distance of the planes counts as distance, and keeps every tier as good.

    Parameters
    ----------
    corners : array, shape (m, 3, 2), metres, counter-clockwise
    i, j : arrays, shape (pairs,)
        i may equal j, and is then the triangle with itself whatever the distance.
    distance : array, shape (pairs,), metres, optional
        Of the planes of either triangle; 0: they share one. None: all do.
    """
    panels = _Panels.of(corners)
    result = np.empty(len(i))

    def some(begins: range) -> None:
        facing = []
        for begin in begins:
            part = slice(begin, begin + BATCH)
            result[part], left = _batch(panels, i[part], j[part], None if distance is None else distance[part])
            facing.append(begin + left)
        if distance is not None and facing:
            over = np.concatenate(facing)
            smaller, larger = _by_size(panels, i[over], j[over])
            result[over] = facing_integrals(corners[smaller], corners[larger], distance[over])

    begins = range(0, len(i), BATCH)
    side_by_side([partial(some, begins[first : first + TOGETHER]) for first in range(0, len(begins), TOGETHER)])
    return result


@dataclass(frozen=True)
class _Panels:
    """What every pair needs of its triangles."""

    corners: Floats
    centre: Floats
    reach: Floats  # largest distance of a corner from the centre
    area: Floats
    moments: Floats  # about the centre, per area: xx, xy, yy, shape (3, m)
    places: Floats  # of the rule of degree 2: x and y, shape (2, 3, m)

    @classmethod
    def of(cls, corners: Floats) -> _Panels:
        centre = corners.mean(axis=1)
        x, y = (corners - centre[:, None]).transpose(2, 0, 1)
        # Second moments of a triangle about its centre: sum of outer products of the corners over 12.
        moments = np.stack([np.sum(x * x, axis=1), np.sum(x * y, axis=1), np.sum(y * y, axis=1)]) / 12
        reach = np.sqrt(np.max(x * x + y * y, axis=1))
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        places = np.ascontiguousarray((RULE_2[0] @ corners).transpose(2, 1, 0))
        return cls(corners, centre, reach, area, moments, places)


def _by_size(panels: _Panels, a: Ints, b: Ints) -> tuple[Ints, Ints]:
    """
    Pairs as the smaller and the larger triangle.

    Gauss points go on the smaller one: the other's potential varies little over it. Equal ones by place, so that the
    order of numbers decides nothing.
    """
    ratio, skew = panels.area[a] / panels.area[b], (panels.centre[a] - panels.centre[b]) @ np.array([1.0, 0.618])
    swap = np.where(np.abs(ratio - 1) < 1e-6, skew > 0, ratio > 1)
    return np.where(swap, b, a), np.where(swap, a, b)


def _batch(panels: _Panels, i: Ints, j: Ints, distance: Floats | None) -> tuple[Floats, Ints]:
    """
    Integrals of some pairs, each by the cheapest way that is good enough at its distance.

    But for near pairs of two planes, whose places among the pairs are given back: they are dear enough to be sorted.
    """
    corners, area, reach = panels.corners, panels.area, panels.reach
    step = panels.centre[i] - panels.centre[j]
    square = step[:, 0] ** 2 + step[:, 1] ** 2
    if distance is not None:
        square += distance**2
    # The outermost way for all; the few nearer ones are then replaced. Across a distance it is the same expansion.
    with np.errstate(divide="ignore", invalid="ignore"):
        x, y = step.T
        xx, xy, yy = panels.moments[:, i] + panels.moments[:, j]
        pull = 3 * (x * x * xx + 2 * x * y * xy + y * y * yy) / square - xx - yy
        result: Floats = area[i] * area[j] / np.sqrt(square) * (1 + 0.5 * pull / square)
    apart = square / np.maximum(reach[i], reach[j]) ** 2

    same = np.flatnonzero(i == j)
    result[same] = self_integral(corners[i[same]])
    near = np.flatnonzero((apart < NEAR**2) & (i != j))
    facing = np.zeros(0, dtype=np.int64)
    if distance is not None:
        facing, near = near[distance[near] > 0], near[distance[near] == 0]
    smaller, larger = _by_size(panels, i[near], j[near])
    result[near] = touching_integrals(corners[smaller], corners[larger])
    middle = np.flatnonzero((apart >= NEAR**2) & (apart < MIDDLE**2))
    a, b = i[middle], j[middle]
    outer, inner = panels.places[:, :, a], panels.places[:, :, b]
    total = np.zeros(len(a))
    rise = 0.0 if distance is None else distance[middle] ** 2
    for p in range(3):
        for q in range(3):
            x, y = outer[:, p] - inner[:, q]
            total += 1 / np.sqrt(x * x + y * y + rise)
    result[middle] = area[a] * area[b] * total / 9
    return result, facing
