"""IPC-2581 sets to copper: what each layer feature draws, in order, and the holes between the layers."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element  # the type only; defusedxml does the parsing

import numpy as np

from returnflow_geometry.fabrication.base.budget import quoted
from returnflow_geometry.fabrication.base.objects import Floats, Hole, LayerCopper, Pad, Plating
from returnflow_geometry.fabrication.ipc2581.areas import EMPTY, areas, children, stadium, tag
from returnflow_geometry.fabrication.ipc2581.primitives import Shapes
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.overlay import difference

# Children of a Set that draw nothing.
SILENT = {"NonstandardAttribute", "LineDesc", "LineDescRef", "FillDesc", "FillDescRef", "SpecRef", "ColorRef", "Color"}
SILENT |= {"ColorTerm", "Hole", "SlotCavity", "Span"}
FIDUCIALS = frozenset(("Fiducial", "GlobalFiducial", "LocalFiducial", "BadBoardMark", "GoodPanelMark", "TestPad"))
PLATINGS: dict[str, Plating] = {
    "PLATED": "plated",
    "VIA": "plated",
    "VIA_CAPPED": "plated",
    "NONPLATED": "unplated",
}


@dataclass(kw_only=True)
class DrawnCopper:
    """What one copper layer draws, in the order of the file: runs of one polarity, each net to its shapes."""

    runs: list[tuple[bool, dict[str, list[Shape]]]] = field(default_factory=list)
    pads: list[Pad] = field(default_factory=list)
    strokes: list[tuple[Floats, float]] = field(default_factory=list)

    def add(self, dark: bool, net: str, shape: Shape) -> None:
        """Draw (dark) or clear a shape."""
        if not self.runs or self.runs[-1][0] != dark:
            self.runs.append((dark, {}))
        self.runs[-1][1].setdefault(net, []).append(shape)

    def nets(self, shapes: Shapes) -> dict[str, Shape]:
        """Areas per net: shapes of a net are united, what is cleared is taken from every net drawn before."""
        found: dict[str, Shape] = {}
        for dark, drawn in self.runs:
            if dark:
                for net, parts in drawn.items():
                    found[net] = shapes.union([found[net], *parts] if net in found else parts)
            else:
                cleared = shapes.union([part for parts in drawn.values() for part in parts])
                for net, area in found.items():
                    shapes.budget.time()
                    found[net] = areas(difference(area, cleared))
        return {net: area for net, area in found.items() if not area.is_empty}


@dataclass(frozen=True, kw_only=True)
class RawHole:
    """A hole before the order of the layers is known: its span in layer names, None for all."""

    hole: Hole
    span: tuple[str, str] | None


class Features:
    """
    Gathers the sets of all layers of one board.

    Parameters
    ----------
    shapes : Shapes
    """

    def __init__(self, shapes: Shapes) -> None:
        self.shapes = shapes
        self.copper: dict[str, DrawnCopper] = {}
        self.holes: list[RawHole] = []
        self.pin_nets: dict[tuple[str, str], str] = {}
        self.padstacks: dict[str, Element] = {}

    def set(self, element: Element, layer: str, *, copper: bool, span: tuple[str, str] | None) -> None:
        """Read one Set of a layer."""
        self.shapes.budget.objects()
        scale = self.shapes.scaled(None)
        net = (element.get("net") or "").strip()
        for child in children(element, "Hole"):
            self.hole(child, net, span, scale)
        for child in children(element, "SlotCavity"):
            self.slot(child, net, span, scale)
        if not copper:
            return
        polarity = (element.get("polarity") or "POSITIVE").upper()
        if polarity not in ("POSITIVE", "NEGATIVE"):
            self.shapes.fail(f"a Set of layer {quoted(layer)} has polarity {quoted(polarity)}; POSITIVE or NEGATIVE.")
        dark = polarity == "POSITIVE"
        drawn = self.copper.setdefault(layer, DrawnCopper())
        for child in element:
            name = tag(child)
            self.shapes.budget.objects()
            if name == "Pad":
                self.pad(child, element, layer, drawn, dark)
            elif name == "Features":
                with self.shapes.drawn_with(element, scale):
                    self.features(child, net, drawn, dark)
            elif name in FIDUCIALS:
                shape = self.shapes.first(child, scale)
                for _, area in self.shapes.placed(child, EMPTY if shape is None else shape, scale):
                    drawn.add(dark, net, area)
            elif name == "NetShort":
                self.shapes.odd["intended shorts between nets are declared (NetShort)"] += 1
            elif name not in SILENT:
                self.shapes.fail(
                    f"{quoted(name)} on copper layer {quoted(layer)} is not supported; write it as Features."
                )

    def features(self, element: Element, net: str, drawn: DrawnCopper, dark: bool) -> None:
        """Draw the shapes of a Features element, at each of its places."""
        scale = self.shapes.scaled(None)
        texts = sum(tag(inner) == "Text" for inner in element.iter())
        if texts and (net or not dark):
            self.shapes.fail("a text on a copper layer has a net or is cleared from copper; write it as Contours.")
        self.shapes.strokes.clear()
        shape = self.shapes.first(element, scale)
        for at, area in self.shapes.placed(element, EMPTY if shape is None else shape, scale):
            if not area.is_empty:
                drawn.add(dark, net, area)
            drawn.strokes += [(line + np.array(at), width) for line, width in self.shapes.strokes if dark]

    def pad(self, element: Element, owner: Element, layer: str, drawn: DrawnCopper, dark: bool) -> None:
        """Draw a Pad; with a PinRef it becomes the pad of that pin."""
        scale = self.shapes.scaled(None)
        net = (owner.get("net") or "").strip()
        shape = self.shapes.first(element, scale)
        if shape is None:
            shape = self._from_padstack(element.get("padstackDefRef") or "", layer, scale)
        pins = [
            ((pin.get("componentRef") or owner.get("componentRef") or "").strip(), (pin.get("pin") or "").strip())
            for pin in children(element, "PinRef")
        ]
        named = [pin for pin in pins if pin in self.pin_nets]
        if not net and named:
            net = self.pin_nets[named[0]]
        for at, area in self.shapes.placed(element, shape, scale):
            drawn.add(dark, net, area)
            if dark:
                drawn.pads += [
                    Pad(refdes=refdes, pin=pin, function="", net=net, at=at, shape=area) for refdes, pin in pins
                ]

    def _from_padstack(self, name: str, layer: str, scale: float) -> Shape:
        found = self.padstacks.get(name)
        for pad in () if found is None else children(found, "PadstackPadDef"):
            if pad.get("layerRef") == layer and (pad.get("padUse") or "REGULAR").upper() == "REGULAR":
                shape = self.shapes.first(pad, scale)
                if shape is not None:
                    return self.shapes.placed(pad, shape, scale)[0][1]
        return self.shapes.fail(
            f"a Pad on layer {quoted(layer)} has no shape, nor has its PadStackDef {quoted(name)} there."
        )

    def padstack(self, element: Element, coppers: Collection[str]) -> None:
        """Read a PadStack of revision A: the pads and the hole of one net, layer by layer."""
        scale = self.shapes.scaled(None)
        for pad in children(element, "LayerPad"):
            layer = pad.get("layerRef") or ""
            if layer in coppers:  # masks and layers of holes have pads too
                self.pad(pad, element, layer, self.copper.setdefault(layer, DrawnCopper()), True)
        for hole in children(element, "LayerHole"):
            self.hole(hole, (element.get("net") or "").strip(), None, scale)

    def hole(self, element: Element, net: str, span: tuple[str, str] | None, scale: float) -> None:
        """Read a round hole."""
        self.shapes.budget.objects()
        if (element.get("type") or "CIRCLE").upper() != "CIRCLE":
            self.shapes.odd["holes that are not round are left out"] += 1
            return
        places = [element] if element.get("x") is not None else list(children(element, "Location"))
        for place in places:
            at = [self.shapes.number(place, "x", scale), self.shapes.number(place, "y", scale)]
            self._keep(np.array([at]), self.shapes.size(element, "diameter", scale), element, net, span)

    def slot(self, element: Element, net: str, span: tuple[str, str] | None, scale: float) -> None:
        """Read a slot: a stroke as it is drawn, any other shape if it is one of constant width with round ends."""
        self.shapes.budget.objects()
        lines = list(children(element, "Polyline"))
        moving = next(children(element, "Xform", "Location"), None) is not None
        pen = self.shapes.pen(lines[0], scale) if len(lines) == 1 and not moving else None
        if pen is not None and pen[0] > 0.0:
            self._keep(self.shapes.points(lines[0], scale), pen[0], element, net, span)
            return
        # The outline of a slot has a line of no width, and is meant as the area it encloses.
        parts = [
            self.shapes.area(ring, scale)
            for outline in children(element, "Outline")
            for ring in children(outline, "Polygon")
        ]
        shape = self.shapes.union(parts) if parts else self.shapes.first(element, scale)
        for _, area in self.shapes.placed(element, EMPTY if shape is None else shape, scale):
            found = stadium(area)
            if found is None:
                self.shapes.odd["cavities that are not slots of constant width are left out"] += 1
            else:
                self._keep(found[0], found[1], element, net, span)

    def _keep(self, path: Floats, diameter: float, element: Element, net: str, span: tuple[str, str] | None) -> None:
        status = (element.get("platingStatus") or "").upper()
        for own in children(element, "Span"):
            span = (own.get("fromLayer") or "", own.get("toLayer") or "")
        hole = Hole(path=path, diameter=diameter, plating=PLATINGS.get(status, "unknown"), net=net)
        self.holes.append(RawHole(hole=hole, span=span))

    def layer(self, name: str, *, negative: bool, outline: Shape | None) -> LayerCopper:
        """Copper of one layer, after everything is drawn."""
        drawn = self.copper.get(name, DrawnCopper())
        nets = drawn.nets(self.shapes)
        if not negative:
            return LayerCopper(name=name, nets=nets, pads=tuple(drawn.pads), strokes=tuple(drawn.strokes))
        if outline is None:
            self.shapes.fail(f"layer {quoted(name)} is negative, and there is no Profile to take its openings from.")
        open_ = self.shapes.union(list(nets.values())) if nets else EMPTY
        copper = areas(difference(outline, open_))
        return LayerCopper(name=name, nets={} if copper.is_empty else {"": copper})
