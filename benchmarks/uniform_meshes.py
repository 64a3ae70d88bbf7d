"""
Growth of time and memory with the mesh: 30 k to 1 M triangles, both sides, six loops.

The plane is the 100 x 80 mm board of the check values with four pads; its exact transfer resistance is known, so
the table shows the error beside the time. First-order elements, the ones a million triangles are for.

    python benchmarks/uniform_meshes.py [--order 1|2] [--backend scipy|pardiso]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time

import numpy as np
from machine import describe, peak_memory

from returnflow.resistive.conduction import solve_on
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.model.shapes import circle, rectangle

SIZES_MM = {1: (0.80, 0.44, 0.25, 0.137), 2: (1.6, 0.88, 0.5, 0.27)}
LOOPS = [(0, 1), (2, 3), (0, 2), (1, 3), (0, 3), (1, 2)]
EXACT = 0.307118235  # R_AB,CD in squares: board 100 x 80 mm, pads of radius 0.5 mm (derived, verified two ways)


def one(size_mm: float, order: int, backend: str | None) -> dict[str, float]:
    """Mesh and solve one size; seconds of each part."""
    pads = [circle(x, y, 1e-3, corners=24) for x, y in ((0.02, 0.02), (0.08, 0.06), (0.02, 0.06), (0.08, 0.02))]
    begin = time.perf_counter()
    mesh = Mesher(Plane(rectangle(0, 0, 0.1, 0.08), pads)).uniform(size_mm * 1e-3)
    meshed = time.perf_counter()
    result = solve_on(mesh, 4, LOOPS, 1.0, Options(order=order, backend=backend))
    end = time.perf_counter()
    seconds = result.seconds
    return {
        "triangles": len(mesh.triangles),
        "mesh": meshed - begin,
        "assembly": seconds["assembly"],
        "factor": seconds["factor"],
        "per loop": (seconds["solve"] + seconds["fields"]) / len(LOOPS),
        "total": end - begin,
        "memory MB": peak_memory(),
        "bracket": float(np.max(np.diag(result.half_width) / np.diag(result.mid))),
        "error": abs(result.mid[0, 1] / EXACT - 1),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--order", type=int, choices=(1, 2), default=1)
    parser.add_argument("--backend", choices=("scipy", "pardiso"))
    parser.add_argument("--one", type=float, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one, options.order, options.backend)))
        return
    print(describe())
    print(
        f"order {options.order}, solver {options.backend or 'chosen automatically'}; seconds of wall time, six loops\n"
    )
    rows = []
    for size in SIZES_MM[options.order]:
        # A process of its own for each size, so that its peak memory is its own.
        command = [sys.executable, __file__, "--one", str(size), "--order", str(options.order)]
        command += ["--backend", options.backend] if options.backend else []
        rows.append(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
        if len(rows) == 1:
            print("  ".join(f"{key:>9}" for key in rows[0]))
        print(
            "  ".join(f"{value:9.3g}" if key != "triangles" else f"{value:9d}" for key, value in rows[-1].items()),
            flush=True,
        )
    sizes = np.log([row["triangles"] for row in rows])
    for key in ("mesh", "assembly", "factor", "per loop", "total", "memory MB"):
        slope = np.polyfit(sizes, np.log([row[key] for row in rows]), 1)[0]
        print(f"growth exponent of {key}: {slope:.2f}")


if __name__ == "__main__":
    main()
