"""Centre lines to the outline of the board: their ends are joined, and rings inside rings are cut out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon, STRtree

from returnflow_geometry.fabrication.base.objects import FabricationError, Floats
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.groups import grouped
from returnflow_geometry.model.overlay import difference, union_all

STEPS = (1e-9, 1e-6, 10e-6, 50e-6)  # m: how far apart two ends may be, tried in this order
MOST = 200_000  # strokes; an outline has fewer
SLIVER = 1e-9  # m2: areas between a line and its double are smaller


def board_outline(strokes: Sequence[Floats], file: str) -> tuple[Shape, float, tuple[str, ...]]:
    """
    Join centre lines to the area of the board.

    Parameters
    ----------
    strokes : sequence of arrays, shape (k, 2), metres
        In any order and sense.
    file : str
        Base name, for messages.

    Returns
    -------
    outline : Polygon or MultiPolygon, metres
        Rings inside the outer one are cut out; rings inside those are board again.
    tolerance : float
        How far apart the ends were that had to be joined, at most: one of `STEPS`, metres.
    notes : tuple of str

    Raises
    ------
    FabricationError
        If the lines close no area, with the place and width of the gap.

    Notes
    -----
    An end is moved onto another end, or onto a line it nearly reaches, only when nothing is nearer; every other
    coordinate stays as it is. Nothing is ever rounded to a grid.

    Examples
    --------
    >>> u = np.array([[0.0, 0.0], [0.1, 0.0], [0.1, 0.05], [0.0, 0.05]])
    >>> lid = np.array([[0.0, 0.05], [0.0, 3e-6]])
    >>> outline, tolerance, notes = board_outline([u, lid], "outline.gbr")
    >>> print(f"{outline.area:.6f} {tolerance:.0e}", *notes)
    0.005000 1e-05 Ends of the outline up to 10 um apart were joined.
    """
    lines = [np.asarray(stroke, dtype=float) for stroke in strokes if len(stroke) > 1]
    lines = [line for line in lines if np.ptp(line, axis=0).max() > STEPS[0]]
    if not lines:
        raise FabricationError(file, "no lines, so there is no outline. Name the file that has the outline.")
    if len(lines) > MOST:
        raise FabricationError(file, f"{len(lines)} lines; an outline has at most {MOST}. Name the outline's file.")
    notes: list[str] = []
    tolerance = STEPS[0]
    for step in STEPS:
        # The finest step makes equal what is meant to be; from then on only loose ends move.
        loose = loose_ends(lines) if step > STEPS[0] else np.arange(2 * len(lines))
        if not len(loose):
            break
        lines, joined = _join(lines, loose, step)
        if joined:
            tolerance = step
    rings, nowhere = _rings(lines)
    dangling = [line for line in nowhere if line.length > tolerance]
    if not rings:
        raise FabricationError(file, _gap(lines))
    if dangling:
        length = sum(line.length for line in dangling)
        x, y = dangling[0].coords[0]
        notes.append(
            f"{len(dangling)} lines of {length * 1e3:.4g} mm in all end nowhere, the first at "
            f"({x * 1e3:.6g}, {y * 1e3:.6g}) mm; they were left out."
        )
    if tolerance > STEPS[0]:
        notes.append(f"Ends of the outline up to {tolerance * 1e6:g} um apart were joined.")
    outline, more = _nested(rings)
    notes.extend(more)
    return outline, tolerance, tuple(notes)


def loose_ends(lines: Sequence[Floats]) -> NDArray[np.intp]:
    """
    Ends that meet no other end within 1 nm: 2 i for the start of line i, 2 i + 1 for its end.

    Examples
    --------
    >>> loose_ends([np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([[1.0, 0.0], [1.0, 1.0]])]).tolist()
    [0, 3]
    """
    points = shapely.points(np.array([line[end] for line in lines for end in (0, -1)]))
    one, other = STRtree(points).query(points, predicate="dwithin", distance=STEPS[0])
    met = np.zeros(len(points), dtype=bool)
    met[one[one != other]] = True
    return np.flatnonzero(~met)


def _join(lines: list[Floats], loose: NDArray[np.intp], step: float) -> tuple[list[Floats], bool]:
    """Move loose ends that are within `step` of each other, or of a line, onto it."""
    lines = [line.copy() for line in lines]
    ends = np.array([lines[i // 2][-(i % 2)] for i in loose])
    points = shapely.points(ends)
    one, other = STRtree(points).query(points, predicate="dwithin", distance=step)
    # A short line must not collapse onto itself.
    long = np.array([shapely.length(LineString(lines[i // 2])) > 4 * step for i in loose])
    apart = (one != other) & ((loose[one] // 2 != loose[other] // 2) | long[one])
    one, other = one[apart], other[apart]
    group = grouped(len(loose), np.column_stack((one, other)))
    joined = False
    still = []
    order = np.argsort(group, kind="stable")
    for members in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        if len(members) == 1:
            still.append(members[0])
        for member in members[1:]:
            if np.any(ends[member] != ends[members[0]]):
                lines[loose[member] // 2][-(loose[member] % 2)] = ends[members[0]]
                joined = True
    if still:
        joined = _onto_lines(lines, loose[still], step) or joined
    return lines, joined


def _onto_lines(lines: list[Floats], loose: NDArray[np.intp], step: float) -> bool:
    """Put loose ends onto a line they nearly reach, as a new corner of it."""
    curves = [LineString(line) for line in lines]
    tree = STRtree(curves)
    corners: dict[int, list[tuple[float, tuple[float, float]]]] = {}
    joined = False
    for i in loose.tolist():
        end = Point(lines[i // 2][-(i % 2)])
        others = [k for k in tree.query(end, predicate="dwithin", distance=step).tolist() if k != i // 2]
        if not others:
            continue
        nearest = min(others, key=lambda k: curves[k].distance(end))
        along = curves[nearest].project(end)
        gap = curves[nearest].distance(end)
        corners.setdefault(nearest, []).append((along, (end.x, end.y)))
        joined = joined or gap > 0.0
    for k, new in corners.items():
        line = lines[k]
        at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        for along, corner in sorted(new, reverse=True):
            # The corner goes between two others; the line bends by at most the step.
            place = int(np.clip(np.searchsorted(at, along), 1, len(at) - 1))
            line = np.insert(line, place, corner, axis=0)
            at = np.insert(at, place, along)
        lines[k] = line
    return joined


def _rings(lines: Sequence[Floats]) -> tuple[list[list[Polygon]], list[LineString]]:
    """Areas closed by each set of lines that hang together, and lines that end nowhere."""
    noded = shapely.get_parts(union_all([LineString(line) for line in lines]))
    ends = np.array([line.coords[end] for line in noded for end in (0, -1)])
    _, node = np.unique(ends, axis=0, return_inverse=True)
    pairs = node.reshape(-1, 2)
    group = grouped(len(ends), pairs)
    rings, nowhere = [], []
    for number in np.unique(group[pairs[:, 0]]):
        faces, cuts, dangles, _ = shapely.polygonize_full(noded[group[pairs[:, 0]] == number])
        nowhere += [*shapely.get_parts(cuts), *shapely.get_parts(dangles)]
        if not faces.is_empty:
            rings.append([Polygon(face.exterior) for face in shapely.get_parts(faces)])
    return rings, nowhere


def _nested(rings: list[list[Polygon]]) -> tuple[Shape, list[str]]:
    """Rings inside rings: board, cut-out, board."""
    notes = []
    filled = [union_all(faces) for faces in rings]
    if any(sorted(face.area for face in faces)[-2:-1] > [SLIVER] for faces in rings):
        notes.append("Lines of the outline cross or divide it; all they enclose was taken as one area.")
    places = np.array([area.representative_point() for area in filled], dtype=object)
    inner, outer = STRtree(filled).query(places, predicate="within")
    # A ring's inside point may lie within a smaller ring as well, which does not hold the first.
    areas = shapely.area(filled)
    depth = np.bincount(inner[areas[outer] > areas[inner]], minlength=len(filled))
    board: Shape = Polygon()
    for level in range(int(depth.max()) + 1):
        here = union_all([area for area, own in zip(filled, depth, strict=True) if own == level])
        board = difference(board, here) if level % 2 else shapely.union(board, here)
    outside = int(np.count_nonzero(depth == 0))
    if outside > 1:
        notes.append(f"The outline is {outside} separate areas.")
    return board, notes


def _gap(lines: Sequence[Floats]) -> str:
    """Message on the narrowest gap between two loose ends."""
    loose = loose_ends(lines)
    ends = np.array([lines[i // 2][-(i % 2)] for i in loose])
    if len(ends) < 2:
        return "its lines close no area. Name the file that has the outline, or close the outline."
    distance = np.hypot(*(ends[:, None] - ends[None]).transpose(2, 0, 1)) + np.diag(np.full(len(ends), np.inf))
    a, b = np.unravel_index(int(np.argmin(distance)), distance.shape)
    (ax, ay), (bx, by) = ends[a] * 1e3, ends[b] * 1e3
    return (
        f"the outline is not closed: {distance[a, b] * 1e3:.6g} mm lie between its ends ({ax:.6g}, {ay:.6g}) mm and "
        f"({bx:.6g}, {by:.6g}) mm; at most {STEPS[-1] * 1e6:g} um are joined. Close the outline."
    )
