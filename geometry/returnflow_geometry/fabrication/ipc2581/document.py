"""IPC-2581 files (revisions A, B and C): stackup, outline, copper, pads and holes of one board, in one pass."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal
from xml.etree.ElementTree import Element, ParseError  # types only; defusedxml does the parsing

import shapely
from defusedxml.ElementTree import iterparse

from returnflow_geometry.fabrication.base.budget import Budget, quoted, shapes_of
from returnflow_geometry.fabrication.base.objects import (
    BoardData,
    Hole,
    LayerCopper,
    Limits,
    StackLayer,
)
from returnflow_geometry.fabrication.ipc2581.areas import areas, children, tag
from returnflow_geometry.fabrication.ipc2581.layer_features import Features
from returnflow_geometry.fabrication.ipc2581.placements import Pins
from returnflow_geometry.fabrication.ipc2581.primitives import Shapes
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import difference

COPPER = frozenset(("CONDUCTOR", "SIGNAL", "PLANE", "MIXED", "CONDFOIL"))
ACROSS = frozenset(("ALL", "BOTH"))  # sides of what is no layer of its own, such as the pads of all holes
ENTRIES = {"EntryStandard": "Standard", "EntryUser": "User", "EntryLineDesc": "Line", "EntryFillDesc": "Fill"}
# Elements kept whole until they end; everything else is dropped as it passes.
WHOLE = frozenset(
    (*ENTRIES, "Layer", "Stackup", "Profile", "PadStackDef", "PadStack", "LogicalNet", "Set", "Package", "Component")
)
PANEL = "an assembly panel (StepRepeat or several Steps); give the file of one board."
FLEX = "a rigid-flex board, whose stack changes from place to place; only one stack for the whole board is read."
REFUSED = {"StepRepeat": PANEL, "StackupZone": FLEX, "BendArea": FLEX}
HEAD = 4096  # bytes looked at to recognise a file


def looks_like_ipc2581(data: bytes) -> bool:
    """
    Whether these bytes look like an IPC-2581 file.

    Examples
    --------
    >>> looks_like_ipc2581(b'<?xml version="1.0"?><IPC-2581 revision="B">')
    True
    """
    head = data[:HEAD].replace(b"\0", b"")  # UTF-16 too
    return re.search(rb"<(?:\w+:)?IPC-2581", head) is not None


def read_ipc2581(data: bytes, file: str, limits: Limits) -> BoardData:
    """
    Read an IPC-2581 file.

    Shapes of a net are united; a negative Set clears what was drawn before it on its layer, of every net. On a negative
    layer the copper is the outline minus what is drawn, and has no net.

    Parameters
    ----------
    data : bytes
    file : str
        Base name, for messages.
    limits : Limits

    Raises
    ------
    FabricationError
        If the file is no IPC-2581, declares a document type, describes a panel or a rigid-flex board, draws copper in a
        way that is not supported, or goes over a limit.
    """
    budget = Budget(file, limits)
    budget.data(data)
    board = _Board(Shapes(budget))
    with shapes_of(file):
        for event, element, ancestors in elements_of(data, budget):
            if event == "start":
                board.start(element, ancestors)
            else:
                board.end(element, ancestors)
        return board.result()


def elements_of(data: bytes, budget: Budget) -> Iterator[tuple[str, Element, list[Element]]]:
    """Start and end of every element with its ancestors; whatever is not kept is dropped from memory."""
    stack: list[Element] = []
    kept = 0  # depth inside an element of WHOLE
    count = 0  # elements of it
    events = _parsed(data, budget)
    for event, element in events:
        if event == "start":
            if len(stack) >= budget.limits.depth:
                budget.fail(f"elements nested more than {budget.limits.depth} deep.")
            if kept or tag(element) in WHOLE:
                kept += 1
                count += 1
                if count > budget.limits.objects:
                    budget.fail(f"one {tag(stack[-1])} holds more than {budget.limits.objects} elements.")
            budget.clock()
            yield event, element, stack
            stack.append(element)
            continue
        stack.pop()
        if kept > 1:
            kept -= 1
            continue
        kept = count = 0
        yield event, element, stack
        if stack:
            stack[-1].remove(element)  # the first child, as all before it are gone


def _parsed(data: bytes, budget: Budget) -> Iterator[tuple[str, Element]]:
    try:
        yield from iterparse(io.BytesIO(data), events=("start", "end"), forbid_dtd=True)
    except (ParseError, LookupError, ValueError) as error:
        # ValueError: document types, entities and odd encodings
        words = str(error)[:120] if isinstance(error, ParseError) else type(error).__name__
        budget.fail(f"no XML that can be read: {words}; document types and entities are refused.")


@dataclass(frozen=True, kw_only=True)
class _LayerInfo:
    """What the list of layers says of one layer."""

    function: str
    side: str
    negative: bool
    span: tuple[str, str] | None = None

    @property
    def kind(self) -> Literal["copper", "dielectric", "other"]:
        if self.function in COPPER and self.side not in ACROSS:
            return "copper"
        return "dielectric" if self.function.startswith("DIEL") else "other"


@dataclass
class _Board:
    """What is known while the file passes."""

    shapes: Shapes
    layers: dict[str, _LayerInfo] = field(default_factory=dict)
    groups: list[tuple[str, list[tuple[str, float | None]]]] = field(default_factory=list)
    outline: Shape | None = None
    steps: int = 0
    stackups: int = 0
    scale_of: float | None = None  # of the dictionary that is open
    root: str = ""
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.features = Features(self.shapes)
        self.pins = Pins(self.shapes)

    def start(self, element: Element, ancestors: list[Element]) -> None:
        name = tag(element)
        if not ancestors:
            self.root = name
            if not name.startswith("IPC-2581"):
                self.shapes.fail(f"the top element is {quoted(name)}; an IPC-2581 file starts with IPC-2581.")
            revision = (element.get("revision") or "").strip().upper()
            if revision[:1] not in ("A", "B", "C"):
                self.notes.append(f"Revision {quoted(revision)} is not one of A, B and C; read all the same.")
        elif name in REFUSED:
            self.shapes.fail(REFUSED[name])
        elif name.startswith("Dictionary"):
            self.scale_of = self.shapes.unit(element) if element.get("units") else None
        elif name == "CadHeader":
            self.shapes.scale = self.shapes.unit(element)
        elif name == "Step":
            self.steps += 1
            if self.steps > 1:
                self.shapes.fail(PANEL)
        elif name == "Stackup":
            self.stackups += 1
            if self.stackups > 1:
                self.shapes.fail(FLEX)

    def end(self, element: Element, ancestors: list[Element]) -> None:
        name = tag(element)
        owner = tag(ancestors[-1]) if ancestors else ""
        if name in ENTRIES:
            self._entry(element, ENTRIES[name])
        elif name == "Layer" and owner == "CadData":
            self._layer(element)
        elif name == "Stackup":
            self._stackup(element)
        elif name == "Profile" and owner == "Step":
            self._profile(element)
        elif name == "PadStackDef":
            self.features.padstacks[element.get("name") or ""] = element
        elif name == "PadStack":
            self.features.padstack(element, {name for name, info in self.layers.items() if info.kind == "copper"})
        elif name == "Package":
            self.pins.package(element)
        elif name == "Component" and owner == "Step":
            self.pins.component(element)
        elif name == "LogicalNet":
            for pin in children(element, "PinRef"):
                self.shapes.budget.objects()
                key = ((pin.get("componentRef") or "").strip(), (pin.get("pin") or "").strip())
                self.features.pin_nets[key] = (element.get("name") or "").strip()
        elif name == "Set" and owner == "LayerFeature":
            self._set(element, ancestors[-1].get("layerRef") or "")

    def _entry(self, element: Element, kind: str) -> None:
        self.shapes.budget.objects()
        key = (kind, element.get("id") or "")
        if key in self.shapes.entries:
            self.shapes.fail(f"the dictionary has two entries {quoted(key[1])}; each has its own id.")
        self.shapes.entries[key] = (element, self.scale_of)

    def _layer(self, element: Element) -> None:
        self.shapes.budget.objects()
        name = element.get("name") or ""
        if next(children(element, "Profile"), None) is not None:
            self.shapes.fail(FLEX)
        if name in self.layers:
            self.shapes.fail(f"two layers are called {quoted(name)}; each has its own name.")
        span = next(((s.get("fromLayer") or "", s.get("toLayer") or "") for s in children(element, "Span")), None)
        self.layers[name] = _LayerInfo(
            function=(element.get("layerFunction") or "").strip().upper(),
            side=(element.get("side") or "").strip().upper(),
            negative=(element.get("polarity") or "POSITIVE").strip().upper() == "NEGATIVE",
            span=span,
        )

    def _stackup(self, element: Element) -> None:
        scale = self.shapes.scaled(None)
        for group in children(element, "StackupGroup"):
            rows: list[tuple[float, str, float | None]] = []
            for layer in children(group, "StackupLayer"):
                self.shapes.budget.objects()
                thickness = self.shapes.number(layer, "thickness", scale, absent=0.0)
                if thickness < 0.0:
                    self.shapes.fail("a StackupLayer has a negative thickness; it is in the units of CadHeader.")
                rows.append(
                    (
                        self.shapes.number(layer, "sequence", absent=float(len(rows))),
                        layer.get("layerOrGroupRef") or "",
                        thickness or None,
                    )
                )
            rows.sort(key=lambda row: row[0])
            self.groups.append((group.get("name") or "", [(name, thickness) for _, name, thickness in rows]))

    def _profile(self, element: Element) -> None:
        scale = self.shapes.scaled(None)
        if self.outline is not None:
            self.shapes.fail("two Profiles; a board has one.")
        outer = [self.shapes.area(ring, scale) for ring in children(element, "Polygon")]
        if not outer:
            self.shapes.fail("the Profile has no Polygon.")
        area = self.shapes.union(outer)
        holes = [self.shapes.area(ring, scale) for ring in children(element, "Cutout")]
        self.outline = areas(difference(area, self.shapes.union(holes))) if holes else area

    def _set(self, element: Element, layer: str) -> None:
        info = self.layers.get(layer)
        if info is None:
            self.shapes.fail(f"a LayerFeature names layer {quoted(layer)}, which is not in the list of layers.")
        self.features.set(element, layer, copper=info.kind == "copper", span=info.span)

    # -- the whole -------------------------------------------------------------------------------------------------

    def result(self) -> BoardData:
        if not self.steps:
            self.shapes.fail("no Step, so no board; the file may be cut off or hold parts lists only.")
        stackup = self._rows()
        order = [layer.name for layer in stackup if layer.kind == "copper"]
        where = "stackup"
        if not order:
            order, where = self._by_list(), "list of layers, as the file has no stackup with copper"
        missing = []
        for name in [name for name in self.features.copper if name not in order]:
            if self._only_drilled(name):
                self.notes.append(f"Layer {quoted(name)} has only pads at holes and no place in the stack: left out.")
            else:
                missing.append(name)
        if missing:
            self.shapes.fail(
                f"copper layer {quoted(missing[0])} is not in the stackup; every copper layer has its place."
            )
        if not order:
            self.shapes.fail("no copper layer; layers of function CONDUCTOR, SIGNAL, PLANE or MIXED are copper.")
        copper = tuple(self._copper(name) for name in order)
        points = self.pins.points(copper, self.features.pin_nets)
        notes = [*self.notes, *(f"{count} times: {what}." for what, count in sorted(self.shapes.odd.items()))]
        if self.outline is None:
            notes.append("The file has no Profile, so the outline of the board is not known.")
        return BoardData(
            files=(self.shapes.budget.file,),
            outline=self.outline,
            layers=copper,
            stackup=tuple(stackup),
            holes=self._holes(order),
            points=points,
            notes=tuple(notes),
            used=((self.shapes.budget.file, "everything (IPC-2581)"),),
            order=where,
        )

    def _only_drilled(self, name: str) -> bool:
        """Whether all that a layer draws has a hole inside, as pads of a drill drawing have."""
        drawn = [shape for _, nets in self.features.copper[name].runs for parts in nets.values() for shape in parts]
        holes = shapely.STRtree([shapely.Point(raw.hole.path[0]) for raw in self.features.holes])
        return len(set(holes.query(drawn, predicate="intersects")[0].tolist())) == len(drawn)

    def _copper(self, name: str) -> LayerCopper:
        info = self.layers[name]
        if info.negative:
            self.notes.append(
                f"Layer {quoted(name)} is negative: copper is the outline minus what is drawn, without nets."
            )
        return self.features.layer(name, negative=info.negative, outline=self.outline)

    def _rows(self) -> list[StackLayer]:
        """Rows of all groups from top to bottom; a row may stand for a whole group."""
        named = dict(self.groups)
        inner = {name for _, rows in self.groups for name, _ in rows if name in named and name not in self.layers}
        found: list[StackLayer] = []

        def walk(rows: list[tuple[str, float | None]], depth: int) -> None:
            if depth > self.shapes.budget.limits.depth:
                self.shapes.fail("groups of the stackup name each other in a circle.")
            for name, thickness in rows:
                self.shapes.budget.objects()
                if name in self.layers:
                    found.append(StackLayer(name=name, kind=self.layers[name].kind, thickness=thickness))
                elif name in named:
                    walk(named[name], depth + 1)
                else:
                    self.shapes.fail(f"the stackup names {quoted(name)}, which is neither a layer nor a group.")

        for name, rows in self.groups:
            if name not in inner:
                walk(rows, 0)
        twice = [name for name, count in Counter(layer.name for layer in found).items() if count > 1]
        if twice:
            self.shapes.fail(f"the stackup names layer {quoted(twice[0])} twice.")
        return found

    def _by_list(self) -> list[str]:
        place = {"TOP": 0, "BOTTOM": 2}
        copper = [name for name, info in self.layers.items() if info.kind == "copper"]
        return sorted(copper, key=lambda name: place.get(self.layers[name].side, 1))

    def _holes(self, order: list[str]) -> tuple[Hole, ...]:
        found = []
        for raw in self.features.holes:
            span = None
            if raw.span is not None and all(name in order for name in raw.span):
                first, last = sorted(order.index(name) + 1 for name in raw.span)
                span = (first, last)
            found.append(replace(raw.hole, span=span))
        return tuple(found)
