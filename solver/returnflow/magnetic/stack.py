"""What distinguishes several coppers that are solved together, and what joins them beside the copper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, diags_array

from returnflow.resistive.links import NONE, Links

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Stack:
    """
    What distinguishes several coppers that are solved together.

    Attributes
    ----------
    foil : array of int, shape (m,)
        Which thickness every triangle has.
    weights : array, shape (foils,)
        Sheet resistance of each relative to the reference.
    level : array of int, shape (m,)
        On which layer every triangle lies.
    distance : array, shape (levels, levels)
        Between facing surfaces, metres.
    links : Links
    ohmic : array, shape (links,)
        Their resistances in squares of the reference.
    side : array, shape (levels,)
        Which face of every level the others lie on: 1 above, -1 below, 0 none; currents without a route flow there.
    contact : array of bool, shape (m,)
        Triangles inside contacts: one potential at 0 Hz, so that the resistive pattern crosses them without loss.
    thickness : float
        Of the first foil, metres.
    barrels : array, shape (links + loops, links + loops), optional
        Inductance of what runs across the board, by the currents of links and loops, henry.
    outer : int, optional
        So many triangles lie outside the outlines along which contacts are entered; the rest come last. All by default.
    along : int
        So many contact edges of the mesh, the last ones, are along those outlines.
    """

    foil: Ints
    weights: Floats
    level: Ints
    distance: Floats
    links: Links
    ohmic: Floats
    side: Floats
    contact: NDArray[np.bool_]
    thickness: float = 35e-6
    barrels: Floats | None = None
    outer: int | None = None
    along: int = 0

    def beside(self, ports: int) -> csr_array:
        """Inductance of what is not in the copper, by the currents of links and ports, henry: the rest are no loops."""
        size = len(self.links) + ports
        own = np.append(self.links.inductance, np.zeros(ports))
        barrels = csr_array((0, 0) if self.barrels is None else self.barrels)
        barrels.resize((size, size))
        return csr_array(diags_array(own) + barrels)

    @classmethod
    def plain(cls, triangles: int) -> Stack:
        """One copper without links."""
        nothing = np.zeros(triangles, dtype=np.int64)
        return cls(nothing, np.ones(1), nothing, np.zeros((1, 1)), NONE, np.zeros(0), np.zeros(1), nothing > 0)
