"""One picture of a study, asked for by name."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from matplotlib.figure import Figure

from returnflow.advice.study import Study
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result, Spectral
from returnflow.pictures import fields, over_frequency, share_chart, why
from returnflow.pictures.board_map import board_frame
from returnflow.pictures.comparisons import compared
from returnflow.pictures.frame import Frame
from returnflow.pictures.lettering import house_style
from returnflow.pictures.maps import Maps
from returnflow.pictures.picture import Wanted
from returnflow.pictures.sources_map import sources_frame
from returnflow.pictures.sweep_charts import sweep_pictures
from returnflow.pictures.why import answered
from returnflow_geometry.model.wording import listed, named


def plot(study: Study, kind: str, loop: str | None, variant: str | None, *, noisy: str | None, hertz: float) -> Figure:
    """Figure of one kind; see `returnflow.notebook.Study.plot`."""
    if kind not in KINDS:
        message = f"Invalid kind {named(kind)}. Give one of {', '.join(KINDS)}."
        raise ValueError(message)
    result = study[variant] if variant is not None else next(iter(study.variants.values()))
    with house_style():
        return KINDS[kind](_Wish(study, result, loop, noisy, hertz))


class _Wish:
    """What is asked for, with what stands in where it is left open."""

    def __init__(self, study: Study, result: Result, loop: str | None, noisy: str | None, hertz: float) -> None:
        self.study, self.result, self.loop, self.noisy, self.hertz = study, result, loop, noisy, hertz

    @property
    def number(self) -> int:
        """Of the loop; by default of the one that has most part in what is worst, else of the first."""
        found = answered(self.result)
        return self.result.index(self.loop or (found[1].loop if found else self.result.loop_names[0]))

    @property
    def budget(self) -> Budget:
        """Of the loop; by default the one that is kept worst."""
        every = (*self.result.sensitive, *self.result.cables)
        if self.loop is None and every:
            return min(every, key=lambda budget: budget.margin_dB)
        found = [budget for budget in every if budget.loop == self.loop]
        if not found:
            what = "No loop has a limit" if self.loop is None else f"{named(self.loop)} is not a loop with a limit"
            message = f"{what}; there are {listed(b.loop for b in every) or 'none'}"
            raise KeyError(message)
        return found[0]

    @property
    def maps(self) -> Maps:
        return Maps(self.result, Frame(self.result, "", "", bar=True).window)

    @property
    def spectral(self) -> Spectral:
        if self.result.spectral is None:
            message = "Nothing in this case asks for a frequency above 0 Hz: list frequencies_Hz in [solve]."
            raise ValueError(message)
        return self.result.spectral


def _why(wish: _Wish) -> Figure:
    found = answered(wish.result)
    if found is None:
        message = "No loop of this case has a limit: there is nothing to explain."
        raise ValueError(message)
    return why.why_frame(wish.result.on(why.telling_copper(wish.result, *found)), *found).figure


def _flow(wish: _Wish) -> Figure:
    maps, j = wish.maps, wish.number
    return fields.flow_frame(maps, j, wish.hertz, fields.flow_range(maps, j, wish.hertz)).figure


def _coupling(wish: _Wish) -> Figure:
    parts = {part.loop: part for part in wish.budget.contributions}
    strongest = max(parts.values(), key=lambda part: (part.noise, abs(part.transfer)), default=None)
    part = strongest if wish.noisy is None else parts.get(wish.noisy)
    if part is None:
        message = f"no noisy loop {named(wish.noisy or '')}; there are {listed(parts) or 'none'}"
        raise KeyError(message)
    return fields.coupling_frame(wish.maps, wish.budget, part).figure


def _wanted(kind: str, pictures: Sequence[Wanted], loop: str | None) -> Figure:
    fitting = [picture for picture in pictures if loop is None or loop in picture.loops]
    if not fitting:
        message = f"There is no {kind} to show" + (f" for {named(loop)}." if loop else ".")
        raise ValueError(message)
    return fitting[0].draw().figure


KINDS: dict[str, Callable[[_Wish], Figure]] = {
    "why": _why,
    "board": lambda wish: board_frame(wish.result).figure,
    "flow": _flow,
    "coupling": _coupling,
    "sources": lambda wish: sources_frame(wish.result, wish.budget).figure,
    "placement": lambda wish: fields.placement_frame(wish.maps, wish.budget).figure,
    "strip": lambda wish: over_frequency.strip_chart(wish.result, wish.number).figure,
    "impedance": lambda wish: over_frequency.impedance_chart(wish.result, wish.spectral, wish.number).figure,
    "shares": lambda wish: share_chart.share_chart(wish.result, wish.spectral).figure,
    "transfer": lambda wish: over_frequency.transfer_chart(wish.result, wish.spectral, wish.budget).figure,
    "noise": lambda wish: over_frequency.noise_chart(wish.result, wish.budget).figure,
    "comparison": lambda wish: _wanted("comparison", list(compared(wish.study)), wish.loop),
    "sweep": lambda wish: _wanted("sweep", [p for s in wish.study.swept for p in sweep_pictures(s)], wish.loop),
}
