"""Shapes combined: mended and tried again on a grid where need be, or refused with what and where they are."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from returnflow_geometry.model.numbers import place
from returnflow_geometry.model.wording import brief

GRID = 1e-9  # m: far below what can be etched, far above the rounding of coordinates
_NUMBER = r"(-?\d+(?:\.\d+)?(?:e[+-]?\d+)?)"
_PLACE = re.compile(rf"(?:at|near)(?: point)? {_NUMBER} {_NUMBER}")


class ShapeError(ValueError):
    """Shapes that cannot be combined; the message says which, why and where."""

    def __init__(self, what: str, message: str) -> None:
        super().__init__(f"{what}: {message}")


def combined(operation: Callable[..., Any], *shapes: Any, **options: Any) -> Any:
    """
    What an operation of the geometry library makes of shapes, or lists of them.

    Where it cannot combine them as they are, they are mended and snapped to a grid of 1 nm first.

    Examples
    --------
    A piece inside another one of the same shape, which the library refuses.

    >>> nested = shapely.MultiPolygon([shapely.box(0, 0, 3, 3), shapely.box(1, 1, 2, 2)])
    >>> combined(shapely.intersection, nested, shapely.box(0, 0, 2, 2)).area
    4.0
    """
    try:
        return operation(*shapes, **options)
    except shapely.errors.GEOSException:
        mended = (shapely.make_valid(shape, method="structure", keep_collapsed=False) for shape in shapes)
        return operation(*mended, **{**options, "grid_size": GRID})


def intersection(one: Any, other: Any, **options: Any) -> Any:
    """What two shapes have in common."""
    return combined(shapely.intersection, one, other, **options)


def difference(one: Any, other: Any, **options: Any) -> Any:
    """One shape less another."""
    return combined(shapely.difference, one, other, **options)


def union_all(shapes: Sequence[Any] | NDArray[np.object_], **options: Any) -> Any:
    """Union of shapes that mostly lie on each other."""
    return combined(shapely.union_all, shapes, **options)


def union(shapes: Sequence[Any] | NDArray[np.object_]) -> Any:
    """Union of shapes that mostly lie apart."""
    try:
        return shapely.disjoint_subset_union_all(shapes)
    except shapely.errors.GEOSException:
        return union_all(shapes)


def closed(shapes: Sequence[Any], gap: float) -> Any:
    """
    Union of shapes with cracks narrower than `gap` (m) closed; all other borders stay where they are.

    Examples
    --------
    >>> halves = [shapely.box(0, 0, 1e-3, 1e-3), shapely.box(1e-3 + 5e-8, 0, 2e-3, 1e-3)]
    >>> closed(halves, 1e-7).geom_type
    'Polygon'
    """
    grown = union_all([shapely.buffer(shape, gap, join_style="mitre") for shape in shapes])
    return shapely.buffer(grown, -gap, join_style="mitre")


@contextmanager
def shapes_of(what: str, refuse: Callable[[str, str], Exception] = ShapeError) -> Iterator[None]:
    """
    Refuse what the geometry library cannot do with the shapes of something by an error that names that and the place.

    Examples
    --------
    >>> with shapes_of('copper "ground"'):
    ...     raise shapely.errors.GEOSException("TopologyException: side location conflict at 0.02 0.01. This can")
    Traceback (most recent call last):
    ...
    returnflow_geometry.model.overlay.ShapeError: copper "ground": its shapes cannot be combined at (20, 10) mm (...
    """
    try:
        yield
    except shapely.errors.ShapelyError as error:
        found = _PLACE.search(str(error))
        where = f" at {place(float(found[1]), float(found[2]))}" if found else ""
        reason = f"'{brief(str(error))}'"
        message = f"its shapes cannot be combined{where} ({reason}); write or draw them again, or report it."
        raise refuse(what, message) from None
