"""Islands that carry current to coppers: one per layer and net, ties merged, details below a tolerance left out."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import shapely
from scipy.cluster.hierarchy import DisjointSet
from shapely import MultiPolygon, Polygon

from returnflow_geometry.fabrication.base.objects import BoardData
from returnflow_geometry.fabrication.copper.connectivity import CRACK, Connectivity, parts
from returnflow_geometry.model.board import GRID, Copper, Shape, Terminal
from returnflow_geometry.model.overlay import closed, union_all

SIMPLIFY = 10e-6  # m: board shops etch to no better than 20 um
NO_NET = "unnamed"


@dataclass(frozen=True, kw_only=True)
class Sheets:
    """
    Coppers before details are left out.

    `of` gives the copper's name for each island that is used, `layer` its layer's name, `shape` its area (m), `names`
    the copper for every ``NET on LAYER``.
    """

    of: dict[int, str]
    layer: dict[str, str]
    shape: dict[str, Shape]
    names: dict[str, str]

    def coppers(self, terminals: Sequence[Terminal], simplify: float) -> tuple[tuple[Copper, ...], str]:
        """Coppers with all terminals within them, simplified; and a sentence about what that has changed."""
        found, before, after = [], 0, 0
        kept = []
        for name, shape in self.shape.items():
            contacts = [terminal.shape for terminal in terminals if terminal.copper == name]
            whole = _with(shape, contacts)
            plain = simplified(whole, contacts, simplify) if simplify > 0 else whole
            if simplify > 0 and plain is whole and shapely.get_num_coordinates(whole) > 100:
                kept.append(name)
            before += int(shapely.get_num_coordinates(whole))
            after += int(shapely.get_num_coordinates(plain))
            found.append(Copper(name=name, layer=self.layer[name], shape=plain))
        note = ""
        if after < before:
            note = (
                f"Outlines of copper are simplified by at most {simplify * 1e6:g} um, from {before} to {after} "
                "corners; nothing is joined or parted by that."
            )
        if kept:
            note += f" {', '.join(kept)}: kept as drawn." if note else ""
        return tuple(found), note

    def hull(self) -> Polygon:
        """Box around all copper."""
        return shapely.box(*shapely.total_bounds(list(self.shape.values())))


def copper_name(net: str, layer: str) -> str:
    """
    Name of a copper.

    Examples
    --------
    >>> copper_name("GND", "L2")
    'GND on L2'
    """
    return f"{net or NO_NET} on {layer}"


def build_sheets(
    data: BoardData, connectivity: Connectivity, used: Iterable[int], laid: Sequence[tuple[int, Shape]]
) -> Sheets:
    """
    Gather islands into coppers.

    All used islands of a net on a layer are one copper. Nets whose islands touch on the layer, or which one piece of
    `laid` copper (layer number, shape) would join, share a copper; it has the name of the net with the most area.
    """
    islands = connectivity.islands
    chosen = sorted(set(used))
    members: dict[tuple[int, str], list[int]] = {}
    for k in chosen:
        members.setdefault((islands[k].layer, islands[k].net), []).append(k)
    joined = DisjointSet(members)
    inside = set(chosen)
    for a, b in connectivity.touching:
        if a in inside and b in inside:
            joined.merge((islands[a].layer, islands[a].net), (islands[b].layer, islands[b].net))
    for layer, shape in laid:
        met = [k for k in chosen if islands[k].layer == layer and shapely.dwithin(islands[k].shape, shape, GRID)]
        for a, b in itertools.pairwise(met):
            joined.merge((layer, islands[a].net), (layer, islands[b].net))
    of: dict[int, str] = {}
    where: dict[str, str] = {}
    area: dict[str, Shape] = {}
    names: dict[str, str] = {}
    order = {key: place for place, key in enumerate(members)}
    for keys in sorted((sorted(each, key=order.__getitem__) for each in joined.subsets()), key=min):
        largest = max(keys, key=lambda key: sum(islands[k].shape.area for k in members[key]))
        layer_name = data.layers[largest[0]].name
        name = copper_name(largest[1], layer_name)
        pieces = [k for key in keys for k in members[key]]
        of.update(dict.fromkeys(pieces, name))
        where[name] = layer_name
        area[name] = _united([islands[k].shape for k in pieces], touching=len(keys) > 1)
        names.update({copper_name(net, layer_name): name for _, net in keys})
    return Sheets(of=of, layer=where, shape=area, names=names)


def simplified(shape: Shape, contacts: Sequence[Shape], tolerance: float) -> Shape:
    """
    Shape with fewer corners, its border moved by at most `tolerance` (m); the same object if that is not possible.

    Holes that hold no circle of that diameter are closed. The result has as many pieces as before and covers the same
    contacts.
    """
    pieces = parts(shape)
    plain = []
    for piece in pieces:
        rings = [ring for ring in piece.interiors if not _is_small(Polygon(ring), tolerance)]
        outline = Polygon(piece.exterior, rings)
        plain.append(_thinned(outline, tolerance))
    result = _with(plain[0] if len(plain) == 1 else MultiPolygon(plain), contacts)
    if not result.is_valid:
        result = _with(_united(plain, touching=True), contacts)
    same = len(parts(result)) == len(pieces) and result.is_valid
    return result if same and shapely.get_num_coordinates(result) < shapely.get_num_coordinates(shape) else shape


def _thinned(outline: Polygon, tolerance: float) -> Polygon:
    """Outline with fewer corners. The simplifier may overstep its tolerance, so the result is measured."""
    corners = shapely.points(shapely.get_coordinates(outline))
    # Ring by ring is fast, and enough where rings keep off each other, as nearly all do.
    for careful, step in ((False, tolerance), (True, tolerance), (True, tolerance / 2), (True, tolerance / 4)):
        thin = shapely.simplify(outline, step, preserve_topology=careful)
        if thin.geom_type == "Polygon" and thin.is_valid and len(thin.interiors) == len(outline.interiors):
            border = shapely.boundary(thin)
            shapely.prepare(border)
            if shapely.dwithin(border, corners, tolerance).all():
                return thin
    return outline


def _is_small(hole: Polygon, tolerance: float) -> bool:
    # A region without holes whose largest circle has the radius r has at most the area r times its perimeter.
    # Source: Osserman, Bonnesen-style isoperimetric inequalities, Amer. Math. Monthly 86 (1979) 1-29.
    if hole.area > tolerance / 2 * hole.length:
        return False
    x0, y0, x1, y1 = hole.bounds
    return bool(min(x1 - x0, y1 - y0) < tolerance or hole.buffer(-tolerance / 2).is_empty)


def _with(shape: Shape, contacts: Sequence[Shape]) -> Shape:
    """Shape that covers all contacts: the plating of a hole is copper even where the image shows none."""
    if not contacts:
        return shape
    shapely.prepare(shape)
    missing = [contact for contact in contacts if not shape.covers(contact)]
    return _united([shape, *missing], touching=True) if missing else shape


def _united(pieces: Sequence[Shape], *, touching: bool) -> Shape:
    """One shape of all pieces, without cracks between those that may abut."""
    if len(pieces) == 1:
        return pieces[0]
    if not touching:
        kept = [part for piece in pieces for part in parts(piece)]
        whole = kept[0] if len(kept) == 1 else MultiPolygon(kept)
        if whole.is_valid:
            return whole
    kept = parts(closed(pieces, CRACK) if touching else union_all(pieces))
    return kept[0] if len(kept) == 1 else MultiPolygon(kept)
