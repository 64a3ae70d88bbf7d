"""
The same resistance matrix, scripted plainly with other libraries: seconds of processor to a true error.

Six loops on the example's ground plane at 0 Hz, plain and with 300 antipads. What each peer gets that its author would
not have: the same polygons, the same coarse mesh, and the right moment to stop, as its true error is known here.

* this program, for brackets of 5, 1 and 0.2 %;
* scikit-fem, quadratic elements, its own residual estimator and refinement (see `plain_script.py`);
* ngsolve, elements of order 2, 3 and 4, refined by the estimator of its documentation (recovered flux), its own
  sparse Cholesky factors; skipped where it is not installed (`pip install ngsolve`);
* finite differences as practitioners script them: square cells, scipy's direct solver.

With `--magnetic` the integrals of the broadband part: dense single-layer matrices of a boundary-element library
(bempp-cl) and the kernel of a library for thin superconducting sheets (superscreen), against this program's operator,
on one mesh; skipped where they are not installed.

    python benchmarks/peers.py [--antipads 0 300] [--minutes 3]
    python benchmarks/peers.py --magnetic [--size 2.4]
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import time
from typing import Any

import numpy as np
import shapely
from boards import EXAMPLE, Task, resistive_only, worst_error
from machine import describe, peak_memory
from plain_script import marked, plain, task
from scipy.sparse import coo_array
from scipy.sparse.linalg import splu

from returnflow_geometry.mesh.mesher import Mesher

ACCURACIES = (0.05, 0.01, 0.002)
CELLS_MM = (0.4, 0.2, 0.1, 0.05)
LEVELS = (1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 3e-5)
MOST_UNKNOWNS = 3_000_000

Row = dict[str, Any]


def this_program(job: Task, truth: np.ndarray, _minutes: float) -> list[Row]:
    """One row for every accuracy that is asked for."""
    rows = []
    for accuracy in ACCURACIES:
        begin = time.process_time()
        found = job.solve(accuracy)
        seconds = time.process_time() - begin
        rows.append(
            {"unknowns": found.space.size, "sum": seconds, "last": None, "error": worst_error(found.mid, truth)}
        )
    return rows


def scikit_fem(job: Task, truth: np.ndarray, minutes: float) -> list[Row]:
    """Adaptive, mesh after mesh."""
    return plain(job, True, truth, LEVELS[-1], minutes, time.process_time)


def ngsolve_of(order: int) -> Any:
    """Method with elements of an order."""

    def solve(job: Task, truth: np.ndarray, minutes: float) -> list[Row]:
        import ngsolve as ng
        from netgen.meshing import Element1D, Element2D, MeshPoint, Pnt
        from netgen.meshing import Mesh as Drawn

        begin = time.process_time()
        coarse = Mesher(job.plane).coarse()
        drawn = Drawn(dim=2)
        points = [drawn.Add(MeshPoint(Pnt(float(x), float(y), 0.0))) for x, y in coarse.points]
        copper = drawn.AddRegion("copper", dim=2)
        for corners in coarse.triangles:
            drawn.Add(Element2D(copper, [points[n] for n in corners]))
        rims = {
            tuple(sorted(map(int, coarse.edge_ends[t, k]))): int(c)
            for (t, k), c in zip(coarse.contact_edges, coarse.contact_of, strict=True)
        }
        regions = [drawn.AddRegion(f"c{n}", dim=1) for n in range(len(job.plane.contacts))]
        free = drawn.AddRegion("rim", dim=1)
        for (a, b), count in _edges(coarse.triangles).items():
            if count == 1:
                drawn.Add(Element1D([points[a], points[b]], index=regions[rims[a, b]] if (a, b) in rims else free))
        mesh = ng.Mesh(drawn)
        rows: list[Row] = []
        injected = np.zeros((len(regions), len(job.loops)))
        for number, (start, end) in enumerate(job.loops):
            injected[start, number], injected[end, number] = 1.0, -1.0
        while True:
            now = time.process_time()
            space = ng.H1(mesh, order=order, dirichlet="c.*")
            u, v = space.TnT()
            matrix = ng.BilinearForm(ng.grad(u) * ng.grad(v) * ng.dx).Assemble()
            factor = matrix.mat.Inverse(space.FreeDofs(), inverse="sparsecholesky")
            fields = []
            for number in range(len(regions)):
                field = ng.GridFunction(space)
                field.Set(1.0, definedon=mesh.Boundaries(f"^c{number}$"))
                rest = field.vec.CreateVector()
                rest.data = -matrix.mat * field.vec
                field.vec.data += factor * rest
                fields.append(field)
            images = []
            for field in fields:
                image = field.vec.CreateVector()
                image.data = matrix.mat * field.vec
                images.append(image)
            conductance = np.array([[ng.InnerProduct(one.vec, image) for image in images] for one in fields])
            voltage = np.zeros_like(injected)
            voltage[1:] = np.linalg.solve(conductance[1:, 1:], injected[1:])
            squares = injected.T @ voltage
            done = time.process_time()
            error = worst_error(job.sheet * squares, truth)
            rows.append({"unknowns": space.ndof, "sum": done - begin, "last": done - now, "error": error})
            if error <= LEVELS[-1] or done - begin > 60 * minutes or 1.5 * space.ndof > MOST_UNKNOWNS:
                return rows
            total = np.zeros(mesh.ne)
            flux_space = ng.VectorH1(mesh, order=order)
            for number in range(len(job.loops)):
                potential = ng.GridFunction(space)
                potential.vec[:] = 0.0
                for weight, field in zip(voltage[:, number], fields, strict=True):
                    potential.vec.data += float(weight) * field.vec
                recovered = ng.GridFunction(flux_space)
                recovered.Set(ng.grad(potential))
                off = ng.grad(potential) - recovered
                total += (
                    np.array(ng.Integrate(ng.InnerProduct(off, off), mesh, element_wise=True)) / squares[number, number]
                )
            chosen = set(marked(total).tolist())
            for number, element in enumerate(mesh.Elements()):
                mesh.SetRefinementFlag(element, number in chosen)
            mesh.Refine()

    return solve


def _edges(triangles: np.ndarray) -> dict[tuple[int, int], int]:
    ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
    pairs, count = np.unique(ends, axis=0, return_counts=True)
    return {(int(a), int(b)): int(n) for (a, b), n in zip(pairs, count, strict=True)}


def finite_differences(job: Task, truth: np.ndarray, minutes: float) -> list[Row]:
    """Square cells, in the copper where their centre is; a contact's cells are one."""
    rows = []
    for size in CELLS_MM:
        begin = time.process_time()
        step = 1e-3 * size
        copper = shapely.union_all([job.plane.copper, *job.plane.contacts])
        x0, y0, x1, y1 = copper.bounds
        x, y = np.meshgrid(np.arange(x0 + step / 2, x1, step), np.arange(y0 + step / 2, y1, step))
        shapely.prepare(copper)
        inside = shapely.contains_xy(copper, x, y)
        number = np.full(x.shape, -1)
        number[inside] = np.arange(int(inside.sum()))
        count = int(inside.sum())
        for n, contact in enumerate(job.plane.contacts):
            within = shapely.contains_xy(contact, x, y) & inside
            if not within.any():
                cx, cy = contact.centroid.coords[0]
                within = inside & (np.hypot(x - cx, y - cy) == np.hypot(x - cx, y - cy)[inside].min())
            number[within] = count + n
        used, compact = np.unique(number[inside], return_inverse=True)
        number[inside] = compact
        a = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
        b = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
        joined = (a >= 0) & (b >= 0) & (a != b)
        a, b, total = a[joined], b[joined], len(used)
        one = np.ones(len(a))
        matrix = coo_array(
            (np.concatenate([one, one, -one, -one]), (np.concatenate([a, b, a, b]), np.concatenate([a, b, b, a]))),
            shape=(total, total),
        ).tocsc()
        at = total - len(job.plane.contacts) + np.arange(len(job.plane.contacts))
        injected = np.zeros((total, len(job.loops)))
        for n, (start, end) in enumerate(job.loops):
            injected[at[start], n], injected[at[end], n] = 1.0, -1.0
        voltage = np.vstack([np.zeros((1, len(job.loops))), splu(matrix[1:, 1:].tocsc()).solve(injected[1:])])
        squares = injected.T @ voltage
        done = time.process_time()
        error = worst_error(job.sheet * squares, truth)
        rows.append({"unknowns": total, "sum": done - begin, "last": done - begin, "error": error, "cell": size})
        if 4 * (done - begin) > 60 * minutes:
            break
    return rows


METHODS = {
    "this program": this_program,
    "scikit-fem, order 2": scikit_fem,
    "ngsolve, order 2": ngsolve_of(2),
    "ngsolve, order 3": ngsolve_of(3),
    "ngsolve, order 4": ngsolve_of(4),
    "finite differences": finite_differences,
}


def board(antipads: int) -> Task:
    """The problem, plain or with antipads."""
    return task(antipads) if antipads else Task.of(resistive_only(EXAMPLE.read_text(encoding="utf-8")))


def child(request: dict[str, Any]) -> list[Row]:
    """Rows of one method, with the peak of memory of this process."""
    job, truth = board(request["antipads"]), np.array(request["truth"])
    rows = METHODS[request["method"]](job, truth, request["minutes"])
    return [row | {"memory": peak_memory()} for row in rows]


def ask(request: dict[str, Any]) -> list[Row]:
    """Rows from a process of its own, on one core."""
    alone = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "NGS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, __file__, "--child"], input=json.dumps(request), check=True, stdout=subprocess.PIPE, text=True,
        env=alone,
    )  # fmt: skip
    found: list[Row] = json.loads(done.stdout.splitlines()[-1])
    return found


def first_within(rows: list[Row], error: float) -> str:
    """Seconds of the cheapest row that is good enough; those of its last mesh alone in brackets."""
    good = [row for row in rows if row["error"] <= error]
    if not good:
        return "-"
    best = min(good, key=lambda row: float(row["sum"]))
    last = best["last"]
    return f"{best['sum']:.2f}" + (f" ({last:.2f})" if last is not None and last < 0.99 * best["sum"] else "")


def resistive(antipads: int, minutes: float) -> None:
    """Table of one board."""
    truth, width = board(antipads).reference(3e-4)
    print(f"\n{antipads} antipads; the reference's brackets are within {width:.1e}; seconds of processor")
    print(f"{'true error at most':24}" + "".join(f"{level:>15.0e}" for level in LEVELS))
    for method in METHODS:
        if method.startswith("ngsolve") and importlib.util.find_spec("ngsolve") is None:
            print(f"{method:24} not installed")
            continue
        rows = ask({"method": method, "antipads": antipads, "truth": truth.tolist(), "minutes": minutes})
        print(f"{method:24}" + "".join(f"{first_within(rows, level):>15}" for level in LEVELS), flush=True)
        for row in rows:
            kind = f"cells of {row['cell']} mm" if "cell" in row else f"{row['unknowns']} unknowns"
            print(f"    {kind:20} {row['sum']:8.2f} s  error {row['error']:.1e}  {row['memory']:6.0f} MB", flush=True)


def magnetic(size: float) -> None:
    """Set-up and application of the integrals of the broadband part, on one mesh of a board."""
    from broadband import board as meshed

    from returnflow.magnetic.induction import PanelOperator

    mesh = meshed(size, graded=False)
    corners = mesh.points[mesh.triangles]
    q = np.random.default_rng(20261128).standard_normal((len(corners), 4))
    begin = time.process_time()
    operator = PanelOperator(corners)
    built = time.process_time()
    mine = operator @ q
    applied = time.process_time()
    print(f"{len(corners)} triangles, {len(mesh.points)} points; seconds of processor: set-up, application")
    print(f"this program        {built - begin:8.2f} {applied - built:8.4f}")
    if importlib.util.find_spec("bempp_cl") is not None:
        from bempp_cl import api  # type: ignore[import-not-found]

        points = 1e3 * np.column_stack([mesh.points, np.zeros(len(mesh.points))])
        for turn in ("with compiling", "again"):
            grid = api.Grid(points.T, mesh.triangles.T.astype(np.uint32))
            space = api.function_space(grid, "DP", 0)
            begin = time.process_time()
            theirs = api.operators.boundary.laplace.single_layer(space, space, space, assembler="dense")
            matrix = 4e-9 * np.pi * theirs.weak_form().to_dense()
            built = time.process_time()
            other = matrix @ q
            off = float(np.linalg.norm(mine - other) / np.linalg.norm(other))
            seconds = time.process_time() - built
            print(f"bempp-cl, {turn:14}{built - begin:6.2f} {seconds:8.4f}  difference {off:.1e}")
    if importlib.util.find_spec("superscreen") is not None:
        from superscreen.distance import q_matrix  # type: ignore[import-not-found]

        begin = time.process_time()
        kernel = q_matrix(1e3 * mesh.points)
        built = time.process_time()
        kernel @ np.random.default_rng(1).standard_normal((len(kernel), 4))
        seconds = time.process_time() - built
        print(f"superscreen, kernel {built - begin:8.2f} {seconds:8.4f}  between {len(kernel)} points")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--antipads", type=int, nargs="+", default=[0, 300])
    parser.add_argument("--minutes", type=float, default=3.0, help="of processor for each peer")
    parser.add_argument("--magnetic", action="store_true")
    parser.add_argument("--size", type=float, default=2.4, help="mm, of the magnetic comparison's triangles")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        print(json.dumps(child(json.load(sys.stdin))))
        return
    print(describe())
    if options.magnetic:
        magnetic(options.size)
        return
    for antipads in options.antipads:
        resistive(antipads, options.minutes)


if __name__ == "__main__":
    main()
