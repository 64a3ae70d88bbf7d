"""
Honesty of the doubt: how many impedances lie outside it, on random boards that nobody tuned anything for.

Every board has a ground plane with slots and antipads, three traces over it, a pair of connectors, and often a second
plane, floating or joined by vias. The reference is extrapolated from finer meshes, twice; an entry counts where the two
agree to a third of its doubt. The last columns say how wide the doubt is against what it bounds: a doubt that holds by
being vast is no use.

    python benchmarks/doubt.py [--boards 10] [--seed 20261126] [--keep FILE]
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import returnflow as rf
from returnflow.magnetic.broadband import Broadband, reduce
from returnflow.magnetic.meshing import COARSER, system_of
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Case

Complexes = NDArray[np.complex128]

FREQUENCIES = (2e3, 2e4, 2e5, 2e6, 5e7, 1e9)
FINER = (0.6, 0.42)  # edges of the reference meshes over those of the mesh itself


def random_board(seed: int) -> str:
    """Text of a case; whatever is drawn is whole tenths of a millimetre."""
    rng = np.random.default_rng(seed)
    width, height = (float(round(v)) for v in rng.uniform((30, 24), (60, 45)))
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
    coarse: Complexes
    finer: tuple[Complexes, ...]
    doubt: NDArray[np.float64]
    edges: tuple[float, ...]  # of coarse, own and finer meshes, relative to the own
    seconds: float


def measured(case: Case) -> Measured:
    """Solve a board on its own meshes, as the product does, and on finer ones."""
    begin = time.perf_counter()
    conductors = Conductors.of(case)
    loops, thickness = conductors.ends(case), tuple(Conductors.magnetic(case).foils[0].tolist())

    def solved(factor: float) -> Broadband:
        system = system_of(case, conductors, loops, coarser=factor)
        return reduce(system, thickness, case.board.temperature, squares)

    # One resistive end for all: at 0 Hz they agree.
    squares = None
    squares = system_of(case, conductors, loops).resistance
    own, coarse = solved(1.0), solved(COARSER)
    model = replace(own, coarse=coarse)
    finer = [solved(factor) for factor in FINER]
    counts = np.array([len(each.system.space.mesh.triangles) for each in (coarse, own, *finer)])
    every = [np.array([each.impedance(f) for f in FREQUENCIES]) for each in (own, coarse, *finer)]
    doubt = np.array([model.doubt(f) for f in FREQUENCIES])
    edges = tuple(np.sqrt(counts[1] / counts).tolist())
    return Measured(every[0], every[1], tuple(every[2:]), doubt, edges, time.perf_counter() - begin)


def extrapolated(coarse: Complexes, fine: Complexes, ratio: float) -> Complexes:
    """To edges of no length, for an error that goes with the edge."""
    return fine + (fine - coarse) / (ratio - 1)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--boards", type=int, default=10)
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    found = []
    for n in range(asked.boards):
        try:
            one = measured(rf.parse_case(random_board(asked.seed + n)))
        except rf.CaseError as error:
            print(n, error)
            continue
        found.append(one)
        print(n, np.round(one.edges, 2), f"{one.seconds:.0f} s", flush=True)
        if asked.keep:
            asked.keep.write_bytes(pickle.dumps(found))
