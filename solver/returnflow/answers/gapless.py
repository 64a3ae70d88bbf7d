"""Boards with the gaps closed that routes cross: what a gap is compared with, solved once for all that share it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

from returnflow.answers import frequency
from returnflow.answers.rescale import Signature, signature
from returnflow.magnetic.routes import Faced, faced
from returnflow.magnetic.solving import Expelled, solve_expelled
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.linear import Progress
from returnflow_geometry.model.board import Case

KEPT = 32  # boards without gaps whose inductances are kept

_SOLVED: dict[Signature, Expelled] = {}


def closed(case: Case, conductors: Conductors, facing: Sequence[Faced]) -> Case | None:
    """The board of a case with every gap closed that a route crosses; None if they cross none."""
    crossed = {(conductors.names[item.copper], name) for item in facing for name in item.gaps}
    if not crossed:
        return None
    kept = tuple(cutout for cutout in case.board.cutouts if (cutout.copper, cutout.name) not in crossed)
    return replace(case, board=replace(case.board, cutouts=kept))


def key(case: Case) -> Signature:
    """What the inductances of a board without gaps are kept by."""
    return signature(replace(case, regions=(), sections=()), None)


def compared(case: Case) -> Case | None:
    """The board that a case's gaps are compared with; None if no route crosses one, or nothing is asked above 0 Hz."""
    if not frequency.wants_frequencies(case):
        return None
    conductors = Conductors.of(case)
    return closed(case, conductors, faced(case, conductors))


def known(name: Signature) -> Expelled | None:
    """What is kept by that name."""
    return _SOLVED.get(name)


def keep(name: Signature, solid: Expelled) -> None:
    """Keep inductances of a board without gaps; the oldest go."""
    _SOLVED[name] = solid
    for old in list(islice(_SOLVED, max(0, len(_SOLVED) - KEPT))):
        del _SOLVED[old]


def solve_closed(case: Case, progress: Progress | None) -> Expelled:
    """High-frequency end of a board whose gaps are closed."""
    if progress:
        progress("solving again without the gaps that routes cross")
    case = replace(case, regions=(), sections=())
    conductors = Conductors.of(case)
    return solve_expelled(case, conductors, conductors.ends(case), progress)
