"""Drill files (XNC and Excellon) to holes and slots in metres."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import NoReturn

import numpy as np

from returnflow_geometry.fabrication.base.budget import Budget, text_of
from returnflow_geometry.fabrication.base.curves import arc, corners_for
from returnflow_geometry.fabrication.base.objects import Drilling, Hole, Limits, Plating
from returnflow_geometry.fabrication.drill.readings import METRES, Reading, readings
from returnflow_geometry.fabrication.drill.steps import Parser, Program, Step, plating_of

REACH = 3.0  # m: no board is as large, so a reading that needs it is wrong
WIDEST = 0.1  # m: no drill or mill is as wide
ROUNDING = 2e-5  # m: end points of arcs are rounded to the file's resolution
HEAD = 65536  # bytes looked at to recognise a file
MOVES = frozenset(("move", "line", "clockwise", "counter", "drill"))


def looks_like_drill(data: bytes) -> bool:
    r"""
    Whether these bytes look like an XNC or Excellon drill file.

    Gerber files (drill maps too), XML and JSON do not.

    Examples
    --------
    >>> looks_like_drill(b"M48\nMETRIC\nT1C0.3\n%\nT1\nX1.0Y2.0\nM30\n")
    True
    >>> looks_like_drill(b"G04 drill map*\n%FSLAX46Y46*%\nM02*\n")
    False
    """
    if b"\0" in data[:HEAD]:
        return False
    lines = [line.strip() for line in text_of(data[:HEAD]).splitlines()]
    lines = [line for line in lines if line and not line.startswith(";")][:200]
    if not lines or any(line.endswith(("*", "*%")) for line in lines) or lines[0][0] in "<{[(":
        return False
    if "M48" in (line.upper() for line in lines[:20]):
        return True
    tools = any(re.match(r"T\d+(?:$|[CFS])", line) for line in lines)
    return tools and any(re.match(r"(?:G0\dX|X|Y)[+-]?[\d.]+", line) for line in lines)


def read_drill(data: bytes, file: str, limits: Limits) -> Drilling:
    """
    Read a drill file.

    Where the file does not declare its unit or its digits, every plausible reading is in `Drilling.undecided` under its
    name, the first of them also in `Drilling.holes`.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages; the last source for the plating.
    limits : Limits

    Raises
    ------
    FabricationError
        If the file is no drill file, uses incremental coordinates or step-and-repeat, selects a tool without a
        diameter, or goes over a limit.
    """
    budget = Budget(file, limits)
    budget.data(data)
    program = Parser(budget).read(text_of(data))
    notes = list(program.notes)
    if program.odd:
        listed = ", ".join(f"{code} ({count} times)" for code, count in sorted(program.odd.items()))
        notes.append(f"Commands ignored, none with coordinates: {listed}.")
    plating, note = _plating_of_file(program, file)
    if note:
        notes.append(note)
    candidates = readings(program.declared, program.numbers)
    if not candidates:
        budget.fail("coordinates without a decimal point have more digits than any drill format; state the format.")
    found: dict[str, tuple[Hole, ...]] = {}
    why = ""
    for reading in candidates:
        budget.time()
        try:
            run = _Run(program=program, reading=reading, budget=budget, plating=plating)
            found[reading.name] = run.holes()
        except _Implausible as error:
            why = why or str(error)
        else:
            notes += [note for note in run.notes if note not in notes]
    if not found:
        budget.fail(why)
    name, holes = next(iter(found.items()))
    notes.append(f"Numbers read as {name}.")
    if len(found) > 1:
        notes.append(f"The number format is not declared; {len(found)} readings are possible.")
    return Drilling(
        file=file,
        attributes=program.attributes,
        holes=holes,
        decided=len(found) == 1,
        undecided=found if len(found) > 1 else {},
        notes=tuple(notes),
    )


class _Implausible(Exception):  # noqa: N818 - it never leaves this module
    """One reading of the numbers cannot be meant."""


def _plating_of_file(program: Program, file: str) -> tuple[Plating, str]:
    by_function = plating_of(program.attributes.get("FileFunction", ()), "unknown")
    if by_function != "unknown" or any(tool.plating != "unknown" for tool in program.tools.values()):
        return by_function, ""
    lower = file.lower()
    if re.search(r"npth|non[-_ ]?plated|unplated", lower):
        return "unplated", "Unplated by the file's name; nothing in the file says so."
    if re.search(r"pth|plated", lower):
        return "plated", "Plated by the file's name; nothing in the file says so."
    return "unknown", ""


def _span(program: Program) -> tuple[int, int] | None:
    numbers = [int(part) for part in program.attributes.get("FileFunction", ())[1:3] if part.isdecimal()]
    if len(numbers) != 2 or not 1 <= numbers[0] <= numbers[1] <= 999:
        return None
    return numbers[0], numbers[1]


@dataclass(kw_only=True)
class _Run:
    """The machine's state while the steps are carried out under one reading."""

    program: Program
    reading: Reading
    budget: Budget
    plating: Plating
    notes: list[str] = field(default_factory=list)
    at: tuple[float, float] = (0.0, 0.0)
    tool: int | None = None
    mode: str = "drill"
    path: list[tuple[float, float]] | None = None
    made: list[Hole] = field(default_factory=list)
    objects: dict[str, str] = field(default_factory=dict)
    body_plating: Plating | None = None
    round_last: bool = False

    def __post_init__(self) -> None:
        self.span = _span(self.program)

    def holes(self) -> tuple[Hole, ...]:
        for step in self.program.steps:
            self.budget.objects()
            self._do(step)
        if self.path is not None:
            self._up("The last slot has no end (M16).")
        return tuple(self.made)

    def _do(self, step: Step) -> None:
        do = step.do
        if do == "at":
            self._at(step)
        elif do in MOVES:
            if self.path is not None and do in ("move", "drill"):
                self._up("Slots end without lifting the tool (M16).")
            self.mode = do
        elif do == "tool":
            self._select(step)
        elif do == "slot":
            start = self._place(step, "X", "Y")
            self.at = start
            end = self._place(step, "X2", "Y2")
            self._make([start, end], step)
            self.at = end
        elif do == "repeat":
            self._repeat(step)
        elif do == "down":
            if self.mode == "drill":
                self._fail(step, "the tool goes down (M15) in drill mode; a slot starts with G00.")
            self.path = [self.at]
        elif do == "up":
            if self.path is not None:
                self._up("")
        elif do == "plating":
            self.body_plating = None if self.tool is None else self._as_plating(step.words["plating"])
        elif do == "object":
            if not step.words:
                self.objects.clear()
            self.objects.update(step.words)

    def _at(self, step: Step) -> None:
        place = self._place(step, "X", "Y")
        if self.mode == "drill":
            self._make([place], step)
        elif self.mode != "move":
            if self.path is None:
                self._fail(step, "a cut with the tool up; lower it first (M15).")
            if self.mode == "line":
                self.budget.vertices(1)
                self.path.append(place)
            else:
                self._curve(step, place)
        self.at = place

    def _curve(self, step: Step, end: tuple[float, float]) -> None:
        start, words, clockwise = self.at, step.words, self.mode == "clockwise"
        if "I" in words or "J" in words:
            centre = (start[0] + self._length(words.get("I", "0")), start[1] + self._length(words.get("J", "0")))
        elif "A" in words:
            radius = abs(self._length(words["A"]))
            half = math.dist(start, end) / 2
            if half == 0.0 or half > radius + ROUNDING:
                self._fail(step, "the ends of the arc are the same, or further apart than its radius allows.")
            # the arc is the shorter one; its centre lies to the right of the way when clockwise
            off = math.sqrt(max(0.0, radius**2 - half**2)) / (2 * half) * (-1 if clockwise else 1)
            across = (-(end[1] - start[1]) * off, (end[0] - start[0]) * off)
            centre = ((start[0] + end[0]) / 2 + across[0], (start[1] + end[1]) / 2 + across[1])
        else:
            self._fail(step, "an arc without its radius (A) or centre (I, J).")
        radii = math.dist(start, centre), math.dist(end, centre)
        if min(radii) == 0.0 or abs(radii[0] - radii[1]) > max(ROUNDING, 0.05 * max(radii)):
            self._fail(step, "the centre of the arc is not equally far from both ends.")
        self.budget.vertices(corners_for(max(radii)))
        assert self.path is not None
        self.path += [(float(x), float(y)) for x, y in arc(start, end, centre, clockwise=clockwise)]

    def _repeat(self, step: Step) -> None:
        if not self.round_last or self.mode != "drill":
            self._fail(step, "R repeats a drilled hole, and there is none before it.")
        count = step.words["R"]
        if not count.isdecimal():
            self._fail(step, f"R{count} is not a number of repeats.")
        self.budget.objects(int(count))
        dx, dy = self._length(step.words.get("X", "0")), self._length(step.words.get("Y", "0"))
        for _ in range(int(count)):
            self.at = (self.at[0] + dx, self.at[1] + dy)
            self._make([self.at], step)

    def _select(self, step: Step) -> None:
        if self.path is not None:
            self._up("Slots end without lifting the tool (M16).")
        number, written = int(step.words["T"]), step.words["D"]
        if number not in self.program.tools and len(written) == 4 and int(written[:2]) in self.program.tools:
            number = int(written[:2])  # the last two digits name an offset register
        self.tool = number
        self.body_plating = None
        self.round_last = False

    def _make(self, path: list[tuple[float, float]], step: Step) -> None:
        if self.tool is None or self.tool not in self.program.tools:
            what = "no tool is selected" if not self.tool else f"tool {self.tool} has no diameter"
            self._fail(step, f"{what}; give the table of tools (T1C0.3) in the header.")
        if any(not (-REACH <= x <= REACH and -REACH <= y <= REACH) for x, y in path):
            message = f"line {step.line}: a hole over {REACH:g} m from the origin, read as {self.reading.name}."
            raise _Implausible(message)
        tool = self.program.tools[self.tool]
        diameter = float(tool.diameter) * METRES[self.reading.unit]
        if not 0.0 < diameter <= WIDEST:
            message = f"tool {self.tool} is {diameter * 1e3:g} mm wide; a drill is wider than 0 and at most 100 mm."
            raise _Implausible(message)
        if len(path) > 1 and all(point == path[0] for point in path):
            path = path[:1]
        plating = tool.plating if tool.plating != "unknown" else self.plating
        refdes, pin = ([*self.objects.get("P", "").split("\0"), ""])[:2]
        self.made.append(
            Hole(
                path=np.array(path, dtype=np.float64),
                diameter=diameter,
                plating=plating if self.body_plating is None else self.body_plating,
                span=self.span,
                net=self.objects.get("N", "").split("\0")[0],
                refdes=refdes,
                pin=pin,
            )
        )
        self.round_last = len(path) == 1

    def _up(self, note: str) -> None:
        path, self.path = self.path, None
        if path:
            self._make(path, Step(do="up", line=0))
        if note and note not in self.notes:
            self.notes.append(note)

    def _place(self, step: Step, x: str, y: str) -> tuple[float, float]:
        words = step.words
        return (
            self._length(words[x]) if x in words else self.at[0],
            self._length(words[y]) if y in words else self.at[1],
        )

    def _length(self, text: str) -> float:
        return self.reading.metres(text)

    def _as_plating(self, text: str) -> Plating:
        return "plated" if text == "plated" else "unplated"

    def _fail(self, step: Step, message: str) -> NoReturn:
        self.budget.fail(f"line {step.line}: {message}")
