"""
On random boards of several coppers, links, touching cutouts and idle pads, no bracket is off a second discretisation.

python benchmarks/random_brackets.py [BOARDS] [FIRST SEED]
"""

import importlib
import sys
import time
from pathlib import Path

import numpy as np

from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options

sys.path[:0] = [str(Path(__file__).parents[1] / "tests")]
grid = importlib.import_module("gridboard")


def main(boards: int, first: int) -> int:
    begin, solved, wrong, widest = time.perf_counter(), 0, [], 0.0
    for seed in range(first, first + boards):
        board = grid.random_grid_board(seed)
        case = board.case()
        if case is None:
            continue
        conductors = Conductors.of(case)
        found = solve(conductors, conductors.ends(case), options=Options(accuracy=0.05))
        currents = np.vstack(
            [np.eye(len(board.loops)), np.random.default_rng(seed).normal(size=(10, len(board.loops)))]
        )
        widest = max(widest, float(np.max(np.diag(found.upper - found.lower) / np.diag(found.upper + found.lower))))
        solved += 1
        try:
            grid.assert_meets(board, found.lower, found.upper, fine=2, currents=currents)
        except AssertionError as error:
            wrong.append((seed, str(error)))
        if solved % 500 == 0:
            print(f"{solved} solved, {len(wrong)} wrong, {time.perf_counter() - begin:.0f} s", flush=True)
    print(f"{solved} of {boards} boards solved in {time.perf_counter() - begin:.0f} s; widest bracket {widest:.2%}")
    print(f"brackets that miss the squares: {len(wrong)} {wrong[:5]}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(int((sys.argv[1:] or ["10000"])[0]), int((sys.argv[2:] or ["0"])[0])))
