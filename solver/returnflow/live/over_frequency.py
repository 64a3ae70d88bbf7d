"""What the page is given above 0 Hz: impedances, shares and patterns of a reduced model on a grid of frequencies."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.frequency import among, ribbon_frequency, traffic, turning_frequency, wants_frequencies
from returnflow.live.board import LiveBoard
from returnflow.live.sheet import NANO
from returnflow.magnetic.broadband import Broadband, BroadbandOptions, reduce
from returnflow.magnetic.meshing import mesh_of, system_on
from returnflow.magnetic.routes import faced
from returnflow.resistive.conductors import Conductors

Floats = NDArray[np.float64]

LOWEST, HIGHEST, PER_DECADE = 10.0, 1e9, 12  # hertz; the page interpolates by cubics between these
COARSER = 3.0  # edges of the mesh over those of a full solve: the page is good to half a per cent
ACCURACY = 2e-3
PATTERN = 8e-3  # of the largest: weaker patterns of the return's move are left out


def over_frequency(board: LiveBoard, resistance: Floats, *, pattern: bool) -> dict[str, Any] | None:
    """
    What the page shows above 0 Hz, contacts as drawn; None where nothing in the case asks for it.

    Parameters
    ----------
    board : LiveBoard
    resistance : array, shape (loops, loops), ohm
        The DC end.
    pattern : bool
        With what the return's move looks like, where one copper carries all.
    """
    case, conductors = board.case, board.conductors
    if not wants_frequencies(case) or not any(loop.route is not None for loop in case.loops):
        return None
    ends = conductors.ends(case)
    facing = faced(case, conductors)
    system = system_on(mesh_of(case, conductors, ends, facing, COARSER), case, conductors, ends)
    thickness = tuple(Conductors.magnetic(case).foils[0].tolist())
    options = BroadbandOptions(accuracy=ACCURACY, lowest=LOWEST, highest=HIGHEST)
    model = reduce(system, thickness, case.board.temperature, resistance / conductors.reference, options)
    count = round(np.log10(HIGHEST / LOWEST)) * PER_DECADE + 1
    frequencies = np.geomspace(LOWEST, HIGHEST, count)
    Z = np.array([model.impedance(float(f)) for f in frequencies])
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
        "perDecade": PER_DECADE,
        "count": count,
        "Z": np.stack([Z.real, Z.imag], axis=-1).astype(np.float32).ravel(),
        "shares": shares.astype(np.float32).ravel(),
        "sections": np.abs(sections).astype(np.float32).ravel(),
        "marks": marks,
        "pattern": _patterns(model, frequencies) if pattern and _single_valued(model) else None,
    }


def _single_valued(model: Broadband) -> bool:
    """Whether stream functions have one value at every point: no links close circuits, and one copper carries all."""
    return not len(model.link_basis) and len(model.system.stack.distance) == 1


def _patterns(model: Broadband, frequencies: Floats) -> dict[str, Any]:
    """Stream functions by which every loop's return moves, on the points of the magnetic mesh, and their parts."""
    mesh = model.system.space.mesh
    corner = np.zeros(len(mesh.points), dtype=np.int64)
    corner[mesh.triangles.ravel()] = np.arange(mesh.triangles.size)
    at_points = model.system.to_local[corner] @ model.basis
    answers = np.array([model.reduced(float(f)) for f in frequencies])
    loops = []
    for n in range(answers.shape[2]):
        moved = at_points @ np.concatenate([answers[:, :, n].real, answers[:, :, n].imag]).T
        left, sizes, right = np.linalg.svd(moved, full_matrices=False)
        kept = int(np.sum(sizes > PATTERN * sizes[0])) if sizes[0] > 0 else 0
        vectors = left[:, :kept] * sizes[:kept]
        scale = np.max(np.abs(vectors), axis=0, initial=0.0)
        scale[scale == 0] = 1.0
        parts = (right[:kept].T).reshape(2, len(frequencies), kept)
        loops.append(
            {
                "vectors": [np.round(32767 * v / s).astype(np.int16) for v, s in zip(vectors.T, scale, strict=True)],
                "scale": (scale / 32767).tolist(),
                "parts": np.moveaxis(parts, 0, -1).astype(np.float32).ravel(),
            }
        )
    steady = [_unwrapped(mesh.triangles, stream, len(mesh.points)) for stream in model.system.stream]
    for loop, (values, jumps) in zip(loops, steady, strict=True):
        low, high = float(values.min()), float(values.max())
        loop["steady"] = np.round((values - low) * 65535 / (high - low or 1.0)).astype(np.int64)
        loop["range"] = [low, (high - low) / 65535]
        loop["jumps"] = jumps
    return {
        "points": np.round(mesh.points / NANO).astype(np.int64).ravel(),
        "triangles": mesh.triangles.ravel(),
        "loops": loops,
    }


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
