"""What is drawn for a route that crosses gaps: the shortest way round over copper, or copper across under it."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from shapely import LineString, MultiPolygon, Point, Polygon

from returnflow.advice.drawn import CLEARANCE, Trial, bare
from returnflow.advice.trials import is_gap
from returnflow.answers.result import Result
from returnflow_geometry.checks.gaps import filled
from returnflow_geometry.model.board import Bridge, Case, Loop, Outgoing, Shape
from returnflow_geometry.model.numbers import millimetres
from returnflow_geometry.model.wording import listed, named

Place = tuple[float, float]

HEIGHTS = 3.0  # that a route keeps off edges of the copper, half its width aside: most of its return then has copper
LEAST = 0.5e-3  # m, that it keeps off them at least, and that the places tried are apart
MOST_PLACES = 400_000
BRIDGE = 3e-3  # m, least width of copper across a gap
OVERLAP = 0.5e-3  # m of it on either side of the gap
MOST_LONGER = 4.0  # times the straight way between its ends: what is longer costs more than the gap


class _Grid(NamedTuple):
    places: NDArray[np.float64]  # (n, 2), those that are free
    joined: csr_array  # (n, n), metres from each to its free neighbours


def led_round(lead: Loop, base: Result) -> dict[str, Trial]:
    """
    A noisy current's trace led round the gaps that it crosses as drawn; nothing where it crosses none, or cannot.

    Parameters
    ----------
    lead : Loop
    base : Result
        The case as drawn.
    """
    item, route = base.facing[base.index(lead.name)], lead.route
    if route is None or item.route is None or not item.gaps:
        return {}
    legs, heights = route.legs or (route,), item.route.legs or (item.route,)
    on = base.conductors.names[item.copper]
    gaps = shapely.union_all([it.shape for it in base.case.board.cutouts if it.copper == on and it.name in item.gaps])
    led = []
    for leg, over in zip(legs, heights, strict=True):
        path: tuple[Place, ...] | None = leg.path
        if len(legs) == 1 or LineString(leg.path).intersects(gaps):
            clear = max(LEAST, HEIGHTS * abs(over.height) + 0.5 * leg.width)
            free = _free(base.case, lead, leg, filled(base.conductors.planes[item.copper].copper, 2 * clear), clear)
            path = shortest(free, leg.path[0], leg.path[-1], LEAST)
        if path is None:
            return {}
        led.append(replace(leg, path=path))
    there = replace(lead, route=Outgoing.chain(led))
    long, now = sum(LineString(leg.path).length for leg in led), LineString(route.path).length
    if long > MOST_LONGER * Point(route.path[0]).distance(Point(route.path[-1])):
        return {}
    loops = tuple(there if loop.name == lead.name else loop for loop in base.case.loops)
    names = listed(item.gaps, "and")
    change = (
        f"The trace of {named(lead.name)} is led round {names} instead of across: {millimetres(long)} long instead of "
        f"{millimetres(now)}."
    )
    drawn = bare(base.case, base.case.board, loops)
    return {f"{named(lead.name)} led round {names}": Trial(case=drawn, changes=(change,))}


def bridged(lead: Loop, base: Result) -> dict[str, Trial]:
    """
    Copper across the gaps under a noisy current's trace, as wide as its return; nothing where it crosses none.

    Parameters
    ----------
    lead : Loop
    base : Result
        The case as drawn.
    """
    item, board = base.facing[base.index(lead.name)], base.case.board
    if lead.route is None or item.route is None or not item.gaps:
        return {}
    on = base.conductors.names[item.copper]
    gaps = [it.shape for it in board.cutouts if it.copper == on and it.name in item.gaps and is_gap(it)]
    width = max(BRIDGE, 2 * HEIGHTS * abs(item.route.height) + lead.route.width)
    across = shapely.intersection(LineString(lead.route.path), shapely.union_all(gaps).buffer(OVERLAP))
    strip = shapely.buffer(across, 0.5 * width, cap_style="flat")
    # Over what is copper or gap, and nothing else: antipads stay open, and other copper keeps its distance.
    layer = next((it.layer for it in board.coppers if it.name == on), "")
    kept = [it.shape for it in board.cutouts if it.copper == on and it.name not in item.gaps]
    kept += [board.remaining(it.name).buffer(CLEARANCE) for it in board.coppers if it.layer == layer and it.name != on]
    ground = shapely.union_all([board.remaining(on), *gaps])
    shape = shapely.difference(shapely.intersection(strip, ground), shapely.union_all(kept))
    if shape.is_empty or not isinstance(shape, Polygon | MultiPolygon):
        return {}
    names = listed(item.gaps, "and")
    bridge = Bridge(name=f"drawn bridge under {lead.name}", copper=on, shape=shape)
    change = f"Under the trace of {named(lead.name)} {millimetres(width)} of copper bridge {names}."
    drawn = bare(base.case, replace(board, bridges=(*board.bridges, bridge)))
    title = f"a bridge of {millimetres(width)} across {names} under {named(lead.name)}"
    return {title: Trial(case=drawn, changes=(change,))}


def _free(case: Case, lead: Loop, route: Outgoing, copper: Shape, clear: float) -> Shape:
    """Where the middle of a leg of a route may run: over copper, off its edges, and off what else is on its layer."""
    board = case.board
    away = 0.5 * route.width + CLEARANCE
    taken = [board.remaining(item.name).buffer(away) for item in board.coppers if item.layer == route.layer]
    taken += [
        LineString(leg.path).buffer(away + 0.5 * leg.width)
        for loop in case.loops
        if loop.route is not None
        for leg in loop.route.legs or (loop.route,)
        if leg.layer == route.layer and (loop.name != lead.name or (loop.route.legs and leg != route))
    ]
    # At its ends it is where it is, with whatever else ends there.
    ends = shapely.intersection(shapely.MultiPoint([route.path[0], route.path[-1]]).buffer(2 * clear), copper)
    free: Shape = shapely.union(shapely.difference(copper.buffer(-clear), shapely.union_all(taken)), ends)
    return free


def shortest(free: Shape, start: Place, end: Place, step: float) -> tuple[Place, ...] | None:
    """
    Shortest way inside a shape, along straight lines; None if there is none.

    Parameters
    ----------
    free : shape
    start, end : (float, float), metres
    step : float
        Distance of the places that are tried, metres.

    Examples
    --------
    >>> free = shapely.box(0, 0, 10, 10).difference(shapely.box(4, -1, 6, 8))
    >>> round(LineString(shortest(free, (1, 1), (9, 1), 0.5)).length, 1)
    17.2
    """
    x0, y0, x1, y1 = free.bounds if not free.is_empty else (0.0, 0.0, 0.0, 0.0)
    step = max(step, float(np.sqrt((x1 - x0) * (y1 - y0) / MOST_PLACES)))
    grid = _grid(free, step)
    ends = [np.flatnonzero(np.hypot(*(grid.places - each).T) <= 1.5 * step) for each in (start, end)]
    if not len(ends[0]) or not len(ends[1]):
        return None
    first, last = (
        some[np.argmin(np.hypot(*(grid.places[some] - at).T))] for some, at in zip(ends, (start, end), strict=True)
    )
    away, before = dijkstra(grid.joined, indices=int(first), return_predecessors=True)
    if not np.isfinite(away[last]):
        return None
    way = [int(last)]
    while way[-1] != first:
        way.append(int(before[way[-1]]))
    points = [start, *((round(x, 5), round(y, 5)) for x, y in grid.places[way[::-1]].tolist()), end]
    # Straight on to the farthest place that is in sight.
    shapely.prepare(free)
    path = [0]
    while path[-1] < len(points) - 1:
        here = path[-1]
        ahead = range(len(points) - 1, here, -1)
        seen = (n for n in ahead if n == here + 1 or free.covers(LineString([points[here], points[n]])))
        path.append(next(seen))
    return tuple(points[n] for n in path)


def _grid(free: Shape, step: float) -> _Grid:
    """Places of a square grid inside a shape, each joined to its eight neighbours."""
    x0, y0, x1, y1 = free.bounds if not free.is_empty else (0.0, 0.0, 0.0, 0.0)
    xs, ys = np.arange(x0, x1 + step, step), np.arange(y0, y1 + step, step)
    x, y = np.meshgrid(xs, ys, indexing="ij")
    inside = shapely.intersects_xy(free, x, y)
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(int(inside.sum()))
    rows, columns, lengths = [], [], []
    for i, j in ((0, 1), (1, 0), (1, 1), (1, -1)):
        one = number[: len(xs) - i, max(0, -j) : len(ys) - max(0, j)]
        other = number[i:, max(0, j) : len(ys) - max(0, -j)]
        both = (one >= 0) & (other >= 0)
        if i and j:  # not past a corner
            both &= number[i:, max(0, -j) : len(ys) - max(0, j)] >= 0
            both &= number[: len(xs) - i, max(0, j) : len(ys) - max(0, -j)] >= 0
        rows += [one[both], other[both]]
        columns += [other[both], one[both]]
        lengths += [np.full(2 * int(both.sum()), step * np.hypot(i, j))]
    shape = (int(inside.sum()),) * 2
    joined = csr_array((np.concatenate(lengths), (np.concatenate(rows), np.concatenate(columns))), shape=shape)
    return _Grid(np.column_stack([x[inside], y[inside]]), joined)
