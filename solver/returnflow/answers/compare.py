"""One table of all variants: what changes against the case as drawn, and what is no change at all."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.budget import Budget, decibels
from returnflow.answers.frequency import traffic
from returnflow.answers.result import Result
from returnflow.answers.spectra import lines_of
from returnflow.magnetic.broadband import Broadband

Floats = NDArray[np.float64]
# The peak lies where the field is steepest, and meshes differ there.
PEAK_ACCURACY = 0.03
MANY_LINKS, IDLE = 200, 0.01  # currents in links: where there are more, shares that are less everywhere are no news
RowKind = Literal["noise", "cables", "share", "link", "inductance", "gap", "crowding"]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One number of one variant, and how well it is known: `value` within plus or minus `half`, both in SI units."""

    value: float
    half: float


@dataclass(frozen=True, kw_only=True)
class Change:
    """
    From one figure to another.

    Attributes
    ----------
    dB, percent : float
        20 log10 of the ratio, and the ratio less one; infinite or NaN where the base is zero.
    meaningful : bool
        False where the difference is within what both figures are known to: then it is none.
    """

    dB: float  # noqa: N815  the unit's name
    percent: float
    meaningful: bool


@dataclass(frozen=True, kw_only=True)
class Row:
    """
    One quantity over all variants.

    Attributes
    ----------
    kind : str
    loop : str
    other : str
        Region of a share, link of a current, gap of an inductance; else empty.
    unit : str
    limit : float or None
    figures : tuple of Figure or None
        In the order of the variants; None where a variant has no such thing.
    """

    kind: RowKind
    loop: str
    other: str
    unit: str
    limit: float | None
    figures: tuple[Figure | None, ...]

    def change(self, variant: int, base: int = 0) -> Change | None:
        """Change of one variant against the base; None where either has no figure."""
        new, old = self.figures[variant], self.figures[base]
        return None if new is None or old is None else change(old, new)


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """All rows, over variants by name; the first is the base."""

    variants: tuple[str, ...]
    rows: tuple[Row, ...]

    def of(self, kind: RowKind) -> tuple[Row, ...]:
        """Rows of one kind."""
        return tuple(row for row in self.rows if row.kind == kind)


def change(old: Figure, new: Figure) -> Change:
    """
    Difference of two figures.

    Examples
    --------
    >>> change(Figure(value=2.0, half=0.1), Figure(value=1.0, half=0.1))
    Change(dB=-6.020599913279624, percent=-50.0, meaningful=True)
    >>> change(Figure(value=2.0, half=0.1), Figure(value=2.15, half=0.1)).meaningful
    False
    """
    meaningful = abs(new.value - old.value) > old.half + new.half
    if old.value == 0:
        return Change(dB=math.inf if new.value else 0.0, percent=math.nan, meaningful=meaningful)
    ratio = abs(new.value / old.value)
    return Change(
        dB=-math.inf if ratio == 0 else decibels(ratio, 1.0), percent=100 * (ratio - 1), meaningful=meaningful
    )


def compare(results: Mapping[str, Result]) -> Comparison:
    """
    Compare results; the first is what the others are compared with.

    Parameters
    ----------
    results : mapping of variant name to Result
    """
    tables = [_figures(result) for result in results.values()]
    keys = list(dict.fromkeys(key for table in tables for key in table))
    links = [key for key in keys if key[0] == "link"]
    if len(links) > MANY_LINKS:
        idle = {key for key in links if all(table[key][0].value < IDLE for table in tables if key in table)}
        keys = [key for key in keys if key not in idle]
    rows = []
    for key in keys:
        kind, loop, other, unit = key
        found = [table.get(key) for table in tables]
        limit = next((limit for item in found if item is not None for limit in [item[1]]), None)
        rows.append(
            Row(
                kind=kind,
                loop=loop,
                other=other,
                unit=unit,
                limit=limit,
                figures=tuple(None if item is None else item[0] for item in found),
            )
        )
    order: list[RowKind] = ["noise", "cables", "share", "link", "inductance", "gap", "crowding"]
    rows.sort(key=lambda row: order.index(row.kind))
    return Comparison(variants=tuple(results), rows=tuple(rows))


_Key = tuple[RowKind, str, str, str]


def _figures(result: Result) -> dict[_Key, tuple[Figure, float | None]]:
    """Every figure of one result, with its limit."""
    found: dict[_Key, tuple[Figure, float | None]] = {}
    kinds: tuple[tuple[RowKind, tuple[Budget, ...]], ...] = (("noise", result.sensitive), ("cables", result.cables))
    for kind, budgets in kinds:
        for budget in budgets:
            half = max(budget.high - budget.noise, budget.noise - budget.low)
            found[kind, budget.loop, "", "V"] = Figure(value=budget.noise, half=half), budget.limit
    accuracy = result.case.accuracy
    model = None if result.spectral is None else result.spectral.model
    shares = driven_shares(result)
    # The bracket says nothing of a share: its accuracy is the best guess, and what a second mesh changes above 0 Hz.
    halves = accuracy * shares
    inductances = np.zeros((len(result.case.loops),) * 2)
    if model is not None:
        inductances = model.inductance_doubt
        if model.coarse is not None:
            halves = halves + np.abs(shares - driven_shares(result, model.coarse))
    for j, loop in enumerate(result.case.loops):
        for r, region in enumerate(result.case.regions):
            if loop.role == "noisy":
                share = Figure(value=float(shares[r, j]), half=float(halves[r, j]))
                found["share", loop.name, region.name, ""] = share, None
        for n, link in enumerate(result.whole.links.names):
            part = abs(float(result.whole.link_current[j, n]))
            found["link", loop.name, link, ""] = Figure(value=part, half=accuracy * max(part, 1e-6)), None
        if result.spectral is not None:
            facts = result.spectral.facts[j]
            high, half = facts.high_inductance, float(inductances[j, j])
            found["inductance", loop.name, "", "H"] = Figure(value=high, half=half), None
            if facts.gap_inductance is not None:
                gaps = ", ".join(facts.gaps)
                found["gap", loop.name, gaps, "H"] = Figure(value=facts.gap_inductance, half=half), None
        noisy = loop.role == "noisy"
        peak = result.peaks[j].value * (lines_of(loop).rms if noisy else 1.0)
        unit = "A/m" if noisy else "A/m per A"
        found["crowding", loop.name, "", unit] = Figure(value=peak, half=PEAK_ACCURACY * peak), None
    return found


def driven_shares(result: Result, model: Broadband | None = None) -> Floats:
    """
    Share of every noisy loop across every region where its current is strongest, shape (regions, loops).

    At 0 Hz where nothing above is modelled, and for loops that are not noisy. Another model than the result's may be
    given.
    """
    shares = result.shares.copy()
    if result.spectral is None or not shares.size:
        return shares
    at = {}
    for j, loop in enumerate(result.case.loops):
        if loop.role == "noisy":
            lines = lines_of(loop)
            strongest = float(lines.frequency[int(np.argmax(lines.current))])
            if strongest > 0 and not lines.anywhere:
                at[j] = strongest
    if at:
        inside = result.conductors.contact_inside()
        found, _ = traffic(model or result.spectral.model, result.whole.loops, inside, list(at.values()))
        for n, j in enumerate(at):
            shares[:, j] = found[n, :, j]
    return shares
