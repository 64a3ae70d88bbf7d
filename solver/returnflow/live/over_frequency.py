"""What the page is given above 0 Hz: impedances, shares and patterns of a reduced model on a grid of frequencies."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.frequency import among, ribbon_frequency, traffic, turning_frequency, wants_frequencies
from returnflow.live.board import LiveBoard
from returnflow.live.meshcode import decode, differences, encode
from returnflow.live.parts import NANO
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.charged import Charged
from returnflow.magnetic.meshing import COARSE
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.routes import faced
from returnflow.magnetic.solving import solve_broadband

Floats = NDArray[np.float64]

LOWEST, HIGHEST, PER_DECADE = 10.0, 1e9, 12  # hertz; the page interpolates by cubics between these
RESONANT = 48  # a decade where planes resonate: every step of the page's slider
ACCURACY = 2e-3  # of what the reduced model makes of a full solve's meshes: the page is good to half a per cent
RESIDUAL = 1e-4
# Edges of the coarser of the two meshes where somebody waits: one loop over copper without gaps keeps to 0.4 % on them,
# as errors of its own impedance go with the square of its field's. Weak transfers would be several per cent off.
QUICK = 8.0
SHOWN = 15_000  # triangles at most of the mesh that patterns are told on: with more, the coarser of the two
FAINTEST = 8e-3  # of the largest: weaker patterns of the return's move are left out
FAINTER = 2.5e-2  # of a variant: a page with eight of them keeps to about a megabyte
LEVELS = 4096  # steps of the largest pattern: what a picture shows of it


def over_frequency(
    board: LiveBoard, resistance: Floats, *, pattern: float | None, quick: bool = False
) -> dict[str, Any] | None:
    """
    What the page shows above 0 Hz, contacts as drawn; None where nothing in the case asks for it.

    Parameters
    ----------
    board : LiveBoard
    resistance : array, shape (loops, loops), ohm
        The DC end.
    pattern : float or None
        With what the return's move looks like, where one copper carries all: patterns down to this part of the largest.
    quick : bool
        Coarser where the page's accuracy is kept: see `QUICK`.
    """
    case, conductors = board.case, board.conductors
    if not wants_frequencies(case) or not any(loop.route is not None for loop in case.loops):
        return None
    ends = conductors.ends(case)
    facing = faced(case, conductors)
    options = BroadbandOptions(accuracy=ACCURACY, lowest=LOWEST, highest=HIGHEST, residual=RESIDUAL, bounds=False)
    coarser = QUICK if quick and len(facing) == 1 and not facing[0].gaps else COARSE
    squares = resistance / conductors.reference
    model = solve_broadband(case, conductors, ends, squares, options, facing=facing, coarser=coarser)
    per_decade = RESONANT if isinstance(model, Charged) else PER_DECADE
    count = round(np.log10(HIGHEST / LOWEST)) * per_decade + 1
    frequencies = np.geomspace(LOWEST, HIGHEST, count)
    Z = model.impedances(frequencies)
    # Reactances as inductances: they go smoothly to both ends.
    Z.imag /= (2 * np.pi * frequencies)[:, None, None]
    shares, sections = traffic(model, ends, conductors.contact_inside(), frequencies.tolist())
    marks = [
        [
            turning_frequency(model, n),
            ribbon_frequency(model, item.route, n, among=among(model, conductors, item.copper))
            if item.route is not None and item.route.height
            else None,
        ]
        for n, item in enumerate(facing)
    ]
    return {
        "lowest": LOWEST,
        "perDecade": per_decade,
        "count": count,
        "Z": np.stack([Z.real, Z.imag], axis=-1).astype(np.float32).ravel(),
        "shares": shares.astype(np.float32).ravel(),
        "sections": np.abs(sections).astype(np.float32).ravel(),
        "marks": marks,
        "pattern": _patterns(_told_on(model), frequencies, pattern) if pattern and _single_valued(model) else None,
    }


def _told_on(model: Broadband) -> Broadband:
    """The finer of two meshes where a page has room for its patterns, or the coarser one."""
    return model if len(model.system.space.mesh.triangles) <= SHOWN else model.compared


def _single_valued(model: Broadband) -> bool:
    """Whether stream functions have one value at every point: no links close circuits, and one copper carries all."""
    return not len(model.link_basis) and len(model.system.stack.distance) == 1


def _patterns(model: Broadband, frequencies: Floats, faintest: float) -> dict[str, Any]:
    """Stream functions by which every loop's return moves, on the points of a magnetic mesh, and their parts."""
    mesh = model.system.space.mesh
    corner = np.zeros(len(mesh.points), dtype=np.int64)
    corner[mesh.triangles.ravel()] = np.arange(mesh.triangles.size)
    at_points = model.system.to_local[corner] @ model.basis
    answers = np.array([model.reduced(float(f)) for f in frequencies])
    code, told, number = encode(
        np.round(mesh.points / NANO).astype(np.int64), mesh.triangles, _on_border(mesh.triangles)
    )
    points, _, guides = decode(code)
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
                "parts": np.moveaxis(right[:kept].T.reshape(2, len(frequencies), kept), 0, -1)
                .astype(np.float32)
                .ravel(),
                "steady": differences(steady[told], rise, points, guides),
                "rise": rise,
                "jumps": jumps,
            }
        )
    return {"mesh": code.data(), "loops": loops}


def _on_border(triangles: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether each point lies on an edge that belongs to one triangle alone."""
    ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edges, times = np.unique(ends, axis=0, return_counts=True)
    found = np.zeros(int(triangles.max()) + 1, dtype=bool)
    found[edges[times == 1]] = True
    return found


def _unwrapped(triangles: NDArray[np.int64], stream: Floats, points: int) -> tuple[Floats, NDArray[np.int64]]:
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
