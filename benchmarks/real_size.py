"""
Boards as large as real ones: time, memory and triangles against the number of antipads and of loops, at 0 Hz.

A plane of 100 x 80 mm with antipads of 0.5 mm spread evenly, and loops of 10 to 20 mm in one corner of it; invented.

    python benchmarks/real_size.py [--antipads 300 1000 3000] [--loops 3 60] [--accuracy 0.01]
    python benchmarks/real_size.py --bounds 50 [--antipads 3000]

    python benchmarks/real_size.py --far [--antipads 300 1000 3000 10000]

With `--far` the quarter of the loops has the 75 antipads of a board with 300, and all others lie outside: what a board
costs whose antipads are far from what is asked.

With `--bounds` as many random boards are solved with and without simplification: every bracket of the simplified one
must hold the middle of the other.

    python benchmarks/real_size.py --devices 6 60

With `--devices` as many devices draw their current from one connector, beside a weak input, and the whole command is
timed: solving, trials, pictures and report.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import shapely
from machine import describe, peak_memory

from returnflow.resistive.conduction import solve
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh import spare
from returnflow_geometry.mesh.mesher import Plane
from returnflow_geometry.model.shapes import circle, rectangle

MM = 1e-3
WIDTH, DEPTH, ANTIPAD = 100.0, 80.0, 0.5  # mm
QUARTER, NEAR = (50.0, 40.0), 300  # mm, of the loops; density of antipads in it as if so many were spread evenly


def board(
    antipads: int, loops: int, seed: int = 20_261_126, *, far: bool = False
) -> tuple[Plane, list[tuple[int, int]]]:
    """Plane and loops: contacts in one quarter, antipads all over or mostly outside, at least 1.3 diameters apart."""
    rng = np.random.default_rng(seed)
    pads: list[np.ndarray] = []
    while len(pads) < 2 * loops:
        place = rng.uniform((3, 3), (30, 25) if len(pads) % 2 == 0 else (35, 30))
        if all(np.hypot(*(place - other)) > 1.5 for other in pads):
            pads.append(place)
    if far:
        places = _lattice(NEAR, pads, rng)
        inside = np.all(places < (QUARTER[0], QUARTER[1]), axis=1)
        others = _lattice(max(antipads - int(inside.sum()), 0) * 4 / 3, pads, rng)
        outside = ~np.all(others < (QUARTER[0] + 1, QUARTER[1] + 1), axis=1)
        places = np.concatenate([places[inside], others[outside]])[:antipads]
    else:
        places = _lattice(antipads, pads, rng)[:antipads]
    holes = [circle(*(place * MM), ANTIPAD * MM) for place in places]
    copper = shapely.difference(rectangle(0, 0, WIDTH * MM, DEPTH * MM), shapely.union_all(holes))
    return Plane(copper, [circle(*(place * MM), 0.6 * MM) for place in pads]), [
        (2 * n, 2 * n + 1) for n in range(loops)
    ]


def _lattice(antipads: float, pads: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Places on a lattice that is jittered as far as the distance allows, at least as many, in any order."""
    step = np.sqrt(0.9 * WIDTH * DEPTH / max(antipads, 1))
    x, y = np.meshgrid(np.arange(1.5, WIDTH - 1, step), np.arange(1.5, DEPTH - 1, step))
    places = np.column_stack([x.ravel(), y.ravel()])
    places += rng.uniform(-1, 1, places.shape) * max(0.0, 0.5 * (step - 1.3 * ANTIPAD)) * 0.7
    away = np.min(np.hypot(*(places[:, None] - np.array(pads)).transpose(2, 0, 1)), axis=1) > 1.0
    return rng.permutation(places[away])


def one(antipads: int, loops: int, accuracy: float, *, far: bool) -> dict[str, float]:
    """Solve one board."""
    plane, ends = board(antipads, loops, far=far)
    begin, cpu = time.perf_counter(), time.process_time()
    result = solve(plane, ends, 1.0, Options(accuracy=accuracy, most_triangles=3_000_000))
    return {
        "antipads": antipads,
        "loops": loops,
        "triangles": len(result.mesh.triangles),
        "simplified": getattr(result, "simplified", (0, 0))[0],
        "seconds": time.perf_counter() - begin,
        "processor": time.process_time() - cpu,
        "memory MB": peak_memory(),
        "bracket": float(np.max(result.accuracy_reached())),
    }


def bounds(boards: int, most: int) -> None:
    """Simplified against unsimplified on random boards with 300 antipads and more."""
    rng = np.random.default_rng(7_411)
    worst = 0.0
    for number in range(boards):
        antipads = int(300 * (most / 300) ** rng.random())
        plane, ends = board(antipads, 3, int(rng.integers(1, 10**6)))
        accuracy = float(rng.choice([0.05, 0.1, 0.2]))
        simple = solve(plane, ends, 1.0, Options(accuracy=accuracy, most_triangles=3_000_000))
        few, spare.FEW = spare.FEW, 10**9
        full = solve(plane, ends, 1.0, Options(accuracy=min(accuracy, 0.05), most_triangles=3_000_000))
        spare.FEW = few
        off = float(np.max(np.abs(simple.mid - full.mid) / simple.half_width))
        worst = max(worst, off)
        print(f"{number + 1}: {simple.simplified[0]} of {simple.simplified[1]} simplified, middle off by {off:.2f} of "
              f"its half-width, at most {worst:.2f} so far", flush=True)  # fmt: skip
    print("THE CLAIM HOLDS" if worst <= 1 else "THE CLAIM DOES NOT HOLD")


def devices(count: int) -> str:
    """Case of devices that are supplied from one connector, each a loop, beside a weak input; invented."""
    rng = np.random.default_rng(3)
    pads: list[np.ndarray] = []
    while len(pads) < count:
        place = rng.uniform((8, 25), (92, 75))
        if all(np.hypot(*(place - other)) > 3 for other in pads):
            pads.append(place)

    def pin(name: str, x: float, y: float, diameter: float) -> str:
        return f'{{ name = "{name}", copper = "ground", at = [{x:.2f}, {y:.2f}], diameter_mm = {diameter} }}'

    pins = [pin("J1", 5, 5, 1.5), pin("IN", 60, 5, 1), pin("AMP", 70, 20, 0.5)]
    pins += [pin(f"U{n}", x, y, 0.5) for n, (x, y) in enumerate(pads)]
    loops = [
        '{ name = "weak", role = "sensitive", inject = "AMP", return = "IN", signal_V = 0.01, tolerates_V = 1e-6 }'
    ]
    loops += [
        f'{{ name = "device {n}", role = "noisy", inject = "U{n}", return = "J1", current_A = {current:.3f} }}'
        for n, current in enumerate(rng.uniform(0.01, 0.3, count))
    ]
    listed = {name: ",\n  ".join(rows) for name, rows in (("terminal", pins), ("loop", loops))}
    return f"""
format = 1
title = "{count} devices"
board = {{ outline = {{ rect = [0, 0, {WIDTH}, {DEPTH}] }} }}
layer = [{{ name = "L1", copper_um = 35 }}]
copper = [{{ name = "ground", layer = "L1" }}]
region = [{{ name = "analog", copper = "ground", shape = {{ rect = [55, 0, 80, 24] }} }}]
solve = {{ frequencies_Hz = [0], accuracy = 0.02 }}
terminal = [
  {listed["terminal"]},
]
loop = [
  {listed["loop"]},
]
"""


def commands(counts: list[int]) -> None:
    """The whole command for boards with so many devices, one after the other; the second against the first."""
    spent = []
    for count in counts:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "devices.toml"
            path.write_text(devices(count), encoding="utf-8")
            begin, before = time.perf_counter(), os.times()
            command = [sys.executable, "-m", "returnflow", "run", str(path), "-o", f"{folder}/report", "--quiet"]
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            after = os.times()
        cpu = after.children_user + after.children_system - before.children_user - before.children_system
        spent.append((time.perf_counter() - begin, cpu))
        print(f"{count} devices: {spent[-1][0]:.1f} s, {cpu:.1f} s of processor", flush=True)
    for count, (wall, cpu) in zip(counts[1:], spent[1:], strict=True):
        times = wall / spent[0][0], cpu / spent[0][1]
        print(f"{count} against {counts[0]}: {times[0]:.1f} times the time, {times[1]:.1f} of processor")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--antipads", type=int, nargs="+", default=[300, 1000, 3000])
    parser.add_argument("--loops", type=int, nargs="+", default=[3])
    parser.add_argument("--accuracy", type=float, default=0.01)
    parser.add_argument("--bounds", type=int)
    parser.add_argument("--far", action="store_true")
    parser.add_argument("--devices", type=int, nargs="+")
    parser.add_argument("--one", type=int, nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(*options.one, options.accuracy, far=options.far)))
        return
    print(describe())
    if options.bounds:
        bounds(options.bounds, max(options.antipads))
        return
    if options.devices:
        commands(options.devices)
        return
    rows = []
    for loops in options.loops:
        for antipads in options.antipads:
            # A process of its own for each, so that its peak memory is its own.
            command = [
                sys.executable,
                __file__,
                "--one",
                str(antipads),
                str(loops),
                "--accuracy",
                str(options.accuracy),
                *(["--far"] if options.far else []),
            ]
            rows.append(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
            if len(rows) == 1:
                print("  ".join(f"{key:>10}" for key in rows[0]))
            cells = [f"{value:10.3g}" if isinstance(value, float) else f"{value:10d}" for value in rows[-1].values()]
            print("  ".join(cells), flush=True)
        mine = [row for row in rows if row["loops"] == loops and row["antipads"] >= 1000]
        if len(mine) > 1:
            for key in ("triangles", "processor", "memory MB"):
                slope = np.polyfit(np.log([row["antipads"] for row in mine]), np.log([row[key] for row in mine]), 1)[0]
                print(f"growth exponent of {key} from 1 000 antipads on, {loops} loops: {slope:.2f}")


if __name__ == "__main__":
    main()
