"""A cables loop's table of what its voltage radiates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from returnflow_geometry.keys.reading import Spot
from returnflow_geometry.model.radiation import FIELD_LIMITS, HIGHEST, LOWEST, Radiates
from returnflow_geometry.model.wording import listed, show

BAND = (LOWEST, HIGHEST)
DIAMETER = 5e-3  # m, of a cable whose diameter is not given; common practice, no source
THICKEST = 0.05  # of its length: a dipole that is no thicker is thin


def read_limit(spot: Spot, value: object) -> str | None:
    """Read the name of a limit of radiated emission."""
    if value not in FIELD_LIMITS:
        spot.wrong(f"is {show(value)}", f"must be one of {listed(FIELD_LIMITS)}", "name one of these")
        return None
    return str(value)


def build_radiates(spot: Spot, values: Mapping[str, Any]) -> Radiates | None:
    """Make a dipole of the keys of its table, if it is thin."""
    length, diameter = values["cable_length_m"], values.get("cable_diameter_mm", DIAMETER)
    if diameter > THICKEST * length:
        spot.within(".cable_diameter_mm").wrong(
            f"is {1e3 * diameter:g}, with cable_length_m {length:g}",
            f"must be at most {THICKEST:g} of the length, as of a thin dipole",
            "check both",
        )
        return None
    return Radiates(limit=values["limit"], distance=values["distance_m"], length=length, diameter=diameter)


def check_band(spot: Spot, band: tuple[float, float] | None, radiates: Radiates | None) -> None:
    """Note a band that reaches beyond where its limit of radiated emission holds: nothing is judged there."""
    if band is None or radiates is None or BAND[0] <= band[0] <= band[1] <= BAND[1]:
        return
    spot.wrong(
        f"is [{band[0]:g}, {band[1]:g}], with radiates.limit {listed([radiates.limit])}",
        f"limits of radiated emission hold from {BAND[0] / 1e6:g} MHz to {BAND[1] / 1e9:g} GHz",
        "give a band within these, leave it out for all of them, or give limit_V instead of radiates",
    )
