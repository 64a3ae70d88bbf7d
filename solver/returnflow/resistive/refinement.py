"""What the next mesh must show: into how many pieces every triangle is cut, and which small holes get their shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from returnflow.resistive.conductors import Conductors, StackMesher
from returnflow.resistive.solution import Conduction
from returnflow.resistive.squares import Rims, middles_and_radii, squares, with_squares
from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.mesh.seeding import GROWTH, SizeField
from returnflow_geometry.mesh.sizes import corner_angles, error_size, starting_size
from returnflow_geometry.mesh.spare import BOX, DRAWN, FILLED, MARKED

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A box that no current enters, in an even flow of K: its own area and its wake cost this times its area times K^2
# (2.19 for a square, 2 for a disc: from memory; measured in the tests).
WAKE = 2.19
BOX_COST = 14.0  # triangles that a box takes beyond those there would be without
SHAPE_COST = 35.0  # triangles that the shape of a hole takes beyond those of a box
SHAPE_LEFT = 0.02  # of what a box costs, what the shape on so few triangles still does
CIRCLE_COST = 80.0  # triangles that the shape of a contact takes beyond those of its square
MANY, STEEP = 50, 0.8  # contacts of loops; where there are more, growth of the first mesh: they are most of it
ROUND_BOX = 2.0  # pieces of triangles at a box that gives way to a hole's shape


class Refinement:
    """
    Meshes of coppers, each made from what the last one left uncertain.

    The first one shows no spare hole at all: no bounds come of it, but the currents that say which holes matter. From
    the next on, small holes are boxes that contain them, or even all triangles that meet them: filled for bounds from
    below, missing for bounds from above, so that bounds hold whatever is simplified. What that costs is known, and the
    holes that cost most get a box or their shape.

    Parameters
    ----------
    whole : Conductors
    fine : sequence of arrays of int
        On every copper, its contacts that loops end on.
    """

    def __init__(self, whole: Conductors, fine: Sequence[Ints]) -> None:
        self.whole, self.fine = whole, fine
        self.boxed = [squares(plane, mine.tolist()) for plane, mine in zip(whole.planes, fine, strict=True)]
        planes = tuple(with_squares(*both) for both in zip(whole.planes, self.boxed, strict=True))
        self.mesher = mesher = StackMesher(replace(whole, planes=planes))
        self.largest = [diagonal(each.plane) / 16 for each in mesher.meshers]
        self.levels = [np.full(len(each.spare), FILLED) for each in mesher.meshers]

    @property
    def holes(self) -> tuple[int, int]:
        """How many holes do not have their shape, and how many could be without."""
        levels = np.concatenate(self.levels)
        return int(np.count_nonzero(levels != DRAWN)), len(levels)

    @property
    def squares(self) -> int:
        """How many contacts are drawn as squares."""
        return sum(map(len, self.boxed))

    def rims(self, mesh: Mesh, weight: Floats) -> Rims | None:
        """What contacts drawn as squares dissipate within them, by weights of triangles, shape (m,)."""
        whole = self.whole
        return Rims.of(mesh, *middles_and_radii(whole.planes, whole.contacts, self.boxed, len(whole.terminals)), weight)

    def first(self) -> Mesh:
        """First mesh."""

        def size(number: int, one: Mesher) -> SizeField:
            coarse = one.coarse(self.levels[number])
            growth = GROWTH if sum(map(len, self.fine)) <= MANY else STEEP
            return starting_size(coarse, self.largest[number], corner=0.2, fine=self.fine[number], growth=growth)

        return self.mesher.graded(size, self.levels)

    def next(self, result: Conduction, allowed: Floats, most: float, aim: float) -> Mesh:
        """
        Next mesh, for the worst loop to come to `aim` times its goal.

        Parameters
        ----------
        result : Conduction
            On the last mesh.
        allowed : array, shape (loops,)
            How far the bounds of every loop's own resistance may lie apart, ohm.
        most : float
            Triangles.
        aim : float
        """
        parts = [self.mesher.part(result.mesh, n) for n in range(len(self.levels))]
        levels, (patch, costs) = np.concatenate(self.levels), self._costs(result, parts)
        # What holes with their shape still cost is the gap of the triangles round them.
        costs[:, :, levels == DRAWN] = 0.0
        rim = result.rim / allowed[:, None] if result.rim.size else np.zeros((len(allowed), len(self.whole.terminals)))
        pieces, chosen, finer, round_ = _cut(result, patch, costs / allowed[:, None], rim, allowed, most, aim)
        self._draw(round_)
        # What is shown once stays shown.
        chosen = np.maximum(chosen, levels)
        in_box = patch >= 0
        pieces[in_box] = np.where(chosen[patch[in_box]] > levels[patch[in_box]], ROUND_BOX, 1.0)
        ends = np.cumsum([len(each) for each in self.levels])[:-1]
        self.levels, shapes = np.split(chosen, ends), np.split(finer, ends)

        def size(number: int, mesher: Mesher) -> SizeField:
            mesh, rows = parts[number]
            field = error_size(mesh, pieces[rows], self.largest[number])
            fine = np.flatnonzero((shapes[number] > 1) & (self.levels[number] == DRAWN))
            if not len(fine):
                return field
            holes = mesher.spare.holes[fine]
            at, hole = shapely.get_coordinates(holes, return_index=True)
            edges = shapely.length(holes) / np.bincount(hole) / np.sqrt(shapes[number][fine])
            return replace(field, others=(SizeField(at, edges[hole], self.largest[number]),))

        mesh = self.mesher.graded(size, self.levels)
        if not Topology(mesh, len(result.contact_potential), result.links.ends).open_ways:
            # Marked triangles close a neck.
            self.levels = [np.maximum(each, BOX) for each in self.levels]
            mesh = self.mesher.graded(size, self.levels)
        return mesh

    def _draw(self, chosen: NDArray[np.bool_]) -> None:
        """Give contacts their own shape from now on, by their numbers in the whole, shape (contacts,)."""
        for number, (own, mine) in enumerate(zip(self.boxed, self.whole.contacts, strict=True)):
            drawn = [n for n in own if chosen[mine[n]]]
            if drawn:
                self.boxed[number] = {n: box for n, box in own.items() if n not in set(drawn)}
                plane = with_squares(self.whole.planes[number], self.boxed[number])
                self.mesher.meshers[number] = Mesher(plane, self.mesher.meshers[number].spare)

    def _costs(self, result: Conduction, parts: Sequence[tuple[Mesh, Ints]]) -> tuple[Ints, Floats]:
        """
        Hole in or beside whose marks or box every triangle lies, or -1; and what holes cost marked only, and as boxes.

        That is by how much they draw apart the bounds of every loop's own resistance, ohm, shape (2, loops, holes).
        """
        loops, patch = len(result.loops), np.full(len(result.mesh.triangles), -1)
        every = [np.zeros((2, loops, 0))]
        for (mesh, rows), levels, mesher in zip(parts, self.levels, self.mesher.meshers, strict=True):
            spare, before = mesher.spare, sum(each.shape[2] for each in every)
            costs = np.zeros((2, loops, len(levels)))
            every.append(costs)
            if not len(levels):
                continue
            _, at = KDTree(mesh.points[mesh.triangles].mean(axis=1)).query(centres(spare.boxes))
            area = shapely.area(spare.boxes)
            met = np.minimum(2 * (mesh.areas[at] + area), spare.room)
            # In marked triangles the potential side alone knows the current.
            shown, power = "mean" if np.all(levels == FILLED) else "potential", result.weight[rows[at]] * result.sheet
            for loop in range(loops):
                even = power * np.sum(result.current(loop, shown)[rows[at]].mean(axis=1) ** 2, axis=1)
                costs[:, loop] = WAKE * even * np.maximum([met, area], area)
            if mesh.shadow is None:
                continue
            touched = np.full(len(mesh.points), -1)
            inside = np.flatnonzero(mesh.shadow >= 0)
            touched[mesh.triangles[inside]] = mesh.shadow[inside, None]
            hole = np.where(mesh.shadow >= 0, mesh.shadow, np.max(touched[mesh.triangles], axis=1))
            beside = np.flatnonzero(hole >= 0)
            patch[rows[beside]] = before + hole[beside]
            boxed, marked = levels == BOX, levels == MARKED
            for loop in range(loops):
                known = np.bincount(hole[beside], weights=result.gap[loop, rows[beside]], minlength=len(levels))
                costs[1, loop, boxed] = known[boxed]
                # A triangle may meet several holes: together they cost what is known.
                costs[0, loop, marked] *= known[marked].sum() / max(costs[0, loop, marked].sum(), 1e-300)
        return patch, np.concatenate(every, axis=2)


def _cut(
    result: Conduction, patch: Ints, holes: Floats, rim: Floats, allowed: Floats, most: float, aim: float
) -> tuple[Floats, Ints, Floats, NDArray[np.bool_]]:
    """
    Into how many pieces to cut every triangle, shape (m,), how holes are shown, into how many those at a hole's shape.

    And which contacts get their shape, shape (contacts,).

    Cutting a triangle into s pieces lowers its gap by s^-p: p is the order where the field is smooth, and
    pi / angle for a triangle that touches a re-entrant corner. Fewest pieces for a given sum of gaps:
    s = (lambda p gap)^(1/(p+1)), with one lambda for all; a hole gets a box or its shape where that lowers the sum by
    as much for each triangle, and finer triangles as any other place does.
    """
    mesh = result.mesh
    # What the links' part of the gap needs comes from the copper round them.
    left = np.diag(result.upper - result.lower) - np.sum(result.rim, axis=1)
    whole = left / np.maximum(np.sum(result.gap, axis=1), 1e-300)
    demand = result.gap * (np.maximum(whole, 1.0) / allowed)[:, None]
    demand[:, patch >= 0] = 0.0
    sharpest = np.max(corner_angles(mesh)[mesh.triangles], axis=1)
    power = np.where(sharpest > np.pi + 0.05, np.pi / np.maximum(sharpest, np.pi), float(result.space.order))
    order = float(result.space.order)
    weight, (marked, boxed) = power * np.sum(demand, axis=0), np.sum(holes, axis=1)
    scale, square = max(float(np.max(weight)), 1e-300), np.sum(rim, axis=0)
    weight, marked, boxed, square = weight / scale, marked / scale, boxed / scale, square / scale

    def cut(log_lambda: float) -> tuple[Floats, Ints, Floats, NDArray[np.bool_]]:
        factor = np.exp(log_lambda)
        pieces: Floats = np.clip((factor * weight) ** (1 / (power + 1)), 0.25, 64.0)
        shaped = factor * boxed > SHAPE_COST
        levels = np.where(shaped, DRAWN, np.where(factor * (marked - boxed) > BOX_COST, BOX, MARKED))
        finer: Floats = np.clip((factor * order * SHAPE_LEFT * boxed / SHAPE_COST) ** (1 / (order + 1)), 1.0, 16.0)
        return pieces, levels, finer, factor * square > CIRCLE_COST

    low, high = 0.0, 60.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        pieces, levels, finer, drawn = cut(middle)
        shown = holes[0] @ (levels == MARKED) + holes[1] @ np.where(
            levels == DRAWN, SHAPE_LEFT * finer**-order, levels == BOX
        )
        left = demand @ pieces ** (-power) + shown + rim @ ~drawn
        count = (
            float(np.sum(pieces))
            + CIRCLE_COST * np.sum(drawn)
            + BOX_COST * np.sum(levels == BOX)
            + SHAPE_COST * np.sum(finer[levels == DRAWN])
        )
        if float(np.max(left)) <= aim or count > most:
            high = middle
        else:
            low = middle
    return cut(high)


def centres(shapes: NDArray[np.object_]) -> Floats:
    """Middles of the boxes round shapes, shape (k, 2)."""
    x0, y0, x1, y1 = shapely.bounds(shapes).T
    return np.column_stack([x0 + x1, y0 + y1]) / 2


def diagonal(plane: Plane) -> float:
    """Diagonal of the box round a plane's copper, metres."""
    x0, y0, x1, y1 = plane.copper.bounds
    return float(np.hypot(x1 - x0, y1 - y0))
