"""
What one mesh alone leaves uncertain of impedances, told by how uneven its currents are from triangle to triangle.

Sheet currents are even within a triangle. Where the true ones change, theirs jump from one triangle to the next, and
what they are off goes with how far each is from the mean of its neighbours (averages that are smoother than the
field they are of: Zienkiewicz and Zhu, Int. J. Numer. Meth. Eng. 24 (1987) 337). Two loops' currents that are uneven in
one place may be off together there, and then their transfer is. Of a doubt from two meshes this has the size, not the
sign: it is three to ten times as wide, and costs nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0

from returnflow_geometry.mesh.mesher import Mesh

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LOOK = 0.05  # accuracy asked for from which on one mesh is enough

# Measured on random boards against what this mesh and one with edges of half the length lead to.
OWN = 0.6  # of a loop's unevenness, what its own impedance may be off
OWN_RESISTIVE = 2.0  # and so much more where that is resistive: errors are not of second order there
OTHER, OTHER_RESISTIVE = 1.2, 3.0  # the same of transfers


def uneven(mesh: Mesh, current: NDArray[Any], part: Ints) -> Floats:
    """
    How uneven two loops' currents are in the same places, henry, shape (loops, loops).

    What is of both signs within one part of the copper cancels; between parts it does not.

    Parameters
    ----------
    mesh : Mesh
    current : array, shape (2, m, loops)
        Sheet currents.
    part : array, shape (m,)
        Part of the copper that each triangle lies in.

    Notes
    -----
    An even current is not uneven, however coarse the mesh; one that changes steadily is as the fifth power of the edge
    for every triangle, which is as the third for the whole of a given copper.
    """
    triangles, areas = mesh.triangles, mesh.areas
    count = len(mesh.points)
    around = np.bincount(triangles.ravel(), np.repeat(areas, 3), count)
    off = np.empty_like(current)
    for c, j in np.ndindex(2, current.shape[2]):
        weighted = np.repeat(areas * current[c, :, j], 3)
        sums = np.bincount(triangles.ravel(), weighted.real, count) + 0j
        if np.iscomplexobj(weighted):
            sums += 1j * np.bincount(triangles.ravel(), weighted.imag, count)
        smooth = (sums / np.where(around > 0, around, 1.0))[triangles].mean(axis=1)
        off[c, :, j] = current[c, :, j] - (smooth if np.iscomplexobj(current) else smooth.real)
    # What a difference of currents induces goes with its extent.
    off = off * (areas**0.75)[:, None]
    products = np.zeros((current.shape[2],) * 2)
    order = np.argsort(part, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(part[order])) + 1):
        x, y = off[:, rows]
        products += np.abs(x.T @ x.conj() + y.T @ y.conj())
    met: Floats = mu_0 * products
    return met


def half_widths(reactance: Floats, impedance: NDArray[Any]) -> Floats:
    """
    Half-widths of the impedances on one mesh, ohm, shape (..., loops, loops).

    Parameters
    ----------
    reactance : array, shape (..., loops, loops)
        Of what `uneven` gives.
    impedance : array, shape (..., loops, loops)
        On that mesh.
    """
    own = np.einsum("...ii->...i", impedance)
    resistive = np.abs(own.real) / np.maximum(np.abs(own), np.finfo(float).tiny)
    both = np.sqrt(resistive[..., :, None] * resistive[..., None, :])
    diagonal = np.eye(impedance.shape[-1])
    factor = OTHER + OTHER_RESISTIVE * both
    factor += diagonal * (OWN - OTHER + (OWN_RESISTIVE - OTHER_RESISTIVE) * both)
    half: Floats = factor * reactance
    return half
