"""Names for copper that has none in the files: from pads, holes and netlist records on it, and along metal."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Sequence

import shapely
from shapely import Polygon, STRtree

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.objects import BoardData
from returnflow_geometry.fabrication.copper.touching import meetings
from returnflow_geometry.model.wording import listed

MAX_LISTED = 5


def is_no_net(net: str) -> bool:
    """
    Tell whether a name is what files write for copper that belongs to no net.

    Examples
    --------
    >>> is_no_net("N/C"), is_no_net("GND")
    (True, False)
    """
    return net.strip().upper() in {"", "N/C", "NC"}


def name_pieces(
    data: BoardData,
    layers: list[int],
    nets: list[str],
    pieces: list[Polygon],
    barrels: Sequence[tuple[int, tuple[int, ...]]],
    pairs: Iterable[tuple[int, int]],
    notes: list[str],
    budget: Budget,
) -> None:
    """
    Give names to copper that has none in the files; changes `nets` and `notes`.

    Parameters
    ----------
    data : BoardData
    layers, nets, pieces : lists
        Layer number, net ("" where unknown) and shape of each piece of copper.
    barrels : sequence of (int, tuple of int)
        For each plated hole its place in ``data.holes`` and the pieces it touches.
    pairs : iterable of (int, int)
        Pieces that metal joins.
    notes : list of str
        Takes a sentence where one piece has several names.
    budget : Budget
    """
    votes: dict[int, Counter[str]] = {}
    for hole, touched in barrels:
        name = data.holes[hole].net
        if not is_no_net(name):
            for piece in touched:
                votes.setdefault(piece, Counter())[name] += 1
    last = len(data.layers) - 1
    for layer in sorted(set(layers)):
        members = [k for k, other in enumerate(layers) if other == layer]
        said = [(pad.net, pad.at) for pad in data.layers[layer].pads]
        outer = {0: "top", last: "bottom"}.get(layer)
        said += [
            (point.net, point.at)
            for point in data.points
            if point.layers == outer or (point.layers == "both" and (point.drill is not None or outer))
        ]
        said = [(net, at) for net, at in said if not is_no_net(net)]
        if not said or not members:
            continue
        tree = STRtree([shapely.Point(at) for _, at in said])
        for piece, index in meetings(tree, [pieces[k] for k in members], budget):
            votes.setdefault(members[piece], Counter())[said[index][0]] += 1
    mixed = []
    for piece, counter in votes.items():
        if nets[piece] == "":
            nets[piece] = counter.most_common(1)[0][0]
            if len(counter) > 1:
                mixed.append(f"{listed(sorted(counter))} on {data.layers[layers[piece]].name}")
    if mixed:
        more = f" and {len(mixed) - MAX_LISTED} more" if len(mixed) > MAX_LISTED else ""
        notes.append(
            f"One piece of copper carries several nets and takes the name that occurs most: "
            f"{'; '.join(mixed[:MAX_LISTED])}{more}."
        )
    near: dict[int, list[int]] = {}
    for a, b in pairs:
        near.setdefault(a, []).append(b)
        near.setdefault(b, []).append(a)
    waiting = deque(k for k, net in enumerate(nets) if net)
    while waiting:
        here = waiting.popleft()
        for there in near.get(here, ()):
            if nets[there] == "":
                nets[there] = nets[here]
                waiting.append(there)
