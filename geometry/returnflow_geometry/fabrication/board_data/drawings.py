"""A hand drawing as board data: its layers are copper, outline or holes by their names, or by a table in the case."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

import numpy as np
import shapely
from shapely import Polygon

from returnflow_geometry.fabrication.base.objects import (
    BoardData,
    Drawing,
    FabricationError,
    Hole,
    LayerCopper,
    Plating,
)
from returnflow_geometry.fabrication.board_data.layers import choose_layers
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import union_all
from returnflow_geometry.model.wording import brief

ROUND = 0.97  # of a circle's 4 pi area / perimeter2: a polygon of nine corners has this
FUNCTIONS = {
    "outline": ("Profile",),
    "holes": ("Plated",),
    "plated": ("Plated",),
    "unplated": ("NonPlated",),
}


def drawing_data(drawing: Drawing, table: Mapping[str, str] | None = None) -> BoardData:
    """
    Board data from a drawing.

    Parameters
    ----------
    drawing : Drawing
    table : mapping of str to str, optional
        Name of a drawing's layer to ``L1``, ``L2``, ..., ``outline``, ``drill`` or ``ignore``. Without it the layers
        themselves must be called so (``holes`` or ``plated``, ``unplated`` for holes); letter case does not matter.

    Returns
    -------
    data : BoardData
        Copper without net names. A round area on a layer of holes is a hole, a long one a slot.

    Raises
    ------
    FabricationError
        If no layer is copper.
    """
    functions = {name: _function(name) for name in drawing.layers}
    attributes = {name: {"FileFunction": said} if said else {} for name, said in functions.items()}
    try:
        choice = choose_layers(attributes, (), table)
    except FabricationError as error:
        inner = str(error).removeprefix(f"{error.file}: ")
        names = "L1, L2, ..., outline, plated, unplated"
        message = f'layer "{brief(error.file)}": {inner}; or call the layers of the drawing {names}'
        raise FabricationError(drawing.file, message) from None
    outlines = [drawing.layers[name] for name in choice.outlines]
    holes = [
        hole
        for name, function in choice.drills.items()
        for hole in _holes(drawing.layers[name], function, drawing.file)
    ]
    return BoardData(
        files=(drawing.file,),
        outline=union_all(outlines) if outlines else None,
        layers=tuple(
            LayerCopper(name=f"L{k}", nets={"": drawing.layers[name]}) for k, name in enumerate(choice.coppers, start=1)
        ),
        stackup=(),
        holes=tuple(holes),
        notes=tuple(f"{drawing.file}: {note}" for note in drawing.notes),
        used=tuple((f"{drawing.file}, layer {name}", f"copper L{k}") for k, name in enumerate(choice.coppers, start=1))
        + tuple((f"{drawing.file}, layer {name}", "outline") for name in choice.outlines)
        + tuple((f"{drawing.file}, layer {name}", "holes") for name in choice.drills),
        ignored=tuple((f"{drawing.file}, layer {name}", why) for name, why in choice.ignored),
        order="the table in the case" if table else "the names of the drawing's layers",
        contradictions=choice.contradictions,
    )


def _function(name: str) -> tuple[str, ...] | None:
    text = name.strip().lower()
    if re.fullmatch(r"l\d{1,3}", text):
        return ("Copper", text.upper())
    return FUNCTIONS.get(text)


def _holes(areas: Shape, function: tuple[str, ...], file: str) -> list[Hole]:
    word = function[0].lower() if function else "plated"
    plating: Plating = "unplated" if word == "nonplated" else "plated"
    return [
        Hole(path=path, diameter=diameter, plating=plating)
        for part in shapely.get_parts(areas)
        if part.geom_type == "Polygon"
        for path, diameter in [_drilled(Polygon(part.exterior), file)]
    ]


def _drilled(area: Polygon, file: str) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], float]:
    """Axis and diameter of a round or long hole, from its area and perimeter."""
    roundness = 4 * math.pi * area.area / area.length**2
    centre = np.array([[area.centroid.x, area.centroid.y]])
    if roundness >= ROUND:
        return centre, 2 * math.sqrt(area.area / math.pi)
    box = shapely.get_coordinates(area.minimum_rotated_rectangle)
    sides = box[1:3] - box[:2]
    lengths = np.hypot(*sides.T)
    width, along = float(lengths.min()), sides[int(lengths.argmax())]
    straight = float(lengths.max()) - width
    # A slot with round ends has the area straight x width + pi width2 / 4.
    if abs(area.area / (straight * width + math.pi * width**2 / 4) - 1) > 0.1:
        x, y = centre[0] * 1e3
        message = (
            f"the hole at ({x:.6g}, {y:.6g}) mm is neither round nor a straight slot; holes are drilled or milled "
            "along a line; draw it so, or put it into the copper"
        )
        raise FabricationError(file, message)
    half = along / np.hypot(*along) * straight / 2
    return np.vstack([centre - half, centre + half]), width
