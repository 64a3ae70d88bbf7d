"""Lines of an XNC or Excellon drill file to steps, before any number is read."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NoReturn

from returnflow_geometry.fabrication.base.budget import Budget, quoted
from returnflow_geometry.fabrication.base.objects import Plating
from returnflow_geometry.fabrication.drill.readings import MOST_DIGITS, NUMBER, Declared, Unit

ATTRIBUTE = re.compile(r";\s*#@!\s*(TF|TA|TO|TD)\.?([^,*]*)(?:,([^*]*))?\*?\s*\Z")
PLATED = re.compile(r";\s*(?:TYPE\s*=\s*)?(NON[-_ ]?)?PLATED(?:[-_ ]+(?:HOLES?|DRILLS?|SLOTS?|TOOLS?))?\s*\Z", re.I)
DIGITS = re.compile(r"FORMAT\s*[=:]?\s*[{(]?\s*(\d)\s*[:.]\s*(\d)", re.I)
WORD = re.compile(r"([A-Z])([+-]?[\d.]*)")
WORDS = re.compile(r"(?:[A-Z][+-]?[\d.]*)+\Z")
PATTERN = re.compile(r"0{1,6}\.0{1,7}\Z")
UNICODE = re.compile(r"\\u([0-9A-Fa-f]{4})")
LINE = 4096  # characters
TOOL_WORDS = frozenset("TCFSHBZDQIN")
# Commands that move nothing this reader looks at (source: the published Excellon command list; from memory).
HARMLESS_G = frozenset((4, 40, 80, 90))
HARMLESS_M = frozenset((6, 9, 14, 18, 47, 48, 60))
REFUSED_G = {
    91: "incremental coordinates (G91); write the file with absolute coordinates",
    41: "cutter compensation (G41); write the file with the centre line of each slot",
    42: "cutter compensation (G42); write the file with the centre line of each slot",
}
STEPPED = "a step-and-repeat block, as panels have; give the file of one board"
REFUSED_M = {
    1: STEPPED,
    8: STEPPED,
    25: STEPPED,
    70: "swapped axes (M70); write the file without",
    80: "a mirrored axis (M80); write the file without",
    90: "a mirrored axis (M90); write the file without",
    97: "drilled text (M97); write the file without",
    98: "drilled text (M98); write the file without",
}
KEYWORDS = {"VER", "FMAT", "TCST", "DETECT", "ATC", "FSB", "SBK", "SG", "OM48", "RSB", "UP", "ZA", "ZC", "ZS", "Z"}
KEYWORDS |= {"CCW", "CP", "AFS", "OSTOP", "BLKD", "DN"}


@dataclass(frozen=True, kw_only=True)
class Step:
    """One action: what, on which line, and its words as written (`X`, `Y`, and `X2`, `Y2` of a slot's end)."""

    do: str
    line: int
    words: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Tool:
    """A tool of the table: diameter as written, and the attributes bound to it."""

    diameter: str
    plating: Plating = "unknown"
    function: tuple[str, ...] = ()


@dataclass(kw_only=True)
class Program:
    """A drill file as steps; `numbers` are all coordinates as written."""

    declared: Declared = field(default_factory=Declared)
    attributes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    tools: dict[int, Tool] = field(default_factory=dict)
    steps: list[Step] = field(default_factory=list)
    numbers: set[str] = field(default_factory=set)
    odd: dict[str, int] = field(default_factory=dict)  # ignored commands and how often
    notes: list[str] = field(default_factory=list)


class Parser:
    """Reads the lines of one file into a `Program`."""

    def __init__(self, budget: Budget) -> None:
        self.budget = budget
        self.program = Program()
        self.ended = False
        self._number = 0
        self._bound: dict[str, tuple[str, ...]] = {}
        self._plating: Plating = "unknown"
        self._commented: Unit | None = None

    def read(self, text: str) -> Program:
        """Read the whole text."""
        for self._number, raw in enumerate(text.splitlines(), start=1):
            self.budget.clock()
            line = raw.strip()
            if self.ended or not line:
                continue
            if len(line) > LINE:
                self.fail("too long for a drill file; check that this is an XNC or Excellon file.")
            if line.startswith(";"):
                self._comment(line)
            else:
                self._command(line.split(";")[0].strip())
        program = self.program
        if not self.ended:
            program.notes.append("The file has no end of program (M30); it may be cut off.")
        if program.declared.unit is None and self._commented is not None:
            program.declared.unit = self._commented
            program.notes.append("The unit is taken from a comment.")
        return program

    def fail(self, message: str) -> NoReturn:
        """Raise an error that names the line."""
        self.budget.fail(f"line {self._number}: {message}")

    def _comment(self, line: str) -> None:
        attribute = ATTRIBUTE.match(line)
        if attribute:
            self._attribute(*attribute.groups())
            return
        plated = PLATED.match(line)
        if plated:
            self._plating = "unplated" if plated.group(1) else "plated"
            self._add("plating", plating=self._plating)
            return
        lower = line.lower()
        if "format" not in lower:
            return
        declared = self.program.declared
        digits = DIGITS.search(line)
        if digits:
            declared.digits = (int(digits.group(1)), int(digits.group(2)))
        if "incremental" in lower:
            self.fail("the comment declares incremental coordinates; write the file with absolute coordinates.")
        if "suppress leading" in lower or "keep zeros" in lower:
            declared.kept = declared.kept or "trailing"
        elif "suppress trailing" in lower:
            declared.kept = declared.kept or "leading"
        elif "decimal" in lower and not digits:
            declared.decimal = True
        if "metric" in lower or "inch" in lower:
            self._commented = "mm" if "metric" in lower else "inch"

    def _attribute(self, kind: str, name: str, values: str | None) -> None:
        name = UNICODE.sub(lambda found: chr(int(found.group(1), 16)), name.strip())
        fields = tuple(
            UNICODE.sub(lambda found: chr(int(found.group(1), 16)), value.strip())
            for value in (values.split(",") if values else [])
        )
        if kind == "TF":
            self.program.attributes[name] = fields
        elif kind == "TA":
            self._bound[name] = fields
        elif kind == "TO":
            self._add("object", **{name: "\0".join(fields)})
        elif name:
            self._bound.pop(name, None)
            self._add("object", **{name: ""})
        else:
            self._bound.clear()
            self._add("object")

    def _command(self, line: str) -> None:
        upper = line.upper()
        head, *rest = [part.strip() for part in upper.split(",")]
        if head in ("M71", "METRIC", "M72", "INCH"):
            self._units("mm" if head in ("M71", "METRIC") else "inch", rest)
        elif head == "ICI" or head.startswith("ICI"):
            if "OFF" not in rest:
                self.fail("incremental coordinates (ICI); write the file with absolute coordinates.")
        elif head in KEYWORDS or head.startswith(("M47", "M45")):
            if head == "FMAT" and rest[:1] != ["2"]:
                self.fail(f"format {quoted(','.join(rest))}; only format 2 is read (FMAT,2).")
        elif upper == "%" or head == "M95":
            return
        else:
            compact = upper.replace(" ", "")
            if not WORDS.match(compact):
                self.fail(f"{quoted(line)} is not a drill command; check that this is an XNC or Excellon file.")
            self._words([(letter, value) for letter, value in WORD.findall(compact) if letter != "N"], compact)

    def _units(self, unit: Unit, rest: list[str]) -> None:
        declared = self.program.declared
        if declared.unit not in (None, unit):
            self.fail("a second unit; a file has one unit.")
        declared.unit = unit
        for part in rest:
            if part in ("LZ", "TZ"):
                declared.kept = "leading" if part == "LZ" else "trailing"
            elif PATTERN.match(part):
                whole, places = part.split(".")
                declared.digits = (len(whole), len(places))
            else:
                self.fail(f"{quoted(part)}; after the unit only LZ, TZ and a pattern like 000.000 are known.")

    def _words(self, words: list[tuple[str, str]], line: str) -> None:
        if not words:
            return
        if words[0][0] == "T":
            self._tool(words, line)
            return
        go = [self._code(value, line) for letter, value in words if letter == "G"]
        stop = [self._code(value, line) for letter, value in words if letter == "M"]
        moves = any(letter in "XY" for letter, _ in words)
        for code, table in [(code, REFUSED_G) for code in go] + [(code, REFUSED_M) for code in stop]:
            if code in table:
                self.fail(f"{table[code]}.")
        if 2 in stop and moves:
            self.fail(f"{STEPPED}.")
        if 92 in go or 93 in go:
            if any(value.strip("+-0.") for letter, value in words if letter in "XY"):
                self.fail("a shifted origin (G92, G93); write the file with the origin at zero.")
            return
        for code in go:
            if code in (0, 1, 2, 3):
                self._add(("move", "line", "clockwise", "counter")[code])
            elif code in (5, 81):
                self._add("drill")
            elif code == 4:
                return  # a dwell: its X is a time
            elif code == 85:
                self._slot(words)
                return
            elif code not in HARMLESS_G:
                self._unknown(f"G{code:02d}", moves)
        if any(letter == "R" for letter, _ in words):
            self._add("repeat", **self._coordinates(words))
        elif moves:
            self._add("at", **self._coordinates(words))
        elif not go and not stop and any(letter not in TOOL_WORDS for letter, _ in words):
            self.fail(f"{quoted(line)} is not a drill command; check that this is an XNC or Excellon file.")
        for code in stop:
            if code in (0, 2, 30):
                self.ended = True
            elif code in (15, 16, 17):
                self._add("down" if code == 15 else "up")
            elif code not in HARMLESS_M:
                self._unknown(f"M{code:02d}", moves)

    def _slot(self, words: list[tuple[str, str]]) -> None:
        at = words.index(next(word for word in words if word[0] == "G" and self._code(word[1], "G85") == 85))
        first, last = self._coordinates(words[:at]), self._coordinates(words[at + 1 :])
        if not last:
            self.fail("a slot (G85) without an end.")
        self._add("slot", **first, **{f"{letter}2": value for letter, value in last.items()})

    def _tool(self, words: list[tuple[str, str]], line: str) -> None:
        number = self._code(words[0][1], line)
        given = dict(words)
        if any(letter not in TOOL_WORDS for letter in given):
            self.fail(f"{quoted(line)}; a tool goes on a line of its own, without coordinates.")
        if "C" in given:
            if not NUMBER.match(given["C"]) or len(given["C"]) > MOST_DIGITS:
                self.fail(f"tool diameter {quoted(given['C'])} is not a number.")
            if number in self.program.tools and self.program.tools[number].diameter != given["C"]:
                self.fail(f"tool {number} gets a second diameter; each tool has one.")
            function = self._bound.get("AperFunction", ())
            tool = Tool(diameter=given["C"], plating=plating_of(function, self._plating), function=function)
            self.program.tools[number] = tool
        self._add("tool", T=str(number), D=words[0][1])

    def _coordinates(self, words: list[tuple[str, str]]) -> dict[str, str]:
        found: dict[str, str] = {}
        for letter, value in words:
            if letter not in "XYAIJR":
                continue
            if letter in found:
                self.fail(f"{letter} is given twice.")
            if not NUMBER.match(value) or len(value) > MOST_DIGITS:
                self.fail(f"{letter}{quoted(value)} is not a number of at most {MOST_DIGITS} characters.")
            found[letter] = value
            if letter != "R":
                self.program.numbers.add(value)
        return found

    def _code(self, value: str, line: str) -> int:
        if not value.isdecimal() or len(value) > 4:
            self.fail(f"{quoted(line)}: {quoted(value)} is not a command number.")
        return int(value)

    def _unknown(self, code: str, moves: bool) -> None:
        if moves:
            self.fail(f"{code} with coordinates is not supported; its holes would be missing.")
        self.program.odd[code] = self.program.odd.get(code, 0) + 1

    def _add(self, do: str, **words: str) -> None:
        self.budget.objects()
        self.program.steps.append(Step(do=do, line=self._number, words=words))


def plating_of(function: tuple[str, ...], otherwise: Plating) -> Plating:
    """
    Plating by an aperture's or a file's function attribute, `otherwise` if it does not say.

    Examples
    --------
    >>> plating_of(("NonPlated", "NPTH", "ComponentDrill"), "unknown")
    'unplated'
    >>> plating_of(("ViaDrill",), "unknown")
    'plated'
    """
    words = {word.lower() for word in function}
    if words & {"nonplated", "npth", "backdrill"}:
        return "unplated"
    if words & {"plated", "pth", "viadrill"}:
        return "plated"
    return otherwise
