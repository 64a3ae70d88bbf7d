"""What the table of a variant may say: what is dropped, added, moved and set. Read as it stands, not applied yet."""

from __future__ import annotations

from returnflow_geometry.keys.drawn_shapes import read_point
from returnflow_geometry.keys.reading import Spot, read_name
from returnflow_geometry.model.wording import brief, listed, nearest, show

AS_DRAWN = "as drawn"
MAX_VARIANTS = 100
MAX_CHANGES = 1000  # of one kind, in one variant
# Kinds that may be dropped and added. The stackup stays, though its layers may be set.
DROPPABLE = ("copper", "cutout", "bridge", "terminal", "link", "vias", "bank", "loop", "region", "section")
_QUOTE = "put the whole address in quotation marks, as a dot without them begins a table"

Tables = dict[str, list[dict[str, object]]]


def read_variant_name(spot: Spot, value: object) -> str | None:
    """Read the name of a variant."""
    name = read_name(spot, value)
    if name is not None and name.casefold() == AS_DRAWN:
        spot.wrong(f"is {show(value)}", "that name means the case without any change", "choose another one")
        return None
    return name


def read_drop(spot: Spot, value: object) -> list[str] | None:
    """Read the names of things to drop."""
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        example = f"write it as [{show(value)}]" if isinstance(value, str) else 'write it as ["name", "name"]'
        spot.wrong(f"is {show(value)}", "must be a list of names", example)
        return None
    if not _few(spot, len(value)):
        return None
    seen: set[str] = set()
    for item in value:
        if item in seen:
            spot.wrong(f"has {listed([item])} twice", "each thing is dropped once", "leave out one of them")
            return None
        seen.add(item)
    return value


def read_add(spot: Spot, value: object) -> Tables | None:
    """Read tables to add, by kind; each must at least have a name."""
    if not isinstance(value, dict):
        rule = "must be a table of what to add, by kind"
        spot.wrong(f"is {show(value)}", rule, "write { cutout = [ { name = ... } ] }")
        return None
    before = len(spot.book.mistakes)
    result: Tables = {}
    for kind, tables in value.items():
        inner = spot.within(f".{brief(kind)}")
        if kind not in DROPPABLE:
            near = nearest(kind, DROPPABLE)
            advice = f"did you mean {near}?" if near else "use one of these"
            inner.wrong("is nothing that can be added", f"it must be one of {', '.join(DROPPABLE)}", advice)
        elif not isinstance(tables, list):
            inner.wrong(f"is {show(tables)}", "must be a list of tables", f"write {kind} = [ {{ name = ... }} ]")
        else:
            result[kind] = _named(inner, tables)
    return result if len(spot.book.mistakes) == before else None


def _named(spot: Spot, tables: list[object]) -> list[dict[str, object]]:
    good: dict[str, dict[str, object]] = {}
    for index, table in enumerate(tables, start=1):
        inner = spot.within(f" number {index}")
        if not isinstance(table, dict):
            inner.wrong(f"is {show(table)}", "must be a table", "write { name = ... } with its keys")
        elif "name" not in table:
            inner.within(": name").wrong("is missing", "everything needs a name of its own", "add a name")
        elif (name := read_name(inner.within(": name"), table["name"])) is not None:
            if name in good:
                inner.within(": name").wrong(f"is {listed([name])} again", "each thing is added once", "rename it")
            good[name] = table
    return list(good.values())


def read_moves(spot: Spot, value: object) -> dict[str, list[float]] | None:
    """Read new places [x, y] in millimetres, by address."""
    found = _addressed(spot, value, '{ "name" = [x, y] }')
    if found is None:
        return None
    before = len(spot.book.mistakes)
    for address, item in found.items():
        inner = spot.within(f" {listed([address])}")
        if isinstance(item, dict):
            inner.wrong(f"is {show(item)}", "must be a place [x, y] in millimetres", _QUOTE)
        else:
            read_point(inner, item)
    return value if len(spot.book.mistakes) == before else None  # type: ignore[return-value]


def read_settings(spot: Spot, value: object) -> dict[str, object] | None:
    """Read new values of keys, by address."""
    found = _addressed(spot, value, '{ "name.key" = value }')
    if found is None:
        return None
    before = len(spot.book.mistakes)
    for address, item in found.items():
        if isinstance(item, dict) and "." not in address:
            spot.within(f" {listed([address])}").wrong(f"is {show(item)}", "its address lacks the key", _QUOTE)
    return found if len(spot.book.mistakes) == before else None


def _addressed(spot: Spot, value: object, example: str) -> dict[str, object] | None:
    if isinstance(value, dict):
        return value if _few(spot, len(value)) else None
    spot.wrong(f"is {show(value)}", "must be a table", f"write {example}")
    return None


def _few(spot: Spot, count: int) -> bool:
    if count > MAX_CHANGES:
        spot.wrong(f"has {count} items", f"at most {MAX_CHANGES} are read", "write it as a case of its own")
    return count <= MAX_CHANGES
