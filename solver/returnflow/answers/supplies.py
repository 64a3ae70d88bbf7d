"""Supplies: the impedance that a device's pins see, its noise, what makes its peaks, and what capacitors do for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.spectra import lines_of
from returnflow.magnetic.broadband import Broadband
from returnflow.magnetic.charged import Charged
from returnflow.magnetic.link_changes import LinkView
from returnflow_geometry.model.board import Board, Case, Loop

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Complexes = NDArray[np.complex128]

LOWEST, POINTS = 1e4, 181  # Hz, and how many frequencies from there up to the highest asked for, 1 GHz at least
ZOOM = 12  # more of them on either side of every peak
MOST_LINES = 160  # the loudest lines are judged one by one; what is left out is less than its part of the current
MOST_MORE = 24  # capacitors that are tried to be added
HELPS = 0.001  # of the ratio to the limit: one more capacitor that does less does not help
ALIKE = 0.05  # of the ratio to the limit: places that differ by less do not matter


@dataclass(frozen=True, kw_only=True)
class Resonance:
    """
    A peak or a dip of the impedance at a supply pin, and what makes it.

    `capacitance` and `inductance` name what stores most of either energy: a bank, a link, or "" for planes and pins.
    `standing` where the voltage between the planes is a standing wave.
    """

    frequency: float  # Hz
    impedance: float  # ohm
    peak: bool
    capacitance: str
    inductance: str
    standing: bool


@dataclass(frozen=True, kw_only=True)
class Capacitor:
    """One capacitor: the ratio to the limit without it, and with one more of its kind beside it."""

    link: str
    bank: str
    without: float
    doubled: float


@dataclass(frozen=True, kw_only=True)
class SupplyFacts:
    """
    What a device finds at its supply pin.

    Attributes
    ----------
    loop : str
    frequencies, impedance : arrays
        Hertz, and ohm at the pins, absolute; finer about peaks.
    target : array
        Ohm at these; infinite where nothing is asked.
    resonances : tuple of Resonance
    noise : float
        V rms of its own current, all lines together.
    loudest : (float, float)
        Frequency of the line with the largest voltage, and that voltage, V rms.
    ratio : float
        Noise over what it tolerates, or the impedance over its target where it is worst.
    worst : float
        Hertz where the impedance is worst against its target; that of the loudest line else.
    capacitors : tuple of Capacitor
    more : tuple of (str, float)
        Beside which capacitor one is added each time, and the ratio with it; empty where it is enough already.
    """

    loop: str
    frequencies: Floats
    impedance: Floats
    target: Floats
    resonances: tuple[Resonance, ...]
    noise: float
    loudest: tuple[float, float]
    ratio: float
    worst: float
    capacitors: tuple[Capacitor, ...]
    more: tuple[tuple[str, float], ...]

    @property
    def enough(self) -> bool:
        """Whether the limit is kept."""
        return self.ratio <= 1

    def spread(self, bank: str) -> float:
        """By how much the ratio differs between the best and the worst place for one more, relative to it."""
        values = [item.doubled for item in self.capacitors if item.bank == bank]
        return (max(values) - min(values)) / self.ratio if len(values) > 1 and self.ratio > 0 else 0.0


def supplies(case: Case, model: Broadband | None) -> tuple[SupplyFacts, ...]:
    """What every supply of a case comes to; none where nothing is solved above 0 Hz."""
    if model is None:
        return ()
    return tuple(_facts(case, model, j) for j, loop in enumerate(case.loops) if loop.supply is not None)


def _facts(case: Case, model: Broadband, number: int) -> SupplyFacts:
    loop, board = case.loops[number], case.board
    view, at = _scan(case, model, number)
    size = np.abs(view.impedance)
    judged = _Judged.of(loop, model, number, view)
    banks = {link: bank.name for bank in board.banks for link in bank.links}
    # Without a line in its band there is nothing that a capacitor could change.
    known = [n for n, name in enumerate(view.links.names) if name in banks and len(judged.view.frequencies)]
    kinds = [banks[view.links.names[n]] for n in known]
    ratio, worst = judged.ratio(judged.view.impedance)
    capacitors = [
        Capacitor(
            link=view.links.names[n],
            bank=banks[view.links.names[n]],
            without=judged.ratio(judged.changed({n: 0}))[0],
            doubled=judged.ratio(judged.changed({n: 2}))[0],
        )
        for n in known
    ]
    volts = judged.volts(judged.view.impedance)
    loud = int(np.argmax(volts)) if len(volts) else -1
    return SupplyFacts(
        loop=loop.name,
        frequencies=view.frequencies,
        impedance=size,
        target=_target(loop, view.frequencies),
        resonances=tuple(_resonance(board, model, view, n, peak=peak) for n, peak in at),
        noise=float(np.sqrt(np.sum(volts**2))),
        loudest=(float(judged.lines[loud]), float(volts[loud])) if len(volts) else (0.0, 0.0),
        ratio=ratio,
        worst=worst,
        capacitors=tuple(capacitors),
        more=tuple((view.links.names[n], value) for n, value in _more(judged, known, kinds, ratio)),
    )


def _scan(case: Case, model: Broadband, number: int) -> tuple[LinkView, list[tuple[int, bool]]]:
    """Impedance over frequency, finer where it peaks or dips; and the numbers of peaks (True) and dips."""
    top = float(np.clip(case.frequencies[-1], 1e9, 3e9))
    grid = np.geomspace(LOWEST, top, POINTS)
    for _ in range(2):
        view = LinkView.of(model, number, grid)
        turns = _turns(np.abs(view.impedance))
        more = [np.geomspace(grid[n - 1], grid[n + 1], ZOOM) for n, _ in turns]
        grid = np.unique(np.concatenate([grid, *more]))
    view = LinkView.of(model, number, grid)
    return view, _turns(np.abs(view.impedance))


def _turns(size: Floats) -> list[tuple[int, bool]]:
    inner = size[1:-1]
    peaks = np.flatnonzero((inner > size[:-2]) & (inner >= size[2:])) + 1
    dips = np.flatnonzero((inner < size[:-2]) & (inner <= size[2:])) + 1
    return sorted([(int(n), True) for n in peaks] + [(int(n), False) for n in dips])


def _target(loop: Loop, frequencies: Floats) -> Floats:
    asked = loop.supply
    if asked is None or asked.target is None or asked.band is None:
        return np.full(len(frequencies), np.inf)
    inside = (frequencies >= asked.band[0]) & (frequencies <= asked.band[1])
    return np.where(inside, asked.target, np.inf)


@dataclass(frozen=True)
class _Judged:
    """What a supply is judged by: its lines, or the band of its target."""

    view: LinkView
    lines: Floats
    current: Floats
    tolerates: float | None
    target: Floats

    @classmethod
    def of(cls, loop: Loop, model: Broadband, number: int, scanned: LinkView) -> _Judged:
        asked, lines = loop.supply, lines_of(loop)
        assert asked is not None
        inside = lines.frequency > 0
        if asked.band is not None:
            inside &= (lines.frequency >= asked.band[0]) & (lines.frequency <= asked.band[1])
        f, current = lines.frequency[inside], lines.current[inside]
        if len(f) > MOST_LINES:
            # By the voltage that they would make.
            guess = current * np.interp(np.log(f), np.log(scanned.frequencies), np.abs(scanned.impedance))
            kept = np.sort(np.argsort(guess)[-MOST_LINES:])
            f, current = f[kept], current[kept]
        target = _target(loop, scanned.frequencies)
        if asked.target is not None:
            return cls(scanned, f, current, None, target)
        if len(f):
            view = LinkView.of(model, number, f)
        else:
            view = replace(scanned, frequencies=f, impedance=scanned.impedance[:0])
        return cls(view, f, current, asked.tolerates, np.full(len(f), np.inf))

    def volts(self, impedance: Complexes) -> Floats:
        """Voltage of every line, V rms."""
        if self.tolerates is None:
            logs = np.log(self.view.frequencies)
            return self.current * np.exp(np.interp(np.log(self.lines), logs, np.log(np.abs(impedance))))
        return self.current * np.abs(impedance)

    def ratio(self, impedance: Complexes) -> tuple[float, float]:
        """To the limit, and at which frequency it is worst."""
        if self.tolerates is None:
            part = np.abs(impedance) / self.target
            worst = int(np.argmax(part))
            return float(part[worst]), float(self.view.frequencies[worst])
        volts = self.volts(impedance)
        if not len(volts):
            return 0.0, 0.0
        return float(np.sqrt(np.sum(volts**2)) / self.tolerates), float(self.lines[np.argmax(volts)])

    def changed(self, count: dict[int, int]) -> Complexes:
        """Impedance with so many of some links in one place: none, or two of them."""
        at = np.array(sorted(count), dtype=np.int64)
        own = self.view.of_links[:, at]
        many = np.array([count[n] for n in at.tolist()], dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            more = np.where(many > 0, own * (1 / many - 1), np.inf)
        return self.view.with_others(at, more)


def _more(judged: _Judged, known: Sequence[int], kinds: Sequence[str], ratio: float) -> list[tuple[int, float]]:
    """
    One more capacitor at a time, where it helps most, until the limit is kept or none helps any more.

    Where no single one helps, as with resonances that one alone only moves, one more beside each of a kind may.
    """
    found: list[tuple[int, float]] = []
    count: dict[int, int] = {}
    every = [[n] for n in known]
    whole = [[n for n, kind in zip(known, kinds, strict=True) if kind == one] for one in dict.fromkeys(kinds)]
    while known and ratio > 1 and len(found) < MOST_MORE:
        for steps, worth in ((every, HELPS), (whole, ALIKE)):
            trials = [
                (judged.ratio(judged.changed({**count, **{n: count.get(n, 1) + 1 for n in some}}))[0], some)
                for some in steps
                if len(found) + len(some) <= MOST_MORE
            ]
            best, where = min(trials, default=(np.inf, []))
            if best < (1 - worth) * ratio:
                break
        else:
            break
        count |= {n: count.get(n, 1) + 1 for n in where}
        ratio = best
        found += [(n, best) for n in where]
    return found


def _resonance(board: Board, model: Broadband, view: LinkView, n: int, *, peak: bool) -> Resonance:
    """What stores the energies at one frequency."""
    w = 2 * np.pi * view.frequencies[n]
    squares = np.abs(view.current[n]) ** 2
    links = view.links
    banks = {link: bank.name for bank in board.banks for link in bank.links}
    stored: dict[str, float] = {}
    held: dict[str, float] = {}
    for number, name in enumerate(links.names):
        owner = banks.get(name, name)
        held[owner] = held.get(owner, 0.0) + w * links.inductance[number] * squares[number]
        stored[owner] = stored.get(owner, 0.0) + links.elastance[number] / w * squares[number]
    standing = False
    if isinstance(model, Charged):
        q = np.append(np.zeros(model.system.loops, dtype=complex), view.displaced[n])
        each = (np.abs(q) ** 2 * np.diag(model.elastance).real) / w
        even = np.any(np.abs(model.ports.system.link_current) > 0.5, axis=0)
        most = max([float(each[even].sum()), *stored.values()], default=0.0)
        standing = bool(each[~even].sum() > most)
        stored[""] = float(each.sum())
    # At resonance both energies are equal: what no link holds, planes and pins do.
    held[""] = max(sum(stored.values()) + float(view.impedance[n].imag) - sum(held.values()), 0.0)
    capacitance = max(stored, key=lambda name: stored[name], default="")
    if peak and capacitance:
        # What is in series with it takes its part, and is not what it exchanges its energy with.
        held[capacitance] = 0.0
    return Resonance(
        frequency=float(view.frequencies[n]),
        impedance=float(abs(view.impedance[n])),
        peak=peak,
        capacitance=capacitance,
        inductance=max(held, key=lambda name: held[name]),
        standing=standing,
    )
