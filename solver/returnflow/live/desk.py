"""What the served page asks for: bracketed figures, a model for contacts elsewhere, files with what was moved."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from returnflow.advice.study import AS_DRAWN
from returnflow.answers.adding import Coupled
from returnflow.answers.budget import budget
from returnflow.answers.spectra import lines_of
from returnflow.live.board import LiveBoard
from returnflow.live.moves import RequestError, changes_of
from returnflow.live.over_frequency import over_frequency
from returnflow.live.patterns import FAINTEST
from returnflow.live.payload import pack
from returnflow.live.stitched import solver_of
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.casefile.supplied import Sourced
from returnflow_geometry.casefile.toml_text import toml_text
from returnflow_geometry.casefile.variants import Editor
from returnflow_geometry.model.board import Case

LONGEST_NAME = 60  # characters
MOST_TRIANGLES = 200_000


class Desk:
    """
    Answers what a served page asks for.

    Parameters
    ----------
    paths : sequence of Path
        Case files, in the order of the page's boards.
    cases : sequence of Case
    """

    def __init__(self, paths: Sequence[Path], cases: Sequence[Case]) -> None:
        self.paths, self.cases = list(paths), list(cases)

    def answer(self, what: str, message: object) -> dict[str, Any]:
        """
        Answer a message: `solve`, `model` or `save`.

        Raises
        ------
        RequestError
            If the message is not one of these; nothing has changed then.
        CaseError, MeshError, NumericalError
            If the board cannot be as the message wants it.
        """
        if what not in ("solve", "model", "save") or not isinstance(message, dict):
            text = f"There is no request {what!r} with this content."
            raise RequestError(text)
        number = message.get("board", 0)
        if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < len(self.cases):
            text = "board must be the number of a board."
            raise RequestError(text)
        variant = message.get("variant", AS_DRAWN)
        cases = {AS_DRAWN: self.cases[number], **{v.name: v.case for v in self.cases[number].variants}}
        if not isinstance(variant, str) or variant not in cases:
            text = "variant must be the name of a variant."
            raise RequestError(text)
        case = cases[variant]
        changes = changes_of(message, case)
        if what == "save":
            return self._save(number, variant, case, changes, message)
        moved = case.changed(**changes) if changes else case
        return bracketed(moved) if what == "solve" else _model(moved)

    def _save(
        self, number: int, variant: str, case: Case, changes: Mapping[str, Any], message: Mapping[str, Any]
    ) -> dict[str, Any]:
        """Write a new file beside the case: the board as it is now, or a copy with one more variant."""
        name = message.get("name")
        if not isinstance(name, str) or not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
            text = f"name must be a text of at most {LONGEST_NAME} letters."
            raise RequestError(text)
        if not changes:
            text = "Nothing was moved, so there is nothing to save."
            raise RequestError(text)
        path = self.paths[number]
        stem = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "moved"
        new = path.with_name(f"{path.stem}_{stem}.toml")
        text = _with_variant(path, variant, name, changes) if message.get("as_variant") else _moved(case, name, changes)
        parse_case(text, origin=new.name, supply=Sourced(path.parent))  # what is written can be read
        try:
            with new.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            reason = f"{new.name} exists already: choose another name."
            raise RequestError(reason) from None
        return {"written": new.name}


def bracketed(case: Case) -> dict[str, Any]:
    """Noise of every loop with a limit at 0 Hz, with its guaranteed bracket, V; and the bracket of every resistance."""
    conductors = Conductors.of(case)
    options = Options(accuracy=case.accuracy, most_triangles=MOST_TRIANGLES)
    found = solve(conductors, conductors.ends(case), options=options)
    victims = []
    for n, victim in enumerate(case.loops):
        limit = {"sensitive": victim.tolerates, "cables": victim.limit}.get(victim.role)
        if limit is None:
            continue
        parts = []
        for j, loop in enumerate(case.loops):
            if loop.role != "noisy":
                continue
            lines = lines_of(loop)
            mid, half = float(found.mid[n, j]), float(found.half_width[n, j])
            shape = lines.frequency.shape
            parts.append(
                Coupled(
                    loop=loop, lines=lines, transfer=mid, half_width=half,
                    impedance=np.full(shape, mid, dtype=np.complex128), doubt=np.full(shape, half),
                )
            )  # fmt: skip
        total = budget(victim, limit, parts)
        victims.append({"loop": n, "low": total.low, "noise": total.noise, "high": total.high})
    return {
        "victims": victims,
        "mid": found.mid.tolist(),
        "half": found.half_width.tolist(),
        "triangles": len(found.mesh.triangles),
    }


def _model(case: Case) -> dict[str, Any]:
    board = LiveBoard.of(case)
    found = over_frequency(board, solver_of(board).read().resistance, pattern=FAINTEST, quick=True)
    if found is None:
        text = "Nothing in this case asks for more than 0 Hz."
        raise RequestError(text)
    return {"packed": pack(found)}


def _moved(case: Case, name: str, changes: Mapping[str, Any]) -> str:
    """Text of a case with what was moved; routes follow their contacts."""
    moved = case.changed(**changes)
    if not isinstance(moved.editor, Editor):
        text = "This case was not read from a file."
        raise RequestError(text)
    raw = {**moved.editor.raw, "title": f"{case.title}, {name}"}
    try:
        return f"# Written from the live page, with what was moved there.\n{toml_text(raw)}"
    except TypeError:
        text = "What fabrication files say is no table of this case: add what was moved as a variant instead."
        raise RequestError(text) from None


def _with_variant(path: Path, variant: str, name: str, changes: Mapping[str, Any]) -> str:
    """Text of the case's file with one more variant: that one, and things where they are now."""
    text = path.read_text(encoding="utf-8-sig")
    tables = tomllib.loads(text).get("variant", [])
    base: dict[str, Any] = next((table for table in tables if table["name"] == variant), {})
    table = {**base, "name": name, **{key: {**base.get(key, {}), **value} for key, value in changes.items()}}
    return text.rstrip("\n") + "\n" + toml_text({"variant": [table]})
