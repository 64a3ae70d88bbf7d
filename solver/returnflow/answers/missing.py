"""What a case does not give and the model would need: outgoing conductors, and a board small against the wavelength."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.spectra import lines_of
from returnflow.resistive.foil import LIGHT, MU0, resistive_limit, sheet_resistance
from returnflow_geometry.model.board import Board, Case, Loop
from returnflow_geometry.model.numbers import engineering, percent
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]

PERMITTIVITY = 4.3  # relative, of the usual glass-epoxy laminate; common practice, no source


def routeless(
    board: Board, loops: tuple[Loop, ...], sheet: float, *, whatever: bool = False
) -> tuple[tuple[str, float], ...]:
    """
    Loops without an outgoing conductor, and above which frequency in hertz that matters.

    Two cables leave the board: what drives them is the voltage between their connectors, and no route is missing. Nor
    is one where a device sits on the board between its two pins.

    Parameters
    ----------
    board : Board
    loops : tuple of Loop
    sheet : float
        Sheet resistance, ohm per square.
    whatever : bool
        Take all loops as such: where nothing is solved above 0 Hz, no route helps.
    """
    found = []
    for loop in loops:
        if (loop.route is None or whatever) and loop.role != "cables" and loop.supply is None:
            (xa, ya), (xb, yb) = (board.terminal(end).centre for end in (loop.inject, loop.return_))
            found.append((loop.name, resistive_limit(sheet, math.hypot(xb - xa, yb - ya))))
    return tuple(found)


def unsolved(board: Board, loops: tuple[Loop, Loop]) -> Floats:
    """
    What induction may have between a noisy loop and a victim, at every line of the first, ohm: by order of magnitude.

    Currents closed far away share mu0 per length, along the shorter of the two ways at most: 1.3 nH/mm.
    """
    ends = [[board.terminal(end).centre for end in (loop.inject, loop.return_)] for loop in loops]
    shorter = min(math.dist(one, other) for one, other in ends)
    found: Floats = 2 * np.pi * lines_of(loops[0]).frequency * MU0 * shorter
    return found


def small_below(case: Case) -> float:
    """
    Frequency in hertz up to which a board is small: its diagonal is a tenth of the wavelength in laminate.

    With a dielectric the planes need not be small, as what is displaced between them is counted: then it is the longest
    outgoing conductor, which is never more than an inductance here; and at most what the patterns of charge serve.
    """
    board = case.board
    if displaces(board):
        from returnflow.magnetic.dielectric import TOP  # here: the check of a case loads no solver

        longest = max((loop.route.length for loop in case.loops if loop.route is not None), default=0.0)
        permittivity = max(layer.permittivity or 1.0 for layer in board.layers)
        return min(TOP, LIGHT / math.sqrt(permittivity) / (10 * longest) if longest else math.inf)
    x0, y0, x1, y1 = board.outline.bounds
    return LIGHT / math.sqrt(PERMITTIVITY) / (10 * math.hypot(x1 - x0, y1 - y0))


def displaces(board: Board) -> bool:
    """Whether displacement current between coppers counts."""
    return any(layer.permittivity is not None for layer in board.layers)


def first_cautions(case: Case) -> list[str]:
    """As `frequency_cautions`, before anything is solved: with the foil of the first copper that a loop enters."""
    board = case.board
    used = {board.terminal(end).copper for loop in case.loops for end in (loop.inject, loop.return_)}
    copper = next((item for item in board.coppers if item.name in used), board.coppers[0])
    return frequency_cautions(case, sheet_resistance(board.layer(copper.layer).thickness, board.temperature))


def frequency_cautions(case: Case, sheet: float) -> list[str]:
    """Sentences on lines and asked frequencies for which the model lacks something."""
    sentences = []
    small, asked = small_below(case), case.frequencies[-1]
    limits = dict(routeless(case.board, case.loops, sheet, whatever=case.steady_only))
    beyond = []
    for loop in case.loops:
        limit = limits.get(loop.name, math.inf)
        lines = lines_of(loop) if loop.role == "noisy" else None
        highest = asked if lines is None else max(asked, float(lines.frequency[-1]))
        if highest > limit and case.steady_only:
            sentences.append(
                f"{named(loop.name)} has lines up to {engineering(highest, 'Hz')}, and above "
                f"{engineering(limit, 'Hz')} resistance alone does not tell where they return: with "
                "frequencies_Hz = [0] nothing is solved there."
            )
        elif highest > limit:
            what = "lines" if lines is not None and float(lines.frequency[-1]) > limit else "frequencies asked for"
            sentences.append(
                f"{named(loop.name)}: {what} up to {engineering(highest, 'Hz')}; above {engineering(limit, 'Hz')} its "
                "return would gather under an outgoing conductor, but none is given: the loop is closed far away."
            )
        if lines is None:
            continue
        if float(lines.frequency[-1]) > small:
            beyond.append(named(loop.name))
        if lines.left_out > 1e-3 * lines.rms:
            sentences.append(
                f"{named(loop.name)}: harmonics above {engineering(float(lines.frequency[-1]), 'Hz')} are left out, "
                f"{percent(lines.left_out / lines.rms)} of its rms current."
            )
    if asked > small:
        beyond.append("the frequencies asked for")
    if beyond and displaces(case.board):
        sentences.append(
            f"Above {engineering(small, 'Hz', 2)} the longest outgoing conductor is no longer short against the "
            f"wavelength (a tenth of it in the dielectric): lines beyond ({', '.join(beyond)}) are indicative only. "
            "Resonances of planes are modelled, those of traces are not."
        )
    elif beyond:
        sentences.append(
            f"Above {engineering(small, 'Hz', 2)} the board is no longer small against the wavelength (a tenth of it "
            f"in laminate): lines beyond ({', '.join(beyond)}) are indicative only; resonances are not modelled."
        )
    return sentences
