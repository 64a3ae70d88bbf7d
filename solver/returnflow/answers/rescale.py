"""Which cases have one solution, and how it scales from one to the other."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.answers import frequency
from returnflow.magnetic.barrels import inductance_of_barrels
from returnflow.magnetic.routes import routes_of
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Conduction, Options
from returnflow_geometry.model.board import Case

if TYPE_CHECKING:
    from returnflow.answers.evaluate import Solved

Signature: TypeAlias = tuple[Any, ...]


def signature(case: Case, options: Options | None) -> Signature:
    """
    All that the fields depend on; cases of one signature are solved once.

    With copper of one thickness and links without resistance the fields only scale with the sheet resistance, so
    temperature and thickness are left out then.

    Parameters
    ----------
    case : Case
    options : Options or None
        None: with the accuracy of the case.
    """
    # Idle copper counts too.
    conductors = Conductors.magnetic(case)
    links = conductors.links
    planes = tuple(
        (
            shapely.to_wkb(plane.copper),
            tuple(shapely.to_wkb(list(plane.contacts))),
            tuple(shapely.to_wkb(list(plane.regions))),
            tuple(shapely.to_wkb(list(plane.sections))),
        )
        for plane in conductors.planes
    )
    routes = tuple(
        None
        if route is None
        else tuple((part.path.tobytes(), part.height, part.width, part.thickness) for part in (route, *route.legs))
        for name in conductors.names
        for route in routes_of(case, name)
    )
    gaps = tuple(
        (cutout.copper, cutout.name, shapely.to_wkb(cutout.shape))
        for cutout in case.board.cutouts
        if cutout.copper in conductors.names
    )
    numbers: list[NDArray[Any]] = [conductors.distance, links.ends, links.resistance, links.inductance, links.elastance]
    barrels = inductance_of_barrels(case, conductors)
    if barrels is not None:
        numbers.append(barrels)
    if not scales(conductors):
        numbers += [conductors.sheets, conductors.thickness, np.array([case.board.temperature])]
    return (
        conductors.names,
        planes,
        tuple(conductors.ends(case)),
        routes,
        gaps,
        tuple(part.tobytes() for part in numbers),
        frequency.wants_frequencies(case),
        options or case.accuracy,
        _dielectric(case),
    )


def _dielectric(case: Case) -> Signature:
    """What lets displacement current pass, and up to which frequency it is asked for."""
    layers = case.board.layers
    if all(layer.permittivity is None for layer in layers):
        return ()
    return (case.frequencies[-1], *((layer.permittivity, layer.loss, layer.below) for layer in layers))


def scales(conductors: Conductors) -> bool:
    """Whether all resistances go with one sheet resistance."""
    return len(conductors.foils[0]) == 1 and not np.any(conductors.links.resistance)


def rescaled(solved: Solved, case: Case) -> Solved:
    """
    Solution of a case from that of another with the same signature.

    Parameters
    ----------
    solved : Solved
    case : Case
    """
    conductors, every = Conductors.of(case), Conductors.magnetic(case)
    model = solved.model
    if scales(every) and conductors.reference != solved.conductors.reference:
        (thickness, _), temperature = every.foils, case.board.temperature
        if model is not None:
            model = replace(model, thickness=tuple(thickness.tolist()), temperature=temperature)
        solution = _scaled(solved.solution, conductors.reference)
    else:
        solution = solved.solution
    return replace(solved, conductors=conductors, solution=solution, model=model)


def _scaled(solution: Conduction, sheet: float) -> Conduction:
    factor = sheet / solution.sheet
    names = ("potential", "contact_potential", "lower", "upper", "gap", "spread")
    return replace(solution, sheet=sheet, **{name: factor * getattr(solution, name) for name in names})
