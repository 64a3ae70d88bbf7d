"""Lines of flow followed from where current enters a copper, for currents that links share between coppers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array, eye_array, hstack

from returnflow.answers.contours import QUARTERS, straight_pieces
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_STEPS = 20_000  # pieces that one line crosses
FINE = 6  # lines that are followed for one that is drawn
LEAST_LINE = 0.1  # of a line: contacts that less goes out of pass none on
EXACT = 1e-9  # lines; that near to a whole number it is one


@dataclass(frozen=True)
class Pieces:
    """
    Straight pieces of a flow on a mesh, and how they hang together.

    Attributes
    ----------
    points : array, shape (n, 3, 2)
    values : array, shape (n, 3)
        Stream function per ampere; it may jump from piece to piece by a constant along their common edge.
    beside : array, shape (n, 3)
        Piece across the edge from each corner to the next, or -1.
    edge : array, shape (n, 3)
        Number of that edge in the piece beside.
    contact : array, shape (n, 3)
        Contact whose rim the edge is part of, or -1.
    """

    points: Floats
    values: Floats
    beside: Ints
    edge: Ints
    contact: Ints

    @classmethod
    def of(cls, mesh: Mesh, stream: Floats) -> Pieces:
        """From the local values of a stream function of order 1 or 2, shape (m, 3 or 6)."""
        points, values = straight_pieces(mesh, stream)
        ends = np.sort(np.stack([mesh.triangles, np.roll(mesh.triangles, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
        rims = np.full(mesh.triangles.shape, -1, dtype=np.int64)
        rims[tuple(mesh.contact_edges.T)] = mesh.contact_of
        if stream.shape[1] == 3:
            nodes, contact = mesh.triangles, rims
        else:
            _, middle = np.unique(ends, axis=0, return_inverse=True)
            local = np.concatenate([mesh.triangles, len(mesh.points) + middle.reshape(-1, 3)], axis=1)
            nodes = local[:, QUARTERS].reshape(-1, 3)
            contact = _of_quarters(rims)
        pairs = np.sort(np.stack([nodes, np.roll(nodes, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
        order = np.lexsort(pairs.T)
        twin = np.all(pairs[order[1:]] == pairs[order[:-1]], axis=1)
        a, b = order[:-1][twin], order[1:][twin]
        other = np.full(len(pairs), -1, dtype=np.int64)
        other[a], other[b] = b, a
        beside, edge = np.divmod(other, 3)
        # Where copper goes on inside a contact, as above 0 Hz, current still enters and leaves along its outline.
        beside[(other < 0) | (contact.ravel() >= 0)] = -1
        return cls(points, values, beside.reshape(-1, 3), edge.reshape(-1, 3), contact.reshape(-1, 3))

    def inflow(self) -> Floats:
        """Current per ampere that enters through each edge from outside, shape (n, 3)."""
        inflow: Floats = self.values - np.roll(self.values, -1, axis=1)
        return inflow


def _of_quarters(rims: Ints) -> Ints:
    """Contacts of the edges of the quarters of every triangle, from those of its own edges."""
    halves = np.full((len(rims), 4, 3), -1, dtype=np.int64)
    for q, corners in enumerate(QUARTERS):
        for k in range(3):
            a, b = sorted((int(corners[k]), int(corners[(k + 1) % 3])))
            # A half of an edge joins a corner to the middle of the edge 3 + e from corner e to the next.
            if a < 3 <= b and a in (b - 3, (b - 2) % 3):
                halves[:, q, k] = rims[:, b - 3]
    return halves.reshape(-1, 3)


def flow_lines(mesh: Mesh, stream: Floats, tubes: int, starts: Ints) -> Floats:
    """
    Lines of flow of equal currents from contact to contact, as pieces of shape (k, 2, 2) that point downstream.

    Parameters
    ----------
    mesh : Mesh
    stream : array, shape (m, 3 or 6)
        Local values of a loop's stream function, ampere per ampere.
    tubes : int
        How many for the whole current.
    starts : array of int, shape (contacts,)
        How many more lines start at every contact than end there; see `line_starts`.

    Notes
    -----
    `contours.streamlines` needs jumps of whole tubes. Where links share a current, a copper gets any part of it, and
    contours would break where the stream function jumps. Here lines much closer than wanted are followed from every
    contact, from piece to piece and across jumps. Where they end tells how much current goes from which contact to
    which; the whole numbers of lines that come nearest to that, and keep `starts`, are taken from among them. Contacts
    that no line ends at are passed: an idle pad takes up the current of twice its width and gives it back beyond.
    """
    pieces = Pieces.of(mesh, stream)
    rim = pieces.contact >= 0
    inflow, contact = pieces.inflow()[rim], pieces.contact[rim]
    count = max(int(contact.max(initial=-1)) + 1, len(starts))
    out = tubes * np.bincount(contact, weights=np.maximum(inflow, 0), minlength=count)
    ending = np.pad(starts, (0, count - len(starts))) != 0
    tried = np.where(ending & (out > LEAST_LINE), np.ceil(FINE * out), 0).astype(np.int64)
    if not tried.any():
        return np.empty((0, 2, 2))
    seeds = [_seeds(pieces, rim, contact, inflow, c, n) for c, n in enumerate(tried) if n > 0]
    passing = _Passing.of(pieces, rim, ~ending)
    lines, number, ended = _follow(pieces, passing, *(np.concatenate(part) for part in zip(*seeds, strict=True)))
    began = np.repeat(np.arange(count), tried)
    found = np.flatnonzero(ended >= 0)
    ways, of = np.unique(np.stack([began, ended])[:, found], axis=1, return_inverse=True)
    of = of.ravel()
    size = np.bincount(of)
    wanted = _whole(ways, size * out[ways[0]] / tried[ways[0]], np.pad(starts, (0, count - len(starts))))
    wanted = np.minimum(wanted, size)
    taken = np.zeros(len(began), dtype=bool)
    for start in np.unique(ways[0]):
        mine = np.flatnonzero(began[found] == start)
        picked = _spread(wanted[of[mine]] / size[of[mine]])
        if np.array_equal(np.bincount(of[mine][picked], minlength=len(size)), np.where(ways[0] == start, wanted, 0)):
            taken[found[mine[picked]]] = True
            continue
        for way in np.flatnonzero(ways[0] == start):
            mine = np.flatnonzero(of == way)
            taken[found[mine[_spread(np.full(len(mine), wanted[way] / size[way]))]]] = True
    chosen: Floats = lines[taken[number]]
    return chosen


def _spread(part: Floats) -> Ints:
    """Which of lines in a row to take, where each stands for a part of one: at equal distances."""
    up_to = np.floor(np.cumsum(part) + 0.5 + EXACT)
    taken: Ints = np.flatnonzero(np.diff(up_to, prepend=0.0) > 0)
    return taken


def line_starts(current: Floats, ends: Ints, copper: Ints, fed: Floats) -> Ints:
    """
    How many more lines of a current start at every contact than end there, the same wherever it is drawn.

    Links carry whole lines, within one of what they carry; as many come to every copper as leave it; and all links from
    one copper to another carry together what they carry together, however little each.

    Parameters
    ----------
    current : array, shape (links,)
        From the first to the second end of every link, in lines.
    ends : array of int, shape (links, 2)
        Contacts that each joins.
    copper : array of int, shape (contacts,)
        That every contact lies on.
    fed : array, shape (contacts,)
        Whole lines that come from outside.
    """
    coppers = int(copper.max()) + 1
    there = np.where((current < 0)[:, None], ends[:, ::-1], ends)  # the way it flows
    size = np.abs(current)
    pairs, group = np.unique(copper[there], axis=0, return_inverse=True)
    together = np.bincount(group.ravel(), size, minlength=len(pairs))
    incidence = np.zeros((coppers, len(pairs)))
    np.add.at(incidence, (pairs[:, 1], np.arange(len(pairs))), 1)
    np.add.at(incidence, (pairs[:, 0], np.arange(len(pairs))), -1)
    low, high = np.floor(together + EXACT), np.ceil(together - EXACT)
    cost = 1 - 2 * (together - low)  # from the lower to the higher number
    lost = np.bincount(copper, weights=fed, minlength=coppers)
    # The equations are those of a network: the best corner of what they allow has whole numbers.
    best = linprog(cost, A_eq=incidence, b_eq=-lost, bounds=np.stack([low, high], axis=1), method="highs-ds")
    wanted = np.round(best.x if best.success else together)
    # Of every group the links that miss most by their lower number take one more.
    whole = np.floor(size + EXACT)
    order = np.lexsort((-(size - whole), group.ravel()))
    rank = np.arange(len(order)) - np.searchsorted(group.ravel()[order], group.ravel()[order])
    more = wanted - np.bincount(group.ravel(), whole, minlength=len(pairs))
    whole[order] += rank < more[group.ravel()[order]]
    lines = np.where(current < 0, -whole, whole)
    starts = fed.copy()
    np.add.at(starts, ends[:, 1], lines)
    np.add.at(starts, ends[:, 0], -lines)
    return np.round(starts).astype(np.int64)


def _whole(ways: Ints, lines: Floats, starts: Ints) -> Ints:
    """Whole numbers nearest to the lines from contact to contact, (2, ways), that start and end as wanted."""
    # Of a thousand contacts most have no line at all.
    used, ends = np.unique(np.concatenate([ways.ravel(), np.flatnonzero(starts)]), return_inverse=True)
    if not len(used):
        return np.zeros(0, dtype=np.int64)
    low, count, contacts = np.floor(lines), len(lines), len(used)
    way, there = np.arange(count), np.ones(count)
    out = coo_array((there, (ends[:count], way)), (contacts, count)) - coo_array(
        (there, (ends[count : 2 * count], way)), (contacts, count)
    )
    # Up to the number below, to the one above it, beyond; and what is missing at a contact, which costs most.
    cost = np.concatenate([-np.ones(count), 1 - 2 * (lines - low), np.ones(count), np.full(2 * contacts, 10.0)])
    most = np.concatenate([low, np.ones(count), np.full(count + 2 * contacts, np.inf)])
    equations = hstack([out, out, out, eye_array(contacts), -eye_array(contacts)])
    bounds = np.stack([np.zeros(len(most)), most], axis=1)
    best = linprog(cost, A_eq=equations, b_eq=starts[used], bounds=bounds, method="highs-ds")
    if not best.success:
        return np.round(lines).astype(np.int64)
    below, above, beyond = best.x[: 3 * count].reshape(3, count)
    whole: Ints = np.round(below + above + beyond).astype(np.int64)
    return whole


def _seeds(
    pieces: Pieces, rim: NDArray[np.bool_], contact: Ints, inflow: Floats, number: int, lines: int
) -> tuple[Ints, Ints, Floats]:
    """Piece, edge and place on the edge (0 to 1) where lines leave a contact, at equal currents apart."""
    piece, edge = np.nonzero(rim)
    mine = np.flatnonzero((contact == number) & (inflow > 0))
    a, b = pieces.points[piece[mine], edge[mine]], pieces.points[piece[mine], (edge[mine] + 1) % 3]
    x, y = (0.5 * (a + b) - (0.5 * (a + b)).mean(axis=0)).T
    mine = mine[np.argsort(np.arctan2(y, x), kind="stable")]
    total = np.concatenate([[0.0], np.cumsum(inflow[mine])])
    wanted = (np.arange(lines) + 0.5) / lines * total[-1]
    at = np.clip(np.searchsorted(total, wanted, side="right") - 1, 0, len(mine) - 1)
    # The edges are in anticlockwise order, but each runs clockwise, with its triangle outside on its left.
    along = 1 - (wanted - total[at]) / inflow[mine[at]]
    return piece[mine[at]], edge[mine[at]], along


@dataclass(frozen=True)
class _Passing:
    """
    Where lines that come to a contact leave it again: in the order in which they came, so that none crosses another.

    Attributes
    ----------
    piece, edge : array, shape (k,)
        Outlines of contacts by which current comes out, contact by contact, anticlockwise from where none does.
    up_to : array, shape (k + 1,)
        Number of the contact and what part of its current comes out before each.
    part : array, shape (k,)
        That comes out by each.
    before, share : array, shape (n, 3)
        The same of where current goes in: part before the edge of a piece, and by it.
    passed : array, shape (contacts,)
        Whether lines pass a contact.
    """

    piece: Ints
    edge: Ints
    up_to: Floats
    part: Floats
    before: Floats
    share: Floats
    passed: NDArray[np.bool_]

    @classmethod
    def of(cls, pieces: Pieces, rim: NDArray[np.bool_], passed: NDArray[np.bool_]) -> _Passing:
        """Of the contacts that are `passed`, shape (contacts,), if current both enters and leaves them."""
        piece, edge = np.nonzero(rim)
        contact, inflow = pieces.contact[rim], pieces.inflow()[rim]
        count = len(passed)
        sides = [np.bincount(contact, np.maximum(sign * inflow, 0), minlength=count) for sign in (1, -1)]
        passed = passed & (np.minimum(*sides) > 0)
        before, share = np.zeros(rim.shape), np.zeros(rim.shape)
        middle = 0.5 * (pieces.points[piece, edge] + pieces.points[piece, (edge + 1) % 3])
        around = np.maximum(np.bincount(contact, minlength=count), 1)
        off = middle - np.stack([np.bincount(contact, x, minlength=count) / around for x in middle.T], axis=1)[contact]
        found = []
        for side, total in zip((1, -1), sides, strict=True):
            mine = np.flatnonzero((side * inflow > 0) & passed[contact])
            weight, owner = side * inflow[mine], contact[mine]
            # Angles from the middle of the arc by which it comes out, or goes in, so that the arc is in one piece.
            x, y = (np.bincount(owner, weight * part, minlength=count)[owner] for part in off[mine].T)
            a, b = off[mine].T
            angle = np.arctan2(x * b - y * a, x * a + y * b)
            order = np.lexsort((angle, owner))
            mine, owner = mine[order], owner[order]
            part = weight[order] / total[owner]
            up_to = np.concatenate([[0.0], np.cumsum(part)])
            found.append((mine, owner, part, up_to))
        (out, owner, part, up_to), (into, other, share_in, before_in) = found
        # Every contact that is passed gives 1 in all: what comes before it is a whole number.
        rank = np.cumsum(passed) - 1
        share[piece[into], edge[into]] = share_in
        before[piece[into], edge[into]] = before_in[:-1] - rank[other]
        return cls(piece[out], edge[out], up_to, part, before, share, passed)

    def on(self, contact: Ints, piece: Ints, edge: Ints, along: Floats) -> tuple[Ints, Ints, Floats]:
        """Piece, edge and place on it where lines go on that come to contacts by edges of pieces."""
        rank = np.cumsum(self.passed) - 1
        # The edges are in anticlockwise order, but each runs clockwise: see `_seeds`.
        part = self.before[piece, edge] + (1 - along) * self.share[piece, edge]
        wanted = rank[contact] + 1 - np.clip(part, EXACT, 1 - EXACT)
        at = np.clip(np.searchsorted(self.up_to, wanted, side="right") - 1, 0, len(self.part) - 1)
        return self.piece[at], self.edge[at], 1 - (wanted - self.up_to[at]) / self.part[at]


def _follow(pieces: Pieces, passing: _Passing, piece: Ints, edge: Ints, along: Floats) -> tuple[Floats, Ints, Ints]:
    """Follow lines until they leave the copper: straight pieces, the line of each, and where each line ends, or -1."""
    ended = np.full(len(piece), -1, dtype=np.int64)
    line = np.arange(len(piece))
    found, number = [np.empty((0, 2, 2))], [line[:0]]
    for _ in range(MOST_STEPS):
        if not len(line):
            break
        row = np.arange(len(line))
        value, corner = pieces.values[piece], pieces.points[piece]
        nxt, far = (edge + 1) % 3, (edge + 2) % 3
        along = np.clip(along, 1e-9, 1 - 1e-9)
        level = value[row, edge] + along * (value[row, nxt] - value[row, edge])
        start = corner[row, edge] + along[:, None] * (corner[row, nxt] - corner[row, edge])
        # The line leaves by the side on whose ends the values lie on both sides of its level.
        same = (value[row, far] >= level) == (value[row, edge] >= level)
        out = np.where(same, nxt, far)
        a, b = value[row, out], value[row, (out + 1) % 3]
        s = np.divide(level - a, b - a, out=np.full(len(row), 0.5), where=b != a)
        s = np.clip(s, 0.0, 1.0)
        end = corner[row, out] + s[:, None] * (corner[row, (out + 1) % 3] - corner[row, out])
        found.append(np.stack([start, end], axis=1))
        number.append(line)
        beside, contact = pieces.beside[piece, out], pieces.contact[piece, out]
        go, through = beside >= 0, (beside < 0) & (contact >= 0) & passing.passed[contact]
        stop = ~(go | through)
        ended[line[stop]] = contact[stop]
        again = passing.on(contact[through], piece[through], out[through], s[through])
        # The common edge runs the other way in the piece beside.
        edge, along = pieces.edge[piece[go], out[go]], 1 - s[go]
        piece, line = beside[go], np.concatenate([line[go], line[through]])
        piece, edge, along = (np.concatenate(both) for both in zip((piece, edge, along), again, strict=True))
    return np.concatenate(found), np.concatenate(number), ended
