"""Currents across the board: barrels of vias and pins have a length, and so an inductance."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.magnetic.routes import elevations
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0
from returnflow_geometry.model.board import Case, Loop

Floats = NDArray[np.float64]

LEG_RADIUS = 0.15e-3  # m, of the via between two legs of a route; assumed
MOST = 3000  # barrels whose mutual inductances are counted; beyond, each is by itself


@dataclass(frozen=True)
class Barrel:
    """
    A round tube across the board whose current is a part of that of a link or a loop.

    `start` and `end` are the heights it leads from and to, in metres; `owner` counts the links, then the loops.
    """

    owner: int
    part: float
    place: tuple[float, float]
    start: float
    end: float
    radius: float


def partial_inductance(barrels: list[Barrel]) -> Floats:
    """
    Partial inductances of parallel tubes, henry, shape (n, n); with the signs of their directions.

    mu0/4pi times [F(b' - a) - F(b' - b) - F(a' - a) + F(a' - b)] for tubes from a to b and from a' to b', with
    F(z) = z asinh(z/D) - sqrt(z² + D²), D their distance; of a tube with itself the mean over all chords of its circle,
    as its current flows on its surface: short tubes have more than with D = radius. Source: E. B. Rosa, The self and
    mutual inductances of linear conductors, Bulletin of the Bureau of Standards 4 (1908) 301 (from memory); tested
    against a double integral, a pair of wires and a ring of them.
    """
    place = np.array([barrel.place for barrel in barrels])
    radius = np.array([barrel.radius for barrel in barrels])
    start, end = (np.array([getattr(barrel, name) for barrel in barrels]) for name in ("start", "end"))
    away = np.hypot(*(place[:, None] - place).transpose(2, 0, 1))
    away = np.maximum(away, np.maximum(radius[:, None], radius))
    result = _between(away, start[:, None], end[:, None], start, end)
    # On a tube every line of current has every other one at a chord: what is near counts, so that points crowd there.
    nodes, weights = np.polynomial.legendre.leggauss(32)
    u = 0.5 * (nodes + 1)
    chords = 2 * radius[:, None] * np.sin(0.5 * np.pi * u**5)
    own = _between(chords, start[:, None], end[:, None], start[:, None], end[:, None])
    np.fill_diagonal(result, own @ (2.5 * weights * u**4))
    return result


def _between(away: Floats, a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Mutual inductance of lines from a to b and from c to d at a distance, henry."""

    def F(z: Floats) -> Floats:
        whole: Floats = z * np.arcsinh(z / away) - np.hypot(z, away)
        return whole

    result: Floats = MU0 / (4 * np.pi) * (F(d - a) - F(d - b) - F(c - a) + F(c - b))
    return result


def inductance_of_barrels(case: Case, conductors: Conductors) -> Floats | None:
    """
    What barrels and pins add to links and loops, henry, shape (links + loops, links + loops); None without any.

    They are vias and plated holes, both ends of every route, where it changes layers, and the pins of supplies. Their
    currents are normal to all copper, so that they induce nothing along it, nor it along them.
    """
    if not case.via_inductance:
        return None
    found = list(_barrels(case, conductors))
    if not found:
        return None
    size = len(conductors.links) + len(case.loops)
    share = np.zeros((size, len(found)))
    share[[barrel.owner for barrel in found], np.arange(len(found))] = [barrel.part for barrel in found]
    if len(found) > MOST:
        each = np.array([partial_inductance([barrel])[0, 0] for barrel in found])
        alone: Floats = (share * each) @ share.T
        return alone
    whole: Floats = share @ partial_inductance(found) @ share.T
    return whole


def _barrels(case: Case, conductors: Conductors) -> Iterator[Barrel]:
    board, at = case.board, elevations(case, conductors.names)
    height = {t.name: at[board.copper(t.copper).layer] for t in board.terminals if board.copper(t.copper).layer in at}
    radius = {link.name: link.barrel for link in board.links if link.barrel is not None}
    for number, (name, ends) in enumerate(zip(conductors.links.names, conductors.links.ends.tolist(), strict=True)):
        if name in radius:
            first, second = (conductors.terminals[end] for end in ends)
            if height[first] != height[second]:
                place = board.terminal(first).centre
                yield Barrel(number, 1.0, place, height[first], height[second], radius[name])
    for number, loop in enumerate(case.loops, start=len(conductors.links)):
        layers = _layers(loop)
        if not layers:
            continue
        leaving, entering = (board.terminal(end) for end in (loop.return_, loop.inject))
        ways = [(leaving, height[leaving.name], at[layers[0]]), (entering, at[layers[-1]], height[entering.name])]
        for terminal, start, end in ways:
            parts = shapely.get_parts(terminal.shape).tolist()
            for part in parts if start != end else ():
                place = (float(part.centroid.x), float(part.centroid.y))
                yield Barrel(number, 1 / len(parts), place, start, end, float(np.sqrt(part.area / np.pi)))
        legs = loop.route.legs if loop.route else ()
        for one, other in itertools.pairwise(legs):
            if at[one.layer] != at[other.layer]:
                yield Barrel(number, 1.0, other.path[0], at[one.layer], at[other.layer], LEG_RADIUS)


def _layers(loop: Loop) -> list[str]:
    """Layers that a loop's outgoing conductor begins and ends on; none where it is closed far away."""
    if loop.route is not None:
        legs = loop.route.legs or (loop.route,)
        return [legs[0].layer, legs[-1].layer]
    return [] if loop.supply is None else [loop.supply.layer]
