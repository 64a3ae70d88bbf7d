"""
What the tests judge with, and the second routes they compare against.

Every judge here has a test in test_judges.py that it rejects what it must.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import skfem
from numpy.typing import NDArray
from shapely import Polygon
from skfem.models.poisson import laplace

from returnflow.resistive.solution import Conduction
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]
ROUNDING = 1e-9  # relative: what snapping to 1 nm and the linear solves may cost


# ---------------------------------------------------------------- judges


def assert_order(
    sizes: Sequence[float], errors: Sequence[float], *, order: float, margin: float, ceiling: float
) -> None:
    """Fail unless errors fall as ``size**order``, within `margin` either way, and the last is below `ceiling`."""
    table = "\n".join(f"{h:.3e}  {e:.3e}" for h, e in zip(sizes, errors, strict=True))
    assert all(e > 0 for e in errors), f"errors must be positive\n{table}"
    slope = np.polyfit(np.log(sizes), np.log(errors), 1)[0]
    assert abs(slope - order) < margin, f"observed order {slope:.3f}, wanted {order:g}\n{table}"
    assert errors[-1] < ceiling, f"last error {errors[-1]:.3e}, ceiling {ceiling:g}\n{table}"


def assert_falling(errors: Sequence[float], *, last: float) -> None:
    """Fail unless every error is smaller than the one before, and the last is below `last`."""
    sizes = np.abs(errors)
    table = "  ".join(f"{e:.3e}" for e in sizes)
    assert np.all(np.diff(sizes) < 0), f"errors do not fall: {table}"
    assert sizes[-1] < last, f"last error is not below {last:g}: {table}"


def assert_bracketed(solution: Conduction, exact: float, at: tuple[int, int] = (0, 0), *, mid: float) -> None:
    """
    Fail unless the exact resistance lies inside the bracket and the mid value within `mid` (relative) of it.

    Only for drawings whose meshed copper is the exact copper; round ones go to `assert_squeezed`.
    """
    i, j = at
    value, half = float(solution.mid[i, j]), float(solution.half_width[i, j])
    slack = ROUNDING * float(np.sqrt(solution.upper[i, i] * solution.upper[j, j]))
    assert abs(value - exact) <= half + slack, f"{exact:.9g} is outside {value:.9g} +- {half:.2e}"
    off = value / exact - 1
    assert abs(off) <= mid, f"mid value {value:.9g} is off {exact:.9g} by {off:.2e}"


def assert_squeezed(more_copper: Conduction, less_copper: Conduction, exact: float, *, apart: float) -> None:
    """
    Fail unless a round drawing's exact resistance lies between the bounds of two polygonal ones.

    The first has at least the copper and the contacts of the round drawing, the second at most: adding either
    never raises a resistance. `apart` (relative) limits how far apart the two may be, so that the test says something.
    """
    low, high = float(more_copper.lower[0, 0]), float(less_copper.upper[0, 0])
    assert low <= exact <= high, f"{exact:.9g} is outside [{low:.9g}, {high:.9g}]"
    assert high - low <= apart * exact, f"bounds are {(high - low) / exact:.2e} apart, allowed {apart:g}"


def assert_tightened(coarse: Conduction, fine: Conduction) -> None:
    """Fail unless both bounds of `fine` lie inside those of `coarse`, as quadratic forms."""
    scale = float(np.max(np.diag(coarse.upper)))
    risen = np.linalg.eigvalsh(fine.lower - coarse.lower)
    fallen = np.linalg.eigvalsh(coarse.upper - fine.upper)
    assert risen[0] > -ROUNDING * scale, f"the lower bound fell: {risen}"
    assert fallen[0] > -ROUNDING * scale, f"the upper bound rose: {fallen}"


def assert_overlap(one: Conduction, other: Conduction) -> None:
    """Fail unless two solutions of the same problem agree entry by entry, within the sum of their error bounds."""
    scale = float(np.max(np.diag(one.upper)))
    excess = np.abs(one.mid - other.mid) - one.half_width - other.half_width
    by = float(np.max(excess))
    assert by <= ROUNDING * scale, f"brackets do not overlap:\n{one.mid}\n{other.mid}\nby {by:.2e}"


def assert_sound(solution: Conduction) -> None:
    """Fail unless the bounds are symmetric, in order, and the local gaps add up to the width of the bracket."""
    scale = float(np.max(np.diag(solution.upper)))
    for name, matrix in (("lower", solution.lower), ("upper", solution.upper)):
        assert np.max(np.abs(matrix - matrix.T)) <= ROUNDING * scale, f"{name} bound is not symmetric\n{matrix}"
        assert np.linalg.eigvalsh(matrix)[0] > -ROUNDING * scale, f"{name} bound is not passive\n{matrix}"
    widths = np.linalg.eigvalsh(solution.upper - solution.lower)
    assert widths[0] > -ROUNDING * scale, f"upper bound below lower bound: {widths}"
    width = np.diag(solution.upper - solution.lower)
    local = np.sum(solution.gap, axis=1)
    assert np.all(solution.gap >= 0), "negative local gap"
    lost = float(np.max(np.abs(local - width)))
    assert lost <= ROUNDING * scale, f"local gaps add up to {local}, the brackets are {width} wide"


# ---------------------------------------------------------------- second routes


def section_current(solution: Conduction, section: int, loop: int = 0) -> float:
    """Current through a section, from the left to the right of its path, from the stream function."""
    tri, k, sign = solution.mesh.section_edges[section].T
    local = solution.stream[loop]
    return float(np.sum(sign * (local[tri, (k + 1) % 3] - local[tri, k])))


def section_flux(solution: Conduction, section: int, loop: int = 0, side: str = "potential") -> float:
    """The same as an integral of the normal sheet current, which needs no stream function."""
    tri, k, sign = solution.mesh.section_edges[section].T
    field = solution.current(loop, side)
    corners = solution.mesh.points[solution.mesh.triangles[tri]]
    row = np.arange(len(tri))
    step = corners[row, (k + 1) % 3] - corners[row, k]
    # Left to right of the step: the normal is the step turned clockwise. Linear along the edge: mean of the ends.
    mean = 0.5 * (field[tri, k] + field[tri, (k + 1) % 3])
    return float(np.sum(sign * (mean[:, 0] * step[:, 1] - mean[:, 1] * step[:, 0])))


def contact_current(solution: Conduction, contact: int, loop: int = 0) -> float:
    """Current that leaves a contact into the copper, from the stream function."""
    mine = solution.mesh.contact_of == contact
    tri, k = solution.mesh.contact_edges[mine].T
    local = solution.stream[loop]
    # The edge runs with the copper on its left and the contact on its right.
    return float(-np.sum(local[tri, (k + 1) % 3] - local[tri, k]))


def conductance(mesh: Mesh, contacts: int, order: int = 2) -> Floats:
    """
    Conductance matrix between the contacts in squares, by scikit-fem alone: one solve per contact held at one volt.

    A lower bound of every resistance, and the same one as the potential side's, by another way of imposing contacts.
    """
    element = skfem.ElementTriP2() if order == 2 else skfem.ElementTriP1()
    basis = skfem.Basis(skfem.MeshTri(mesh.points.T.copy(), mesh.triangles.T.copy()), element)
    stiffness = laplace.assemble(basis)
    facets = {tuple(sorted(pair)): number for number, pair in enumerate(basis.mesh.facets.T)}
    ends = np.stack([mesh.triangles, np.roll(mesh.triangles, -1, axis=1)], axis=2)
    held = []
    for contact in range(contacts):
        pairs = ends[tuple(mesh.contact_edges[mesh.contact_of == contact].T)]
        held.append(basis.get_dofs(np.array([facets[tuple(sorted(p))] for p in pairs.tolist()], dtype=np.int64)).all())
    result = np.zeros((contacts, contacts))
    for one in range(contacts):
        value = basis.zeros()
        value[held[one]] = 1.0
        value = skfem.solve(*skfem.condense(stiffness, x=value, D=np.concatenate(held)))
        flow = stiffness @ value
        result[:, one] = [float(np.sum(flow[unknowns])) for unknowns in held]
    return result


def resistance_of(conductance_matrix: Floats, loops: Sequence[tuple[int, int]]) -> Floats:
    """Resistance matrix of loops from a conductance matrix between contacts."""
    drive = np.zeros((len(conductance_matrix), len(loops)))
    for number, (start, end) in enumerate(loops):
        drive[start, number] += 1
        drive[end, number] -= 1
    answer: Floats = drive.T @ np.linalg.lstsq(conductance_matrix, drive, rcond=1e-10)[0]
    return answer


def red_refined(mesh: Mesh) -> Mesh:
    """Every triangle in four, with all tags: the finer spaces contain the coarser ones."""
    count, points = len(mesh.triangles), len(mesh.points)
    ends = np.sort(np.stack([mesh.triangles, np.roll(mesh.triangles, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edges, number = np.unique(ends, axis=0, return_inverse=True)
    middle = points + number.reshape(count, 3)
    a, b, c = mesh.triangles.T
    ab, bc, ca = middle.T
    # Child k keeps corner k as its own corner k; the last is the middle one.
    children = np.stack([np.column_stack(t) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    triangles = children.transpose(1, 0, 2).reshape(-1, 3)

    def halves(pairs: NDArray[np.int64]) -> NDArray[np.int64]:
        tri, k = pairs[:, 0], pairs[:, 1]
        first, second = pairs.copy(), pairs.copy()
        first[:, 0], second[:, 0] = 4 * tri + k, 4 * tri + (k + 1) % 3
        return np.concatenate([first, second])

    return Mesh(
        np.concatenate([mesh.points, mesh.points[edges].mean(axis=1)]),
        triangles,
        halves(mesh.contact_edges),
        np.tile(mesh.contact_of, 2),
        np.repeat(mesh.region_triangles, 4, axis=1),
        tuple(halves(border) for border in mesh.region_borders),
        tuple(halves(section) for section in mesh.section_edges),
    )


def without(mesh: Mesh, removed: NDArray[np.bool_]) -> Mesh:
    """The mesh with triangles taken away that touch no contact: less copper, and spaces inside the old ones."""
    assert not np.any(removed[mesh.contact_edges[:, 0]]), "take away no triangle on a contact"
    renumber = np.cumsum(~removed) - 1
    kept, corners = np.unique(mesh.triangles[~removed], return_inverse=True)
    edges = mesh.contact_edges.copy()
    edges[:, 0] = renumber[edges[:, 0]]
    return replace(
        mesh,
        points=mesh.points[kept],
        triangles=corners.reshape(-1, 3),
        contact_edges=edges,
        region_triangles=mesh.region_triangles[:, ~removed],
        region_borders=(),
        section_edges=(),
    )


def extrapolated(coarse: float, fine: float, *, order: float, ratio: float = 2.0) -> float:
    """Value at size zero from two sizes that differ by `ratio`, if the error falls as size**order."""
    gain = ratio**order
    return (gain * fine - coarse) / (gain - 1)


# ---------------------------------------------------------------- round shapes from both sides


def inscribed(x: float, y: float, radius: float, corners: int, phase: float = 0.0) -> Polygon:
    """Regular polygon inside a circle: corners on it, the first at angle `phase`."""
    angle = phase + 2 * np.pi / corners * np.arange(corners)
    return Polygon(np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)]))


def circumscribed(x: float, y: float, radius: float, corners: int, phase: float = 0.0) -> Polygon:
    """Regular polygon around a circle: sides touch it."""
    return inscribed(x, y, radius / np.cos(np.pi / corners), corners, phase)
