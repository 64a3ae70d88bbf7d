"""Copper foil: temperature and thickness to sheet resistance, and where the resistive picture ends."""

from __future__ import annotations

import cmath
import math

from returnflow_geometry.model.material import resistivity

MU0 = 4e-7 * math.pi  # H/m
LIGHT = 299_792_458.0  # m/s
MOST_SKINS = 30.0  # a thickness of more skin depths is as good as infinite


def sheet_resistance(thickness: float, temperature: float = 20.0) -> float:
    """
    Sheet resistance in ohm per square of foil of a thickness in metres.

    Raises
    ------
    ValueError
        If the thickness is not positive.

    Examples
    --------
    >>> print(f"{1e3 * sheet_resistance(35e-6):.6f} mOhm per square")
    0.492611 mOhm per square
    """
    if not thickness > 0:
        message = f"Invalid thickness {thickness} m. Must be > 0."
        raise ValueError(message)
    return resistivity(temperature) / thickness


def skin_depth(frequency: float, temperature: float = 20.0) -> float:
    """
    Skin depth in metres of copper at a frequency in hertz, > 0.

    Examples
    --------
    >>> print(f"{1e6 * skin_depth(1e6):.4f} um")
    66.0855 um
    """
    if not frequency > 0:
        message = f"Invalid frequency {frequency} Hz. Must be > 0."
        raise ValueError(message)
    return math.sqrt(resistivity(temperature) / (math.pi * frequency * MU0))


def resistive_limit(sheet: float, distance: float) -> float:
    """
    Frequency in hertz at which the return of a loop of that size in metres begins to leave the resistive pattern.

    f = Rs / (2 mu0 d): an estimate to within a factor of about two, derived for a trace over a plane (see
    DEVELOPERS.md); infinite for a loop of no size. Below a third of it the resistive picture holds; above, the return
    gathers under the trace.

    Examples
    --------
    >>> print(f"{resistive_limit(sheet_resistance(35e-6), 0.1):.0f} Hz")
    1960 Hz
    """
    return sheet / (2 * MU0 * distance) if distance > 0 else math.inf


def sheet_impedance(thickness: float, frequency: float, temperature: float = 20.0) -> complex:
    """
    Surface impedance in ohm per square of foil with the field on one side: (1+j) rho/delta coth((1+j) t/delta).

    Tends to the sheet resistance at low frequency and to (1+j) rho/delta where the foil is thick against the skin
    depth. Source: Ramo, Whinnery, Van Duzer, Fields and Waves in Communication Electronics (from memory); the value
    at 1, 10 and 100 MHz checked independently.

    Parameters
    ----------
    thickness : float
        Metres, > 0.
    frequency : float
        Hertz, >= 0.
    temperature : float
        Degrees Celsius.

    Examples
    --------
    >>> print(f"{1e3 * sheet_impedance(35e-6, 10e6):.5f} mOhm per square")
    0.75898+0.78134j mOhm per square
    """
    dc, ratio = _skins(thickness, frequency, temperature)
    return dc * _coth(ratio)


def transfer_impedance(thickness: float, frequency: float, temperature: float = 20.0) -> complex:
    """
    Field on one face of foil in V/m per A/m on the other face, ohm per square: (1+j) rho/delta / sinh((1+j) t/delta).

    Tends to the sheet resistance at low frequency and falls with exp(-t/delta): so foil shields. With the surface
    impedance it is all that a foil is between its faces (from memory, as above; derived in the tests).

    Examples
    --------
    >>> print(f"{1e3 * abs(transfer_impedance(35e-6, 100e6)):.4f} mOhm per square")
    0.0370 mOhm per square
    """
    dc, ratio = _skins(thickness, frequency, temperature)
    return dc * (ratio / cmath.sinh(ratio) if 0 < ratio.real < MOST_SKINS else complex(ratio == 0))


def face_impedances(thickness: float, frequency: float, temperature: float = 20.0) -> tuple[complex, complex]:
    """
    Half of the sum and half of the difference of surface and transfer impedance, ohm per square.

    They belong to the whole current of both faces, and to the difference of the two.
    """
    dc, ratio = _skins(thickness, frequency, temperature)
    half = 0.5 * ratio
    common = dc * _coth(half)
    return common, half**2 * dc**2 / common  # coth times tanh is one


def _coth(ratio: complex) -> complex:
    """Ratio times its hyperbolic cotangent; of a large one that is one, and tanh keeps a small one exact."""
    if ratio == 0:
        return 1.0 + 0j
    return ratio / cmath.tanh(ratio) if ratio.real < MOST_SKINS else ratio


def _skins(thickness: float, frequency: float, temperature: float) -> tuple[float, complex]:
    """Sheet resistance, and (1+j) times the thickness in skin depths."""
    dc = sheet_resistance(thickness, temperature)
    if not frequency >= 0:
        message = f"Invalid frequency {frequency} Hz. Must be >= 0."
        raise ValueError(message)
    return dc, (1 + 1j) * thickness / skin_depth(frequency, temperature) if frequency > 0 else 0j
