"""Integrals of 1/r over triangles of one plane: closed form where they are near, quadrature where they are not."""

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
    side = np.roll(smaller, -1, axis=1) - smaller
    places = (smaller[:, :, None] + 0.5 * (1 + nodes)[:, None] * side[:, :, None]).reshape(
        len(smaller), 3 * len(nodes), 2
    )
    total = np.zeros(len(smaller))
    for k in range(3):
        start, end = larger[:, None, k], larger[:, None, (k + 1) % 3]
        along = (end - start) / np.linalg.norm(end - start, axis=2, keepdims=True)
        first, second = start - places, end - places
        low, high = np.sum(first * along, axis=2), np.sum(second * along, axis=2)
        t2 = (first[..., 0] * along[..., 1] - first[..., 1] * along[..., 0]) ** 2
        near, far = np.sqrt(low * low + t2), np.sqrt(high * high + t2)
        # The logarithm as a difference of asinh: nothing cancels, and on the edge's own line it is times zero.
        rho = np.maximum(np.sqrt(t2), 1e-30)
        bent = t2 * (np.arcsinh(high / rho) - np.arcsinh(low / rho))
        line = 0.5 * (high * far - low * near + bent).reshape(len(total), 3, len(nodes)) @ (0.5 * weights)
        total -= np.sum(line * np.sum(side * along, axis=2), axis=1)
    return total


def pair_integrals(corners: Floats, i: Ints, j: Ints) -> Floats:
    """
    Integral of 1/r over pairs of triangles of one plane, in m³, shape (pairs,).

    Pairs nearer than about two sizes: closed form along the outlines. Further apart: degree 2 on both; further than
    four sizes: their centres with the second moments. Each tier is good to 5e-4, the first to 2e-4.

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
    # Second moments of a triangle about its centre: sum of outer products of the corners over 12.
    spread = corners - centre[:, None]
    xx, xy, yy = (np.sum(spread[..., a] * spread[..., b], axis=1) / 12 for a, b in ((0, 0), (0, 1), (1, 1)))

    step = centre[i] - centre[j]
    distance = np.hypot(step[:, 0], step[:, 1])
    apart = distance / np.maximum(reach[i], reach[j])
    # The outermost tier for all; the few nearer ones are then replaced.
    with np.errstate(divide="ignore", invalid="ignore"):
        x, y = step[:, 0] / distance, step[:, 1] / distance
        xx, xy, yy = (part[i] + part[j] for part in (xx, xy, yy))
        pull = 3 * (x * x * xx + 2 * x * y * xy + y * y * yy) - xx - yy
        result: Floats = area[i] * area[j] / distance * (1 + 0.5 * pull / distance**2)

    same = i == j
    result[same] = self_integral(corners[i[same]])
    near = np.flatnonzero(~same & (apart < 2.2))
    a, b = i[near], j[near]
    # Gauss points on the smaller one: the other's potential varies little over it.
    # Between equal ones the place decides, so that numbering changes nothing.
    tie = np.abs(area[a] - area[b]) < 1e-9 * area[a]
    swap = np.where(tie, centre[a] @ (1.0, 0.618) > centre[b] @ (1.0, 0.618), area[a] > area[b])
    result[near] = touching_integrals(corners[np.where(swap, b, a)], corners[np.where(swap, a, b)])
    middle = np.flatnonzero((apart >= 2.2) & (apart < 4.5))
    a, b = i[middle], j[middle]
    points, _ = RULE_2
    outer, inner = points @ corners[a], points @ corners[b]
    total = np.zeros(len(a))
    for p in range(3):
        for q in range(3):
            gap = outer[:, p] - inner[:, q]
            total += 1 / np.sqrt(gap[:, 0] ** 2 + gap[:, 1] ** 2)
    result[middle] = area[a] * area[b] * total / 9
    return result
