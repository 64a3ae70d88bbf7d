"""Run a case and its variants: what has one board is solved once, the rest side by side."""

from __future__ import annotations

import importlib.metadata
import os
import platform
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import joblib

from returnflow.conduction import Options
from returnflow.evaluate import Solved, evaluate, solve_case
from returnflow.linear import NumericalError
from returnflow.rescale import Signature, rescaled, signature
from returnflow.result import Result
from returnflow_geometry.board import Case
from returnflow_geometry.mesh import MeshError

Report = Callable[[str], None]

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
    """

    case: Case
    variants: dict[str, Result]
    versions: dict[str, str]
    failed: dict[str, str] = field(default_factory=dict)
    changes: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Result:
        """Result of the variant of that name."""
        return self.variants[name]

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
    solved, failed = solve_each(cases, options, say, jobs)
    if AS_DRAWN in failed or not solved:
        raise failed[AS_DRAWN] if AS_DRAWN in failed else next(iter(failed.values()))
    results = {}
    for name in wanted:
        if name in solved:
            say(f"{name}: what crosses what, and how much of it")
            results[name] = evaluate(name, cases[name], solved[name])
    return Study(
        case=case,
        variants=results,
        versions=versions(),
        failed={name: str(error) for name, error in failed.items()},
        changes={variant.name: variant.changes for variant in case.variants if variant.name in wanted},
    )


def solve_each(
    cases: dict[str, Case],
    options: Options | None,
    say: Report,
    jobs: int | None = None,
    *,
    compare_gaps: bool = True,
) -> tuple[dict[str, Solved], dict[str, Exception]]:
    """
    Solve several cases, each different board once.

    Parameters
    ----------
    cases : dict, name to Case
    options : Options, optional
    say : function of one string
    jobs : int, optional
    compare_gaps : bool
        Solve once more without the gaps that routes cross.

    Returns
    -------
    solved : dict, name to Solved
    failed : dict, name to exception
    """
    groups: dict[Signature, list[str]] = {}
    for name, case in cases.items():
        groups.setdefault(signature(case, options), []).append(name)
    firsts = [names[0] for names in groups.values()]
    workers = min(len(firsts), jobs or os.cpu_count() or 1)
    outcomes: dict[str, Solved | Exception] = {}
    if workers <= 1:
        for name in firsts:
            told = say if len(firsts) == 1 else _named(say, name)
            outcomes[name] = _attempt(cases[name], options, told, compare_gaps=compare_gaps)
    else:
        say(f"solving {len(firsts)} boards, {workers} at a time: {', '.join(firsts)}")
        tasks = (
            joblib.delayed(_attempt_named)(name, cases[name], options, compare_gaps=compare_gaps) for name in firsts
        )
        for done, (name, outcome) in enumerate(_parallel(workers, tasks), 1):
            outcomes[name] = outcome
            what = f"failed: {outcome}" if isinstance(outcome, Exception) else "solved"
            say(f"{name}: {what} ({done} of {len(firsts)})")
    solved: dict[str, Solved] = {}
    failed: dict[str, Exception] = {}
    for names in groups.values():
        outcome = outcomes[names[0]]
        for name in names:
            if isinstance(outcome, Exception):
                failed[name] = outcome
            else:
                solved[name] = rescaled(outcome, cases[name])
    return solved, failed


def _parallel(workers: int, tasks: Any) -> Any:
    return joblib.Parallel(n_jobs=workers, return_as="generator_unordered")(tasks)


def _attempt_named(
    name: str, case: Case, options: Options | None, *, compare_gaps: bool
) -> tuple[str, Solved | Exception]:
    return name, _attempt(case, options, None, compare_gaps=compare_gaps)


def _attempt(case: Case, options: Options | None, report: Report | None, *, compare_gaps: bool) -> Solved | Exception:
    """Solve; a failure is an answer too."""
    try:
        own = options or Options(accuracy=case.accuracy)
        return solve_case(case, own, report, compare_gaps=compare_gaps).without_operators()
    except (NumericalError, MeshError) as error:
        return error
    except MemoryError:
        return NumericalError("out of memory; ask for less accuracy, or solve fewer variants at a time")


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
