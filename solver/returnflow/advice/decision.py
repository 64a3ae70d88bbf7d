"""The decision for each signal, and each pair of cables over its limit: is it tolerable, and if not, what to do."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from returnflow.advice.from_variants import lifted
from returnflow.advice.option import ROOM_DB, Option, budget_of
from returnflow.advice.options import options_for
from returnflow.advice.together import keeps_all, titled, verdict_of_all
from returnflow.advice.trials import CLOSED
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result
from returnflow.answers.verdict import finding, margin, margin_words, needed
from returnflow_geometry.model.board import Loop, Role
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import joined, named

NO_BETTER = "Also solved, but hardly better than as drawn, or worse: "
WORTH = 0.9  # of the noise as drawn: what leaves more is not worth a row
CAUTION = (
    "Protective earth, isolation barriers, mains, battery and medical inputs, and the bonds of cable shields are "
    "matters of safety and EMC, for local codes and a qualified person: never lift one on the word of a simulation."
)


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
    bare = [_decide(base.case.loop(budget.loop), budget, base, variants) for budget in base.sensitive]
    drawn = [it.chosen.variant for it in bare if it.chosen is not None]
    bare += [_decide(base.case.loop(it.loop), it, base, variants, drawn) for it in base.cables if it.verdict != "kept"]
    names = recommended(bare)
    every = (joint or {}).get(titled(names))
    if every is not None:
        whole = all(it.chosen is None or it.chosen.variant is not None for it in bare)
        what = "All of it together" if whole else "The boards of all that together"
        said = [f"{what}, solved as {_titled(titled(names))}: {verdict_of_all(base, every)}"]
        said += [item.proviso for item in every.sensitive if item.proviso]
    else:
        said = _by_itself(base, bare, variants)
        if len(names) > 1 and not said:
            said = [
                f"What is recommended for each was not solved together: {joined([_titled(name) for name in names])}."
            ]
    text = " ".join(said)
    theirs = {it.chosen.variant: it.loop for it in reversed(bare) if it.chosen is not None and it.role == "sensitive"}
    return tuple(replace(_worded(it, base, theirs), all_limits="" if it.tolerable else text) for it in bare)


def _by_itself(base: Result, decisions: Sequence[Decision], variants: Mapping[str, Result]) -> list[str]:
    """What is said of a board that keeps every limit by itself, where several are not kept as drawn."""
    if sum(item.verdict != "kept" for item in (*base.sensitive, *base.cables)) < 2:
        return []
    whole = [name for name, it in variants.items() if keeps_all(base, it) and not lifted(base.case, it.case)]
    chosen = [None if it.chosen is None else it.chosen.variant for it in decisions if not it.tolerable]
    best = min(whole, key=lambda name: -chosen.count(name), default=None)
    if best is None or set(chosen) == {best}:  # it is said already what else that one mends
        return []
    title = _titled(best)
    return [
        f"{title[0].upper()}{title[1:]} keeps every limit.",
        *(it.proviso for it in variants[best].sensitive if it.proviso),
    ]


def _worded(decision: Decision, base: Result, theirs: Mapping[str | None, str]) -> Decision:
    """A decision in words; `theirs` are the signals for which boards are recommended."""
    loop = base.case.loop(decision.loop)
    sentences = _recommendation(loop, budget_of(base, loop), base, decision, theirs)
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
    loop: Loop, budget: Budget, base: Result, variants: Mapping[str, Result], drawn: Collection[str | None] = ()
) -> Decision:
    """Decision for one loop, without words; `drawn` are boards that are recommended for others already."""
    every = options_for(loop, base, variants)
    tolerable = budget.verdict == "kept"
    if tolerable:  # boards that nobody drew are for other limits
        asked = _asked(base)
        every = tuple(option for option in every if option.variant is None or option.variant in asked)
    vain = [option for option in every if _in_vain(option, budget, base)]
    options = tuple(option for option in every if option not in vain)
    chosen = None if tolerable else choose(options) if loop.role == "sensitive" else choose_harmless(options, drawn)
    return Decision(
        loop=loop.name,
        role=loop.role,
        tolerable=tolerable,
        finding=finding(budget),
        options=options,
        chosen=chosen,
        recommendation="",
        rests_on=(*_rests_on(loop, base, chosen), *_no_better(vain)),
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


def choose(options: tuple[Option, ...]) -> Option | None:
    """
    Option that keeps the limit with the least harm elsewhere, then the least effort; None if none does.

    One that leaves room comes before one that only just keeps the limit; of one kind, one that was solved before one
    that follows from the fields of the case as drawn, and one that mends a limit elsewhere before one that does not.
    """
    good = [option for option in options if option.meets]

    def rank(option: Option) -> tuple[float, ...]:
        harm, worked_out, good_elsewhere = len(option.broken), option.variant is None, len(option.mended)
        return harm, not option.has_room, option.effort, worked_out, -good_elsewhere, option.noise or 0.0

    return min(good, key=rank, default=None)


def choose_harmless(options: Sequence[Option], drawn: Collection[str | None] = ()) -> Option | None:
    """
    As `choose`, of what harms no other limit: never at a signal's cost. None if nothing else does.

    Parameters
    ----------
    options : sequence of Option
    drawn : collection of str
        Boards that are recommended for others: one of these comes first.
    """
    harmless = tuple(option for option in options if not option.harmful)
    return choose(tuple(o for o in harmless if o.variant in drawn and o.variant)) or choose(harmless)


_ADVICE = {
    "move amplifier": "Share the plane, and shorten the distance",
    "trace": "Share the plane, and lead the trace of the noisy current another way",
    "noisy current": "Share the plane, and reduce or move the noisy current",
    "dedicated return": "Give {loop} a return of its own with one ground point",
    "differential": "Receive {loop} differentially, isolated from ground",
    "copper": "Share the plane, and change its copper",
}
_FOR_CABLES = {
    "trace": "Lead the trace of the noisy current another way",
    "copper": "Change the copper between the connectors",
    "noisy part": "Reduce or move the noisy current",
    "move connector": "Bring the connectors together",
}


def _recommendation(
    loop: Loop, budget: Budget, base: Result, decision: Decision, theirs: Mapping[str | None, str]
) -> list[str]:
    options, chosen = decision.options, decision.chosen
    if budget.verdict == "kept":
        return [f"Share the plane: {margin(budget)} as drawn.", *([budget.proviso] if budget.proviso else [])]
    if budget.waits and chosen is None:
        first = needed(budget.unrouted, unsolved=budget.unsolved)
        why = "where it runs decides what couples" if budget.unrouted else "what is induced decides"
        return [f"{first[0].upper()}{first[1:]} first: {why}."]
    if chosen is None:
        return [*_nothing_meets(budget, options), *(it for it in decision.rests_on if it.startswith(NO_BETTER))]
    how = (_ADVICE if loop.role == "sensitive" else _FOR_CABLES)[chosen.kind].format(loop=named(loop.name))
    said = loop.role == "cables" and chosen.variant in theirs
    if said:
        sentences = [f"As recommended for {named(theirs[chosen.variant])}: {_titled(chosen.title)}."]
    elif chosen.variant:
        sentences = [f"{how}, as in {_titled(chosen.title)}."]
    else:
        sentences = [f"{how}: {chosen.title[0].lower()}{chosen.title[1:]}."]
    if chosen.noise == 0:
        sentences.append("It leaves no conducted noise.")
    elif chosen.noise is not None:
        left = margin_words(chosen.sure_dB or 0.0)
        sentences.append(f"It leaves {chosen.left}, limit {engineering(chosen.limit, 'V')}, {left}.")
    if not chosen.has_room:
        sentences.append(f"No solved option has {ROOM_DB:.0f} dB margin: measure before you rely on it.")
    easier = min(
        (o for o in options if o.meets and not o.harmful and not o.has_room and o.effort < chosen.effort),
        key=lambda option: option.effort, default=None,
    )  # fmt: skip
    if easier is not None and chosen.has_room:
        left = margin_words(easier.sure_dB or 0.0)
        sentences.append(f"With less effort, but only {left}: {_titled(easier.title)}.")
    sentences += [proviso for proviso in [_proviso(chosen, budget)] if proviso]
    still_open = [option for option in options if option.possible and option.waits]
    if still_open:
        routes = tuple(dict.fromkeys(name for option in still_open for name in option.unrouted))
        first = needed(routes, unsolved=any(option.unsolved for option in still_open))
        titles = joined([_titled(option.title) for option in still_open])
        sentences.append(f"Not judged yet: {titles}. To compare, {first}.")
    if chosen.broken:
        sentences.append(f"It puts {_quoted(chosen.broken)} over the limit: weigh that first.")
    if chosen.worse:
        now = [f"{named(name)} ({engineering(chosen.elsewhere[name], 'V')})" for name in chosen.worse]
        sentences.append(f"Over the limit as drawn, and further with it: {joined(now)}.")
    limits = {item.loop: item.limit for item in (*base.sensitive, *base.cables)}
    mended = () if said else chosen.mended
    sentences += [f"It also brings {named(it)} within its limit of {engineering(limits[it], 'V')}." for it in mended]
    return sentences


def _nothing_meets(budget: Budget, options: Sequence[Option]) -> list[str]:
    """What is said where no option can be recommended: what comes nearest, and what would do at another's cost."""
    sentences = ["No option computed here meets the limit by itself."]
    cables = budget.role == "cables"
    harmful = [option for option in options if cables and option.meets and option.harmful]
    if harmful:
        best = min(harmful, key=lambda option: (len(option.broken), option.effort, option.noise or 0.0))
        hurt = [f"{named(name)} has {engineering(best.elsewhere[name], 'V')}" for name in (*best.broken, *best.worse)]
        says = "is over its limit" if len(hurt) == 1 else "are over their limits"
        sentences = [f"{_titled(best.title)} would fix that, but with it {joined(hurt)} and {says}: not advised."]
        sentences[0] = sentences[0][0].upper() + sentences[0][1:]
    near = [o for o in options if o.possible and o.noise is not None and not (cables and o.harmful)]
    best_left = min(near, key=lambda option: option.noise or 0.0, default=None)
    if best_left is not None and best_left.noise is not None and best_left.noise < WORTH * budget.noise:
        which = "Of what harms no other limit the best" if harmful else "The best"
        sentences.append(f"{which}, {_titled(best_left.title)}, leaves {best_left.left}.")
    return [*sentences, "Combine options in one variant, or check whether the limit is right."]


def _proviso(chosen: Option, budget: Budget) -> str:
    """What the verdict of an option rests on; with the currents or the input changed conductors are where they are."""
    if chosen.variant is not None or chosen.noise is None or chosen.low is None or chosen.high is None:
        return chosen.proviso
    return replace(budget, noise=chosen.noise, low=chosen.low, high=chosen.high, unrouted=(), unsolved=False).proviso


def _titled(title: str) -> str:
    """Title of an option within a sentence: in quotation marks, unless names in it have their own."""
    return title if '"' in title else named(title)


def _quoted(names: tuple[str, ...]) -> str:
    return joined([named(name) for name in names])


def _rests_on(loop: Loop, base: Result, chosen: Option | None) -> tuple[str, ...]:
    case = base.case
    if loop.role == "sensitive":
        limit = f"of {engineering(loop.tolerates or 0.0, 'V')} in series with a full-scale signal of "
        limit += engineering(loop.signal or 0.0, "V")
    elif loop.radiates:
        limit = f"of what two cables may radiate: {loop.radiates.limit}"
    else:
        limit = f"of {engineering(loop.limit or 0.0, 'V')} between the connectors"
    span = "at every frequency"
    if loop.band:
        span = f"from {engineering(loop.band[0], 'Hz')} to {engineering(loop.band[1], 'Hz')}"
    terms = [
        f"A limit {limit}, {span}.",
        "The currents and frequencies of the case: noise is proportional to current.",
    ]
    if chosen is not None and chosen.variant is None:
        terms.append("It is estimated from the fields of the case as drawn, with the currents or the input changed.")
    bonded = [end for end in (loop.inject, loop.return_) if case.board.terminal(end).bonded]
    if bonded:
        terms.append(f"{' and '.join(bonded)} {'stays' if len(bonded) == 1 else 'stay'} bonded, as the case says.")
    terms.append(CAUTION)
    return tuple(terms)
