"""One thing that can be done for the limit of one signal, or of one pair of cables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from returnflow.answers.budget import CLOSE, Budget, decibels
from returnflow.answers.result import Result
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import engineering

OptionKind = Literal[
    "move amplifier",
    "trace",
    "noisy current",
    "dedicated return",
    "differential",
    "noisy return",
    "copper",
    "noisy part",
    "move connector",
]
ROOM_DB = 6.0  # margin that a recommendation asks for; common practice, no source
# For cables gaps come before places, for signals behind them: what a signal shares it shares through any copper.
EFFORT: tuple[OptionKind, ...] = get_args(OptionKind)


@dataclass(frozen=True, kw_only=True)
class Option:
    """
    One thing that could be done for a sensitive loop, or for a pair of cables.

    Attributes
    ----------
    kind : str
    title : str
    noise, low, high : float or None
        V rms in series with the signal (between the connectors) if it is done, and its bounds; None without a figure.
    limit : float
        Allowed then, V.
    reasons, costs : tuple of str
        Plain sentences: what it does and on what numbers that rests; what it costs elsewhere.
    variant : str or None
        Variant that was solved for it; None where the figures follow from the case as drawn.
    why_not : str
        What rules it out, as a sentence: a bond that must stay, the board's size; nothing where it is possible.
    broken : tuple of str
        Limits between cables and of other signals that are kept as drawn, and not surely if it is done.
    unsure : tuple of str
        Of these the ones that are not known to be exceeded: what was not drawn, or doubts, leave it open.
    mended : tuple of str
        Limits between cables and of other signals that it brings back, which are exceeded as drawn.
    worse : tuple of str
        Limits between cables and of other signals that are exceeded as drawn, and by more if it is done.
    tight : dict, name to dB
        Signals that keep their limit with `ROOM_DB` to spare as drawn, and with less if it is done: the margin left.
    clash : str
        Why it does not go with what is recommended for other limits, as a clause; nothing where it does.
    proviso : str
        What its verdict rests on: see `Budget.proviso`.
    elsewhere : dict, name to V
        Noise of all other signals and cables if it is done, of a variant that was solved.
    unrouted : tuple of str
        Loops whose route must be drawn before it has a figure.
    unsolved : bool
        Whether it has none because nothing is solved above 0 Hz.
    """

    kind: OptionKind
    title: str
    noise: float | None
    low: float | None
    high: float | None
    limit: float
    reasons: tuple[str, ...]
    costs: tuple[str, ...] = ()
    variant: str | None = None
    why_not: str = ""
    broken: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    mended: tuple[str, ...] = ()
    worse: tuple[str, ...] = ()
    tight: dict[str, float] = field(default_factory=dict)
    clash: str = ""
    proviso: str = ""
    elsewhere: dict[str, float] = field(default_factory=dict)
    unrouted: tuple[str, ...] = ()
    unsolved: bool = False

    @property
    def possible(self) -> bool:
        """Whether nothing rules it out."""
        return not self.why_not

    @property
    def waits(self) -> bool:
        """Whether it waits for routes, or for solving above 0 Hz."""
        return self.unsolved or bool(self.unrouted)

    @property
    def margin_dB(self) -> float | None:
        """20 log10(limit / noise); None where there is no figure."""
        return None if self.noise is None else decibels(self.limit, self.noise)

    @property
    def uncertain(self) -> bool:
        """Whether its upper bound is much more than the noise, and that is to be relied on: see `Budget.sure`."""
        if self.noise is None or self.high is None or (self.low is not None and self.low > self.limit):
            return False
        return self.high > CLOSE * self.noise

    @property
    def left(self) -> str:
        """Noise that it leaves in words, with its upper bound where that is much more."""
        said = engineering(self.noise or 0.0, "V")
        return f"{said}, at most {engineering(self.high or 0.0, 'V')}" if self.uncertain else said

    @property
    def sure_dB(self) -> float | None:
        """Margin of the noise, or of its upper bound where that is much more; None where there is no figure."""
        if self.uncertain and self.high is not None:
            return decibels(self.limit, self.high)
        return self.margin_dB

    @property
    def meets(self) -> bool:
        """Whether it is possible and certainly keeps the limit."""
        return self.possible and self.high is not None and self.high <= self.limit

    @property
    def has_room(self) -> bool:
        """Whether it keeps the limit with a margin of `ROOM_DB`."""
        return self.meets and self.high is not None and self.high <= self.limit * 10 ** (-ROOM_DB / 20) * (1 + 1e-9)

    @property
    def harmful(self) -> bool:
        """Whether it breaks another limit, makes worse what is over it, takes a signal's room, or has a clash."""
        return bool(self.broken or self.worse or self.tight or self.clash)

    @property
    def over(self) -> tuple[str, ...]:
        """Limits that are kept as drawn and exceeded if it is done."""
        return tuple(name for name in self.broken if name not in self.unsure)

    @property
    def effort(self) -> int:
        """Rank in the order of effort, from 0; a smaller current is last, which takes another circuit."""
        smaller = self.kind in ("noisy current", "noisy part") and self.variant is None
        return len(EFFORT) if smaller else EFFORT.index(self.kind)


def budget_of(result: Result, loop: Loop) -> Budget:
    """Noise budget of a sensitive loop, or of a pair of cables."""
    return next(item for item in (*result.sensitive, *result.cables) if item.loop == loop.name)
