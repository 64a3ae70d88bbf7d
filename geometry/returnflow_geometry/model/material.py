"""What copper is: its resistivity, by temperature."""

from __future__ import annotations

RHO20 = 1e-6 / 58  # ohm m; annealed copper at 20 °C [NBS100]
ALPHA20 = 0.00393  # 1/K, at constant mass [NBS100]
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
