"""
Boards that nobody drew, solved for the decision: on one mesh first, and as all else what that leaves open.

Of many boards most are no answer, which one mesh shows at a fifth of the cost. What is recommended, and what one mesh
leaves in doubt, is solved to the accuracy of the case before it is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from returnflow.advice.decision import Decision, rank, recommended, settled
from returnflow.advice.drawn import Trial
from returnflow.advice.option import ROOM_DB, Option
from returnflow.advice.options import options_for
from returnflow.advice.proofs import crosses_more, further, usual, wanted
from returnflow.advice.together import titled, together
from returnflow.advice.trials import CLOSED
from returnflow.answers.batch import STOPPED
from returnflow.answers.budget import Budget
from returnflow.answers.frequency import wants_frequencies
from returnflow.answers.result import Result
from returnflow.magnetic.one_mesh import LOOK
from returnflow.resistive.linear import Progress
from returnflow_geometry.model.board import Case

MOST_TOGETHER = 3  # boards with all that is recommended: where one harms a limit another is tried

Answers = dict[str, Result | Exception]


class Solve(Protocol):
    """Solves boards by name; `compared` are those of which it is asked what gaps cost."""

    def __call__(self, cases: dict[str, Case], compared: Sequence[str]) -> Answers:
        """Results, or the exceptions that say why there is none."""


@dataclass
class Tried:
    """
    Boards of a case that nobody drew.

    Attributes
    ----------
    case : Case
    base : Result
        The case as drawn.
    answers : dict, name to Result or Exception
        Of variants and of these.
    solve : Solve
    say : function of one string
    drawn : dict, name to Trial
    joint : dict, name to Trial
        Those with everything at once that is recommended, whatever became of them.
    looked : set of str
        Those that are solved on one mesh only.
    stopped : bool
        Whether somebody stopped it by hand; nothing more is solved then.
    """

    case: Case
    base: Result
    answers: Answers
    solve: Solve
    say: Progress
    drawn: dict[str, Trial] = field(default_factory=dict)
    joint: dict[str, Trial] = field(default_factory=dict)
    looked: set[str] = field(default_factory=set)
    stopped: bool = False

    def solve_all(self) -> None:
        """Solve what the decisions want, until all that is recommended is solved to the accuracy of the case."""
        for kind in (usual, further):
            if self.stopped:
                return
            judged = (*self.base.sensitive, *(it for it in self.base.cables if it.verdict != "kept"))
            open_to = {it.loop: options_for(self.case.loop(it.loop), self.base, self.known) for it in judged}
            more = wanted(self.base, open_to, kind)
            if more:
                self.say(f"to find what to recommend, {len(more)} more to solve: {'; '.join(more)}")
                self._solve(more, [name for name, trial in more.items() if crosses_more(self.base, trial.case)])
            self.drawn |= more
        while not self.stopped:
            if rivals := self._rivals():
                self._closely(sorted(rivals))
                continue
            more = self._together() if len(self.joint) < MOST_TOGETHER else {}
            if more:
                self.say(f"what is recommended is solved together: {'; '.join(more)}")
                self._solve(more, list(more))
                self.joint |= more
                self._closely([name for name in more if name in self.looked and self._open(name)])
            elif rest := self.looked & self._recommended():
                self._closely(sorted(rest))
            else:
                return

    @property
    def known(self) -> dict[str, Result]:
        """What is solved besides the case as drawn."""
        return {
            name: found for name, found in self.answers.items() if isinstance(found, Result) and found is not self.base
        }

    def _solve(self, more: Mapping[str, Trial], compared: Sequence[str]) -> None:
        """Solve boards, on one mesh where that is less."""
        coarse = self.case.accuracy < LOOK and wants_frequencies(self.case)
        accuracy = LOOK if coarse else self.case.accuracy
        found = self.solve({name: replace(trial.case, accuracy=accuracy) for name, trial in more.items()}, compared)
        self.answers |= found
        self.stopped |= any(map(_stopped, found.values()))
        if coarse:
            self.looked |= set(more)

    def _closely(self, names: Sequence[str]) -> None:
        """Solve to the accuracy of the case what is solved on one mesh."""
        if not names or self.stopped:
            return
        every = self.drawn | self.joint
        self.say(f"to the accuracy of the case, {len(names)} to solve: {'; '.join(names)}")
        cases = {name: replace(every[name].case, accuracy=self.case.accuracy) for name in names}
        joint = [name for name in names if name in self.joint]
        found = self.solve(cases, [*joint, *(n for n in names if crosses_more(self.base, every[n].case))])
        # Stopped by hand, what is solved by then stands.
        self.answers |= {name: answer for name, answer in found.items() if not _stopped(answer)}
        self.stopped |= any(map(_stopped, found.values()))
        self.looked -= set(names)

    @property
    def _decisions(self) -> list[Decision]:
        known = {name: found for name, found in self.known.items() if name not in self.joint}
        joint = {name: found for name, found in self.known.items() if name in self.joint}
        return settled(self.base, known, joint)[0]

    def _recommended(self) -> set[str]:
        """Names of the boards that are recommended, for every limit and for all together."""
        names = recommended(self._decisions)
        return {*names, titled(names)} & set(self.known)

    def _rivals(self) -> set[str]:
        """Names of the boards that would be recommended if all that one mesh leaves open of them were so."""
        return {
            str(option.variant)
            for it in self._decisions
            if not it.tolerable
            for option in it.options
            if option.variant in self.looked and self._open(option.variant) and may_beat(option, it.chosen)
        }

    def _open(self, name: str) -> bool:
        """Whether one mesh leaves open if a board keeps a limit, or keeps it with room."""
        found = self.answers[name]
        return isinstance(found, Result) and any(is_open(it) for it in (*found.sensitive, *found.cables))

    def _together(self) -> dict[str, Trial]:
        """
        Board with everything that is recommended at once; nothing where that is one board, or cannot be one.

        Where one that is solved harms a limit, another one: see `decision.settled`.
        """
        names = recommended(self._decisions)
        if len(names) < 2 or titled(names) in self.joint:
            return {}
        changes = {variant.name: variant.changes for variant in self.case.variants}
        changes |= {name: trial.changes for name, trial in self.drawn.items()} | {CLOSED: ("Every gap is closed.",)}
        cases = {name: replace(self.known[name].case, accuracy=self.base.case.accuracy) for name in names}
        return together(self.base.case, names, cases, changes)


def _stopped(answer: Result | Exception) -> bool:
    return isinstance(answer, Exception) and str(answer) == STOPPED


def may_beat(option: Option, chosen: Option | None) -> bool:
    """
    Whether an option would be chosen before another one if its lower bound held, and it did no harm.

    Parameters
    ----------
    option : Option
    chosen : Option or None
        What it is compared with; anything that keeps the limit is better than nothing.
    """
    best = replace(option, high=option.low, broken=(), worse=(), tight={})
    return best.meets and (chosen is None or rank(best) < rank(chosen))


def is_open(budget: Budget) -> bool:
    """
    Whether a budget's bounds leave open that its limit is kept, or that it is kept with room.

    Parameters
    ----------
    budget : Budget
    """
    room = budget.limit * 10 ** (-ROOM_DB / 20)
    return any(budget.low <= border < budget.high for border in (budget.limit, room))
