"""Draw a board part by part, in millimetres, and get what fabrication files would say about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import shapely

from returnflow_geometry.fabrication.base.objects import BoardData, Hole, LayerCopper, Pad, StackLayer
from returnflow_geometry.model import shapes
from returnflow_geometry.model.board import GRID, Shape

MM = 1e-3
STACK = (0.035, 0.2, 0.035, 1.1, 0.035, 0.2, 0.035)  # mm: copper, dielectric, copper, ... of four layers


@dataclass
class Draft:
    """
    A board being drawn. All arguments are in mm.

    Pours keep `clearance` from the pads, tracks and holes of other nets; pours of different nets are drawn as they
    are, so that two of them may touch or overlap: that is a net tie.
    """

    width: float
    height: float
    stack: tuple[float, ...] = STACK
    clearance: float = 0.2
    pours: list[tuple[int, str, Shape]] = field(default_factory=list)
    drawn: list[tuple[int, str, Shape]] = field(default_factory=list)
    pads: list[tuple[int, Pad]] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)

    @property
    def count(self) -> int:
        """Number of copper layers."""
        return (len(self.stack) + 1) // 2

    @property
    def outline(self) -> Shape:
        """Border of the board, in metres."""
        return shapes.rectangle(0, 0, self.width * MM, self.height * MM)

    def pour(self, layer: int, net: str, shape: Shape | tuple[float, float, float, float]) -> None:
        """Copper plane on a layer, counted from 1: a rectangle (x0, y0, x1, y1) in mm, or a shape in metres."""
        area = shapes.rectangle(*(v * MM for v in shape)) if isinstance(shape, tuple) else shape
        self.pours.append((layer, net, area))

    def track(self, layer: int, net: str, path: list[tuple[float, float]], width: float) -> None:
        """Draw a track with square ends."""
        self._draw(layer, net, shapes.slot([(x * MM, y * MM) for x, y in path], width * MM))

    def pad(self, name: str, net: str, layer: int, at: tuple[float, float], size: tuple[float, float]) -> None:
        """Surface-mount pad of the pin `refdes.pin`."""
        x, y, w, h = at[0] * MM, at[1] * MM, size[0] * MM / 2, size[1] * MM / 2
        self._pad(name, net, layer, (x, y), shapes.rectangle(x - w, y - h, x + w, y + h))

    def via(
        self,
        net: str,
        at: tuple[float, float],
        *,
        drill: float = 0.3,
        pad: float = 0.6,
        name: str = "",
        span: tuple[int, int] | None = None,
        layers: tuple[int, ...] | None = None,
    ) -> None:
        """Plated hole with round pads on `layers` (all by default); with a name it is a pin's."""
        x, y = at[0] * MM, at[1] * MM
        refdes, _, pin = name.rpartition(".")
        self.holes.append(
            Hole(
                path=np.array([[x, y]]),
                diameter=drill * MM,
                plating="plated",
                span=span,
                net=net,
                refdes=refdes,
                pin=pin,
            )
        )
        first, last = span or (1, self.count)
        for layer in range(first, last + 1) if layers is None else layers:
            ring = shapes.circle(x, y, pad * MM, corners=32)
            self._draw(layer, net, ring)
            if name and layer in {1, self.count}:
                self._pad(name, net, layer, (x, y), ring)

    def hole(
        self,
        at: tuple[float, float],
        diameter: float,
        *,
        to: tuple[float, float] | None = None,
        plating: Literal["plated", "unplated"] = "unplated",
    ) -> None:
        """Hole without pads, or a slot from `at` to `to`."""
        ends = [at] if to is None else [at, to]
        self.holes.append(Hole(path=np.array(ends) * MM, diameter=diameter * MM, plating=plating))

    def data(self) -> BoardData:
        """Everything drawn, as the readers of fabrication files would hand it out."""
        names = [f"L{k}" for k in range(1, self.count + 1)]
        stackup = [
            StackLayer(name=names[k // 2], kind="copper", thickness=thickness * MM)
            if k % 2 == 0
            else StackLayer(name=f"D{k // 2 + 1}", kind="dielectric", thickness=thickness * MM)
            for k, thickness in enumerate(self.stack)
        ]
        return BoardData(
            files=("drawn",),
            outline=self.outline,
            layers=tuple(self._layer(k, name) for k, name in enumerate(names, start=1)),
            stackup=tuple(stackup),
            holes=tuple(self.holes),
        )

    def _draw(self, layer: int, net: str, shape: Shape) -> Shape:
        on_grid = _on_grid(shape)
        self.drawn.append((layer, net, on_grid))
        return on_grid

    def _pad(self, name: str, net: str, layer: int, at: tuple[float, float], shape: Shape) -> None:
        refdes, _, pin = name.rpartition(".")
        own = self._draw(layer, net, shape)
        self.pads.append((layer, Pad(refdes=refdes, pin=pin, function="", net=net, at=at, shape=own)))

    def _layer(self, number: int, name: str) -> LayerCopper:
        pours = [(net, shape) for layer, net, shape in self.pours if layer == number]
        fixed: dict[str, list[Shape]] = {}
        for layer, net, shape in self.drawn:
            if layer == number:
                fixed.setdefault(net, []).append(shape)
        united = {net: shapely.union_all(parts) for net, parts in fixed.items()}
        holes = [(hole.net, _bore(hole)) for hole in self.holes if _passes(hole, number)]
        nets: dict[str, list[Shape]] = {net: [shape] for net, shape in united.items()}
        for net in dict.fromkeys(net for net, _ in pours):
            area = shapely.union_all([shape for other, shape in pours if other == net])
            foreign = [shape for other, shape in united.items() if other != net]
            foreign += [shape for other, shape in holes if other != net]
            if foreign:
                keep_out = shapely.buffer(shapely.union_all(foreign), self.clearance * MM, quad_segs=4)
                area = shapely.difference(area, keep_out)
            nets.setdefault(net, []).append(area)
        merged = {net: shapely.union_all(parts, grid_size=GRID) for net, parts in nets.items()}
        pads = tuple(pad for layer, pad in self.pads if layer == number)
        return LayerCopper(name=name, nets={net: area for net, area in merged.items() if not area.is_empty}, pads=pads)


def _on_grid(shape: Shape) -> Shape:
    """Shape with its corners in steps of 1 nm, as files give them."""
    return shapely.transform(shape, lambda points: np.round(points / GRID) * GRID)


def _bore(hole: Hole) -> Shape:
    if len(hole.path) == 1:
        return shapes.circle(*map(float, hole.path[0]), hole.diameter)
    return shapely.LineString(hole.path).buffer(hole.diameter / 2)


def _passes(hole: Hole, layer: int) -> bool:
    return hole.span is None or hole.span[0] <= layer <= hole.span[1]
