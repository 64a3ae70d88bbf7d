"""The faces of a painted layer: polygons that do not overlap within one owner, added to and cut into pass by pass."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shapely import MultiPolygon, Polygon, STRtree

from returnflow_geometry.board import Shape
from returnflow_geometry.fabrication.budget import Budget

Objects = NDArray[np.object_]
GROUP = 4096  # shapes united at once, between two looks at the clock
GRID = 1e-10  # m: rounding for unions that fail without


class Faces:
    """
    Faces of all owners.

    Parameters
    ----------
    budget : Budget
    """

    def __init__(self, budget: Budget) -> None:
        self._budget = budget
        self._faces: Objects = np.empty(0, dtype=object)
        self._owner: NDArray[np.int64] = np.empty(0, dtype=np.int64)
        self._bounds: NDArray[np.float64] = np.empty((0, 4))

    def _replace(self, gone: NDArray[np.intp], new: Objects, owners: NDArray[np.int64]) -> None:
        """Take faces out and put others in."""
        faces, owner, bounds = self._faces, self._owner, self._bounds
        if len(gone) == len(new) and np.array_equal(owner[gone], owners):
            faces[gone] = new
            bounds[gone] = shapely.bounds(new).reshape(-1, 4)
            return
        if len(gone):
            keep = np.ones(len(faces), dtype=bool)
            keep[gone] = False
            faces, owner, bounds = faces[keep], owner[keep], bounds[keep]
        self._faces = np.concatenate([faces, new])
        self._owner = np.concatenate([owner, owners])
        self._bounds = np.concatenate([bounds, shapely.bounds(new).reshape(-1, 4)])

    def _near(self, shapes: Objects) -> NDArray[np.intp]:
        """Faces whose box meets the box of all shapes."""
        x0, y0, x1, y1 = shapely.total_bounds(shapes)
        b = self._bounds
        return np.flatnonzero((b[:, 0] <= x1) & (b[:, 2] >= x0) & (b[:, 1] <= y1) & (b[:, 3] >= y0))

    def add(self, shapes: Objects, owner: int) -> None:
        """Unite shapes with the faces of their owner."""
        new = united(shapes, self._budget)
        near = self._near(new)
        near = near[self._owner[near] == owner]
        old = self._faces[near]
        if len(old) and len(new):
            a, b = STRtree(old).query(new, predicate="intersects")
            both = len(new) + len(old)
            links = coo_matrix((np.ones(len(a)), (a, len(new) + b)), shape=(both, both))
            _, group = connected_components(links, directed=False)
            everything = np.concatenate([new, old])
            touched = np.unique(b)
            mixed = np.isin(group, group[len(new) + touched])
            merged = [new[~mixed[: len(new)]]]
            for members in _groups(group, mixed):
                self._budget.clock()
                merged.append(_parts(_union(everything[members])))
            new, near = np.concatenate(merged), near[touched]
        else:
            near = near[:0]
        self._replace(near, new, np.full(len(new), owner, dtype=np.int64))

    def clear(self, shapes: Objects) -> None:
        """Take shapes away from every face."""
        cuts = united(shapes, self._budget)
        near = self._near(cuts)
        if not len(near) or not len(cuts):
            return
        faces = self._faces[near]
        shapely.prepare(faces)
        cut, face = STRtree(cuts).query(faces, predicate="intersects")[::-1]
        if not len(cut):
            return
        inside = shapely.contains_properly(faces[face], cuts[cut]) & (shapely.get_num_interior_rings(cuts[cut]) == 0)
        order = np.argsort(face, kind="stable")
        gone, new, owners = [], [], []
        for members in np.split(order, np.flatnonzero(np.diff(face[order])) + 1):
            self._budget.time()
            which = int(face[members[0]])
            left = _cut(faces[which], cuts[cut[members]], inside[members])
            gone.append(near[which])
            new.append(left)
            owners.append(np.full(len(left), self._owner[near[which]]))
        self._replace(np.array(gone), np.concatenate(new), np.concatenate(owners))

    def areas(self) -> dict[int, Shape]:
        """Owner to area."""
        out: dict[int, Shape] = {}
        for owner in np.unique(self._owner):
            faces = self._faces[self._owner == owner]
            out[int(owner)] = faces[0] if len(faces) == 1 else MultiPolygon(faces.tolist())
        return out


def _groups(group: NDArray[np.int32], wanted: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Members of each group among the wanted."""
    index = np.flatnonzero(wanted)
    order = index[np.argsort(group[index], kind="stable")]
    return np.split(order, np.flatnonzero(np.diff(group[order])) + 1) if len(order) else []


def _cut(face: Polygon, cuts: Objects, inside: NDArray[np.bool_]) -> Objects:
    """
    Face without the cuts. Those strictly inside become interior rings, which costs nothing.

    Cuts do not overlap each other but may touch; a chain of them could cut the face in two, which rings cannot say.
    """
    hidden, crossing = cuts[inside], cuts[~inside]
    if len(hidden):
        rings = [*face.interiors, *(cut.exterior for cut in hidden)]
        drilled = Polygon(face.exterior, rings)
        if drilled.is_valid:
            face = drilled
        else:
            crossing = cuts
    if not len(crossing):
        return np.array([face], dtype=object)
    return _parts(_difference(face, crossing[0] if len(crossing) == 1 else MultiPolygon(crossing.tolist())))


def _parts(shape: Shape) -> Objects:
    """Polygons with an area."""
    parts = shapely.get_parts(shape)
    kept: Objects = parts[(shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0.0)]
    return kept


def united(shapes: Objects, budget: Budget) -> Objects:
    """
    Union of shapes as polygons that do not overlap.

    Near ones first and group by group, so that the clock is looked at.
    """
    if len(shapes) == 1:
        return _parts(shapes[0])
    if len(shapes) > GROUP:
        x0, y0, x1, y1 = shapely.bounds(shapes).T
        x, y = (x0 + x1) / 2, (y0 + y1) / 2
        strips = int(np.ceil(np.sqrt(len(shapes) / GROUP)))
        strip = np.floor(np.argsort(np.argsort(x)) * strips / len(shapes))
        shapes = shapes[np.lexsort((y, strip))]
    while len(shapes) > 1:
        groups = []
        for start in range(0, len(shapes), GROUP):
            budget.time()
            groups.append(_union(shapes[start : start + GROUP]))
        if len(groups) == 1:
            return _parts(groups[0])
        shapes = np.array(groups, dtype=object)
    return _parts(shapes[0]) if len(shapes) else shapes


def _union(shapes: Objects) -> Shape:
    try:
        return shapely.disjoint_subset_union_all(shapes)
    except shapely.errors.GEOSException:
        return shapely.union_all(shapes, grid_size=GRID)


def _difference(face: Shape, cuts: Shape) -> Shape:
    try:
        return shapely.difference(face, cuts)
    except shapely.errors.GEOSException:
        return shapely.difference(face, cuts, grid_size=GRID)
