"""Lessons on a case's live page: a guess first, then what to do, what is read, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Quantity = Literal["noise", "share", "section", "impedance", "peak"]


@dataclass(frozen=True, kw_only=True)
class LessonStep:
    """What to do: `say` it; the variant, the places (m) of contacts, and the frequency (Hz) it leads to."""

    say: str
    variant: str | None = None
    move: tuple[tuple[str, tuple[float, float]], ...] = ()
    frequency: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """
    One lesson.

    Attributes
    ----------
    name, question : str
    choices : tuple of str
    answer : int
        Number of the right choice, from 0.
    steps : tuple of LessonStep
    quantity : str
        What is read at every step: the `noise` in a loop, the `share` of a loop's current across a region or its part
        through a `section`, the `impedance` between two loops, or the `peak` of a loop's sheet current.
    of : tuple of str
        Names of the loop; of the region or section and the loop; or of both loops.
    why : str
        One sentence.
    """

    name: str
    question: str
    choices: tuple[str, ...]
    answer: int
    steps: tuple[LessonStep, ...]
    quantity: Quantity
    of: tuple[str, ...]
    why: str
