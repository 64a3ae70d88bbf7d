"""What the return looks like above 0 Hz, on the points of a magnetic mesh: stream functions, or currents of planes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from returnflow.live.meshcode import MeshCode, decode, differences, encode
from returnflow.live.parts import NANO
from returnflow.magnetic.broadband import Broadband
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHOWN = 15_000  # triangles at most of the mesh that patterns are told on: with more, the coarser of the two
MOST = 30_000  # triangles at most of the coarser one: the page would be sent by nobody
FAINTEST = 8e-3  # of the largest: weaker patterns of the return's move are left out
FAINTER = 2.5e-2  # of a variant: a page with eight of them keeps to about a megabyte
LEVELS = 4096  # steps of the largest pattern: what a picture shows of it
OF_PLANES = 2.0  # so much more is left out of the currents of planes, which are many
# Of the current at which the page's scale of colours ends: that of an ampere on a fortieth of the board.
COARSEST, CROWDED = 4e-4, 40.0
PARTS = 8192  # steps of the largest part


def patterns(model: Broadband, frequencies: Floats, faintest: float, coppers: int) -> dict[str, Any] | None:
    """
    By what every loop's return moves; None where the mesh has more than a page has room for.

    Parameters
    ----------
    model : Broadband
    frequencies : array, hertz
    faintest : float
        Patterns down to this part of the largest.
    coppers : int
        So many are on the page; the model may have more behind them that only carry eddy currents.
    """
    told = model.coarse or model if len(model.system.space.mesh.triangles) > SHOWN else model
    if model.thinning is not None or len(told.system.space.mesh.triangles) > MOST:
        return None
    if _single_valued(model):
        return _of_streams(told, _answers(told, frequencies), faintest)
    return _of_planes(model, told.system.space.mesh, _answers(model, frequencies), OF_PLANES * faintest, coppers)


def _answers(model: Broadband, frequencies: Floats) -> NDArray[np.complex128]:
    """Coefficients of the basis, shape (frequencies, r, loops)."""
    return np.array([model.reduced(float(f)) for f in frequencies])


def _single_valued(model: Broadband) -> bool:
    """Whether stream functions have one value at every point: no links close circuits, and one copper carries all."""
    return not len(model.link_basis) and len(model.system.stack.distance) == 1


def _told(points: Floats, triangles: Ints) -> tuple[MeshCode, Ints, Ints, Ints, Ints]:
    """A mesh as the page has it: code, points told, their new places and guides, numbers of edges."""
    code, told, number = encode(np.round(points / NANO).astype(np.int64), triangles, _on_border(triangles))
    places, _, guides = decode(code)
    return code, told, places, guides, number


def _of_streams(model: Broadband, answers: NDArray[np.complex128], faintest: float) -> dict[str, Any]:
    """Stream functions by which every loop's return moves, and their parts."""
    mesh = model.system.space.mesh
    corner = np.zeros(len(mesh.points), dtype=np.int64)
    corner[mesh.triangles.ravel()] = np.arange(mesh.triangles.size)
    at_points = model.system.to_local[corner] @ model.basis
    code, told, points, guides, number = _told(mesh.points, mesh.triangles)
    loops = []
    for n, stream in enumerate(model.system.stream):
        moved = at_points @ np.concatenate([answers[:, :, n].real, answers[:, :, n].imag]).T
        left, sizes, right = np.linalg.svd(moved, full_matrices=False)
        kept = int(np.sum(sizes > faintest * sizes[0])) if sizes[0] > 0 else 0
        vectors = left[:, :kept] * sizes[:kept]
        step = float(np.max(np.abs(vectors), initial=0.0)) / LEVELS or 1.0
        steady, jumps = _unwrapped(mesh.triangles, stream, len(mesh.points))
        rise = float(np.ptp(steady)) / LEVELS or 1.0
        jumps[::2] = number[jumps[::2]]
        loops.append(
            {
                "vectors": [differences(vector[told], step, points, guides) for vector in vectors.T],
                "step": step,
                "parts": np.moveaxis(right[:kept].T.reshape(2, len(answers), kept), 0, -1).astype(np.float32).ravel(),
                "steady": differences(steady[told], rise, points, guides),
                "rise": rise,
                "jumps": jumps,
            }
        )
    return {"mesh": code.data(), "loops": loops}


def _of_planes(
    model: Broadband, shown: Mesh, answers: NDArray[np.complex128], faintest: float, coppers: int
) -> dict[str, Any]:
    """
    Sheet currents of every plane by which the loops' returns move, and their parts.

    Where links join planes a stream function has another value after every way round a link, and no lines can be drawn.
    Patterns are those of all loops and frequencies together: what the loops have in common is told once.
    """
    mesh = model.system.space.mesh  # the points of the mesh that is shown are its first
    diagonal = float(np.hypot(*np.ptp(mesh.points, axis=0)))
    step = COARSEST * CROWDED / diagonal
    planes = []
    for copper in range(coppers):
        points, triangles = _on(shown, copper)[1:]
        code, told, places, guides, _ = _told(shown.points[points], triangles)
        mine, finer, round_them = _on(mesh, copper)
        mean, area = _means(round_them, mesh.areas[mine] * np.where(model.system.stack.contact[mine], 1e-6, 1.0))
        rows = np.searchsorted(finer, points)
        mean, area = mean[rows], area[rows]
        moving = np.concatenate([mean @ (part[mine] @ model.basis) for part in model.system.curl])
        steady = np.concatenate([mean @ part[mine] for part in model.system.currents])
        vectors, parts = _in_common(moving, steady, answers, area, faintest)

        def pair(both: Floats, told: Ints = told, places: Ints = places, guides: Ints = guides) -> list[Ints]:
            return [differences(each[told], step, places, guides) for each in np.split(both, 2)]

        planes.append(
            {
                "copper": copper,
                "mesh": code.data(),
                "vectors": [pair(vector) for vector in vectors.T],
                "steady": [pair(one) for one in steady.T],
                "parts": [_changes(each) for each in parts],
            }
        )
    return {"planes": planes, "step": step, "part": 1 / PARTS}


def _on(mesh: Mesh, copper: int) -> tuple[Ints, Ints, Ints]:
    """Triangles of a copper, their points, and the triangles by the numbers of these, shape (m, 3)."""
    mine = np.arange(len(mesh.triangles)) if mesh.copper_of is None else np.flatnonzero(mesh.copper_of == copper)
    points, triangles = np.unique(mesh.triangles[mine], return_inverse=True)
    return mine, points, triangles.reshape(-1, 3)


def _means(triangles: Ints, weights: Floats) -> tuple[csr_array, Floats]:
    """From triangles to points: means of those round each by their weights, (points, triangles), and the weights."""
    rows, columns = triangles.ravel(), np.repeat(np.arange(len(triangles)), 3)
    every = csr_array((np.repeat(weights, 3), (rows, columns)), shape=(int(triangles.max()) + 1, len(triangles)))
    total = np.asarray(every.sum(axis=1)).ravel()
    return csr_array(every.multiply(1 / total[:, None])), total


def _in_common(
    moving: Floats, steady: Floats, answers: NDArray[np.complex128], area: Floats, faintest: float
) -> tuple[Floats, list[Floats]]:
    """
    Few patterns of current that all loops at all frequencies are made of.

    Parameters
    ----------
    moving : array, shape (2 points, r), A/m
        Of every coefficient of the model: x at all points, then y.
    steady : array, shape (2 points, loops)
        Of every loop at 0 Hz.
    answers : array, shape (frequencies, r, loops)
    area : array, shape (points,)
    faintest : float
        What is left out of any loop at any frequency, as a part of that loop's largest current.

    Returns
    -------
    vectors : array, shape (2 points, k)
    parts : list of arrays, shape (frequencies, k, 2)
        Of every loop: real and imaginary; none above 1.
    """
    count, _, loops = answers.shape
    size = np.sum(np.split(steady**2, 2), axis=(0, 2)) + np.sum(np.split(moving**2, 2), axis=(0, 2))
    # The scale of colours is logarithmic: weak currents are to be told well too.
    weight = np.tile(np.sqrt(area) / (size / size.max() + 1e-6) ** 0.25, 2)[:, None]
    base, small = np.linalg.qr(weight * moving)
    change = small @ np.concatenate([answers.real, answers.imag]).transpose(1, 0, 2).reshape(small.shape[1], -1)
    at_rest = np.sqrt(np.sum((weight * steady) ** 2, axis=0))
    moved = np.sqrt(np.sum(change**2, axis=0)).reshape(-1, loops).max(axis=0)
    unit = np.tile(np.maximum(at_rest, moved) + 1e-300, 2 * count)
    left, sizes, right = np.linalg.svd(change / unit, full_matrices=False)
    rest = np.sqrt(np.cumsum(((sizes[:, None] * right) ** 2)[::-1], axis=0))[::-1]
    kept = int(np.sum(rest.max(axis=1) > faintest))
    most = np.abs(right[:kept] * unit).max(axis=1, initial=1e-300)
    vectors: Floats = (base @ left[:, :kept]) / weight * sizes[:kept] * most
    parts = (right[:kept] * unit / most[:, None]).reshape(kept, 2, count, loops)
    return vectors, [parts[:, :, :, n].transpose(2, 0, 1) for n in range(loops)]


def _changes(parts: Floats) -> Ints:
    """Parts of patterns as whole steps from one frequency to the next, pattern by pattern: most are 0."""
    whole = np.floor(PARTS * parts.reshape(len(parts), -1) + 0.5).astype(np.int64)
    return np.diff(whole, axis=0, prepend=0).T.ravel()


def _on_border(triangles: Ints) -> NDArray[np.bool_]:
    """Whether each point lies on an edge that belongs to one triangle alone."""
    ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edges, times = np.unique(ends, axis=0, return_counts=True)
    found = np.zeros(int(triangles.max()) + 1, dtype=bool)
    found[edges[times == 1]] = True
    return found


def _unwrapped(triangles: Ints, stream: Floats, points: int) -> tuple[Floats, Ints]:
    """
    A steady stream function by points, and the corners of triangles where it is whole amperes off.

    Parameters
    ----------
    triangles : array, shape (m, 3)
    stream : array, shape (m, 3)
        On the corners of every triangle; single-valued up to whole amperes.

    Returns
    -------
    values : array, shape (points,)
    jumps : array, shape (2 k,)
        Corner (3 times the triangle and 0, 1 or 2) and whole amperes to add there, in turns.
    """
    values = np.zeros(points)
    values[triangles.ravel()] = stream.ravel()
    off = np.round(stream - values[triangles]).astype(np.int64).ravel()
    corners = np.flatnonzero(off)
    return values, np.column_stack([corners, off[corners]]).ravel().astype(np.int64)
