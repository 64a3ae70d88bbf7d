"""Layers of a board with their thickness: from the files, overridden by the case, or assumed and said so."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

from returnflow_geometry.fabrication.base.objects import BoardData, StackLayer
from returnflow_geometry.model.board import Layer
from returnflow_geometry.model.numbers import mm

# Where neither the files nor the case say; common practice, no source.
COPPER = 35e-6  # m
BOARD = 1.6e-3  # m, of the whole board
# Ranges that a case may give (m); what files give beyond them is taken as not given.
FOIL = (0.1e-6, 5e-3)
DIELECTRIC = (1e-6, 0.1)


@dataclass(frozen=True, kw_only=True)
class Thickness:
    """
    What the case says about one layer (m): its copper, and the dielectric below it. None leaves it to the files.

    Permittivity and loss tangent of that dielectric are the case's alone.
    """

    copper: float | None = None
    below: float | None = None
    permittivity: float | None = None
    loss: float = 0.0


def layers_of(data: BoardData, overrides: Mapping[str, Thickness] | None = None) -> tuple[tuple[Layer, ...], list[str]]:
    """
    Stackup of a board, top to bottom.

    Copper rows of the files' stackup belong to the copper layers by their order; layer names there may be wrong.

    Parameters
    ----------
    data : BoardData
    overrides : mapping of str to Thickness
        By layer name.

    Returns
    -------
    layers : tuple of Layer
    notes : list of str
        What was assumed.
    """
    given = overrides or {}
    count = len(data.layers)
    copper, below, notes = _from_files(data)
    names = [layer.name for layer in data.layers]
    for k, name in enumerate(names):
        own = given.get(name)
        if own is not None:
            copper[k] = own.copper if own.copper is not None else copper[k]
            if k < count - 1 and own.below is not None:
                below[k] = own.below
    thin = [name for name, value in zip(names, copper, strict=True) if value is None]
    if thin:
        notes.append(f"Copper thickness of {', '.join(thin)} is not given, taken as {COPPER * 1e6:g} um.")
    open_ = [k for k in range(count - 1) if below[k] is None]
    if open_:
        known = sum(value or COPPER for value in copper) + sum(value or 0.0 for value in below[: count - 1])
        each = max((BOARD - known) / len(open_), 0.1e-3)
        for k in open_:
            below[k] = each
        notes.append(
            f"Dielectric below {', '.join(names[k] for k in open_)} is not given, taken as {mm(each)} mm each, "
            f"of a board of {mm(BOARD)} mm. Inductances go with these heights, and most boards have 0.1 to 0.2 mm "
            "below their outer layers and the rest between: give below_mm by [[layer]]."
        )
    layers = tuple(
        Layer(
            name=name,
            thickness=copper[k] or COPPER,
            below=below[k] if k < count - 1 else None,
            permittivity=given.get(name, Thickness()).permittivity,
            loss=given.get(name, Thickness()).loss,
        )
        for k, name in enumerate(names)
    )
    return layers, notes


def _from_files(data: BoardData) -> tuple[list[float | None], list[float | None], list[str]]:
    count = len(data.layers)
    nothing: list[float | None] = [None] * count
    rows = [k for k, row in enumerate(data.stackup) if row.kind == "copper"]
    if not rows:
        return nothing, list(nothing), []
    if len(rows) != count:
        note = (
            f"The stackup in the files has {len(rows)} copper rows and the board {count} copper layers: "
            "the stackup is not used."
        )
        return nothing, list(nothing), [note]
    foils = (_positive(data.stackup[k].thickness) for k in rows)
    copper = [foil if foil is not None and FOIL[0] <= foil <= FOIL[1] else None for foil in foils]
    below: list[float | None] = [_sum(data.stackup[first + 1 : second]) for first, second in itertools.pairwise(rows)]
    return copper, [*below, None], []


def _sum(rows: tuple[StackLayer, ...]) -> float | None:
    """Thickness of all dielectric between two coppers; None if one of them is not given."""
    values = [_positive(row.thickness) for row in rows if row.kind == "dielectric"]
    if not values or None in values:
        return None
    total = sum(value or 0.0 for value in values)
    return total if DIELECTRIC[0] <= total <= DIELECTRIC[1] else None


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None
