"""Netlist files in IPC-D-356 (and 356A where common): test points with their nets, in fixed columns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, NoReturn

from returnflow_geometry.fabrication.base.budget import Budget, quoted, text_of
from returnflow_geometry.fabrication.base.objects import Limits, Netlist, NetPoint

HEAD = 65536  # bytes looked at to recognise a file
RECORD = re.compile(r"[0-9]{3}")
# Column A (access side), X and Y, in columns 39 to 57; some files write more digits or leave the sign blank.
PLACE = re.compile(r"A(\d\d)\s?X([ +-]?)\s*(\d{1,9})\s?Y([ +-]?)\s*(\d{1,9})")
HOLE = re.compile(r"D\s*(\d{1,5})([PU ]?)")
ALIAS = re.compile(r"P\s+(NNAME\S*)\s+(\S.*?)\s*\Z")
UNITS = re.compile(r"P\s+UNITS\s+(CUST\s*[012]|CUST|SI)\b")
IMAGE = re.compile(r"P\s+IMAGE\b\s*(.*?)\s*\Z")
LINE = 512  # characters; the format has 80
STEP = {"CUST 0": 2.54e-6, "CUST 1": 1e-6, "CUST 2": 2.54e-6, "SI": 1e-6}  # m per unit of a coordinate or diameter
# Source: IPC-D-356 (through hole, surface mount, tooling hole) and IPC-D-356A (blind or buried via), from memory.
POINTS = {"317": "through", "327": "surface", "307": "buried", "367": "tooling"}
REACH = 3.0  # m
Side = Literal["top", "bottom", "both"]


def looks_like_netlist(data: bytes) -> bool:
    r"""
    Whether these bytes look like an IPC-D-356 netlist.

    Examples
    --------
    >>> looks_like_netlist(b"C  invented\nP  UNITS CUST 0\n999\n")
    True
    >>> looks_like_netlist(b"M48\nMETRIC\n")
    False
    """
    if b"\0" in data[:HEAD]:
        return False
    lines = text_of(data[:HEAD]).splitlines()[:2000]
    if any(UNITS.match(line) for line in lines):
        return True
    return any(line[:3] in POINTS and PLACE.search(line, 30) for line in lines)


def read_netlist(data: bytes, file: str, limits: Limits) -> Netlist:
    """
    Read an IPC-D-356 netlist.

    A net called ``N/C`` (the format's word for no connection) is kept under that name.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages.
    limits : Limits

    Raises
    ------
    FabricationError
        If the file gives no units, describes a panel, has a test point without a place, or goes over a limit.
    """
    budget = Budget(file, limits)
    budget.data(data)
    reader = _Reader(budget=budget)
    for reader.number, line in enumerate(text_of(data).splitlines(), start=1):
        budget.clock()
        if len(line) > LINE:
            reader.fail("too long for a netlist record of 80 columns.")
        reader.line(line.rstrip())
        if reader.ended:
            break
    return reader.result()


@dataclass(frozen=True, kw_only=True)
class _Record:
    """One test point as written; the side is still a layer number."""

    net: str
    refdes: str
    pin: str
    at: tuple[float, float]
    drill: float | None
    plated: bool
    side: int


class _Reader:
    """Gathers records line by line."""

    def __init__(self, *, budget: Budget) -> None:
        self.budget = budget
        self.number = 0
        self.ended = False
        self.step: float | None = None
        self.aliases: dict[str, str] = {}
        self.records: list[_Record] = []
        self.skipped: dict[str, int] = {}
        self.moved = 0  # records whose columns are shifted
        self.full = False  # a name fills its columns
        self.images: set[str] = set()

    def fail(self, message: str) -> NoReturn:
        self.budget.fail(f"line {self.number}: {message}")

    def line(self, line: str) -> None:
        if not line or line[0] == "C":
            return
        if line[0] == "P":
            self._parameter(line)
            return
        code = line[:3]
        if not RECORD.match(code):
            self.fail(f"{quoted(line)} is not a record; a record starts with C, P or three digits.")
        if code == "999":
            self.ended = True
        elif code in POINTS:
            self._point(line, code, None)
        elif code[0] == "0" and f"3{code[1:]}" in POINTS:
            if not self.records:
                self.fail(f"record {code} continues a test point, and there is none before it.")
            self._point(line, f"3{code[1:]}", self.records[-1])
        else:
            self.skipped[code] = self.skipped.get(code, 0) + 1

    def _parameter(self, line: str) -> None:
        units = UNITS.match(line)
        if units:
            name = " ".join(re.sub(r"CUST(\d)", r"CUST \1", units.group(1)).split())
            step = STEP["CUST 0" if name == "CUST" else name]
            if self.step not in (None, step):
                self.fail("a second unit; a file has one.")
            self.step = step
            return
        alias = ALIAS.match(line)
        if alias:
            self.budget.objects()
            self.aliases[alias.group(1)] = alias.group(2)
            return
        image = IMAGE.match(line)
        if image:
            self.images.add(image.group(1).upper())
            if len(self.images) > 1 or "PANEL" in image.group(1).upper():
                self.fail("a panel of several images; give the netlist of one board.")

    def _point(self, line: str, code: str, before: _Record | None) -> None:
        self.budget.objects()
        if self.step is None:
            self.fail("a test point before any unit; add a record such as P  UNITS CUST 0 (0.0001 inch).")
        place = PLACE.match(line, 38)
        if place is None:
            place = PLACE.search(line, 26)
            self.moved += 1
        if place is None:
            self.fail(f"{quoted(line)} has no place; columns 39 to 57 hold A, X and Y.")
        net, refdes, pin = line[3:17].strip(), line[20:26].strip(), line[27:31].strip()
        self.full = self.full or len(net) >= 14 or len(refdes) >= 6 or len(pin) >= 4
        hole = HOLE.match(line, 32) or HOLE.search(line, 28, place.start())
        drill = float(int(hole.group(1))) * self.step if hole else None
        at = tuple(
            (-1.0 if place.group(sign) == "-" else 1.0) * float(int(place.group(digits))) * self.step
            for sign, digits in ((2, 3), (4, 5))
        )
        if max(abs(at[0]), abs(at[1])) > REACH:
            self.fail(f"a place over {REACH:g} m from the origin; check the unit.")
        if before is not None:
            net, refdes, pin = net or before.net, refdes or before.refdes, pin or before.pin
        self.records.append(
            _Record(
                net=net,
                refdes=refdes,
                pin=pin,
                at=(at[0], at[1]),
                drill=drill or None,
                plated=code != "367" and not (hole and hole.group(2) == "U"),
                side=0 if code == "367" else int(place.group(1)),
            )
        )

    def result(self) -> Netlist:
        notes = []
        if not self.records:
            self.budget.fail("no test point; an IPC-D-356 netlist has records 317 or 327.")
        if not self.ended:
            notes.append("The file has no end record (999); it may be cut off.")
        if self.moved:
            notes.append(
                f"{self.moved} records have shifted columns; their places were found by the letters A, X and Y."
            )
        if self.skipped:
            listed = ", ".join(f"{code} ({count} times)" for code, count in sorted(self.skipped.items()))
            notes.append(f"Records not used: {listed}.")
        lowest = max(record.side for record in self.records)
        inner = [record for record in self.records if 1 < record.side < lowest]
        if inner:
            notes.append(f"{len(inner)} points are reached from inner layers only and were left out.")
        named = {
            name: full for name, full in self.aliases.items() if any(record.net == name for record in self.records)
        }
        if len(named) < len(self.aliases):
            notes.append(f"{len(self.aliases) - len(named)} long net names are declared but not used.")
        sides: dict[int, Side] = {0: "both", 1: "top", lowest: "bottom"} if lowest > 1 else {0: "both", 1: "top"}
        points = tuple(
            NetPoint(
                net=self.aliases.get(record.net, record.net),
                refdes=record.refdes,
                pin=record.pin,
                at=record.at,
                drill=record.drill,
                plated=record.plated,
                layers=sides[record.side],
            )
            for record in self.records
            if record.side in sides
        )
        names = {name for point in points for name in (point.net, point.refdes, point.pin)}
        whole = any(name != name.upper() for name in names) and not self.full
        return Netlist(file=self.budget.file, points=points, cut=not whole, notes=tuple(notes))
