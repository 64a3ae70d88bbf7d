"""
Boards with wide, stacked and crossing routes make no energy: inductance and resistance at every frequency.

    python benchmarks/passive.py [--boards 200] [--seed 0]
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from machine import describe

sys.path[:0] = [str(Path(__file__).parents[1] / "tests")]

from randomroutes import random_routes  # noqa: E402

ROUNDING = 1e-6  # of the diagonal


def main() -> None:
    """Solve all boards; say which have a negative eigenvalue."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    begin = time.perf_counter()
    found = {seed: random_routes(seed).least() for seed in range(asked.seed, asked.seed + asked.boards)}
    below = {seed: value for seed, value in found.items() if value < -ROUNDING}
    print(f"{len(found)} boards, {time.perf_counter() - begin:.0f} s")
    print(f"least eigenvalue, of a diagonal of one: {min(found.values()):.1e}")
    print(f"negative: {below or 'none'}")
    print(describe())


if __name__ == "__main__":
    main()
