"""Integrals of 1/R over triangles of parallel planes: closed form where they are near, quadrature where not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.magnetic.near_pairs import facing_integrals, touching_integrals

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Distance of centres, in largest distances of a corner from its centre, below which pairs are near or middling.
NEAR, MIDDLE = 2.2, 4.5
UNLIKE = 3.0  # of thin triangles, or of unlike ones, double precision is left; equal sides have 0.6
BATCH = 20_000  # pairs at a time: what they need stays in the cache

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
    panels = Panels.of(corners)
    result, apart = by_centres(panels.some(i), panels.some(j), 0.0 if distance is None else distance**2)
    for tier, closer in ((MIDDLE, panels.by_rule), (NEAR, panels.closely)):
        some = np.flatnonzero((apart < tier**2) | (i == j))
        result[some] = closer(i[some], j[some], None if distance is None else distance[some])
    return result


@dataclass(frozen=True)
class Some:
    """Of some triangles what `by_centres` needs: centres, area, square of the reach, second moments per area."""

    x: NDArray[Any]
    y: NDArray[Any]
    area: NDArray[Any]
    reach2: NDArray[Any]
    xx: NDArray[Any]
    xy2: NDArray[Any]  # twice that of x y
    yy: NDArray[Any]

    @property
    def upright(self) -> Some:
        """The same as columns."""
        return Some(*(part[:, None] for part in (self.x, self.y, self.area, self.reach2, self.xx, self.xy2, self.yy)))


def by_centres(one: Some, other: Some, rise: Any = 0.0) -> tuple[NDArray[Any], NDArray[Any]]:
    """
    Integrals from centres and second moments, and the square of the distance in reaches of the larger triangle.

    Arrays of both broadcast; `rise` is the square of the distance of their planes. Right only where they are far apart.
    """
    x, y = one.x - other.x, one.y - other.y
    x2, y2 = x * x, y * y
    square = x2 + y2
    square += rise
    xx, yy = one.xx + other.xx, one.yy + other.yy
    x *= y
    x *= one.xy2 + other.xy2
    x2 *= xx
    y2 *= yy
    x += x2
    x += y2
    xx += yy
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        inverse = 1 / square
        # (3 x.M.x / R² - tr M) / (2 R²), M the second moments of both.
        x *= 3 * inverse
        x -= xx
        x *= 0.5 * inverse
        x += 1
        result = one.area * other.area
        result *= np.sqrt(inverse, out=inverse)
        result *= x
    return result, square / np.maximum(one.reach2, other.reach2)


@dataclass(frozen=True)
class Panels:
    """What every pair needs of its triangles; all but corners and centres in the precision asked for."""

    corners: Floats
    centre: Floats
    reach2: NDArray[Any]  # square of the largest distance of a corner from the centre
    area: NDArray[Any]
    moments: NDArray[Any]  # about the centre, per area: xx, twice xy, yy, shape (3, m)
    offset: NDArray[Any]  # of the places of the rule of degree 2 from the centre: x and y, shape (2, 3, m)

    @classmethod
    def of(cls, corners: Floats, precision: type = np.float64) -> Panels:
        """Of triangles by their corners, shape (m, 3, 2)."""
        centre = corners.mean(axis=1)
        x, y = (corners - centre[:, None]).transpose(2, 0, 1)
        # Second moments of a triangle about its centre: sum of outer products of the corners over 12.
        moments = np.stack([np.sum(x * x, axis=1), 2 * np.sum(x * y, axis=1), np.sum(y * y, axis=1)]) / 12
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        offset = (RULE_2[0] @ (corners - centre[:, None])).transpose(2, 1, 0)
        single = (np.max(x * x + y * y, axis=1), area, moments, offset)
        return cls(corners, centre, *(np.ascontiguousarray(part, dtype=precision) for part in single))

    def some(self, which: NDArray[np.integer] | slice, origin: Floats | float = 0.0) -> Some:
        """Of some triangles what `by_centres` needs, with centres from an origin near them."""
        x, y = (self.centre[which] - origin).T.astype(self.area.dtype)
        return Some(x, y, self.area[which], self.reach2[which], *self.moments[:, which])

    def by_rule(self, i: Ints, j: Ints, distance: Floats | None) -> NDArray[Any]:
        """Integrals of pairs some sizes apart: the rule of degree 2 on both, shape (pairs,)."""
        kind = self.area.dtype
        result = np.empty(len(i), dtype=kind)
        for part in _batches(len(i)):
            a, b = i[part], j[part]
            x, y = (self.centre[a] - self.centre[b]).T.astype(kind)
            (ax, ay), (bx, by) = self.offset[:, :, a], self.offset[:, :, b]
            rise = np.zeros((), kind) if distance is None else (distance[part] ** 2).astype(kind)
            ax, ay = ax + x, ay + y
            total = np.zeros(len(a), dtype=kind)
            with np.errstate(divide="ignore"):
                for p in range(3):
                    for q in range(3):
                        dx, dy = ax[p] - bx[q], ay[p] - by[q]
                        total += 1 / np.sqrt(dx * dx + dy * dy + rise)
            result[part] = self.area[a] * self.area[b] * total / 9
        return result

    def closely(self, i: Ints, j: Ints, distance: Floats | None) -> Floats:
        """Integrals of near pairs, and of triangles with themselves, shape (pairs,)."""
        result = np.empty(len(i))
        flat = np.ones(len(i), dtype=bool) if distance is None else distance == 0
        same = np.flatnonzero(i == j)
        result[same] = self_integral(self.corners[i[same]])
        smaller, larger = self._by_size(i, j)
        beside = flat & (i != j)
        # Outlines are long against what they enclose.
        bulk = np.sqrt(self.reach2[smaller] * self.reach2[larger]) * self.reach2[larger]
        unlike = bulk > UNLIKE * self.area[smaller] * self.area[larger]
        for mine, precision in ((beside & ~unlike, self.area.dtype.type), (beside & unlike, np.float64)):
            some = np.flatnonzero(mine)
            result[some] = touching_integrals(self.corners[smaller[some]], self.corners[larger[some]], precision)
        over = np.flatnonzero(~flat & (i != j))
        if distance is not None and len(over):
            result[over] = facing_integrals(self.corners[smaller[over]], self.corners[larger[over]], distance[over])
        return result

    def _by_size(self, a: Ints, b: Ints) -> tuple[Ints, Ints]:
        """
        Pairs as the smaller and the larger triangle.

        Gauss points go on the smaller one: the other's potential varies little over it. Equal ones by place, so that
        the order of numbers decides nothing.
        """
        ratio = self.area[a] / self.area[b]
        skew = (self.centre[a] - self.centre[b]) @ np.array([1.0, 0.618])
        swap = np.where(np.abs(ratio - 1) < 1e-6, skew > 0, ratio > 1)
        return np.where(swap, b, a), np.where(swap, a, b)


def _batches(count: int) -> list[slice]:
    return [slice(begin, begin + BATCH) for begin in range(0, count, BATCH)]
