"""
Honesty of the doubt: how many impedances lie outside it, on random boards that nobody tuned anything for.

Every board has a ground plane with slots and antipads, three traces over it, a pair of connectors, and often a second
plane, floating or joined by vias. The reference is what two finer pairs of meshes lead to; an entry counts where these
agree to a third of its doubt. The last columns say how wide the doubt is against what it bounds, and against couplings
above 1e-4 of the root of the product of both loops' own: a doubt that holds by being vast is no use.

    python benchmarks/doubt.py [--boards 10] [--seed 20261126] [--keep FILE] [--look]

`--look`: of a first look, which is one mesh alone.
"""

from __future__ import annotations

import argparse
import pickle
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import returnflow as rf
from returnflow.magnetic.meshing import COARSE
from returnflow.magnetic.one_mesh import LOOK
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Case

Complexes = NDArray[np.complex128]

FREQUENCIES = (2e3, 2e4, 2e5, 2e6, 5e7, 1e9)
FINER = (2.0, 3.5)  # edges of the mesh itself over those of the reference meshes
WEAK = 1e-4  # of the root of the product of both loops' own impedances


def random_board(seed: int) -> str:
    """Text of a case; whatever is drawn is whole tenths of a millimetre."""
    rng = np.random.default_rng(seed)
    width, height = (float(round(v)) for v in rng.uniform((24, 18), (40, 30)))
    above, below = (float(np.round(v, 2)) for v in np.exp(rng.uniform(np.log((0.2, 0.2)), np.log((1.6, 1.6)))))
    second = rng.choice(["none", "idle", "joined"])
    places: list[tuple[float, float]] = []
    while len(places) < 10:
        x, y = (float(np.round(v, 1)) for v in rng.uniform((3, 3), (width - 3, height - 3)))
        if all(np.hypot(x - a, y - b) > 3 for a, b in places):
            places.append((x, y))
    shapes = []
    for _ in range(rng.integers(0, 3)):
        x, y = (float(np.round(v, 1)) for v in rng.uniform((8, 8), (width - 8, height - 8)))
        end = [x, -1.0] if rng.random() < 0.5 else [float(np.round(x + rng.uniform(-8, 8), 1)), y + 6]
        shapes.append((f"{{ slot = [[{x}, {y}], {end}], width = {rng.choice([0.4, 1.0])} }}", (x, y), end))

    # A slot through a pad would be refused.
    def clear(start: tuple[float, float], end: list[float]) -> bool:
        line = np.linspace(start, end, 50)
        return all(np.hypot(*(line - place).T).min() > 1.6 for place in places)

    text = [
        'format = 1\ntitle = "random board (invented)"',
        f"board = {{ outline = {{ rect = [0, 0, {width}, {height}] }} }}",
    ]
    text.append(f'[[layer]]\nname = "L1"\ncopper_um = 35\nbelow_mm = {above}')
    text.append(f'[[layer]]\nname = "L2"\ncopper_um = 35\nbelow_mm = {below}')
    text.append(f'[[layer]]\nname = "L3"\ncopper_um = {rng.choice([18, 35])}')
    text.append('[[copper]]\nname = "ground"\nlayer = "L2"')
    if second != "none":
        text.append('[[copper]]\nname = "second"\nlayer = "L3"')
    text += [f'[[cutout]]\nname = "slot {n}"\ncopper = "ground"\nshape = {shape}'
             for n, (shape, *ends) in enumerate(shapes) if clear(*ends)]  # fmt: skip

    def pin(name: str, copper: str, place: tuple[float, float]) -> str:
        return f'[[terminal]]\nname = "{name}"\ncopper = "{copper}"\nat = [{place[0]}, {place[1]}]\ndiameter_mm = 0.8'

    text += [pin(f"P{n}", "ground", place) for n, place in enumerate(places)]
    if second == "joined":
        for n in (8, 9):
            text += [
                pin(f"Q{n}", "second", places[n]),
                f'[[link]]\nname = "via {n}"\nbetween = ["P{n}", "Q{n}"]\nresistance_ohm = 5e-4',
            ]
    for n in range(3):
        a, b = places[2 * n], places[2 * n + 1]
        bend = [a[0], b[1]] if rng.random() < 0.5 else [b[0], a[1]]
        bent = rng.random() < 0.7 and min(abs(a[0] - b[0]), abs(a[1] - b[1])) > 1
        path = [list(a), *([bend] if bent else []), list(b)]
        width = rng.choice([0.15, 0.3, 0.6])
        text.append(f'[[loop]]\nname = "trace {n}"\nrole = "noisy"\ninject = "P{2 * n + 1}"\nreturn = "P{2 * n}"')
        text.append(f'current_A = 1\nfrequency_Hz = 1e6\nroute = {{ layer = "L1", path = {path}, width_mm = {width} }}')
    text.append('[[loop]]\nname = "cables"\nrole = "cables"\ninject = "P6"\nreturn = "P7"\nlimit_V = 1')
    return "\n".join(text)


@dataclass(frozen=True)
class Measured:
    """Impedances of one board, (frequencies, loops, loops): as reported with their doubt, and two references."""

    reported: Complexes
    doubt: NDArray[np.float64]
    finer: tuple[Complexes, ...]
    triangles: tuple[int, ...]
    seconds: tuple[float, float]  # of processor: own, and references


def measured(case: Case, *, look: bool = False) -> Measured:
    """Solve a board on its own meshes, as the product does, or on one for a first look, and on finer ones."""
    conductors = Conductors.of(case)
    loops = conductors.ends(case)
    # One resistive end for all: at 0 Hz they agree.
    squares = solve(conductors, loops).squares
    begin = time.process_time()
    own = solve_broadband(replace(case, accuracy=LOOK) if look else case, conductors, loops, squares)
    between = time.process_time()
    tight = BroadbandOptions(accuracy=3e-4)
    finer = [solve_broadband(case, conductors, loops, squares, tight, coarser=COARSE / part) for part in FINER]
    counts = tuple(len(each.system.space.mesh.triangles) for each in (own, *finer))
    every = [np.array([each.impedance(f) for f in FREQUENCIES]) for each in (own, *finer)]
    doubt = np.array([own.doubt(f) for f in FREQUENCIES])
    seconds = between - begin, time.process_time() - between
    return Measured(every[0], doubt, tuple(every[1:]), counts, seconds)


@dataclass(frozen=True)
class Judged:
    """Of entries whose references agree: how far off against the doubt; and doubt over error and over value."""

    part: NDArray[np.float64]
    wide: NDArray[np.float64]
    known: NDArray[np.float64]  # of transfers above WEAK
    unsure: int


def judged(boards: Sequence[Measured]) -> Judged:
    """Every entry of all boards at all frequencies, each pair of loops once."""
    part, wide, known, unsure = [], [], [], 0
    for board in boards:
        for f in range(len(FREQUENCIES)):
            Z, half = board.finer[1][f], board.doubt[f]
            off, apart = np.abs(board.reported[f] - Z), np.abs(board.finer[0][f] - Z)
            own = np.sqrt(np.abs(np.diag(Z)))
            for i, j in zip(*np.triu_indices(len(Z)), strict=True):
                if apart[i, j] > half[i, j] / 3:
                    unsure += 1
                    continue
                part.append(off[i, j] / half[i, j])
                wide.append(half[i, j] / max(off[i, j], 1e-30))
                if i != j and abs(Z[i, j]) > WEAK * own[i] * own[j]:
                    known.append(half[i, j] / abs(Z[i, j]))
    return Judged(np.array(part), np.array(wide), np.array(known), unsure)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--boards", type=int, default=10)
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--look", action="store_true")
    asked = parser.parse_args()
    found: list[Measured] = []
    print("board | triangles, those of references | seconds | entries | outside | farthest | not judged")
    for n in range(asked.boards):
        try:
            one = measured(rf.parse_case(random_board(asked.seed + n)), look=asked.look)
        except rf.CaseError as error:
            print(n, error)
            continue
        found.append(one)
        it = judged([one])
        print(f"{n} | {one.triangles} | {one.seconds[0]:.1f}, {one.seconds[1]:.1f} | {len(it.part)} | "
              f"{np.sum(it.part > 1)} | {np.max(it.part):.2f} | {it.unsure}", flush=True)  # fmt: skip
        if asked.keep:
            asked.keep.write_bytes(pickle.dumps(found))
    it = judged(found)
    print(f"outside: {np.mean(it.part > 1):.1%} of {len(it.part)}, farthest {np.max(it.part):.2f} half-widths")
    print(f"half-width over error, median: {np.median(it.wide):.1f}")
    print(f"half-width of transfers above {WEAK:g}: median {np.median(it.known):.2%}, "
          f"nine of ten below {np.quantile(it.known, 0.9):.2%}, above 2 %: {np.mean(it.known > 0.02):.0%}")  # fmt: skip
