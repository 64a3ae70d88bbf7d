"""Long openings in imported copper, with names: what a return must go round, so that a case can speak of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.checks.gaps import LONG, is_slender
from returnflow_geometry.fabrication.base.objects import BoardData
from returnflow_geometry.fabrication.copper.connectivity import Connectivity
from returnflow_geometry.fabrication.copper.merged import copper_name
from returnflow_geometry.fabrication.copper.touching import LEAST_AREA
from returnflow_geometry.model.board import Copper, Cutout
from returnflow_geometry.model.numbers import mm, place, square_millimetres
from returnflow_geometry.model.overlay import difference, intersection, union_all
from returnflow_geometry.model.wording import brief, listed

WIDEST = 5e-3  # m: a wider opening is a place without copper
COARSE = 50e-6  # m: outlines are followed no closer to find what is open
MOST = 20  # of one copper, the longest
SHOWN = 2  # nets in a name


def with_slots(
    coppers: Sequence[Copper], data: BoardData, connectivity: Connectivity
) -> tuple[tuple[Copper, ...], tuple[Cutout, ...], list[str]]:
    """
    Take the long, narrow openings out of coppers as cutouts: slots, splits, rows of antipads that run together.

    Returns
    -------
    coppers : tuple of Copper
        With the slots filled.
    slots : tuple of Cutout
        Named ``slot 1 in GND on L2``, longest first; with the nets that lie in it, as it cannot be closed without them.
    notes : list of str
    """
    filled, slots, notes = [], [], []
    numbers = {layer.name: k for k, layer in enumerate(data.layers)}
    for copper in coppers:
        found = _openings(copper)
        shape = copper.shape
        for number, opening in enumerate(found, start=1):
            nets = _nets_in(opening, numbers[copper.layer], copper, data, connectivity)
            within = f" with {', '.join(brief(net) for net in nets[:SHOWN])}" if nets else ""
            within += f" and {len(nets) - SHOWN} more" if len(nets) > SHOWN else ""
            name = f"slot {number} in {copper.name}{within}"
            slots.append(Cutout(name=name, copper=copper.name, shape=opening, holds=tuple(nets)))
            point = opening.representative_point()
            x0, y0, x1, y1 = opening.bounds
            notes.append(
                f"Opening {listed([name])} at {place(*np.round((point.x, point.y), 6))}, {mm(round(x1 - x0, 6))} x "
                f"{mm(round(y1 - y0, 6))} mm over all, {square_millimetres(opening.area)}."
            )
        if found:
            shape = union_all([shape, *found])
        filled.append(replace(copper, shape=shape) if found else copper)
    return tuple(filled), tuple(slots), notes


def _openings(copper: Copper) -> list[Polygon]:
    """Long, narrow places without copper that has copper on both sides, longest first."""
    # Holes too short to be slots are most of all corners.
    whole = [
        Polygon(part.exterior, [ring for ring in part.interiors if ring.length > 2 * LONG])
        for part in shapely.get_parts(copper.shape)
    ]
    shape = whole[0] if len(whole) == 1 else union_all(whole)
    grown = shapely.buffer(shapely.simplify(shape, COARSE), WIDEST / 2, join_style="mitre")
    closed = shapely.buffer(grown, -WIDEST / 2, join_style="mitre")
    open_ = difference(closed, shape)
    # Hairs where the outline was followed coarsely are no openings.
    open_ = shapely.buffer(shapely.buffer(open_, -COARSE, join_style="mitre"), COARSE, join_style="mitre")
    open_ = difference(open_, shape)
    parts = [part for part in shapely.get_parts(open_) if part.geom_type == "Polygon" and is_slender(part)]
    return sorted(parts, key=lambda part: -part.length)[:MOST]


def _nets_in(opening: Polygon, layer: int, copper: Copper, data: BoardData, connectivity: Connectivity) -> list[str]:
    """Nets of other copper in an opening, those with most of it first."""
    members, tree = connectivity.on_layer.get(layer, ([], None))
    area: dict[str, float] = {}
    for k in tree.query(opening, predicate="intersects").tolist() if tree is not None else []:
        island = connectivity.islands[members[k]]
        common = intersection(island.shape, opening).area
        if common > LEAST_AREA and copper_name(island.net, data.layers[layer].name) != copper.name:
            area[island.net or "copper without a net"] = area.get(island.net, 0.0) + common
    return sorted(area, key=lambda net: -area[net])
