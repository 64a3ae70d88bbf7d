"""Gerber job files (JSON): layer stack, board size and thickness, list of files."""

from __future__ import annotations

import json
import math
from pathlib import PurePosixPath
from typing import Any, Literal, NoReturn

from returnflow_geometry.fabrication.base.budget import Budget, quoted, text_of
from returnflow_geometry.fabrication.base.objects import JobFile, Limits, StackLayer

SECTIONS = ("GeneralSpecs", "FilesAttributes", "MaterialStackup")
LARGEST = 10_000.0  # mm
MOST_BYTES = 16_000_000  # far above any job file; what follows takes memory in proportion
KINDS: dict[str, Literal["copper", "dielectric"]] = {"copper": "copper", "dielectric": "dielectric"}


def looks_like_job(data: bytes) -> bool:
    """
    Whether these bytes look like a Gerber job file.

    Examples
    --------
    >>> looks_like_job(b'{"Header": {}, "GeneralSpecs": {}}')
    True
    """
    text = text_of(data[:MOST_BYTES])
    return text.lstrip().startswith("{") and any(f'"{section}"' in text for section in SECTIONS)


def read_job(data: bytes, file: str, limits: Limits) -> JobFile:
    """
    Read a Gerber job file.

    Its layer numbers are not used: real files have wrong ones. Only the order of the stack counts.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages.
    limits : Limits

    Raises
    ------
    FabricationError
        If the file is no JSON object of that kind, a length is no number, or a limit is passed.
    """
    budget = Budget(file, limits)
    budget.data(data)
    if len(data) > MOST_BYTES:
        budget.fail(f"{len(data)} bytes; a Gerber job file has at most {MOST_BYTES}.")
    job = _Job(budget)
    top = job.parse(text_of(data))
    general = job.table(top, "GeneralSpecs", "the file")
    rows = job.rows(top, "MaterialStackup")
    listed = job.rows(top, "FilesAttributes")
    if not general and not rows and not listed:
        budget.fail(f"none of {', '.join(SECTIONS)}; a Gerber job file has them.")
    layers = tuple(job.layer(row, number) for number, row in enumerate(rows, start=1))
    copper = job.whole(general, "LayerNumber")
    stacked = sum(layer.kind == "copper" for layer in layers)
    if copper is not None and layers and stacked != copper:
        job.notes.append(f"{copper} copper layers are declared, the stack lists {stacked}.")
    size = job.table(general, "Size", "GeneralSpecs")
    x, y = job.length(size, "X", "Size"), job.length(size, "Y", "Size")
    thickness = job.length(general, "BoardThickness", "GeneralSpecs")
    job.compare(layers, thickness)
    return JobFile(
        file=file,
        layers=layers,
        files=job.files(listed),
        copper_layers=copper,
        thickness=thickness,
        size=None if x is None or y is None else (x, y),
        notes=tuple(job.notes),
    )


class _Job:
    """Reads values with their key's name at hand."""

    def __init__(self, budget: Budget) -> None:
        self.budget = budget
        self.notes: list[str] = []

    def parse(self, text: str) -> dict[str, Any]:
        budget = self.budget
        depth = 0
        # json recurses per bracket; strings may hold some, so this counts at least the real depth
        for character in text:
            if character in "[{":
                depth += 1
                if depth > 4 * budget.limits.depth:
                    budget.fail("brackets nested too deeply for a Gerber job file.")
            elif character in "]}":
                depth = max(0, depth - 1)
        try:
            top = json.loads(text, parse_constant=self._constant)
        except (ValueError, RecursionError) as error:
            budget.fail(f"no valid JSON: {str(error)[:120]}.")
        if not isinstance(top, dict):
            budget.fail("the top of a Gerber job file is an object in braces.")
        return top

    def _constant(self, name: str) -> NoReturn:
        self.budget.fail(f"{name} is not a number; give a finite one.")

    def table(self, owner: dict[str, Any], key: str, where: str) -> dict[str, Any]:
        value = owner.get(key, {})
        if not isinstance(value, dict):
            self.budget.fail(f"{key} in {where} is {quoted(str(value))}; it is an object in braces.")
        return value

    def rows(self, owner: dict[str, Any], key: str) -> list[dict[str, Any]]:
        value = owner.get(key, [])
        if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
            self.budget.fail(f"{key} is not a list of objects.")
        self.budget.objects(len(value))
        return value

    def number(self, owner: dict[str, Any], key: str, where: str) -> float | None:
        value = owner.get(key)
        if value is None or value == "":
            return None
        if isinstance(value, str):
            try:
                value = float(value)
            except ValueError:
                value = None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= LARGEST:
            self.budget.fail(f"{key} in {where} is {quoted(str(owner[key]))}; it is a number from 0 to {LARGEST:g}.")
        return float(value)

    def length(self, owner: dict[str, Any], key: str, where: str) -> float | None:
        value = self.number(owner, key, where)
        return None if value is None else value * 1e-3

    def whole(self, owner: dict[str, Any], key: str) -> int | None:
        value = self.number(owner, key, "GeneralSpecs")
        if value is not None and value != int(value):
            self.budget.fail(f"{key} is {value:g}; it is a whole number.")
        return None if value is None else int(value)

    def layer(self, row: dict[str, Any], number: int) -> StackLayer:
        self.budget.clock()
        kind, name = self.text(row, "Type"), self.text(row, "Name")
        thickness = self.length(row, "Thickness", f"row {number} of MaterialStackup")
        if thickness == 0.0:
            self.notes.append(f"Row {number} of the stack ({quoted(name)}) has thickness 0, taken as not given.")
            thickness = None
        return StackLayer(name=name, kind=KINDS.get(kind.lower(), "other"), thickness=thickness)

    def text(self, row: dict[str, Any], key: str) -> str:
        value = row.get(key, "")
        return value if isinstance(value, str) else str(value)[:200]

    def files(self, rows: list[dict[str, Any]]) -> dict[str, tuple[str, ...]]:
        found: dict[str, tuple[str, ...]] = {}
        for row in rows:
            self.budget.clock()
            base = PurePosixPath(self.text(row, "Path").replace("\\", "/")).name
            if not base:
                self.notes.append("A listed file has no path.")
                continue
            if base in found:
                self.notes.append(f"{quoted(base)} is listed twice; the first entry counts.")
                continue
            function = self.text(row, "FileFunction")
            found[base] = tuple(part.strip() for part in function.split(",")) if function else ()
        return found

    def compare(self, layers: tuple[StackLayer, ...], thickness: float | None) -> None:
        parts = [layer.thickness for layer in layers if layer.thickness is not None]
        core = [layer for layer in layers if layer.kind != "other"]
        if thickness and core and all(layer.thickness is not None for layer in core):
            total = math.fsum(parts)
            if abs(total - thickness) > 0.1 * thickness:
                self.notes.append(
                    f"The stack adds up to {total * 1e3:.3g} mm, the board is {thickness * 1e3:.3g} mm thick."
                )
