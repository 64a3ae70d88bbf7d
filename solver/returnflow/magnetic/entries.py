"""Where currents enter copper and what routes run over, for what is small and far from both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from returnflow.magnetic.routes import elevations
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

NEAR = 3.0  # heights round those places within which every via is by itself
LEAST = 1e-3  # m, the same at least
SPREAD = 10e-3  # m; currents are taken to enter and leave copper as far apart at least


@dataclass(frozen=True)
class Entries:
    """Where every loop's current enters copper, and what its route runs over."""

    places: tuple[tuple[shapely.Geometry, shapely.Geometry], ...]
    routes: tuple[tuple[tuple[shapely.Geometry, float], ...], ...]  # lines and heights
    inductance: Floats  # (loops,), henry; about, rather low
    height: float  # usual distance of what faces each other

    @classmethod
    def of(cls, case: Case, conductors: Conductors) -> Entries:
        """Of the loops of a case."""
        board, at = case.board, elevations(case, conductors.names)
        levels = sorted({at[board.copper(name).layer] for name in conductors.names})
        height = float(np.median(np.diff(levels))) if len(levels) > 1 else 0.2e-3
        places, routes, inductance = [], [], []
        for loop in case.loops:
            ends = [board.terminal(end) for end in (loop.inject, loop.return_)]
            places.append((ends[0].shape, ends[1].shape))
            mine = []
            for leg in (loop.route.legs or (loop.route,)) if loop.route else ():
                heights = [abs(at[leg.layer] - level) for level in levels if level != at[leg.layer]]
                mine.append((LineString(leg.path), min(heights, default=height)))
            routes.append(tuple(mine))
            if mine:
                length = sum(line.length for line, _ in mine)
            elif ends[0].copper == ends[1].copper:
                length = float(shapely.distance(ends[0].shape, ends[1].shape))
            else:
                length = abs(at[board.copper(ends[0].copper).layer] - at[board.copper(ends[1].copper).layer])
            inductance.append(MU0 / (2 * np.pi) * max(length, 1e-4))
        return cls(tuple(places), tuple(routes), np.array(inductance), height)

    def distance(self, shapes: NDArray[np.object_], coarser: float) -> Floats:
        """Of shapes from all places and routes, metres; less what counts as near, which is smaller by `coarser`."""
        result = np.full(len(shapes), np.inf)
        ways = {(place, self.height) for each in self.places for place in each} | {
            w for each in self.routes for w in each
        }
        for shape, height in ways:
            near = max(NEAR * height, LEAST) / coarser
            result = np.minimum(result, shapely.distance(shapes, shape) - near)
        return result

    def density(self, shapes: NDArray[np.object_]) -> Floats:
        """Sheet current about shapes per ampere of every loop, (loops, shapes), A/m; rather high."""
        result = np.zeros((len(self.places), len(shapes)))
        for loop, ((one, other), routes) in enumerate(zip(self.places, self.routes, strict=True)):
            # What enters a sheet at one place and leaves it at another: in the plane s / (2 pi r r').
            between = max(float(shapely.distance(one.centroid, other.centroid)), SPREAD)
            away = [shapely.distance(shapes, end) + np.sqrt(end.area / np.pi) for end in (one, other)]
            result[loop] = np.minimum(between / away[0] / away[1], 1 / away[0] + 1 / away[1]) / (2 * np.pi)
            for line, height in routes:
                result[loop] += height / (np.pi * (height**2 + shapely.distance(shapes, line) ** 2))
        return result
