"""Lines of flow followed from where current enters a copper, for currents that links share between coppers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from returnflow.answers.contours import QUARTERS, straight_pieces
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_STEPS = 50_000  # pieces that one line crosses
WAVES = 40  # times that lines may pass through a contact


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
        beside[other < 0] = -1
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


def flow_lines(mesh: Mesh, stream: Floats, tubes: int) -> Floats:
    """
    Lines of flow with about equal currents between neighbours, as pieces of shape (k, 2, 2) that point downstream.

    Parameters
    ----------
    mesh : Mesh
    stream : array, shape (m, 3 or 6)
        Local values of a loop's stream function, ampere per ampere.
    tubes : int
        How many for the whole current.

    Notes
    -----
    `contours.streamlines` needs jumps of whole tubes. Where links share a current, a copper gets any part of it, and
    contours would break where the stream function jumps. Here every contact sends out its share of the lines, to the
    nearest whole line and at equal currents apart; a line is followed from piece to piece, across jumps. A contact
    that current passes through passes lines on.
    """
    pieces = Pieces.of(mesh, stream)
    rim = pieces.contact >= 0
    inflow, contact = pieces.inflow()[rim], pieces.contact[rim]
    count = int(contact.max(initial=-1)) + 1
    out = np.bincount(contact, weights=np.maximum(inflow, 0), minlength=count)
    back = np.bincount(contact, weights=np.maximum(-inflow, 0), minlength=count)
    passing = np.minimum(np.divide(out, back, out=np.zeros(count), where=back > 0), 1.0)
    due = np.round(tubes * np.maximum(out - back, 0.0))
    found = []
    for _ in range(WAVES):
        sent = np.floor(due + 1e-9).astype(np.int64)
        if not sent.any():
            break
        due = due - sent
        seeds = [_seeds(pieces, rim, contact, inflow, c, n) for c, n in enumerate(sent) if n > 0]
        lines, ended = _follow(pieces, *(np.concatenate(part) for part in zip(*seeds, strict=True)))
        found.append(lines)
        due += passing * np.bincount(ended[ended >= 0], minlength=count)
    return np.concatenate(found) if found else np.empty((0, 2, 2))


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


def _follow(pieces: Pieces, piece: Ints, edge: Ints, along: Floats) -> tuple[Floats, Ints]:
    """Follow lines until they leave the copper: their straight pieces, and the contact that each ends on, or -1."""
    ended = np.full(len(piece), -1, dtype=np.int64)
    line = np.arange(len(piece))
    found = []
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
        beside = pieces.beside[piece, out]
        stop = beside < 0
        ended[line[stop]] = pieces.contact[piece[stop], out[stop]]
        go = ~stop
        # The common edge runs the other way in the piece beside.
        edge, along = pieces.edge[piece[go], out[go]], 1 - s[go]
        piece, line = beside[go], line[go]
    return (np.concatenate(found) if found else np.empty((0, 2, 2))), ended
