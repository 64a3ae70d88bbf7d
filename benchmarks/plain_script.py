"""
The same problem scripted plainly with a general-purpose finite-element library, against this program.

The script (scikit-fem, quadratic elements, one contact after the other at one volt, its own assembly, condensation
and direct solver) starts from the same polygons and the same coarse mesh, and gets what the person who writes it
would not have: it stops at the right moment, because its error is measured against a reference it does not know. It
is refined (a) uniformly and (b) adaptively, in the library's documented manner: residual estimator, marked triangles
with half of the estimated error, `mesh.refined(marked)`.

Both are timed from the polygons in memory to the resistance matrix of six loops, each in a process of its own.

    python benchmarks/plain_script.py [--antipads 300] [--reference 3e-4] [--minutes 6]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import skfem
from boards import Task, resistive_only, weighing_controller_with_antipads, worst_error
from machine import describe, peak_memory
from scipy.sparse.linalg import splu
from skfem.helpers import dot, grad
from skfem.models.poisson import laplace

from returnflow_geometry.mesh.mesher import Mesher, Plane

ACCURACIES = (0.05, 0.01, 0.002)
MOST_UNKNOWNS, MOST_MEGABYTES = 4_000_000, 12_000
BULK = 0.5  # of the estimated error is in the triangles that are marked


# --- the plain script -------------------------------------------------------------------------------------------------


def contact_facets(mesh: skfem.MeshTri, plane: Plane) -> list[np.ndarray]:
    """Boundary facets on each contact, by their midpoints: refinement drops the names of boundaries."""
    rim = mesh.boundary_facets()
    x, y = mesh.p[:, mesh.facets[:, rim]].mean(axis=1)
    found = []
    for contact in plane.contacts:
        x0, y0, x1, y1 = contact.bounds
        slack = 1e-7
        found.append(rim[(x > x0 - slack) & (x < x1 + slack) & (y > y0 - slack) & (y < y1 + slack)])
    return found


def resistances(
    basis: skfem.Basis, rims: list[np.ndarray], loops: list[tuple[int, int]]
) -> tuple[np.ndarray, np.ndarray]:
    """Resistance matrix of the loops in squares, and the potential of every loop, shape (unknowns, loops)."""
    stiffness = laplace.assemble(basis)
    on_contact = [basis.get_dofs(rim).all() for rim in rims]
    held = np.concatenate(on_contact)
    one_volt = np.zeros((basis.N, len(rims)))
    for number, unknowns in enumerate(on_contact):
        one_volt[unknowns, number] = 1.0
    inner, _, _, free = skfem.condense(stiffness, np.zeros(basis.N), D=held)
    factor = splu(inner.tocsc())
    one_volt[free] = factor.solve(-(stiffness[free] @ one_volt))
    conductance = one_volt.T @ (stiffness @ one_volt)
    injected = np.zeros((len(rims), len(loops)))
    for number, (start, end) in enumerate(loops):
        injected[start, number], injected[end, number] = 1.0, -1.0
    # The first contact is ground: a pseudo-inverse of the whole matrix would amplify rounding in its null space.
    voltage = np.zeros((len(rims), len(loops)))
    voltage[1:] = np.linalg.solve(conductance[1:, 1:], injected[1:])
    return injected.T @ voltage, one_volt @ voltage


@skfem.Functional
def flux_jump(w: Any) -> Any:
    """Edge length times the squared jump of the normal derivative."""
    n = w.n
    return w.h * (dot(grad(w["one"]), n) - dot(grad(w["other"]), n)) ** 2


@skfem.Functional
def edge_flux(w: Any) -> Any:
    """Edge length times the squared normal derivative on an insulated edge."""
    return w.h * dot(grad(w["u"]), w.n) ** 2


def estimate(basis: skfem.Basis, rims: list[np.ndarray], potential: np.ndarray, own: np.ndarray) -> np.ndarray:
    """Squared residual estimator of every triangle, summed over the loops relative to their own resistance."""
    mesh, element = basis.mesh, basis.elem
    sides = [skfem.InteriorFacetBasis(mesh, element, intorder=2, side=side) for side in (0, 1)]
    insulated = np.setdiff1d(mesh.boundary_facets(), np.concatenate(rims))
    edge = skfem.FacetBasis(mesh, element, intorder=2, facets=insulated)
    # Laplacian of a quadratic: 4 |grad l_i|^2 at corners, 8 grad l_i . grad l_j at the middles of edges.
    gradients = [skfem.Basis(mesh, skfem.ElementTriP1(), intorder=0).basis[i][0].grad[:, :, 0] for i in range(3)]
    pairs = [(0, 1), (1, 2), (0, 2)]
    laplacians = [4 * np.sum(g * g, axis=0) for g in gradients]
    laplacians += [8 * np.sum(gradients[i] * gradients[j], axis=0) for i, j in pairs]
    area = np.abs(mesh.mapping().detDF(np.full((2, 1), 1 / 3))[:, 0]) / 2
    total = np.zeros(mesh.nelements)
    for u, R in zip(potential.T, own, strict=True):
        inside = sum(u[unknown] * value for unknown, value in zip(basis.element_dofs, laplacians, strict=True))
        total += area**2 * inside**2 / R
        jump = flux_jump.elemental(sides[0], one=sides[0].interpolate(u), other=sides[1].interpolate(u))
        for side in (0, 1):
            total += 0.5 * np.bincount(mesh.f2t[side, sides[0].find], weights=jump, minlength=len(total)) / R
        flux = edge_flux.elemental(edge, u=edge.interpolate(u))
        total += np.bincount(mesh.f2t[0, insulated], weights=flux, minlength=len(total)) / R
    return total


def marked(squared: np.ndarray) -> np.ndarray:
    """Fewest triangles that hold `BULK` of the estimated error."""
    order = np.argsort(-squared)
    return order[: int(np.searchsorted(np.cumsum(squared[order]), BULK * squared.sum())) + 1]


def plain(
    job: Task,
    adaptive: bool,
    truth: np.ndarray,
    target: float,
    minutes: float,
    clock: Callable[[], float] = time.perf_counter,
) -> list[dict[str, Any]]:
    """Solve on finer and finer meshes until the true error is at most `target`; one row per mesh."""
    begin = clock()
    coarse = Mesher(job.plane).coarse()
    mesh = skfem.MeshTri(coarse.points.T.copy(), coarse.triangles.T.copy())
    rows: list[dict[str, Any]] = []
    while True:
        start = clock()
        basis = skfem.Basis(mesh, skfem.ElementTriP2(), intorder=2)
        rims = contact_facets(mesh, job.plane)
        squares, potential = resistances(basis, rims, job.loops)
        now = clock()
        error = worst_error(job.sheet * squares, truth)
        row = {"triangles": mesh.nelements, "unknowns": int(basis.N), "last": now - start, "sum": now - begin}
        rows.append(row | {"memory": peak_memory(), "error": error, "stopped": ""})
        if error <= target:
            return rows
        if adaptive:
            chosen = marked(estimate(basis, rims, potential, np.diag(squares)))
            next_unknowns = 1.3 * basis.N
        else:
            next_unknowns = 4.0 * basis.N
        if next_unknowns > MOST_UNKNOWNS:
            rows[-1]["stopped"] = f"the next mesh would exceed {MOST_UNKNOWNS} unknowns"
        elif now - begin > 60 * minutes:
            rows[-1]["stopped"] = f"{minutes:g} minutes are over"
        elif peak_memory() > MOST_MEGABYTES:
            rows[-1]["stopped"] = f"{MOST_MEGABYTES} MB are full"
        if rows[-1]["stopped"]:
            return rows
        mesh = mesh.refined(chosen) if adaptive else mesh.refined()


# --- this program -----------------------------------------------------------------------------------------------------


def ours(job: Task, accuracy: float, truth: np.ndarray) -> list[dict[str, Any]]:
    """Refine to an accuracy: one row."""
    begin = time.perf_counter()
    result = job.solve(accuracy)
    seconds = time.perf_counter() - begin
    row = {"triangles": len(result.mesh.triangles), "unknowns": result.space.size, "last": None, "sum": seconds}
    row |= {"memory": peak_memory(), "error": worst_error(result.mid, truth), "stopped": ""}
    return [row | {"bracket": float(np.max(result.accuracy_reached()))}]


# --- the comparison ---------------------------------------------------------------------------------------------------


def task(antipads: int) -> Task:
    return Task.of(resistive_only(weighing_controller_with_antipads(antipads)))


def child(request: dict[str, Any]) -> list[dict[str, Any]]:
    """Answer one request in this process."""
    job, truth = task(request["antipads"]), np.array(request["truth"])
    if request["method"] == "ours":
        return ours(job, request["accuracy"], truth)
    return plain(job, request["method"] == "adaptive", truth, request["target"], request["minutes"])


def ask(common: dict[str, Any], **more: Any) -> list[dict[str, Any]]:
    """Rows of one request, from a process of its own, so that its memory and its caches are its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--child"],
        input=json.dumps(common | more),
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return json.loads(done.stdout)


def show(label: str, row: dict[str, Any]) -> None:
    known = f"yes, {row['bracket']:.1e}" if "bracket" in row else "no"
    last = "" if row["last"] is None else f"{row['last']:.1f}"
    print(
        f"{label:34} {row['triangles']:9d} {row['unknowns']:9d} {row['sum']:9.1f} {last:>9} "
        f"{row['memory']:8.0f} {row['error']:9.1e}  {known:12} {row['stopped']}",
        flush=True,
    )


def first_within(rows: list[dict[str, Any]], error: float) -> dict[str, Any] | None:
    """Cheapest row that is at least as good as `error`."""
    good = [row for row in rows if row["error"] <= error * (1 + 1e-9)]
    return min(good, key=lambda row: float(row["sum"])) if good else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--antipads", type=int, default=300)
    parser.add_argument("--reference", type=float, default=3e-4, help="accuracy of the reference solution")
    parser.add_argument(
        "--minutes", type=float, default=6.0, help="time allowed to each refinement of the plain script"
    )
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        print(json.dumps(child(json.load(sys.stdin))))
        return
    print(describe())
    truth, width = task(options.antipads).reference(options.reference)
    print(f"reference: worst half-width {width:.1e}\n")
    run = partial(ask, {"antipads": options.antipads, "truth": truth.tolist(), "minutes": options.minutes})

    print(
        f"{'method':34} {'triangles':>9} {'unknowns':>9} {'seconds':>9} {'last mesh':>9} {'MB':>8} {'true err.':>9}  "
        "knows its error"
    )
    mine: list[dict[str, Any]] = []
    for accuracy in ACCURACIES:
        mine += run(method="ours", accuracy=accuracy)
        show(f"returnflow, brackets of {accuracy:.1%}", mine[-1])
    target = mine[ACCURACIES.index(0.01)]["error"]
    scripts = {}
    for method in ("uniform", "adaptive"):
        scripts[method] = run(method=method, target=target)
        for number, row in enumerate(scripts[method]):
            show(f"plain script, {method}, mesh {number + 1}", row)

    print("\nSeconds to reach the same true error (sum over its meshes; in brackets its last mesh only):\n")
    print(f"{'true error at most':20} {'returnflow':>12} {'plain, uniform':>20} {'plain, adaptive':>20}")
    levels = {row["error"] for row in (*mine, *scripts["uniform"][:2])}
    for level in sorted(levels, reverse=True):
        cells = []
        for rows in (mine, scripts["uniform"], scripts["adaptive"]):
            row = first_within(rows, level)
            if row is None:
                cells.append("not reached" if rows[-1]["stopped"] else "not tried")
            else:
                cells.append(f"{row['sum']:.1f}" + (f" ({row['last']:.1f})" if row["last"] is not None else ""))
        print(f"{level:<20.1e} {cells[0]:>12} {cells[1]:>20} {cells[2]:>20}")


if __name__ == "__main__":
    main()
