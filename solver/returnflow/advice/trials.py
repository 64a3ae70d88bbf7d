"""Variants that nobody drew and that the decision wants to know of."""

from __future__ import annotations

from dataclasses import replace

import shapely

from returnflow_geometry.checks.gaps import is_slender
from returnflow_geometry.model.board import Case, Cutout

CLOSED = "every gap closed"
CLOSED_TOO = f", {CLOSED}"  # of a board with another change besides


def trials(case: Case) -> dict[str, Case]:
    """
    Cases to solve besides those of a case file, by name.

    Parameters
    ----------
    case : Case
        As drawn.
    """
    if not any(loop.role != "noisy" for loop in case.loops):
        return {}
    solid = without_gaps(case)
    return {} if solid is None else {CLOSED: solid}


def without_gaps(case: Case) -> Case | None:
    """The case with every gap closed; None if it has none."""
    kept = tuple(cutout for cutout in case.board.cutouts if not is_gap(cutout))
    if len(kept) == len(case.board.cutouts):
        return None
    return replace(case, board=replace(case.board, cutouts=kept), variants=(), sweeps=(), editor=None)


def is_gap(cutout: Cutout) -> bool:
    """
    Whether a cutout is a gap that can be closed: some part is long and slender, and no other copper lies in it.

    Examples
    --------
    >>> from returnflow_geometry.model.shapes import circle, slot
    >>> is_gap(Cutout(name="slot", copper="c", shape=slot([(0, 0), (0.02, 0)], 5e-4)))
    True
    >>> is_gap(Cutout(name="hole", copper="c", shape=circle(0, 0, 8e-3)))
    False
    """
    return not cutout.holds and any(map(is_slender, shapely.get_parts(cutout.shape)))
