"""What the page is given above 0 Hz: impedances, shares and patterns of a reduced model on a grid of frequencies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.frequency import among, ribbon_frequency, traffic, turning_frequency, wants_frequencies
from returnflow.live.board import LiveBoard
from returnflow.live.patterns import patterns
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.charged import Charged
from returnflow.magnetic.meshing import COARSE
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.routes import faced
from returnflow.magnetic.solving import solve_broadband
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

LOWEST, HIGHEST, PER_DECADE = 10.0, 1e9, 12  # hertz; the page interpolates by cubics between these
RESONANT = 48  # a decade where planes resonate: every step of the page's slider
ACCURACY = 2e-3  # of what the reduced model makes of a full solve's meshes: the page is good to half a per cent
RESIDUAL = 1e-4
# Edges of the coarser of the two meshes where somebody waits: one loop over copper without gaps keeps to 0.4 % on them,
# as errors of its own impedance go with the square of its field's. Weak transfers would be several per cent off.
QUICK = 8.0
MOST_LINKS = 60_000  # numbers of currents through links that a page has room for


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
        With what the return's move looks like: patterns down to this part of the largest.
    quick : bool
        Coarser where the page's accuracy is kept: see `QUICK`.
    """
    case, conductors = board.case, board.conductors
    if not asked_for(case):
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
        "links": _through_links(model, board.names, frequencies),
        "pattern": patterns(model, frequencies, pattern, len(conductors.names)) if pattern else None,
    }


def _through_links(model: Broadband, names: Sequence[str], frequencies: Floats) -> NDArray[np.float32]:
    """Amperes through the links per ampere of every loop at every frequency; nothing where there are too many."""
    if not 0 < len(names) * len(frequencies) * model.correction.shape[0] <= MOST_LINKS:
        return np.zeros(0, dtype=np.float32)
    through = np.abs([model.through(names, float(f)) for f in frequencies])
    return np.nan_to_num(through).astype(np.float32).ravel()


def asked_for(case: Case) -> bool:
    """Whether a case asks for more than 0 Hz, and says where a current goes out."""
    return wants_frequencies(case) and any(loop.route is not None for loop in case.loops)


def to_come(case: Case) -> dict[str, Any] | None:
    """Stands for what `over_frequency` gives until somebody asks for it; None where nothing does."""
    count = round(np.log10(HIGHEST / LOWEST)) * PER_DECADE + 1
    marks = [[None, None] for _ in case.loops]
    waiting = {"lowest": LOWEST, "perDecade": PER_DECADE, "count": count, "marks": marks, "toCome": True}
    return waiting if asked_for(case) else None
