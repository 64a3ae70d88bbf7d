"""What a limit asks of the resistances: as much more than the accuracy as decides whether it is kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.budget import Budget
from returnflow.resistive.solution import Conduction
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

PART = 0.8  # of the distance to the limit that the bracket may take
ROOM = 0.5  # of the limit: noise well below that is to be known below it, so that its margin is one
HOPELESS = 0.02  # of the bracket: a limit that is closer than that stays undecided, as it takes too many triangles


def wanted(
    cases: Sequence[Case], budgets: Callable[[Case, Conduction], list[Budget]]
) -> Callable[[Conduction], Floats]:
    """
    Half-width of every resistance that decides the limits that are undecided, ohm, shape (loops, loops).

    Infinite where nothing more is asked. Only resistance counts: where noise is worked out above 0 Hz as well, more of
    it would not decide.

    Parameters
    ----------
    cases : sequence of Case
        Whose board is the solved one.
    budgets : function of a Case and a Conduction
        Of all sensitive loops and pairs of cables.
    """

    def ask(solution: Conduction) -> Floats:
        return np.asarray(np.min([of_one(case, solution) for case in cases], axis=0), dtype=np.float64)

    def of_one(case: Case, solution: Conduction) -> Floats:
        number = {loop.name: n for n, loop in enumerate(case.loops)}
        wide = np.full(solution.half_width.shape, np.inf)
        for item in budgets(case, solution):
            span = item.high - item.noise if item.noise <= item.limit else item.noise - item.low
            if item.verdict != "undecided" or not span > 0:
                continue
            border = ROOM * item.limit if item.noise < PART * ROOM * item.limit else item.limit
            less = PART * abs(border - item.noise) / span
            heard = [number[part.loop] for part in item.contributions if part.in_band]
            if less > HOPELESS:
                i = number[item.loop]
                wide[i, heard] = less * solution.half_width[i, heard]
        return wide

    return ask
