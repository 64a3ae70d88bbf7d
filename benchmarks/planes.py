"""
Planes with a dielectric between them: what a supply plane costs, and a pair of planes with forty capacitors.

The magnetic part alone, both meshes, each row in a process of its own: the weighing controller as in its example;
with its supply plane; with permittivity as well; with eleven capacitors and a supply pin. Then two bare planes of
100 x 80 mm, 0.1 mm apart, with forty capacitors, to 1 GHz.

    python benchmarks/planes.py [--rows two plane dielectric supply pair] [--profile]
"""

from __future__ import annotations

import argparse
import cProfile
import dataclasses
import json
import pstats
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from machine import describe, peak_memory

import returnflow as rf
from returnflow.magnetic import solving
from returnflow.magnetic.dielectric import facing
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.board import Case

EXAMPLES = Path(__file__).parent.parent / "examples"
PAIR = """
format = 1
title = "Two planes with forty capacitors"
[board]
outline = { rect = [0, 0, 100, 80] }
[[layer]]
name = "L1"
copper_um = 35
below_mm = 0.1
permittivity = 4.3
loss_tangent = 0.02
[[layer]]
name = "L2"
copper_um = 35
[[copper]]
name = "supply"
layer = "L1"
[[copper]]
name = "ground"
layer = "L2"
[[terminal]]
name = "U1.VDD"
copper = "supply"
at = [20, 20]
diameter_mm = 0.3
[[terminal]]
name = "U1.GND"
copper = "ground"
at = [20, 20]
diameter_mm = 0.3
[[bank]]
name = "100 nF"
coppers = ["supply", "ground"]
everywhere = 40
capacitance_F = 100e-9
resistance_ohm = 0.02
inductance_H = 0.5e-9
mounting_H = 0.5e-9
[[loop]]
name = "core"
role = "supply"
on = "L1"
inject = "U1.GND"
return = "U1.VDD"
current_A = 0.1
frequency_Hz = 100e6
tolerates_V = 0.05
[solve]
via_inductance = true
frequencies_Hz = [0, 1e6, 1e9]
"""


def two() -> Case:
    """The weighing controller as in its example: two layers with copper, or a route."""
    return rf.read_case(EXAMPLES / "weighing_controller.toml")


def review() -> Case:
    """The whole review's board without its enclosure."""
    case = rf.read_case(EXAMPLES / "weighing_controller_review.toml")
    return next(variant.case for variant in case.variants if variant.name == "no enclosure")


def plane() -> Case:
    """Supply plane, and nothing that it is joined to."""
    case = dielectric()
    layers = tuple(dataclasses.replace(layer, permittivity=None) for layer in case.board.layers)
    return dataclasses.replace(case, board=dataclasses.replace(case.board, layers=layers))


def dielectric() -> Case:
    """The same with permittivity."""
    case, whole = two(), review()
    extra = [copper for copper in whole.board.coppers if copper.name == "supply"]
    layers = [layer for layer in whole.board.layers if layer.name != "enclosure"]
    layers[-1] = dataclasses.replace(layers[-1], below=None)
    board = dataclasses.replace(case.board, coppers=(*case.board.coppers, *extra), layers=tuple(layers))
    return dataclasses.replace(case, board=board)


def supply() -> Case:
    """The same with eleven capacitors, a supply pin and the length of vias, as in the review."""
    return review()


def pair() -> Case:
    """Two planes and forty capacitors."""
    return parse_case(PAIR)


ROWS: dict[str, Callable[[], Case]] = {
    "two": two, "plane": plane, "dielectric": dielectric, "supply": supply, "pair": pair,
}  # fmt: skip


def one(name: str, profile: bool) -> dict[str, object]:
    """Solve one row; seconds."""
    case = ROWS[name]()
    conductors = Conductors.of(case)
    seconds: dict[str, float] = {}

    def timed(where: str, function: Callable[..., object]) -> Callable[..., object]:
        def call(*args: object, **more: object) -> object:
            begin = time.perf_counter()
            result = function(*args, **more)
            seconds[where] = seconds.get(where, 0.0) + time.perf_counter() - begin
            return result

        return call

    for where in ("mesh_of", "system_on", "reduce", "facing_pieces"):
        setattr(solving, where, timed(where, getattr(solving, where)))
    profiler = cProfile.Profile()
    if profile:
        profiler.enable()
    begin, worked = time.perf_counter(), time.process_time()
    model = solving.solve_broadband(case, conductors, conductors.ends(case), None)
    total, worked = time.perf_counter() - begin, time.process_time() - worked
    if profile:
        profiler.disable()
        pstats.Stats(profiler, stream=sys.stderr).sort_stats("cumulative").print_stats(40)
        pstats.Stats(profiler, stream=sys.stderr).sort_stats("tottime").print_stats(25)
    return {
        "row": name,
        "triangles": len(model.system.space.mesh.triangles),
        "patterns": sum(piece.count for piece in facing(case, Conductors.magnetic(case))),
        "links": len(conductors.links),
        **seconds,
        "total": total,
        "processor": worked,
        "memory MB": peak_memory(),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", nargs="+", choices=ROWS, default=list(ROWS))
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--one", choices=ROWS, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one, options.profile)))
        return
    print(describe())
    for n, name in enumerate(options.rows):
        command = [sys.executable, __file__, "--one", name, *(["--profile"] if options.profile else [])]
        row = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)
        if not n:
            print("  ".join(f"{key:>10}" for key in row))
        cells = [f"{value:>10.4g}" if isinstance(value, float) else f"{value:>10}" for value in row.values()]
        print("  ".join(cells), flush=True)


if __name__ == "__main__":
    main()
