"""Integrals of 1/r over pairs of triangles in one plane: closed form where they are near, quadrature where they are not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

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
        near, far = np.sqrt(low * low + r0), np.sqrt(high * high + r0)
        # On the edge's own line t = 0 and the logarithm may diverge: their product vanishes.
        with np.errstate(divide="ignore", invalid="ignore"):
            # ln((far + high)/(near + low)), written so that nothing cancels when both ends lie behind.
            behind = high + low < 0
            ratio = np.where(behind, (near - low) / (far - high), (far + high) / (near + low))
            part = t * np.log(ratio)
            if h:
                part -= h * (np.arctan2(t * high, r0 + h * far) - np.arctan2(t * low, r0 + h * near))
        total += np.where(np.abs(t) > 1e-14 * (near + far), part, 0.0)
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


def pair_integrals(corners: Floats, i: Ints, j: Ints) -> Floats:
    """
    Integral of 1/r over pairs of triangles of one plane, in m³, shape (pairs,).

    Near pairs: closed form inside, degree 5 outside. Pairs further apart than about two sizes: degree 2 on both;
    further than four: their centres with the second moments. Each tier is good to a few 1e-4.

    Parameters
    ----------
    corners : array, shape (m, 3, 2), metres, counter-clockwise
    i, j : arrays, shape (pairs,)
        i may equal j.
    """
    centre = corners.mean(axis=1)
    reach = np.max(np.linalg.norm(corners - centre[:, None], axis=2), axis=1)
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    distance = np.linalg.norm(centre[i] - centre[j], axis=1)
    apart = distance / np.maximum(reach[i], reach[j])
    result = np.empty(len(i))

    same = i == j
    result[same] = self_integral(corners[i[same]])
    near = ~same & (apart < 2.2)
    a, b = i[near], j[near]
    # Smaller triangle outside: the potential of the larger one varies little over it.
    swap = area[a] > area[b]
    a, b = np.where(swap, b, a), np.where(swap, a, b)
    points, weights = RULE_5
    result[near] = potential(corners[b], points @ corners[a]) @ weights * area[a]
    middle = ~same & ~near & (apart < 4.5)
    a, b = i[middle], j[middle]
    points, weights = RULE_2
    outer, inner = points @ corners[a], points @ corners[b]
    total = np.zeros(len(a))
    for p in range(3):
        for q in range(3):
            step = outer[:, p] - inner[:, q]
            total += 1 / np.sqrt(step[:, 0] ** 2 + step[:, 1] ** 2)
    result[middle] = area[a] * area[b] * total / 9
    far = apart >= 4.5
    a, b = i[far], j[far]
    # Second moments of a triangle about its centre: sum of outer products of the corners over 12.
    spread = corners - centre[:, None]
    moment = np.einsum("mkc,mkd->mcd", spread, spread) / 12
    both = moment[a] + moment[b]
    x, y = ((centre[a] - centre[b]) / distance[far, None]).T
    xx, xy, yy = both[:, 0, 0], both[:, 0, 1], both[:, 1, 1]
    pull = 3 * (x * x * xx + 2 * x * y * xy + y * y * yy) - xx - yy
    result[far] = area[a] * area[b] / distance[far] * (1 + 0.5 * pull / distance[far] ** 2)
    return result
