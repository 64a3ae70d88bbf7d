"""Where pins are, from packages and placements; believed only where they fall on copper of their net."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal
from xml.etree.ElementTree import Element  # the type only; defusedxml does the parsing

import numpy as np
import shapely

from returnflow_geometry.fabrication.base.objects import Floats, LayerCopper, NetPoint
from returnflow_geometry.fabrication.ipc2581.areas import children, flag
from returnflow_geometry.fabrication.ipc2581.values import Values

ENOUGH = 0.9  # share of a component's pins that must meet copper of their net


@dataclass(frozen=True, kw_only=True)
class _Pin:
    number: str
    at: tuple[float, float]  # m, in the package
    through: bool


@dataclass(frozen=True, kw_only=True)
class _Component:
    refdes: str
    package: str
    layer: str
    at: tuple[float, float]  # m
    angle: float  # rad
    mirror: bool


class Pins:
    """
    Gathers packages and components of one board.

    Parameters
    ----------
    values : Values
    """

    def __init__(self, values: Values) -> None:
        self.values = values
        self._packages: dict[str, list[_Pin]] = {}
        self._components: list[_Component] = []

    def package(self, element: Element) -> None:
        """Read the pins of a Package."""
        scale = self.values.scaled(None)
        pins = self._packages.setdefault(element.get("name") or "", [])
        for pin in children(element, "Pin"):
            self.values.budget.objects()
            for place in children(pin, "Location"):
                at = (self.values.number(place, "x", scale), self.values.number(place, "y", scale))
                through = (pin.get("type") or "").upper() == "THRU"
                pins.append(_Pin(number=(pin.get("number") or "").strip(), at=at, through=through))

    def component(self, element: Element) -> None:
        """Read the placement of a Component."""
        self.values.budget.objects()
        scale = self.values.scaled(None)
        place = next(children(element, "Location"), None)
        if place is None:
            return
        xform = next(children(element, "Xform"), None)
        angle = 0.0 if xform is None else math.radians(self.values.number(xform, "rotation", absent=0.0))
        self._components.append(
            _Component(
                refdes=(element.get("refDes") or "").strip(),
                package=element.get("packageRef") or "",
                layer=element.get("layerRef") or "",
                at=(self.values.number(place, "x", scale), self.values.number(place, "y", scale)),
                angle=angle,
                mirror=xform is not None and flag(xform, "mirror"),
            )
        )

    def points(self, layers: tuple[LayerCopper, ...], nets: dict[tuple[str, str], str]) -> tuple[NetPoint, ...]:
        """
        Pins with a net, on the outer layer of their component.

        A component is used only if 90 % of its pins lie on copper of their own net; others are counted in a note.
        Whether a mirrored component is mirrored or turned first is settled by that too.

        Parameters
        ----------
        layers : tuple of LayerCopper
            From top to bottom.
        nets : dict
            (component, pin) to net.
        """
        if not layers:
            return ()
        outer = {layer.name: layer for layer in (layers[0], layers[-1])}
        found: list[NetPoint] = []
        for component in self._components:
            self.values.budget.time()
            pins = [pin for pin in self._packages.get(component.package, []) if (component.refdes, pin.number) in nets]
            layer = outer.get(component.layer)
            if not pins or layer is None:
                continue
            self.values.budget.objects(2 * len(pins))
            named = [nets[component.refdes, pin.number] for pin in pins]
            tries = [
                _placed(component, pins, first=first) for first in ((True, False) if component.mirror else (True,))
            ]
            hits = [_hits(places, named, layer) for places in tries]
            best = int(np.argmax([hit.sum() for hit in hits]))
            if hits[best].mean() < ENOUGH:
                self.values.odd["components whose pins do not meet their nets' copper have no pin places"] += 1
                continue
            side: Literal["top", "bottom"] = "top" if layer is layers[0] else "bottom"
            found += [
                NetPoint(
                    net=net,
                    refdes=component.refdes,
                    pin=pin.number,
                    at=(float(x), float(y)),
                    layers="both" if pin.through else side,
                )
                for pin, net, (x, y), hit in zip(pins, named, tries[best], hits[best], strict=True)
                if hit
            ]
        return tuple(found)


def _placed(component: _Component, pins: list[_Pin], *, first: bool) -> Floats:
    """Places of pins on the board, shape (k, 2); `first` mirrors before turning."""
    places = np.array([pin.at for pin in pins])
    cos, sin = math.cos(component.angle), math.sin(component.angle)
    turn = np.array([[cos, sin], [-sin, cos]])
    mirror = np.diag([-1.0, 1.0]) if component.mirror else np.eye(2)
    placed: Floats = places @ (mirror @ turn if first else turn @ mirror) + np.array(component.at)
    return placed


def _hits(places: Floats, nets: list[str], layer: LayerCopper) -> np.ndarray:
    """Which places lie on copper of their net."""
    result = np.zeros(len(places), dtype=bool)
    for k, (place, net) in enumerate(zip(places, nets, strict=True)):
        area = layer.nets.get(net)
        if area is not None:
            shapely.prepare(area)
            result[k] = shapely.intersects_xy(area, *place)
    return result
