"""Boards with the gaps closed that routes cross: what a gap is compared with, solved once for all that share it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from returnflow.answers import frequency
from returnflow.answers.rescale import Signature, signature
from returnflow.magnetic.routes import Faced, faced
from returnflow.magnetic.solving import Expelled, solve_expelled
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.linear import Progress
from returnflow_geometry.model.board import Case

KEPT = 32  # boards without gaps whose inductances are kept


@dataclass
class _Kept:
    case: Case
    found: Expelled
    keys: dict[tuple[str, ...], Signature | None] = field(default_factory=dict)

    def key(self, names: tuple[str, ...]) -> Signature | None:
        if names not in self.keys:
            self.keys[names] = key(self.case, names)
        return self.keys[names]


_SOLVED: list[_Kept] = []


def closed(case: Case, conductors: Conductors, facing: Sequence[Faced]) -> Case | None:
    """The board of a case with every gap closed that a route crosses; None if they cross none."""
    crossed = {(conductors.names[item.copper], name) for item in facing for name in item.gaps}
    if not crossed:
        return None
    kept = tuple(cutout for cutout in case.board.cutouts if (cutout.copper, cutout.name) not in crossed)
    return replace(case, board=replace(case.board, cutouts=kept))


def key(case: Case, names: Sequence[str]) -> Signature | None:
    """
    What the inductances of some loops of a board without gaps are kept by; None if it has not all of them.

    A contact is copper, so where those of other loops stand, and where these run, changes nothing for them.
    """
    loops = tuple(loop for loop in case.loops if loop.name in names)
    if len(loops) < len(names):
        return None
    ends = {end for loop in loops for end in (loop.inject, loop.return_)}
    ends |= {end for link in case.board.links for end in link.between}
    terminals = tuple(terminal for terminal in case.board.terminals if terminal.name in ends)
    board = replace(case.board, terminals=terminals)
    return signature(replace(case, board=board, loops=loops, regions=(), sections=()), None)


def compared(case: Case) -> tuple[Case, tuple[str, ...]] | None:
    """
    The board that a case's gaps are compared with, and the loops whose routes cross them.

    None if no route crosses one, or nothing is asked above 0 Hz.
    """
    if not frequency.wants_frequencies(case):
        return None
    conductors = Conductors.of(case)
    facing = faced(case, conductors)
    solid = closed(case, conductors, facing)
    names = tuple(loop.name for loop, item in zip(case.loops, facing, strict=True) if item.gaps)
    return None if solid is None else (solid, names)


def known(name: Signature, names: Sequence[str]) -> Expelled | None:
    """What is kept for some loops of the board that has that key for them."""
    return next((one.found for one in reversed(_SOLVED) if one.key(tuple(names)) == name), None)


def keep(case: Case, found: Expelled) -> None:
    """Keep inductances of a board without gaps; the oldest go."""
    _SOLVED.append(_Kept(case, found))
    del _SOLVED[:-KEPT]


def solve_closed(case: Case, progress: Progress | None) -> Expelled:
    """High-frequency end of a board whose gaps are closed."""
    if progress:
        progress("solving again without the gaps that routes cross")
    case = replace(case, regions=(), sections=())
    conductors = Conductors.of(case)
    return solve_expelled(case, conductors, conductors.ends(case), progress)
