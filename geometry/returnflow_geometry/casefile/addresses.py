"""Addresses of things and their keys, as variants and sweeps use them, and the raw tables that they change."""

from __future__ import annotations

import copy
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from returnflow_geometry.casefile.parts import table_of
from returnflow_geometry.casefile.reader import good_name
from returnflow_geometry.keys.reading import Spot
from returnflow_geometry.keys.schema import INLINE, KEYS, ROLE_KEYS, SINGLE
from returnflow_geometry.model.wording import MAX_NAME, brief, label, listed, named, nearest, show

# Kinds of things that have a name; variants, sweeps and lessons are none of the board.
NO_PARTS = ("variant", "sweep", "lesson")
KINDS = tuple(kind for kind in KEYS if kind not in NO_PARTS)
MAX_ADDRESS = 2 * MAX_NAME  # characters
MAX_SEARCHED = 500  # names among which a similar one is looked for
MAX_SUGGESTED = 20
Raw = Mapping[str, object]
Table = Mapping[str, object]


class Target(NamedTuple):
    """One thing of a case; `kind` is empty for a single table, such as board."""

    kind: str
    name: str

    @property
    def quoted(self) -> str:
        """The thing as a sentence about a change names it."""
        return named(self.name) if self.kind else self.name

    @property
    def labelled(self) -> str:
        """The thing as a message names it."""
        return label(self.kind, self.name)


class Draft:
    """
    Raw tables of a case while they are changed.

    What is not changed stays the very same object as in the original.

    Parameters
    ----------
    raw : mapping
        As parsed from TOML, with parts of a board among its tables; not changed. `NO_PARTS` are left out.
    incomplete : collection of str
        Kinds with a thing that could not be named. An unknown name may mean it, and is no mistake of its own.
    """

    def __init__(self, raw: Raw, incomplete: Collection[str] = ()) -> None:
        self.incomplete = incomplete
        self.raw: dict[str, object] = {key: value for key, value in raw.items() if key not in NO_PARTS}
        for kind in KINDS:
            value = raw.get(kind)
            if isinstance(value, list | dict):  # a single table is a mistake that is reported for the case itself
                self.raw[kind] = list(value) if isinstance(value, list) else [value]
        self._places: dict[str, dict[str, int]] = {}

    def copy(self) -> Draft:
        """Another draft of the same tables, to be changed by itself."""
        for kind in KINDS:  # once for all copies
            self.named(kind)
        other = copy.copy(self)
        other.raw = {
            key: list(value) if key in KINDS and isinstance(value, list) else value for key, value in self.raw.items()
        }
        other._places = dict(self._places)
        return other

    def tables(self, kind: str) -> list[object]:
        """All tables of a kind; parts of a board that other data gives stand for theirs."""
        value = self.raw.get(kind)
        return value if isinstance(value, list) else []

    def named(self, kind: str) -> dict[str, int]:
        """Names of a kind, with the number of the table of each; of two with one name the first counts."""
        if kind not in self._places:
            places: dict[str, int] = {}
            for index, table in enumerate(self.tables(kind)):
                name = good_name(table)
                if name is not None:
                    places.setdefault(name, index)
            self._places[kind] = places
        return self._places[kind]

    def item(self, target: Target) -> object:
        """What there is of a thing: a table, or a part of a board; None if it is not there."""
        if target.kind:
            index = self.named(target.kind).get(target.name)
            return None if index is None else self.tables(target.kind)[index]
        return self.raw.get(target.name, {} if target.name in SINGLE else None)

    def get(self, target: Target) -> Table | None:
        """Table of a thing; None if it is not there."""
        table = table_of(self.item(target))
        return table if isinstance(table, dict) else None

    def put(self, target: Target, table: Table) -> None:
        """Replace the table of a thing, or add it as the last one of its kind."""
        if not target.kind:
            self.raw[target.name] = table
        elif (index := self.named(target.kind).get(target.name)) is not None:
            self.tables(target.kind)[index] = table
        else:
            self.raw[target.kind] = [*self.tables(target.kind), table]
            del self._places[target.kind]

    def drop(self, targets: Iterable[Target]) -> None:
        """Take things out."""
        gone: dict[str, set[int]] = {}
        for target in targets:
            gone.setdefault(target.kind, set()).add(self.named(target.kind)[target.name])
        for kind, indices in gone.items():
            self.raw[kind] = [table for index, table in enumerate(self.tables(kind)) if index not in indices]
            del self._places[kind]

    def all(self, kind: str) -> list[tuple[Target, Table]]:
        """Things of a kind that have a good name."""
        found = ((Target(kind, name), table_of(self.tables(kind)[index])) for name, index in self.named(kind).items())
        return [(target, table) for target, table in found if isinstance(table, dict)]


def find(spot: Spot, draft: Draft, text: str, kinds: Sequence[str], verb: str) -> Target | None:
    """
    Thing of one of the kinds that an address names; None if there is none, which is a mistake.

    Parameters
    ----------
    spot : Spot
        Of the address.
    draft : Draft
    text : str
        A name, or `kind:name`.
    kinds : sequence of str
        Kinds that may be meant.
    verb : str
        What happens to them, such as "dropped".
    """
    found = _named_so(draft, text, KINDS)
    fitting = [target for target in found if target.kind in kinds]
    if len(fitting) == 1:
        return fitting[0]
    can = f"only {_either(kinds, 'and')} can be {verb}"
    if fitting:
        _note_ambiguous(spot, fitting, "")
    elif found:
        spot.wrong(f"is {_either([f'a {target.kind}' for target in found], 'and')}", can, "leave it out")
    elif not draft.incomplete:
        known = [name for kind in kinds for name in draft.named(kind)]
        near = _near(spot, text.partition(":")[2].strip() if _kind_of(text) else text, known)
        if near:
            alike = _named_so(draft, near, KINDS)
            one = sum(target.kind in kinds for target in alike) == 1
            near = near if one else next(f"{t.kind}:{t.name}" for t in alike if t.kind in kinds)
        advice = (
            f"did you mean {listed([near])}?" if near else f"name one of {listed(known)}" if known else "leave it out"
        )
        spot.wrong("is not the name of anything", can, advice)
    return None


def find_key(spot: Spot, draft: Draft, text: str) -> tuple[Target, list[str]] | None:
    """
    Thing and way to its key that an address such as `name.key` or `name.shape.slot.2` names.

    The longest name that there is counts, as names may contain dots. None if there is none, which is a mistake.
    """
    if len(text) > MAX_ADDRESS:
        spot.wrong(f"has {len(text)} characters", f"an address has at most {MAX_ADDRESS}", "shorten it")
        return None
    steps = text.split(".")
    for count in range(len(steps) - 1, 0, -1):
        name, way = ".".join(steps[:count]), [step.strip() for step in steps[count:]]
        found = _named_so(draft, name, KINDS)
        if name in SINGLE:
            found.append(Target("", name))
        if not found:
            continue
        # Things of several kinds may share a name: the key tells which is meant.
        fitting = [target for target in found if way[0] in known_keys(target.kind or target.name)] or found
        if len(fitting) > 1:
            _note_ambiguous(spot, fitting, "." + ".".join(way))
            return None
        if "" in way:
            spot.wrong("has an empty part beside a dot", "an address is a name, a dot and a key", "correct it")
            return None
        strange = way[0] not in known_keys(fitting[0].kind or fitting[0].name)
        if strange and (meant := _meant(draft, name, way, alike=False)):
            rule = f"{brief(way[0])} is part of another key"
            spot.wrong(f"names no key of {fitting[0].labelled}", rule, f"did you mean {listed([meant])}?")
            return None
        if way[0] == "name":
            spot.wrong("is a name", "a name cannot be set, as others refer to it", "drop the thing and add another one")
            return None
        return fitting[0], way
    if draft.incomplete:
        return None
    names = [*SINGLE, *(name for kind in KINDS for name in draft.named(kind))]
    if len(steps) == 1:
        rule = "an address is a name, a dot and a key"
        whole = f'write it as "{brief(text)}.key"' if text in names else 'such as "board.temperature_C"'
        spot.wrong("has no key", rule, whole)
        return None
    advice = f"name one of {listed(names)}"
    for count in range(len(steps) - 1, 0, -1):
        near = _near(spot, ".".join(steps[:count]), names)
        if near and (meant := _meant(draft, near, steps[count:])):
            advice = f"did you mean {listed([meant])}?"
            break
    spot.wrong("names nothing", "an address is a name, a dot and a key", advice)
    return None


def _meant(draft: Draft, name: str, way: Sequence[str], *, alike: bool = True) -> str | None:
    """
    Address of a key that there is, for one whose name was misspelt or whose way leaves out a table; None if none is.

    Unless `alike` is False, a key of a similar name will do.
    """
    found = [Target("", name)] if name in SINGLE else _named_so(draft, name, KINDS)
    key = ".".join(step for step in way if not step.isdigit())
    places = [step for step in way if step.isdigit()]
    for target in found:
        every = _keys_of(draft, target)
        inside = [other for other in every if other == key or other.endswith(f".{key}")]
        near = inside[0] if inside else nearest(key, every) if alike else None
        if near and (not places or get_at(draft.get(target), [*near.split("."), *places]) is not None):
            kind = f"{target.kind}:" if len(found) > 1 else ""
            return ".".join([f"{kind}{name}", near, *places])
    return None


def _keys_of(draft: Draft, target: Target) -> list[str]:
    """Keys that can be set, with those of tables inside; a table inside is there already."""
    table = draft.get(target) or {}
    own = known_keys(target.kind or target.name) - {"name"}
    if target.kind == "loop":
        own = {*KEYS["loop"], *ROLE_KEYS.get(str(table.get("role")), ())} - {"name"}
    inner = {key: {*value, *INLINE.get(key, ())} for key, value in table.items() if isinstance(value, dict)}
    return sorted(own) + [f"{key}.{part}" for key in sorted(inner) for part in sorted(inner[key])]


def known_keys(kind: str) -> set[str]:
    """Keys that a thing of a kind (or a single table) may have, whatever its role."""
    if kind in SINGLE:
        return set(SINGLE[kind])
    own = set(KEYS[kind])
    return own.union(*ROLE_KEYS.values()) if kind == "loop" else own


def _kind_of(text: str) -> str:
    """Kind that an address begins with; empty if it begins with none."""
    kind, colon, _ = text.partition(":")
    return kind.strip() if colon and kind.strip() in KINDS else ""


def _named_so(draft: Draft, text: str, kinds: Iterable[str]) -> list[Target]:
    found = [Target(kind, text) for kind in kinds if text in draft.named(kind)]
    kind = _kind_of(text)
    name = text.partition(":")[2].strip()
    if kind and name in draft.named(kind):
        found.append(Target(kind, name))
    return found


def _near(spot: Spot, name: str, known: Sequence[str]) -> str | None:
    # A search takes milliseconds: nobody reads the twentieth suggestion.
    return nearest(name, known[:MAX_SEARCHED]) if len(spot.book.mistakes) < MAX_SUGGESTED else None


def _note_ambiguous(spot: Spot, found: Sequence[Target], way: str) -> None:
    kinds = _either([f"a {target.kind}" if target.kind else f"the table {target.name}" for target in found], "and")
    written = [f"{target.kind}:{target.name}{way}" for target in found if target.kind]
    spot.wrong(f"may mean {kinds}", "an address must name one thing", f"write {_either(map(_in_marks, written), 'or')}")


def _in_marks(text: str) -> str:
    return f'"{brief(text)}"'


def _either(words: Iterable[str], joint: str) -> str:
    words = list(words)
    return f" {joint} ".join(filter(None, [", ".join(words[:-1]), words[-1]]))


def get_at(table: object, way: Sequence[str]) -> object | None:
    """Value at the end of a way of keys and positions (counted from 1); None if there is none."""
    for step in way:
        if isinstance(table, dict):
            table = table.get(step)
        elif isinstance(table, list) and (index := _position(step, table)) is not None:
            table = table[index]
        else:
            return None
    return table


def put_at(spot: Spot, table: object, way: Sequence[str], value: object) -> object | None:
    """
    Copy of a table with a value put at the end of a way; what lies off the way is shared. None after a mistake.

    The last key need not be there yet, all others must.
    """
    step, rest = way[0], way[1:]
    if isinstance(table, dict):
        if rest and step not in table:
            spot.wrong(
                f"has no {brief(step)}", "only the last key of an address may be new", "set the table as a whole"
            )
            return None
        inner = put_at(spot, table[step], rest, value) if rest else value
        return None if inner is None else {**table, step: inner}
    if isinstance(table, list):
        index = _position(step, table)
        if index is None:
            rule = f"its {len(table)} items are counted from 1"
            spot.wrong(f"has no item {brief(step)} in {show(table)}", rule, "correct the position")
            return None
        inner = put_at(spot, table[index], rest, value) if rest else value
        return None if inner is None else [*table[:index], inner, *table[index + 1 :]]
    spot.wrong(f"leads into {show(table)}", "only tables and lists have parts", "shorten the address")
    return None


def _position(step: str, items: Sequence[object]) -> int | None:
    if not (step.isascii() and step.isdigit() and len(step) < 10):
        return None
    return int(step) - 1 if 1 <= int(step) <= len(items) else None
