"""
Route an invented board on a grid, and write it as image, drill and job files, a parts list and a placement file.

Layers 1, 3 and 6 of six carry tracks; pours keep clear of what is not theirs. Places lie on a grid of 0.6 mm.
"""

from __future__ import annotations

import csv
import heapq
import io
import itertools
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import shapely

PITCH, TRACK, VIA, DRILL, CLEAR = 0.6, 0.2, 0.5, 0.25, 0.18
LAYERS, ROUTED = 6, (1, 3, 6)
STACK = (0.035, 0.21, 0.0175, 0.2, 0.0175, 0.7, 0.0175, 0.2, 0.0175, 0.21, 0.035)
VIA_COST = 9  # steps that a change of layer is worth
Node = tuple[int, int]
Place = tuple[int, int, int]  # layer, and node


@dataclass
class Part:
    """A part with its pins: name, node, net, and whether it is soldered into a hole."""

    name: str
    value: str
    said: str
    at: Node
    pins: list[tuple[str, Node, str, bool]]


@dataclass
class Board:
    """Copper on a grid: which net has which node on each layer, tracks, vias and parts."""

    width: float
    height: float
    parts: list[Part] = field(default_factory=list)
    vias: list[tuple[Node, str]] = field(default_factory=list)
    tracks: list[tuple[int, str, Node, Node]] = field(default_factory=list)
    pours: list[tuple[int, str, list[tuple[float, float]]]] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.size = (round(self.width / PITCH) + 1, round(self.height / PITCH) + 1)
        self.nets: list[str] = [""]
        self.taken = np.zeros((LAYERS + 1, *self.size), dtype=int)  # number of the net, 0 free, -1 shut
        self.taken[:, [0, 1, -2, -1], :] = self.taken[:, :, [0, 1, -2, -1]] = -1
        self.no_via = np.zeros(self.size, dtype=bool)

    def number(self, net: str) -> int:
        """Number of a net."""
        if net not in self.nets:
            self.nets.append(net)
        return self.nets.index(net)

    def free(self, nodes: Iterable[Node], layers: tuple[int, ...] = ROUTED) -> bool:
        """Whether nodes are free on layers."""
        return all(
            0 <= i < self.size[0] and 0 <= j < self.size[1] and not self.taken[list(layers), i, j].any()
            for i, j in nodes
        )

    def chip(self, name: str, value: str, said: str, at: Node, nets: list[str], span: int = 8) -> None:
        """Part with two columns of pins, numbered round: down on the left, up on the right."""
        half = len(nets) // 2
        left = [(at[0] - span // 2, at[1] + half - 1 - 2 * k) for k in range(half)]
        right = [(at[0] + span // 2, at[1] + half - 1 - 2 * k) for k in range(half)][::-1]
        self._part(name, value, said, at, [(str(k + 1), p, nets[k], False) for k, p in enumerate([*left, *right])])

    def plug(self, name: str, value: str, said: str, at: Node, nets: list[str], step: Node) -> None:
        """Connector with pins through the board."""
        pins = [(str(k + 1), (at[0] + k * step[0], at[1] + k * step[1]), net, True) for k, net in enumerate(nets)]
        self._part(name, value, said, at, pins)

    def chip_of_two(self, name: str, value: str, said: str, near: Node, nets: tuple[str, str]) -> None:
        """Small part of two pins, in the nearest place where it has room."""
        for far in range(4, 60):
            ring = [(i, j) for i in range(-far, far + 1) for j in range(-far, far + 1) if max(abs(i), abs(j)) == far]
            for i, j in sorted(ring, key=lambda p: (math.hypot(*p), p)):
                a, b = (near[0] + i, near[1] + j), (near[0] + i + 2, near[1] + j)
                if self.free([(a[0] + k, a[1] + m) for k in range(-2, 5) for m in (-2, -1, 0, 1, 2)]):
                    pins = [("1", a, nets[0], False), ("2", b, nets[1], False)]
                    self._part(name, value, said, (a[0] + 1, a[1]), pins)
                    return
        self.failed.append(f"no room for {name}")

    def _part(self, name: str, value: str, said: str, at: Node, pins: list[tuple[str, Node, str, bool]]) -> None:
        self.parts.append(Part(name, value, said, at, pins))
        for _, (i, j), net, through in pins:
            layers, reach = (ROUTED, 1) if through else ((1,), 0)
            for layer in layers:
                self.taken[layer, i - reach : i + reach + 1, j - reach : j + reach + 1] = self.number(net)
            if through:  # room for the spokes of a pin in its own plane
                arms = [(i + 2, j), (i - 2, j), (i, j + 2), (i, j - 2)]
                for x, y in arms:
                    if 0 <= x < self.size[0] and 0 <= y < self.size[1]:
                        self.taken[:, x, y] = self.number(net)
            ring = 2 if through else 1
            self.no_via[i - ring : i + ring + 1, j - ring : j + ring + 1] = True

    def via(self, at: Node, net: str) -> None:
        """Plated hole through all layers."""
        self.vias.append((at, net))
        self.taken[list(ROUTED), at[0], at[1]] = self.number(net)
        self.no_via[at[0] - 1 : at[0] + 2, at[1] - 1 : at[1] + 2] = True

    def can_via(self, at: Node) -> bool:
        """Whether a via has room."""
        return not self.no_via[at] and self.free([at])

    def drop(self, at: Node, net: str) -> None:
        """Via of a plane beside a pad, with a track to it."""
        goals = {(1, i, j) for i in range(at[0] - 9, at[0] + 10) for j in range(at[1] - 9, at[1] + 10)
                 if self.can_via((i, j))}  # fmt: skip
        way = self._way({(1, *at)}, goals, self.number(net), layers=(1,))
        if not way:
            self.failed.append(f"no via for {net} at {at}")
            return
        self._lay(way, net)
        self.via(way[-1][1:], net)

    def join(self, net: str, start: Node, ends: Iterable[Node]) -> None:
        """Track from a pin to others of its net, each joined to what there is."""
        number = self.number(net)
        reached = {(layer, *start) for layer in ROUTED if self.taken[layer, start[0], start[1]] == number}
        for end in ends:
            goals = {(layer, *end) for layer in ROUTED if self.taken[layer, end[0], end[1]] == number}
            way = self._way(reached, goals, number)
            if not way:
                self.failed.append(f"no way for {net} from {start} to {end}")
                continue
            self._lay(way, net)
            for one, other in itertools.pairwise(way):
                if one[0] != other[0] and all(at != one[1:] for at, _ in self.vias):
                    self.via(one[1:], net)
            reached |= set(way)

    def _lay(self, way: list[Place], net: str) -> None:
        turns = [way[0]]
        for a, b, c in zip(way, way[1:], way[2:], strict=False):
            if (b[0] - a[0], b[1] - a[1], b[2] - a[2]) != (c[0] - b[0], c[1] - b[1], c[2] - b[2]):
                turns.append(b)
        for one, other in itertools.pairwise([*turns, way[-1]]):
            if one[0] == other[0] and one != other:
                self.tracks.append((one[0], net, one[1:], other[1:]))
        for layer, i, j in way:
            self.taken[layer, i, j] = self.number(net)

    def _way(self, starts: set[Place], goals: set[Place], number: int, layers: tuple[int, ...] = ROUTED) -> list[Place]:
        """Cheapest way on the grid; empty if there is none."""
        if not goals:
            return []
        ends = np.array([goal[1:] for goal in goals])
        (x0, y0), (x1, y1) = ends.min(axis=0).tolist(), ends.max(axis=0).tolist()

        def left(at: Place) -> int:
            return max(x0 - at[1], 0, at[1] - x1) + max(y0 - at[2], 0, at[2] - y1)

        cost, came = dict.fromkeys(sorted(starts), 0), dict[Place, Place]()
        todo = [(left(at), at) for at in sorted(starts)]
        heapq.heapify(todo)
        own = {at for at, net in self.vias if self.number(net) == number}
        while todo:
            _, at = heapq.heappop(todo)
            if at in goals:
                way = [at]
                while at in came:
                    at = came[at]
                    way.append(at)
                return way[::-1]
            layer, i, j = at
            steps = [((layer, i + 1, j), 1), ((layer, i - 1, j), 1), ((layer, i, j + 1), 1), ((layer, i, j - 1), 1)]
            if len(layers) > 1 and (self.can_via((i, j)) or (i, j) in own):
                steps += [((other, i, j), VIA_COST) for other in layers if other != layer]
            for other, more in steps:
                if self.taken[other] in (0, number) and cost[at] + more < cost.get(other, 1 << 30):
                    cost[other], came[other] = cost[at] + more, at
                    heapq.heappush(todo, (cost[other] + left(other), other))
        return []

    # --- files ------------------------------------------------------------------------------------------------

    def files(self, name: str) -> dict[str, str]:
        """All files by name."""
        functions = {
            f"{name}-L{k}.gbr": f"Copper,L{k},{'Top' if k == 1 else 'Bot' if k == LAYERS else 'Inr'}"
            for k in range(1, LAYERS + 1)
        }
        texts = {file: self._image(k, functions[file]) for k, file in enumerate(functions, start=1)}
        functions[f"{name}-outline.gbr"] = "Profile,NP"
        texts[f"{name}-outline.gbr"] = self._outline()
        texts[f"{name}-PTH.drl"] = self._drill()
        texts[f"{name}-job.gbrjob"] = self._job(functions)
        rows = [(part.name, part.value, part.said) for part in self.parts]
        texts[f"{name}-parts.csv"] = _table(("Reference", "Value", "Description"), rows)
        spots = [(part.name, *(f"{PITCH * v:.3f}" for v in part.at), "0", "top") for part in self.parts]
        texts[f"{name}-placement.csv"] = _table(("Ref", "PosX", "PosY", "Rot", "Side"), spots)
        return texts

    def _image(self, layer: int, function: str) -> str:
        lines = [f"%TF.FileFunction,{function}*%", "%TF.FilePolarity,Positive*%", "%FSLAX46Y46*%", "%MOMM*%", "G01*"]
        sizes = {10: TRACK, 11: VIA, 12: 1.6, 13: 0.5}
        lines += [f"%ADD{code}C,{size:.3f}*%" for code, size in sizes.items()]
        lines += [f"%ADD{code + 10}C,{size + 2 * CLEAR:.3f}*%" for code, size in sizes.items()]
        lines += [f"%ADD30R,0.500X0.700*%%ADD31R,{0.5 + 2 * CLEAR:.3f}X{0.7 + 2 * CLEAR:.3f}*%", "%ADD32C,2.2*%"]
        pours = [(net, shapely.Polygon(path), path) for number, net, path in self.pours if number == layer]
        for net, _, path in pours:
            lines += [f"%TO.N,{net}*%", "G36*", f"{_at(path[0])}D02*"]
            lines += [f"{_at(point)}D01*" for point in [*path[1:], path[0]]] + ["G37*"]
        lines += ["%TD*%", "%LPC*%"]
        drawn = self._drawn(layer)
        areas = [(net, area.buffer(0.3)) for net, area, _ in pours]
        for code, net, pin, points in drawn:
            line = shapely.LineString(points) if len(points) > 1 else shapely.Point(points[0])
            if any(other != net and area.intersects(line) for other, area in areas):
                lines += [f"D{code + 10 if code < 30 else 31}*", *_stroke(points)]
            elif code == 12 and pin:  # a pin in its own plane: four spokes
                lines += ["D32*", *_stroke(points)]
        lines.append("%LPD*%")
        for code, net, pin, points in drawn:
            lines.append(f"%TO.N,{net}*%")
            if code == 12 and any(other == net and area.intersects(shapely.Point(points[0])) for other, area in areas):
                (x, y), spoke = points[0], 1.3
                lines += [
                    "D13*",
                    *_stroke([(x - spoke, y), (x + spoke, y)]),
                    *_stroke([(x, y - spoke), (x, y + spoke)]),
                ]
            named = pin if layer in (1, LAYERS) else ""
            lines += [f"%TO.P,{named.replace('.', ',')}*%"] if named else []
            lines += [f"D{code}*", *_stroke(points), *(["%TD.P*%"] if named else [])]
        return "\n".join([*lines, "M02*", ""])

    def _drawn(self, layer: int) -> list[tuple[int, str, str, list[tuple[float, float]]]]:
        """Aperture, net, pin and points of what a layer draws beside its pours."""
        found = [(10, net, "", [_mm(a), _mm(b)]) for number, net, a, b in self.tracks if number == layer]
        found += [(11, net, "", [_mm(at)]) for at, net in self.vias]
        for part in self.parts:
            for pin, at, net, through in part.pins:
                if through:
                    found.append((12, net, f"{part.name}.{pin}", [_mm(at)]))
                elif layer == 1:
                    found.append((30, net, f"{part.name}.{pin}", [_mm(at)]))
        return found

    def _outline(self) -> str:
        corners = [(0.0, 0.0), (self.width, 0.0), (self.width, self.height), (0.0, self.height)]
        lines = ["%TF.FileFunction,Profile,NP*%", "%FSLAX46Y46*%", "%MOMM*%", "%ADD10C,0.1*%", "D10*", "G01*"]
        return "\n".join([*lines, *_stroke([*corners, corners[0]]), "M02*", ""])

    def _drill(self) -> str:
        holes = [at for part in self.parts for _, at, _, through in part.pins if through]
        lines = ["M48", f"; #@! TF.FileFunction,Plated,1,{LAYERS},PTH", "METRIC", f"T01C{DRILL}", "T02C1.0", "%", "G05"]
        for tool, places in (("T01", [at for at, _ in self.vias]), ("T02", holes)):
            lines += [tool, *("X{:.4f}Y{:.4f}".format(*_mm(at)) for at in places)]
        return "\n".join([*lines, "M30", ""])

    def _job(self, functions: dict[str, str]) -> str:
        files = [{"Path": path, "FileFunction": what} for path, what in functions.items()]
        stack = [{"Type": "Dielectric" if k % 2 else "Copper", "Thickness": t} for k, t in enumerate(STACK)]
        size = {"Size": {"X": self.width, "Y": self.height}, "LayerNumber": LAYERS, "BoardThickness": sum(STACK)}
        head = {"CreationDate": "2026-01-01T00:00:00+00:00"}
        content = {"Header": head, "GeneralSpecs": size, "FilesAttributes": files, "MaterialStackup": stack}
        return json.dumps(content, indent=1) + "\n"


def _mm(at: Node) -> tuple[float, float]:
    return (round(at[0] * PITCH, 4), round(at[1] * PITCH, 4))


def _at(point: tuple[float, float]) -> str:
    return f"X{round(point[0] * 1e6)}Y{round(point[1] * 1e6)}"


def _stroke(points: list[tuple[float, float]]) -> list[str]:
    if len(points) == 1:
        return [f"{_at(points[0])}D03*"]
    return [f"{_at(points[0])}D02*", *(f"{_at(point)}D01*" for point in points[1:])]


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([head, *rows])
    return text.getvalue()
