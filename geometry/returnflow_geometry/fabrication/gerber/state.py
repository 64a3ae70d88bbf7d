"""The state machine of a Gerber image: commands in, objects in order out."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.gerber.attributes import Attributes, hidden_in_comment, nets_of
from returnflow_geometry.fabrication.gerber.macros import Macro
from returnflow_geometry.fabrication.gerber.number_format import NumberFormat
from returnflow_geometry.fabrication.gerber.operations import Plot
from returnflow_geometry.fabrication.gerber.placed_shapes import IDENTITY, Item, Matrix, Shapes, applied

_MOVE = re.compile(
    r"(?:X([+-]?[\d.]{1,20}))?(?:Y([+-]?[\d.]{1,20}))?(?:I([+-]?[\d.]{1,20}))?(?:J([+-]?[\d.]{1,20}))?D0{0,9}([123])\Z"
)
_PART = re.compile(r"([A-Z])([+-]?[\d.]{1,20})")
_LINE_NUMBER = re.compile(r"N\d+")


class Tag(NamedTuple):
    """What the file says of an object: nets, and refdes, pin, function of a pad."""

    nets: tuple[str, ...] = ()
    pin: tuple[str, ...] = ()


@dataclass(kw_only=True)
class Frame:
    """Objects being collected: of the image, of a step-repeat (`copies`, `step`) or of a block aperture (`code`)."""

    items: list[Item] = field(default_factory=list)
    code: int = 0
    copies: tuple[int, int] = (1, 1)
    step: tuple[float, float] = (0.0, 0.0)


class State:
    """
    Reads one command after another.

    Every method that finds a mistake raises ValueError with the rule and what to do; the caller adds the place.
    """

    def __init__(self, budget: Budget) -> None:
        self.budget = budget
        self.numbers = NumberFormat()
        self.attributes = Attributes()
        self.shapes = Shapes(budget)
        self.frames = [Frame()]
        self.apertures: dict[int, int] = {}  # number to shape
        self.blocks: dict[int, list[Item]] = {}
        self.standard: set[int] = set()  # shapes that may be dragged by the standard
        self.macros: dict[str, Macro] = {}
        self.tags: dict[Tag, int] = {Tag(): 0}
        self.notes: dict[str, int] = {}  # note to how often
        self.x = self.y = 0.0
        self.mode = "line"
        self.quadrant = ""
        self.current = 0
        self.operation = ""
        self.contour: list[tuple[float, float]] | None = None  # inside a region: its points so far
        self.dark = True
        self.mirror, self.rotation, self.scale = "N", 0.0, 1.0
        self.matrix: Matrix = IDENTITY
        self.inverted = False
        self.ended = False
        self._tag: int | None = 0
        self._plot = Plot(self)

    def note(self, text: str) -> None:
        """Remember a note, counting how often it came up."""
        self.notes[text] = self.notes.get(text, 0) + 1

    # Words

    def comment(self, text: str) -> None:
        """Take a comment; some hold attributes."""
        hidden = hidden_in_comment(text)
        if hidden:
            self.attribute(hidden)

    def attribute(self, text: str) -> None:
        """Take an attribute command."""
        odd = self.attributes.command(text)
        if odd:
            self.note(odd)
        self._tag = None

    def word(self, text: str) -> None:
        """Take a plain command."""
        found = _MOVE.match(text)
        if found is not None:
            x, y, i, j, operation = found.groups()
            self._operate(x, y, i, j, operation)
            return
        rest = _LINE_NUMBER.sub("", text, count=1) if text.startswith("N") else text
        parts = _PART.findall(rest)
        if sum(len(letter) + len(number) for letter, number in parts) != len(rest):
            message = f"{quoted(text)} is not a command of this format; what it would draw is unknown. Repair it."
            raise ValueError(message)
        place: dict[str, str] = {}
        operation = ""
        for letter, number in parts:
            if letter in "XYIJ":
                if letter in place:
                    message = f"{quoted(text)} gives {letter} twice. Repair it."
                    raise ValueError(message)
                place[letter] = number
            elif letter in "GDM" and number.isdigit() and len(number) <= 9:
                if letter == "G":
                    self._general(int(number))
                elif letter == "M":
                    self._machine(int(number))
                elif 1 <= int(number) <= 3:
                    operation = str(int(number))
                else:
                    self._select(int(number))
            else:
                message = f"{quoted(letter + number)} is not a command of this format. Repair it."
                raise ValueError(message)
        if operation or place:
            if not operation:
                if not self.operation:
                    message = "coordinates without D01, D02 or D03 and none before them. Repair it."
                    raise ValueError(message)
                operation = self.operation
                if operation != "1":
                    self.note("Coordinates without an operation code; the one before, D02 or D03, was taken.")
            self._operate(place.get("X"), place.get("Y"), place.get("I"), place.get("J"), operation)

    def _operate(self, x: str | None, y: str | None, i: str | None, j: str | None, operation: str) -> None:
        old = (self.x, self.y)
        if x is not None:
            self.x = self.numbers.coordinate(x)
        if y is not None:
            self.y = self.numbers.coordinate(y)
        self.operation = operation
        if operation == "1":
            self._plot.draw(old, i, j)
        elif operation == "2":
            if self.contour is not None:
                self._plot.close_contour()
        else:
            self._plot.flash()

    def _general(self, code: int) -> None:
        if code in (0, 1):
            self.mode = "line"
        elif code in (2, 3):
            self.mode = "clockwise" if code == 2 else "counterclockwise"
        elif code in (74, 75):
            self.quadrant = "single" if code == 74 else "multi"
        elif code == 36:
            if self.contour is not None:
                message = "G36 inside a region; close it with G37 first. Repair it."
                raise ValueError(message)
            self.contour = []
        elif code == 37:
            if self.contour is None:
                message = "G37 without G36 before it. Repair it."
                raise ValueError(message)
            self._plot.close_contour()
            self.contour = None
        elif code in (70, 71):
            self.numbers.declare_unit("IN" if code == 70 else "MM")
        elif code == 91:
            message = (
                "incremental coordinates (G91); each number then depends on all before it and this is not read. "
                "Write the file again with absolute coordinates."
            )
            raise ValueError(message)
        elif code not in (54, 55, 90):
            message = (
                f"G{code:02d} is not a command of this format, or one no longer used that changes what is drawn. "
                "Write the file again without it."
            )
            raise ValueError(message)

    def _machine(self, code: int) -> None:
        if code in (0, 2):
            self.ended = True
        elif code != 1:
            message = f"M{code:02d} is not a command of this format. Repair it."
            raise ValueError(message)

    def _select(self, code: int) -> None:
        if code not in self.apertures and code not in self.blocks:
            message = f"aperture D{code} is selected but not defined above. Define it, or repair the number."
            raise ValueError(message)
        self.current = code

    # Objects

    def add(self, shape: int, x: float, y: float, kind: str) -> None:
        """Append one object."""
        self.budget.objects()
        self.frames[-1].items.append(Item(shape, x, y, self.dark, self.tag, kind))  # type: ignore[arg-type]

    def add_block(self, items: list[Item], x: float, y: float) -> None:
        """Append the objects of a block aperture flashed at a place; a clear flash swaps dark and clear."""
        self.budget.objects(len(items))
        mine = self.tag
        out = self.frames[-1].items
        for item in items:
            dx, dy = applied(self.matrix, item.x, item.y)
            shape = self.shapes.moved(item.shape, self.matrix)
            dark = item.dark if self.dark else not item.dark
            out.append(Item(shape, x + dx, y + dy, dark, item.tag or mine, item.kind))

    def close_repeat(self) -> None:
        """End the step-repeat that is open, if any: copy its objects, first upwards and then to the right."""
        if self.frames[-1].copies == (1, 1):
            return
        frame = self.frames.pop()
        (nx, ny), (dx, dy) = frame.copies, frame.step
        self.budget.objects(len(frame.items) * (nx * ny - 1))
        out = self.frames[-1].items
        for i in range(nx):
            for j in range(ny):
                self.budget.clock()
                out.extend(item._replace(x=item.x + i * dx, y=item.y + j * dy) for item in frame.items)

    @property
    def tag(self) -> int:
        """Number of what the file says of the next object."""
        if self._tag is None:
            said = self.attributes.object
            tag = Tag(nets_of(said.get("N")), said.get("P", ()))
            self._tag = self.tags.setdefault(tag, len(self.tags))
        return self._tag
