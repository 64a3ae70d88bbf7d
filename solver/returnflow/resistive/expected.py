"""What a solve will take, told before it begins: time and memory by models fitted to measurements."""

from __future__ import annotations

from returnflow_geometry.model.numbers import percent, plain

WORTH_SAYING = 60_000  # triangles from which it is said
MOST_BYTES, MOST_SECONDS = 4e9, 600.0  # beyond, what would fit is said too


def resistive(triangles: int, loops: int) -> tuple[float, float]:
    """
    Seconds and bytes of one mesh, both sides.

    Fitted to boards with 300 to 3 000 antipads, 14 000 to 230 000 triangles, and 3 to 300 loops, on one core: within a
    factor of 1.5 of each.

    Examples
    --------
    >>> seconds, size = resistive(232_000, 6)
    >>> 15 < seconds < 25, 2e9 < size < 2.5e9
    (True, True)
    """
    seconds = 7.5e-5 * triangles * (triangles / 1e5) ** 0.1 + 8.5e-7 * triangles * loops
    return seconds, 1.5e8 + (8.5e3 + 55 * loops) * triangles


def fitting(loops: int) -> int:
    """
    Triangles of which one mesh fits into what is thought usual memory.

    Examples
    --------
    >>> resistive(fitting(6), 6)[1] <= MOST_BYTES < resistive(fitting(6) + 1000, 6)[1]
    True
    """
    empty, full = (resistive(count, loops)[1] for count in (0, 1_000_000))
    return int(1e6 * (MOST_BYTES - empty) / (full - empty))


def magnetic(triangles: int, coppers: int) -> tuple[float, float]:
    """
    Seconds and bytes of one magnetic mesh.

    From 100 000 triangles of one copper in 45 s and 2 GB to 227 000 of six coppers in 11 minutes and 6.8 GB: within a
    factor of two.
    """
    return 4.5e-4 * triangles * coppers, 2e4 * triangles * coppers**0.25


def said(triangles: int, seconds: float, size: float, accuracy: float | None = None) -> str:
    """
    Words on what is expected, empty where it is little.

    Parameters
    ----------
    triangles : int
    seconds, size : float
    accuracy : float, optional
        Asked for, where another one is a way out: what is uncertain goes with one over the triangles.

    Examples
    --------
    >>> said(20_000, 2.0, 3e8)
    ''
    >>> said(100_000, 8.0, 1e9)
    '100000 triangles to solve: about 8 s and 1 GB expected'
    >>> said(800_000, 90.0, 8e9, 0.01)
    '800000 triangles to solve: about 90 s and 8 GB expected. Leave out coppers or loops; accuracy 2 % would fit'
    """
    if triangles < WORTH_SAYING:
        return ""
    time = f"{plain(seconds, 2)} s" if seconds < 120 else f"{plain(seconds / 60, 2)} minutes"
    words = f"{plain(triangles, 6)} triangles to solve: about {time} and {plain(size / 1e9, 2)} GB expected"
    over = max(size / MOST_BYTES, seconds / MOST_SECONDS)
    if over <= 1:
        return words
    fits = "" if accuracy is None else f"; accuracy {percent(accuracy * over)} would fit"
    return f"{words}. Leave out coppers or loops{fits}"
