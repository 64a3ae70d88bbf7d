"""
Boards on a grid of squares: a second discretisation of resistance, with nothing in common with the program's own.

Copper, pads and cutouts fill whole squares. Continuous bilinear potentials give resistances that are never too high,
currents of lowest order over the edges of the squares (Raviart and Thomas, 1977) ones that are never too low:
Dirichlet's and Thomson's principles, for every current through the loops at once. Any number of coppers, pads that
float, links.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from returnflow.resistive.foil import sheet_resistance
from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.model.board import Board, Case, Copper, Cutout, Layer, Link, Loop, Shape, Terminal
from returnflow_geometry.model.shapes import rectangle

MM = 1e-3
Floats = NDArray[np.float64]
SQUARE = np.array([[4, -1, -2, -1], [-1, 4, -1, -2], [-2, -1, 4, -1], [-1, -2, -1, 4]]) / 6  # stiffness, bilinear


@dataclass(frozen=True)
class GridBoard:
    """
    Boxes are (x0, y0, x1, y1) in whole millimetres.

    Attributes
    ----------
    size : (int, int)
    cutouts : for every copper its boxes
    pads : sequence of (copper, box); every pad is a contact
    links : sequence of (pad, pad, ohm)
    loops : sequence of (pad, pad)
    """

    size: tuple[int, int]
    cutouts: tuple[tuple[tuple[int, int, int, int], ...], ...]
    pads: tuple[tuple[int, tuple[int, int, int, int]], ...]
    links: tuple[tuple[int, int, float], ...]
    loops: tuple[tuple[int, int], ...]
    sheets: tuple[float, ...] = field(default=())

    def cells(self, fine: int) -> NDArray[np.int64]:
        """Contact of every square: -1 for plain copper, -2 for none; shape (coppers, x, y)."""
        shape = (len(self.cutouts), self.size[0] * fine, self.size[1] * fine)
        found = np.full(shape, -1)
        for copper, boxes in enumerate(self.cutouts):
            for x0, y0, x1, y1 in boxes:
                found[copper, fine * x0 : fine * x1, fine * y0 : fine * y1] = -2
        for number, (copper, (x0, y0, x1, y1)) in enumerate(self.pads):
            found[copper, fine * x0 : fine * x1, fine * y0 : fine * y1] = number
        return found

    def never_too_high(self, fine: int) -> Floats:
        """Resistance matrix from bilinear potentials, ohm."""
        cells = self.cells(fine)
        coppers, wide, deep = cells.shape
        node = np.arange(coppers * (wide + 1) * (deep + 1)).reshape(coppers, wide + 1, deep + 1)
        pads = len(self.pads)
        node += pads
        corners = [node[:, :-1, :-1], node[:, 1:, :-1], node[:, 1:, 1:], node[:, :-1, 1:]]
        for corner in corners:
            inside = cells >= 0
            corner[inside] = cells[inside]
        # A node of a pad is the pad, whichever square it is seen from: later pads win nowhere, for pads do not touch.
        quads = np.stack([corner[cells == -1] for corner in corners], axis=1)
        sheet = np.asarray(self.sheets)[np.nonzero(cells == -1)[0]]
        rows, columns = np.repeat(quads, 4, axis=1).ravel(), np.tile(quads, 4).ravel()
        values = (SQUARE.ravel()[None, :] / sheet[:, None]).ravel()
        extra = [(a, b, 1 / ohm) for a, b, ohm in self.links]
        for a, b, siemens in extra:
            rows = np.append(rows, [a, b, a, b])
            columns = np.append(columns, [a, b, b, a])
            values = np.append(values, [siemens, siemens, -siemens, -siemens])
        return self._answer(rows, columns, values, node.max() + 1)

    def never_too_low(self, fine: int) -> Floats:
        """Resistance matrix from currents over the edges of squares, ohm."""
        cells = self.cells(fine)
        coppers, wide, deep = cells.shape
        pads = len(self.pads)
        square = np.full(cells.shape, -1)
        square[cells == -1] = pads + np.arange(np.sum(cells == -1))
        square[cells >= 0] = cells[cells >= 0]
        plain = cells == -1
        along = np.full((coppers, wide + 1, deep), -1)
        across = np.full((coppers, wide, deep + 1), -1)
        open_x = (square[:, :-1] >= 0) & (square[:, 1:] >= 0) & (plain[:, :-1] | plain[:, 1:])
        open_y = (square[:, :, :-1] >= 0) & (square[:, :, 1:] >= 0) & (plain[:, :, :-1] | plain[:, :, 1:])
        along[:, 1:-1][open_x] = np.arange(open_x.sum())
        across[:, :, 1:-1][open_y] = open_x.sum() + np.arange(open_y.sum())
        edges = int(open_x.sum() + open_y.sum())
        sheet = np.broadcast_to(np.asarray(self.sheets)[:, None, None], cells.shape)
        rows, columns, values = [], [], []
        # In a square the current is linear between its two edges: 1/3 and 1/6 of what it would be if even.
        for low, high in ((along[:, :-1], along[:, 1:]), (across[:, :, :-1], across[:, :, 1:])):
            for a, b, part in ((low, low, 1 / 3), (high, high, 1 / 3), (low, high, 1 / 6), (high, low, 1 / 6)):
                both = plain & (a >= 0) & (b >= 0)
                rows.append(a[both])
                columns.append(b[both])
                values.append(part * sheet[both])
        mass = sp.csr_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(edges, edges)
        )
        mass = sp.block_diag([mass, sp.diags([ohm for _, _, ohm in self.links])]) if self.links else mass
        starts = np.concatenate([square[:, :-1][open_x], square[:, :, :-1][open_y], [a for a, _, _ in self.links]])
        ends = np.concatenate([square[:, 1:][open_x], square[:, :, 1:][open_y], [b for _, b, _ in self.links]])
        many, count = len(starts), int(square.max()) + 1
        numbers = np.arange(many)
        out = sp.csr_matrix(
            (np.repeat([1.0, -1.0], many), (np.append(numbers, numbers), np.append(starts, ends).astype(int))),
            shape=(many, count),
        )
        inject = np.zeros((count, len(self.loops)))
        for n, (a, b) in enumerate(self.loops):
            inject[a, n], inject[b, n] = 1.0, -1.0
        # Currents j with out' j = inject and least power: mass j = out u.
        kept = self._grounded(out, count)
        system = sp.bmat([[mass, -out[:, kept]], [out[:, kept].T, None]], format="csc")
        right = np.vstack([np.zeros((many, len(self.loops))), inject[kept]])
        current = splu(system).solve(right)[:many]
        result: Floats = current.T @ (mass @ current)
        return result

    def case(self) -> Case | None:
        """The same board for the program; None where its check refuses it (loops whose ends nothing joins)."""

        def box(corners: tuple[int, int, int, int]) -> Shape:
            return rectangle(*(MM * value for value in corners))

        names = [f"copper {n}" for n in range(len(self.cutouts))]
        layers = tuple(
            Layer(
                name=f"L{n}", thickness=sheet_resistance(1.0, 25.0) / sheet, below=2e-4 if n + 1 < len(names) else None
            )
            for n, sheet in enumerate(self.sheets)
        )
        whole = box((0, 0, *self.size))
        board = Board(
            outline=whole,
            temperature=25.0,
            layers=layers,
            coppers=tuple(Copper(name=name, layer=f"L{n}", shape=whole) for n, name in enumerate(names)),
            cutouts=tuple(
                Cutout(name=f"cutout {n} {k}", copper=names[n], shape=box(corners))
                for n, boxes in enumerate(self.cutouts)
                for k, corners in enumerate(boxes)
            ),
            terminals=tuple(
                Terminal(name=f"pad {n}", copper=names[copper], shape=box(corners))
                for n, (copper, corners) in enumerate(self.pads)
            ),
            links=tuple(
                Link(name=f"link {n}", between=(f"pad {a}", f"pad {b}"), resistance=ohm)
                for n, (a, b, ohm) in enumerate(self.links)
            ),
        )
        loops = tuple(
            Loop(name=f"loop {n}", role="noisy", inject=f"pad {a}", return_=f"pad {b}", current=1.0, frequency=0.0)
            for n, (a, b) in enumerate(self.loops)
        )
        case = Case(title="squares", board=board, loops=loops)
        return None if check_case(case).mistakes else case

    def _grounded(self, out: sp.csr_matrix, count: int) -> NDArray[np.int64]:
        """All potentials but one of every connected part."""
        _, part = sp.csgraph.connected_components(sp.csr_matrix(abs(out).T @ abs(out)), directed=False)
        first = np.unique(part, return_index=True)[1]
        return np.setdiff1d(np.arange(count), first)

    def _answer(self, rows: NDArray[np.int64], columns: NDArray[np.int64], values: Floats, count: int) -> Floats:
        matrix = sp.csr_matrix((values, (rows, columns)), shape=(count, count))
        _, part = sp.csgraph.connected_components(matrix, directed=False)
        first = np.unique(part, return_index=True)[1]
        kept = np.setdiff1d(np.arange(count), first)
        inject = np.zeros((count, len(self.loops)))
        for n, (a, b) in enumerate(self.loops):
            inject[a, n], inject[b, n] = 1.0, -1.0
        volts = np.zeros_like(inject)
        volts[kept] = splu(matrix[kept][:, kept].tocsc()).solve(inject[kept])
        result: Floats = inject.T @ volts
        return result


def random_grid_board(seed: int) -> GridBoard:
    """One to three coppers, cutouts that touch, overlap and end on edges, idle pads, links that may be loose."""
    rng = np.random.default_rng(seed)
    wide, deep = int(rng.integers(10, 19)), int(rng.integers(8, 15))
    coppers = int(rng.integers(1, 4))

    def box(most: int) -> tuple[int, int, int, int]:
        w, d = int(rng.integers(1, most + 1)), int(rng.integers(1, most + 1))
        x, y = int(rng.integers(0, wide - w + 1)), int(rng.integers(0, deep - d + 1))
        return x, y, x + w, y + d

    pads: list[tuple[int, tuple[int, int, int, int]]] = []
    for _ in range(40):
        copper, (x0, y0, x1, y1) = int(rng.integers(coppers)), box(2)
        away = all(other != copper or x0 > b1 or x1 < b0 or y0 > c1 or y1 < c0 for other, (b0, c0, b1, c1) in pads)
        if away and len(pads) < 3 * coppers + 4:
            pads.append((copper, (x0, y0, x1, y1)))
    cutouts = []
    for copper in range(coppers):
        holes = [box(6) for _ in range(int(rng.integers(0, 6)))]
        mine = [corners for other, corners in pads if other == copper]
        cutouts.append(tuple(h for h in holes if not any(_overlap(h, pad) for pad in mine)))
    numbers = np.arange(len(pads))
    links = []
    for _ in range(int(rng.integers(2, 7)) if coppers > 1 else int(rng.integers(0, 2))):
        a, b = (int(n) for n in rng.choice(numbers, 2, replace=False))
        links.append((a, b, float(10 ** rng.uniform(-5, -1))))
    loops = [tuple(int(n) for n in rng.choice(numbers, 2, replace=False)) for _ in range(int(rng.integers(1, 4)))]
    sheets = tuple(float(10 ** rng.uniform(-3.6, -3.0)) for _ in range(coppers))
    return GridBoard((wide, deep), tuple(cutouts), tuple(pads), tuple(links), tuple(loops), sheets)


def _overlap(a: tuple[int, int, int, int], b: tuple[int, int, int, int]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def assert_meets(board: GridBoard, lower: Floats, upper: Floats, *, fine: int, currents: Floats) -> None:
    """
    Fail unless brackets of resistance meet those of the squares, for all currents through the loops.

    `lower` and `upper` are matrices, `currents` has a row of amperes for every combination to try.
    """
    low, high = board.never_too_high(fine), board.never_too_low(fine)

    def power(matrix: Floats) -> Floats:
        result: Floats = np.einsum("ni,ij,nj->n", currents, matrix, currents)
        return result

    slack = 1e-8 * power(high)
    assert np.all(power(lower) <= power(high) + slack), "a lower bound is above what currents over edges give"
    assert np.all(power(upper) >= power(low) - slack), "an upper bound is below what continuous potentials give"
