"""All that is recommended for the limits of one case, drawn on one board, so that it is solved together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from returnflow.advice.drawn import Trial
from returnflow.advice.option import ROOM_DB
from returnflow.answers.budget import decibels
from returnflow.answers.result import Result
from returnflow.answers.verdict import margin, said_noise
from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import joined, named

Made = TypeVar("Made")

TOGETHER = ", together with "  # between the names of boards that are drawn as one
ASIDE = ("assumptions", "warnings", "variants", "sweeps", "lessons", "editor")  # of a case, no part of the board


class _Conflict(Exception):  # noqa: N818  caught where it is raised
    """Two changes of one thing, whose name it may have."""


def titled(names: Sequence[str]) -> str:
    """
    Name of the board that has several changes.

    Examples
    --------
    >>> print(titled(["every gap closed", "U1 moved"]))
    "every gap closed", together with "U1 moved"
    """
    # Those that name a part have their quotation marks.
    return TOGETHER.join(name if '"' in name else named(name) for name in names)


def together(
    base: Case, names: Sequence[str], boards: Mapping[str, Case], changes: Mapping[str, Sequence[str]]
) -> dict[str, Trial]:
    """
    Board with all changes of several others, by its name; none where two change one thing, or it is no board.

    Parameters
    ----------
    base : Case
        What all were drawn from.
    names : sequence of str
        Of the boards, at least two.
    boards : mapping of name to Case
    changes : mapping of name to plain sentences
    """
    drawn = _drawn(base, names, boards)
    if isinstance(drawn, str):
        return {}
    told = tuple(dict.fromkeys(line for name in names for line in changes.get(name) or (f"As in {named(name)}.",)))
    return {titled(names): Trial(case=drawn, changes=told)}


def obstacle(base: Case, names: Sequence[str], boards: Mapping[str, Case]) -> str:
    """Why several boards cannot be drawn as one, as a clause; nothing where they can. Parameters as of `together`."""
    drawn = _drawn(base, names, boards)
    return drawn if isinstance(drawn, str) else ""


def _drawn(base: Case, names: Sequence[str], boards: Mapping[str, Case]) -> Case | str:
    """Case with all changes of several others, or why there is none."""
    drawn = boards[names[0]]
    for name in names[1:]:
        try:
            drawn = _merged(base, drawn, boards[name])
        except _Conflict as conflict:
            return f"they change {named(str(conflict)) if str(conflict) else 'the same thing'} in different ways"
    drawn = replace(drawn, variants=(), sweeps=(), editor=None)
    mistakes = check_case(drawn).mistakes
    return f"drawn as one board, {mistakes[0]}" if mistakes else drawn


def merged(base: Case, one: Case, other: Case) -> Case | None:
    """
    Case with what two others change of a third; None where both change the same thing in different ways.

    Parameters
    ----------
    base, one, other : Case
    """
    try:
        return _merged(base, one, other)
    except _Conflict:
        return None


def _merged(base: Case, one: Case, other: Case) -> Case:
    parts = {
        name: _merge(getattr(base, name), getattr(one, name), getattr(other, name))
        for name in (field.name for field in fields(base))
        if name not in ASIDE
    }
    said = tuple(dict.fromkeys((*one.assumptions, *other.assumptions)))
    return replace(one, **parts, assumptions=said)


def _merge(base: Made, one: Made, other: Made) -> Made:
    if one == other or other == base:
        return one
    if one == base:
        return other
    if _named_things(base, one, other):
        return _merge_by_name(base, one, other)  # type: ignore[arg-type, return-value]
    if is_dataclass(base) and type(base) is type(one) is type(other):
        parts = {
            field.name: _merge(*(getattr(each, field.name) for each in (base, one, other))) for field in fields(base)
        }
        return replace(one, **parts)  # type: ignore[type-var]
    if _rows(base, one, other):
        return _merge_rows(base, one, other)  # type: ignore[arg-type, return-value]
    raise _Conflict


def _rows(*of: Any) -> bool:
    """Whether all are paths, or legs of one."""
    return all(
        isinstance(each, tuple) and all(isinstance(item, tuple) or is_dataclass(item) for item in each) for each in of
    )


def _merge_rows(base: tuple[Any, ...], one: tuple[Any, ...], other: tuple[Any, ...]) -> tuple[Any, ...]:
    """Places in a row of which each changes another stretch, as two ends of a route that are led elsewhere."""
    if base and is_dataclass(base[0]) and len(base) == len(one) == len(other):
        return tuple(_merge(*each) for each in zip(base, one, other, strict=True))
    changed = sorted(((_stretch(base, each), each) for each in (one, other)), key=lambda item: item[0])
    (before, early), (behind, late) = changed
    if before[1] > behind[0] or before == behind:
        raise _Conflict
    return (*early[: len(early) - (len(base) - before[1])], *base[before[1] : behind[0]], *late[behind[0] :])


def _stretch(base: tuple[Any, ...], other: tuple[Any, ...]) -> tuple[int, int]:
    """First of what another row has in place of some of a row, and the first behind it that both have again."""
    most = min(len(base), len(other))
    start = next((n for n in range(most) if base[n] != other[n]), most)
    behind = next((n for n in range(most - start) if base[-1 - n] != other[-1 - n]), most - start)
    return start, len(base) - behind


def _named_things(*of: Any) -> bool:
    return all(isinstance(each, tuple) and all(hasattr(item, "name") for item in each) for each in of)


def _merge_by_name(base: tuple[Any, ...], one: tuple[Any, ...], other: tuple[Any, ...]) -> tuple[Any, ...]:
    old, first, second = ({item.name: item for item in each} for each in (base, one, other))
    if any(len(known) < len(each) for known, each in zip((old, first, second), (base, one, other), strict=True)):
        raise _Conflict  # names that stand for several things
    found = []
    for name in dict.fromkeys((*old, *first, *second)):
        was, here, there = old.get(name), first.get(name), second.get(name)
        if was is not None and (here is None or there is None):
            if (here or there or was) != was:
                raise _Conflict(name)  # what one leaves out the other changes
        elif was is None and (here is None or there is None):
            found.append(here or there)
        else:
            try:
                found.append(_merge(was, here, there))
            except _Conflict as inner:
                raise _Conflict(str(inner) or name) from None
    return tuple(found)


def same_limits(base: Case, other: Case) -> bool:
    """Whether everything that has a limit in one case has the same in another, of the same band."""

    def limits(case: Case) -> dict[str, tuple[object, ...]]:
        return {it.name: (it.tolerates, it.limit, it.radiates, it.band) for it in case.loops if it.role != "noisy"}

    return limits(base) == limits(other)


def keeps_all(base: Result, other: Result) -> bool:
    """Whether a board certainly keeps every limit that there is as drawn."""
    every = (*other.sensitive, *other.cables)
    return same_limits(base.case, other.case) and all(item.verdict == "kept" for item in every)


def verdict_of_all(base: Result, joint: Result) -> str:
    """What limits become where everything is done together, in plain sentences."""
    every = (*joint.sensitive, *joint.cables)
    if keeps_all(base, joint):
        least = min(every, key=lambda item: decibels(item.limit, item.sure))
        little = decibels(least.limit, least.sure) < ROOM_DB
        warning = f" That is less than {ROOM_DB:.0f} dB: measure before you rely on it." if little else ""
        return f"every limit is kept, with the least room for {named(least.loop)}: {margin(least)}.{warning}"
    said = []
    for states, becomes in (
        (("exceeded",), "over the limit"),
        (("undecided", "unknown"), "not known to keep the limit"),
    ):
        some = [it for it in every if it.verdict in states]
        names = [f"{named(it.loop)} ({said_noise(it)}, limit {engineering(it.limit, 'V')})" for it in some]
        said += [f"{joined(names)} {'is' if len(some) == 1 else 'are'} {becomes}"] if some else []
    before = {item.loop for item in (*base.sensitive, *base.cables) if item.verdict != "kept"}
    kept = [named(item.loop) for item in every if item.verdict == "kept" and item.loop in before]
    said += [f"{joined(kept)} {'keeps its limit' if len(kept) == 1 else 'keep theirs'}"] if kept else []
    return f"{'; '.join(said)}." if said else "limits differ from those as drawn."
