"""Where coppers face each other across a dielectric, and how charge may lie on them there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import eigsh

from returnflow.magnetic.panels import RULE_5
from returnflow.resistive.conductors import Conductors, copper_numbers
from returnflow.resistive.foil import LIGHT
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.model.board import Board, Case, Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EPSILON0 = 8.8541878128e-12  # F/m
LOWEST_TOP, TOP = 1e9, 3e9  # Hz; what is displaced is right up to the highest frequency asked for, within these
BEYOND = 4.0  # patterns of charge are kept up to this times the wave number of the highest frequency
ACROSS = 8.0  # edges of their mesh per wavelength of the finest pattern
LEAST_PARTS = 25.0  # of its diagonal, the largest edges where charge may lie
LEAST_AREA = 2e-6  # m²; what faces over less is left out
HAIR = 20e-6  # m; narrower slivers of facing copper are rounding
MOST_PATTERNS = 150  # of one piece
LEAST_LEFT = 0.5  # of a pattern that is evened out on every triangle; meshes too coarse for it are not made up for
FINER = (np.array([(a, b, 24 - a - b) for a in range(1, 23) for b in range(1, 24 - a)
                   if a % 3 == b % 3 == (24 - a - b) % 3 != 0]) / 24)  # fmt: skip


@dataclass(frozen=True)
class Facing:
    """
    One piece of dielectric between two coppers that face each other, and the patterns in which charge may lie there.

    The patterns are the first standing waves of the voltage across it, as if its rim let no current pass: on a narrow
    or slotted piece as on any. The first one is even.

    Attributes
    ----------
    upper, lower : int
        Numbers of the coppers.
    area : float
        m².
    elastance : complex
        One over its capacitance, 1/F, with its loss.
    corners : array, shape (k, 3, 2)
        Its triangles.
    values : array, shape (k, 3, patterns)
        Of every pattern at them; their mean squares are 1.
    """

    upper: int
    lower: int
    area: float
    elastance: complex
    corners: Floats
    values: Floats

    between_levels = True  # it leaves its coppers by the faces towards each other

    @property
    def count(self) -> int:
        """Number of patterns."""
        return int(self.values.shape[2])

    def sides(self, mesh: Mesh) -> tuple[Floats, Floats]:
        """Part of every pattern's charge on every triangle of the upper and of the lower copper, (m, patterns) each."""
        return self.charges(mesh, self.upper), self.charges(mesh, self.lower)

    def charges(self, mesh: Mesh, copper: int) -> Floats:
        """
        Part of every pattern's charge that lies on every triangle of one of the two coppers, shape (m, patterns).

        That of the even pattern is 1 in all, that of the others 0.
        """
        mine = np.flatnonzero(copper_numbers(mesh) == copper)
        corners = mesh.points[mesh.triangles[mine]]
        areas = mesh.areas[mine]
        points, weights = RULE_5
        found, inside = self._at(points @ corners)
        part = np.einsum("mqk,q,m->mk", found, weights, areas)
        rim = np.flatnonzero(inside.any(axis=1) & ~inside.all(axis=1))
        part[rim] = self._at(FINER @ corners[rim])[0].mean(axis=1) * areas[rim, None]
        even = part[:, :1] / part[:, 0].sum()
        part = part / self.area - even * (part.sum(axis=0) / self.area)
        # Evened out on every triangle a wave is weaker; so much of it is left along itself.
        left = self.area * np.sum(part**2 / areas[:, None], axis=0)
        part /= np.maximum(left, LEAST_LEFT)
        part[:, 0] = even[:, 0]
        result = np.zeros((len(mesh.triangles), self.count))
        result[mine] = part
        return result

    def _at(self, places: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Patterns at places (..., 2), zero outside; and which places lie inside."""
        flat = places.reshape(-1, 2)
        tree = shapely.STRtree(shapely.polygons(self.corners))
        point, triangle = tree.query(shapely.points(flat), predicate="intersects")
        point, first = np.unique(point, return_index=True)
        corners = self.corners[triangle[first]]
        edges = np.stack([corners[:, 0] - corners[:, 2], corners[:, 1] - corners[:, 2]], axis=2)
        part = np.linalg.solve(edges, (flat[point] - corners[:, 2])[:, :, None])[:, :, 0]
        part = np.column_stack([part, 1 - part.sum(axis=1)])
        values, inside = np.zeros((len(flat), self.count)), np.zeros(len(flat), dtype=bool)
        values[point] = np.einsum("nl,nlk->nk", part, self.values[triangle[first]])
        inside[point] = True
        return values.reshape(*places.shape[:-1], self.count), inside.reshape(places.shape[:-1])


def facing(case: Case, conductors: Conductors) -> tuple[Facing, ...]:
    """
    All pieces of dielectric between coppers of a case that face each other with no copper between.

    Parameters
    ----------
    case : Case
    conductors : Conductors
        With idle copper.
    """
    if all(layer.permittivity is None for layer in case.board.layers):
        return ()
    highest = highest_of(case)
    board = case.board
    order = [layer.name for layer in board.layers]
    place = [order.index(board.copper(name).layer) for name in conductors.names]
    found = []
    for upper, top in enumerate(place):
        for lower, bottom in enumerate(place):
            if top >= bottom:
                continue
            gap = _reciprocal(board, top, bottom)
            if gap is None:
                continue
            between = [conductors.planes[n].copper for n, at in enumerate(place) if top < at < bottom]
            both = shapely.intersection(conductors.planes[upper].copper, conductors.planes[lower].copper)
            both = shapely.difference(both, shapely.union_all(between)) if between else both
            permittivity = max(board.layers[n].permittivity or 1.0 for n in range(top, bottom))
            for piece in _pieces(both):
                patterns = _patterns(piece, BEYOND * 2 * np.pi * highest * np.sqrt(permittivity) / LIGHT)
                found.append(Facing(upper, lower, piece.area, gap / piece.area, *patterns))
    return tuple(found)


def highest_of(case: Case) -> float:
    """Hertz up to which what is displaced is right."""
    return float(np.clip(case.frequencies[-1], LOWEST_TOP, TOP))


def _reciprocal(board: Board, top: int, bottom: int) -> complex | None:
    """Area over capacitance between two layers, m²/F; None where a dielectric between them has no permittivity."""
    total = 0j
    for layer in board.layers[top:bottom]:
        if layer.permittivity is None or layer.below is None:
            return None
        total += layer.below / (EPSILON0 * layer.permittivity * (1 - 1j * layer.loss))
    return total


def _pieces(shape: Shape) -> list[Shape]:
    """Pieces wide and large enough to count."""
    pieces = [piece for piece in shapely.get_parts(shape) if piece.geom_type == "Polygon"]
    solid = shapely.buffer(pieces, -HAIR, join_style="mitre")
    whole = shapely.get_parts(shapely.buffer(solid, HAIR, join_style="mitre"))
    return [piece for piece in whole.tolist() if piece.area > LEAST_AREA]


def _patterns(piece: Shape, most: float) -> tuple[Floats, Floats]:
    """Triangles of a piece, and on them its standing waves up to a wave number, even one first."""
    x0, y0, x1, y1 = piece.bounds
    size = min(float(np.hypot(x1 - x0, y1 - y0)) / LEAST_PARTS, 2 * np.pi / most / ACROSS)
    mesh = Mesher(Plane(piece, [], whole=True)).uniform(size)
    corners, areas = mesh.points[mesh.triangles], mesh.areas
    opposite = np.roll(corners, 1, axis=1) - np.roll(corners, -1, axis=1)
    rows, cols = np.repeat(mesh.triangles, 3, axis=1), np.tile(mesh.triangles, (1, 3))
    steep = np.einsum("mic,mjc,m->mij", opposite, opposite, 0.25 / areas)
    heavy = (np.ones((3, 3)) + np.eye(3)) / 12 * areas[:, None, None]
    size_ = len(mesh.points)
    stiffness, mass = (
        csc_array(coo_array((part.ravel(), (rows.ravel(), cols.ravel())), shape=(size_, size_)).tocsc())
        for part in (steep, heavy)
    )
    # Weyl's count of what vibrates below a wave number, with some to spare.
    count = int(piece.area * most**2 / (4 * np.pi) + piece.length * most / (4 * np.pi)) + 4
    count = min(count, MOST_PATTERNS, size_ - 2)
    start = np.random.default_rng(1).standard_normal(size_)
    found, values = eigsh(stiffness, count, mass, sigma=-1e-3 / piece.area, v0=start)
    kept = np.argsort(found)[: max(1, np.count_nonzero(found < most**2))]
    values = values[:, kept] * np.sqrt(piece.area)
    values[:, 0] = 1.0
    return corners, values[mesh.triangles]
