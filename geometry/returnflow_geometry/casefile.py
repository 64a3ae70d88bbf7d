"""The case file: TOML text to a Case, with every mistake of the file named by its key in one go."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from shapely import Polygon

from returnflow_geometry import currents, drawing, outgoing
from returnflow_geometry.board import (
    Board,
    Case,
    Copper,
    Cutout,
    Layer,
    Loop,
    Region,
    Section,
    Terminal,
)
from returnflow_geometry.checks import check_case
from returnflow_geometry.keys import Book, Spot, Unnamed, brief, label, listed, read_table
from returnflow_geometry.schema import REQUIRED, TOP, UNSUPPORTED, WAYS, Entry, declare_names

MAX_BYTES = 10_000_000
TEMPERATURE = 25.0  # degree Celsius, where the file gives none
LINEAR_RANGE = (-60.0, 200.0)  # degree Celsius, where copper's resistivity is close to linear in temperature
ACCURACY = 0.01
_Thing = TypeVar("_Thing")


class CaseError(ValueError):
    """
    A case file that cannot be used.

    Attributes
    ----------
    mistakes : tuple of str
        One line per mistake: which key, what was given, the rule, what to do. ``str(error)`` joins them.
    """

    def __init__(self, mistakes: tuple[str, ...]) -> None:
        super().__init__("\n".join(mistakes))
        self.mistakes = mistakes


def read_case(path: str | Path) -> Case:
    """
    Read a case file.

    Parameters
    ----------
    path : str or Path
        A TOML file in UTF-8, at most 10 MB.

    Returns
    -------
    case : Case
        In SI units; `case.assumptions` says what was assumed where the file leaves something open.

    Raises
    ------
    CaseError
        If the file cannot be read, or with all mistakes that are in it.
    """
    where = brief(str(path), 200)
    try:
        with Path(path).open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except IsADirectoryError:
        raise CaseError((f"{where}: is a folder; a case is one TOML file; name the file in it",)) from None
    except FileNotFoundError:
        raise CaseError((f"{where}: does not exist; a case is a TOML file; check the path",)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"{where}: cannot be read ({reason}); a case is a TOML file; check the path and its rights"
        raise CaseError((message,)) from None
    _check_size(len(data), where)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        message = (
            f"{where}: line {line} has the byte 0x{data[error.start]:02x}, which is no UTF-8; "
            "a case is a text in UTF-8; save it in that encoding"
        )
        raise CaseError((message,)) from None
    return parse_case(text, origin=where)


def parse_case(text: str, *, origin: str = "case") -> Case:
    r"""
    Parse the text of a case file.

    Parameters
    ----------
    text : str
        TOML.
    origin : str
        How messages about the file as a whole call it.

    Returns
    -------
    case : Case
        In SI units.

    Raises
    ------
    CaseError
        With all mistakes, those of keys first, then those of geometry. A thing that is already reported as
        bad causes no further mistake.

    Examples
    --------
    >>> parse_case('format = 1\ntitle = "demo"\nbord = 3')
    Traceback (most recent call last):
    ...
    returnflow_geometry.casefile.CaseError: bord is an unknown key; the nearest valid key is board ...
    """
    _check_size(len(text), origin)
    raw = _parse_toml(text, origin)
    book = Book()
    declare_names(book, raw)
    top = read_table(book, "", raw, TOP, refused=UNSUPPORTED[""])
    for kind, why in REQUIRED.items():
        if top.lacks(kind) or raw.get(kind) == []:
            Spot(book, f"[[{kind}]]").wrong("is missing", why, "add one")
    build = _Builder(book, top.values)
    case, leads = outgoing.lead_to_contacts(build.case())
    # A link, or a terminal that could not be read, may be what joins two pieces of copper.
    complete = "link" not in raw and not build.unread_terminals
    findings = check_case(case, connections=complete)
    mistakes = tuple(book.mistakes + findings.mistakes)
    if mistakes:
        raise CaseError(mistakes)
    return dataclasses.replace(case, assumptions=tuple(build.assumptions + leads + findings.assumptions))


def _check_size(size: int, origin: str) -> None:
    if size > MAX_BYTES:
        message = (
            f"{origin}: has more than {MAX_BYTES // 10**6} MB; a case is a short text; "
            "write many equal round cutouts as one [[cutout]] with circles and diameter_mm"
        )
        raise CaseError((message,))


def _parse_toml(text: str, origin: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        message = f"{origin}: brackets are nested too deeply; a case needs four levels; check the brackets"
        raise CaseError((message,)) from None
    except ValueError as error:  # TOMLDecodeError, and integers that Python refuses to convert
        found = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", str(error))
        reason = brief(found[1] if found else str(error), 200)
        if found and found[2]:
            line = text.replace("\r\n", "\n").split("\n")[int(found[2]) - 1].strip()
            where = f"line {found[2]}, column {found[3]}: {brief(line)}"
        else:
            where = "end of the file" if found else "a value"
        message = f"{origin}: {where}; this is not TOML ({reason}); correct it there or just before"
        raise CaseError((message,)) from None


class _Builder:
    """Case of all that could be read; what could not is absent and already noted as a mistake."""

    def __init__(self, book: Book, values: dict[str, Any]) -> None:
        self.book = book
        self.values = values
        self.assumptions: list[str] = []
        self.unread_terminals = "terminal" in book.incomplete

    def case(self) -> Case:
        board = self._board()
        self._note_several()
        solve = self.values.get("solve", {})
        frequencies = solve.get("frequencies_Hz", (0.0,))
        if frequencies[-1] > currents.CAUTION:
            self.assumptions.append(f"[solve]: frequencies_Hz reaches {currents.caution(frequencies[-1])}")
        return Case(
            title=self.values.get("title", ""),
            board=board,
            loops=self._each("loop", self._loop),
            regions=self._each("region", _region),
            sections=self._each("section", _section),
            accuracy=solve.get("accuracy", ACCURACY),
            frequencies=frequencies,
        )

    def _each(self, kind: str, build: Callable[[Entry], _Thing | None]) -> tuple[_Thing, ...]:
        built = [build(entry) for entry in self.values.get(kind, [])]
        return tuple(thing for thing in built if thing is not None)

    def _spot(self, entry: Entry, key: str) -> Spot:
        return Spot(self.book, f"{label(entry.kind, entry.name)}: {key}")

    def _board(self) -> Board:
        fields = self.values.get("board", {})
        outline = fields.get("outline", Polygon())
        temperature = fields.get("temperature_C")
        if temperature is None:
            temperature = TEMPERATURE
            self.assumptions.append(f"[board]: temperature_C is not given, taken as {TEMPERATURE:g} °C.")
        low, high = LINEAR_RANGE
        if not low <= temperature <= high:
            self.assumptions.append(
                f"[board]: temperature_C is {temperature:g}, outside {low:g} to {high:g} °C, where the "
                "resistivity of copper is no longer close to the linear law that is used."
            )
        coppers = self._each("copper", lambda entry: self._copper(entry, outline))
        return Board(
            outline=outline,
            temperature=temperature,
            layers=self._each("layer", _layer),
            coppers=coppers,
            cutouts=self._each("cutout", self._cutout),
            terminals=self._each("terminal", self._terminal),
        )

    def _note_several(self) -> None:
        entries = self.values.get("copper", [])
        if len(entries) > 1:
            names = listed([entry.name for entry in entries])
            Spot(self.book, f"[[copper]]: {len(entries)} are given, {names}: more than one").unsupported(
                "remove all but one, with all that lies on them"
            )

    def _copper(self, entry: Entry, outline: Polygon) -> Copper | None:
        values = entry.fields.values
        shape = values.get("shape")
        if entry.fields.lacks("shape") and not outline.is_empty:
            shape = outline
            self.assumptions.append(f"Copper {listed([entry.name])}: shape is not given, taken as the board's outline.")
        if shape is None:
            return None
        return Copper(name=entry.name, layer=values.get("layer", ""), shape=shape)

    def _way(self, entry: Entry, kind: str) -> tuple[str, ...]:
        """Keys by which the thing is given; empty if they are not all good."""
        fields, ways = entry.fields, WAYS[kind]
        used = [way for way in ways.keys if any(key in entry.table for key in way)]
        if len(used) > 1:
            given = [key for way in used for key in way if key in entry.table]
            self._spot(entry, " and ".join(given)).wrong("are given together", ways.rule, "remove what does not belong")
            return ()
        if not used:
            if not any(key in fields.bad for way in ways.keys for key in way):
                self._spot(entry, ways.keys[0][0]).wrong("is missing", ways.rule, "add it")
            return ()
        needed = ways.needed(used[0])
        for key in needed:
            if fields.lacks(key):
                self._spot(entry, key).wrong("is missing", ways.rule, "add it")
        return needed if all(key in fields.values for key in needed) else ()

    def _cutout(self, entry: Entry) -> Cutout | None:
        values, way = entry.fields.values, self._way(entry, "cutout")
        if not way or "copper" not in values:
            return None
        shape = values["shape"] if way == ("shape",) else drawing.circles(values["circles"], values["diameter_mm"])
        return Cutout(name=entry.name, copper=values["copper"], shape=shape)

    def _terminal(self, entry: Entry) -> Terminal | None:
        values, way = entry.fields.values, self._way(entry, "terminal")
        if not way or "copper" not in values or isinstance(entry.name, Unnamed):
            self.unread_terminals = True
        if not way or "copper" not in values:
            return None
        shape = values["shape"] if way == ("shape",) else drawing.contact(values["at"], values["diameter_mm"])
        return Terminal(name=entry.name, copper=values["copper"], shape=shape, bonded=values.get("bonded"))

    def _loop(self, entry: Entry) -> Loop | None:
        values, fields = entry.fields.values, entry.fields
        role = values.get("role")
        signal, tolerates = values.get("signal_V"), values.get("tolerates_V")
        if signal is not None and tolerates is not None and not tolerates < signal:
            self._spot(entry, "tolerates_V").wrong(
                f"is {tolerates:g}, with signal_V {signal:g}",
                "the noise allowed must be less than the full-scale signal",
                "correct one of them",
            )
        way = self._way(entry, "noisy") if role == "noisy" else ()
        if way == ("current_A",) and fields.lacks("frequency_Hz"):
            self.assumptions.append(
                f"Loop {listed([entry.name])}: frequency_Hz is not given, its current is taken as in the "
                "band of every sensitive loop."
            )
        if role == "sensitive" and fields.lacks("band_Hz"):
            self.assumptions.append(
                f"Loop {listed([entry.name])}: band_Hz is not given, every noisy current is taken as in its band."
            )
        drawn = entry.table.get("route")
        if "route" in values and isinstance(drawn, dict) and "width_mm" not in drawn:
            self.assumptions.append(
                f"Loop {listed([entry.name])}: route.width_mm is not given, taken as {drawing.mm(outgoing.WIDTH)} mm."
            )
        if "inject" not in values or "return" not in values:
            return None
        if values["inject"] == values["return"]:
            self._spot(entry, "return").wrong(
                f"is {listed([values['return']])}, the same terminal as inject",
                "a current must leave the copper elsewhere than it enters it",
                "name two different terminals",
            )
            return None
        loop = Loop(
            name=entry.name,
            role=role or "cables",  # a stand-in: without a good role the case is refused anyway
            inject=values["inject"],
            return_=values["return"],
            current=values.get("current_A"),
            frequency=values.get("frequency_Hz"),
            signal=signal,
            tolerates=tolerates,
            band=values.get("band_Hz"),
            limit=values.get("limit_V"),
            route=values.get("route"),
            spectrum=values.get("spectrum"),
            trapezoid=values.get("trapezoid"),
        )
        self.assumptions += currents.current_assumptions(loop)
        return loop


def _layer(entry: Entry) -> Layer | None:
    values = entry.fields.values
    if "copper_um" not in values:
        return None
    return Layer(name=entry.name, thickness=values["copper_um"], below=values.get("below_mm"))


def _region(entry: Entry) -> Region | None:
    values = entry.fields.values
    if "copper" not in values or "shape" not in values:
        return None
    return Region(name=entry.name, copper=values["copper"], shape=values["shape"])


def _section(entry: Entry) -> Section | None:
    values = entry.fields.values
    if "copper" not in values or "path" not in values:
        return None
    return Section(name=entry.name, copper=values["copper"], path=values["path"])
