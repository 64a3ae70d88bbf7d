"""Capacitance across a gap between coppers of one layer, by conformal mapping, and how charge lies along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ellipk, ellipkm1

from returnflow.magnetic.dielectric import BEYOND, EPSILON0, FINER, highest_of
from returnflow.magnetic.gaps import Gap, gaps_of
from returnflow.resistive.conductors import Conductors, copper_numbers
from returnflow.resistive.foil import LIGHT, MU0
from returnflow_geometry.mesh.mesher import Mesh
from returnflow_geometry.model.board import Board, Case, Shape

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

WORTH = 0.01  # by which part a gap changes an impedance at the highest frequency, at least; else it is left out
MOST_GAPS = 24  # those that change most
FINE = 3.0  # sizes of a triangle from the rim, within which charge is weighed at many places of it
STRAIGHT = 1e-6  # m; a rim is as straight as that where it has no corners
LARGEST = 150.0  # argument of hyperbolic functions: beyond, nothing changes

Medium = Sequence[tuple[float, complex]]  # thickness in metres and relative permittivity, outwards from a layer


def open_side(width: Floats, depth: Floats, media: Medium) -> Complexes:
    """
    Capacitance per length of two coplanar strips through the half-space on one side of them, over that of vacuum.

    K(k')/K(k)/2 with k = s/(s + 2w); a dielectric of height h adds (its permittivity less that beyond it) times the
    same with k = tanh(pi s/4h)/tanh(pi (s + 2w)/4h). Sources: K. C. Gupta, R. Garg, I. Bahl and P. Bhartia, Microstrip
    Lines and Slotlines, Artech 1996, coplanar strips; C. Veyres and V. Fouad Hanna, Int. J. Electronics 48 (1980) 47,
    that surfaces are lines of flux (both from memory). The k of a dielectric is derived: half a slab, its middle at
    one potential, is a half-plane by cosh(pi z/h). Tested against charges on strips, found one by one.

    Parameters
    ----------
    width, depth : array, shape (n,)
        s, and w of either strip, metres.
    media : sequence of (float, complex)
        Outwards; beyond them is air.
    """

    def part(k: Floats) -> Floats:
        ratio: Floats = 0.5 * ellipkm1(k**2) / ellipk(k**2)
        return ratio

    total: Complexes = part(width / (width + 2 * depth)).astype(np.complex128)
    beyond = [*(eps for _, eps in media[1:]), 1.0][: len(media)]
    height = np.cumsum([thickness for thickness, _ in media])
    for h, (_, eps), other in zip(height, media, beyond, strict=True):
        small, large = np.pi * width / (4 * h), np.pi * (width + 2 * depth) / (4 * h)
        total += (eps - other) * part(np.minimum(np.tanh(small) / np.tanh(large), 1 - 1e-12))
    return total


def covered_side(width: Floats, depth: Floats, height: float, permittivity: complex) -> Complexes:
    """
    The same where a plane lies over both strips at a height: what does not end on it.

    permittivity times [K(ko)/K(ko') - K(ke)/K(ke')], ko = tanh(pi w/4h) coth(pi (s + w)/4h) and ke the same with tanh;
    of wide strips ln(coth(pi s/4h))/pi. Source: S. B. Cohn, Shielded coupled-strip transmission line, IRE Trans.
    Microwave Theory Tech. 3 (1955) 29, half of its two sides (from memory). Tested against charges on strips, found
    one by one.
    """
    a = np.minimum(np.pi * depth / (4 * height), LARGEST)
    c = np.minimum(a + np.pi * width / (4 * height), 2 * LARGEST)
    odd = np.sinh(c - a) * np.sinh(c + a) / (np.sinh(c) * np.cosh(a)) ** 2
    even = np.cosh(c - a) * np.cosh(c + a) / (np.cosh(c) * np.cosh(a)) ** 2
    both = [ellipkm1(np.minimum(part, 1.0)) / ellipk(np.minimum(part, 1.0)) for part in (odd, even)]
    result: Complexes = permittivity * (both[0] - both[1]).astype(np.complex128)
    return result


@dataclass(frozen=True)
class Across:
    """
    One gap between coppers of a layer, and the patterns in which charge may lie along its rims.

    Attributes
    ----------
    gap : Gap
    elastance : complex
        One over its capacitance, 1/F, with its loss.
    values : array, shape (n, patterns)
        Charge per length of every pattern at the places of the gap, 1/m: in all 1 of the even one, which comes first,
        and 0 of the others.
    """

    gap: Gap
    elastance: complex
    values: Floats

    between_levels = False  # no face of a copper is what it leaves by

    @property
    def count(self) -> int:
        """Number of patterns."""
        return int(self.values.shape[1])

    @property
    def upper(self) -> int:
        """Number of the copper on one side."""
        return self.gap.coppers[0]

    @property
    def lower(self) -> int:
        """Number of the copper on the other side."""
        return self.gap.coppers[1]

    def sides(self, mesh: Mesh) -> tuple[Floats, Floats]:
        """
        Part of every pattern's charge on every triangle, on one side and on the other, (m, patterns) each.

        From the rim on it falls as 1/sqrt(y (y + s)), which is that of wide strips.
        """
        gap = self.gap
        rims = [shapely.simplify(shapely.linestrings(rim), STRAIGHT) for rim in (gap.near, gap.far)]
        result = []
        for side, copper in enumerate(gap.coppers):
            charge = np.zeros((len(mesh.triangles), self.count))
            mine = np.flatnonzero(copper_numbers(mesh) == copper)
            corners = mesh.points[mesh.triangles[mine]]
            middle = shapely.points(corners.mean(axis=1))
            size = np.sqrt(mesh.areas[mine])
            away, other = (shapely.distance(rim, middle) for rim in (rims[side], rims[1 - side]))
            some = np.flatnonzero((away < other) & (away < gap.depth[side].max() + size))
            close = away[some] < FINE * size[some]
            for part, rule in ((some[close], FINER), (some[~close], np.full((1, 3), 1 / 3))):
                where = (rule @ corners[part]).reshape(-1, 2)
                found = self._density(side, rims[side], where).reshape(len(part), len(rule), self.count)
                charge[mine[part]] = found.mean(axis=1) * mesh.areas[mine[part], None]
            even = charge[:, :1] / charge[:, 0].sum()
            scale = 1.0 / charge[:, 0].sum()
            charge = charge * scale - even * (charge.sum(axis=0) * scale)
            charge[:, 0] = even[:, 0]
            result.append(charge)
        return result[0], result[1]

    def _density(self, side: int, rim: shapely.Geometry, places: Floats) -> Floats:
        """Charge per area of every pattern at places, 1/m², shape (places, patterns); none beyond the ends."""
        gap = self.gap
        points = shapely.points(places)
        at, y = shapely.line_locate_point(rim, points), shapely.distance(rim, points)
        inside = (at > 0) & (at < rim.length)
        number = np.clip((at / rim.length * len(gap.width)).astype(np.int64), 0, len(gap.width) - 1)
        depth, width = gap.depth[side, number], gap.width[number]
        y = np.maximum(y, 1e-3 * width)
        reach = np.where(inside & (y < depth), 0.5 / np.arcsinh(np.sqrt(depth / width)), 0.0)
        density: Floats = (reach / np.sqrt(y * (y + width)))[:, None] * self.values[number]
        return density


def across(case: Case, conductors: Conductors) -> tuple[Across, ...]:
    """
    All gaps across which displacement current matters up to the highest frequency of a case.

    Parameters
    ----------
    case : Case
    conductors : Conductors
        With idle copper.
    """
    board = case.board
    if all(layer.permittivity is None for layer in board.layers):
        return ()
    order = [layer.name for layer in board.layers]
    place = [order.index(board.copper(name).layer) for name in conductors.names]
    planes = [plane.copper for plane in conductors.planes]
    w = 2 * np.pi * highest_of(case)
    most = max(layer.permittivity or 1.0 for layer in board.layers)
    shortest = float(np.sqrt(3 * WORTH / most) * LIGHT / w)
    found: list[tuple[float, Across]] = []
    for level in sorted(set(place)):
        here = [number for number, at in enumerate(place) if at == level]
        stacks = [_outwards(board, level, step) for step in (-1, 1)]
        if any(stack is None for stack in stacks):
            continue
        over = {at: shapely.union_all([planes[n] for n, other in enumerate(place) if other == at]) for at in set(place)}
        for gap in gaps_of([planes[n] for n in here], shortest):
            of = (here[gap.coppers[0]], here[gap.coppers[1]])
            mean = np.sqrt(gap.depth[0] * gap.depth[1] / ((gap.width + gap.depth[0]) * (gap.width + gap.depth[1])))
            # Strips of unlike widths have the capacitance of equal ones of this width, exactly in one medium.
            depth = gap.width * mean / (1 - mean)
            above, below = (_side(gap, depth, stack or [], over) for stack in stacks)
            per_length = above + below
            if not np.all(per_length.real > 0):
                continue
            # Quarter-wave lines are short by x²/3, x their phase; the inductance is that of strips in air.
            phase = w * gap.whole * np.sqrt(MU0 * EPSILON0 * np.mean(per_length.real / _air(gap.width, depth)))
            if phase**2 / 3 > WORTH:
                replaced = Gap(of, gap.near, gap.far, gap.length, gap.width, gap.depth)
                found.append((float(phase), _patterns(replaced, EPSILON0 * per_length, BEYOND * phase)))
    found.sort(key=lambda item: -item[0])
    return tuple(piece for _, piece in found[:MOST_GAPS])


def _air(width: Floats, depth: Floats) -> Floats:
    return 2 * open_side(width, depth, []).real


def _outwards(board: Board, level: int, step: int) -> list[tuple[int, float, complex]] | None:
    """
    Dielectrics outwards from a layer: number of the layer where each ends, thickness, permittivity.

    None where the next one is there and has no permittivity; what lies beyond it is air then.
    """
    found: list[tuple[int, float, complex]] = []
    at = level
    while 0 <= at + step < len(board.layers):
        layer = board.layers[at if step > 0 else at - 1]
        if layer.permittivity is None and at == level:
            return None
        found.append((at + step, layer.below or 0.0, (layer.permittivity or 1.0) * (1 - 1j * layer.loss)))
        at += step
    return found


def _side(gap: Gap, depth: Floats, stack: list[tuple[int, float, complex]], over: dict[int, Shape]) -> Complexes:
    """Capacitance per length through one side of a layer at every place of a gap, over that of vacuum, shape (n,)."""
    media = [(thickness, eps) for _, thickness, eps in stack]
    result = open_side(gap.width, depth, media)
    middle = 0.5 * (gap.near + gap.far)
    left = np.ones(len(middle), dtype=bool)
    for number, (at, _, _) in enumerate(stack, start=1):
        if at in over:
            mine = left & shapely.contains_xy(over[at], *middle.T)
            height = sum(thickness for thickness, _ in media[:number])
            permittivity = height / sum(thickness / eps for thickness, eps in media[:number])
            result[mine] = covered_side(gap.width[mine], depth[mine], height, permittivity)
            left &= ~mine
    return result


def _patterns(gap: Gap, per_length: Complexes, most: float) -> Across:
    """Charge along a gap: waves along it that are at right angles to one another, up to a phase over its length."""
    weight = per_length.real * gap.length
    total = weight.sum()
    at = (np.cumsum(gap.length) - 0.5 * gap.length) / gap.whole
    waves = np.cos(np.pi * at[:, None] * np.arange(1 + int(np.ceil(most / np.pi))))
    root = np.sqrt(weight / total)[:, None]
    base, triangle = np.linalg.qr(root * waves)
    voltages = base * np.sign(np.diag(triangle)) / root
    loss = per_length.imag @ gap.length / total
    values = voltages * (per_length.real / total)[:, None]
    return Across(gap, complex(1 / (total * (1 + 1j * loss))), values)
