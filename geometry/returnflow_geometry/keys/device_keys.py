"""The keys of a [[device]], which becomes a loop and links before the other tables are read."""

from __future__ import annotations

from returnflow_geometry.keys.reading import Key, Spot, number, read_text
from returnflow_geometry.keys.schema import NAME, NO_RETURN, ROLE_KEYS
from returnflow_geometry.model.wording import show


def _read_ground(spot: Spot, value: object) -> str | tuple[str, ...] | None:
    if isinstance(value, str):
        return read_text(spot, value)
    names = value if isinstance(value, list) else []
    if not names or not all(isinstance(name, str) and name.strip() for name in names):
        rule = "must be a net's name, or a list of terminals"
        spot.wrong(f"is {show(value)}", rule, 'write ground = "GND" or ground = ["U1.4", "U1.5"]')
        return None
    return tuple(dict.fromkeys(names))


CURRENTS = ("supply_A", "spectrum", "trapezoid")
DEVICE: dict[str, Key] = {
    "name": NAME,
    "ground": Key(read=_read_ground, required=True, advice='give its net, as "GND", or its terminals in a list'),
    "return": Key(read=read_text, required=True, rule=NO_RETURN, advice="name the terminal of what feeds the device"),
    "supply_A": Key(read=number(above=0), advice="give its current, rms"),
    **{key: ROLE_KEYS["noisy"][key] for key in ("frequency_Hz", "spectrum", "trapezoid")},
}
