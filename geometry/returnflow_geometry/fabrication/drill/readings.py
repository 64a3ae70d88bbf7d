"""How numbers in a drill file are meant: unit, decimal point, and every plausible reading where it does not say."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Unit = Literal["inch", "mm"]
Kept = Literal["leading", "trailing"]
METRES: dict[Unit, float] = {"inch": 0.0254, "mm": 1e-3}

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)\Z")
MOST_DIGITS = 15

# Integer and decimal digits in use, the standard's own first. Source: the published Excellon format (2.4 inch, 3.3
# metric, also 3.2 and 4.2) and XNC; the others are common practice, no source.
DIGITS: dict[Unit, tuple[tuple[int, int], ...]] = {
    "inch": ((2, 4), (2, 5), (2, 3), (3, 5), (2, 6), (3, 3)),
    "mm": ((3, 3), (4, 3), (3, 2), (4, 2), (4, 4), (3, 4), (4, 5), (4, 6)),
}


@dataclass(frozen=True, kw_only=True)
class Reading:
    """
    One way to read the numbers of a drill file.

    `digits` are those before and after the decimal point that is left out, `kept` the zeros that are written; both are
    None where every number is taken as it stands.
    """

    unit: Unit
    digits: tuple[int, int] | None = None
    kept: Kept | None = None

    @property
    def name(self) -> str:
        """Words for a report, for instance ``mm 3.3, leading zeros kept``."""
        if self.digits is None or self.kept is None:
            return f"{self.unit}, numbers as they stand"
        return f"{self.unit} {self.digits[0]}.{self.digits[1]}, {self.kept} zeros kept"

    def metres(self, text: str) -> float:
        """
        Length in metres of one coordinate.

        Examples
        --------
        >>> Reading(unit="mm", digits=(3, 3), kept="leading").metres("0125") * 1e3
        12.5
        >>> Reading(unit="inch", digits=(2, 4), kept="trailing").metres("-5000") * 1e3
        -12.7
        """
        scale = METRES[self.unit]
        if "." in text or self.digits is None or self.kept is None:
            return float(text) * scale
        digits = text.lstrip("+-")
        places = self.digits[1] if self.kept == "trailing" else len(digits) - self.digits[0]
        value = float(int(digits)) / 10.0**places
        return -value * scale if text[0] == "-" else value * scale


@dataclass(kw_only=True)
class Declared:
    """What a drill file says of its numbers, gathered while its lines are read."""

    unit: Unit | None = None
    digits: tuple[int, int] | None = None
    kept: Kept | None = None
    decimal: bool = False  # says that every number has its decimal point


def readings(declared: Declared, numbers: Iterable[str]) -> list[Reading]:
    """
    Every plausible reading of these coordinates, the most likely first.

    A single one where the file declares enough or its numbers leave no choice; none if the numbers have more digits
    than any format in use.

    Parameters
    ----------
    declared : Declared
    numbers : iterable of str
        All coordinates, as written.

    Examples
    --------
    >>> [reading.name for reading in readings(Declared(unit="mm"), ["1.5", "-2.0"])]
    ['mm, numbers as they stand']
    >>> [reading.name for reading in readings(Declared(unit="inch", digits=(2, 4), kept="leading"), ["015"])]
    ['inch 2.4, leading zeros kept']
    """
    bare: set[str] = set()
    pointed = False
    for text in numbers:
        if "." in text:
            pointed = True
        elif text.strip("+-0"):
            bare.add(text.lstrip("+-"))
    units: tuple[Unit, ...] = ("mm", "inch") if declared.unit is None else (declared.unit,)
    found: list[Reading] = []
    for unit in units:
        if not bare or declared.decimal or pointed:
            found.append(Reading(unit=unit))  # beside numbers with a point a bare one is likely a whole number
        if not bare or declared.decimal:
            continue
        keeps: tuple[Kept, ...] = ("trailing", "leading") if declared.kept is None else (declared.kept,)
        longest = max(len(text) for text in bare)
        pairs = (
            [pair for pair in DIGITS[unit] if longest <= sum(pair)] if declared.digits is None else [declared.digits]
        )
        found += [Reading(unit=unit, digits=pair, kept=kept) for kept in keeps for pair in pairs]
    return _distinct(found, bare)


def _distinct(found: list[Reading], bare: set[str]) -> list[Reading]:
    """Drop readings that give every bare number the same value as an earlier one."""
    # one number of each length tells: a reading multiplies the digits by a power of ten that depends on their count
    sample = list({len(text): text for text in bare}.values())
    kept: dict[tuple[float, ...], Reading] = {}
    for reading in found:
        values = (METRES[reading.unit], *(reading.metres(text) for text in sample))
        kept.setdefault(tuple(float(f"{value:.9e}") for value in values), reading)
    return list(kept.values())
