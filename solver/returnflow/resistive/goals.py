"""How far the bounds of every loop's own resistance may lie apart, so that every entry is known as asked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from returnflow.resistive.solution import Conduction, Options, reference

Floats = NDArray[np.float64]


def allowed(result: Conduction, options: Options) -> Floats:
    """
    Distance of the bounds of every loop's own resistance that meets `accuracy` in every entry, ohm, shape (loops,).

    sqrt(D_ii D_jj) <= 2 accuracy ref_ij is met if D_ii / R_ii <= 2 accuracy min_j ref_ij / sqrt(R_ii R_jj).
    """
    own = np.sqrt(np.diag(result.mid))
    each: Floats = 2 * options.accuracy * np.min(reference(result.mid) / np.outer(own, own), axis=1) * own**2
    return each


def sharper(result: Conduction, limit: Floats, wanted: Floats) -> Floats:
    """
    The same where some entries must be known better, with as few triangles as may be.

    An entry's half-width is 0.5 sqrt(D_ii D_jj) at most, so that it is the product of both which counts. With second
    order elements, graded as gaps ask, a loop whose bounds are D apart takes N = c / sqrt(D) triangles. One loop's D
    is chosen such that it and all those it is paired with take the fewest together: where a short loop meets currents
    that cross the whole board, most is asked of the short one.

    Parameters
    ----------
    result : Conduction
    limit : array, shape (loops,)
        From `allowed`, ohm.
    wanted : array, shape (loops, loops)
        Half-width of every entry, ohm; infinite where `limit` is enough. Rows ask, columns are what they meet.
    """
    now = np.diag(result.upper - result.lower)
    # Where currents share little copper a half-width is less than the product.
    part = 2 * result.half_width / np.maximum(np.sqrt(np.outer(now, now)), 1e-300)
    cost = np.sum(np.cbrt(result.gap + np.sum(result.rim, axis=1, keepdims=True) / result.gap.shape[1]), axis=1) ** 1.5
    goal = limit.copy()
    for i, row in enumerate(wanted):
        others = np.flatnonzero(np.isfinite(row) & (result.half_width[i] > row))
        if not len(others):
            continue
        product = (2 * row[others] / part[i, others]) ** 2
        best = cost[i] / np.sum(cost[others] / np.sqrt(product))
        goal[i] = min(goal[i], max(best, float(np.min(product / goal[others]))))
        goal[others] = np.minimum(goal[others], product / goal[i])
    return goal
