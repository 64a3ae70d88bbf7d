"""How every message, table, picture and report spells a number: digits, prefix, a space, the unit."""

from __future__ import annotations

import math
from decimal import Decimal

MM = 1000.0  # millimetres per metre
_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


def plain(value: float, digits: int = 3, *, sign: bool = False) -> str:
    """
    Number of so many significant digits, without an exponent.

    Examples
    --------
    >>> plain(1868.4), plain(0.7113), plain(8.0), plain(-3e-5), plain(8.0, sign=True), plain(0.0, sign=True)
    ('1870', '0.711', '8', '−0.00003', '+8', '0')
    """
    if value == 0 or not math.isfinite(value):
        return f"{abs(value) if value == 0 else value:g}".replace("-", "−")
    return f"{Decimal(f'{value:.{digits}g}'):{'+' if sign else ''}f}".replace("-", "−")


def engineering(value: float, unit: str, digits: int = 3) -> str:
    """
    Value with an SI prefix.

    Examples
    --------
    >>> engineering(3.4e-5, "V"), engineering(0.0, "V"), engineering(999.96e-6, "V"), engineering(-24e6, "Hz")
    ('34 µV', '0 V', '1 mV', '−24 MHz')
    """
    if value == 0 or not math.isfinite(value):
        return f"{plain(value)} {unit}"
    rounded = float(f"{value:.{digits}g}")
    power = min(9, max(-12, 3 * math.floor(math.log10(abs(rounded)) / 3 + 1e-12)))
    return f"{plain(rounded / 10**power, digits)} {_PREFIXES[power]}{unit}"


def percent(fraction: float, digits: int = 3, *, sign: bool = False) -> str:
    """
    Fraction in per cent, to a hundredth of one at most; a small change, with its sign, to its digits.

    Examples
    --------
    >>> percent(0.9876), percent(1.0), percent(0.00123), percent(-0.5), percent(2e-5), percent(0.5, sign=True)
    ('98.8 %', '100 %', '0.12 %', '−50 %', '< 0.01 %', '+50 %')
    """
    if 0 < abs(fraction) < 1e-4 and not sign:
        return "< 0.01 %"
    return f"{plain(100 * fraction if sign else round(100 * fraction, 2), digits, sign=sign)} %"


def within(fraction: float) -> str:
    """
    Relative error either way, in per cent.

    Examples
    --------
    >>> within(0.0123), within(3e-7)
    ('±1.2 %', '±0.00003 %')
    """
    return f"±{plain(100 * fraction, 2)} %"


def dB(value: float, *, sign: bool = False) -> str:
    """
    Decibels, to a tenth; what is less than that, and not nothing, to its first two digits.

    Examples
    --------
    >>> dB(50), dB(-11.31, sign=True), dB(3.0, sign=True), dB(-0.0231, sign=True), dB(0.0, sign=True)
    ('50.0 dB', '−11.3 dB', '+3.0 dB', '−0.023 dB', '0.0 dB')
    """
    small = 0 < abs(value) < 0.05
    text = plain(value, 2, sign=sign) if small else f"{value:{'+' if sign and value else ''}.1f}"
    return f"{text} dB".replace("-", "−")


def changed_by(value: float) -> str:
    """
    Change of a level in words; one that shows in no three digits is none.

    Examples
    --------
    >>> changed_by(-6.02), changed_by(0.02), changed_by(-0.004), changed_by(0.0)
    ('6.0 dB less', '0.02 dB more', 'unchanged', 'unchanged')
    """
    if abs(value) < 0.005:
        return "unchanged"
    return f"{dB(abs(value))} {'less' if value < 0 else 'more'}"


def millimetres(length: float, digits: int = 3) -> str:
    """
    Length in metres; from a metre on to whole millimetres.

    Examples
    --------
    >>> millimetres(0.0123), millimetres(0.0956), millimetres(1.2511)
    ('12.3 mm', '95.6 mm', '1251 mm')
    """
    return f"{plain(MM * length, digits) if MM * length < 1000 else f'{MM * length:.0f}'} mm"


def square_millimetres(area: float) -> str:
    """
    Area in square metres; from a thousand square millimetres on to whole ones.

    Examples
    --------
    >>> square_millimetres(1.8684e-3), square_millimetres(7.1e-7)
    ('1868 mm²', '0.71 mm²')
    """
    return f"{plain(MM**2 * area) if MM**2 * area < 1000 else f'{MM**2 * area:.0f}'} mm²"


def mm(length: float) -> str:
    """
    Length in metres as a case file has it: millimetres without their name, six digits.

    Examples
    --------
    >>> mm(0.0123), mm(-0.0123)
    ('12.3', '-12.3')
    """
    return f"{MM * length:.6g}"


def place(x: float, y: float) -> str:
    """
    Place in metres that was given, spelt as in a case file.

    Examples
    --------
    >>> place(0.0123, -0.02)
    '(12.3, -20) mm'
    """
    return f"({mm(x)}, {mm(y)}) mm"


def near(x: float, y: float) -> str:
    """
    Place in metres that was computed, to a tenth of a millimetre.

    Examples
    --------
    >>> near(0.0123456, -0.02)
    '(12.3, -20.0) mm'
    """
    return f"({MM * x:.1f}, {MM * y:.1f}) mm"
