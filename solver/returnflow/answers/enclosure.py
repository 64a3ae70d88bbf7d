"""The enclosure: what its bonds carry, and what it makes of the voltages between cables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.spectra import lines_of
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.link_changes import LinkView
from returnflow_geometry.model.board import Case

Floats = NDArray[np.float64]

MOST_LINES = 200  # of all noisy loops together, the loudest of each


@dataclass(frozen=True, kw_only=True)
class Bond:
    """What a bond of an enclosure carries: A rms of all lines, and the loop and line of which it carries most."""

    name: str
    current: float
    loop: str
    frequency: float
    strongest: float


@dataclass(frozen=True, kw_only=True)
class Shielded:
    """Voltage between two cables, V rms of all lines above 0 Hz in their band, and what it is with all bonds open."""

    loop: str
    voltage: float
    without: float


@dataclass(frozen=True, kw_only=True)
class Enclosure:
    """One copper off the board, its bonds, and what they do."""

    copper: str
    bonds: tuple[Bond, ...]
    cables: tuple[Shielded, ...]


def enclosures(case: Case, model: Broadband | None) -> tuple[Enclosure, ...]:
    """What every bonded copper off the board does above 0 Hz; none where nothing is solved or flows there."""
    board = case.board
    frequency, current = _lines(case)
    if model is None or not len(frequency):
        return ()
    off = {layer.name for layer in board.layers if layer.off_board}
    names = model.system.stack.links.names
    lying = {terminal.name: terminal.copper for terminal in board.terminals}
    found = []
    view = None
    for copper in board.coppers:
        bonds = [
            link.name
            for link in board.links
            if copper.layer in off
            and link.name in names
            and (lying[link.between[0]] == copper.name) != (lying[link.between[1]] == copper.name)
        ]
        if bonds:
            view = view or LinkView.of_all(model, frequency)
            found.append(_enclosure(case, copper.name, bonds, view, current))
    return tuple(found)


def _lines(case: Case) -> tuple[Floats, Floats]:
    """All lines above 0 Hz: frequencies (n,), and the current of every loop at them (n, loops), A rms."""
    each = []
    noisy = [j for j, loop in enumerate(case.loops) if loop.role == "noisy"]
    most = max(1, MOST_LINES // max(1, len(noisy)))
    for j in noisy:
        lines = lines_of(case.loops[j])
        some = np.flatnonzero(lines.frequency > 0)
        some = some[np.argsort(-lines.current[some] * lines.frequency[some])[:most]]
        each += [(float(lines.frequency[n]), j, float(lines.current[n])) for n in some]
    frequency = np.unique(np.array([f for f, _, _ in each], dtype=float))
    current = np.zeros((len(frequency), len(case.loops)))
    for f, j, amperes in each:
        current[np.searchsorted(frequency, f), j] = amperes
    return frequency, current


def _enclosure(case: Case, copper: str, names: list[str], view: LinkView, current: Floats) -> Enclosure:
    at = np.array([view.links.names.index(name) for name in names])
    carried = np.abs(view.current[:, at]) * current[:, None, :]
    bonds = []
    for n, name in enumerate(names):
        f, j = np.unravel_index(np.argmax(carried[:, n]), carried[:, n].shape)
        bonds.append(
            Bond(
                name=name,
                current=float(np.linalg.norm(carried[:, n])),
                loop=case.loops[int(j)].name,
                frequency=float(view.frequencies[f]),
                strongest=float(carried[f, n, j]),
            )
        )
    opened = view.with_others(at, np.full((len(view.frequencies), len(at)), np.inf))
    cables = []
    for i, loop in enumerate(case.loops):
        if loop.role == "cables":
            low, high = loop.band or (0.0, np.inf)
            inside = ((view.frequencies >= low) & (view.frequencies <= high))[:, None]
            now, then = (float(np.linalg.norm(np.abs(Z[:, i]) * current * inside)) for Z in (view.impedance, opened))
            cables.append(Shielded(loop=loop.name, voltage=now, without=then))
    return Enclosure(copper=copper, bonds=tuple(bonds), cables=tuple(cables))
