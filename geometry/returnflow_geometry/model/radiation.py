"""Limits of radiated emission, and what a case says of the cables that would radiate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

MHZ = 1e6
LOWEST, HIGHEST = 30 * MHZ, 1000 * MHZ  # Hz: where these limits hold


class FieldLimit(NamedTuple):
    """A limit on the electric field: distance in metres, steps of (from hertz, V/m), and where it is written."""

    distance: float
    steps: tuple[tuple[float, float], ...]
    source: str


def _dB(level: float) -> float:
    """Field in V/m of a level in dB above 1 uV/m."""
    return float(1e-6 * 10 ** (level / 20))


_US = "47 CFR 15.109, as of 2024"
_WORLD = "CISPR 32:2015 with Amendment 1:2019, tables A.2 to A.5, quasi-peak"
# Numbers from memory, compared with published tables of the same limits.
FIELD_LIMITS: dict[str, FieldLimit] = {
    "47 CFR 15.109 class A": FieldLimit(
        10.0, ((30 * MHZ, 90e-6), (88 * MHZ, 150e-6), (216 * MHZ, 210e-6), (960 * MHZ, 300e-6)), f"{_US}, (b)"
    ),
    "47 CFR 15.109 class B": FieldLimit(
        3.0, ((30 * MHZ, 100e-6), (88 * MHZ, 150e-6), (216 * MHZ, 200e-6), (960 * MHZ, 500e-6)), f"{_US}, (a)"
    ),
    "CISPR 32 class A": FieldLimit(10.0, ((30 * MHZ, _dB(40)), (230 * MHZ, _dB(47))), _WORLD),
    "CISPR 32 class B": FieldLimit(10.0, ((30 * MHZ, _dB(30)), (230 * MHZ, _dB(37))), _WORLD),
}


@dataclass(frozen=True, kw_only=True)
class Radiates:
    """
    Two cables as a dipole that the voltage between them drives, and the limit on its field.

    Attributes
    ----------
    limit : str
        One of `FIELD_LIMITS`.
    distance : float
        Metres from the antenna that measures.
    length : float
        Of each cable, metres.
    diameter : float
        Of each cable, metres.
    """

    limit: str
    distance: float
    length: float
    diameter: float

    def allowed(self, frequency: float) -> float:
        """
        Field allowed at the distance, V/m: that of the limit, in inverse proportion to the distance.

        Examples
        --------
        >>> it = Radiates(limit="CISPR 32 class B", distance=3.0, length=1.0, diameter=5e-3)
        >>> print(f"{1e6 * it.allowed(50e6):.1f} uV/m")
        105.4 uV/m
        """
        limit = FIELD_LIMITS[self.limit]
        field = next(value for start, value in reversed(limit.steps) if frequency >= start or start == LOWEST)
        return field * limit.distance / self.distance
