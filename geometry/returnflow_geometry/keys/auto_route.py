"""Routes that are found on fabrication data: what a case may say of them."""

from __future__ import annotations

from returnflow_geometry.keys.reading import Key, Spot
from returnflow_geometry.model.wording import show


def _read_true(spot: Spot, value: object) -> bool | None:
    if value is True:
        return True
    spot.wrong(f"is {show(value)}", "must be true", "write auto = true, or draw the route")
    return None


def _read_texts(spot: Spot, value: object) -> tuple[str, ...] | None:
    if isinstance(value, list) and value and all(isinstance(item, str) for item in value):
        return tuple(value)
    spot.wrong(f"is {show(value)}", "must be a list of names", 'write it as ["R1"]')
    return None


def _read_two(spot: Spot, value: object) -> tuple[str, ...] | None:
    found = _read_texts(spot, value)
    if found is not None and len(found) != 2:
        spot.wrong(
            f"is {show(value)}", "must be two pins", "name the one at the return end, then the one at the inject end"
        )
        return None
    return found


# A route that is found on fabrication data: { auto = true, ... }, or "auto" alone.
AUTO: dict[str, Key] = {
    "auto": Key(read=_read_true, required=True, advice="write auto = true"),
    "through": Key(read=_read_texts, advice='name the series parts on the way, as ["R1"]'),
    "pins": Key(read=_read_two, advice='name the signal pins where it begins and ends, as ["J1.2", "U1.3"]'),
}
