"""What is recommended for a limit, in words: how, what it leaves, what it does to others, what it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from returnflow.advice.option import ROOM_DB, Option, budget_of
from returnflow.answers.budget import Budget, decibels
from returnflow.answers.result import Result
from returnflow.answers.verdict import margin, margin_words, needed, said_noise
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import dB, engineering
from returnflow_geometry.model.wording import joined, named

NO_BETTER = "Also solved, but hardly better than as drawn, or worse: "
WORTH = 0.9  # of the noise as drawn: what leaves more is not worth a row
CAUTION = (
    "Protective earth, isolation barriers, mains, battery and medical inputs, and the bonds of cable shields are "
    "matters of safety and EMC, for local codes and a qualified person: never lift one on the word of a simulation."
)

_ADVICE = {
    "move amplifier": "Share the plane, and shorten the distance",
    "trace": "Share the plane, and lead the trace of the noisy current another way",
    "noisy current": "Share the plane, and reduce or move the noisy current",
    "dedicated return": "Give {loop} a return of its own with one ground point",
    "differential": "Receive {loop} differentially, isolated from ground",
    "noisy return": "Share the plane, and give the noisy current a return of its own",
    "copper": "Share the plane, and change its copper",
}
_FOR_CABLES = {
    "trace": "Lead the trace of the noisy current another way",
    "noisy return": "Give the noisy current a return of its own",
    "copper": "Change the copper between the connectors",
    "noisy part": "Reduce or move the noisy current",
    "move connector": "Bring the connectors together",
}


def recommendation(
    loop: Loop,
    base: Result,
    options: Sequence[Option],
    chosen: Option | None,
    vain: Sequence[str],
    theirs: Mapping[str | None, str],
    together: Budget | None = None,
) -> list[str]:
    """
    What is recommended for a limit, in plain sentences.

    Parameters
    ----------
    loop : Loop
        That has the limit.
    base : Result
        The case as drawn.
    options : sequence of Option
    chosen : Option or None
    vain : sequence of str
        What was solved in vain, in sentences.
    theirs : mapping of variant to loop
        First of the signals or cables that boards are recommended for.
    together : Budget, optional
        Of this limit on the board with all that is recommended.
    """
    budget = budget_of(base, loop)
    if budget.verdict == "kept":
        return [f"Share the plane: {margin(budget)} as drawn.", *([budget.proviso] if budget.proviso else [])]
    if budget.waits and chosen is None:
        first = needed(budget.unrouted, unsolved=budget.unsolved)
        why = "where it runs decides what couples" if budget.unrouted else "what is induced decides"
        return [f"{first[0].upper()}{first[1:]} first: {why}."]
    if chosen is None:
        return [*_nothing_meets(budget, options), *vain]
    how = (_ADVICE if loop.role == "sensitive" else _FOR_CABLES)[chosen.kind].format(loop=named(loop.name))
    said = loop.role == "cables" and theirs.get(chosen.variant, loop.name) != loop.name and chosen.variant is not None
    if said:
        sentences = [f"As recommended for {named(theirs[chosen.variant])}: {in_sentence(chosen.title)}."]
    elif chosen.variant:
        sentences = [f"{how}, as in {in_sentence(chosen.title)}."]
    else:
        sentences = [f"{how}: {chosen.title[0].lower()}{chosen.title[1:]}."]
    if chosen.noise == 0:
        sentences.append("It leaves no conducted noise.")
    elif chosen.noise is not None:
        left = margin_words(chosen.sure_dB or 0.0)
        sentences.append(f"It leaves {chosen.left}, limit {engineering(chosen.limit, 'V')}, {left}.")
    limits = {item.loop: item.limit for item in (*base.sensitive, *base.cables)}
    mended = () if said else chosen.mended
    sentences += [f"It also brings {named(it)} within its limit of {engineering(limits[it], 'V')}." for it in mended]
    if not chosen.has_room:
        sentences += _little_room(options, together)
    easier = min(
        (o for o in options if o.meets and not o.harmful and not o.has_room and o.effort < chosen.effort),
        key=lambda option: option.effort, default=None,
    )  # fmt: skip
    if easier is not None and chosen.has_room:
        left = margin_words(easier.sure_dB or 0.0)
        sentences.append(f"With less effort, but only {left}: {in_sentence(easier.title)}.")
    sentences += [proviso for proviso in [_proviso(chosen, budget)] if proviso]
    still_open = [option for option in options if option.possible and option.waits]
    if still_open:
        routes = tuple(dict.fromkeys(name for option in still_open for name in option.unrouted))
        first = needed(routes, unsolved=any(option.unsolved for option in still_open))
        titles = joined([in_sentence(option.title) for option in still_open])
        sentences.append(f"Not judged yet: {titles}. To compare, {first}.")
    if chosen.over:
        sentences.append(f"It puts {_quoted(chosen.over)} over the limit: weigh that first.")
    if chosen.unsure:
        sentences.append(f"It leaves open whether {_quoted(chosen.unsure)} {keeps(chosen.unsure)}: find out first.")
    if chosen.worse:
        now = [f"{named(name)} ({engineering(chosen.elsewhere[name], 'V')})" for name in chosen.worse]
        sentences.append(f"Over the limit as drawn, and further with it: {joined(now)}.")
    before = {item.loop: decibels(item.limit, item.sure) for item in base.sensitive}
    sentences += [
        f"It leaves {named(name)} {margin_words(room)}, of {dB(before[name])} as drawn."
        for name, room in chosen.tight.items()
    ]
    return sentences


def _little_room(options: Sequence[Option], together: Budget | None) -> list[str]:
    """What is said where the recommended option leaves less than `ROOM_DB`."""
    measure = "measure before you rely on it."
    if together is not None:
        said = [f"With all that is recommended it is {said_noise(together)}, {margin(together)}."]
        little = decibels(together.limit, together.sure) < ROOM_DB
        return [*said, *([f"That is less than {ROOM_DB:.0f} dB: {measure}"] if little else [])]
    which = "option that harms no other limit" if any(option.has_room for option in options) else "solved option"
    return [f"No {which} has {ROOM_DB:.0f} dB margin: {measure}"]


def _nothing_meets(budget: Budget, options: Sequence[Option]) -> list[str]:
    """What is said where no option can be recommended: what comes nearest, and what would do at another's cost."""
    sentences = ["No option computed here meets the limit by itself."]
    cables = budget.role == "cables"
    harmful = [option for option in options if cables and option.meets and option.harmful]
    if harmful:
        best = min(harmful, key=lambda option: (len(option.broken), option.effort, option.noise or 0.0))
        sentences = [f"{opening(best.title)} would fix that, but {harm_in_words(best)}: not advised."]
    near = [o for o in options if o.possible and o.noise is not None and not (cables and o.harmful)]
    best_left = min(near, key=lambda option: option.noise or 0.0, default=None)
    if best_left is not None and best_left.noise is not None and best_left.noise < WORTH * budget.noise:
        which = "Of what harms no other limit the best" if harmful else "The best"
        sentences.append(f"{which}, {in_sentence(best_left.title)}, leaves {best_left.left}.")
    return [*sentences, "Combine options in one variant, or check whether the limit is right."]


def harm_in_words(option: Option) -> str:
    """What an option does to other limits, as a clause."""
    hurt = [f"{named(name)} has {engineering(option.elsewhere[name], 'V')}" for name in (*option.over, *option.worse)]
    says = "is over its limit" if len(hurt) == 1 else "are over their limits"
    parts = [f"with it {joined(hurt)} and {says}"] if hurt else []
    parts += [f"it leaves open whether {_quoted(option.unsure)} {keeps(option.unsure)}"] if option.unsure else []
    parts += [f"it leaves {named(name)} {margin_words(room)}" for name, room in option.tight.items()]
    return ", and ".join([*parts, *([f"it {option.clash}"] if option.clash else [])])


def _proviso(chosen: Option, budget: Budget) -> str:
    """What the verdict of an option rests on; with the currents or the input changed conductors are where they are."""
    if chosen.variant is not None or chosen.noise is None or chosen.low is None or chosen.high is None:
        return chosen.proviso
    return replace(budget, noise=chosen.noise, low=chosen.low, high=chosen.high, unrouted=(), unsolved=False).proviso


def in_sentence(title: str) -> str:
    """Title of an option within a sentence: in quotation marks, unless names in it have their own."""
    return title if '"' in title else named(title)


def opening(title: str) -> str:
    """
    Title of an option at the beginning of a sentence.

    Examples
    --------
    >>> print(opening('a return of its own for "pump"'), opening("solid plane"))
    A return of its own for "pump" "solid plane"
    """
    said = in_sentence(title)
    return f"{said[0].upper()}{said[1:]}"


def keeps(names: tuple[str, ...]) -> str:
    """Whether limits of these are kept, as the end of a clause."""
    return "keeps its limit" if len(names) == 1 else "keep theirs"


def _quoted(names: tuple[str, ...]) -> str:
    return joined([named(name) for name in names])


def rests_on(loop: Loop, base: Result, chosen: Option | None) -> tuple[str, ...]:
    """What a recommendation for a limit rests on, in sentences."""
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
