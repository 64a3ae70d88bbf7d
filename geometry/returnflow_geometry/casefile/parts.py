"""Parts of a board that other data gives, and the tables that a case file would have for them."""

from __future__ import annotations

from returnflow_geometry.keys.schema import UM
from returnflow_geometry.model.board import Copper, Cutout, Layer, Link, Terminal
from returnflow_geometry.model.numbers import MM

Part = Layer | Copper | Cutout | Terminal | Link


def table_of(item: object) -> object:
    """Table of a part; other things as they are."""
    return part_table(item) if isinstance(item, Part) else item


def part_table(item: Part) -> dict[str, object]:
    """
    Table of a part in the units of a case file, as what a case says of a part is said in these.

    Examples
    --------
    >>> part_table(Layer(name="L1", thickness=35e-6))
    {'name': 'L1', 'copper_um': 35.0}
    """
    table: dict[str, object]
    match item:
        case Layer():
            table = {"copper_um": item.thickness * UM, "below_mm": None if item.below is None else item.below * MM}
            if item.permittivity is not None:
                table |= {"permittivity": item.permittivity, "loss_tangent": item.loss}
        case Copper():
            table = {"layer": item.layer, "shape": item.shape}
        case Cutout():
            table = {"copper": item.copper, "shape": item.shape}
        case Terminal():
            table = {"copper": item.copper, "shape": item.shape, "bonded": item.bonded}
        case Link():
            inductance = item.inductance or None
            table = {"between": list(item.between), "resistance_ohm": item.resistance, "inductance_H": inductance}
    return {"name": item.name, **{key: value for key, value in table.items() if value is not None}}
