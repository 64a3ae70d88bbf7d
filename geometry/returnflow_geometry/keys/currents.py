"""Currents of noisy loops, by frequency: a spectrum, a trapezoid, and where the model of a board ends."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from returnflow_geometry.keys.pairs import MAX_REPORTED, read_pairs, two_numbers
from returnflow_geometry.keys.reading import Spot, as_number, number
from returnflow_geometry.model.board import Loop, Trapezoid
from returnflow_geometry.model.currents import harmonics
from returnflow_geometry.model.wording import label, show

LAST = 10e9  # Hz: beyond, no board is small against the wavelength
CAUTION = 1e9  # Hz: the wavelength is 300 mm in air, half of that in a board
GATHERS = 1e3  # Hz: above, the return begins to gather under the outgoing conductor
MAX_LINES = 10_000
MAX_FREQUENCIES = 200
DUTY = 0.5
_BEYOND = f"the model ends at {LAST / 1e9:g} GHz, as the board must be small against the wavelength"
_CORRECT = "correct the value, and check its unit"


def frequency_reader(*, above: float | None = None) -> Callable[[Spot, object], float | None]:
    """Make a reader of a frequency in hertz: at least 0, or greater than `above`, up to where the model ends."""
    read_number = number(above=above) if above is not None else number(least=0)

    def read(spot: Spot, value: object) -> float | None:
        result = read_number(spot, value)
        if result is not None and result > LAST:
            spot.wrong(f"is {show(value)}", _BEYOND, _CORRECT)
            return None
        return result

    return read


_read_frequency = frequency_reader()


def read_spectrum(spot: Spot, value: object) -> tuple[tuple[float, float], ...] | None:
    """Read lines of frequency and rms current in any order; return them by frequency."""
    lines = read_pairs(
        spot, value, _read_line, rule="must be a list of lines [frequency in hertz, amperes rms]", form="[f, A]",
        what="line", most=MAX_LINES, fewer="out the weakest",
    )  # fmt: skip
    if lines is None or not _different(spot, [line[0] for line in lines], "line"):
        return None
    return tuple(sorted(lines))


def _read_line(spot: Spot, value: object) -> tuple[float, float] | None:
    pair = two_numbers(value)
    if pair is None or pair[0] < 0 or not pair[1] > 0:
        rule = "must be [f, A], a frequency in hertz, at least 0, and a current in amperes rms, greater than 0"
        spot.wrong(f"is {show(value)}", rule, "write it as [f, A]")
        return None
    if pair[0] > LAST:
        spot.wrong(f"is {show(value)}", _BEYOND, "leave it out, or correct the value and check its unit")
        return None
    return (pair[0] + 0.0, pair[1])  # makes -0 a 0


def _different(spot: Spot, frequencies: Sequence[float], what: str) -> bool:
    """Tell whether no frequency is given twice; note it otherwise."""
    seen: dict[float, int] = {}
    for index, frequency in enumerate(frequencies, start=1):
        if frequency in seen:
            spot.wrong(
                f"has {what} {seen[frequency]} and {what} {index} both at {frequency:g} Hz",
                "each frequency must be given once",
                "leave out one of them" if what == "number" else "leave out one of them, or add their powers",
            )
            return False
        seen[frequency] = index
    return True


def read_frequencies(spot: Spot, value: object) -> tuple[float, ...] | None:
    """Read the frequencies asked for, in any order; return them ascending."""
    if not isinstance(value, list) or not value:
        spot.wrong(
            f"is {show(value)}",
            "must be a list of frequencies in hertz",
            "write it as [f, f, ...]" if as_number(value) is None else f"write it as [{show(value)}]",
        )
        return None
    if len(value) > MAX_FREQUENCIES:
        spot.wrong(f"has {len(value)} numbers", f"at most {MAX_FREQUENCIES} are computed", "leave out some")
        return None
    before = len(spot.book.mistakes)
    result: list[float] = []
    for index, item in enumerate(value, start=1):
        frequency = _read_frequency(spot.within(f" number {index}"), item)
        if frequency is not None:
            result.append(frequency + 0.0)
        elif len(spot.book.mistakes) - before >= MAX_REPORTED:
            return None
    if len(spot.book.mistakes) > before or not _different(spot, result, "number"):
        return None
    return tuple(sorted(result))


def build_trapezoid(spot: Spot, values: Mapping[str, Any]) -> Trapezoid | None:
    """Trapezoid of the keys of its table, if its edges fit into the period."""
    frequency, rise, duty = values["frequency_Hz"], values["rise_s"], values.get("duty", DUTY)
    longest = min(duty, 1 - duty) / frequency
    if not rise <= longest * (1 + 1e-9):
        spot.within(".rise_s").wrong(
            f"is {rise:g}, with frequency_Hz {frequency:g} and duty {duty:g}",
            f"must be at most min(duty, 1 - duty) / frequency_Hz = {longest:.6g} s, else the edges overlap",
            "correct one of them",
        )
        return None
    swing, mean = values["swing_A"], values.get("mean_A", 0.0)
    if "mean_A" in values and values.get("unipolar"):
        spot.within(".mean_A and unipolar").wrong(
            "are given together", "a current that never reverses has the mean swing_A x duty", "remove one of them"
        )
        return None
    if values.get("unipolar"):
        mean = swing * duty
    return Trapezoid(frequency=frequency, swing=swing, rise=min(rise, longest), duty=duty, mean=mean)


def read_unipolar(spot: Spot, value: object) -> bool | str | None:
    """Read whether a current never reverses: true, false, or the reason why it does not."""
    if isinstance(value, bool) or (isinstance(value, str) and value.strip()):
        return value
    spot.wrong(f"is {show(value)}", "must be true, or the reason in words", 'write unipolar = "resistive load"')
    return None


def highest(loop: Loop) -> float:
    """
    Highest frequency in hertz that matters in a noisy loop's current; 0 where none is given.

    A trapezoid falls off quickly above 1 / (pi rise).
    """
    if loop.spectrum is not None:
        return loop.spectrum[-1][0]
    if loop.trapezoid is not None:
        return max(loop.trapezoid.frequency, 1 / (math.pi * loop.trapezoid.rise))
    return loop.frequency or 0.0


def line_frequencies(loop: Loop) -> tuple[float, ...] | None:
    """
    Frequencies in hertz at which a noisy loop has a current, ascending; None if that is not known.

    Examples
    --------
    >>> line_frequencies(Loop(name="a", role="noisy", inject="i", return_="r", spectrum=((0.0, 1.0), (1e3, 0.2))))
    (0.0, 1000.0)
    """
    if loop.spectrum is not None:
        return tuple(f for f, _ in sorted(loop.spectrum))
    if loop.trapezoid is not None:
        frequency, current = harmonics(loop.trapezoid)
        steady = (0.0,) if loop.trapezoid.mean else ()
        return (*steady, *frequency[current > 0].tolist())
    return None if loop.frequency is None else (loop.frequency,)


def current_assumptions(loop: Loop) -> list[str]:
    """Sentences about what is assumed of a noisy loop's frequencies."""
    name, top = label("Loop", loop.name), highest(loop)
    found = []
    if top > GATHERS and loop.route is None and loop.supply is None:
        found.append(f"{name}: closed far away: no outgoing conductor is given, so its return cannot gather under one.")
    if top > CAUTION:
        found.append(f"{name}: its current reaches {caution(top)}")
    return found


def heard_far_away(loops: Sequence[Loop]) -> list[str]:
    """Sentences about sensitive loops without an outgoing conductor that hear lines which gather under one."""
    reach = max((highest(loop) for loop in loops if loop.role == "noisy"), default=0.0)
    return [
        f"{label('Loop', loop.name)}: closed far away: no outgoing conductor is given, so what it hears above "
        f"{GATHERS / 1e3:g} kHz is that of a wire far from the board."
        for loop in loops
        if loop.role == "sensitive" and loop.route is None and min(reach, (loop.band or (0, reach))[1]) > GATHERS
    ]


def caution(frequency: float) -> str:
    """Say what to think of a frequency above `CAUTION`."""
    return (
        f"{frequency / 1e9:.3g} GHz, above {CAUTION / 1e9:g} GHz, where few boards are small against the wavelength, "
        "as the model takes them: treat the numbers there as a rough guide only."
    )
