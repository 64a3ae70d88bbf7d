"""What copper is: its resistivity, by temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence

from returnflow_geometry.model.board import Layer

RHO20 = 1e-6 / 58  # ohm m; annealed copper at 20 °C [NBS100]
ALPHA20 = 0.00393  # 1/K, at constant mass [NBS100]
PLATING = 20e-6  # m, on hole walls where nobody says how thick; common practice, no source
LINEAR_RANGE = (-60.0, 200.0)  # degree Celsius, where the resistivity is close to linear in temperature
COLDEST = 20 - 1 / ALPHA20  # degree Celsius, where the linear law gives none


def resistivity(temperature: float) -> float:
    """
    Resistivity of annealed copper in ohm metres at a temperature in degrees Celsius.

    Linear law, rho20 (1 + alpha20 (T - 20)); good from about -60 to 200 °C. Plating from a bath may have a few per cent
    more. Source: National Bureau of Standards, Copper Wire Tables, Handbook 100 (1966).

    Raises
    ------
    ValueError
        Where the linear law gives no positive resistivity.

    Examples
    --------
    >>> print(f"{resistivity(20.0):.6e} {resistivity(125.0) / resistivity(20.0):.5f}")
    1.724138e-08 1.41265
    """
    factor = 1 + ALPHA20 * (temperature - 20)
    if not factor > 0:
        message = f"Invalid temperature {temperature} °C. The linear law of copper needs more than {COLDEST:.0f} °C."
        raise ValueError(message)
    return RHO20 * factor


def wall_area(diameter: float, plating: float, straight: float = 0.0) -> float:
    """
    Cross-section of a hole's plating, m2; `straight` is the length of a slot's centre line.

    The finished hole has the diameter d, so the wall of thickness t has the mean diameter d + t: pi (d + t) t, and
    2 t more per length of a slot. Closed form.

    Examples
    --------
    >>> print(f"{wall_area(0.3e-3, 20e-6):.4e}")
    2.0106e-08
    """
    return (math.pi * (diameter + plating) + 2 * straight) * plating


def barrel_length(layers: Sequence[Layer], first: int, last: int) -> float:
    """Distance from the middle of one copper to the middle of another further down, m."""
    between = sum(layer.below or 0.0 for layer in layers[first:last])
    coppers = sum(layer.thickness for layer in layers[first + 1 : last])
    return between + coppers + (layers[first].thickness + layers[last].thickness) / 2
