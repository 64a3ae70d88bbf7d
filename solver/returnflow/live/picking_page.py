"""The page for picking: the copper of all layers as few numbers, pins, parts and nets, and the forms."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow.live.page import LivePage, assemble
from returnflow.live.picking import PickDesk, proposals
from returnflow.live.picking_forms import schema
from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError
from returnflow_geometry.fabrication.board_data.starter import Starter, is_ground
from returnflow_geometry.fabrication.copper.connectivity import Connectivity
from returnflow_geometry.fabrication.copper.pins import ASSUMED_PAD, Pin, pins_of
from returnflow_geometry.model.numbers import MM, mm

SCRIPTS = ("data", "dom", "pick_copper", "pick_view", "pick_hand", "pick_search", "pick_forms", "pick_page")
FINE = 1 / 8000  # of the board: what its outlines may move by, below a pixel until one zooms in far
MOST_CORNERS = 2_000_000
STEPS = 65535  # of the longer side: places are told as whole numbers
RESTS = (
    "Drawn from the fabrication files, simplified: what is saved is checked against the files themselves. Proposed "
    "loops rest on names alone, and their currents are assumed. A layout aid: not a compliance test, no substitute "
    "for a measurement. Protective earth, isolation and cable shields are safety matters for local codes and a "
    "qualified person."
)


def picking(
    data: BoardData, connectivity: Connectivity, starter: Starter, path: Path, *, title: str, replace: bool = False
) -> tuple[LivePage, PickDesk]:
    """
    Page for picking on a board, and the desk that answers it.

    Parameters
    ----------
    data, connectivity
        What the files say.
    starter : Starter
        The case that is begun.
    path : Path
        Case file to write.
    title : str
    replace : bool
        Whether it may be written over one that is there.

    Raises
    ------
    FabricationError
        If there is more to draw than a page can hold.
    """
    desk = PickDesk(data, connectivity, starter, path, replace=replace)
    page = assemble(
        "pick.html", SCRIPTS, ("style.css", "pick.css"),
        {
            **board_shown(data, connectivity),
            "schema": schema(), "proposals": proposals(starter), "file": path.name,
            "contact": MM * ASSUMED_PAD, "state": desk.answer("state", {}),
        },
        title=title, file=path.name, rests=RESTS,
    )  # fmt: skip
    return page, desk


def board_shown(data: BoardData, connectivity: Connectivity) -> dict[str, Any]:
    """Copper, pins and parts as the page's scripts draw them."""
    shapes = np.array([island.shape for island in connectivity.islands], dtype=object)
    border = data.outline
    bounds = shapely.total_bounds(np.append(shapes, [border] if border is not None else []))
    low, size = bounds[:2], float(max(bounds[2] - bounds[0], bounds[3] - bounds[1], 1e-6))
    shapes = _simplified(shapes, size * FINE, data.origin)
    step = size / STEPS
    names = sorted({island.net for island in connectivity.islands} | {pin.net for pin in pins_of(data).values()})
    nets = {net: n for n, net in enumerate(names)}
    layers: list[list[int]] = [[] for _ in data.layers]
    for k, island in enumerate(connectivity.islands):
        layers[island.layer].append(k)
    return {
        "low": [MM * float(v) for v in low],
        "step": MM * step,
        "size": [MM * float(bounds[2] - bounds[0]), MM * float(bounds[3] - bounds[1])],
        "outline": None if border is None else _rings(np.array([border], dtype=object), low, step),
        "layers": [
            {
                "name": layer.name,
                **_rings(shapes[own], low, step),
                "nets": np.array([nets[connectivity.islands[k].net] for k in own], dtype=np.int64),
            }
            for layer, own in zip(data.layers, layers, strict=True)
        ],
        "nets": names,
        "pins": [_pin(pin, data, nets) for pin in pins_of(data).values()],
        "words": dict(data.parts),
        "placed": [[one.name, MM * one.at[0], MM * one.at[1]] for one in data.placed],
    }


def _simplified(shapes: NDArray[Any], tolerance: float, origin: str) -> NDArray[Any]:
    """Shapes with as few corners as a page can hold, their holes turning the other way."""
    for more in (1, 4, 16):
        thin: NDArray[Any] = shapely.orient_polygons(shapely.simplify(shapes, more * tolerance))
        corners = int(shapely.get_num_coordinates(thin).sum())
        if corners <= MOST_CORNERS:
            return thin
    message = (
        f"its copper has {corners} corners where it is drawn to {mm(more * tolerance)} mm; the page draws at most "
        f"{MOST_CORNERS}; import it without --page"
    )
    raise FabricationError(origin, message)


def _rings(shapes: NDArray[Any], low: NDArray[np.float64], step: float) -> dict[str, Any]:
    """Rings of shapes as steps from corner to corner, the corners of each ring, and the rings of each shape."""
    pieces, owner = shapely.get_parts(shapes, return_index=True)
    rings, of = shapely.get_rings(pieces, return_index=True)
    places, ring = shapely.get_coordinates(rings, return_index=True)
    whole = np.rint((places - low) / step).astype(np.int64)
    last = np.append(ring[1:] != ring[:-1], True) if len(ring) else np.zeros(0, dtype=bool)
    kept = ~last  # a ring ends where it begins
    walk = np.diff(whole[kept], axis=0, prepend=0) if kept.any() else np.zeros((0, 2), dtype=np.int64)
    around = (walk + 2**15) % 2**16 - 2**15  # modulo 65536
    return {
        "x": around[:, 0],
        "y": around[:, 1],
        "corners": np.bincount(ring[kept], minlength=len(rings)),
        "rings": np.bincount(owner[of], minlength=len(shapes)),
    }


def _pin(pin: Pin, data: BoardData, nets: dict[str, int]) -> list[Any]:
    """Name, part, net, function, whether its net is a ground by name; contacts: layer (-1 all), x, y, radius, mm."""
    spots = [[c.layer, *c.at, float(np.sqrt(c.shape.area / np.pi))] for c in pin.contacts]
    if not spots:
        spots = [[-1, *map(float, data.holes[k].path[0]), data.holes[k].diameter / 2] for k in pin.holes]
    told = [[layer, *(round(MM * v, 3) for v in rest)] for layer, *rest in spots]
    return [pin.name, pin.refdes, nets[pin.net], pin.function, int(is_ground(pin)), told]
