"""Which copper carries current between given pins: the rest hangs on by one contact, or not at all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence


def carrying(
    pins: Iterable[int], contacts: Mapping[int, Sequence[int]], joins: Iterable[tuple[int, int]] = ()
) -> tuple[set[int], set[tuple[int, int]]]:
    """
    Find the copper through which a current can pass between two of the pins.

    Contacts are vertices: each is an equipotential spot. A current passes a piece of copper if and only if it lies on
    a way from one pin to another that uses no contact twice. All pins are joined to one more vertex outside, and what
    shares a block (a part without a cut vertex) with it is on such a way.

    Parameters
    ----------
    pins : iterable of int
        Contacts where current enters or leaves.
    contacts : mapping of int to sequence of int
        For each piece of copper, the contacts that touch it.
    joins : iterable of (int, int)
        Pairs of contacts that are joined by something else than copper.

    Returns
    -------
    pieces : set of int
    joins : set of (int, int)
        Those that carry current, too.

    Notes
    -----
    Blocks by depth-first search with low points. Source: Hopcroft and Tarjan, Algorithm 447: Efficient algorithms for
    graph manipulation, Communications of the ACM 16 (1973) 372-378.

    Examples
    --------
    Two pins on piece 0; piece 1 hangs on by a single hole, piece 2 by two.

    >>> carrying([100, 101], {0: [100, 101, 7, 8, 9], 1: [7], 2: [8, 9]})
    ({0, 2}, set())
    """
    edges: list[tuple[int, int, int | tuple[int, int] | None]] = []
    for piece, touching in contacts.items():
        spots = list(dict.fromkeys(touching))
        if len(spots) > 1:
            # A ring through all its contacts has no cut vertex, as the piece itself has none.
            ring = zip(spots, spots[1:] + spots[:1] if len(spots) > 2 else spots[1:], strict=False)
            edges += [(a, b, piece) for a, b in ring]
    edges += [(a, b, (a, b)) for a, b in joins if a != b]
    outside = 1 + max((vertex for edge in edges for vertex in edge[:2]), default=0)
    outside = max(outside, 1 + max(pins := list(dict.fromkeys(pins)), default=0))
    edges += [(outside, pin, None) for pin in pins]
    pieces: set[int] = set()
    used: set[tuple[int, int]] = set()
    for block in _blocks_at(outside, [edge[:2] for edge in edges]):
        for k in block:
            what = edges[k][2]
            if isinstance(what, tuple):
                used.add(what)
            elif what is not None:
                pieces.add(what)
    return pieces, used


def _blocks_at(root: int, edges: Sequence[tuple[int, int]]) -> list[list[int]]:
    """Blocks that hold the root, as lists of edge numbers."""
    near: dict[int, list[tuple[int, int]]] = {}
    for k, (a, b) in enumerate(edges):
        near.setdefault(a, []).append((b, k))
        near.setdefault(b, []).append((a, k))
    depth = {root: 0}
    low = {root: 0}
    stack: list[int] = []
    blocks = []
    todo = [(root, -1, iter(near.get(root, ())))]
    while todo:
        here, came, following = todo[-1]
        step = next(following, None)
        if step is None:
            todo.pop()
            if todo:
                before = todo[-1][0]
                low[before] = min(low[before], low[here])
                if low[here] >= depth[before]:
                    start = len(stack) - 1
                    while stack[start] != came:
                        start -= 1
                    if before == root:
                        blocks.append(stack[start:])
                    del stack[start:]
            continue
        there, k = step
        if k == came:
            continue
        if there not in depth:
            depth[there] = low[there] = depth[here] + 1
            stack.append(k)
            todo.append((there, k, iter(near[there])))
        elif depth[there] < depth[here]:
            stack.append(k)
            low[here] = min(low[here], depth[there])
    return blocks
