"""Random boards with wide, stacked and crossing routes, and whether what is solved of them makes energy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import LineString

from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Board, Case, Copper, Layer, Loop, Outgoing, Terminal
from returnflow_geometry.model.shapes import circle, rectangle

MM = 1e-3
FREQUENCIES = (1e2, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9)


@dataclass(frozen=True)
class Routes:
    """A board of 16 x 12 mm with routes on two layers over its plane; half of the boards have idle copper on top."""

    case: Case

    def least(self) -> float:
        """Least eigenvalue of all that must not have a negative one, the diagonals being one."""
        conductors = Conductors.of(self.case)
        model = solve_broadband(self.case, conductors, conductors.ends(self.case), None)
        free = model.system.inductance - model.drive.T @ np.linalg.solve(model.induction, model.drive)
        return min(least(part) for part in
                   (model.slow_inductance, free, *(model.impedance(f).real for f in FREQUENCIES)))  # fmt: skip


def least(matrix: NDArray[np.float64]) -> float:
    """Least eigenvalue of a symmetric matrix whose diagonal is scaled to one."""
    root = np.sqrt(np.diag(matrix))
    return float(np.linalg.eigvalsh(matrix / root / root[:, None])[0])


def random_routes(seed: int) -> Routes:
    """
    Two to four routes, often one over another, or across it.

    Parameters
    ----------
    seed : int
    """
    rng = np.random.default_rng(seed)
    below = (float(rng.choice([0.1, 0.3])), float(rng.choice([0.1, 0.2])), float(rng.choice([0.3, 0.6])))
    thickness = [float(rng.choice([1e-6, 35e-6])) for _ in range(4)]
    layers = [Layer(name=f"L{n + 1}", thickness=thickness[n], below=below[n] * MM if n < 3 else None) for n in range(4)]
    coppers = [Copper(name="ground", layer="L4", shape=rectangle(0, 0, 16 * MM, 12 * MM))]
    if rng.random() < 0.5:
        x, y = rng.uniform((1, 1), (8, 6))
        coppers.append(Copper(name="idle", layer="L1", shape=rectangle(x * MM, y * MM, (x + 6) * MM, (y + 4) * MM)))
    spots = [(2, 3), (14, 3), (2, 6), (14, 6), (2, 9), (14, 9), (8, 1), (8, 11)]
    pins = [Terminal(name=f"p{n}", copper="ground", shape=circle(x * MM, y * MM, 0.5 * MM, corners=12))
            for n, (x, y) in enumerate(spots)]  # fmt: skip
    loops: list[Loop] = []
    for n in range(int(rng.integers(2, 5))):
        start, end = rng.choice(8, size=2, replace=False)
        path = _path(rng, spots[start], spots[end])
        if loops and rng.random() < 0.5:
            # Over or under the one before, or a little beside.
            assert loops[-1].route is not None
            shift = float(rng.choice([0, 0, 0.3, 1.0])) * MM
            path = [(x, y + shift) for x, y in loops[-1].route.path]
            start, end = (int(name[1:]) for name in (loops[-1].return_, loops[-1].inject))
        width = float(rng.choice([0.1, 0.4, 2.0, 5.0])) * MM
        route = Outgoing(layer=str(rng.choice(["L2", "L3"])), path=tuple(path), width=width)
        loops.append(Loop(name=f"r{n}", role="noisy", inject=f"p{end}", return_=f"p{start}", current=1.0, frequency=1e6,
                          route=route))  # fmt: skip
    outline = rectangle(-MM, -MM, 17 * MM, 13 * MM)
    board = Board(
        outline=outline, temperature=20.0, layers=tuple(layers), coppers=tuple(coppers), terminals=tuple(pins)
    )
    return Routes(Case(title="random routes", board=board, loops=tuple(loops)))


def _path(rng: np.random.Generator, start: Sequence[float], end: Sequence[float]) -> list[tuple[float, float]]:
    """Straight, or round a corner that is not too sharp, in metres."""
    places = [start, (end[0], start[1]), end] if rng.random() < 0.3 and start[1] != end[1] else [start, end]
    line = LineString(places).simplify(0)
    return [(x * MM, y * MM) for x, y in line.coords]
