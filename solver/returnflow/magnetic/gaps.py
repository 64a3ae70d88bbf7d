"""Gaps between coppers of one layer, and slots in one: where they are, how wide, and how much copper lies behind."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow_geometry.model.board import Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP = 0.25e-3  # m between places along rims; less where a rim has few, more where it has many
FEWEST, MOST = 120, 4000  # places along one rim
WIDEST = 5e-3  # m; wider gaps are none
SLENDER = 4.0  # a gap is at least so many times as long as it is wide
JUMP = 2.0  # where the width changes by such a factor from place to place, one gap ends
AGAIN = 0.5  # a gap of which this part lies beside one that is known is its other rim
REACH = 1 / np.e  # of its length: how far along the copper its field goes, see `Gap`
HAIR = 1e-9  # m


@dataclass(frozen=True)
class Gap:
    """
    A gap as it is seen from one rim, place by place.

    Where copper goes on and on the two rims see each other's charge as far as the gap is long: the mean of the
    logarithm of distances along a line is that of its length over e. So the depths of the copper are at most that.

    Attributes
    ----------
    coppers : (int, int)
        On either side; the same one of a slot.
    near, far : array, shape (n, 2)
        Places on both rims, opposite one another, metres.
    length : array, shape (n,)
        Of rim that belongs to each, metres.
    width : array, shape (n,)
        Metres.
    depth : array, shape (2, n)
        Of the copper behind either rim, metres.
    """

    coppers: tuple[int, int]
    near: Floats
    far: Floats
    length: Floats
    width: Floats
    depth: Floats

    @property
    def whole(self) -> float:
        """Length in all, metres."""
        return float(self.length.sum())


@dataclass(frozen=True)
class _Rims:
    """Straight pieces of all rims of one layer, with the copper on their left."""

    start: Floats
    end: Floats
    owner: Ints
    tree: shapely.STRtree

    @classmethod
    def of(cls, coppers: Sequence[Shape]) -> _Rims:
        starts, ends, owners = [], [], []
        for number, copper in enumerate(coppers):
            for ring in _rings(copper):
                starts.append(ring[:-1])
                ends.append(ring[1:])
                owners.append(np.full(len(ring) - 1, number))
        start, end = np.concatenate(starts), np.concatenate(ends)
        lines = shapely.linestrings(np.stack([start, end], axis=1))
        return cls(start, end, np.concatenate(owners), shapely.STRtree(lines))

    def hit(self, places: Floats, along: Floats, reach: Floats) -> tuple[Floats, Ints]:
        """How far rays go until they meet a rim, at most `reach`, and which piece that is; -1 without one."""
        rays = shapely.linestrings(np.stack([places, places + reach[:, None] * along], axis=1))
        ray, piece = self.tree.query(rays, predicate="intersects")
        step, side = self.end[piece] - self.start[piece], along[ray]
        across = side[:, 0] * step[:, 1] - side[:, 1] * step[:, 0]
        aim = self.start[piece] - places[ray]
        with np.errstate(divide="ignore", invalid="ignore"):
            away = (aim[:, 0] * step[:, 1] - aim[:, 1] * step[:, 0]) / across
        # What a ray starts from, and what it runs along, it does not meet.
        some = np.flatnonzero(np.isfinite(away) & (away > HAIR))
        ray, piece, away = ray[some], piece[some], away[some]
        order = np.lexsort((away, ray))
        first, at = np.unique(ray[order], return_index=True)
        found, which = reach.copy(), np.full(len(places), -1)
        found[first], which[first] = away[order][at], piece[order][at]
        return found, which


def gaps_of(coppers: Sequence[Shape], shortest: float) -> list[Gap]:
    """
    Gaps between coppers of one layer, and slots in them, longest first.

    From places along every rim a ray goes straight out: where it meets a rim within `WIDEST` there is a gap. Places
    side by side that do so at nearly one distance are one gap, if it is long enough, and not one seen before from
    the other side.

    Parameters
    ----------
    coppers : sequence of polygons, metres
    shortest : float
        Metres; shorter ones are left out.
    """
    if not coppers:
        return []
    rims = _Rims.of(coppers)
    found: list[Gap] = []
    for number, copper in enumerate(coppers):
        for ring in _rings(copper):
            found += _along(rims, number, ring, shortest)
    found.sort(key=lambda gap: -gap.whole)
    kept: list[Gap] = []
    for gap in found:
        middle = shapely.points(0.5 * (gap.near + gap.far))
        known = [shapely.buffer(shapely.linestrings(0.5 * (one.near + one.far)), 0.5 * one.width.max()) for one in kept]
        again = shapely.contains(shapely.union_all(known), middle) if known else np.zeros(len(middle), dtype=bool)
        if again.mean() < AGAIN:
            kept.append(gap)
    return kept


def _rings(copper: Shape) -> Iterator[Floats]:
    """Corners of all rims, the copper on their left."""
    for part in shapely.get_parts(copper).tolist():
        if part.geom_type == "Polygon" and not part.is_empty:
            whole = shapely.geometry.polygon.orient(part)
            for ring in (whole.exterior, *whole.interiors):
                yield shapely.get_coordinates(ring)


def _along(rims: _Rims, number: int, ring: Floats, shortest: float) -> Iterator[Gap]:
    """Gaps that are seen from one rim of a copper."""
    line = shapely.linestrings(ring)
    count = int(np.clip(line.length / STEP, FEWEST, MOST))
    step = line.length / count
    if line.length < shortest or count < line.length / (2 * WIDEST):
        return
    at = (np.arange(count) + 0.5) * step
    places = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    passed = np.cumsum(np.hypot(*np.diff(ring, axis=0).T))
    piece = np.minimum(np.searchsorted(passed, at), len(passed) - 1)
    along = np.diff(ring, axis=0)[piece]
    along = along / np.hypot(*along.T)[:, None]
    out = np.column_stack([along[:, 1], -along[:, 0]])
    width, met = rims.hit(places, out, np.full(count, WIDEST))
    # The other rim runs the other way, at less than 45 degrees to this one.
    theirs = rims.end[met] - rims.start[met]
    facing = np.einsum("nc,nc->n", theirs, along) < -np.sqrt(0.5) * np.hypot(*theirs.T)
    good = (met >= 0) & facing
    owner = np.where(good, rims.owner[met], -1)
    before = np.roll(np.arange(count), 1)
    ratio = width / width[before]
    cut = ~good | ~good[before] | (owner != owner[before]) | (ratio > JUMP) | (ratio < 1 / JUMP)
    # A rim is closed: it begins where something ends.
    first = int(np.argmax(cut))
    order = np.roll(np.arange(count), -first)
    for run in np.split(order, np.flatnonzero(cut[order][1:]) + 1):
        whole = len(run) * step
        if not good[run[0]] or whole < shortest or whole < SLENDER * float(np.median(width[run])):
            continue
        reach = np.full(len(run), REACH * whole)
        opposite = places[run] + width[run, None] * out[run]
        depth = [rims.hit(places[run], -out[run], reach)[0], rims.hit(opposite, out[run], reach)[0]]
        yield Gap(
            (number, int(owner[run[0]])), places[run], opposite, np.full(len(run), step), width[run], np.array(depth)
        )
