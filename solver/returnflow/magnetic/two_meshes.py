"""
What two meshes lead to, the second made from the first by halving every edge, and what they leave uncertain.

Whatever field the first mesh can hold the second can hold too, and everything is refined alike. So errors of the
second are a part of what changes between the two: a third where errors go with the square of the edge, all where they
go with the edge. At the rims of copper and gaps it is between 0.5 and 0.9, under routes between 0.15 and 0.5; `MISSING`
leaves a fifth to a half of the error of the second mesh.

An error of a transfer is a sum over all places of the product of two fields' errors. Where it happens to be small in
the difference, places of both signs may have met there that are refined at different rates. At the rims errors fall
most slowly, so what may be missed then is a part of what those products sum up to at the rims, those of one
neighbourhood taken together and all neighbourhoods of one sign.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from returnflow.magnetic.quadtree import Quadtree
from returnflow_geometry.mesh.mesher import Mesh
from returnflow_geometry.mesh.triangulation import GRID

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# Measured on random boards against a third mesh, with four triangles for each of the second.
MISSING = 0.42  # of the difference is still missing from the finer mesh
MARGIN = 0.5  # of the difference is what that may be off
AT_RIMS = 0.75  # of the products of two fields' errors at the rims, summed up in every part of the copper
APART = 0.1  # of the root of the product of two loops' own errors, at most
PART = 1024  # triangles at most in a part
SAFE = 0.5  # of any resistance or inductance stands at least


def missing(fine: Floats, coarse: Floats) -> float:
    """How much of the difference of two positive matrices is added to the first, with `SAFE` of it left."""
    size = np.sqrt(np.maximum(np.diag(fine), np.finfo(float).tiny))
    scale = np.outer(size, size)
    # Loops that depend on each other leave nothing in some direction: what rounding leaves there means nothing.
    # Nor do faces of foil that two of them take with different signs: there the matrix is positive but nearly so.
    bare = fine / scale
    lifted = 1e-6 + 2 * max(0.0, -float(np.linalg.eigvalsh(bare)[0]) - 5e-7)
    whole = bare + lifted * np.eye(len(size))
    least = float(np.min(eigh((fine - coarse) / scale, whole, eigvals_only=True), initial=0.0))
    return min(MISSING, (1 - SAFE) / -least) if least < 0 else MISSING


def towards(fine: Floats, coarse: Floats) -> Floats:
    """What two positive matrices lead to; as positive as they are."""
    return fine + missing(fine, coarse) * (fine - coarse)


def neighbourhoods(corners: Floats, level: Ints) -> Ints:
    """
    Numbers of parts of the copper that triangles lie in, some hundred triangles each, shape (m,).

    Parameters
    ----------
    corners : array, shape (m, 3, 2), metres
    level : array, shape (m,)
    """
    tree = Quadtree.of(corners - corners.mean(axis=(0, 1)), PART, level if len(level) and np.ptp(level) else None)
    triangles, owner = tree.members(tree.leaves)
    number = np.empty(len(corners), dtype=np.int64)
    number[triangles] = np.unique(owner, return_inverse=True)[1]
    return number


def at_rims(mesh: Mesh, level: Ints) -> Bools:
    """Which triangles touch a rim of the copper with some corner, shape (m,); where contacts end is none."""
    # Copper outside and inside a contact has corners of its own in one place.
    places = np.column_stack([np.round(mesh.points[mesh.triangles.ravel()] / GRID), np.repeat(level, 3)])
    corner = np.unique(places.astype(np.int64), axis=0, return_inverse=True)[1].reshape(-1, 3)
    edges = np.sort(np.stack([corner, np.roll(corner, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    every, count = np.unique(edges, axis=0, return_counts=True)
    touching: Bools = np.sum(np.isin(corner, every[count == 1]), axis=1) > 0
    return touching


def overlap(fine: NDArray[Any], coarse: NDArray[Any], areas: Floats, part: Ints, rim: Bools) -> Floats:
    """
    How far the errors of two loops' fields meet at rims, shape (loops, loops): 0 nowhere, 1 alike and nowhere else.

    What is of both signs within one part of the copper is refined alike there, and cancels; between parts it does not.

    Parameters
    ----------
    fine, coarse : arrays, shape (2, m, loops) and (2, m / 4, loops)
        Sheet currents on both meshes.
    areas : array, shape (m,)
        Of the triangles of the finer mesh.
    part : array, shape (m,)
        Part of the copper that each lies in, see `neighbourhoods`.
    rim : array of bool, shape (m,)
        Whether each is one at a rim.
    """
    error = fine - np.repeat(coarse, 4, axis=1)
    # What a difference of currents induces goes with its extent.
    error = error * (areas**0.75)[:, None]
    own = np.maximum(np.linalg.norm(error, axis=(0, 1)), np.sqrt(np.finfo(float).tiny))
    products = np.zeros((error.shape[2], error.shape[2]))
    some = np.flatnonzero(rim)
    some = some[np.argsort(part[some], kind="stable")]
    for rows in np.split(some, np.flatnonzero(np.diff(part[some])) + 1):
        x, y = error[0, rows], error[1, rows]
        products += np.abs(x.T @ x + y.T @ y)
    met: Floats = products / np.outer(own, own)
    return met


def half_widths(difference: Floats, overlap: Floats) -> Floats:
    """
    Half-widths of what two meshes lead to, from the magnitudes of their difference, shape (loops, loops).

    `overlap` as the function of that name gives it.
    """
    own = np.sqrt(np.diag(difference))
    half: Floats = MARGIN * difference + np.minimum(AT_RIMS * overlap, APART) * np.outer(own, own)
    return half
