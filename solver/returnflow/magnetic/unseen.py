"""What copper that the magnetic mesh leaves out would change: an estimate from the field at it."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.magnetic.equations import System
from returnflow.magnetic.routes import routes_of
from returnflow.magnetic.traces import vector_potential
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

SAMPLES = 200  # places on a copper, about
DISC = 4 / (3 * np.pi)  # radii: what a disc in a uniform field counts as, textbook: its moment is 8 a^3 B/(3 mu0)


def unseen(case: Case, system: System) -> dict[str, float]:
    """
    Part of a loop's inductance that eddy currents in each copper left out could take away at most, by its name.

    Copper that expels a field of B normal to it takes the energy of 2/mu0 times the integral of B^2 times a length:
    the distance of what causes the field, or 4/(3 pi) radii of a small copper. Estimated with the field of the
    resistive pattern, which is the widest: the largest part of all loops counts.
    """
    conductors = Conductors.magnetic(case)
    return {name: _part(case, conductors, system, name) for name in conductors.left_out}


def _part(case: Case, conductors: Conductors, system: System, name: str) -> float:
    shape, board = case.board.remaining(name), case.board
    places = _places(shape)
    mesh, level = system.space.mesh, system.stack.level
    copper_of_level = [int(np.flatnonzero(conductors.levels[0] == n)[0]) for n in range(len(conductors.levels[1]))]
    heights = np.array([board.height(board.copper(conductors.names[n]).layer, name) for n in copper_of_level])[level]
    sources = mesh.points[mesh.triangles].mean(axis=1)
    moved = np.moveaxis(system.currents * mesh.areas[:, None], 1, 2)  # (2, loops, m)
    field, nearest = [], []
    for place in places:
        x, y = (place - sources).T
        away = np.sqrt(x**2 + y**2 + heights**2)
        field.append(MU0 / (4 * np.pi) * (moved[0] @ (y / away**3) - moved[1] @ (x / away**3)))
        nearest.append(away.min())
    B, reach = np.array(field), np.array(nearest)
    step = 1e-3 * float(reach.min())
    for j, route in enumerate(routes_of(case, name)):
        if route is not None:
            line = shapely.linestrings(route.path)
            reach = np.minimum(reach, np.hypot(shapely.distance(line, shapely.points(places)), route.height))
            ahead, behind = ([vector_potential(route, places + s * step * e) for e in np.eye(2)] for s in (1, -1))
            B[:, j] += ((ahead[0] - behind[0])[:, 1] - (ahead[1] - behind[1])[:, 0]) / (2 * step)
    length = np.minimum(reach, DISC * np.sqrt(shape.area / np.pi))
    taken = 2 / MU0 * (length @ B**2) * shape.area / len(places)
    return float(np.max(taken / np.abs(np.diag(system.inductance))))


def _places(shape: shapely.Geometry) -> Floats:
    """Places spread evenly over a shape."""
    x0, y0, x1, y1 = shape.bounds
    step = float(np.sqrt(shape.area / SAMPLES))
    grid = [low + (np.arange(max(1, int((high - low) / step))) + 0.5) * (high - low) / max(1, int((high - low) / step))
            for low, high in ((x0, x1), (y0, y1))]  # fmt: skip
    x, y = (part.ravel() for part in np.meshgrid(*grid))
    inside = shapely.contains_xy(shape, x, y)
    if not inside.any():
        x, y = shapely.get_coordinates(shapely.point_on_surface(shape)).T
        inside = np.ones(1, dtype=bool)
    places: Floats = np.column_stack([x, y])[inside]
    return places
