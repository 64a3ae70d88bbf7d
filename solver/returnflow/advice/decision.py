"""The decision for each signal, and each pair of cables over its limit: is it tolerable, and if not, what to do."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from returnflow.advice.from_variants import lifted
from returnflow.advice.option import ROOM_DB, Option
from returnflow.advice.options import options_for
from returnflow.advice.recommendation import NO_BETTER, WORTH, in_sentence, opening, recommendation, rests_on
from returnflow.advice.together import keeps_all, obstacle, titled, verdict_of_all
from returnflow.advice.trials import CLOSED, CLOSED_TOO
from returnflow.answers.budget import Budget, decibels
from returnflow.answers.result import Result
from returnflow.answers.verdict import finding, said_noise
from returnflow_geometry.model.board import Loop, Role
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import joined, named


@dataclass(frozen=True, kw_only=True)
class Decision:
    """
    What to do for one sensitive loop, or for one pair of cables whose limit is not kept.

    Attributes
    ----------
    loop : str
    role : "sensitive" or "cables"
        Of the loop.
    tolerable : bool
        Whether its limit is kept as drawn: of a signal, whether sharing the plane is tolerable.
    finding : str
        Is it, by what margin, and which loops contribute.
    options : tuple of Option
        In the order of effort.
    chosen : Option or None
        What is recommended; None where nothing is needed, or nothing computed keeps the limit.
    recommendation : str
        Plain sentences.
    rests_on : tuple of str
        What the recommendation rests on.
    all_limits : str
        Where more than this limit is not kept: what everything recommended comes to when it is solved on one board,
        or which board keeps all by itself. The same for every limit that is not kept; nothing where nothing is known.
    """

    loop: str
    role: Role
    tolerable: bool
    finding: str
    options: tuple[Option, ...]
    chosen: Option | None
    recommendation: str
    rests_on: tuple[str, ...]
    all_limits: str = ""


def decide(
    base: Result, variants: Mapping[str, Result], joint: Mapping[str, Result] | None = None
) -> tuple[Decision, ...]:
    """
    Decide for every sensitive loop of a case, then for every pair of cables whose limit is not kept.

    Parameters
    ----------
    base : Result
        The case as drawn.
    variants : mapping of name to Result
        Solved variants, and trials.
    joint : mapping of name to Result, optional
        Boards with several of them at once: if one has all that is recommended, it is told what that comes to.
    """
    bare, clashes = settled(base, variants, joint or {})
    names = recommended(bare)
    every = (joint or {}).get(titled(names))
    if every is not None:
        whole = all(it.chosen is None or it.chosen.variant is not None for it in bare)
        what = "All of it together" if whole else "The boards of all that together"
        said = [f"{what}, solved as {in_sentence(titled(names))}: {verdict_of_all(base, every)}"]
        said += [item.proviso for item in every.sensitive if item.proviso]
    else:
        said = _by_itself(base, bare, variants)
        if len(names) > 1 and not said:
            why = obstacle(base.case, names, {name: variants[name].case for name in names})
            titles = joined([in_sentence(name) for name in names])
            why = f": {why.removesuffix('.')}" if why else ""
            said = [f"What is recommended for each was not solved together: {titles}{why}."]
    said += [f"{opening(name)} {clash}." for name, clash in clashes.items()]
    text = " ".join(said)
    theirs = {it.chosen.variant: it.loop for it in reversed(bare) if it.chosen is not None}
    together = {} if every is None else {it.loop: it for it in (*every.sensitive, *every.cables)}
    return tuple(replace(_worded(it, base, theirs, together), all_limits="" if it.tolerable else text) for it in bare)


def settled(
    base: Result, variants: Mapping[str, Result], joint: Mapping[str, Result]
) -> tuple[list[Decision], dict[str, str]]:
    """
    Decisions without words, and boards for cables that were left out for what they do together with others.

    Parameters
    ----------
    base : Result
        The case as drawn.
    variants : mapping of name to Result
    joint : mapping of name to Result
        Boards with several of them at once.

    Returns
    -------
    decisions : list of Decision
        What they recommend together harms no limit on any board of `joint`; whether it does on others is not known.
    clashes : dict, name to clause
    """
    clashes: dict[str, str] = {}
    own: set[str] = set()  # pairs of cables that want a board of their own
    while True:
        decisions = [_decide(base.case.loop(it.loop), it, base, variants) for it in base.sensitive]
        drawn = [it.chosen.variant for it in decisions if it.chosen is not None]
        handled = [it.loop for it in decisions if it.chosen is not None]
        over = [it for it in base.cables if it.verdict != "kept"]
        decisions += [
            _decide(base.case.loop(it.loop), it, base, variants, () if it.loop in own else drawn, clashes, handled)
            for it in over
        ]
        decisions = _shared(decisions, own)
        names = recommended(decisions)
        if (one := one_for_all(decisions, base, variants, names)) is not None:
            return one, clashes
        alone = variants.get(names[0]) if len(names) == 1 else None
        without = _without_room(decisions, alone or joint.get(titled(names))) - own
        if without:
            own |= without
            continue
        every = joint.get(titled(names))
        # What is recommended for signals stands, and what it does by itself.
        free = [name for name in names if name not in drawn]
        known = {it.loop for name in names if name in drawn for it in spoils(base, variants[name])}
        spoilt = [] if every is None else [it for it in spoils(base, every) if it.loop not in known]
        if every is None or not spoilt or not free:
            return decisions, clashes
        worst = max(free, key=lambda name: max(_noise_of(variants[name], it.loop) / it.limit for it in spoilt))
        if worst in clashes:
            return decisions, clashes
        others = joined([in_sentence(name) for name in names if name != worst])
        hurt = joined([f"{named(it.loop)} with {said_noise(it)} of {engineering(it.limit, 'V')}" for it in spoilt])
        clashes[worst] = f"does not go with {others}: together they leave {hurt}, solved as one board"


def one_for_all(
    decisions: Sequence[Decision], base: Result, variants: Mapping[str, Result], names: Sequence[str]
) -> list[Decision] | None:
    """
    Decisions that all recommend one board, where those for each cannot be drawn as one and it keeps every limit.

    None where they can, or no board does that with room and without harm: each limit then has what is best for it.

    Parameters
    ----------
    decisions : sequence of Decision
        With what is best for each.
    base : Result
        The case as drawn.
    variants : mapping of name to Result
    names : sequence of str
        Of the boards that they recommend.
    """
    if len(names) < 2:
        return None
    boards = {name: replace(variants[name].case, accuracy=base.case.accuracy) for name in names}
    if not obstacle(base.case, names, boards):
        return None
    over = [it for it in decisions if not it.tolerable]
    fit = [{option.variant: option for option in it.options if option.has_room and not option.harmful} for it in over]
    every = [
        name
        for name, result in variants.items()
        if all(name in options for options in fit) and keeps_all(base, result) and not lifted(base.case, result.case)
    ]
    if not every:
        return None

    def cost(name: str) -> tuple[float, ...]:
        return tuple(map(sum, zip(*(rank(options[name]) for options in fit), strict=True)))

    best = min(every, key=cost)
    chosen = iter([options[best] for options in fit])
    return [it if it.tolerable else replace(it, chosen=next(chosen)) for it in decisions]


def _shared(decisions: Sequence[Decision], own: Collection[str]) -> list[Decision]:
    """Decisions in which a board that is recommended for another limit serves cables too, if it keeps their limit."""
    found = list(decisions)
    for n, it in enumerate(found):
        chosen = [None if each.chosen is None else each.chosen.variant for each in found]
        mine = chosen[n]
        if it.role != "cables" or it.chosen is None or it.loop in own or (mine is not None and chosen.count(mine) > 1):
            continue
        others = {variant for k, variant in enumerate(chosen) if k != n and variant is not None}
        theirs = choose_harmless([option for option in it.options if option.variant in others])
        if theirs is not None:
            found[n] = replace(it, chosen=theirs)
    return found


def _without_room(decisions: Sequence[Decision], result: Result | None) -> set[str]:
    """Pairs of cables without room on the board of all that is recommended, that have another one with room."""
    if result is None:
        return set()
    left = {it.loop: decibels(it.limit, it.sure) for it in result.cables}
    return {
        it.loop
        for it in decisions
        if it.role == "cables" and it.chosen is not None and not it.chosen.has_room and left.get(it.loop, 0.0) < ROOM_DB
        if any(option.has_room and not option.harmful for option in it.options)
    }


def _noise_of(result: Result, loop: str) -> float:
    return next((it.sure for it in (*result.sensitive, *result.cables) if it.loop == loop), 0.0)


def spoils(base: Result, other: Result) -> list[Budget]:
    """Limits that are kept as drawn and not on another board, and those of signals that lose their room there."""
    before = {item.loop: item for item in (*base.sensitive, *base.cables)}
    spoilt = []
    for item in (*other.sensitive, *other.cables):
        old = before.get(item.loop)
        if old is None or old.verdict != "kept":
            continue
        tight = item.role == "sensitive" and decibels(item.limit, item.sure) < ROOM_DB <= decibels(old.limit, old.sure)
        if item.verdict != "kept" or tight:
            spoilt.append(item)
    return spoilt


def _by_itself(base: Result, decisions: Sequence[Decision], variants: Mapping[str, Result]) -> list[str]:
    """What is said of a board that keeps every limit by itself, where several are not kept as drawn."""
    if sum(item.verdict != "kept" for item in (*base.sensitive, *base.cables)) < 2:
        return []
    whole = [name for name, it in variants.items() if keeps_all(base, it) and not lifted(base.case, it.case)]
    chosen = [None if it.chosen is None else it.chosen.variant for it in decisions if not it.tolerable]
    best = min(whole, key=lambda name: -chosen.count(name), default=None)
    if best is None or set(chosen) == {best}:  # it is said already what else that one mends
        return []
    return [
        f"{opening(best)} keeps every limit.",
        *(it.proviso for it in variants[best].sensitive if it.proviso),
    ]


def _worded(
    decision: Decision, base: Result, theirs: Mapping[str | None, str], together: Mapping[str, Budget]
) -> Decision:
    """A decision in words; `theirs` and `together` as of `recommendation`."""
    loop = base.case.loop(decision.loop)
    vain = [sentence for sentence in decision.rests_on if sentence.startswith(NO_BETTER)]
    sentences = recommendation(loop, base, decision.options, decision.chosen, vain, theirs, together.get(loop.name))
    return replace(decision, recommendation=" ".join(dict.fromkeys(sentences)))


def recommended(decisions: Sequence[Decision]) -> tuple[str, ...]:
    """
    Names of the boards that are recommended, each for some limit: for signals first, then for cables.

    Parameters
    ----------
    decisions : sequence of Decision
        Of all signals and cables.
    """
    return tuple(
        dict.fromkeys(it.chosen.variant for it in decisions if it.chosen is not None and it.chosen.variant is not None)
    )


def _decide(
    loop: Loop,
    budget: Budget,
    base: Result,
    variants: Mapping[str, Result],
    drawn: Collection[str | None] = (),
    clashes: Mapping[str, str] | None = None,
    handled: Collection[str] = (),
) -> Decision:
    """Decision for one loop, without words; `drawn` are boards recommended for others, `clashes` what does not go."""
    every = options_for(loop, base, variants)
    if clashes:
        every = tuple(replace(option, clash=clashes.get(option.variant or "", "")) for option in every)
    tolerable = budget.verdict == "kept"
    if tolerable:  # boards that nobody drew are for other limits
        asked = _asked(base)
        every = tuple(option for option in every if option.variant is None or option.variant in asked)
    vain = [option for option in every if _in_vain(option, budget, base)]
    options = tuple(option for option in every if option not in vain)
    chosen = (
        None if tolerable else choose(options) if loop.role == "sensitive" else choose_harmless(options, drawn, handled)
    )
    return Decision(
        loop=loop.name,
        role=loop.role,
        tolerable=tolerable,
        finding=finding(budget),
        options=options,
        chosen=chosen,
        recommendation="",
        rests_on=(*rests_on(loop, base, chosen), *_no_better(vain)),
    )


def _asked(base: Result) -> set[str | None]:
    """Variants of the case, and the board without gaps."""
    return {CLOSED, *(variant.name for variant in base.case.variants)}


def _in_vain(option: Option, budget: Budget, base: Result) -> bool:
    """
    Whether a board helps so little that it is no option.

    For a signal, one that nobody asked for, with a noisy part elsewhere or other copper; for cables, any.
    """
    if option.variant is None or (budget.role == "sensitive" and option.variant in _asked(base)):
        return False
    return (
        (budget.role == "cables" or option.kind in ("trace", "noisy current", "copper"))
        and option.noise is not None
        and option.noise > WORTH * budget.noise
    )


def _no_better(vain: list[Option]) -> tuple[str, ...]:
    if not vain:
        return ()
    listed = ", ".join(f"{option.title} ({engineering(option.noise or 0.0, 'V')})" for option in vain)
    return (f"{NO_BETTER}{listed}.",)


def choose(options: tuple[Option, ...], handled: Collection[str] = ()) -> Option | None:
    """
    Option that keeps the limit with the least harm elsewhere, then the least effort; None if none does.

    One that leaves room comes before one that only just keeps the limit; of one kind, one that was solved before one
    that follows from the fields of the case as drawn, and one that mends a limit elsewhere before one that does not,
    but for limits that are `handled`.
    """
    return min((it for it in options if it.meets), key=lambda option: rank(option, handled), default=None)


def rank(option: Option, handled: Collection[str] = ()) -> tuple[float, ...]:
    """
    What an option that keeps its limit is chosen by: the lower before the higher; see `choose`.

    Of changes to copper one that leaves gaps, which may be there for a reason, comes before closing them all.
    """
    worked_out, two_changes, noise = option.variant is None, option.title.endswith(CLOSED_TOO), option.noise or 0.0
    harm = (len(option.broken), not option.has_room, len(option.tight))
    good_elsewhere = len(set(option.mended) - set(handled))
    return *harm, option.effort, worked_out, -good_elsewhere, two_changes, option.variant == CLOSED, noise


def choose_harmless(
    options: Sequence[Option], drawn: Collection[str | None] = (), handled: Collection[str] = ()
) -> Option | None:
    """
    As `choose`, of what harms no other limit: never at a signal's cost. None if nothing else does.

    Parameters
    ----------
    options : sequence of Option
    drawn : collection of str
        Boards that are recommended for others: one of these comes first.
    handled : collection of str
        Limits for which something is recommended already.
    """
    harmless = tuple(option for option in options if not option.harmful)
    first = choose(tuple(o for o in harmless if o.variant in drawn and o.variant), handled)
    return first or choose(harmless, handled)
