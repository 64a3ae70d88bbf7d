"""Currents that are said to be in phase: of noisy loops, with a line in common."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from returnflow_geometry.keys.currents import line_frequencies
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.numbers import engineering
from returnflow_geometry.model.wording import label, named

MOST_NAMED = 3  # lines of each current in a message
_RULE = "in phase with a current is that of another noisy loop, line by line"


def coherence_mistakes(loops: Sequence[Loop], unread: Collection[str] = ()) -> Iterator[str]:
    """
    Loops that cannot be coherent with what they name, one sentence each.

    Parameters
    ----------
    loops : sequence of Loop
    unread : collection of str
        Loops with a mistake of their own, of which nothing more is said.

    Examples
    --------
    >>> one = Loop(name="one", role="noisy", inject="i", return_="r", current=1.0, frequency=50.0, coherent_with="two")
    >>> two = Loop(name="two", role="noisy", inject="i", return_="r", current=1.0, frequency=60.0)
    >>> next(coherence_mistakes([one, two])).split("; ")[0]
    'loop "one": coherent_with is "two", which has its only line at 60 Hz where this one has its only line at 50 Hz'
    """
    known = {loop.name: loop for loop in loops if loop.name not in unread}
    for loop in known.values():
        other = known.get(loop.coherent_with or "")
        if loop.role == "noisy" and other is not None and (wrong := _wrong(loop, other)):
            yield f"{label('loop', loop.name)}: coherent_with is {named(other.name)}, {wrong}"


def _wrong(loop: Loop, other: Loop) -> str:
    if other is loop:
        return f"the loop itself; {_RULE}; name another one, or remove it"
    if other.role != "noisy":
        return f"which is {_ROLES[other.role]}; {_RULE}; name a noisy loop, or remove it"
    if not (_given(loop) and _given(other)):  # reported already
        return ""
    mine, theirs = line_frequencies(loop), line_frequencies(other)
    if (None if mine is None else _exact(mine)) == (None if theirs is None else _exact(theirs)):
        return ""
    if mine is None or theirs is None:
        which = "this one" if mine is None else "that one"
        return f"and {which} has no frequency_Hz; {_RULE}; give its frequency, or remove coherent_with"
    if _exact(mine) & _exact(theirs):
        return ""
    advice = "correct a frequency, or remove coherent_with: as drawn they add as powers"
    return f"which has {_lines(theirs)} where this one has {_lines(mine)}; {_RULE}; {advice}"


_ROLES = {"sensitive": "a sensitive loop", "cables": "a pair of cables"}


def _given(loop: Loop) -> bool:
    return loop.current is not None or loop.spectrum is not None or loop.trapezoid is not None


def _exact(lines: Sequence[float]) -> set[str]:
    """Frequencies as lines are told apart."""
    return {f"{f:.9g}" for f in lines}


def _lines(lines: Sequence[float]) -> str:
    first = ", ".join(engineering(f, "Hz") for f in lines[:MOST_NAMED])
    if len(lines) == 1:
        return f"its only line at {first}"
    return f"lines at {first}{' and more' if len(lines) > MOST_NAMED else ''}"
