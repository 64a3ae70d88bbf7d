"""The one picture that shows why: a noisy current over the way back of a weak signal, with the copper they share."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.colors import LogNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from returnflow.answers.budget import Budget, Contribution
from returnflow.answers.coupling import NOTHING_SHARED
from returnflow.answers.result import Result
from returnflow.pictures.canvas import ROLE_COLOURS, Label
from returnflow.pictures.fields import FLOW_MAP, draw_arrows, flow_range, hole_spacing, shared_ranges, ticks_between
from returnflow.pictures.frame import Frame
from returnflow.pictures.maps import Maps, carrying_level, local_mean
from returnflow.pictures.pictured import coupling_parts, noise_frequency
from returnflow.words.answer_text import lead, urgency
from returnflow.words.drives import amperes, drive
from returnflow_geometry.model.board import Board
from returnflow_geometry.model.numbers import engineering, percent
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]

VICTIM_TUBES, NOISY_TUBES = 8, 12
VEIL = (255, 255, 255, 130)  # over copper that matters less: colours below it stay in their order
BROAD = 10.0  # pixels; the outline goes round the shared copper, not along every line where the currents cross squarely


def answered(result: Result) -> tuple[Budget, Contribution] | None:
    """The limit that is told of first, and the noisy loop that has most part in it: see `urgency`."""
    for budget in sorted((*result.sensitive, *result.cables), key=urgency):
        first = lead(budget)
        if first is not None:
            return budget, first[0]
    return None


def _parts(result: Result, budget: Budget, part: Contribution) -> Floats:
    """What every copper has in the coupling, where the noise is made; see `coupling_parts`."""
    at = noise_frequency(result, part)
    return coupling_parts(result, result.index(budget.loop), result.index(part.loop), at)


def telling_copper(result: Result, budget: Budget, part: Contribution) -> int:
    """Number of the copper on which two loops couple most."""
    return int(np.argmax(_parts(result, budget, part)))


def why_frame(result: Result, budget: Budget, part: Contribution) -> Frame:
    """
    Sheet current of the noisy loop, lines of the weak loop's return, and an outline round where both meet.

    On the copper that `result` shows: see `telling_copper`.
    """
    maps = Maps(result, Frame(result, "", "", bar=True).window)
    i, j, at = result.index(budget.loop), result.index(part.loop), noise_frequency(result, part)
    tubes, state = maps.tubes(i, at, VICTIM_TUBES), f"at {engineering(at, 'Hz')}" if at else "resistive limit"
    weak, noisy, board = result.case.loops[i], result.case.loops[j], result.case.board
    density = np.abs(maps.coupling(i, j, at))
    known = np.isfinite(density)
    meeting = bool(_parts(result, budget, part)[result.focus] > 0)
    around = local_mean(density, max(BROAD, hole_spacing(result, maps.window.pixel)))
    level = carrying_level(density[known], around[known]) if meeting else np.inf
    colour, what = ROLE_COLOURS[weak.role], "return of" if weak.role == "sensitive" else "between the connectors of"
    legend: list[tuple[Artist, str]] = [
        (Line2D([], [], color=colour, lw=2.2), f"{what} {named(weak.name)}, {tubes} equal shares"),
        (Line2D([], [], color="#8f8f8f", marker=">", ms=5, lw=0.9), f"flow of {named(noisy.name)}"),
    ]
    if meeting:
        legend.append((Patch(facecolor="none", edgecolor="black", linewidth=2.0), "90 % of the coupling"))
    frame = Frame(
        result,
        f"{noisy.name} {'over the ' if weak.role == 'sensitive' else ''}{what} {weak.name}",
        f"copper {named(result.copper)} on {board.copper(result.copper).layer} · {drive(noisy)} · transfer "
        f"{engineering(abs(result.impedance(at)[i, j]), 'Ω')}, {engineering(part.noise, 'V')} · {state}",
        bar=True,
        legend=legend,
    )
    frame.draw_copper()
    span = next(iter(shared_ranges({0: flow_range(maps, j, at)}).values()))
    shown = frame.draw_field(amperes(noisy) * maps.strength(j, at), LogNorm(span.low, span.high), FLOW_MAP)
    if meeting:
        veil = np.zeros((*around.shape, 4), dtype=np.uint8)
        veil[np.isfinite(around) & (around < level)] = VEIL
        extent = (*frame.axes.get_xlim(), *frame.axes.get_ylim())
        frame.axes.imshow(veil, origin="lower", extent=extent, interpolation="nearest", zorder=2.1)
    noisy_lines = maps.lines(j, at, maps.tubes(j, at, NOISY_TUBES))
    frame.draw_segments(noisy_lines, "#ffffffa0", 0.6, zorder=2.4)
    draw_arrows(frame, noisy_lines)
    if meeting:
        frame.draw_level(around, level, "black", 2.0, "solid", halo="white")
    lines = maps.lines(i, at, tubes)
    frame.draw_segments(lines, "white", 3.4, zorder=2.7)
    frame.draw_segments(lines, colour, 2.0, zorder=2.75)
    frame.draw_copper(over=True)
    frame.draw_terminals()
    # Ends on other copper too: where the current comes from and goes to.
    ends = {name: loop.role for loop in (noisy, weak) for name in (loop.return_, loop.inject)}
    frame.draw_terminals(list(ends), coppers=[copper.name for copper in board.coppers])
    frame.draw_labels(
        [
            Label(_end(board, name, result.copper), board.terminal(name).centre, ROLE_COLOURS[role], 0.0, True, True)
            for name, role in ends.items()
        ],
        lines.reshape(-1, 2),
    )
    frame.draw_bar(shown, f"sheet current of {named(noisy.name)}, A/m", ticks_between(span), extend="both")
    return frame


def _end(board: Board, name: str, copper: str) -> str:
    """Name of a terminal, and its layer where that is not the one shown."""
    layer = board.copper(board.terminal(name).copper).layer
    return name if layer == board.copper(copper).layer else f"{name} on {layer}"


def why_words(result: Result, budget: Budget, part: Contribution) -> tuple[str, str]:
    """Caption and alternative text of that picture."""
    weak, noisy = result.case.loop(budget.loop), result.case.loop(part.loop)
    shares, at = _parts(result, budget, part), noise_frequency(result, part)
    if not shares.max() > 0:
        met = NOTHING_SHARED
    else:
        met = "90 % of the coupling on this plane arises in the outlined copper; the rest is shaded."
        here = float(shares[result.focus] / shares.sum())
        if here < 0.995:
            met += f" This plane has {percent(here)} of all coupling; the details show the others."
    theirs = f"that the return of {named(weak.name)} (blue) also uses"
    if weak.role == "cables":
        theirs = f"between the connectors of {named(weak.name)} (purple: as a current from one to the other would flow)"
    caption = f"Why: {named(noisy.name)} (colours, arrows) returns through the copper {theirs}. {met} " + (
        f"Drawn at {engineering(at, 'Hz')}, which makes most of the noise."
        if at
        else "Resistive limit (low frequency)."
    )
    return (
        caption,
        f"Map of the sheet current of {noisy.name} with the return of {weak.name} and the copper they share.",
    )
