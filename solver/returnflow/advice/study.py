"""Run a case and its variants: what has one board is solved once, the rest side by side."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from returnflow.advice.decision import Decision, decide, recommended
from returnflow.advice.findings import Finding
from returnflow.advice.review import review
from returnflow.advice.together import titled
from returnflow.advice.trials import trials
from returnflow.advice.tried import Answers, Tried
from returnflow.answers.batch import STOPPED, solve_each
from returnflow.answers.compare import Comparison, compare
from returnflow.answers.evaluate import evaluate, gaps_told
from returnflow.answers.rescale import signature
from returnflow.answers.result import Result
from returnflow.answers.sweeps import Swept, run_sweeps
from returnflow.resistive.linear import Progress
from returnflow.resistive.solution import Options
from returnflow_geometry.casefile.difference import variant_table
from returnflow_geometry.casefile.read import read_case
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.wording import listed, named

AS_DRAWN = "as drawn"


@dataclass(frozen=True, kw_only=True)
class Study:
    """
    Results of a case by variant name; `study["as drawn"]`.

    Attributes
    ----------
    case : Case
    variants : dict, name to Result
    versions : dict
    failed : dict
        Variants that could not be solved, and why.
    changes : dict
        What every variant changes, in plain sentences.
    trials : dict, name to Result
        Variants that nobody drew, solved for the decision.
    joint : tuple of str
        Of the trials, those with everything at once that is recommended.
    swept : tuple of Swept
        What the sweeps came to.
    selected : bool
        Whether only some variants were asked for: nothing is tried beyond them.
    """

    case: Case
    variants: dict[str, Result]
    versions: dict[str, str]
    failed: dict[str, str] = field(default_factory=dict)
    changes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    trials: dict[str, Result] = field(default_factory=dict)
    joint: tuple[str, ...] = ()
    swept: tuple[Swept, ...] = ()
    selected: bool = False

    def __getitem__(self, name: str) -> Result:
        """Result of a variant, or of a board solved for the decision; a name of neither is told those there are."""
        every = self.variants | self.trials
        if name not in every:
            why = f"failed: {self.failed[name]}" if name in self.failed else "is not a variant"
            message = f"{named(name)} {why}; there are {listed(every)}"
            raise KeyError(message)
        return every[name]

    def __repr__(self) -> str:
        """One line."""
        counts = {"variant": len(self.variants), "failed variant": len(self.failed), "sweep": len(self.swept)}
        parts = ", ".join(f"{count} {kind}{'s' * (count != 1)}" for kind, count in counts.items() if count)
        return f"<Study {named(self.case.title)}: {parts}>"

    @cached_property
    def proved(self) -> dict[str, Result]:
        """Boards that nobody drew and that are recommended, by name: shown beside the variants, before and after."""
        chosen = [decision.chosen for decision in self.decisions]
        # Of boards with several of them only the one that is recommended.
        names = dict.fromkeys([option.variant for option in chosen if option is not None])
        names |= {titled(recommended(self.decisions)): None}
        return {name: self.trials[name] for name in names if name in self.trials}

    @property
    def side_by_side(self) -> dict[str, Result]:
        """What is compared: variants, and recommended boards that nobody drew."""
        return self.variants | self.proved

    def as_variant(self, name: str) -> dict[str, Any]:
        """
        What a board solved for the decision changes of the case, as the table of a variant gives it.

        ``study.case.changed(**study.as_variant(name))`` is that board.

        Parameters
        ----------
        name : str
            Of one of `trials`, as those that are recommended.

        Raises
        ------
        NoVariantError
            Where no table says it, as for a case that was put together without a case file.
        """
        return variant_table(self.case, self[name].case)

    @property
    def accuracy(self) -> float:
        """What was asked for of the case as drawn, or of the first of its variants."""
        return next(iter(self.variants.values())).case.accuracy

    @property
    def stopped(self) -> bool:
        """Whether somebody stopped the run before all was solved."""
        reasons = [*self.failed.values(), *(reason for swept in self.swept for reason in swept.failed.values())]
        return STOPPED in reasons

    @cached_property
    def comparison(self) -> Comparison:
        """All variants against the first, figure by figure."""
        return compare(self.side_by_side)

    @cached_property
    def decisions(self) -> tuple[Decision, ...]:
        """What to do for every sensitive loop; of the case as drawn, with every variant and trial as an option."""
        if AS_DRAWN not in self.variants:
            return ()
        others = {name: result for name, result in self.variants.items() if name != AS_DRAWN}
        joint = {name: self.trials[name] for name in self.joint}
        single = {name: result for name, result in self.trials.items() if name not in joint}
        return decide(self.variants[AS_DRAWN], others | single, joint)

    @property
    def reservation(self) -> str:
        """What a recommendation leaves out where only some variants were asked for; nothing otherwise."""
        if not self.selected or all(decision.tolerable for decision in self.decisions):
            return ""
        left = 1 + len(self.case.variants) - len(self.variants) - len(self.failed)
        drawn = f"{left} variant{'s' * (left != 1)} of the case and " if left > 0 else ""
        return (
            f"Recommended from {listed(self.variants)} alone: {drawn}options that nobody drew are not solved, so a run "
            "of everything may recommend another one."
        )

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What the board's geometry shows, with its computed consequence, worst first; of the case as drawn."""
        return review(self.variants[AS_DRAWN]) if AS_DRAWN in self.variants else ()

    @cached_property
    def exceeded(self) -> tuple[str, ...]:
        """
        Names of the loops whose limit is not kept (or not known to be).

        Of the case as drawn; where only variants were asked for, of any of them.
        """
        judged = [self.variants[AS_DRAWN]] if AS_DRAWN in self.variants else self.variants.values()
        return tuple(
            item.loop for result in judged for item in (*result.sensitive, *result.cables) if item.verdict != "kept"
        )


def run(
    case: Case | str | Path,
    options: Options | None = None,
    progress: Progress | None = None,
    *,
    only: Sequence[str] | None = None,
    jobs: int | None = None,
    each: Callable[[str, Result], object] | None = None,
    cache: str | Path | None = None,
) -> Study:
    """
    Solve a case and its variants.

    Parameters
    ----------
    case : Case or path
        From `read_case`, or the path of a case file.
    options : Options, optional
        By default with the accuracy of the case.
    progress : function of one string, optional
        Called with a line of progress now and then.
    only : sequence of str, optional
        Names of the variants to solve ("as drawn" is one); all by default.
    jobs : int, optional
        Processes that solve side by side; by default one for each core. A backend of joblib that is set up outside
        (`joblib.parallel_config`) is used as it is, with all its workers by default.
    each : function of name and Result, optional
        Called with every variant, and every board drawn for the decision, as soon as it is solved.
    cache : path, optional
        Folder, of your own, in which solutions are kept and found again: another variant, another current or another
        report costs only itself. It may be emptied at any time.

    Raises
    ------
    NumericalError, MeshError
        If the case as drawn (or every variant) cannot be solved; the message says why. A variant that fails besides
        others is in `Study.failed`.
    ValueError
        For a name in `only` that the case does not have.
    """
    case = case if isinstance(case, Case) else read_case(case)
    every = {AS_DRAWN: case} | {variant.name: variant.case for variant in case.variants}
    if options is not None:  # which is what is asked for then, and what results say of it
        every = {name: replace(each, accuracy=options.accuracy) for name, each in every.items()}
    names = list(every) if only is None else list(dict.fromkeys(only))
    unknown = [name for name in names if name not in every]
    if unknown:
        message = f"Invalid variants {unknown}. The case has {list(every)}."
        raise ValueError(message)
    say = progress or (lambda _: None)
    cases = {name: every[name] for name in names}
    # What no variant shows already; a trial that fails is no option, and nothing else.
    boards = {signature(item, options) for item in cases.values()}
    extra = (
        {}
        if only is not None
        else {n: c for n, c in trials(every[AS_DRAWN]).items() if signature(c, options) not in boards}
    )
    cache = None if cache is None else Path(cache)
    answers = solve_each(cases | extra, evaluate, options, say, jobs, gaps=gaps_told, each=each, cache=cache)
    outcomes = {name: answers[name] for name in names}
    failed = {name: outcome for name, outcome in outcomes.items() if isinstance(outcome, Exception)}
    stopped = any(str(outcome) == STOPPED for outcome in failed.values())
    if len(failed) == len(names) or (AS_DRAWN in failed and not stopped):
        first = failed[AS_DRAWN] if AS_DRAWN in failed else next(iter(failed.values()))
        raise KeyboardInterrupt if str(first) == STOPPED else first
    tried = None
    base = answers.get(AS_DRAWN)
    if only is None and not stopped and isinstance(base, Result):

        def solve(cases: dict[str, Case], compared: Sequence[str]) -> Answers:
            own = None if options is None else replace(options, accuracy=next(iter(cases.values())).accuracy)
            return solve_each(
                cases, evaluate, own, say, jobs, gaps=gaps_told, compared=compared, each=each, cache=cache
            )

        tried = Tried(every[AS_DRAWN], base, answers, solve, say)
        tried.solve_all()
        answers = tried.answers
    drawn, joint = ({}, {}) if tried is None else (tried.drawn | tried.joint, tried.joint)
    sweeping = only is None and case.sweeps and not stopped
    swept = run_sweeps(case, options, progress, jobs, cache) if sweeping else ()
    return Study(
        case=case,
        variants={name: outcome for name, outcome in outcomes.items() if not isinstance(outcome, Exception)},
        versions=versions(),
        failed={name: str(error) for name, error in failed.items()},
        changes={variant.name: variant.changes for variant in case.variants if variant.name in names}
        | {name: trial.changes for name, trial in drawn.items()},
        trials={name: found for name in (*extra, *drawn) if not isinstance(found := answers[name], Exception)},
        joint=tuple(name for name in joint if isinstance(answers[name], Result)),
        swept=swept,
        selected=only is not None,
    )


def versions() -> dict[str, str]:
    """Versions of the program and of the libraries its numbers rest on."""
    names = ("returnflow", "numpy", "scipy", "scikit-fem", "shapely", "pythoncdt")
    found = {"python": platform.python_version()}
    for name in names:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found
