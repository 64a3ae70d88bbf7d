"""What the page solves, as data: places where current enters, and pieces of copper as they are meshed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from returnflow.live.meshcode import MeshCode

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NANO = 1e-9  # m


@dataclass(frozen=True)
class Port:
    """
    One place where current enters a sheet: a disc that moves, or a run of edges along a contact that stays.

    Attributes
    ----------
    terminal : int
    sheet : int
    place : (float, float)
        Centre of the disc; of a closed rim a point inside it, of an open one a place to draw it, metres.
    radius : float
        Metres; 0 for a contact that stays.
    strength : int
        1 if the field has a point source at `place`, 0 for an open run.
    """

    terminal: int
    sheet: int
    place: tuple[float, float]
    radius: float
    strength: int


@dataclass(frozen=True)
class Pin:
    """
    A disc that no loop names, on a board with many of them: a point of a triangle where links may take current away.

    Attributes
    ----------
    terminal : int
    sheet, triangle : int
    place : (float, float)
        Metres.
    radius : float
    """

    terminal: int
    sheet: int
    triangle: int
    place: tuple[float, float]
    radius: float


@dataclass(frozen=True)
class Sheet:
    """
    A connected piece of copper as it is meshed for the page.

    Attributes
    ----------
    copper : int
    resistance : float
        Ohm per square.
    points : array of int, shape (n, 2), nanometres
    triangles : array of int, shape (m, 3)
        Counter-clockwise. Edge k runs from corner k to corner k + 1; its number is 3 times the triangle's plus k.
    rings : tuple of arrays of int
        Edges of every closed line of the border in their order, copper on the left; the outer one first.
    runs : tuple of arrays of int
        Port of each of those edges, -1 where it is insulated.
    drain : int
        Insulated edge of the outer line by which a current leaves that no port takes.
    regions, sections : tuples of (number, edges), sections with a sign per edge
    code : MeshCode
        What tells points and triangles.
    conductivity : array, shape (m,), or None
        Of every triangle, of that of bare copper, where discs and holes are not in the mesh.
    holes : array, shape (k, 3)
        Places and radii of holes that are not in the mesh, metres.
    """

    copper: int
    resistance: float
    points: Ints
    triangles: Ints
    rings: tuple[Ints, ...]
    runs: tuple[Ints, ...]
    drain: int
    regions: tuple[tuple[int, Ints], ...] = ()
    sections: tuple[tuple[int, Ints, Ints], ...] = ()
    code: MeshCode | None = None
    conductivity: Floats | None = None
    holes: Floats = field(default_factory=lambda: np.empty((0, 3)))
