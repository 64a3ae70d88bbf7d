"""From DC to the harmonics: crossovers, inductance at both ends, what a gap costs a trace, shares over frequency."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from returnflow.answers import coupling
from returnflow.answers.spectra import lines_of
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.routes import Faced
from returnflow.magnetic.solving import Expelled
from returnflow.magnetic.traces import Route, from_path
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

TURNED = 0.5  # half of the return has left the resistive pattern
FINAL_WIDTH = 1.1  # the ribbon is within 10 % of its final width
# Middles of sixteen parts of a triangle, alike to it, by its corners.
INSIDE = np.array([(a, b, 12 - a - b) for a in range(1, 11) for b in range(1, 12 - a)
                   if a % 3 == b % 3 == (12 - a - b) % 3 != 0]) / 12  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class LoopFacts:
    """
    What frequency does to one loop.

    Attributes
    ----------
    low_inductance, high_inductance : float
        H, of the resistive pattern and of the pattern that expels the field.
    turning : float or None
        Hz; half of the return has left the resistive pattern. None where nothing turns.
    ribbon : float or None
        Hz; the ribbon under the route is within 10 % of its final width. None without a route.
    low_length, high_length : float
        Mean length of the way back in metres at both ends: integral of abs(K) over the current.
    gaps : tuple of str
        Cutouts that the route crosses.
    gap_inductance : float or None
        H that these add at high frequency, against the same copper without them.
    gap_detour : float or None
        Metres that these add to the mean way back at high frequency.
    """

    low_inductance: float
    high_inductance: float
    turning: float | None
    ribbon: float | None
    low_length: float
    high_length: float
    gaps: tuple[str, ...] = ()
    gap_inductance: float | None = None
    gap_detour: float | None = None


def wants_frequencies(case: Case) -> bool:
    """Whether anything in the case asks for more than the resistive limit, and the case does not forbid it."""
    if case.steady_only:
        return False
    noisy = (loop for loop in case.loops if loop.role == "noisy")
    return any(f > 0 for f in case.frequencies) or any(np.any(lines_of(loop).frequency > 0) for loop in noisy)


def among(model: Broadband, conductors: Conductors, copper: int) -> NDArray[np.bool_]:
    """Triangles on the layer of one copper, shape (m,)."""
    mine: NDArray[np.bool_] = model.system.stack.level == conductors.levels[0][copper]
    return mine


def loop_facts(conductors: Conductors, model: Broadband, facing: Sequence[Faced]) -> tuple[LoopFacts, ...]:
    """
    Crossovers, inductances and lengths of every loop; what gaps add is told by `gaps_told`.

    Parameters
    ----------
    conductors : Conductors
    model : Broadband
    facing : sequence of Faced, one per loop
    """
    facts = []
    slow = model.slow_inductance
    for j, item in enumerate(facing):
        route, gaps = item.route, item.gaps
        facts.append(
            LoopFacts(
                low_inductance=float(slow[j, j]),
                high_inductance=float(model.high_inductance[j, j]),
                turning=turning_frequency(model, j),
                ribbon=(
                    ribbon_frequency(model, route, j, among=among(model, conductors, item.copper))
                    if route is not None and route.height
                    else None
                ),
                low_length=mean_length(model, j, high=False),
                high_length=mean_length(model, j, high=True),
                gaps=gaps,
            )
        )
    return tuple(facts)


def gaps_told(facts: Sequence[LoopFacts], solid: Expelled, *, alone: bool = True) -> tuple[LoopFacts, ...]:
    """
    What the gaps that routes cross add, from the same board without them.

    Where the copper is not `alone`, eddy currents in what faces it make the mean length more than that of a way.
    """
    return tuple(
        replace(
            one,
            gap_inductance=one.high_inductance - float(solid.inductance[j, j]),
            gap_detour=one.high_length - float(solid.length[j]) if alone else None,
        )
        if one.gaps
        else one
        for j, one in enumerate(facts)
    )


def mean_length(model: Broadband, loop: int, *, high: bool) -> float:
    """Mean length of the way back of one loop in metres: integral of abs(K), at 1 A."""
    K = model.system.currents[:, :, loop]
    if high:
        added = model.basis @ model.expelled[:, loop]
        K = K + np.stack([part @ added for part in model.system.curl])
    # What lies inside contacts is no way between them.
    return float(np.sum(np.hypot(*K) * model.system.space.mesh.areas * ~model.system.stack.contact))


def turning_frequency(model: Broadband, loop: int) -> float | None:
    """
    Frequency at which half of the return has left the resistive pattern, hertz.

    By stream functions: the part of psi(f) - psi(0) along psi(inf) - psi(0), in the mean square over the copper,
    which weighs how much current has moved how far and hardly depends on the width of the ribbon.
    """
    final = model.expelled[:, loop]
    if len(model.link_basis):
        # Where links close circuits the stream function has more than one value: then by currents in the copper.
        root = np.sqrt(model.system.space.mesh.areas)[:, None]
        columns = np.concatenate([root * (part @ model.basis) for part in model.system.curl])
        weighted = columns.T @ (columns @ final)
    else:
        weighted = model.stream_products @ final
    full = float(final @ weighted)
    moved = float(np.sqrt(max(full, 0.0) / np.sum(model.system.space.mesh.areas)))
    if not moved > 1e-3:
        return None
    return first_reached(lambda f: float(np.real(model.reduced(f)[:, loop]) @ weighted) / full, TURNED)


def ribbon_frequency(
    model: Broadband, route: Route, loop: int, heights: float = 3.0, among: NDArray[np.bool_] | None = None
) -> float | None:
    """
    Frequency at which the ribbon under a route is within 10 % of its final width, hertz.

    By the integral of abs(K)² within some heights of the route, which goes as one over the ribbon's width.
    """
    near, _, part_there = _under(model, route, heights, among)
    root = np.sqrt(part_there * model.system.space.mesh.areas[near])[:, None]
    rest = np.concatenate([part[near, loop] for part in model.system.currents]) * np.tile(root[:, 0], 2)
    basis = np.concatenate([root * (part[near] @ model.basis) for part in model.system.curl])

    columns = np.column_stack([rest, basis])
    products = columns.T @ columns

    def strength(y: NDArray[Any]) -> float:
        of = np.append(1.0, y)
        return float(np.real(np.conj(of) @ products @ of))

    last = strength(model.expelled[:, loop])
    return first_reached(lambda f: strength(model.reduced(f)[:, loop]) / last, 1 / FINAL_WIDTH)


def first_reached(value: Callable[[float], float], level: float) -> float | None:
    """First frequency from 1 Hz to 100 GHz at which a rising function reaches a level."""
    for low, high in pairwise(np.linspace(0.0, np.log(1e11), 90).tolist()):
        if value(np.exp(high)) >= level:
            if value(np.exp(low)) >= level:
                return None
            return float(np.exp(brentq(lambda x: value(np.exp(x)) - level, low, high, xtol=1e-9)))
    return None


def near_share(model: Broadband, route: Route, loop: int, frequency: float, heights: float = 3.0) -> complex:
    """Share of a loop's return within some heights of its route, at one frequency: see `near_shares`."""
    return complex(near_shares(model, route, loop, [frequency], heights)[0])


def near_shares(
    model: Broadband,
    route: Route,
    loop: int,
    frequencies: Sequence[float],
    heights: float = 3.0,
    among: NDArray[np.bool_] | None = None,
) -> Complexes:
    """
    Share of a loop's return that flows within so many heights of its conductor, against its direction; mean along it.

    That is half the conductor's width more from the middle of its route: under wide ones the return is as wide.
    `among` are the triangles that count, shape (m,); by default all.
    Complex, shape (frequencies,): the part in phase with the outgoing current, and in quadrature.
    """
    if model.coarse is not None:
        parts = [None, None] if among is None else [among, among[::4]]
        both = zip(model.both, parts, strict=True)
        return model.led_to(*(near_shares(each, route, loop, frequencies, heights, part) for each, part in both))
    near, at, there = _under(model, route, heights, among)
    mesh, length = model.system.space.mesh, route.length
    steps = np.diff(route.path, axis=0)
    lengths = np.hypot(*steps.T)
    segment = np.clip(np.searchsorted(np.cumsum(lengths), at), 0, len(steps) - 1)
    # The share is linear in the current: evaluate the functional on the basis once, then every frequency is cheap.
    weight = np.zeros((2, len(mesh.triangles)))
    weight[:, near] = -(steps / lengths[:, None])[segment].T * (there * mesh.areas[near]) / length
    resistive = float(np.sum(weight * model.system.currents[:, :, loop]))
    basis = sum(part.T @ weight[c] for c, part in enumerate(model.system.curl)) @ model.basis
    return np.array([resistive + basis @ model.reduced(f)[:, loop] for f in frequencies], dtype=np.complex128)


def unbroken_share(route: Route, heights: float = 3.0) -> float:
    """
    Share of the return within so many heights of a conductor over an endless plane, its current even over its width.

    The image of a thin trace is h / pi / (x^2 + h^2), integrated over both widths: closed form.

    Examples
    --------
    >>> thin, wide = (Route(np.array([[0.0, 0.0], [1.0, 0.0]]), 0.2e-3, width) for width in (1e-6, 3e-3))
    >>> round(unbroken_share(thin), 3), round(unbroken_share(wide), 3)
    (0.795, 0.925)
    """
    height = abs(route.height)
    near, width = heights, max(route.width / height, 1e-6)

    def under(x: float) -> float:
        return x * math.atan(x) - 0.5 * math.log1p(x * x)

    share: float = 2 / (math.pi * width) * (under(near + width) - under(near))
    return share


def _under(
    model: Broadband, route: Route, heights: float, among: NDArray[np.bool_] | None
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """
    Triangles within some heights of a route, beside it and not beyond its ends, shape (m,).

    With where along it they are, and how much of each lies there.
    """
    mesh, reach = model.system.space.mesh, heights * abs(route.height) + 0.5 * route.width
    corners = mesh.points[mesh.triangles]
    centre, size = corners.mean(axis=1), mesh.edge_lengths.max(axis=1)
    span = reach + size
    # Few lie in the box round it, and distances to a line are dear.
    beyond = np.maximum(route.path.min(axis=0) - centre, centre - route.path.max(axis=0)).max(axis=1)
    near = np.flatnonzero((beyond <= span) if among is None else (beyond <= span) & among)
    away, along = from_path(route.path, centre[near])
    close = away <= span[near]
    near, away, along = near[close], away[close], along[close]
    part = np.ones(len(near))
    # Of what lies across a border, or by a bend or an end, so much as places in it tell.
    marks = np.append(0.0, np.cumsum(np.hypot(*np.diff(route.path, axis=0).T)))
    by_mark = np.min(np.abs(along - marks[:, None]), axis=0) < span[near]
    edge = np.flatnonzero((away > reach - size[near]) | by_mark)
    away, there_along = from_path(route.path, INSIDE @ corners[near[edge]])
    there = (away <= reach) & (there_along > 0) & (there_along < route.length)
    part[edge], along[edge] = there.mean(axis=1), there_along.mean(axis=1)
    some = part > 0
    return near[some], along[some], part[some]


def traffic(
    model: Broadband, loops: Sequence[tuple[int, int]], contact_inside: NDArray[np.bool_], frequencies: Sequence[float]
) -> tuple[Floats, Complexes]:
    """
    Shares across regions and net currents through sections at many frequencies.

    Parameters
    ----------
    model : Broadband
    loops : sequence of (int, int)
    contact_inside : array of bool, shape (regions, contacts)
    frequencies : sequence of float, hertz

    Returns
    -------
    shares : array, shape (frequencies, regions, loops)
        Magnitudes.
    sections : array of complex, shape (frequencies, sections, loops)
    """
    if model.thinning is not None:
        loops, contact_inside = model.thinning.loops, model.thinning.inside
        model = replace(model, thinning=None)
    if model.coarse is not None:
        # Currents through a cut are linear in the field: what both meshes lead to; shares by their magnitudes are not.
        (shares, sections), (_, rough) = (traffic(each, loops, contact_inside, frequencies) for each in model.both)
        return shares, model.led_to(sections, rough)
    mesh = model.system.space.mesh
    lines = [*mesh.region_borders, *mesh.section_edges]
    # Only the triangles along the lines matter.
    some = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *(line[:, 0] for line in lines)]))
    renumbered = [np.column_stack([np.searchsorted(some, line[:, 0]), line[:, 1:]]) for line in lines]
    split = len(mesh.region_borders)
    part = replace(
        mesh,
        triangles=mesh.triangles[some],
        region_borders=tuple(renumbered[:split]),
        section_edges=tuple(renumbered[split:]),
    )
    rows = (3 * some[:, None] + np.arange(3)).ravel()
    basis = model.system.to_local[rows] @ model.basis
    shares = np.zeros((len(frequencies), split, len(loops)))
    sections = np.zeros((len(frequencies), len(mesh.section_edges), len(loops)), dtype=np.complex128)
    for n, f in enumerate(frequencies):
        added = (basis @ model.reduced(f)).T.reshape(len(loops), len(some), 3)
        flow = coupling.Flow(part, 1, tuple(loops), model.system.stream[:, some] + added)
        shares[n], sections[n] = coupling.region_shares(flow, contact_inside), coupling.section_currents(flow)
    return shares, sections
