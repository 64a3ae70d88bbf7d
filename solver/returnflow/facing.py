"""Integral of 1/R over pairs of near triangles in two parallel planes, however close the planes are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

POINTS = 8  # Gauss points along each side


def facing_integrals(smaller: Floats, larger: Floats, distance: Floats, points: int = POINTS) -> Floats:
    """
    Integral of 1/R over pairs of near triangles, R² = r² + d² with d the distance of their planes, in m³, shape (k,).

    1/R is the Laplacian in the plane of F = R - d ln(R + d), so the double area integral is minus the double
    integral of F t . t' over the two outlines, t the unit tangents. Closed form along the larger triangle, Gauss
    points along each side of the smaller one. For d -> 0 this is `touching_integrals`: what planes far closer than
    their triangles are wide differ by from one plane comes out as a smooth remainder and not as a jump of the
    potential at the other's outline, which a Gauss rule over the area would have to find. Derived (Green's theorem
    twice).

    Parameters
    ----------
    smaller, larger : array, shape (k, 3, 2), metres, counter-clockwise
    distance : array, shape (k,), metres, > 0

    Notes
    -----
    Along an edge's line at the distance t from the point, s from its foot, R² = s² + t² + d², the integral of F is

    s R / 2 + (t² - d²)/2 asinh(s/sqrt(t² + d²)) - d s ln(R + d) - d t atan(s t / (t² + d² + d R)),

    but for a constant times s, which is nothing once round the outline. Derived; checked against quadrature.
    """
    nodes, weights = np.polynomial.legendre.leggauss(points)
    x, y = smaller.transpose(2, 1, 0)  # corners first: (3, k)
    dx, dy = np.roll(x, -1, axis=0) - x, np.roll(y, -1, axis=0) - y
    at = 0.5 * (1 + nodes)[:, None, None]
    px, py = x + at * dx, y + at * dy  # (points, 3, k)
    d, d2 = distance, distance * distance
    ends = larger.transpose(1, 2, 0)
    fx, fy = ends[:, 0, None, None] - px, ends[:, 1, None, None] - py  # (3, points, 3, k)
    R = np.sqrt(fx * fx + fy * fy + d2)
    log = d * np.log(R + d)
    total = np.zeros(len(smaller))
    for k in range(3):
        n = (k + 1) % 3
        ex, ey = ends[n] - ends[k]
        length = np.hypot(ex, ey)
        ex, ey = ex / length, ey / length
        low = fx[k] * ex + fy[k] * ey
        high = low + length
        t = fx[k] * ey - fy[k] * ex
        t2 = t * t
        near, far = R[k], R[n]
        base = t2 + d2
        # asinh(high/rho) - asinh(low/rho): nothing cancels however small rho is.
        beyond, before = far + np.abs(high), near + np.abs(low)
        inside = (low < 0) & (high > 0)
        ratio = np.where(inside, beyond * before / base, np.where(low < 0, before / beyond, beyond / before))
        # Difference of the two angles as that of one product.
        u, v = base + d * near, base + d * far
        turn = np.arctan2(t * (high * u - low * v), u * v + low * high * t2)
        value = 0.5 * (high * far - low * near + (t2 - d2) * np.log(ratio))
        value -= high * log[n] - low * log[k] + d * t * turn
        line = np.tensordot(0.5 * weights, value, axes=1)
        total -= np.sum(line * (dx * ex + dy * ey), axis=0)
    return total
