"""Boards that nobody drew and that prove an option: a pin moved, a return of its own beside the signal, a joint."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import dist

import shapely
from shapely import LineString, Point
from shapely.affinity import translate

from returnflow_geometry.keys.outgoing import lead_to_contacts
from returnflow_geometry.model.board import Board, Case, Copper, Link, Loop, Outgoing, Terminal
from returnflow_geometry.model.shapes import circle, slot

RETURN_WIDTH = 0.3e-3  # m, of a dedicated return that nobody has drawn yet
CLEARANCE = 0.15e-3  # m, between a signal's trace and the return beside it
JOINT = 0.25e-3  # m, diameter of the vias at the ends of such a return
WIDE_JOINT = 0.8  # of its width, what vias at the ends of a wider return take up
JOINT_OHM = 0.5e-3  # ohm of one via; common practice, no source
HAIR = 1e-6  # m
HAIRPIN = 1.5  # times the straight way, more than round a corner: a trace that is led elsewhere does not turn back


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A board that nobody drew: its case, and in plain words what was changed for it."""

    case: Case
    changes: tuple[str, ...]


def bare(case: Case, board: Board, loops: tuple[Loop, ...] | None = None) -> Case:
    """
    The case with another board or other loops, without variants and sweeps.

    Routes lead to their contacts, as those of a case file do; its tables are not those of the case.
    """
    loops = case.loops if loops is None else loops
    return lead_to_contacts(replace(case, board=board, loops=loops, variants=(), sweeps=(), editor=None))[0]


def loops_at(case: Case, terminal: str, but: str = "") -> tuple[str, ...]:
    """Names of the loops that enter or leave at a terminal, other than one."""
    return tuple(loop.name for loop in case.loops if terminal in (loop.inject, loop.return_) and loop.name != but)


def moved(case: Case, terminal: str, place: tuple[float, float]) -> Case:
    """
    The case with a terminal elsewhere, with every loop that uses it and the ends of their routes.

    Parameters
    ----------
    case : Case
    terminal : str
    place : (float, float)
        New centre, metres.
    """
    old = case.board.terminal(terminal)
    (x0, y0), (x1, y1) = old.centre, place
    there = replace(old, shape=translate(old.shape, x1 - x0, y1 - y0))
    terminals = tuple(there if item.name == terminal else item for item in case.board.terminals)

    def follow(loop: Loop) -> Loop:
        if loop.route is None or terminal not in (loop.inject, loop.return_):
            return loop
        legs = list(loop.route.legs or (loop.route,))
        if terminal == loop.inject:
            legs[-1] = replace(legs[-1], path=_led_to(legs[-1].path, place))
        else:
            legs[0] = replace(legs[0], path=_led_to(legs[0].path[::-1], place)[::-1])
        return replace(loop, route=Outgoing.chain(legs))

    return bare(case, replace(case.board, terminals=terminals), tuple(follow(loop) for loop in case.loops))


def _led_to(path: tuple[tuple[float, float], ...], place: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """
    A path that ends elsewhere, without corners behind which it would only turn back.

    Examples
    --------
    >>> _led_to(((40, 40), (26, 40), (26, 34)), (43, 38))
    ((40, 40), (43, 38))
    >>> _led_to(((0, 0), (10, 0), (10, 5)), (12, 6))
    ((0, 0), (10, 0), (12, 6))
    >>> _led_to(((3, 77), (8, 77), (34, 70)), (7.2, 74.6))
    ((3, 77), (7.2, 74.6))
    """
    kept = list(path[:-1])
    while len(kept) > 1 and dist(kept[-2], kept[-1]) + dist(kept[-1], place) > HAIRPIN * dist(kept[-2], place):
        kept.pop()
    return (*kept, place)


def fits(board: Board, terminal: str, place: tuple[float, float]) -> bool:
    """Whether a terminal's pad lies on free copper at another place."""
    pad = board.terminal(terminal)
    (x0, y0), (x1, y1) = pad.centre, place
    shape = translate(pad.shape, x1 - x0, y1 - y0)
    others = [other.shape for other in board.terminals if other.copper == pad.copper and other.name != terminal]
    free = shapely.distance(shape, shapely.union_all(others)) > CLEARANCE if others else True
    return bool(free and shapely.covers(board.remaining(pad.copper), shapely.buffer(shape, HAIR)))


def ends_of_return(case: Case, loop: Loop) -> tuple[str, str] | None:
    """
    Terminal at which a return of its own is grounded, and the one that is lifted; None if neither may be.

    The connector's end is grounded unless only the other one is bonded.
    """
    board = case.board
    keep, lift = loop.return_, loop.inject
    if board.terminal(lift).bonded:
        keep, lift = lift, keep
    return None if board.terminal(lift).bonded else (keep, lift)


def own_return(case: Case, loop: Loop, *, apart: bool = False, width: float = RETURN_WIDTH) -> Case | None:
    """
    The case with a return trace beside a signal, joined to the plane at one end only; None where there is no room.

    Every other current that enters or leaves at the lifted pin flows in the new return too; or, where the signal is to
    have a pin `apart`, stays on the plane.

    Parameters
    ----------
    case : Case
    loop : Loop
        Sensitive, or noisy with a route.
    apart : bool
        Whether the return ends at a pin of its own beside the one that other currents use.
    width : float
        Of the return, m.
    """
    board = case.board
    ends = ends_of_return(case, loop)
    route = loop.route or _straight(case, loop)
    line = None if route is None else _beside(case, loop, route, width)
    if ends is None or route is None or route.legs or line is None:
        return None
    layer = route.layer
    keep, lift = ends
    copper = Copper(
        name=_free(board, f"drawn return for {loop.name}"), layer=layer, shape=slot(list(line.coords), width)
    )
    # The path runs from the return end to the inject end.
    # A narrow one ends at a via; a wide one at a row of them.
    inside, across = (width, JOINT) if width <= RETURN_WIDTH else (0.5 * width, WIDE_JOINT * width)
    near, far = (line.interpolate(inside), line.interpolate(line.length - inside))
    at_keep, at_lift = (near, far) if keep == loop.return_ else (far, near)
    joint, pin = (
        Terminal(
            name=_free(board, f"drawn return for {loop.name} at {end}"),
            copper=copper.name,
            shape=circle(at.x, at.y, across),
        )
        for end, at in ((keep, at_keep), (lift, at_lift))
    )
    link = Link(name=_free(board, f"drawn joint for {loop.name}"), between=(joint.name, keep), resistance=JOINT_OHM)

    def lifted(item: Loop) -> Loop:
        if apart and item.name != loop.name:
            return item
        return replace(
            item,
            inject=pin.name if item.inject == lift else item.inject,
            return_=pin.name if item.return_ == lift else item.return_,
            route=route if item.name == loop.name else item.route,
        )

    new = replace(
        board,
        coppers=(*board.coppers, copper),
        terminals=(*board.terminals, joint, pin),
        links=(*board.links, link),
    )
    return bare(case, new, tuple(lifted(item) for item in case.loops))


def _beside(case: Case, loop: Loop, route: Outgoing, width: float) -> LineString | None:
    """Centre line of a return beside a loop's signal, from the return end to the inject end."""
    board = case.board
    line = LineString(route.path)
    away = 0.5 * (route.width + width) + CLEARANCE
    taken = [board.remaining(item.name) for item in board.coppers if item.layer == route.layer]
    taken += [
        LineString(other.route.path).buffer(0.5 * other.route.width)
        for other in case.loops
        if other.route is not None and other.route.layer == route.layer and other.name != loop.name
    ]
    if loop.route is None and any(shapely.intersects(line, other) for other in taken):
        return None
    for side in (away, -away):
        drawn = shapely.offset_curve(line, side, join_style="mitre")
        if not isinstance(drawn, LineString) or drawn.length < 4 * width:
            continue
        if Point(drawn.coords[0]).distance(Point(line.coords[0])) > Point(drawn.coords[0]).distance(
            Point(line.coords[-1])
        ):
            drawn = shapely.reverse(drawn)
        strip = drawn.buffer(0.5 * width + CLEARANCE, cap_style="flat")
        if shapely.covers(board.outline, strip) and not any(shapely.intersects(strip, other) for other in taken):
            return drawn
    return None


def _straight(case: Case, loop: Loop) -> Outgoing | None:
    """A straight way between the ends of a loop without a route, on the layer next to its copper."""
    board = case.board
    ends = [board.terminal(name) for name in (loop.return_, loop.inject)]
    names = [layer.name for layer in board.layers]
    here = names.index(board.copper(ends[0].copper).layer)
    beside = names[here - 1] if here > 0 else names[here + 1] if len(names) > 1 else None
    if beside is None:
        return None
    return Outgoing(layer=beside, path=(ends[0].centre, ends[1].centre), width=RETURN_WIDTH)


def _free(board: Board, name: str) -> str:
    """The name, or one like it that nothing on the board has."""
    known = {item.name for kind in (board.coppers, board.terminals, board.links) for item in kind}
    while name in known:
        name += "'"
    return name
