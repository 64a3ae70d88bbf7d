"""The case file: TOML text to a Case, with every mistake of the file named by its key in one go."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from pathlib import Path
from typing import Any

from returnflow_geometry.casefile.addresses import Draft
from returnflow_geometry.casefile.builder import read_tables
from returnflow_geometry.casefile.devices import expanded
from returnflow_geometry.casefile.source_tables import unsourced
from returnflow_geometry.casefile.supplied import Sourced, Supplied, Supply
from returnflow_geometry.casefile.sweep_steps import read_sweeps
from returnflow_geometry.casefile.variants import Editor, read_variants
from returnflow_geometry.model.board import Case
from returnflow_geometry.model.overlay import ShapeError, shapes_of
from returnflow_geometry.model.wording import brief

MAX_BYTES = 10_000_000


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


def read_case(path: str | Path, supply: Supply | None = None) -> Case:
    """
    Read a case file.

    Parameters
    ----------
    path : str or Path
        A TOML file in UTF-8, at most 10 MB.
    supply : callable, optional
        Looks at the file's own tables and returns what else is known of the board; by default the fabrication data
        that the file names by `source`, relative to its own folder.

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
        message = f"{where}: cannot be read ({reason}); a case is a TOML file; check the path and its permissions"
        raise CaseError((message,)) from None
    _check_size(len(data), where)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        message = (
            f"{where}: line {line} has the byte 0x{data[error.start]:02x}, which is not UTF-8; "
            "a case is text in UTF-8; save it in that encoding"
        )
        raise CaseError((message,)) from None
    return parse_case(text, origin=where, supply=supply or Sourced(Path(path).parent))


def parse_case(text: str, *, origin: str = "case", supply: Supply | None = None) -> Case:
    r"""
    Parse the text of a case file.

    Parameters
    ----------
    text : str
        TOML.
    origin : str
        How messages about the file as a whole call it.
    supply : callable, optional
        Looks at the file's own tables and returns what else is known of the board.

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
    returnflow_geometry.casefile.read.CaseError: bord is an unknown key; the nearest valid key is board ...
    """
    _check_size(len(text), origin)
    try:
        with shapes_of(origin):
            return _case(_parse_toml(text, origin), supply)
    except ShapeError as error:
        raise CaseError((str(error),)) from None


def _case(own: dict[str, Any], supply: Supply | None) -> Case:
    """Case of the tables of a file."""
    supplied = Supplied() if supply is None else supply(own)
    if "source" not in own or supply is None:
        own, wrong, told = expanded(own)
        supplied = dataclasses.replace(
            supplied, mistakes=(*supplied.mistakes, *wrong), assumptions=(*supplied.assumptions, *told)
        )
    raw = _merged(dict(own if supplied.own is None else supplied.own), supplied)
    reading = read_tables(raw, whole=not supplied.mistakes, incomplete=supplied.incomplete)
    if supplied.mistakes:  # what rests on the supplied tables cannot be judged
        raise CaseError((*supplied.mistakes, *reading.mistakes))
    base = Draft(raw, reading.incomplete)
    variants, mistakes = read_variants(base, reading)
    swept = read_sweeps(base, reading)
    if "source" not in own:
        mistakes = [*unsourced(own), *mistakes]
    elif supply is None and isinstance(own["source"], str):
        mistakes = [*mistakes, f"source is {brief(repr(own['source']))}; text alone has no folder; read it as a file"]
    every = (*supplied.mistakes, *reading.mistakes, *mistakes, *swept.mistakes)
    if every:
        raise CaseError(every)
    assumptions = (*supplied.assumptions, *reading.case.assumptions, *swept.assumptions)
    return dataclasses.replace(
        reading.case, variants=variants, sweeps=swept.sweeps, assumptions=assumptions, editor=Editor(base.raw)
    )


def _merged(own: dict[str, Any], supplied: Supplied) -> dict[str, Any]:
    """Tables of the file behind those that are known without it; what is no list stays as it is, to be reported."""
    raw = dict(own)
    for kind, tables in supplied.parts.items():
        given = own.get(kind, [])
        raw[kind] = [*tables, *given] if isinstance(given, list) else given
    board = own.get("board", {})
    if supplied.board and isinstance(board, dict):
        raw["board"] = {**supplied.board, **board}
    return raw


def _check_size(size: int, origin: str) -> None:
    if size > MAX_BYTES:
        message = (
            f"{origin}: has more than {MAX_BYTES // 10**6} MB; a case is a short file; "
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
