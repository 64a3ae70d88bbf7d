"""Variants of a case: its tables with something changed, read by the same reader as the case itself."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from returnflow_geometry.casefile.addresses import Draft, Target
from returnflow_geometry.casefile.builder import Reading, read_tables
from returnflow_geometry.casefile.edits import Edit
from returnflow_geometry.casefile.reader import Entry
from returnflow_geometry.keys.changes import MAX_VARIANTS
from returnflow_geometry.model.board import Case, Variant
from returnflow_geometry.model.wording import label, listed

_NUMBER = re.compile(r'("(?:[^"\\]|\\.)*")|[-+]?\d[\d.e+-]*')


def read_variants(base: Draft, reading: Reading, *, idle: bool = False) -> tuple[tuple[Variant, ...], list[str]]:
    """
    Make and read every variant of a case.

    Parameters
    ----------
    base : Draft
        Tables of the case.
    reading : Reading
        What was read of them.
    idle : bool
        Whether one may change nothing.

    Returns
    -------
    variants : tuple of Variant
        Those without a mistake.
    mistakes : list of str
        Of the variants; what is wrong with the case already is not said again.
    """
    entries: Sequence[Entry] = reading.values.get("variant", [])
    variants: list[Variant] = []
    mistakes: list[str] = []
    if len(entries) > MAX_VARIANTS:
        mistakes.append(f"[[variant]] is given {len(entries)} times; at most {MAX_VARIANTS} are read; split the file")
    for entry in entries[:MAX_VARIANTS]:
        where, fields = label("variant", entry.name), entry.fields
        edit = Edit(base, where)
        edit.drop_and_add(fields.values.get("drop", []), fields.values.get("add", {}))
        for address, to in fields.values.get("move", {}).items():
            edit.move(address, to)
        for address, value in fields.values.get("set", {}).items():
            edit.set(address, value)
        edit.settle(whole="add" not in fields.bad)
        understood = edit.understood and not fields.bad
        if understood and not edit.changes and not idle:
            mistakes.append(
                f"{where} changes nothing; a variant differs from the case as drawn; give it drop, add, move or set, "
                "or remove it"
            )
            continue
        # Where a change is not understood, places may be wrong only because of that.
        changed = read_tables(edit.draft.raw, whole=understood)
        found = new_mistakes(changed.mistakes, reading.mistakes, edit.touched)
        mistakes += [*edit.mistakes, *(f"{where}: {mistake}" for mistake in found)]
        case = dataclasses.replace(changed.case, editor=Editor(edit.draft.raw))
        variants.append(Variant(name=entry.name, case=case, changes=edit.changes))
    return tuple(variants), mistakes


@dataclasses.dataclass(frozen=True)
class Editor:
    """
    Makes changed cases of the tables of one, each as a variant of it.

    Attributes
    ----------
    raw : mapping
        Tables of the case, without variants and sweeps; not changed.
    said : tuple of str
        What was changed already.
    """

    raw: Mapping[str, object]
    said: tuple[str, ...] = ()

    def __call__(self, changes: Mapping[str, Any]) -> Case:
        """Case with the changes that a table of a variant would say; `CaseError` with all its mistakes."""
        from returnflow_geometry.casefile.read import CaseError

        name = "changed"
        raw = {**self.raw, "variant": [{"name": name, **_as_read(changes)}]}
        reading = read_tables(raw)
        variants, mistakes = read_variants(Draft(raw), reading, idle=True)
        if every := [*reading.mistakes, *mistakes]:
            raise CaseError(tuple(mistake.removeprefix(label("variant", name)).lstrip(": ") for mistake in every))
        said = (*self.said, *(f"Changed: {change}." for change in variants[0].changes))
        case = variants[0].case
        editor = dataclasses.replace(case.editor, said=said) if isinstance(case.editor, Editor) else None
        return dataclasses.replace(case, assumptions=(*case.assumptions, *said), editor=editor)


def _as_read(value: object) -> Any:
    """Value of Python as a case file would give it: lists for tuples and arrays, plain numbers."""
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, Mapping):
        return {key: _as_read(item) for key, item in value.items()}
    return [_as_read(item) for item in value] if isinstance(value, list | tuple) else value


def new_mistakes(found: Iterable[str], known: Collection[str], touched: Collection[Target]) -> list[str]:
    """
    Mistakes that are not those of the case itself.

    The same mistake may give other numbers where something else has changed: it is new only if it names a thing that
    is changed.

    Examples
    --------
    >>> new_mistakes(['loop "l": is 3; rule; advice'], ['loop "l": is 2; rule; advice'], [])
    []
    >>> new_mistakes(['loop "l": is 3; rule; advice'], ['loop "l": is 2; rule; advice'], [Target("loop", "l")])
    ['loop "l": is 3; rule; advice']
    """
    exact, alike = set(known), {_without_numbers(mistake) for mistake in known}
    names = [listed([target.name]) for target in touched]
    return [
        mistake
        for mistake in found
        if mistake not in exact and (_without_numbers(mistake) not in alike or any(name in mistake for name in names))
    ]


def _without_numbers(mistake: str) -> str:
    """First part of a mistake, which says what was found, without numbers outside quotation marks."""
    return _NUMBER.sub(lambda found: found[1] or "#", mistake.split("; ")[0])
