"""Whole tables of a case file: names first, then every table by its keys."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from typing import Any

from returnflow_geometry.casefile.parts import table_of
from returnflow_geometry.casefile.vias import declared
from returnflow_geometry.keys.reading import Book, Fields, Key, Refusal, Spot, read_name, read_table, read_text
from returnflow_geometry.keys.schema import CASE_ROLES, KEYS, REQUIRED, ROLE_KEYS, SINGLE
from returnflow_geometry.model.wording import Unnamed, label, listed, nearest, show

FORMAT = 1


@dataclasses.dataclass(frozen=True)
class Entry:
    """
    One table of an array: its kind, its name (`Unnamed` if it has no good one), and what was read.

    Instead of that, it may be a `part` of a board as it stands.
    """

    kind: str
    name: str
    table: Mapping[str, object]
    fields: Fields
    part: Any = None


def declare_names(book: Book, raw: Mapping[str, object]) -> None:
    """Note which names each kind of thing declares, before any reference is read."""
    for kind in KEYS:
        value = raw.get(kind, [])
        tables = value if isinstance(value, list) else [value]
        names = [good_name(table) for table in tables]
        book.names[kind] = list(dict.fromkeys(name for name in names if name is not None))
        if None in names or (not tables and kind in REQUIRED):
            book.incomplete.add(kind)
    book.names["terminal"] += declared(raw)
    if "vias" in book.incomplete:
        book.incomplete.add("terminal")
    for key in raw:
        if key not in TOP and key not in REFUSED[""]:
            book.incomplete.add(nearest(key, TOP) or "")


def good_name(item: object) -> str | None:
    """Name of a table or part of a board; None if it has none that can be used."""
    table = table_of(item)
    return read_name(Spot(Book(), ""), table.get("name")) if isinstance(table, dict) else None


# readers of whole tables


def _table(name: str) -> Callable[[Spot, object], dict[str, Any] | None]:
    """Make a reader of a single table, such as [board]."""

    def read(spot: Spot, value: object) -> dict[str, Any] | None:
        if not isinstance(value, dict):
            spot.wrong(f"is {show(value)}", "must be a table", f"write [{name}] and its keys below it")
            return None
        return read_table(spot.book, f"[{name}]: ", value, SINGLE[name], refused=REFUSED.get(name)).values

    return read


def _tables(kind: str) -> Callable[[Spot, object], list[Entry]]:
    """Make a reader of an array of tables, such as all [[terminal]]."""

    def read(spot: Spot, value: object) -> list[Entry]:
        if not isinstance(value, list):
            spot.wrong(
                f"is {'a single table' if isinstance(value, dict) else show(value)}",
                "there may be several of them",
                f"write [[{kind}]] in double brackets",
            )
            value = [value] if isinstance(value, dict) else []
        first: dict[str, tuple[int, object]] = {}
        entries = []
        for index, item in enumerate(value, start=1):
            table = table_of(item)
            nameless = Unnamed(f"number {index}")
            where = label(kind, nameless)
            if not isinstance(table, dict):
                Spot(spot.book, where).wrong(
                    f"is {show(table)}", "must be a table", f"write [[{kind}]] and its keys below it"
                )
                continue
            name = good_name(table)
            if name is not None and name in first:
                number_, other = first[name]
                same = table == other
                Spot(spot.book, f"{where}: name").wrong(
                    f"is {listed([name])}, which is also the name of {kind} number {number_}",
                    f"every {kind} needs a name of its own",
                    "remove one of them, they are the same" if same else "rename one of them",
                )
                if same:  # its mistakes, if any, are reported already
                    continue
                name = None
            elif name is not None:
                first[name] = (index, table)
            shown = nameless if name is None else name
            if item is table or name is None:
                keys, refused = _keys_for(kind, table, last=index == len(value))
                fields = read_table(spot.book, f"{label(kind, shown)}: ", table, keys, refused=refused)
                entries.append(Entry(kind, shown, table, fields))
            else:
                entries.append(Entry(kind, name, {}, Fields(), item))
        return entries

    return read


def _keys_for(kind: str, table: Mapping[str, object], *, last: bool) -> tuple[dict[str, Key], dict[str, Refusal]]:
    """Keys of one table, which depend on its role or place, and the keys that get a message of their own."""
    keys, refused = dict(KEYS[kind]), dict(REFUSED.get(kind, {}))
    if kind == "layer" and last:
        del keys["below_mm"]
        refused["below_mm"] = lambda spot: spot.wrong(
            "is given for the last layer", "there is no layer below it", "remove it"
        )
    if kind == "loop":
        role = table.get("role")
        for other, own in ROLE_KEYS.items():
            if role == other:
                keys |= own
            elif role in CASE_ROLES:
                # A key of several roles is named as that of the first.
                theirs = [key for key in own if key not in ROLE_KEYS[str(role)]]
                refused = dict.fromkeys(theirs, _foreign(other, str(role))) | refused
            else:  # a bad role is reported, so nothing is known to be missing
                keys |= {name: dataclasses.replace(key, required=False) for name, key in own.items()}
    return keys, refused


def _foreign(owner: str, role: str) -> Refusal:
    return lambda spot: spot.wrong(
        "is given",
        f"this key belongs to a loop of role {listed([owner])}, and this one is {listed([role])}",
        "remove it or change the role",
    )


def _unsupported(advice: str = "remove it") -> Refusal:
    return lambda spot: spot.unsupported(advice)


def _key_of(table: str) -> Refusal:
    return lambda spot: spot.wrong("stands outside its table", f"it is a key of [{table}]", f"move it below [{table}]")


def _read_format(spot: Spot, value: object) -> int | None:
    if isinstance(value, bool) or not isinstance(value, int) or value != FORMAT:
        spot.wrong(f"is {show(value)}", f"this version reads format = {FORMAT}", f"write format = {FORMAT}")
        return None
    return value


def _read_roles(spot: Spot, value: object) -> dict[str, str] | None:
    if not isinstance(value, dict) or not all(isinstance(role, str) for role in value.values()):
        spot.wrong(
            f"is {show(value)}",
            "must give each file its role: L1, L2, ..., outline, drill or ignore",
            'write it as { "file name" = "L1", ... }',
        )
        return None
    return value


TOP: dict[str, Key] = {
    "format": Key(read=_read_format, required=True, rule="it says how to read the file", advice="write format = 1"),
    "title": Key(read=read_text, required=True, rule="reports show it", advice="write a title"),
    "board": Key(read=_table("board"), required=True, rule="every case has one", advice="add [board] with its outline"),
    "solve": Key(read=_table("solve"), advice="add [solve]"),
    "source": Key(read=read_text, advice="name the folder, archive or file with the fabrication data"),
    "source_layers": Key(read=_read_roles, advice='write it as { "file name" = "L1", ... }'),
    **{kind: Key(read=_tables(kind), advice=f"add [[{kind}]]") for kind in KEYS},
}
# Refused by name: keys outside their table; and what the contract has and this version has not, as ignoring it would
# answer another question.
REFUSED: dict[str, dict[str, Refusal]] = {
    "": {key: _key_of(table) for table, keys in SINGLE.items() for key in keys},
    "board": {"source": _unsupported("move it to the top of the file")},
    "copper": {"source": _unsupported("remove it, and draw the copper's shape")},
    "loop": {"source": _unsupported()},
}
