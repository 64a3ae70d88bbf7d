"""DXF drawings to areas per layer: closed outlines, circles, hatches, and lines and arcs joined end to end."""

from __future__ import annotations

import io
import logging
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from returnflow_geometry.fabrication.base.budget import Budget, quoted, text_of
from returnflow_geometry.fabrication.base.objects import Drawing, FabricationError, Floats, Limits
from returnflow_geometry.fabrication.dxf.entities import Lines
from returnflow_geometry.fabrication.dxf.rings import DrawingError, even_odd, joined
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import union_all

# Metres per unit by $INSUNITS. Source: the published DXF reference, group codes of the header.
UNITS = {1: 25.4e-3, 2: 0.3048, 4: 1e-3, 5: 1e-2, 6: 1.0, 8: 25.4e-9, 9: 25.4e-6, 10: 0.9144, 13: 1e-6, 14: 0.1}
MOST_BYTES = 50_000_000  # an entity takes far more memory than its text
MOST_WARNINGS = 20
HEAD = 4096  # bytes looked at to recognise a file


def looks_like_dxf(data: bytes) -> bool:
    r"""
    Whether these bytes look like a DXF drawing in text form.

    Examples
    --------
    >>> looks_like_dxf(b"  0\nSECTION\n  2\nHEADER\n")
    True
    """
    lines = [line.strip() for line in text_of(data[:HEAD]).splitlines()]
    return any(lines[k : k + 2] == ["0", "SECTION"] for k in range(0, len(lines) - 1, 2))


def read_dxf(data: bytes, file: str, limits: Limits, *, unit: float | None = None) -> Drawing:
    """
    Read a DXF drawing: each layer becomes the area that its lines enclose.

    An outline inside another one is a hole, one inside that is copper again; hatches and polylines with a width are
    areas of their own. A layer that cannot be closed is left out, and noted.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages.
    limits : Limits
    unit : float, optional
        Metres per drawing unit, for drawings that do not say.

    Raises
    ------
    FabricationError
        If the drawing cannot be read, has no unit, encloses no area, or goes over a limit; or ezdxf is not installed.
    """
    budget = Budget(file, limits)
    budget.data(data)
    if len(data) > MOST_BYTES:
        budget.fail(f"{len(data)} bytes; a drawing has at most {MOST_BYTES}.")
    if b"\0" in data:
        budget.fail("no DXF in text form; save the drawing as text (ASCII) DXF.")
    heard: list[str] = []
    document = _document(data, budget, heard)
    scale = _unit(document, budget) if unit is None else unit
    sheet = _Sheet(lines=Lines(budget=budget, scale=scale), notes=heard)
    try:
        sheet.read(document)
    except FabricationError:
        raise
    except Exception as error:  # a drawing is not trusted, and its entities may lack anything
        budget.fail(f"an entity cannot be read ({type(error).__name__}); save the drawing again.")
    layers = sheet.areas()
    if not layers:
        reasons = " ".join(sheet.all_notes()[:3])
        budget.fail(f"no layer encloses an area. {reasons}".strip())
    return Drawing(file=file, layers=layers, notes=tuple(sheet.all_notes()))


class _Heard(logging.Handler):
    """Keeps the first warnings of the parser, which go on where it drops something."""

    def __init__(self, notes: list[str]) -> None:
        super().__init__(logging.WARNING)
        self.notes = notes

    def emit(self, record: logging.LogRecord) -> None:
        if len(self.notes) < MOST_WARNINGS:
            self.notes.append(f"While reading: {record.getMessage()[:200]!a}.")


def _document(data: bytes, budget: Budget, notes: list[str]) -> Any:
    try:
        from ezdxf.filemanagement import read
    except ImportError:
        budget.fail("DXF drawings need the extra `dxf`; install returnflow[dxf].")
    text = text_of(data).replace("\r\n", "\n")
    _check_sections(text, budget)
    logger = logging.getLogger("ezdxf")
    listener, passed_on = _Heard(notes), logger.propagate
    logger.addHandler(listener)
    logger.propagate = False
    try:
        return read(io.StringIO(text))
    except Exception as error:  # the parser meets data that is not trusted
        budget.fail(f"no DXF that can be read ({type(error).__name__}: {str(error)[:80]!a}).")
    finally:
        logger.removeHandler(listener)
        logger.propagate = passed_on


def _check_sections(text: str, budget: Budget) -> None:
    """Refuse what the parser would drop without a word: things outside sections, and a section given twice."""
    lines = text.split("\n")
    seen: set[str] = set()
    inside = False
    for k in range(0, len(lines) - 1, 2):
        if lines[k].strip() != "0":
            continue
        budget.clock()
        value = lines[k + 1].strip()
        if value == "SECTION":
            name = lines[k + 3].strip() if k + 3 < len(lines) else ""
            if name in seen:
                budget.fail(f"line {k + 1}: a second section {quoted(name)}; save the drawing again.")
            seen.add(name)
            inside = True
        elif value == "ENDSEC":
            inside = False
        elif value == "EOF":
            return
        elif not inside:
            budget.fail(f"line {k + 1}: {quoted(value)} stands outside any section; save the drawing again.")


def _unit(document: Any, budget: Budget) -> float:
    code = document.header.get("$INSUNITS", 0)
    if code not in UNITS:
        budget.fail(f"the drawing has no unit ($INSUNITS is {code!a}); save it with one, or state the unit.")
    return UNITS[code]


@dataclass
class _Sheet:
    """The drawing's layers while entities are read."""

    lines: Lines
    rings: dict[str, list[Floats]] = field(default_factory=dict)
    open: dict[str, list[Floats]] = field(default_factory=dict)
    solid: dict[str, list[Shape]] = field(default_factory=dict)
    odd: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    def read(self, document: Any) -> None:
        for entity in document.modelspace():
            self.lines.budget.objects()
            kind, layer = entity.dxftype(), str(entity.dxf.layer)
            try:
                self._entity(entity, kind, layer)
            except DrawingError as error:
                self.odd[f"{kind} on layer {quoted(layer)} left out: {error}"] += 1
        for name in document.layout_names():
            if name != "Model" and len(document.layout(name)):
                self.notes.append(f"The sheet {quoted(name)} is not read; only model space is.")

    def _entity(self, entity: Any, kind: str, layer: str) -> None:
        lines = self.lines
        if kind == "LINE":
            self.open.setdefault(layer, []).append(lines.line(entity))
        elif kind == "ARC":
            self.open.setdefault(layer, []).append(lines.arc(entity))
        elif kind == "CIRCLE":
            self.rings.setdefault(layer, []).append(lines.circle(entity))
        elif kind == "ELLIPSE":
            points, closed = lines.ellipse(entity)
            (self.rings if closed else self.open).setdefault(layer, []).append(points)
        elif kind in ("LWPOLYLINE", "POLYLINE"):
            points, closed, width = lines.polyline(entity)
            if width > 0.0:
                self.solid.setdefault(layer, []).append(lines.stroke(points, closed=closed, width=width))
            else:
                (self.rings if closed else self.open).setdefault(layer, []).append(points)
        elif kind in ("SOLID", "TRACE"):
            self.solid.setdefault(layer, []).append(even_odd([lines.solid(entity)]))
        elif kind == "HATCH":
            rings = [ring for parts in lines.hatch(entity) for ring in joined(parts)[0]]
            self.solid.setdefault(layer, []).append(even_odd(rings))
        else:
            self.odd[f"{kind} on layer {quoted(layer)} is not read"] += 1

    def areas(self) -> dict[str, Shape]:
        """Area of each layer that can be closed."""
        found: dict[str, Shape] = {}
        for layer in sorted({*self.rings, *self.open, *self.solid}):
            self.lines.budget.time()
            try:
                area = self._area(layer)
            except DrawingError as error:
                self.notes.append(f"Layer {quoted(layer)} is left out: {error}.")
                continue
            except shapely.errors.GEOSException as error:
                self.notes.append(f"Layer {quoted(layer)} is left out: {str(error)[:100]}.")
                continue
            if not area.is_empty:
                found[layer] = area
        return found

    def _area(self, layer: str) -> Shape:
        rings, tolerance = joined(self.open.get(layer, []))
        if tolerance > 1e-9:
            self.notes.append(f"Ends on layer {quoted(layer)} were joined over up to {tolerance * 1e6:g} um.")
        area = even_odd([*self.rings.get(layer, []), *rings])
        solid = self.solid.get(layer, [])
        if not solid:
            return area
        united: Shape = union_all(np.array([area, *solid]))
        return united

    def all_notes(self) -> list[str]:
        return [*self.notes, *(f"{what} ({count} times)." for what, count in sorted(self.odd.items()))]
