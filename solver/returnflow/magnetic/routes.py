"""Outgoing conductors of a case: their heights over each copper, and which copper each of them faces."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from shapely import LineString

from returnflow.magnetic.traces import Route
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.checks.gaps import crossed_gaps
from returnflow_geometry.model.board import Case, Outgoing


def elevations(case: Case, coppers: Collection[str]) -> dict[str, float]:
    """
    Elevation of every layer in metres, upwards from the lowest, where coppers and routes have no thickness.

    So distances are those of facing surfaces, where the currents flow that matter, and they add up: a plane between
    two routes shields them. What is between the faces of foil is in its impedances. Bare layers keep their thickness.
    """
    board = case.board
    bare = {board.copper(name).layer for name in coppers} | {
        leg.layer for loop in case.loops if loop.route for leg in (loop.route, *loop.route.legs)
    }
    result, here = {}, 0.0
    for layer in reversed(board.layers):
        thickness = 0.0 if layer.name in bare else layer.thickness
        result[layer.name] = here + (layer.below or 0.0) + 0.5 * thickness
        here += (layer.below or 0.0) + thickness
    return result


def routes_of(case: Case, copper: str, coppers: Collection[str] | None = None) -> list[Route | None]:
    """Outgoing conductor of every loop over a copper, None where there is none; among `coppers` that are solved."""
    board = case.board
    at = elevations(case, coppers or [copper])
    routes: list[Route | None] = []
    for loop in case.loops:
        if loop.route is None:
            routes.append(None)
            continue
        routes.append(_over(loop.route, case, at, at[board.copper(copper).layer]))
    return routes


def _over(route: Outgoing, case: Case, at: dict[str, float], level: float) -> Route:
    """Outgoing conductor, with its height over a level."""
    legs = tuple(_over(leg, case, at, level) for leg in route.legs)
    thickness = case.board.layer(route.layer).thickness
    return Route(np.array(route.path), at[route.layer] - level, route.width, thickness, legs)


@dataclass(frozen=True)
class Faced:
    """Outgoing conductor of a loop, with its height over the copper it faces; and that copper, its cutouts crossed."""

    route: Route | None
    copper: int
    gaps: tuple[str, ...] = ()


def faced(case: Case, conductors: Conductors) -> list[Faced]:
    """
    Which copper the outgoing conductor of every loop faces.

    The nearest that lies under half of its length at least; else the one that the loop is injected into.
    """
    over = [routes_of(case, name, conductors.names) for name in conductors.names]
    crossed = [crossed_gaps(case, name) for name in conductors.names]
    result = []
    for j, loop in enumerate(case.loops):
        own = int(conductors.copper_of_contact[conductors.number[loop.inject]])
        if loop.route is None:
            result.append(Faced(None, own))
            continue
        line = LineString(loop.route.path)
        heights = [abs(routes[j].height) if routes[j] else np.inf for routes in over]  # type: ignore[union-attr]
        drawn = [case.board.copper(name).shape for name in conductors.names]
        under = [n for n, h in enumerate(heights) if h > 0 and line.intersection(drawn[n]).length > 0.5 * line.length]
        best = min(under, key=lambda n: heights[n], default=own)
        result.append(Faced(over[best][j], best, crossed[best][j]))
    return result
