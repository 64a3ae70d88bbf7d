"""
A triangulation in few bytes: triangle by triangle across open edges, every new point by its distance from a guess.

Beside an open edge (a, b) of a triangle with the third corner c lies another triangle. Its third corner is the next
point along the open line, or the one before, in nearly all cases, or a new one near a + b - c. What is left to tell
takes about two bits a triangle and two bytes a point. Values at points are told by their distance from the plane
through the values at a, b and c. Points that only fill the copper are put on a raster of a small part of the edge
beside them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BORDER, INNER, EXACT, NEXT, BEFORE, OTHER = range(6)
STEP = 256  # nm: raster of points that must stay where they are
PART = 32  # of an edge: raster of points that only fill the copper


@dataclass(frozen=True)
class MeshCode:
    """
    What tells a triangulation.

    Attributes
    ----------
    count : int
        Triangles.
    codes : array of int
        What lies beside every open edge.
    others : array of int
        Third corners that are neither new nor neighbours on the open line.
    exact, inner : arrays of int, shape (k, 2)
        New points, in steps from where they are guessed.
    """

    count: int
    codes: Ints
    others: Ints
    exact: Ints
    inner: Ints

    def data(self) -> dict[str, Any]:
        """As the page's script wants it."""
        return {
            "count": self.count,
            "codes": self.codes,
            "others": self.others,
            "exact": self.exact.T.ravel(),
            "inner": self.inner.T.ravel(),
        }


class _Front:
    """Open edges of what is told already, in the direction in which the next triangle has them."""

    def __init__(self) -> None:
        self.waiting: deque[tuple[int, int, int]] = deque()
        self.open: set[tuple[int, int]] = set()
        self.after: dict[int, int] = {}
        self.before: dict[int, int] = {}

    def add(self, a: int, b: int, c: int) -> None:
        """Take up a triangle: its edges close open ones, or open anew."""
        for p, q, r in ((a, b, c), (b, c, a), (c, a, b)):
            if (p, q) in self.open:
                self.close(p, q)
            else:
                self.open.add((q, p))
                self.after[q] = p
                self.before[p] = q
                self.waiting.append((q, p, r))

    def close(self, a: int, b: int) -> None:
        self.open.remove((a, b))
        if self.after.get(a) == b:
            del self.after[a]
        if self.before.get(b) == a:
            del self.before[b]

    def edges(self) -> Iterator[tuple[int, int, int]]:
        """Open edges, with the corner behind each, the oldest first."""
        while self.waiting:
            a, b, c = self.waiting.popleft()
            if (a, b) in self.open:
                yield a, b, c


def encode(points: Ints, triangles: Ints, keep: NDArray[np.bool_]) -> tuple[MeshCode, Ints, Ints]:
    """
    Tell a triangulation.

    Parameters
    ----------
    points : array of int, shape (n, 2), nanometres
    triangles : array of int, shape (m, 3)
        Counter-clockwise.
    keep : array of bool, shape (n,)
        Points that stay where they are, to an eighth of a micrometre.

    Returns
    -------
    code : MeshCode
    told : array of int
        Points in the order in which they are told; one at which pieces touch is told once for each.
    edges : array of int, shape (3 m,)
        New number of every edge (3 times the triangle, and 0 to 2).
    """
    rows, old = triangles.tolist(), points.tolist()
    beside = {(row[k], row[(k + 1) % 3]): (m, k) for m, row in enumerate(rows) for k in range(3)}
    edges = np.full(3 * len(rows), -1)
    codes: list[int] = []
    others: list[int] = []
    exact: list[tuple[int, int]] = []
    inner: list[tuple[int, int]] = []
    told: list[int] = []
    places: list[tuple[int, int]] = []
    count = 0

    def tell(point: int, guess: tuple[int, int], step: int, into: list[tuple[int, int]]) -> int:
        x, y = (round((v - g) / step) for v, g in zip(old[point], guess, strict=True))
        into.append((x, y))
        told.append(point)
        places.append((guess[0] + x * step, guess[1] + y * step))
        return len(told) - 1

    for seed in range(len(rows)):
        if edges[3 * seed] >= 0:
            continue
        number: dict[int, int] = {}
        front = _Front()
        for point in rows[seed]:
            number[point] = tell(point, places[-1] if places else (0, 0), STEP, exact)
        edges[3 * seed : 3 * seed + 3] = 3 * count + np.arange(3)
        count += 1
        front.add(*(number[point] for point in rows[seed]))
        for a, b, c in front.edges():
            m, k = beside.get((told[a], told[b]), (-1, 0))
            if m < 0:
                codes.append(BORDER)
                front.close(a, b)
                continue
            third = rows[m][(k + 2) % 3]
            v = number.get(third)
            if v is None:
                guess = (places[a][0] + places[b][0] - places[c][0], places[a][1] + places[b][1] - places[c][1])
                codes.append(EXACT if keep[third] else INNER)
                step, into = (STEP, exact) if keep[third] else (raster(places[a], places[b]), inner)
                v = number[third] = tell(third, guess, step, into)
            elif front.after.get(b) == v:
                codes.append(NEXT)
            elif front.before.get(a) == v:
                codes.append(BEFORE)
            else:
                codes.append(OTHER)
                others.append(v)
            for n in range(3):
                edges[3 * m + (k + n) % 3] = 3 * count + n
            count += 1
            front.add(a, b, v)
    pairs = [np.array(each, dtype=np.int64).reshape(-1, 2) for each in (exact, inner)]
    code = MeshCode(len(rows), np.array(codes), np.array(others, dtype=np.int64), pairs[0], pairs[1])
    return code, np.array(told), edges


def decode(code: MeshCode) -> tuple[Ints, Ints, Ints]:
    """
    A triangulation again, as the page's script does it.

    Returns
    -------
    points : array, shape (n, 2), nanometres
    triangles : array, shape (m, 3)
    guides : array, shape (n, 3)
        Points a, b, c that every point was guessed from; -1 for those that none was.
    """
    places: list[tuple[int, int]] = []
    triangles: list[tuple[int, int, int]] = []
    guides: list[tuple[int, int, int]] = []
    codes, others = iter(code.codes.tolist()), iter(code.others.tolist())
    exact, inner = iter(code.exact.tolist()), iter(code.inner.tolist())

    def tell(guess: tuple[int, int], by: list[int], step: int, guide: tuple[int, int, int]) -> int:
        places.append((guess[0] + by[0] * step, guess[1] + by[1] * step))
        guides.append(guide)
        return len(places) - 1

    while len(triangles) < code.count:
        front = _Front()
        seed = [tell(places[-1] if places else (0, 0), next(exact), STEP, (-1, -1, -1)) for _ in range(3)]
        triangles.append((seed[0], seed[1], seed[2]))
        front.add(*triangles[-1])
        for a, b, c in front.edges():
            what = next(codes)
            if what == BORDER:
                front.close(a, b)
                continue
            if what in (INNER, EXACT):
                guess = (places[a][0] + places[b][0] - places[c][0], places[a][1] + places[b][1] - places[c][1])
                by, step = (next(exact), STEP) if what == EXACT else (next(inner), raster(places[a], places[b]))
                v = tell(guess, by, step, (a, b, c))
            else:
                v = front.after[b] if what == NEXT else front.before[a] if what == BEFORE else next(others)
            triangles.append((a, b, v))
            front.add(a, b, v)
    return np.array(places), np.array(triangles), np.array(guides)


def raster(a: tuple[int, int], b: tuple[int, int]) -> int:
    """Step of points beside an edge: a power of two of nanometres."""
    length, step = max(abs(b[0] - a[0]), abs(b[1] - a[1])), 1
    while step * PART <= length:
        step *= 2
    return step


def differences(values: Floats, step: float, points: Ints, guides: Ints) -> Ints:
    """
    Values at points as whole steps from the planes through those at their guides.

    Parameters
    ----------
    values : array, shape (n,)
    step : float
    points, guides : arrays
        As `decode` gives them.
    """
    whole = np.floor(values / step + 0.5)
    found = whole.copy()
    led = guides[:, 0] >= 0
    s, t = _coordinates(points[guides[led]], points[led])
    a, b, c = whole[guides[led]].T
    found[led] -= np.floor(c + s * (a - c) + t * (b - c) + 0.5)
    return found.astype(np.int64)


def _coordinates(corners: Ints, at: Ints) -> tuple[Floats, Floats]:
    """Where a point lies from c on, in parts of a - c and b - c, not farther than twice as far as both together."""
    a, b, c = (corners[:, k].astype(np.float64) for k in range(3))
    (ax, ay), (bx, by), (px, py) = (a - c).T, (b - c).T, (at - c).T
    twice = ax * by - ay * bx
    s, t = (px * by - py * bx) / twice, (ax * py - ay * px) / twice
    return np.clip(s, -2, 2), np.clip(t, -2, 2)
