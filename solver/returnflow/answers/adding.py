"""How voltages of several currents add: steady ones with signs, lines that belong together in phase, others not."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.spectra import Lines
from returnflow_geometry.model.board import Loop

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

STEADY = ("steady", 0.0)
UNKNOWN = -1.0  # stands for the frequency of a current whose frequency is not known

Key = tuple[object, float]

# Of a limit: lines that weak decide nothing, even were they wrong by 200 times; with and without a route the same pins
# differed 57 to 177 times.
NEGLIGIBLE = 5e-3


@dataclass(frozen=True, kw_only=True)
class Coupled:
    """
    A noisy loop as one victim sees it.

    Attributes
    ----------
    loop : Loop
    lines : Lines
    transfer, half_width : float
        Transfer resistance and its guaranteed error, ohm.
    impedance : array of complex, shape (lines,)
        Transfer impedance at every line, ohm.
    doubt : array, shape (lines,)
        Its error, ohm: guaranteed at 0 Hz, an estimate above.
    routeless : tuple of (loop, hertz)
        Loops of the pair that have no outgoing conductor, and above which frequency that matters.
    unsolved : array, shape (lines,), or None
        Where nothing is solved above 0 Hz, what induction may have there, ohm: by order of magnitude.
    beside : array, shape (lines,), or None
        Where an outgoing conductor is missing, what induction would have if both ran side by side, ohm.
    """

    loop: Loop
    lines: Lines
    transfer: float
    half_width: float
    impedance: NDArray[np.complex128]
    doubt: Floats
    routeless: tuple[tuple[str, float], ...] = ()
    unsolved: Floats | None = None
    beside: Floats | None = None


def companies(loops: Sequence[Loop]) -> list[int]:
    """
    Number of the group of currents that belong together, for every loop.

    Examples
    --------
    >>> a, b, c = (Loop(name=n, role="noisy", inject="i", return_="r") for n in "abc")
    >>> from dataclasses import replace
    >>> companies([a, replace(b, coherent_with="c"), c])
    [0, 1, 1]
    """
    names = [loop.name for loop in loops]
    group = list(range(len(loops)))
    for number, loop in enumerate(loops):
        if loop.coherent_with in names:
            old, new = group[names.index(loop.coherent_with)], group[number]
            group = [min(old, new) if item in (old, new) else item for item in group]
    return group


def keys_of(lines: Lines, company: int) -> list[Key]:
    """What every line adds to: everything steady is one sum, of other lines those of one frequency and company."""
    if lines.anywhere:
        return [(company, UNKNOWN)]
    return [STEADY if f == 0 else (company, float(f"{f:.9g}")) for f in lines.frequency.tolist()]


@dataclass(frozen=True, kw_only=True)
class Total:
    """
    Sum of many lines of many currents, V.

    Attributes
    ----------
    noise, low, high : float
        Rms, and its bounds.
    parts : tuple of float
        Part of its power that every current makes; they add up to 1, and one is negative if it cancels another.
    steady : tuple of float
        Steady voltage of every current, with its sign.
    worst, worst_high : float
        Where all lines of one frequency happen to be in phase, and its upper bound.
    alike : dict, frequency in hertz to numbers of currents
        Lines of one frequency that several currents have which are not known to belong together.
    """

    noise: float
    low: float
    high: float
    parts: tuple[float, ...]
    steady: tuple[float, ...]
    worst: float
    worst_high: float
    alike: dict[float, tuple[int, ...]]


def add_up(keys: Sequence[list[Key]], volts: Sequence[Complexes], doubts: Sequence[Floats]) -> Total:
    """
    Total of the lines of several currents.

    Parameters
    ----------
    keys : for every current, what each of its lines adds to
    volts : for every current, its voltage at every line, with sign or phase
    doubts : for every current, how well each is known
    """
    sums: defaultdict[Key, complex] = defaultdict(complex)
    unsure: defaultdict[Key, float] = defaultdict(float)
    sizes: defaultdict[float, Floats] = defaultdict(lambda: np.zeros(2))  # as solved, and at most
    who: defaultdict[float, dict[object, int]] = defaultdict(dict)
    for number, (names, values, errors) in enumerate(zip(keys, volts, doubts, strict=True)):
        for key, value, error in zip(names, values.tolist(), errors.tolist(), strict=True):
            sums[key] += value
            unsure[key] += error
            if key != STEADY:
                who[key[1]].setdefault(key[0], number)
    power = sum(abs(value) ** 2 for value in sums.values())
    for key, value in sums.items():
        sizes[key[1]] += (abs(value), abs(value) + unsure[key])
    # What has no known frequency may have that of any other.
    worst = sizes.pop(UNKNOWN, np.zeros(2))
    worst = worst + np.sqrt(np.sum(np.square([np.zeros(2), *sizes.values()]), axis=0))
    parts = [
        sum((value * sums[key].conjugate()).real for key, value in zip(names, values.tolist(), strict=True))
        for names, values in zip(keys, volts, strict=True)
    ]
    return Total(
        noise=power**0.5,
        low=sum(max(abs(value) - unsure[key], 0.0) ** 2 for key, value in sums.items()) ** 0.5,
        high=sum((abs(value) + unsure[key]) ** 2 for key, value in sums.items()) ** 0.5,
        parts=tuple(part / power if power > 0 else 0.0 for part in parts),
        steady=tuple(
            float(sum(value.real for key, value in zip(names, values.tolist(), strict=True) if key == STEADY))
            for names, values in zip(keys, volts, strict=True)
        ),
        worst=float(worst[0]),
        worst_high=float(worst[1]),
        alike={f: tuple(each.values()) for f, each in who.items() if len(each) > 1 and f != UNKNOWN},
    )


def weights(heard: Sequence[tuple[Lines, Floats, int]]) -> Floats:
    """
    Matrix W such that currents' voltages per ampere, times W, are voltages that add in the mean square.

    For places where only the resistive picture counts, shape (currents, k): the noise there is the norm of
    ``transfer @ W``.

    Parameters
    ----------
    heard : sequence of (Lines, part of every line that counts, company)
    """
    columns: defaultdict[Key, Floats] = defaultdict(lambda: np.zeros(len(heard)))
    gram = np.zeros((len(heard), len(heard)))
    for number, (lines, counted, company) in enumerate(heard):
        for key, amps in zip(keys_of(lines, company), (lines.current * counted).tolist(), strict=True):
            columns[key][number] += amps
    steady = columns.pop(STEADY, np.zeros(len(heard)))
    for column in columns.values():
        some = np.flatnonzero(column)
        gram[np.ix_(some, some)] += np.outer(column[some], column[some])
    values, vectors = np.linalg.eigh(gram)
    alternating = vectors * np.sqrt(np.maximum(values, 0.0))
    result: Floats = np.column_stack([steady, alternating])
    return result


def routeless_lines(part: Coupled) -> NDArray[np.bool_]:
    """
    Which lines lie where a missing outgoing conductor matters, shape (lines,).

    Above the limit of its loop, and wherever more is induced than resistive: on separate grounds that is at once.
    """
    if part.lines.anywhere or not part.routeless:
        return np.zeros(len(part.impedance), dtype=bool)
    lowest = min(limit for _, limit in part.routeless)
    induced = np.abs(part.impedance.imag) > np.abs(part.impedance.real)
    result: NDArray[np.bool_] = (part.lines.frequency > lowest) | (induced & (part.lines.frequency > 0))
    return result


def unrouted_loops(
    limit: float,
    parts: Sequence[Coupled],
    keys: Sequence[list[Key]],
    volts: Sequence[Complexes],
    doubts: Sequence[Floats],
    shaky: Sequence[NDArray[np.bool_]],
    sizes: Sequence[Floats],
) -> tuple[tuple[str, ...], float]:
    """
    Loops whose missing outgoing conductor leaves the noise unknown, and the lower bound of what is known without them.

    Where nothing is solved above 0 Hz every conductor is as good as missing.

    Parameters
    ----------
    limit : float, V
    parts : sequence of Coupled
    keys, volts, doubts : as of `add_up`, for every part
    shaky : for every part, which of these lines lie where a missing route matters
    sizes : for every part, the voltage that each line may have, as far as is known
    """
    loud = [float(np.linalg.norm(size[bad])) for size, bad in zip(sizes, shaky, strict=True)]
    if math.hypot(0.0, *loud) <= NEGLIGIBLE * limit:
        return (), 0.0
    names = [
        name
        for part, size in zip(parts, loud, strict=True)
        if size > NEGLIGIBLE * limit / len(parts)
        for name, _ in part.routeless
    ]
    known = add_up(
        [[each[n] for n in np.flatnonzero(~bad)] for each, bad in zip(keys, shaky, strict=True)],
        [values[~bad] for values, bad in zip(volts, shaky, strict=True)],
        [values[~bad] for values, bad in zip(doubts, shaky, strict=True)],
    )
    return tuple(dict.fromkeys(names)), known.low
