"""Variants that nobody drew and that the decision wants to know of."""

from __future__ import annotations

from dataclasses import replace

import shapely

from returnflow_geometry.model.board import Case, Cutout

LONG = 5e-3  # m; a shorter opening makes no current go round
SLENDER = 4.0  # length over width, from which an opening is a gap and not a hole
CLOSED = "every gap closed"


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
    return replace(case, board=replace(case.board, cutouts=kept), variants=(), sweeps=())


def is_gap(cutout: Cutout) -> bool:
    """
    Whether a cutout is a gap: some part of it is long and slender, so that currents must go round.

    Examples
    --------
    >>> from returnflow_geometry.model.shapes import circle, slot
    >>> is_gap(Cutout(name="slot", copper="c", shape=slot([(0, 0), (0.02, 0)], 5e-4)))
    True
    >>> is_gap(Cutout(name="hole", copper="c", shape=circle(0, 0, 8e-3)))
    False
    """
    for part in shapely.get_parts(cutout.shape):
        # A bent slot is slender although the box round it is not: length and width from area and outline.
        half, area = part.length / 2, part.area
        length = 0.5 * (half + max(half**2 - 4 * area, 0.0) ** 0.5)
        if length > LONG and length**2 > SLENDER * area:
            return True
    return False
