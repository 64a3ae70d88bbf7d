"""Where an amplifier may sit: noise of a sensitive loop by the place of its inject end, and where it keeps a limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.answers import budget, coupling
from returnflow.answers.adding import companies, weights
from returnflow.answers.result import LEAST_AREA, Placement
from returnflow.answers.spectra import lines_of
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Conduction
from returnflow_geometry.model.board import Case, Loop, Shape
from returnflow_geometry.model.numbers import millimetres, near, square_millimetres
from returnflow_geometry.model.wording import named

ALL = 0.999  # of the copper: as good as all of it

Floats = NDArray[np.float64]


def placement_of(
    case: Case, conductors: Conductors, whole: Conduction, i: int, noisy: list[tuple[int, Loop]]
) -> Placement:
    """
    Noise of a sensitive loop by the place of its inject end.

    Parameters
    ----------
    case : Case
    conductors : Conductors
    whole : Conduction
        Of all coppers.
    i : int
        Number of the loop.
    noisy : list of (number, Loop)
    """
    victim, ends = case.loops[i], whole.loops[i]
    here, connector = (np.array(case.board.terminal(name).centre) for name in (victim.inject, victim.return_))
    copper = _roomy(conductors, whole, ends[0], float(np.hypot(*(here - connector))))
    solution = whole.on(copper)
    loops = np.array([j for j, _ in noisy], dtype=np.int64)
    mixing = heard_weights(victim, [loop for _, loop in noisy])
    rms, worst = coupling.placement_noise(solution, ends[1], loops, mixing)
    limit = victim.tolerates or 0.0
    good = np.flatnonzero(rms <= limit)
    nearest = None
    if len(good):
        places = coupling.unknown_places(solution)[good]
        x, y = places[np.argmin(np.hypot(*(places - here).T))]
        nearest = (float(x), float(y))
    found = Placement(
        copper=conductors.names[copper],
        rms=rms,
        worst=worst,
        area=coupling.placement_area(solution, ends[1], loops, mixing, limit),
        radius=coupling.placement_radius(solution, rms, limit, connector),
        nearest=nearest,
    )
    return replace(found, reach=_reach(case, victim, found))


def _roomy(conductors: Conductors, whole: Conduction, contact: int, apart: float) -> int:
    """
    Copper that may have another place for a contact: its own, or the widest joined to it where that is a pad.

    What is joined nearer to the connector, `apart` metres away, than to the contact is no pad but a return of its own.
    """
    joined = whole.topology.conductor == whole.topology.conductor[contact]
    own = int(conductors.copper_of_contact[contact])
    area = [plane.copper.area for plane in conductors.planes]
    widest = max({own, *conductors.copper_of_contact[joined].tolist()}, key=lambda n: area[n])
    if area[own] >= LEAST_AREA * area[widest]:
        return own
    names, shapes = conductors.contacts[own], np.array(conductors.planes[own].contacts, dtype=object)
    joints = shapes[np.isin(names, conductors.links.ends)]
    (pin,) = shapes[names == contact]
    near = min((float(shapely.distance(pin.centroid, it.centroid)) for it in joints), default=0.0)
    return widest if near < 0.5 * apart else own


def heard_weights(victim: Loop, noisy: Sequence[Loop]) -> Floats:
    """How the currents of noisy loops add in what a sensitive loop hears by resistance alone: see `adding.weights`."""
    lines = [lines_of(loop) for loop in noisy]
    heard = [budget.passed(each, victim) * budget.band_mask(each, victim) for each in lines]
    return weights(list(zip(lines, heard, companies(noisy), strict=True)))


def _reach(case: Case, loop: Loop, placement: Placement) -> str:
    """Sentence on how near the inject end would have to be."""
    (x0, y0), (x1, y1) = case.board.terminal(loop.return_).centre, case.board.terminal(loop.inject).centre
    now = np.hypot(x1 - x0, y1 - y0)
    within, away = f"within {millimetres(placement.radius, 2)} of {loop.return_}", f"(now {millimetres(now)} away)"
    sentence = f"By resistance alone, {loop.inject} just keeps the limit anywhere {within} {away}"
    if _room(case, loop, placement).is_empty:
        sentence = (
            f"By resistance alone, {loop.inject} is sure to keep the limit only {within}, which leaves no room beside "
            f"the contact there {away}"
        )
    own = case.board.terminal(loop.inject).copper
    copper = "this copper" if placement.copper == own else named(placement.copper)
    inside = _copper_within(case, loop, placement, placement.radius)
    if inside >= ALL * _copper_within(case, loop, placement, 10 * placement.radius):
        return f"By resistance alone, {loop.inject} keeps the limit anywhere on {copper} (now {millimetres(now)} away)."
    spare = placement.area - inside
    if placement.nearest is None or spare < 1e-6:
        return f"{sentence}, and practically nowhere else on {copper}."
    x, y = placement.nearest
    pad, closest = np.sqrt(case.board.terminal(loop.inject).shape.area), ""
    if now > placement.radius and np.hypot(x - x1, y - y1) < pad:
        closest = " where it is now among them,"
    elif np.hypot(x - x0, y - y0) > placement.radius and now > placement.radius:
        closest = f" closest to it at {near(x, y)},"
    return (
        f"{sentence}. Another {square_millimetres(spare)} are within the limit,{closest} but only while these currents "
        "keep their proportions."
    )


def _room(case: Case, loop: Loop, placement: Placement) -> Shape:
    """Where the middle of a loop's inject contact may lie within the radius, clear of all other contacts."""
    board, reach = case.board, shapely.Point(case.board.terminal(loop.return_).centre).buffer(placement.radius)
    half = np.sqrt(board.terminal(loop.inject).shape.area / np.pi)
    others = [it.shape for it in board.terminals if it.copper == placement.copper and it.name != loop.inject]
    kept = shapely.union_all(shapely.buffer(others, half)) if others else shapely.Point()
    return shapely.difference(shapely.intersection(board.remaining(placement.copper), reach), kept)


def _copper_within(case: Case, loop: Loop, placement: Placement, radius: float) -> float:
    """Copper in m² within a radius of a loop's return terminal, contacts left out."""
    board, terminal = case.board, case.board.terminal(loop.return_)
    disc = shapely.Point(terminal.centre).buffer(radius, quad_segs=32)
    contacts = [other.shape for other in board.terminals if other.copper == placement.copper]
    copper = shapely.intersection(board.remaining(placement.copper), disc)
    return float(shapely.difference(copper, shapely.union_all(contacts)).area)
