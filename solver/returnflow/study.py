"""Run a case and its variants: what has one board is solved once, the rest side by side."""

from __future__ import annotations

import functools
import importlib.metadata
import os
import platform
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

import joblib

from returnflow.compare import Comparison, compare
from returnflow.conduction import Options
from returnflow.decision import Decision, decide
from returnflow.evaluate import Solved, evaluate, solve_case
from returnflow.findings import Finding
from returnflow.linear import NumericalError
from returnflow.rescale import Signature, rescaled, signature
from returnflow.result import Result
from returnflow.review import review
from returnflow.trials import trials
from returnflow_geometry.board import Case
from returnflow_geometry.mesh import MeshError

Report = Callable[[str], None]
Answer = TypeVar("Answer")

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
    """

    case: Case
    variants: dict[str, Result]
    versions: dict[str, str]
    failed: dict[str, str] = field(default_factory=dict)
    changes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    trials: dict[str, Result] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Result:
        """Result of the variant of that name."""
        return self.variants[name]

    @cached_property
    def comparison(self) -> Comparison:
        """All variants against the first, figure by figure."""
        return compare(self.variants)

    @cached_property
    def decisions(self) -> tuple[Decision, ...]:
        """What to do for every sensitive loop; of the case as drawn, with every variant and trial as an option."""
        if AS_DRAWN not in self.variants:
            return ()
        others = {name: result for name, result in self.variants.items() if name != AS_DRAWN}
        return decide(self.variants[AS_DRAWN], others | self.trials)

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
    case: Case,
    options: Options | None = None,
    report: Report | None = None,
    *,
    only: Sequence[str] | None = None,
    jobs: int | None = None,
) -> Study:
    """
    Solve a case and its variants.

    Parameters
    ----------
    case : Case
        From `read_case`.
    options : Options, optional
        By default with the accuracy of the case.
    report : function of one string, optional
        Called with a line of progress now and then.
    only : sequence of str, optional
        Names of the variants to solve ("as drawn" is one); all by default.
    jobs : int, optional
        Processes that solve side by side; by default one for each core. A backend of joblib that is set up outside
        (`joblib.parallel_config`) is used as it is.

    Raises
    ------
    NumericalError, MeshError
        If the case as drawn (or every variant) cannot be solved; the message says why. A variant that fails besides
        others is in `Study.failed`.
    ValueError
        For a name in `only` that the case does not have.
    """
    every = {AS_DRAWN: case} | {variant.name: variant.case for variant in case.variants}
    wanted = list(every) if only is None else list(dict.fromkeys(only))
    unknown = [name for name in wanted if name not in every]
    if unknown:
        message = f"Invalid variants {unknown}. The case has {list(every)}."
        raise ValueError(message)
    say = report or (lambda _: None)
    cases = {name: every[name] for name in wanted}
    # What no variant shows already; a trial that fails is no option, and nothing else.
    boards = {signature(item, options) for item in cases.values()}
    extra = {} if only is not None else {n: c for n, c in trials(case).items() if signature(c, options) not in boards}
    answers = solve_each(cases | extra, evaluate, options, say, jobs)
    outcomes = {name: answers[name] for name in wanted}
    failed = {name: outcome for name, outcome in outcomes.items() if isinstance(outcome, Exception)}
    if AS_DRAWN in failed or len(failed) == len(wanted):
        raise failed[AS_DRAWN] if AS_DRAWN in failed else next(iter(failed.values()))
    return Study(
        case=case,
        variants={name: outcome for name, outcome in outcomes.items() if not isinstance(outcome, Exception)},
        versions=versions(),
        failed={name: str(error) for name, error in failed.items()},
        changes={variant.name: variant.changes for variant in case.variants if variant.name in wanted},
        trials={name: found for name in extra if not isinstance(found := answers[name], Exception)},
    )


def solve_each(
    cases: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None = None,
    report: Report | None = None,
    jobs: int | None = None,
    *,
    compare_gaps: bool = True,
    highest: float | None = None,
) -> dict[str, Answer | Exception]:
    """
    Solve several cases, each different board once, side by side.

    Parameters
    ----------
    cases : dict, name to Case
    finish : function of name, case and Solved
        Makes the answer; runs where the board was solved.
    options : Options, optional
    report : function of one string, optional
    jobs : int, optional
    compare_gaps : bool
        Solve once more without the gaps that routes cross.
    highest : float, optional
        Hertz up to which the reduced models are to be accurate; see `solve_case`.

    Returns
    -------
    answers : dict, name to answer, or to the exception that says why there is none
        In the order of `cases`.
    """
    say = report or (lambda _: None)
    groups: dict[Signature, dict[str, Case]] = {}
    for name, case in cases.items():
        groups.setdefault(signature(case, options), {})[name] = case
    work = [functools.partial(_answers, group, finish, options, compare_gaps, highest) for group in groups.values()]
    workers = min(len(work), jobs or os.cpu_count() or 1)
    answers: dict[str, Answer | Exception] = {}
    if workers <= 1:
        for item, group in zip(work, groups.values(), strict=True):
            answers |= item(say if len(work) == 1 else _named(say, next(iter(group))))
    else:
        say(f"{len(work)} different boards, {workers} at a time")
        parallel = joblib.Parallel(n_jobs=workers, return_as="generator_unordered")
        with warnings.catch_warnings():
            # Workers that have grown are replaced between tasks: that is how memory is given back.
            warnings.filterwarnings("ignore", message="A worker stopped while some jobs were given")
            for number, found in enumerate(parallel(joblib.delayed(item)(None) for item in work), 1):
                answers |= found
                failed = [name for name, answer in found.items() if isinstance(answer, Exception)]
                say(f"{', '.join(found)}: {'failed' if failed else 'solved'} ({number} of {len(work)})")
    return {name: answers[name] for name in cases}


def _answers(
    group: dict[str, Case],
    finish: Callable[[str, Case, Solved], Answer],
    options: Options | None,
    compare_gaps: bool,
    highest: float | None,
    report: Report | None,
) -> dict[str, Answer | Exception]:
    """Answers for cases that have one board; a failure is an answer too."""
    first = next(iter(group.values()))
    try:
        own = options or Options(accuracy=first.accuracy)
        solved = solve_case(first, own, report, compare_gaps=compare_gaps, highest=highest).without_operators()
        return {name: finish(name, case, rescaled(solved, case)) for name, case in group.items()}
    except (NumericalError, MeshError) as error:
        return dict.fromkeys(group, error)
    except MemoryError:
        reason = "Out of memory. Ask for less accuracy, or solve fewer variants at a time (--jobs 1)."
        return dict.fromkeys(group, NumericalError(reason))


def _named(say: Report, name: str) -> Report:
    return lambda line: say(f"{name}: {line}")


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
