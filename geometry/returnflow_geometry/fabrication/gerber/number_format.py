"""How the numbers of a Gerber file are meant: unit, digits, zeros left out."""

from __future__ import annotations

import math
import re

from returnflow_geometry.fabrication.base.budget import quoted

REACH = 10.0  # m: no board is larger; a coordinate beyond it means a wrong unit or number format
FAR = 100.0  # m: centres of flat arcs may lie farther away
UNITS = {"IN": 0.0254, "MM": 1e-3}

_FORMAT = re.compile(r"FS([LTD]?)([AI]?)(?:N\d)?(?:G\d)?X(\d)(\d)Y(\d)(\d)(?:Z\d\d)?(?:D\d)?(?:M\d)?\Z")
_DECIMAL = re.compile(r"[+-]?(?:\d{1,18}\.?\d{0,18}|\.\d{1,18})\Z")
_DIGITS = re.compile(r"([+-]?)(\d{1,18})\Z")


class NumberFormat:
    """
    Unit and coordinate format as declared so far.

    Every method that finds a mistake raises ValueError with a message that names the rule; the caller adds the place.

    Attributes
    ----------
    unit : float or None
        Metres per unit; None before the file says it.
    """

    def __init__(self) -> None:
        self.unit: float | None = None
        self._declared = ""
        self._zeros = ""
        self._digits = (0, 0)
        self._used = False
        self._scale = 0.0  # m per last digit; 0 where a number's own length decides

    def declare_unit(self, name: str) -> None:
        """Take ``MOMM``, ``MOIN`` and their old forms G71, G70."""
        if name not in UNITS:
            message = f"unit {quoted(name)}; it must be MM or IN. Write the file again with one of them."
            raise ValueError(message)
        if self.unit is not None and UNITS[name] != self.unit and self._used:
            message = "a second, different unit after numbers were read; a file has one unit. Write it again."
            raise ValueError(message)
        self.unit = UNITS[name]
        self._scale = 0.0 if self._zeros != "L" else self.unit * 10.0 ** -self._digits[1]

    def declare_format(self, text: str) -> None:
        """Take ``FSLAX26Y26`` and its like."""
        found = _FORMAT.match(text)
        if found is None:
            message = f"number format {quoted(text)}; expected for instance FSLAX46Y46. Write the file again."
            raise ValueError(message)
        zeros, notation, *digits = found.groups()
        if notation == "I":
            message = (
                "incremental coordinates (FS..I); each number then depends on all before it and this is not read. "
                "Write the file again with absolute coordinates."
            )
            raise ValueError(message)
        if digits[:2] != digits[2:]:
            message = "different digits for X and Y; they must be equal. Write the file again."
            raise ValueError(message)
        if self._declared and self._declared != text:
            message = f"a second number format after {self._declared}; a file has one. Write it again."
            raise ValueError(message)
        self._declared = text
        self._zeros = zeros or "D"
        self._digits = (int(digits[0]), int(digits[1]))
        if self.unit is not None:
            self._scale = 0.0 if self._zeros != "L" else self.unit * 10.0 ** -self._digits[1]

    def coordinate(self, text: str, reach: float = REACH) -> float:
        """Metres of one coordinate, written with or without a decimal point."""
        value = int(text) * self._scale if self._scale and "." not in text else self._slow(text)
        self._used = True
        if not -reach <= value <= reach:
            message = (
                f"coordinate {quoted(text)} is {value:.6g} m; nothing may lie more than {reach:g} m away. "
                "Check the unit and the number format."
            )
            raise ValueError(message)
        return value

    def _slow(self, text: str) -> float:
        unit = self._known_unit()
        if "." in text:
            return decimal(text) * unit
        if not self._declared:
            message = (
                "coordinates before a number format; without one their decimal point is unknown. "
                "Add the format the file was written with, for instance %FSLAX46Y46*%."
            )
            raise ValueError(message)
        found = _DIGITS.match(text)
        if found is None:
            message = f"coordinate {quoted(text)} is not a number of at most 18 digits. Repair it."
            raise ValueError(message)
        sign, digits = found.groups()
        places = self._digits[1]
        if self._zeros == "T":
            places = len(digits) - self._digits[0]
        elif self._zeros == "D" and len(digits) != sum(self._digits):
            message = (
                f"coordinate {quoted(text)} has {len(digits)} digits; the format leaves out no zeros and has "
                f"{sum(self._digits)}. Write the file again with FSLA."
            )
            raise ValueError(message)
        return int(sign + digits) * unit * 10.0**-places

    def length(self, value: float, *, reach: float = REACH) -> float:
        """Metres of a decimal number in the file's unit."""
        metres = value * self._known_unit()
        self._used = True
        if not -reach <= metres <= reach:
            message = f"{value:g} is more than {reach:g} m; check the unit and the number."
            raise ValueError(message)
        return metres

    def _known_unit(self) -> float:
        if self.unit is None:
            message = (
                "numbers before a unit; inch and mm differ by 25.4. Add %MOMM*% or %MOIN*%, whichever the file was "
                "written with."
            )
            raise ValueError(message)
        return self.unit


def decimal(text: str) -> float:
    """
    Read a plain decimal number: no exponent, no words.

    Examples
    --------
    >>> decimal("-0.25"), decimal("3")
    (-0.25, 3.0)
    """
    if _DECIMAL.match(text) is None:
        message = f"{quoted(text)} is not a decimal number. Repair it."
        raise ValueError(message)
    value = float(text)
    if not math.isfinite(value):
        message = f"{quoted(text)} is not finite. Repair it."
        raise ValueError(message)
    return value
