"""
Devices: a current given once per device, which returns through all ground pins of the device.

The ground pins become one conductor, as the lead frame joins them: shorts between the first and each other one. The
loop of the device begins at the first; how much of the current each pin carries is solved, not assumed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from returnflow_geometry.casefile.parts import table_of
from returnflow_geometry.keys.device_keys import CURRENTS, DEVICE
from returnflow_geometry.keys.reading import Book, read_table
from returnflow_geometry.model.board import Link, Loop
from returnflow_geometry.model.wording import count, label, listed, nearest


class PinOfNet(NamedTuple):
    """A pin as far as devices ask for it: its name, the part it belongs to, and its net."""

    name: str
    part: str
    net: str


def expanded(
    own: Mapping[str, Any], pins: Iterable[PinOfNet] | None = None
) -> tuple[dict[str, Any], list[str], list[str]]:
    """
    Tables of a case with a loop and shorts for each of its devices, mistakes, and what is said of them.

    Parameters
    ----------
    own : mapping
        Tables of a case file; not changed.
    pins : iterable of PinOfNet, optional
        Of the fabrication data that the case names: only then can a net stand for pins.

    Examples
    --------
    >>> device = {"name": "U1", "ground": ["A", "B"], "return": "J1.2", "supply_A": 0.1}
    >>> tables, mistakes, said = expanded({"device": [device]})
    >>> tables["loop"]
    [{'name': 'U1', 'role': 'noisy', 'inject': 'A', 'return': 'J1.2', 'current_A': 0.1}]
    >>> tables["link"]
    [{'name': 'U1, A to B', 'between': ['A', 'B'], 'resistance_ohm': 0}]
    """
    if "device" not in own:
        return dict(own), [], []
    tables = {key: value for key, value in own.items() if key != "device"}
    given = own["device"]
    if not isinstance(given, list) or not all(isinstance(item, dict) for item in given):
        return tables, ["device is not a list of tables; there may be several of them; write [[device]]"], []
    book, said, known = Book(), list[str](), None if pins is None else list(pins)
    loops, links = (list(value) if isinstance(value := own.get(kind, []), list) else [] for kind in ("loop", "link"))
    taken = {table["name"] for item in loops if isinstance(table := table_of(item), dict) and "name" in table}
    for number, table in enumerate(given, start=1):
        name = table.get("name")
        where = label("device", name if isinstance(name, str) else f"number {number}")
        before = len(book.mistakes)
        values = read_table(book, f"{where}: ", table, DEVICE).values
        if len(book.mistakes) > before:
            continue
        currents = [key for key in CURRENTS if key in values]
        if len(currents) != 1:
            what = f"{' and '.join(currents)} are given together" if currents else f"{CURRENTS[0]} is missing"
            rule = f"its current is given by one of {', '.join(CURRENTS)}"
            book.mistakes.append(f"{where}: {what}; {rule}; {'keep one' if currents else 'add it'}")
            continue
        if "frequency_Hz" in values and currents != ["supply_A"]:
            rule = f"{currents[0]} says its frequencies itself"
            book.mistakes.append(f"{where}: frequency_Hz is given with {currents[0]}; {rule}; remove it")
            continue
        if name in taken:
            rule = "a device becomes a loop of its name, and every loop needs a name of its own"
            book.mistakes.append(f"{where}: name is also that of a loop; {rule}; rename one of them")
            continue
        taken.add(name)
        grounds = _grounds(where, values, known, book)
        if not grounds or _unknown(where, {"ground": grounds, "return": [values["return"]]}, own, book):
            continue
        loop = {"name": name, "role": "noisy", "inject": grounds[0], "return": values["return"]}
        loop |= {
            "current_A" if key == "supply_A" else key: table[key] for key in (*currents, "frequency_Hz") if key in table
        }
        loops.append(loop)
        links += [
            {"name": f"{name}, {grounds[0]} to {pin}", "between": [grounds[0], pin], "resistance_ohm": 0}
            for pin in grounds[1:]
        ]
        if len(grounds) > 1:
            said.append(
                f"{label('Device', name)}: its current returns through {count(len(grounds), 'ground pin')}, "
                f"{listed(grounds[:1])}, the others joined to it: {listed(grounds[1:])}. What each carries is solved: "
                "see the currents in links."
            )
    tables["loop"] = loops
    if links:
        tables["link"] = links
    return tables, book.mistakes, said


def joins(loop: Loop, link: Link) -> bool:
    """Whether a link is what joins another ground pin of a device to the pin where its loop begins."""
    plain = not link.resistance and not link.inductance and link.capacitance is None
    return plain and link.between[0] == loop.inject and link.name.startswith(f"{loop.name}, ")


def _names(own: Mapping[str, Any], *kinds: str) -> list[str]:
    """Names of all tables of some kinds, as far as they have one."""
    items = [item for kind in kinds if isinstance(own.get(kind), list) for item in own[kind]]
    named = [table.get("name") for item in items if isinstance(table := table_of(item), dict)]
    return [name for name in named if isinstance(name, str)]


def _unknown(where: str, pins: Mapping[str, list[str]], own: Mapping[str, Any], book: Book) -> bool:
    """Whether some pins of a device are no terminals, as far as all terminals stand in the case."""
    if own.get("source"):
        return False  # it brings terminals of its own
    terminals, more = (_names(own, *kinds) for kinds in (("terminal",), ("vias", "bank")))
    # Contacts of vias and capacitors begin with their names.
    missing = [
        (key, pin)
        for key, some in pins.items()
        for pin in some
        if pin not in terminals and not pin.startswith(tuple(more))
    ]
    for key, pin in missing if terminals else ():
        near = nearest(pin, terminals)
        advice = f"did you mean {listed([near])}?" if near else "name one of them, or add a [[terminal]]"
        rule = f"no terminal has that name, there are {listed(terminals)}"
        book.mistakes.append(f"{where}: {key} names {listed([pin])}; {rule}; {advice}")
    return bool(missing and terminals)


def _grounds(where: str, values: Mapping[str, Any], known: list[PinOfNet] | None, book: Book) -> list[str]:
    """Names of a device's ground pins: as listed, or its pins on a net."""
    ground = values["ground"]
    if isinstance(ground, tuple):
        if values["return"] in ground:
            rule = "the current leaves the copper elsewhere than at the device's own pins"
            book.mistakes.append(
                f"{where}: return is {listed([values['return']])}, one of its ground pins; {rule}; name what feeds it"
            )
            return []
        return list(ground)
    if known is None:
        rule = "nets are known of fabrication data only, and the case names none as its source"
        advice = 'list the terminals, as ground = ["U1.4", "U1.5"]'
        book.mistakes.append(f"{where}: ground is the net {listed([ground])}; {rule}; {advice}")
        return []
    mine = [pin for pin in known if pin.part == values["name"]]
    found = [pin.name for pin in mine if pin.net == ground]
    if not found:
        near = nearest(values["name"], list({pin.part for pin in known})) if not mine else None
        if mine:
            nets = list(dict.fromkeys(pin.net for pin in mine if pin.net))
            what, advice = f"has no pin on the net {listed([ground])}", f"its nets are {listed(nets)}"
        else:
            what = "is no part of the files"
            advice = f"did you mean {listed([near])}?" if near else "name it as the files do"
        book.mistakes.append(f"{where}: {what}; a net as ground stands for the part's pins on it; {advice}")
    return found
