"""Outgoing conductors: how currents spread over their widths, vector potential, and flux through each other."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from returnflow.resistive.foil import MU0

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STRANDS = 8  # at least across a trace: its inductance is then right to 5e-4
MOST_LINES = 40  # that stand for it outside
MODES = 6  # ways to spread besides the crowding at both edges alike
SPREADS = 2.0  # thicknesses; a narrower trace carries a uniform current
NARROW = 0.3  # heights; seen from farther away than its width a trace is a line
SOFT = 0.967  # of the radius of tubes that carry what a strip does: so a strip's crowded current is right
EDGES = 3.7  # heights
PAIRS = 200_000  # of straight pieces at a time: bounds the memory
PARALLEL = 1e-7  # sine of an angle
CLOSEST = 1e-6  # m; nearer to a line than this its field is no larger


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
        Metres; the current spreads over it.
    thickness : float
        Metres; with the width it sets the conductor's own flux and resistance.
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
    def _lines(self) -> int:
        """Lines that a trace is when seen from the copper."""
        if self.width < NARROW * abs(self.height):
            return 1
        return min(2 * math.ceil(1 + self.width / max(abs(self.height), 1e-9)), MOST_LINES)

    @property
    def crowds(self) -> bool:
        """Whether its current, or a leg's, crowds at its edges: what it loses by that is in impedances, no more."""
        return any(leg.width > SPREADS * leg.thickness for leg in self.parts)

    @cached_property
    def strands(self) -> Strands:
        """The trace as parallel tubes."""
        return Strands.of(self, max(2 * self._lines, STRANDS), min(self._lines - 2, MODES))

    @property
    def as_sheet(self) -> float:
        """
        Width of a sheet without thickness that crowds as the trace does, metres.

        w + t/pi (1 + ln(4 pi w/t)) far from a plane (conformal map to first order in t, from memory); nearby the edges
        see the plane first, so that 3.7 heights stand for 4 pi w: 0.5 % in the inductance over a plane (own code).
        """
        wide, thin = max(self.width, self.thickness), min(self.width, self.thickness)
        reach = min(4 * np.pi * wide, EDGES * abs(self.height) or np.inf)
        return float(wide + thin / np.pi * max(0.0, 1 + np.log(reach / thin)))

    def lines(self, most: int = MOST_LINES) -> tuple[list[Floats], Floats]:
        """Paths that stand for the strands outside, and the part of every current they carry, (lines, currents)."""
        count = min(self._lines, most)
        nodes, weights = np.polynomial.legendre.leggauss(count)
        degrees = np.arange(count)
        here, there = (np.polynomial.legendre.legvander(at, count - 1) for at in (nodes, self.strands.places))
        # Interpolation between the lines: exact for fields that are polynomials across the trace.
        spread = weights[:, None] * ((here * (degrees + 0.5)) @ there.T)
        return self.paths(nodes), spread @ self.strands.currents

    def paths(self, places: Floats) -> list[Floats]:
        """Paths at places across the trace, from -1 to 1."""
        return [_offset(self.path, 0.5 * self.as_sheet * place) for place in places]


@dataclass(frozen=True)
class Strands:
    """
    The cross-section of a trace: strands side by side, and the currents that a trace can carry.

    Attributes
    ----------
    places : array, shape (n,)
        Across the trace, from -1 to 1; crowded at its edges, where the current crowds.
    radius : array, shape (n,), metres
        Half of its square for either is added to the square of the distance of two strands: see `_neumann`.
    currents : array, shape (n, 1 + q)
        Part of every strand: the uniform current of 1 A, then currents without sum that spread it.
    resistance : array, shape (q, q)
        Of the latter, in squares per length: 1/m.
    """

    places: Floats
    radius: Floats
    currents: Floats
    resistance: Floats

    @classmethod
    def of(cls, leg: Route, count: int, modes: int) -> Strands:
        """Of a flat trace in so many strands; without `modes` it crowds on both edges alike only."""
        width, thickness = leg.width, leg.thickness
        angle = (np.arange(count) + 0.5) * np.pi / count
        sheet = leg.as_sheet
        places, even = np.cos(angle), _even(angle, 1.0)
        # Uniform on a rectangle the mean distance is 0.2235 (w + t) (Rosa 1908, from memory), on a sheet exp(-3/2) w.
        uniform = _even(angle, min(1.0, 0.2235 * (width + thickness) / (np.exp(-1.5) * sheet)))
        radius = SOFT * np.sin(angle) * sheet / (4 * count)
        # The current crowded as on a thin strip by itself, then what leans to one side, from the middle outwards, ...
        waves = [np.cos(k * angle) / count for k in range(1, 1 + modes)]
        ways = np.column_stack([1 / count - uniform, *waves])[:, : None if leg.crowds else 0]
        resistance = ways.T @ (ways / (width * even[:, None]))
        return cls(places, radius, np.column_stack([uniform, ways]), resistance)


def _even(angle: Floats, part: float) -> Floats:
    """Weights at cosines of angles that integrate over a part of the width, of 1; for all of it, Fejér's."""
    order = np.arange(1, len(angle))
    edge = math.acos(part)
    # Means of Chebyshev's polynomials; those of odd order have none.
    means = np.zeros(len(order))
    even = order[1::2]
    means[1::2] = (np.cos((even + 1) * edge) / (even + 1) - np.cos((even - 1) * edge) / (even - 1)) / (2 * part)
    weights: Floats = (1 + 2 * np.cos(np.outer(angle, order)) @ means) / len(angle)
    return weights


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


def potentials(route: Route, places: Floats, level: float = 0.0, lines: int = MOST_LINES) -> Floats:
    """
    Vector potential of every current of a leg at places of a level, in Vs/(A m), shape (n, 2) to (1 + q, n, 2).

    Of a straight piece of the length l, R1 and R2 away from its ends: mu0/4pi ln((R1 + R2 + l)/(R1 + R2 - l)) along
    it. Textbook.

    Parameters
    ----------
    route : Route
    places : array, shape (n, 2), metres
    level : float
        Height of the places over the copper's plane, metres.
    lines : int
        Most lines that stand for the leg: few are enough for places far from it.
    """
    paths, parts = route.lines(lines)
    total = np.zeros((parts.shape[1], *places.shape))
    rise = max(abs(route.height - level), CLOSEST) ** 2
    for path, part in zip(paths, parts, strict=True):
        own = np.zeros_like(places)
        away = [np.sqrt((places[:, 0] - x) ** 2 + (places[:, 1] - y) ** 2 + rise) for x, y in path]
        steps = np.diff(path, axis=0)
        for k, length in enumerate(np.hypot(*steps.T)):
            if length > 0:
                both = away[k] + away[k + 1]
                own += np.outer(np.log((both + length) / (both - length)), steps[k] / length)
        for n in np.flatnonzero(part):
            total[n] += part[n] * own
    potential: Floats = MU0 / (4 * np.pi) * total
    return potential


def vector_potential(route: Route, places: Floats, level: float = 0.0) -> Floats:
    """Vector potential of 1 A, uniform over the width; see `potentials`; shape (n, 2)."""
    own = (potentials(leg, places, level)[0] for leg in route.parts)
    return sum(own, np.zeros_like(places))


def from_path(path: Floats, places: Floats) -> tuple[Floats, Floats]:
    """
    How far places are from a path, and where along it, metres; from (..., 2) to (...) each.

    Examples
    --------
    >>> away, along = from_path(np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]]), np.array([[1.0, 0.5], [5.0, 2.0]]))
    >>> away.tolist(), along.tolist()
    ([0.5, 2.0], [1.0, 5.0])
    """
    nearest, along = np.full(places.shape[:-1], np.inf), np.zeros(places.shape[:-1])
    walked = 0.0
    for start, step in zip(path, np.diff(path, axis=0), strict=False):
        length = float(np.hypot(*step))
        if length == 0:
            continue
        x, y = np.moveaxis(places - start, -1, 0)
        ahead = np.clip((x * step[0] + y * step[1]) / length, 0.0, length)
        away = np.hypot(x - ahead * step[0] / length, y - ahead * step[1] / length)
        closer = away < nearest
        nearest, along = np.where(closer, away, nearest), np.where(closer, walked + ahead, along)
        walked += length
    return nearest, along


@dataclass(frozen=True)
class Traces:
    """
    The legs of all loops' routes; loops with one route share its legs.

    Attributes
    ----------
    legs : tuple of Route
        Each different one once, with its height over the nearest level.
    heights : array, shape (levels, legs), metres
        Over every level.
    carried : array, shape (legs, loops)
        Current of every loop in every leg.
    """

    legs: tuple[Route, ...]
    heights: Floats
    carried: Floats

    @classmethod
    def of(cls, over: Sequence[Sequence[Route | None]]) -> Traces:
        """Of the routes of all loops, over every level."""
        legs: dict[tuple[object, ...], tuple[Route, ...]] = {}
        of_loop: list[list[tuple[object, ...]]] = []
        for routes in zip(*over, strict=True):
            mine = list(zip(*(route.parts for route in routes if route is not None), strict=True))
            legs |= {_key(leg): leg for leg in mine}
            of_loop.append([_key(leg) for leg in mine])
        number = {key: n for n, key in enumerate(legs)}
        carried = np.zeros((len(legs), len(of_loop)))
        for loop, keys in enumerate(of_loop):
            np.add.at(carried[:, loop], [number[key] for key in keys], 1.0)
        heights = np.array([[leg.height for leg in levels] for levels in legs.values()])
        nearest = tuple(min(levels, key=lambda leg: abs(leg.height)) for levels in legs.values())
        return cls(nearest, heights.reshape(len(legs), len(over)).T, carried)

    @cached_property
    def spreads(self) -> Ints:
        """Number of the leg of every current without sum, shape (q,)."""
        counts = [leg.strands.currents.shape[1] - 1 for leg in self.legs]
        return np.repeat(np.arange(len(self.legs)), counts)

    def spread(self, number: int, own: Floats) -> Iterator[tuple[int, Floats]]:
        """Loops and spreading currents that a leg's currents (1 + q, ...) are part of, and what they get of them."""
        loops = self.carried.shape[1]
        for loop in np.flatnonzero(self.carried[number]):
            yield int(loop), self.carried[number, loop] * own[0]
        yield from zip((loops + np.flatnonzero(self.spreads == number)).tolist(), own[1:], strict=True)

    def resistance(self, thickness: float) -> Floats:
        """Of spreading currents, in squares of copper of a thickness in metres, (q, q)."""
        result = np.zeros((len(self.spreads),) * 2)
        for number, leg in enumerate(self.legs):
            mine = np.flatnonzero(self.spreads == number)
            result[np.ix_(mine, mine)] = thickness / leg.thickness * leg.length * leg.strands.resistance
        return result

    @cached_property
    def flux(self) -> Floats:
        """Partial inductances of loops' routes and of spreading currents in henry, (loops + q, loops + q)."""
        loops = self.carried.shape[1]
        if not self.legs:
            return np.zeros((loops, loops))
        carried, pieces, at = [], [], 0
        for number, (leg, height) in enumerate(zip(self.legs, self.heights[0], strict=True)):
            *geometry, strand = _pieces(leg, height)
            pieces.append((*geometry, at + strand))
            at += len(leg.strands.places)
            spread = np.zeros((len(leg.strands.places), len(self.spreads)))
            spread[:, self.spreads == number] = leg.strands.currents[:, 1:]
            carried.append(np.hstack([np.outer(leg.strands.currents[:, 0], self.carried[number]), spread]))
        start, end, high, radius, owner = (np.concatenate(part) for part in zip(*pieces, strict=True))
        return _flux(start, end, high, radius, owner, np.concatenate(carried))


def _key(levels: Sequence[Route]) -> tuple[object, ...]:
    """What tells legs apart, of one leg over every level."""
    leg = levels[0]
    return (leg.path.tobytes(), leg.width, leg.thickness, *(one.height for one in levels))


def flux_matrix(routes: Sequence[Route | None]) -> Floats:
    """Partial inductances of all routes, uniform over their widths, henry, shape (loops, loops); zero without one."""
    return Traces.of([routes]).flux[: len(routes), : len(routes)]


def mutual_flux(first: Route, second: Route) -> float:
    """Line integral along one route of the vector potential of 1 A in the other, in henry; partial inductance."""
    return float(flux_matrix([first, second])[0, 1])


def _pieces(leg: Route, height: float) -> tuple[Floats, Floats, Floats, Floats, Ints]:
    """Start and end (k, 2), height, radius and strand of all straight pieces of the strands of a leg."""
    strands = leg.strands
    paths = np.stack(leg.paths(strands.places))
    start, end = paths[:, :-1].reshape(-1, 2), paths[:, 1:].reshape(-1, 2)
    owner = np.repeat(np.arange(len(paths)), paths.shape[1] - 1)
    return start, end, np.full(len(start), height), strands.radius[owner], owner


def _flux(start: Floats, end: Floats, height: Floats, radius: Floats, owner: Ints, carried: Floats) -> Floats:
    """Energy form of currents in strands: carried (strands, c) to (c, c), from the mutual inductances of all pieces."""
    length = np.linalg.norm(end - start, axis=1)
    keep = length > 0
    start, height, radius, owner, length = (part[keep] for part in (start, height, radius, owner, length))
    unit = (end[keep] - start) / length[:, None]
    currents = carried[owner]
    result = np.zeros((carried.shape[1],) * 2)
    step = max(1, PAIRS // len(length))
    for at in range(0, len(length), step):
        rows = slice(at, at + step)
        M = _neumann(start, unit, length, height, radius, rows)
        result += currents[rows].T @ (M @ currents)
    symmetric: Floats = MU0 / (4 * np.pi) * 0.5 * (result + result.T)
    return symmetric


def _neumann(start: Floats, unit: Floats, length: Floats, height: Floats, radius: Floats, rows: slice) -> Floats:
    """
    Neumann's double integral of dl.dl'/r of some straight strands with all, shape (rows, all), metres.

    The distance is sqrt(r^2 + (a^2 + b^2)/2) with the radii a and b: one over that is a sum of exp(-s r^2) exp(-s
    a^2/2) exp(-s b^2/2) with positive weights, so that no currents, wherever they flow, have a negative energy.

    Closed forms for parallel lines and for lines at an angle, whose common perpendicular is their difference in
    height: F. W. Grover, Inductance Calculations (1946), chapters 5 and 7 (from memory; quadrature agrees).
    """
    u, v = unit[rows, None], unit[None]
    offset = start[None] - start[rows, None]
    cosine, sine = np.sum(u * v, axis=2), u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    along, across = np.sum(offset * u, axis=2), offset[..., 1] * u[..., 0] - offset[..., 0] * u[..., 1]
    parallel = np.abs(sine) < PARALLEL
    rise = np.where(parallel, np.hypot(across, height - height[rows, None]), np.abs(height - height[rows, None]))
    rise = np.maximum(np.sqrt(rise**2 + 0.5 * (radius[rows, None] ** 2 + radius**2)), 1e-12)
    l, m = np.broadcast_to(length[rows, None], rise.shape), np.broadcast_to(length, rise.shape)
    result = np.zeros(rise.shape)

    p = parallel
    near, far = along[p], along[p] + np.sign(cosine[p]) * m[p]
    ends = ((far, 1), (near, -1), (far - l[p], -1), (near - l[p], 1))
    result[p] = sum(sign * (s * np.arcsinh(s / rise[p]) - np.hypot(s, rise[p])) for s, sign in ends)

    q = ~parallel & (np.abs(cosine) > 1e-14)
    c, s, d, l, m = cosine[q], sine[q], rise[q], l[q], m[q]
    # The starts, and then the ends, counted from where the lines cross as seen from above.
    x0, y0 = across[q] * c / s - along[q], across[q] / s
    x, y = (x0, x0 + l), (y0, y0 + m)
    R = [[np.sqrt((along[q] + b * m * c - a * l) ** 2 + (across[q] + b * m * s) ** 2 + d**2) for b in (0, 1)]
         for a in (0, 1)]  # fmt: skip
    logs = (x[1] * np.arctanh(m / (R[1][1] + R[1][0])) - x[0] * np.arctanh(m / (R[0][0] + R[0][1]))
            + y[1] * np.arctanh(l / (R[1][1] + R[0][1])) - y[0] * np.arctanh(l / (R[1][0] + R[0][0])))  # fmt: skip
    angle = sum(
        (1 if a == b else -1) * np.arctan2(d**2 * c + x[a] * y[b] * s**2, d * R[a][b] * np.abs(s))
        for a in (0, 1) for b in (0, 1)
    )  # fmt: skip
    result[q] = c * (2 * logs - angle * d / np.abs(s))
    return result
