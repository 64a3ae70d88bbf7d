"""Centre lines of what a Gerber image draws: an outline or slots are read from them."""

from __future__ import annotations

import numpy as np

from returnflow_geometry.fabrication.base.objects import Floats
from returnflow_geometry.fabrication.gerber.placed_shapes import Item, Shapes


def centre_lines(items: list[Item], shapes: Shapes) -> tuple[tuple[Floats, ...], tuple[float, ...], tuple[str, ...]]:
    """
    Centre lines of all dark strokes in order; a stroke that goes on where the last one ended continues it.

    Returns
    -------
    strokes : tuple of arrays, shape (k, 2), metres
    widths : tuple of float
        Diameter of the round aperture, 0 for others, metres.
    functions : tuple of str
        Function of the aperture.
    """
    strokes: list[list[tuple[float, float]]] = []
    widths: list[float] = []
    functions: list[str] = []
    for item in items:
        path = shapes.path[item.shape]
        if item.kind != "draw" or path is None or not item.dark:
            continue
        if item.x or item.y:
            path = [(x + item.x, y + item.y) for x, y in path]
        width, function = shapes.diameter[item.shape] or 0.0, shapes.function[item.shape]
        # A closed line is complete; a dot in it would be lost as a line of its own.
        going_on = (
            strokes
            and strokes[-1][-1] == path[0]
            and strokes[-1][0] != path[0]
            and path[0] != path[-1]
            and (width, function) == (widths[-1], functions[-1])
        )
        if going_on:
            strokes[-1].extend(path[1:])
        else:
            strokes.append(list(path))
            widths.append(width)
            functions.append(function)
    return tuple(np.array(stroke) for stroke in strokes), tuple(widths), tuple(functions)
