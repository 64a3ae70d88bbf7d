"""Which copper is joined to which: islands of each layer, plated holes between them, nets, and ties of nets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely import Polygon, STRtree

from returnflow_geometry.fabrication.base.budget import Budget, names_data
from returnflow_geometry.fabrication.base.objects import CHORD, BoardData, Hole, Limits
from returnflow_geometry.fabrication.copper.naming import is_no_net, name_pieces
from returnflow_geometry.fabrication.copper.touching import LEAST_AREA, joint_places, joint_width, joints, meetings
from returnflow_geometry.keys.drawn_shapes import CONTACT_CORNERS
from returnflow_geometry.model import shapes
from returnflow_geometry.model.board import Shape
from returnflow_geometry.model.groups import grouped
from returnflow_geometry.model.material import PLATING as PLATING
from returnflow_geometry.model.numbers import mm, place
from returnflow_geometry.model.overlay import closed, difference, union
from returnflow_geometry.model.wording import brief, count

CRACK = 1e-7  # m: parts of one pour this near are one; coordinates are rounded by as much
UNETCHED = 20e-6  # m: no board shop etches a gap as narrow; common practice, no source
LEAST_SEAM = 1e-6  # m: a shorter one is a common point with its rounding
LEAST_FILLED = 10e-6  # m2: smaller copper is seldom filled by lines
SHORTER = 0.99  # of the outline: what rounding alone changes is far less
LONG = 1e-4  # m: a seam that is worth a word


@dataclass(frozen=True, kw_only=True)
class Island:
    """
    One connected piece of copper of one net on one layer.

    `layer` counts from 0 at the top. `shape` (m) has unplated holes cut out; the bore of a plated hole counts as
    copper, since its wall joins the copper around it. `group` is the same for all that is joined by metal.
    """

    layer: int
    net: str
    shape: Polygon
    group: int


@dataclass(frozen=True, kw_only=True)
class Barrel:
    """
    One plated hole that touches copper.

    `hole` is its place in ``data.holes``, `shape` the outer border of its plating (m), `islands` what it touches, from
    top to bottom.
    """

    hole: int
    shape: Shape
    islands: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Tie:
    """
    Two nets whose copper touches: on `layer`, `width` metres wide; through the hole number `hole` if that is given.

    A tie of hole has no width (0).
    """

    nets: tuple[str, str]
    layer: int
    width: float
    at: tuple[float, float]
    islands: tuple[int, int]
    hole: int | None = None


@dataclass(frozen=True, kw_only=True)
class Connectivity:
    """Islands, the barrels that join them, the pairs that touch on a layer, ties of nets, and what was odd."""

    islands: tuple[Island, ...]
    barrels: tuple[Barrel, ...]
    touching: tuple[tuple[int, int], ...]
    ties: tuple[Tie, ...]
    plating: float
    notes: tuple[str, ...]

    def groups_of(self, net: str) -> set[int]:
        """Groups that hold copper of a net."""
        return {island.group for island in self.islands if island.net == net}

    @cached_property
    def on_layer(self) -> dict[int, tuple[list[int], STRtree]]:
        """For each layer its islands and a tree of their shapes, in the same order."""
        members: dict[int, list[int]] = {}
        for k, island in enumerate(self.islands):
            members.setdefault(island.layer, []).append(k)
        return {layer: (own, STRtree([self.islands[k].shape for k in own])) for layer, own in members.items()}


@names_data
def connect(data: BoardData, *, plating: float = PLATING, limits: Limits | None = None) -> Connectivity:
    """
    Find what is joined to what.

    Parameters
    ----------
    data : BoardData
    plating : float
        Thickness of the copper on hole walls, m.
    limits : Limits, optional
        Time, and number of pairs that may touch: copper drawn over itself a thousand times is refused.

    Returns
    -------
    connectivity : Connectivity
        Copper without a net in the files takes the name that a pad, a hole or a netlist record on it gives, else the
        nearest name that metal leads to. What nothing names keeps the name "".

    Raises
    ------
    FabricationError
        If a limit is passed.
    """
    notes: list[str] = []
    budget = Budget(data.origin, limits or Limits())
    layers, nets, pieces = _pieces(data, budget, notes)
    barrels = _barrels(data, layers, pieces, plating, budget)
    touching, widths, places = _touching(layers, pieces, budget)
    links = [(a, b) for barrel in barrels for a, b in zip(barrel.islands, barrel.islands[1:], strict=False)]
    group = grouped(len(pieces), [*links, *touching])
    unnamed = {k for k, net in enumerate(nets) if net == ""}
    if unnamed:
        joined = [(barrel.hole, barrel.islands) for barrel in barrels]
        name_pieces(data, layers, nets, pieces, joined, [*links, *touching], notes, budget)
    islands = tuple(
        Island(layer=layer, net=net, shape=piece, group=int(number))
        for layer, net, piece, number in zip(layers, nets, pieces, group, strict=True)
    )
    ties = []
    for (a, b), whole, middle in zip(touching, widths, places, strict=True):
        if nets[a] != nets[b]:
            # Two grounds may be tied in several places of one layer.
            for width, at in joint_places(pieces[a], pieces[b]) or [(whole, middle)]:
                narrow = _narrowest(a, b, width, unnamed, touching, widths, nets)
                ties.append(Tie(nets=_pair(nets[a], nets[b]), layer=layers[a], width=narrow, at=at, islands=(a, b)))
    for barrel in barrels:
        x, y = (float(v) for v in data.holes[barrel.hole].path[0])
        ties += [
            Tie(nets=_pair(nets[a], nets[b]), layer=layers[a], width=0.0, at=(x, y), islands=(a, b), hole=barrel.hole)
            for a, b in zip(barrel.islands, barrel.islands[1:], strict=False)
            if nets[a] != nets[b]
        ]
    unknown = sum(hole.plating == "unknown" for hole in data.holes)
    if unknown:
        notes.append(f"{unknown} holes do not say whether they are plated: taken as plated where they touch copper.")
    return Connectivity(
        islands=islands,
        barrels=tuple(barrels),
        touching=tuple(touching),
        ties=tuple(ties),
        plating=plating,
        notes=tuple(notes),
    )


def bore(hole: Hole, margin: float = 0.0) -> Shape:
    """
    Border of a hole or slot, made larger by `margin` all round; metres.

    Round ones are polygons of equal area.
    """
    radius = hole.diameter / 2 + margin
    if len(hole.path) == 1:
        corners = shapes.corners_for(radius, least=CONTACT_CORNERS)
        return shapes.circle(float(hole.path[0, 0]), float(hole.path[0, 1]), 2 * radius, corners=corners)
    return shapely.LineString(hole.path).buffer(radius)


def axis(hole: Hole) -> shapely.Geometry:
    """Centre of a hole as a point, or the line of a slot."""
    return shapely.Point(hole.path[0]) if len(hole.path) == 1 else shapely.LineString(hole.path)


def reaches(hole: Hole, layer: int) -> bool:
    """Tell whether a hole passes a layer (counted from 0)."""
    return hole.span is None or hole.span[0] <= layer + 1 <= hole.span[1]


def parts(shape: Shape) -> list[Polygon]:
    """Pieces of a shape, without slivers below a square micrometre."""
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > LEAST_AREA]


def _pieces(data: BoardData, budget: Budget, notes: list[str]) -> tuple[list[int], list[str], list[Polygon]]:
    layers: list[int] = []
    nets: list[str] = []
    pieces: list[Polygon] = []
    for number, layer in enumerate(data.layers):
        cut = [bore(hole) for hole in data.holes if hole.plating == "unplated" and reaches(hole, number)]
        tree = STRtree(cut)
        for net, area in layer.nets.items():
            whole = parts(area)
            left: list[Polygon] = []
            for part, hit in zip(whole, _hits(tree, whole, budget), strict=True):
                budget.clock()
                left += parts(difference(part, union([cut[k] for k in hit]))) if hit else [part]
            left = _sewn(left, f"{brief(net) or 'Copper without a net'} on {layer.name}", budget, notes)
            if layer.strokes:  # what is filled by lines may have hairs between them
                left = [whole for piece in left for whole in _without_hairs(piece)]
            pieces += left
            layers += [number] * len(left)
            nets += ["" if is_no_net(net) else net] * len(left)
    return layers, nets, pieces


def _sewn(pieces: list[Polygon], name: str, budget: Budget, notes: list[str]) -> list[Polygon]:
    """Pieces of one net: those drawn in parts, that abut along a seam, become one; a seam that stays open is noted."""
    if len(pieces) < 2:
        return pieces
    seams, apart = [], []
    for joint in joints(pieces, budget, gap=UNETCHED / 2, least=LEAST_SEAM):
        width, _ = joint_width(pieces[joint.first], pieces[joint.second], CRACK / 2)
        if width >= LEAST_SEAM:
            seams.append((joint.first, joint.second))
        elif joint.width >= LONG:
            apart.append(joint)
    group = grouped(len(pieces), seams).tolist()
    members: dict[int, list[int]] = {}
    for k, number in enumerate(group):
        members.setdefault(number, []).append(k)
    sewn: list[Polygon] = []
    for own in members.values():
        whole = [pieces[k] for k in own]
        sewn += parts(closed(whole, CRACK)) if len(own) > 1 else whole
    apart = [joint for joint in apart if group[joint.first] != group[joint.second]]
    if apart:
        widest = max(apart, key=lambda joint: joint.width)
        notes.append(
            f"{name}: {count(len(apart), 'pair')} of pieces face each other less than {mm(UNETCHED)} mm apart, such as "
            f"along {mm(widest.width)} mm at {place(*np.round(widest.at, 7))}; they are taken "
            "as parted: if one pour was drawn in parts there, lay a [[bridge]] over the seam."
        )
    return sewn


def _without_hairs(piece: Polygon) -> list[Polygon]:
    """Piece with its cracks closed, where it has any: then its outline becomes shorter."""
    if piece.area < LEAST_FILLED:
        return [piece]
    whole = closed([piece], CRACK)
    return parts(whole) if whole.length < SHORTER * piece.length else [piece]


def _hits(tree: STRtree, queried: Sequence[Polygon], budget: Budget) -> list[list[int]]:
    """For each queried shape the members of the tree that it meets."""
    found: list[list[int]] = [[] for _ in queried]
    for k, member in meetings(tree, queried, budget):
        found[k].append(member)
    return found


def _barrels(data: BoardData, layers: list[int], pieces: list[Polygon], plating: float, budget: Budget) -> list[Barrel]:
    """Barrels that touch copper. The tree holds the axes, as querying one with planes prepares each plane once."""
    touched: dict[int, list[int]] = {}
    sizes: dict[float, list[int]] = {}
    for k, hole in enumerate(data.holes):
        if hole.plating != "unplated":
            sizes.setdefault(hole.diameter, []).append(k)
    areas = np.array(pieces, dtype=object)
    shapely.prepare(areas)
    for size, members in sizes.items():
        tree = STRtree([axis(data.holes[k]) for k in members])
        # Outlines are chords: a pad drawn as a ring around the barrel may stand off by that much.
        reach = size / 2 + plating + CHORD
        for piece, member in meetings(tree, areas, budget, predicate="dwithin", distance=reach):
            if reaches(data.holes[members[member]], layers[piece]):
                touched.setdefault(members[member], []).append(piece)
    return [
        Barrel(
            hole=k,
            shape=bore(data.holes[k], plating),
            islands=tuple(sorted(touched[k], key=lambda piece: (layers[piece], piece))),
        )
        for k in sorted(touched)
    ]


def _touching(
    layers: list[int], pieces: list[Polygon], budget: Budget
) -> tuple[list[tuple[int, int]], list[float], list[tuple[float, float]]]:
    pairs, widths, places = [], [], []
    for layer in sorted(set(layers)):
        members = [k for k, other in enumerate(layers) if other == layer]
        for joint in joints([pieces[k] for k in members], budget):
            pairs.append((members[joint.first], members[joint.second]))
            widths.append(joint.width)
            places.append(joint.at)
    return pairs, widths, places


def _narrowest(
    a: int,
    b: int,
    width: float,
    unnamed: set[int],
    touching: list[tuple[int, int]],
    widths: list[float],
    nets: list[str],
) -> float:
    """Width of a tie: copper without a net of its own that lies between two nets is as wide as its narrower joint."""
    for middle, far in ((a, b), (b, a)):
        if middle in unnamed:
            others = [
                w
                for pair, w in zip(touching, widths, strict=True)
                if middle in pair and far not in pair and nets[pair[0]] == nets[pair[1]]
            ]
            width = min([width, *others])
    return width


def _pair(one: str, other: str) -> tuple[str, str]:
    return (one, other) if one <= other else (other, one)


def describe_tie(tie: Tie, data: BoardData) -> str:
    """One line about a tie, for reports."""
    layer = data.layers[tie.layer].name
    names = " and ".join(f'"{brief(net)}"' if net else "copper without a net" for net in tie.nets)
    if tie.hole is not None:
        return f"{names} are joined by the plated hole at {place(*tie.at)}"
    return f"{names} touch on {layer} at {place(*tie.at)}, {mm(tie.width)} mm wide"
