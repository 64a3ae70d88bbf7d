"""
The magnetic part: growth of time and memory with the mesh, and what one more frequency costs.

A 100 x 80 mm board, 35 um copper, six loops, four of them with routes, 0 to 1 GHz to 1e-3. Uniform meshes from 25 k to
400 k triangles, and meshes graded to a fraction of the height under the routes. Each size in a process of its own.
The dense operator beside the linear one where it fits. The last column is the largest change of an impedance against
the same board on a mesh of half the size.

    python benchmarks/broadband.py [--graded] [--dense] [--library] [--sizes ...]
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import subprocess
import sys
import time

import numpy as np
from machine import describe, peak_memory

from returnflow.magnetic.equations import assemble
from returnflow.magnetic.induction import PanelOperator
from returnflow.magnetic.panels import pair_integrals
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.magnetic.traces import Route
from returnflow_geometry.mesh.mesher import Mesh, Mesher, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.model.shapes import circle, rectangle

PLACES_MM = ((10, 10), (90, 70), (10, 70), (90, 10), (50, 20), (50, 60), (30, 40), (70, 40))
LOOPS = [(0, 1), (2, 3), (4, 5), (6, 7), (0, 5), (6, 3)]
BENDS_MM = (((90, 10),), (), (), None, None, ((70, 20),))  # of the routes; None: closed far away
HEIGHT, WIDTH = 0.5e-3, 0.3e-3

UNIFORM_MM = (0.86, 0.43, 0.305, 0.2155)  # 25 k, 100 k, 200 k, 400 k triangles
GRADED = (1.2, 0.6, 0.42, 0.29)  # of a third of the height under the routes
PARTS = ("mesh", "assembly", "preconditioner", "shifts", "total", "memory MB")


def routes() -> list[Route | None]:
    places = 1e-3 * np.array(PLACES_MM, dtype=float)
    found: list[Route | None] = []
    for (start, end), bends in zip(LOOPS, BENDS_MM, strict=True):
        if bends is None:
            found.append(None)
        else:
            via = 1e-3 * np.array(bends, dtype=float).reshape(-1, 2)
            found.append(Route(np.concatenate([places[[end]], via, places[[start]]]), HEIGHT, WIDTH))
    return found


def board(size: float, graded: bool) -> Mesh:
    """Mesh of a size in mm; graded: of a part of a third of the height under the routes."""
    pads = [circle(1e-3 * x, 1e-3 * y, 1e-3, corners=16) for x, y in PLACES_MM]
    mesher = Mesher(Plane(rectangle(0, 0, 0.1, 0.08), pads))
    if not graded:
        return mesher.uniform(size * 1e-3)
    step = size * HEIGHT / 3
    points = []
    for route in routes():
        if route is not None:
            for start, end in zip(route.path[:-1], route.path[1:], strict=True):
                count = int(np.ceil(np.linalg.norm(end - start) / step)) + 1
                points.append(start + np.linspace(0, 1, count)[:, None] * (end - start))
    under = np.concatenate(points)
    return mesher.graded(SizeField(under, np.full(len(under), step), 5e-3 * size, 0.3))


def one(size: float, graded: bool) -> dict[str, object]:
    """Mesh, assemble and reduce one size; seconds of each part."""
    begin = time.perf_counter()
    mesh = board(size, graded)
    meshed = time.perf_counter()
    system = assemble(mesh, len(PLACES_MM), LOOPS, routes())
    assembled = time.perf_counter()
    model = reduce(system, 35e-6, 20.0, options=BroadbandOptions(accuracy=1e-3))
    end = time.perf_counter()
    frequencies = np.geomspace(10, 1e9, 41)
    impedances = np.array([model.impedance(float(f)) for f in frequencies])
    matrix = (time.perf_counter() - end) / len(frequencies)
    start = time.perf_counter()
    for f in (1e3, 1e5, 1e7):
        model.stream(f)
    field = (time.perf_counter() - start) / 3
    return {
        "triangles": len(mesh.triangles),
        "mesh": meshed - begin,
        "assembly": assembled - meshed,
        **model.seconds,
        "total": end - begin,
        "memory MB": peak_memory(),
        "solves": len(model.shifts),
        "iterations": max(count for _, count in model.shifts),
        "Z ms": 1e3 * matrix,
        "field ms": 1e3 * field,
        "impedances": [impedances.real.tolist(), impedances.imag.tolist()],
    }


def change(one: np.ndarray, other: np.ndarray) -> float:
    """Largest change of an impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj)."""
    own = np.sqrt(np.abs(np.einsum("fii->fi", other)))
    scale = np.maximum(np.abs(other), 0.01 * own[:, :, None] * own[:, None, :])
    return float(np.max(np.abs(one - other) / scale))


def growth(sizes: tuple[float, ...], graded: bool) -> None:
    """Print the table of some sizes, and how its columns grow."""
    print(f"\n{'graded to the routes' if graded else 'uniform'}; seconds of wall time, six loops, to 1 GHz, to 1e-3\n")
    rows: list[dict[str, object]] = []
    last = None
    for size in sizes:
        command = [sys.executable, __file__, "--one", str(size)] + (["--graded"] if graded else [])
        row = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)
        real, imag = row.pop("impedances")
        now = np.array(real) + 1j * np.array(imag)
        if not rows:
            print("  ".join(f"{key:>9}" for key in (*row, "change")))
        cells = [f"{value:{max(9, len(key))}.3g}" for key, value in row.items()]
        cells[0] = f"{row['triangles']:9d}"
        print("  ".join([*cells, f"{change(last, now):9.1e}" if last is not None else f"{'':9}"]), flush=True)
        rows.append(row)
        last = now
    triangles = np.log([row["triangles"] for row in rows])
    for key in PARTS:
        slope = np.polyfit(triangles, np.log([row[key] for row in rows]), 1)[0]
        print(f"growth exponent of {key}: {slope:.2f}")


def dense(size: float = 1.8) -> None:
    """Linear operator beside the sum over all pairs: error, set-up, application, memory."""
    mesh = board(size, graded=False)
    corners = mesh.points[mesh.triangles]
    count = len(corners)
    begin = time.perf_counter()
    operator = PanelOperator(corners)
    built = time.perf_counter()
    rows = []
    for first in range(0, count, 100):
        i = np.arange(first, min(count, first + 100))
        rows.append(pair_integrals(corners, np.repeat(i, count), np.tile(np.arange(count), len(i))))
    matrix = np.concatenate(rows).reshape(count, count)
    full = time.perf_counter()
    q = np.random.default_rng(20261125).standard_normal((count, 12))
    operator @ q
    start = time.perf_counter()
    fast = operator @ q
    middle = time.perf_counter()
    exact = matrix @ q
    end = time.perf_counter()
    error = np.linalg.norm(fast - exact) / np.linalg.norm(exact)
    print(f"\noperator on {count} triangles, 12 columns, random charges: error {error:.1e}")
    print(f"linear: set-up {built - begin:.2f} s, application {1e3 * (middle - start):.1f} ms")
    print(f"dense:  set-up {full - built:.2f} s, application {1e3 * (end - middle):.1f} ms, {8e-6 * count**2:.0f} MB")


def library(size: float = 2.4) -> None:
    """The same integrals from a general-purpose boundary-element library, where it is installed."""
    if importlib.util.find_spec("bempp_cl") is None:
        print("\nbempp-cl is not installed: no comparison with a general-purpose library (pip install bempp-cl numba)")
        return
    from bempp_cl import api  # type: ignore[import-not-found]

    mesh = board(size, graded=False)
    corners = mesh.points[mesh.triangles]
    points = np.column_stack([mesh.points, np.zeros(len(mesh.points))])
    grid = api.Grid(1e3 * points.T, mesh.triangles.T.astype(np.uint32))  # in millimetres
    space = api.function_space(grid, "DP", 0)
    begin = time.perf_counter()
    theirs = api.operators.boundary.laplace.single_layer(space, space, space, assembler="dense")
    matrix = 4e-9 * np.pi * theirs.weak_form().to_dense()
    middle = time.perf_counter()
    operator = PanelOperator(corners)
    end = time.perf_counter()
    q = np.random.default_rng(20261125).standard_normal((len(corners), 4))
    off = np.linalg.norm(operator @ q - matrix @ q) / np.linalg.norm(matrix @ q)
    print(f"\nbempp-cl, Laplace single layer, P0, {len(corners)} triangles: relative difference {off:.1e}")
    print(f"set-up: dense there {middle - begin:.1f} s (compiling included), linear here {end - middle:.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--graded", action="store_true", help="meshes graded to the routes instead of uniform ones")
    parser.add_argument("--dense", action="store_true", help="only the dense operator beside the linear one")
    parser.add_argument("--library", action="store_true", help="only a general-purpose library beside the operator")
    parser.add_argument("--sizes", type=float, nargs="+", help="mm, or parts of a third of the height if graded")
    parser.add_argument("--one", type=float, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one, options.graded)))
        return
    print(describe())
    if options.dense or options.library:
        if options.dense:
            dense()
        if options.library:
            library()
        return
    growth(tuple(options.sizes or (GRADED if options.graded else UNIFORM_MM)), options.graded)


if __name__ == "__main__":
    main()
