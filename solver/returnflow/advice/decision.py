"""The decision for each sensitive loop: is sharing the plane tolerable, and if not, what to do; with reasons."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from returnflow.advice.from_variants import from_variant
from returnflow.advice.option import ROOM_DB, Option, budget_of
from returnflow.advice.options import options_for, what_changes
from returnflow.advice.together import keeps_all, titled, verdict_of_all
from returnflow.advice.trials import CLOSED
from returnflow.answers.budget import Budget
from returnflow.answers.result import Result
from returnflow.answers.verdict import finding, margin, margin_words, needed, said_noise
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import joined, named

HALF = 0.5  # of what is over a limit that nothing mends: what leaves less is told
WORTH = 0.9  # of the noise as drawn: what leaves more is not worth a row
CAUTION = (
    "Protective earth, isolation barriers, mains, battery and medical inputs, and the bonds of cable shields are "
    "matters of safety and EMC, for local codes and a qualified person: never lift one on the word of a simulation."
)


@dataclass(frozen=True, kw_only=True)
class Decision:
    """
    What to do for one sensitive loop.

    Attributes
    ----------
    loop : str
    tolerable : bool
        Whether sharing the plane is tolerable as drawn.
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
    others : tuple of Option
        Boards that change nothing for this loop, for limits elsewhere.
    """

    loop: str
    tolerable: bool
    finding: str
    options: tuple[Option, ...]
    chosen: Option | None
    recommendation: str
    rests_on: tuple[str, ...]
    others: tuple[Option, ...] = ()

    @property
    def boards(self) -> tuple[Option, ...]:
        """Everything that is told for limits elsewhere."""
        return (*self.options, *self.others)


def decide(
    base: Result, variants: Mapping[str, Result], joint: Mapping[str, Result] | None = None
) -> tuple[Decision, ...]:
    """
    Decide for every sensitive loop of a case.

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
    names = recommended(base, bare)
    every = (joint or {}).get(titled(names))
    if every is not None:
        said = [f"All of it together, solved as {_titled(titled(names))}: {verdict_of_all(base, every)}"]
        said += [item.proviso for item in every.sensitive if item.proviso]
    else:
        names, said = (), _by_itself(base, bare, variants)
    return tuple(_worded(it, base, names, said) for it in bare)


def _by_itself(base: Result, decisions: Sequence[Decision], variants: Mapping[str, Result]) -> list[str]:
    """What is said of a board that keeps every limit by itself, where several are not kept as drawn."""
    if sum(item.verdict != "kept" for item in (*base.sensitive, *base.cables)) < 2:
        return []
    ruled_out = {option.variant for it in decisions for option in it.boards if not option.possible}
    whole = [name for name, result in variants.items() if name not in ruled_out and keeps_all(base, result)]
    chosen = [it.chosen.variant for it in decisions if it.chosen is not None]
    best = min(whole, key=lambda name: -chosen.count(name), default=None)
    if best is None or (len(decisions) == 1 and chosen == [best]):  # that is said of it already
        return []
    title = _titled(best)
    return [
        f"{title[0].upper()}{title[1:]} keeps every limit.",
        *(it.proviso for it in variants[best].sensitive if it.proviso),
    ]


def _worded(decision: Decision, base: Result, together: Collection[str], said: Sequence[str]) -> Decision:
    """A decision in words: on its loop, on the cables, and on what is done for all limits if it has a part in that."""
    loop = base.case.loop(decision.loop)
    sentences = _recommendation(loop, budget_of(base, loop), base, decision, together)
    if not decision.tolerable or (together and any(item.verdict != "kept" for item in base.cables)):
        sentences += said
    return replace(decision, recommendation=" ".join(dict.fromkeys(sentences)))


def recommended(base: Result, decisions: Sequence[Decision]) -> tuple[str, ...]:
    """
    Names of the boards that are recommended, each for some limit: for signals first, then for cables.

    Parameters
    ----------
    base : Result
        The case as drawn.
    decisions : sequence of Decision
        Of all its signals.
    """
    found = [it.chosen.variant for it in decisions if it.chosen is not None and it.chosen.variant is not None]
    for cables in base.cables:
        mended = any(it.chosen is not None and cables.loop in it.chosen.mended for it in decisions)
        if cables.verdict != "kept" and not mended:
            found += _for_cables(cables, base, decisions)
    return tuple(dict.fromkeys(found))


def _for_cables(cables: Budget, base: Result, decisions: Sequence[Decision]) -> list[str]:
    """The board that brings cables back: of those that decisions name, the first that harms no other signal."""
    budgets = [budget_of(base, base.case.loop(it.loop)) for it in decisions]
    offered = [_mending(cables, budget, it.boards) for it, budget in zip(decisions, budgets, strict=True)]
    boards = [option.variant for option in offered if option is not None and option.variant is not None]
    harmful = {
        option.variant
        for it, budget in zip(decisions, budgets, strict=True)
        for option in it.boards
        if option not in _harmless(budget, it.boards)
    }
    return sorted(boards, key=lambda name: name in harmful)[:1]


def _decide(loop: Loop, budget: Budget, base: Result, variants: Mapping[str, Result]) -> Decision:
    every = options_for(loop, base, variants)
    vain = [option for option in every if _in_vain(option, budget, base)]
    options = tuple(option for option in every if option not in vain)
    tolerable = budget.verdict == "kept"
    others = tuple(
        from_variant("copper", name, loop, base, result)
        for name, result in variants.items()
        if loop.name in result.loop_names and what_changes(loop, base.case, result.case) is None
    )
    chosen = None if tolerable else choose(options)
    return Decision(
        loop=loop.name,
        tolerable=tolerable,
        finding=finding(budget),
        options=options,
        chosen=chosen,
        recommendation="",
        others=others,
        rests_on=(*_rests_on(loop, base, chosen), *_no_better(vain)),
    )


def _in_vain(option: Option, budget: Budget, base: Result) -> bool:
    """Whether other copper or another place for a noisy part, which nobody asked for, helps so little: no option."""
    asked = {CLOSED, *(variant.name for variant in base.case.variants)}
    drawn = option.variant is not None and option.variant not in asked
    return (
        drawn
        and option.kind in ("noisy current", "copper")
        and not option.mended
        and option.noise is not None
        and option.noise > WORTH * budget.noise
    )


def _no_better(vain: list[Option]) -> tuple[str, ...]:
    if not vain:
        return ()
    listed = ", ".join(f"{option.title} ({engineering(option.noise or 0.0, 'V')})" for option in vain)
    return (f"Also solved, but hardly better than as drawn, or worse: {listed}.",)


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


_ADVICE = {
    "move amplifier": "Share the plane, and shorten the distance",
    "noisy current": "Share the plane, and reduce or move the noisy current",
    "dedicated return": "Give {loop} a return of its own with one ground point",
    "differential": "Receive {loop} differentially, isolated from ground",
    "copper": "Share the plane, and change its copper",
}


def _recommendation(
    loop: Loop, budget: Budget, base: Result, decision: Decision, together: Collection[str]
) -> list[str]:
    options, chosen = decision.options, decision.chosen
    cables = _cables(budget, base, decision.boards, chosen, together)
    if budget.verdict == "kept":
        sentences = [f"Share the plane: {margin(budget)} as drawn.", *([budget.proviso] if budget.proviso else [])]
        return [*sentences, *cables]
    if budget.waits and chosen is None:
        first = needed(budget.unrouted, unsolved=budget.unsolved)
        why = "where it runs decides what couples" if budget.unrouted else "what is induced decides"
        return [f"{first[0].upper()}{first[1:]} first: {why}.", *cables]
    if chosen is None:
        near = [option for option in options if option.possible and option.noise is not None]
        best = min(near, key=lambda option: option.noise or 0.0, default=None)
        sentences = ["No option computed here meets the limit by itself."]
        if best is not None and best.noise is not None:
            sentences.append(f"The best, {_titled(best.title)}, leaves {best.left}.")
        sentences.append("Combine options in one variant, or check whether the limit is right.")
        return [*sentences, *cables]
    how = _ADVICE[chosen.kind].format(loop=named(loop.name))
    sentences = [
        f"{how}, as in {_titled(chosen.title)}."
        if chosen.variant
        else f"{how}: {chosen.title[0].lower()}{chosen.title[1:]}."
    ]
    if chosen.noise == 0:
        sentences.append("It leaves no conducted noise.")
    elif chosen.noise is not None:
        left = margin_words(chosen.sure_dB or 0.0)
        sentences.append(f"It leaves {chosen.left}, limit {engineering(budget.limit, 'V')}, {left}.")
    if not chosen.has_room:
        sentences.append(f"No solved option has {ROOM_DB:.0f} dB margin: measure before you rely on it.")
    sentences += [said for said in [_proviso(chosen, budget)] if said]
    still_open = [option for option in options if option.possible and option.waits]
    if still_open:
        routes = tuple(dict.fromkeys(name for option in still_open for name in option.unrouted))
        first = needed(routes, unsolved=any(option.unsolved for option in still_open))
        titles = joined([_titled(option.title) for option in still_open])
        sentences.append(f"Not judged yet: {titles}. To compare, {first}.")
    if chosen.broken:
        sentences.append(f"It puts {_quoted(chosen.broken)} over the limit: weigh that first.")
    return [*sentences, *cables]


def _cables(
    budget: Budget, base: Result, options: Sequence[Option], chosen: Option | None, together: Collection[str]
) -> list[str]:
    """What else is wrong between the cables, and which variant mends it at what price for this signal."""
    sentences = []
    for item in base.cables:
        if item.verdict == "kept":
            continue
        if chosen is not None and item.loop in chosen.mended:
            sentences.append(f"It also brings {named(item.loop)} within its limit of {engineering(item.limit, 'V')}.")
            continue
        if item.verdict == "unknown":
            first = needed(item.unrouted, unsolved=item.unsolved)
            sentences.append(f"Between the cables, {named(item.loop)} cannot be judged yet: {first}.")
            continue
        found = f"{said_noise(item)}, limit {engineering(item.limit, 'V')}"
        lead = "" if any(said.startswith("Independently") for said in sentences) else "Independently of this signal, "
        with_it = math.inf if chosen is None else chosen.between.get(item.loop, math.inf)
        changed = f" (with that board {engineering(with_it, 'V')})" if WORTH * item.noise > with_it else ""
        says = f"{lead}{named(item.loop)} has {found}{changed}"
        mending = [o for o in options if item.loop in o.mended and o.possible and not o.broken]
        harmless = _mending(item, budget, options, together)
        if harmless is not None:
            alone = " alone" if chosen is not None else ""
            then = f"; with it{alone} this signal has {harmless.left}" if harmless.noise is not None else ""
            if chosen is not None and chosen.variant is not None:
                then = "" if harmless.variant in together else "; the two together were not solved"
            sentences.append(f"{says}; {_titled(harmless.title)} fixes that{then}.")
        elif mending:
            best = min(mending, key=lambda option: option.noise or 0.0)
            over = f"{best.left}, limit {engineering(best.limit, 'V')}"
            sentences.append(f"{says}; {_titled(best.title)} would fix that, but with it this signal has {over}.")
        else:
            left = [(o.between[item.loop], o.title) for o in _harmless(budget, options) if item.loop in o.between]
            lowest, title = min(left, default=(math.inf, ""))
            nearest = f"; {_titled(title)} leaves {engineering(lowest, 'V')}" if lowest < HALF * item.noise else ""
            sentences.append(f"{says}, and nothing solved here fixes that{nearest}.")
    return sentences


def _proviso(chosen: Option, budget: Budget) -> str:
    """What the verdict of an option rests on; with the currents or the input changed conductors are where they are."""
    if chosen.variant is not None or chosen.noise is None or chosen.low is None or chosen.high is None:
        return chosen.proviso
    return replace(budget, noise=chosen.noise, low=chosen.low, high=chosen.high, unrouted=(), unsolved=False).proviso


def _mending(
    cables: Budget, budget: Budget, options: Sequence[Option], together: Collection[str] = ()
) -> Option | None:
    """Option that brings a limit between cables back and harms no signal: one that is solved with others, or easy."""
    mending = [option for option in _harmless(budget, options) if cables.loop in option.mended]
    return min(mending, key=lambda option: (option.variant not in together, option.effort), default=None)


def _harmless(budget: Budget, options: Sequence[Option]) -> list[Option]:
    """Possible options that put nothing over its limit that is not over it as drawn."""
    # What is over the limit as drawn, and no worse with it, may be mended by something else.
    least = max(budget.limit, budget.noise)
    return [o for o in options if o.possible and not o.broken and (o.noise is None or o.noise <= least)]


def _titled(title: str) -> str:
    """Title of an option within a sentence: in quotation marks, unless names in it have their own."""
    return title if '"' in title else named(title)


def _quoted(names: tuple[str, ...]) -> str:
    return joined([named(name) for name in names])


def _rests_on(loop: Loop, base: Result, chosen: Option | None) -> tuple[str, ...]:
    case = base.case
    terms = [
        f"A limit of {engineering(loop.tolerates or 0.0, 'V')} in series with a full-scale signal of "
        f"{engineering(loop.signal or 0.0, 'V')}"
        + (
            f", from {engineering(loop.band[0], 'Hz')} to {engineering(loop.band[1], 'Hz')}"
            if loop.band
            else ", at every frequency"
        )
        + ".",
        "The currents and frequencies of the case: noise is proportional to current.",
    ]
    if chosen is not None and chosen.variant is None:
        terms.append("It is estimated from the fields of the case as drawn, with the currents or the input changed.")
    bonded = [end for end in (loop.inject, loop.return_) if case.board.terminal(end).bonded]
    if bonded:
        terms.append(f"{' and '.join(bonded)} {'stays' if len(bonded) == 1 else 'stay'} bonded, as the case says.")
    terms.append(CAUTION)
    return tuple(terms)
