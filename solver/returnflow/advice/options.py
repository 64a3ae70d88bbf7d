"""What can be done for the limit of one signal, or of one pair of cables, each option computed."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from returnflow.advice.from_drawing import dedicated, differential, move, quieter
from returnflow.advice.from_variants import from_variant, staying
from returnflow.advice.option import Option, OptionKind, budget_of
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result
from returnflow.answers.verdict import needed
from returnflow_geometry.model.board import Case, Loop


def options_for(loop: Loop, base: Result, variants: Mapping[str, Result]) -> tuple[Option, ...]:
    """
    All options for a sensitive loop or a pair of cables, in the order of effort.

    Parameters
    ----------
    loop : Loop
        Sensitive, or of cables.
    base : Result
        The case as drawn.
    variants : mapping of name to Result
        Solved variants, and trials.
    """
    budget = budget_of(base, loop)
    plain = [_known(option, budget) for option in quieter(loop, budget, base)]
    if loop.role == "sensitive":
        plain += [*move(loop, budget, base), *dedicated(loop, budget, base)]
        plain += [_known(option, budget) for option in differential(loop, budget, base)]
    found = []
    for name, result in variants.items():
        kind = what_changes(loop, base.case, result.case)
        if kind is not None and loop.name in result.loop_names:
            found.append(_known(from_variant(kind, name, loop, base, result), budget_of(result, loop)))
    # What is said of lifting a pin is not true of one that stays, with the currents of others.
    stays = {name for name, result in variants.items() if loop.name in result.loop_names and staying(loop, result.case)}
    return tuple(sorted(_joined(plain, found, stays), key=lambda option: (option.effort, option.variant is not None)))


def _known(option: Option, budget: Budget) -> Option:
    """The option, without a figure where it waits for a route or for solving above 0 Hz."""
    if not budget.waits or (option.variant is not None and budget.verdict == "exceeded"):
        return option
    first = needed(budget.unrouted, unsolved=budget.unsolved)
    return replace(
        option, noise=None, low=None, high=None, reasons=(*option.reasons, f"To know what it leaves, {first}."),
        unrouted=budget.unrouted, unsolved=budget.unsolved,
    )  # fmt: skip


def _joined(plain: Sequence[Option], solved: Sequence[Option], others: Collection[str]) -> list[Option]:
    """
    All options; one without a figure is no row beside boards solved for its kind.

    It gives its reasons to the best of them, `others` aside.
    """
    bare = [option for option in plain if option.possible and option.noise is None and not option.waits]
    empty = {option.kind: option.reasons for option in bare}
    of_kind = [o for o in solved if o.possible and o.noise is not None and o.variant not in others]
    best = {kind: min((o for o in of_kind if o.kind == kind), key=lambda o: o.noise or 0.0, default=None)
            for kind in empty}  # fmt: skip
    rows = [option for option in plain if best.get(option.kind) is None]
    for option in solved:
        more = empty[option.kind] if best.get(option.kind) is option else ()
        rows.append(replace(option, reasons=(*option.reasons, *more)))
    return rows


def what_changes(loop: Loop, base: Case, other: Case) -> OptionKind | None:
    """Which kind of option a variant is for a loop with a limit: by what it changes, the strongest means first."""
    if all(item.name != loop.name for item in other.loops):
        return None
    mine, signal = other.loop(loop.name), loop.role == "sensitive"
    if mine.rejection != base.loop(loop.name).rejection:
        return "differential"
    there = other.board.terminal(mine.inject)
    known = {copper.name for copper in base.board.coppers}
    if signal and not {there.copper, other.board.terminal(mine.return_).copper} <= known:
        return "dedicated return"
    noisy = [
        other.board.terminal(end).copper for it in other.loops if it.role == "noisy" for end in (it.inject, it.return_)
    ]
    if not set(noisy) <= known:
        return "noisy return"
    if _copper(base) != _copper(other):
        return "copper"
    ends = ((loop.inject, mine.inject), (loop.return_, mine.return_))
    if any(base.board.terminal(was).shape != other.board.terminal(now).shape or was != now for was, now in ends):
        return "move amplifier" if signal else "move connector"
    if _noise(base) != _noise(other):
        if _noise(base, routes=False) == _noise(other, routes=False):
            return "trace"
        return "noisy current" if signal else "noisy part"
    return None


def _copper(case: Case) -> tuple[object, ...]:
    board = case.board
    return board.coppers, board.cutouts, board.bridges, board.links, board.layers


def _noise(case: Case, *, routes: bool = True) -> list[object]:
    board = case.board
    found: list[object] = []
    for loop in case.loops:
        if loop.role == "noisy":
            plain = replace(loop, name="", route=loop.route if routes else None)
            found.append((plain, board.terminal(loop.inject).shape, board.terminal(loop.return_).shape))
    return found
