"""What the table of a lesson may say: a question, a guess, what to do step by step, what is read, and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from returnflow_geometry.keys.changes import AS_DRAWN
from returnflow_geometry.keys.currents import frequency_reader
from returnflow_geometry.keys.drawn_shapes import read_point
from returnflow_geometry.keys.reading import Key, Spot, as_number, read_name, read_table, read_text, reference
from returnflow_geometry.model.lessons import Lesson, LessonStep, Quantity
from returnflow_geometry.model.wording import listed, named, show

MAX_CHOICES = 6
MAX_STEPS = 12
QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)


def _read_choices(spot: Spot, value: object) -> tuple[str, ...] | None:
    if not isinstance(value, list) or not 2 <= len(value) <= MAX_CHOICES:
        rule = f"must be a list of 2 to {MAX_CHOICES} answers to choose from"
        spot.wrong(f"is {show(value)}", rule, 'write it as ["about 1 mV", "about 2 mV"]')
        return None
    texts = [read_text(spot.within(f" number {n}"), item) for n, item in enumerate(value, start=1)]
    return None if None in texts else tuple(text for text in texts if text is not None)


def _read_answer(spot: Spot, value: object) -> int | None:
    found = as_number(value)
    if found is None or found != int(found) or found < 1:
        spot.wrong(f"is {show(value)}", "must be the number of the right choice, counted from 1", "write answer = 1")
        return None
    return int(found)


def _read_variant(spot: Spot, value: object) -> str | None:
    return AS_DRAWN if value == AS_DRAWN else reference("variant")(spot, value)


def _read_moved(spot: Spot, value: object) -> tuple[tuple[str, tuple[float, float]], ...] | None:
    if not isinstance(value, dict):
        spot.wrong(f"is {show(value)}", "must be a table of places", 'write { "U1.AGND" = [x, y] }')
        return None
    found = []
    for name, item in value.items():
        inner = spot.within(f" {listed([name])}")
        place = read_point(inner, item)
        if reference("terminal")(inner, name) is None or place is None:
            return None
        found.append((name, place))
    return tuple(found)


def _read_steps(spot: Spot, value: object) -> tuple[LessonStep, ...] | None:
    if not isinstance(value, list) or not 1 <= len(value) <= MAX_STEPS or not all(isinstance(i, dict) for i in value):
        rule = f"must be a list of 1 to {MAX_STEPS} tables"
        spot.wrong(f"is {show(value)}", rule, 'write it as [ { say = "Drag ...", move = { ... } } ]')
        return None
    before = len(spot.book.mistakes)
    tables = [read_table(spot.book, f"{spot.where} number {n}: ", item, STEP) for n, item in enumerate(value, start=1)]
    if len(spot.book.mistakes) > before:
        return None
    return tuple(
        LessonStep(
            say=it.values["say"],
            variant=it.values.get("variant"),
            move=it.values.get("move", ()),
            frequency=it.values.get("frequency_Hz", 0.0),
        )
        for it in tables
    )


def _read_reading(spot: Spot, value: object) -> tuple[Quantity, tuple[str, ...]] | None:
    known = isinstance(value, dict) and [quantity for quantity in QUANTITIES if quantity in value]
    if not isinstance(value, dict) or not known or len(known) > 1:
        rule = f"must be a table with one of {', '.join(QUANTITIES)}"
        spot.wrong(f"is {show(value)}", rule, 'write { noise = "loop" } or { share = "region", loop = "loop" }')
        return None
    before = len(spot.book.mistakes)
    quantity = known[0]
    watched = quantity in ("share", "section")
    keys = {quantity: READ[quantity], **({"loop": READ["loop"]} if watched else {})}
    found = read_table(spot.book, f"{spot.where}.", value, keys).values
    if len(spot.book.mistakes) > before or quantity not in found:
        return None
    first = found[quantity]
    return quantity, (first, found["loop"]) if watched else first if isinstance(first, tuple) else (first,)


def _read_pair(spot: Spot, value: object) -> tuple[str, ...] | None:
    if not isinstance(value, list) or len(value) != 2:
        spot.wrong(f"is {show(value)}", "must be two loops", 'write ["A", "B"], or one twice for its own impedance')
        return None
    names = [reference("loop")(spot, item) for item in value]
    return None if None in names else tuple(name for name in names if name is not None)


def build_lesson(spot: Spot, name: str, values: Mapping[str, Any]) -> Lesson | None:
    """Lesson of the keys of its table, if its answer is one of its choices."""
    if any(key not in values for key in KEYS):
        return None
    choices, answer = values["choices"], values["answer"]
    if answer > len(choices):
        spot.within("answer").wrong(f"is {answer}", f"there are {len(choices)} choices", "give the number of one")
        return None
    quantity, of = values["read"]
    return Lesson(
        name=name, question=values["question"], choices=choices, answer=answer - 1, steps=values["steps"],
        quantity=quantity, of=of, why=values["why"],
    )  # fmt: skip


STEP: dict[str, Key] = {
    "say": Key(read=read_text, required=True, advice="say what to do"),
    "variant": Key(read=_read_variant, advice=f"name a [[variant]], or {named(AS_DRAWN)}"),
    "move": Key(read=_read_moved, advice="say where contacts go"),
    "frequency_Hz": Key(read=frequency_reader(), advice="say where the slider goes"),
}
READ: dict[str, Key] = {
    "noise": Key(read=reference("loop"), advice="name a loop with a limit"),
    "share": Key(read=reference("region"), advice="name a region"),
    "section": Key(read=reference("section"), advice="name a section"),
    "impedance": Key(read=_read_pair, advice="name two loops"),
    "peak": Key(read=reference("loop"), advice="name a loop"),
    "loop": Key(read=reference("loop"), required=True, advice="name the loop whose current it is"),
}
KEYS: dict[str, Key] = {
    "name": Key(read=read_name, required=True, rule="every thing needs a name of its own", advice="add a name"),
    "question": Key(read=read_text, required=True, advice="ask what to guess"),
    "choices": Key(read=_read_choices, required=True, advice="give answers to choose from"),
    "answer": Key(read=_read_answer, required=True, advice="give the number of the right choice"),
    "steps": Key(read=_read_steps, required=True, advice='say what to do, as [ { say = "..." } ]'),
    "read": Key(read=_read_reading, required=True, advice="say what is read"),
    "why": Key(read=read_text, required=True, advice="say why, in one sentence"),
}
