"""Ways of signals on the board as it is drawn: from pin to pin along the strokes of a net, through vias and parts."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Point, STRtree

from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError
from returnflow_geometry.fabrication.copper.connectivity import Connectivity, axis, reaches
from returnflow_geometry.fabrication.copper.pins import Pin, find_pin, parts_of
from returnflow_geometry.model.board import Outgoing
from returnflow_geometry.model.numbers import MM, mm, place
from returnflow_geometry.model.wording import count, listed

RING = 0.15e-3  # m: what is drawn this near to a hole of its net ends in its pad; common practice, no source
TOUCH = 1e-6  # m: strokes this near are joined beyond what their widths say
MAX_SEGMENTS = 50_000  # of one net
WIDTH = 0.2e-3  # m: of strokes whose aperture is not round

Node = tuple[int, float, float]  # layer from 0, and place in metres
Spot = tuple[float, float]


@dataclass(frozen=True)
class Hop:
    """One net of a way: from the pins of one part to those of the next."""

    net: str
    starts: tuple[Pin, ...]
    ends: tuple[Pin, ...]


@dataclass(frozen=True)
class Way:
    """
    What was found: legs in order, the layers of the pads at both ends, and the stations in words.

    `jumps` are the numbers of legs that no track draws, as the signal passes through a part there.
    """

    legs: tuple[Outgoing, ...]
    jumps: frozenset[int]
    layers: tuple[str, str]
    said: str


def find_way(
    data: BoardData,
    connectivity: Connectivity,
    pins: Mapping[str, Pin],
    ends: tuple[Pin, Pin],
    *,
    through: Sequence[str] = (),
    signals: tuple[str, str] | None = None,
) -> Way:
    """
    Find the outgoing conductor of a loop.

    Parameters
    ----------
    data, connectivity
    pins : mapping of str to Pin
        All pins of the board.
    ends : (Pin, Pin)
        Where the loop's return current leaves the copper, and where it enters: the way goes from the first one's part
        to the other's.
    through : sequence of str
        Series parts on the way, in this order.
    signals : (str, str), optional
        The pins where the way begins and ends, where their parts alone do not tell.

    Raises
    ------
    FabricationError
        With the reason why there is no way, and what to do.
    """
    file = data.origin
    first, last = (find_pin(dict(pins), name, file) for name in signals) if signals else (None, None)
    legs: list[Outgoing] = []
    jumps: set[int] = set()
    said: list[str] = []
    ends_on: list[str] = []
    names = [layer.name for layer in data.layers]
    for hop in _hops(pins, ends, through, (first, last), file):
        nodes, widths, start, end = _trace(data, connectivity, hop, file)
        found = _legs(nodes, widths, names)
        if legs and found and legs[-1].path[-1] != found[0].path[0]:  # through the part
            jumps.add(len(legs))
            legs.append(
                Outgoing(layer=found[0].layer, path=(legs[-1].path[-1], found[0].path[0]), width=legs[-1].width)
            )
        legs += found
        said.append(f"{start.name} to {end.name}")
        ends_on += [names[nodes[0][0]], names[nodes[-1][0]]]
    route = Outgoing.chain(legs)
    long: dict[str, float] = {}
    for leg in route.legs or (route,):
        long[leg.layer] = long.get(leg.layer, 0.0) + leg.length
    vias = sum(one.layer != other.layer for one, other in itertools.pairwise(route.legs))
    each = " and ".join(f"{MM * length:.4g} mm on {layer}" for layer, length in long.items())
    text = f"{', '.join(said)}: {each}" + (f", {count(vias, 'via')}" if vias else "")
    return Way(tuple(legs), frozenset(jumps), (ends_on[0], ends_on[-1]), text)


def _hops(
    pins: Mapping[str, Pin],
    ends: tuple[Pin, Pin],
    through: Sequence[str],
    given: tuple[Pin | None, Pin | None],
    file: str,
) -> list[Hop]:
    """Nets from part to part; exactly one must join each to the next."""
    parts = parts_of(dict(pins))
    returns = {pin.net for pin in ends}
    chain = [(given[0] or ends[0]).refdes, *through, (given[1] or ends[1]).refdes]
    hops: list[Hop] = []
    used: set[str] = set()
    for k, (one, other) in enumerate(itertools.pairwise(chain)):
        mine = [given[0]] if k == 0 and given[0] else parts.get(one, [])
        yours = [given[1]] if k == len(chain) - 2 and given[1] else parts.get(other, [])
        for name, found in ((one, mine), (other, yours)):
            if not found:
                message = f"no pin of part {listed([name])} is in the files; a way leads from part to part; correct it"
                raise FabricationError(file, message)
        shared = {pin.net for pin in mine} & {pin.net for pin in yours} - returns - used - {""}
        if len(shared) != 1:
            what = f"share the nets {listed(sorted(shared))}" if shared else "share no net but the return's"
            advice = (
                'say which pins are meant, as route = { auto = true, pins = ["...", "..."] }'
                if shared
                else 'name the parts between them in this order, as route = { auto = true, through = ["R1"] }'
            )
            raise FabricationError(file, f"{one} and {other} {what}; a way follows one net from part to part; {advice}")
        (net,) = shared
        used.add(net)
        starts, stops = ([pin for pin in found if pin.net == net] for found in (mine, yours))
        hops.append(Hop(net, tuple(starts), tuple(stops)))
    return hops


@dataclass
class _Piece:
    """One straight stroke: its layer, ends (m) and width (m), and places on it where something joins."""

    layer: int
    a: Spot
    b: Spot
    width: float
    joints: set[Spot]

    @property
    def line(self) -> LineString:
        return LineString([self.a, self.b])


def _trace(
    data: BoardData, connectivity: Connectivity, hop: Hop, file: str
) -> tuple[list[Node], list[float], Pin, Pin]:
    """Nodes of the shortest way over a net, widths between them, and the pins at its ends."""
    pieces = _pieces(data, connectivity, hop.net)
    ways = f"{' or '.join(p.name for p in hop.starts[:3])} to {' or '.join(p.name for p in hop.ends[:3])}"
    straight = _straight(data, hop)
    if not pieces:
        why = "drawn as areas, without lines whose middle could be followed"
        raise FabricationError(file, f"net {listed([hop.net])}, {ways}: it is {why}; {straight}")
    if len(pieces) > MAX_SEGMENTS:
        why = f"it has {len(pieces)} lines, as a plane filled by lines has; at most {MAX_SEGMENTS} are followed"
        raise FabricationError(file, f"net {listed([hop.net])}, {ways}: {why}; {straight}")
    edges: dict[Node, list[tuple[Node, float, float]]] = {}

    def join(one: Node, other: Node, width: float) -> None:
        length = math.dist(one[1:], other[1:]) + TOUCH
        edges.setdefault(one, []).append((other, length, width))
        edges.setdefault(other, []).append((one, length, width))

    areas = _areas(data, connectivity, hop)
    by_layer: dict[int, list[_Piece]] = {}
    for piece in pieces:
        by_layer.setdefault(piece.layer, []).append(piece)
    for layer, pads in areas.items():
        for _, middle in pads:
            edges.setdefault((layer, *middle), [])
        # A pad and the hole in it may have their middles apart by rounding.
        shapes = np.array([area for area, _ in pads], dtype=object)
        inside, of = STRtree(shapes).query(shapely.points([spot for _, spot in pads]), predicate="intersects").tolist()
        for k, other in zip(inside, of, strict=True):
            if pads[k][1] != pads[other][1]:
                join((layer, *pads[k][1]), (layer, *pads[other][1]), 0.0)
    for layer, own in by_layer.items():
        lines = np.array([piece.line for piece in own], dtype=object)
        tree = STRtree(lines)
        widths = np.array([piece.width for piece in own])
        ends = [(k, spot) for k, piece in enumerate(own) for spot in (piece.a, piece.b)]
        # An end that lies on another stroke joins it there.
        points = shapely.points([spot for _, spot in ends])
        asked, met = tree.query(points, predicate="dwithin", distance=float(widths.max()) / 2 + TOUCH)
        for k, other in zip(asked.tolist(), met.tolist(), strict=True):
            piece, spot = ends[k]
            if other != piece and shapely.distance(points[k], lines[other]) <= own[other].width / 2 + TOUCH:
                on = _on(lines[other], points[k])
                own[other].joints.add(on)
                join((layer, *spot), (layer, *on), own[piece].width)
        # Pads and holes: whatever ends in them, or passes over them, is joined in their middle.
        for area, middle in areas.get(layer, []):
            for k in tree.query(area, predicate="intersects").tolist():
                on = _on(lines[k], Point(middle))
                for spot in [s for s in (own[k].a, own[k].b) if area.covers(Point(s))] or [on]:
                    own[k].joints.add(spot)
                    join((layer, *spot), (layer, *middle), own[k].width)
        for piece in own:
            along = sorted({piece.a, piece.b, *piece.joints}, key=lambda spot: math.dist(spot, piece.a))
            for one, other in itertools.pairwise(along):
                join((layer, *one), (layer, *other), piece.width)
    for hole in data.holes:
        if hole.plating != "unplated":
            x, y = (float(v) for v in hole.path[0])
            layers = [n for n in range(len(data.layers)) if reaches(hole, n) and (n, x, y) in edges]
            for upper, lower in itertools.pairwise(layers):
                join((upper, x, y), (lower, x, y), 0.0)
    starts, targets = (_nodes(found, edges) for found in (hop.starts, hop.ends))
    nodes, widths_ = _shortest(edges, starts, targets)
    if not nodes:
        reached = _reached(edges, starts)
        goal = hop.ends[0].contacts[0].at if hop.ends[0].contacts else (0.0, 0.0)
        near = min(reached, key=lambda node: math.dist(node[1:], goal), default=None)
        far = f"its lines lead from there to {place(*near[1:])} on {data.layers[near[0]].name}" if near else ""
        why = f"{far}, and no further by lines" if far else "no line of it begins there"
        raise FabricationError(file, f"net {listed([hop.net])}, {ways}: {why}; {straight}")
    return nodes, widths_, starts[nodes[0]], targets[nodes[-1]]


def _pieces(data: BoardData, connectivity: Connectivity, net: str) -> list[_Piece]:
    """Straight strokes whose middle lies on copper of a net."""
    found = []
    for number, layer in enumerate(data.layers):
        islands = [item.shape for item in connectivity.islands if item.layer == number and item.net == net]
        if not islands or not layer.strokes:
            continue
        every = [
            (tuple(map(float, a)), tuple(map(float, b)), width or WIDTH)
            for path, width in layer.strokes
            for a, b in itertools.pairwise(path)
        ]
        middles = shapely.points([((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for a, b, _ in every])
        hits = STRtree(middles).query(np.array(islands, dtype=object), predicate="intersects")[1]
        found += [
            _Piece(number, (a[0], a[1]), (b[0], b[1]), width, set())
            for a, b, width in (every[k] for k in sorted(set(hits.tolist())))
            if a != b
        ]
    return found


def _areas(data: BoardData, connectivity: Connectivity, hop: Hop) -> dict[int, list[tuple[shapely.Geometry, Spot]]]:
    """Pads and plated holes of a net by layer, each with its middle; a pad that has a hole is its hole."""
    found: dict[int, list[tuple[shapely.Geometry, Spot]]] = {}
    barrels = {barrel.hole: barrel for barrel in connectivity.barrels}
    for k, barrel in barrels.items():
        if any(connectivity.islands[i].net == hop.net for i in barrel.islands):
            x, y = (float(v) for v in data.holes[k].path[0])
            for i in barrel.islands:
                reach = data.holes[k].diameter / 2 + RING
                found.setdefault(connectivity.islands[i].layer, []).append((axis(data.holes[k]).buffer(reach), (x, y)))
    for number, layer in enumerate(data.layers):
        for pad in layer.pads:
            if pad.net == hop.net:
                found.setdefault(number, []).append((pad.shape, pad.at))
    for pin in (*hop.starts, *hop.ends):
        for contact in pin.contacts:
            if not any(middle == contact.at for _, middle in found.get(contact.layer, [])):
                found.setdefault(contact.layer, []).append((contact.shape, contact.at))
    return found


def _on(line: LineString, point: Point) -> Spot:
    """Nearest place on a line, to a nanometre."""
    x, y = line.interpolate(line.project(point)).coords[0]
    return (round(float(x), 9), round(float(y), 9))


def _nodes(pins: Sequence[Pin], edges: Collection[Node]) -> dict[Node, Pin]:
    """Nodes in the middle of the pads of pins."""
    found = {}
    for pin in pins:
        for contact in pin.contacts:
            node = (contact.layer, *contact.at)
            if node in edges:
                found[node] = pin
    return found


def _shortest(
    edges: Mapping[Node, list[tuple[Node, float, float]]], starts: Mapping[Node, Pin], targets: Mapping[Node, Pin]
) -> tuple[list[Node], list[float]]:
    """
    Nodes of the shortest way from one of the starts to one of the targets, and widths between them; empty if none.

    Notes
    -----
    Source: Dijkstra, A note on two problems in connexion with graphs, Numerische Mathematik 1 (1959) 269-271.
    """
    best: dict[Node, float] = dict.fromkeys(starts, 0.0)
    came: dict[Node, tuple[Node, float]] = {}
    todo = [(0.0, node) for node in starts]
    heapq.heapify(todo)
    while todo:
        far, node = heapq.heappop(todo)
        if node in targets:
            nodes, widths = [node], []
            while node in came:
                node, width = came[node]
                nodes.append(node)
                widths.append(width)
            return nodes[::-1], widths[::-1]
        if far > best[node]:
            continue
        for other, length, width in edges.get(node, ()):
            if far + length < best.get(other, math.inf):
                best[other] = far + length
                came[other] = (node, width)
                heapq.heappush(todo, (far + length, other))
    return [], []


def _reached(edges: Mapping[Node, list[tuple[Node, float, float]]], starts: Collection[Node]) -> set[Node]:
    found, todo = set(starts), list(starts)
    while todo:
        for other, *_ in edges.get(todo.pop(), ()):
            if other not in found:
                found.add(other)
                todo.append(other)
    return found


def _legs(nodes: Sequence[Node], widths: Sequence[float], names: Sequence[str]) -> list[Outgoing]:
    """Conductor along nodes: one leg for each stretch on a layer, as wide as most of it."""
    legs = []
    for layer, group in itertools.groupby(range(len(nodes)), key=lambda k: nodes[k][0]):
        own = list(group)
        path = [nodes[k][1:] for k in own]
        by_width: dict[float, float] = {}
        for k in own[:-1]:
            by_width[widths[k]] = by_width.get(widths[k], 0.0) + math.dist(nodes[k][1:], nodes[k + 1][1:])
        kept = [path[0]] + [b for a, b in itertools.pairwise(path) if math.dist(a, b) > TOUCH]
        straight = [kept[0], *(b for a, b, c in zip(kept, kept[1:], kept[2:], strict=False) if _bends(a, b, c))]
        straight += kept[-1:] if len(kept) > 1 else []
        if len(straight) > 1:
            width = max(by_width, key=by_width.__getitem__)
            legs.append(Outgoing(layer=names[layer], path=tuple(straight), width=width))
    return legs


def _bends(a: Spot, b: Spot, c: Spot) -> bool:
    """Whether the way turns at `b`; on the straight, and where it doubles back, the point says nothing."""
    ux, uy, vx, vy = b[0] - a[0], b[1] - a[1], c[0] - b[0], c[1] - b[1]
    return abs(ux * vy - uy * vx) > 1e-6 * math.hypot(ux, uy) * math.hypot(vx, vy)


def _straight(data: BoardData, hop: Hop) -> str:
    """What to write instead: the straight line from pin to pin."""
    contacts = [pins[0].contacts[0] if pins[0].contacts else None for pins in (hop.starts, hop.ends)]
    if contacts[0] is None or contacts[1] is None:
        return "draw its route"
    layer = data.layers[contacts[0].layer].name
    path = ", ".join(f"[{mm(c.at[0])}, {mm(c.at[1])}]" for c in contacts if c is not None)
    return f'draw its route, such as the straight line {{ layer = "{layer}", path = [{path}] }}'
