"""Outgoing conductors of loops: their paths, whether they lead from contact to contact, and their heights."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import shapely
from shapely import LineString

from returnflow_geometry.keys.drawn_shapes import Point, distinct, read_points
from returnflow_geometry.keys.reading import Spot
from returnflow_geometry.model.board import GRID, Board, Case, Copper, Loop, Outgoing, Shape, Terminal
from returnflow_geometry.model.numbers import MM, mm, place, square_millimetres
from returnflow_geometry.model.overlay import difference, intersection, union_all
from returnflow_geometry.model.wording import label, listed

WIDTH = 0.2e-3  # m, where the file gives none
MAX_WIDTH = 50.0  # mm: wider is a plane
LEAD = 2e-3  # m: an end of a path as near to its contact is led there
TOUCHES = 1e-6  # m: an end as near to its contact lies in it
LEAST_AREA = 1e-12  # m2: a square micrometre
PASSED = 0.1  # of a leg: what it passes over less of it is not told
STRAIGHT = 1e-6  # rad: a bend back as near to 180 degrees lies on itself


def read_route_path(spot: Spot, value: object) -> tuple[Point, ...] | None:
    """Read a path of two or more points in mm that may cross itself but not fold back; return metres."""
    points = read_points(spot, value, 2)
    if points is None or not distinct(spot, points, closed=False):
        return None
    k = fold(points)
    if k is not None:
        given = f"folds back on itself at point {k + 1}, {place(*points[k])}"
        spot.wrong(given, "a conductor cannot lie on itself", "leave out that point, or route the way back beside it")
        return None
    return tuple(points)


def fold(path: Sequence[Point]) -> int | None:
    """
    Index of the first point at which a path turns back on itself; None if it does so nowhere.

    Examples
    --------
    >>> fold([(0, 0), (2, 0), (1, 0)]), fold([(0, 0), (2, 0), (1, 0.1)])
    (1, None)
    """
    for k in range(1, len(path) - 1):
        (ax, ay), (bx, by), (cx, cy) = path[k - 1 : k + 2]
        ux, uy, vx, vy = bx - ax, by - ay, cx - bx, cy - by
        if ux * vx + uy * vy < 0 and abs(ux * vy - uy * vx) <= STRAIGHT * math.hypot(ux, uy) * math.hypot(vx, vy):
            return k
    return None


def build_route(spot: Spot, values: Mapping[str, Any]) -> Outgoing:  # noqa: ARG001  one signature for all
    """Outgoing conductor of the keys of its table."""
    return Outgoing(layer=values["layer"], path=values["path"], width=values.get("width_mm", WIDTH))


def build_legs(spot: Spot, legs: Sequence[Outgoing]) -> Outgoing | None:
    """Outgoing conductor that changes layers: where one leg ends the next begins."""
    for k, (one, other) in enumerate(itertools.pairwise(legs), start=1):
        gap = math.dist(one.path[-1], other.path[0])
        if gap > TOUCHES:
            given = f"starts at {place(*other.path[0])}, {MM * gap:.3g} mm from the end of number {k}"
            spot.within(f" number {k + 1}").wrong(
                given, "each leg begins where the one before ends, at a via", "correct one of them"
            )
            return None
    return Outgoing.chain(legs)


def lead_to_contacts(case: Case) -> tuple[Case, list[str]]:
    """
    Lead each end of a route that lies beside its contact, not in it, to the contact by a straight piece.

    Parameters
    ----------
    case : Case
        Routes that run the wrong way round or end elsewhere are left as they are.

    Returns
    -------
    case : Case
    assumptions : list of str
        One sentence per end.
    """
    assumptions: list[str] = []
    loops = []
    for loop in case.loops:
        inject, return_ = _terminals(case.board, loop) if loop.route else (None, None)
        if loop.route is None or inject is None or return_ is None:
            loops.append(loop)
            continue
        path = list(loop.route.path)
        if not _runs_backwards(path, inject, return_):
            start, end = _lead(path[0], return_), _lead(path[-1], inject)
            for verb, at, lead, terminal in (("starts", path[0], start, return_), ("ends", path[-1], end, inject)):
                if lead is not None:
                    assumptions.append(
                        f"{label('Loop', loop.name)}: its route {verb} at {place(*at)}, beside the contact of terminal "
                        f"{listed([terminal.name])}: a straight piece of {MM * math.dist(at, lead):.3g} mm to "
                        f"{place(*lead)} is added."
                    )
            loop = dataclasses.replace(  # noqa: PLW2901
                loop, route=loop.route.led([start] if start else [], [end] if end else [])
            )
        loops.append(loop)
    return dataclasses.replace(case, loops=tuple(loops)), assumptions


def _terminals(board: Board, loop: Loop) -> tuple[Terminal | None, Terminal | None]:
    """Terminals at inject and return; None for one that could not be read."""
    known = {terminal.name: terminal for terminal in board.terminals}
    return known.get(loop.inject), known.get(loop.return_)


def _away(point: Point, terminal: Terminal) -> float:
    return float(shapely.distance(terminal.shape, shapely.Point(point)))


def _runs_backwards(path: Sequence[Point], inject: Terminal, return_: Terminal) -> bool:
    """Tell whether the path fits its contacts better the other way round."""
    forward = (_away(path[0], return_), _away(path[-1], inject))
    backward = (_away(path[0], inject), _away(path[-1], return_))
    return max(backward) <= LEAD and (max(forward) > LEAD or sum(backward) < sum(forward))


def _lead(end: Point, terminal: Terminal) -> Point | None:
    """Where to lead the end of a path; None if it lies in the contact, or too far away."""
    if not TOUCHES < _away(end, terminal) <= LEAD:
        return None
    centre = shapely.Point(terminal.centre)
    corners = shapely.points(shapely.get_coordinates(terminal.shape))
    if terminal.shape.contains(centre) and shapely.distance(corners, centre).max() <= LEAD:
        return terminal.centre
    # A large contact is at one potential: the way to its edge is what there is of a conductor.
    x, y = shapely.shortest_line(terminal.shape, shapely.Point(end)).coords[0]
    return (float(x), float(y))


def route_mistakes(
    board: Board, loop: Loop, good: Collection[str], left: Mapping[str, Shape]
) -> Iterator[tuple[str, str, str, str]]:
    """
    Mistakes of a loop's route: which key, what was found, the rule, what to do.

    Parameters
    ----------
    board : Board
    loop : Loop
    good : collection of str
        Terminals that touch copper; others are reported already.
    left : mapping of str to Polygon or MultiPolygon
        What is left of each copper, in metres.
    """
    if loop.route is None:
        return
    inject, return_ = _terminals(board, loop)
    where = label("loop", loop.name)
    ends = [terminal for terminal in (inject, return_) if terminal]
    for leg in loop.route.legs or [loop.route]:
        yield from _short_mistakes(where, board, leg, ends, left)
    where, path = f"{where}: route.path", loop.route.path
    k = fold(path)
    if k is not None:
        yield (
            where,
            f"folds back on itself at {place(*path[k])}, with the straight pieces to its contacts",
            "a conductor cannot lie on itself",
            "let the path start and end in the contacts",
        )
    off = _off_board(board, path)
    # An end that lies in a bad contact is off the board with it.
    ends_there = ((return_, path[0]), (inject, path[-1]))
    if off and not any(end and end.name not in good and _away(at, end) <= LEAD for end, at in ends_there):
        yield where, off, "an outgoing conductor must lie on the board", "route it inside the outline"
    if inject and return_ and {inject.name, return_.name} <= set(good):
        yield from _end_mistakes(where, path, inject, return_)


def _short_mistakes(
    where: str, board: Board, route: Outgoing, ends: Sequence[Terminal], left: Mapping[str, Shape]
) -> Iterator[tuple[str, str, str, str]]:
    """Copper on the route's own layer that it overlaps, other than at its ends."""
    here = [copper for copper in board.coppers if copper.layer == route.layer and copper.name in left]
    if not here:
        return
    drawn = LineString(route.path).buffer(route.width / 2, cap_style="flat", join_style="mitre")
    # The conductor ends in the contacts of its terminals, and may be wider than they are.
    reached = union_all([terminal.shape for terminal in ends]).buffer(route.width + GRID)
    drawn = difference(drawn, reached)
    for copper in here:
        common = intersection(drawn, left[copper.name])
        if not common.area > LEAST_AREA:
            continue
        point = common.representative_point()
        over = f"over {square_millimetres(common.area)}, such as at {place(point.x, point.y)},"
        if copper.name in {terminal.copper for terminal in ends}:
            yield (
                f"{where}: route.layer",
                f"is {listed([route.layer])}, the layer of the copper {listed([copper.name])}",
                f"{over} the outgoing conductor would lie in the plane it returns in",
                "name another layer, or keep it clear of that copper but for its ends",
            )
        else:
            yield (
                f"{where}: route.path",
                f"lies on the copper {listed([copper.name])} of its own layer {listed([route.layer])}",
                f"{over} they would be shorted",
                "route it beside that copper, take the copper away there by a [[cutout]], or name another layer",
            )


def _off_board(board: Board, path: Sequence[Point]) -> str:
    """Where a path leaves the board's outline; empty if it does not."""
    if board.outline.is_empty:  # could not be read, and is reported
        return ""
    outside = difference(LineString(path), shapely.buffer(board.outline, GRID, quad_segs=1))
    if not outside.length > GRID:
        return ""
    corners = shapely.points(shapely.get_coordinates(outside))
    reach = shapely.distance(board.outline, corners)
    worst = corners[int(reach.argmax())]
    return f"leaves the board's outline, by up to {MM * reach.max():.3g} mm at {place(worst.x, worst.y)}"


def _end_mistakes(
    where: str, path: Sequence[Point], inject: Terminal, return_: Terminal
) -> Iterator[tuple[str, str, str, str]]:
    if _runs_backwards(path, inject, return_):
        given = f"runs the wrong way round, from {place(*path[0])} to {place(*path[-1])}"
        rule = f"it leads from the return end, {_end(return_)}, to the inject end, {_end(inject)}"
        yield where, given, rule, "reverse its points, or swap inject and return"
        return
    for verb, at, end, terminal in (("starts", path[0], "return", return_), ("ends", path[-1], "inject", inject)):
        away = _away(at, terminal)
        if away > LEAD:
            given = f"{verb} at {place(*at)}, {MM * away:.3g} mm from the contact of {_end(terminal)}"
            rule = f"it {verb} at the {end} end, in the contact there or at most {mm(LEAD)} mm beside it"
            yield where, given, rule, "move that end, or name the terminal that is meant"


def _end(terminal: Terminal) -> str:
    return f"{label('terminal', terminal.name)} at {place(*terminal.centre)}"


def route_assumptions(board: Board, loop: Loop) -> list[str]:
    """
    Sentence about the heights of a loop's route over the coppers of its ends, leg by leg, if all layers are known.

    Other coppers that are nearer are named first: they are what the conductor faces along some of its way.
    """
    if loop.route is None:
        return []
    layers = {layer.name for layer in board.layers}
    coppers = {copper.name: copper for copper in board.coppers if copper.layer in layers}
    ends = [name for name in dict.fromkeys(end.copper for end in _terminals(board, loop) if end) if name in coppers]
    legs = loop.route.legs or (loop.route,)
    if not ends or not layers.issuperset(leg.layer for leg in legs):
        return []
    told: dict[tuple[str, str], float] = {}
    for leg in legs:
        key = (leg.layer, " and ".join(_heights(board, leg, ends, coppers)))
        told[key] = told.get(key, 0.0) + leg.length
    where = [text for _, text in told]
    if loop.route.legs:
        where = [f"{MM * long:.3g} mm on {listed([layer])}, {text}" for (layer, text), long in told.items()]
    apart = any(board.height(leg.layer, name) for leg in legs for name in ends)
    surfaces = " (between facing surfaces)" if apart else ""
    return [f"{label('Loop', loop.name)}: its outgoing conductor runs {'; '.join(where)}{surfaces}."]


def _heights(board: Board, leg: Outgoing, ends: Sequence[str], coppers: Mapping[str, Copper]) -> list[str]:
    """Heights of a leg over what it faces: coppers nearer than those of its loop's ends, and these."""
    heights = {name: board.height(leg.layer, name) for name in coppers}
    least = min(abs(heights[name]) for name in ends)
    nearer = [n for n in sorted(coppers, key=lambda n: abs(heights[n])) if 0 < abs(heights[n]) < least]
    left, found = LineString(leg.path), []
    for name in nearer:
        rest = difference(left, coppers[name].shape)
        along = left.length - rest.length
        if along > PASSED * leg.length:
            all_of_it = "" if along > (1 - PASSED) * leg.length else f" along {MM * along:.3g} mm"
            found.append(f"{_height(heights[name], name)}{all_of_it}")
            left = rest
    return [*found, *(_height(heights[name], name) for name in ends)]


def _height(height: float, copper: str) -> str:
    if not height:
        return f"beside the copper {listed([copper])}, on its layer"
    return f"{mm(abs(height))} mm {'over' if height > 0 else 'under'} the copper {listed([copper])}"
