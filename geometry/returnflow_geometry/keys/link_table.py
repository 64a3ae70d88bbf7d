"""Links of a case file: what joins two terminals, and what it may be made of."""

from __future__ import annotations

from returnflow_geometry.keys.reading import Spot, reference
from returnflow_geometry.model.wording import listed, show

# A larger or smaller part is a wrong unit: leakage of a board, a mains choke, half a picosecond of a trace, a
# double-layer capacitor. Common practice, no source.
MOST_OHM = 1e9
MOST_H = 1.0
LEAST_F = 1e-15
MOST_F = 1.0
PARTS = ("resistance_ohm", "inductance_H", "capacitance_F")

_read_terminal = reference("terminal")


def read_between(spot: Spot, value: object) -> tuple[str, str] | None:
    """Read the names of the two terminals that a link joins."""
    if not isinstance(value, list) or len(value) != 2:
        got = f", which has {len(value)}" if isinstance(value, list) else ""
        spot.wrong(f"is {show(value)}{got}", "must be the names of two terminals", 'write it as ["A", "B"]')
        return None
    first, second = (_read_terminal(spot.within(f" name {which}"), item) for which, item in enumerate(value, start=1))
    if first is None or second is None:
        return None
    if first == second:
        spot.wrong(
            f"is {listed([first])} twice",
            "a link joins two different terminals, one contact is at one potential already",
            "name two terminals, at the same place where they are on two coppers",
        )
        return None
    return (first, second)
