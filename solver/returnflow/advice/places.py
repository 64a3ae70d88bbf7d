"""Other places for a pin: nearer to another, and for what stands at the board's edge along that edge."""

from __future__ import annotations

import math

import numpy as np
import shapely

from returnflow.advice.drawn import fits
from returnflow_geometry.model.board import Board, Case, Shape

EDGE = (
    5e-3  # m from the board's edge to a pad, up to which it is taken for one of a connector; common practice, no source
)
CONNECTOR = 15e-3  # the same of a pad that a cable ends at: rows of pins, housings; common practice, no source
BODY = 12e-3  # m between the pins of two connectors that stand beside one another; common practice, no source
STEP = 1e-3  # m, of the places that are tried along an edge


def place_towards(board: Board, terminal: str, target: str, distance: float) -> tuple[float, float] | None:
    """Free place for a terminal at a distance from another, as nearly as possible on the straight way between them."""
    (x0, y0), (x1, y1) = board.terminal(target).centre, board.terminal(terminal).centre
    towards = math.atan2(y1 - y0, x1 - x0)
    for step in range(19):
        for turn in (step, -step) if step else (0,):
            angle = towards + turn * math.pi / 18
            place = (x0 + distance * math.cos(angle), y0 + distance * math.sin(angle))
            if fits(board, terminal, place):
                return place
    return None


def at_edge(case: Case) -> frozenset[str]:
    """Terminals that stand at the board's edge, as connectors' do: their pads, near it or with a cable's end."""
    ends = {end for loop in case.loops if loop.role == "cables" for end in (loop.inject, loop.return_)}
    terminals = case.board.terminals
    away = shapely.distance(_exteriors(case.board.outline), [terminal.shape for terminal in terminals])
    return frozenset(
        terminal.name
        for terminal, distance in zip(terminals, np.atleast_1d(away).tolist(), strict=True)
        if distance <= (CONNECTOR if terminal.name in ends else EDGE)
    )


def along_edge(case: Case, terminal: str, target: str) -> tuple[float, float] | None:
    """
    Free place for a terminal as far from the board's edge as it is, beside another; None if it is not at the edge.

    A connector stands at the edge: it can go along it, and not into the middle of the board. No other terminal
    that stands at the edge is nearer there than a connector's width.

    Parameters
    ----------
    case : Case
    terminal, target : str
    """
    board = case.board
    pin, other = board.terminal(terminal), board.terminal(target)
    edge = at_edge(case)
    if terminal not in edge:
        return None
    away = _exteriors(board.outline).distance(shapely.Point(pin.centre))
    rail = _exteriors(board.outline.buffer(-away))
    taken = [shapely.Point(it.centre) for it in board.terminals if it.name != terminal and it.name in edge]
    taken.append(shapely.Point(other.centre))
    places = shapely.points(shapely.get_coordinates(shapely.segmentize(rail, STEP)))
    free = shapely.distance(places, shapely.union_all(taken)) >= BODY
    near = sorted(places[free], key=lambda place: place.distance(taken[-1]))
    now = math.dist(pin.centre, other.centre)
    for place in near:
        at = (round(place.x, 5), round(place.y, 5))
        if math.dist(at, other.centre) > now - BODY:
            return None
        if fits(board, terminal, at):
            return at
    return None


def _exteriors(shape: Shape) -> shapely.Geometry:
    return shapely.union_all(shapely.get_exterior_ring(shapely.get_parts(shape)))
