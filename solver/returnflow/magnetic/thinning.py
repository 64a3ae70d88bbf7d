"""Boards with thousands of holes and vias: what of them is small and far from all currents is thinned above 0 Hz."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.magnetic.bundles import taken_together
from returnflow.magnetic.entries import Entries
from returnflow.magnetic.filling import filled
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.numbers import plain

Floats = NDArray[np.float64]

MANY = 1000  # holes, and contacts that links end on; a mesh of fewer is affordable as it is
SPENT = 0.2  # of the accuracy asked for, what filled holes may add to a loop's inductance
CLOSE, COARSEST = 0.05, 2.0  # accuracy from which on cells are wider, and by how much at most
COARSER = 2.0  # times wider cells, nearer by this, of what tells how much thinning changes


@dataclass(frozen=True)
class Thinned:
    """
    A case whose magnetic mesh is affordable.

    Attributes
    ----------
    case : Case
    joined : mapping of str to (str, float)
        Link of `case` that every via went into, and its share of that link's current.
    squares : frozenset of str
        Contacts that stand for some.
    filled : int
        Holes of copper that are filled.
    added : array, shape (loops,), henry
        What these would add to the loops' inductances at most, by estimate.
    """

    case: Case
    joined: dict[str, tuple[str, float]]
    squares: frozenset[str]
    filled: int
    added: Floats

    @property
    def said(self) -> str:
        """In words."""
        bundles = len({name for name, _ in self.joined.values()})
        what = []
        if self.filled:
            what.append(f"{plain(self.filled, 6)} small holes are taken as filled")
        if bundles < len(self.joined):
            what.append(f"{plain(len(self.joined), 6)} vias are taken as {plain(bundles, 6)}")
        both = " and ".join(what) or "contacts are left out"
        return (
            f"Above 0 Hz, far from routes and from where currents enter, {both}; what that changes by estimate is in "
            "the stated uncertainty"
        )


def crowded(conductors: Conductors) -> bool:
    """Whether a magnetic mesh of these is worth thinning."""
    rings = sum(int(np.sum(shapely.get_num_interior_rings(shapely.get_parts(p.copper)))) for p in conductors.planes)
    # Contacts that nothing enters cost nothing.
    return rings + len(np.unique(conductors.links.ends)) > MANY


def thinned(case: Case, coarser: float = 1.0) -> Thinned:
    """
    The case with small far holes filled and far vias taken together.

    Parameters
    ----------
    case : Case
    coarser : float
        So much wider cells, and more filled.
    """
    conductors = Conductors.magnetic(case)
    coarser *= float(np.clip(case.accuracy / CLOSE, 1.0, COARSEST))
    where = Entries.of(case, conductors)
    coppers, cutouts, count, added = filled(case, conductors, where, SPENT * coarser * case.accuracy)
    case = replace(case, board=replace(case.board, coppers=coppers, cutouts=cutouts))
    terminals, links, joined, squares = taken_together(case, conductors, where, coarser)
    board = replace(case.board, terminals=terminals, links=links)
    return Thinned(replace(case, board=board), joined, squares, count, added)
