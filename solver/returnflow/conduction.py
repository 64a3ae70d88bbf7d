"""The resistive solve from both sides: every loop's current, and every resistance between two bounds."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.linear import Backend, NumericalError, factorize_each
from returnflow.products import both_sides, curl, path_load, without_circuits
from returnflow.spaces import Space, Topology, circuit_fields, path_fields, potential_map, stream_map
from returnflow_geometry.mesh import Mesh, Mesher, Plane, corner_angles, error_size, starting_size

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Report = Callable[[str], None]

# Entries below this fraction of sqrt(R_ii R_jj) are held to an absolute accuracy: a coupling that vanishes by
# symmetry has no relative one.
SMALL = 0.01
AIM = 0.8  # each new mesh aims this far inside the goal, and further each time, since a forecast is only a forecast
AGREEMENT = 1e-7  # of two routes to one number, relative to the resistance
GROWTH_PER_PASS = 8  # a forecast from a coarse mesh is not worth more triangles than this factor


@dataclass(frozen=True, kw_only=True)
class Options:
    """
    How well to solve.

    Attributes
    ----------
    accuracy : float
        Half-width of every bracket, relative to its mid value (or to 1 % of sqrt(R_ii R_jj) where that is larger).
    order : int
        Polynomial order of both spaces, 1 or 2.
    most_triangles : int
        Give up rather than exceed this.
    passes : int
        Give up after so many meshes.
    backend : "scipy", "pardiso" or None
    """

    accuracy: float = 0.01
    order: int = 2
    most_triangles: int = 600_000
    passes: int = 12
    backend: Backend | None = None


@dataclass(frozen=True)
class Conduction:
    """
    Solution of one plane for all its loops, per ampere of each loop.

    Attributes
    ----------
    mesh : Mesh
    space : Space
    topology : Topology
    loops : tuple of (int, int)
        Contact of injection and contact of return.
    sheet : float
        Sheet resistance, ohm per square.
    potential : array, shape (space.size, loops)
        Volts per ampere; one contact of each conductor is at zero.
    contact_potential : array, shape (contacts, loops)
        Volts per ampere.
    stream : array, shape (loops, m, 3 or 6)
        Stream function on the local unknowns of each triangle, ampere per ampere, path field included. It is
        single-valued up to whole amperes.
    lower, upper : array, shape (loops, loops)
        Bounds of the resistance matrix in ohm, as quadratic forms.
    gap : array, shape (loops, m)
        Contribution of each triangle to upper - lower of each loop's own resistance, ohm.
    passes : tuple of (triangles, worst error over allowed error)
    seconds : dict
        Wall time of each part.
    """

    mesh: Mesh
    space: Space
    topology: Topology
    loops: tuple[tuple[int, int], ...]
    sheet: float
    potential: Floats
    contact_potential: Floats
    stream: Floats
    lower: Floats
    upper: Floats
    gap: Floats
    passes: tuple[tuple[int, float], ...] = ()
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def mid(self) -> Floats:
        """Middle of the bracket in ohm, shape (loops, loops): the best value."""
        return 0.5 * (self.lower + self.upper)

    @property
    def half_width(self) -> Floats:
        """
        Guaranteed error of every entry of `mid` in ohm, shape (loops, loops).

        From the bounds as quadratic forms: 0.5 sqrt(D_ii D_jj), D = upper - lower.
        """
        width = np.sqrt(np.maximum(np.diag(self.upper - self.lower), 0.0))
        half: Floats = 0.5 * np.outer(width, width)
        return half

    def accuracy_reached(self) -> Floats:
        """Half-width relative to what accuracy refers to, shape (loops, loops)."""
        return self.half_width / reference(self.mid)

    def current(self, loop: int, side: str = "mean") -> Floats:
        """
        Sheet current at the corners of every triangle in A/m per ampere, shape (m, 3, 2).

        Parameters
        ----------
        loop : int
        side : "potential", "stream" or "mean"
            The mean is nearest to the truth: the exact field lies on a sphere around it.
        """
        if side == "potential":
            return -self.space.gradient(self.potential[self.space.local, loop]) / self.sheet
        if side == "stream":
            return curl(self.space.gradient(self.stream[loop]))
        return 0.5 * (self.current(loop, "potential") + self.current(loop, "stream"))


def reference(mid: Floats) -> Floats:
    """What the accuracy of each entry is relative to, in ohm: the entry, or 1 % of sqrt(R_ii R_jj) if larger."""
    own = np.sqrt(np.diag(mid))
    return np.maximum(np.abs(mid), SMALL * np.outer(own, own))


def solve_on(mesh: Mesh, contacts: int, loops: Sequence[tuple[int, int]], sheet: float, options: Options) -> Conduction:
    """
    Solve both sides on a given mesh.

    Parameters
    ----------
    mesh : Mesh
    contacts : int
        Number of contacts of the plane.
    loops : sequence of (int, int)
        Contact of injection and of return.
    sheet : float
        Ohm per square, > 0.
    options : Options

    Raises
    ------
    NumericalError
        If a linear solve or the cross-check of the two sides fails.
    """
    same = [number + 1 for number, (start, end) in enumerate(loops) if start == end]
    if same:
        message = (
            f"Invalid loops. Numbers {same} return at the contact where they are injected: no copper carries them."
        )
        raise ValueError(message)
    clock = _Clock()
    space, topology = Space(mesh, options.order), Topology(mesh, contacts)
    count = len(loops)
    stiffness = space.stiffness
    to_potential, column = potential_map(space, topology)
    to_stream = stream_map(space, topology)
    paths = [*path_fields(topology, loops, options.order), *circuit_fields(topology, options.order)]
    right = np.column_stack([path_load(space, path) for path in paths])
    solvers = factorize_each([(to.T @ stiffness @ to).tocsc() for to in (to_potential, to_stream)], options.backend)
    clock.lap("assembly")

    injected = np.zeros((to_potential.shape[1], count))
    for number, (start, end) in enumerate(loops):
        for contact, ampere in ((start, 1.0), (end, -1.0)):
            if column[contact] >= 0:
                injected[column[contact], number] += ampere
    solve = next(solvers)
    clock.lap("factor")
    free = solve(injected)
    potential = to_potential @ free
    contact_potential = np.where(column[:, None] >= 0, free[np.maximum(column, 0)], 0.0)
    del solve
    clock.lap("solve")

    solve = next(solvers)
    clock.lap("factor")
    nodal = to_stream @ solve(-(to_stream.T @ right))
    del solve
    stream = nodal.T[:, space.local]
    for number, path in enumerate(paths):
        np.add.at(stream[number], path.triangles, path.values)
    stream = without_circuits(space, stream, paths, count)
    clock.lap("solve")

    lower, upper, mixed, gap = both_sides(space, potential, stream)
    _check(lower, upper, mixed, contact_potential, loops)
    clock.lap("fields")
    return Conduction(
        mesh, space, topology, tuple(loops), sheet, sheet * potential, sheet * contact_potential, stream,
        sheet * lower, sheet * upper, sheet * gap, (), clock.seconds,
    )  # fmt: skip


def solve(
    plane: Plane,
    loops: Sequence[tuple[int, int]],
    sheet: float,
    options: Options | None = None,
    report: Report | None = None,
    names: Sequence[str] | None = None,
) -> Conduction:
    """
    Refine the mesh until every entry of the resistance matrix is as accurate as asked.

    Parameters
    ----------
    plane : Plane
    loops : sequence of (int, int)
        Contact of injection and of return.
    sheet : float
        Ohm per square, > 0.
    options : Options, optional
    report : function of one string, optional
        Called with a line of progress after every mesh.
    names : sequence of str, optional
        What to call the loops in messages.

    Raises
    ------
    NumericalError
        If the accuracy is not reached within `options`; the message says how far it got.

    Notes
    -----
    The refinement indicator is the exact local gap between the two sides [PragerSynge]_, weighted by how
    accurate each loop must be; the next mesh is the one that reaches the goal with the fewest triangles if
    every gap falls at its own rate, so a few meshes suffice.

    References
    ----------
    .. [PragerSynge] W. Prager and J. L. Synge, Approximations in elasticity based on the concept of function
       space, Quart. Appl. Math. 5 (1947) 241-269 (from memory).
    """
    options = options or Options()
    say = report or (lambda _: None)
    called = [f"“{name}”" for name in names] if names else [f"number {number + 1}" for number in range(len(loops))]
    clock = _Clock()
    mesher = Mesher(plane)
    coarse = mesher.coarse()
    x0, y0, x1, y1 = plane.copper.bounds
    largest = float(np.hypot(x1 - x0, y1 - y0)) / 16
    mesh = mesher.graded(starting_size(coarse, largest, corner=0.2))
    clock.lap("mesh")
    passes: list[tuple[int, float]] = []
    while True:
        result = solve_on(mesh, len(plane.contacts), loops, sheet, options)
        for part, seconds in result.seconds.items():
            clock.seconds[part] = clock.seconds.get(part, 0.0) + seconds
        clock.restart()
        reached = result.accuracy_reached()
        worst = float(np.max(reached)) / options.accuracy
        passes.append((len(mesh.triangles), worst))
        say(f"mesh {len(passes)}: {len(mesh.triangles)} triangles, worst entry known to {np.max(reached):.2%}")
        if worst <= 1:
            return _with(result, passes, clock.seconds)
        pieces = _pieces(result, options, AIM ** len(passes))
        if len(passes) >= options.passes or len(mesh.triangles) > 0.7 * options.most_triangles:
            i, j = np.unravel_index(np.argmax(reached), reached.shape)
            message = (
                f"Accuracy {options.accuracy:g} not reached: after {len(passes)} meshes ({len(mesh.triangles)} "
                f"triangles, at most {options.most_triangles} allowed) the resistance between loops {called[i]} and "
                f"{called[j]} is known to {reached[i, j]:.2%}. Ask for less accuracy, or remove copper details that "
                "are much finer than the contacts."
            )
            raise NumericalError(message)
        mesh = mesher.graded(error_size(mesh, pieces, largest))
        clock.lap("mesh")


def _pieces(result: Conduction, options: Options, aim: float) -> Floats:
    """
    Number of pieces to cut every triangle into, shape (m,), so that the worst loop comes to `aim` times its goal.

    Cutting a triangle into s pieces lowers its gap by s^-p: p is the order where the field is smooth, and
    pi / angle for a triangle that touches a re-entrant corner. Fewest pieces for a given sum of gaps:
    s = (lambda p gap)^(1/(p+1)), with one lambda for all.
    """
    mesh = result.mesh
    own = np.sqrt(np.diag(result.mid))
    # sqrt(D_ii D_jj) <= 2 accuracy ref_ij is met if D_ii / R_ii <= 2 accuracy min_j ref_ij / sqrt(R_ii R_jj).
    allowed = 2 * options.accuracy * np.min(reference(result.mid) / np.outer(own, own), axis=1) * own**2
    demand = result.gap / allowed[:, None]
    sharpest = np.max(corner_angles(mesh)[mesh.triangles], axis=1)
    power = np.where(sharpest > np.pi + 0.05, np.pi / np.maximum(sharpest, np.pi), float(options.order))
    weight = power * np.sum(demand, axis=0)
    weight /= max(float(np.max(weight)), 1e-300)

    def cut(log_lambda: float) -> Floats:
        pieces: Floats = np.clip((np.exp(log_lambda) * weight) ** (1 / (power + 1)), 0.25, 64.0)
        return pieces

    most = min(GROWTH_PER_PASS * len(power), 0.9 * options.most_triangles)
    low, high = 0.0, 60.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        pieces = cut(middle)
        met = float(np.max(demand @ pieces ** (-power))) <= aim
        if met or float(np.sum(pieces)) > most:
            high = middle
        else:
            low = middle
    return cut(high)


def _check(lower: Floats, upper: Floats, mixed: Floats, port: Floats, loops: Sequence[tuple[int, int]]) -> None:
    """Three routes to the lower bound must agree: energy, port voltage, and the product of the two sides."""
    own = np.sqrt(np.diag(upper))
    voltage = np.array([port[start] - port[end] for start, end in loops])
    error = np.max(np.maximum(np.abs(voltage - lower), np.abs(mixed - lower)) / np.outer(own, own))
    if not error < AGREEMENT:
        message = (
            f"The two sides of the solution disagree by {error:.1e} of the resistance (allowed {AGREEMENT:.0e}): "
            "copper connects in a way the mesh does not show. Please report this board."
        )
        raise NumericalError(message)
    if not np.all(np.diag(upper - lower) >= -1e-9 * np.diag(upper)):
        message = "An upper bound came out below its lower bound: rounding dominates; use a lower mesh limit."
        raise NumericalError(message)


def _with(result: Conduction, passes: Sequence[tuple[int, float]], seconds: dict[str, float]) -> Conduction:
    return replace(result, passes=tuple(passes), seconds=dict(seconds))


class _Clock:
    """Adds up wall seconds per part."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.restart()

    def restart(self) -> None:
        self.last = time.perf_counter()

    def lap(self, part: str) -> None:
        now = time.perf_counter()
        self.seconds[part] = self.seconds.get(part, 0.0) + now - self.last
        self.last = now
