"""One reduced model for all frequencies: sheet currents from DC to where they hug the outgoing conductor."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.sparse import csc_array, csr_array, diags_array, hstack

from returnflow.foil import MU0, sheet_impedance, sheet_resistance
from returnflow.induction import PanelOperator
from returnflow.linear import NumericalError, Solve, factorize
from returnflow.panels import RULE_5
from returnflow.spaces import Path, Space, Topology, circuit_fields, path_fields, stream_map
from returnflow.traces import Route, flux_matrix, vector_potential
from returnflow_geometry.mesh import Mesh

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Report = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class BroadbandOptions:
    """
    How well to solve.

    Attributes
    ----------
    accuracy : float
        Of every impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj) if larger.
    lowest, highest : float
        Band in hertz in which the reduced model is made accurate.
    shifts : int
        At most so many real solves per loop.
    residual : float
        Relative residual at which the iteration stops.
    """

    accuracy: float = 1e-3
    lowest: float = 10.0
    highest: float = 1e9
    shifts: int = 14
    residual: float = 1e-5


@dataclass(frozen=True)
class System:
    """
    The equations on one mesh: dissipation A and induction L of stream functions, and what every loop drives.

    ``to_local`` leads from the unknowns (free stream values, then circuits from part to part of contacts) to the
    local values of every triangle, (3 m, free). ``currents`` are the loops' resistive sheet currents at 1 A,
    (2, m, loops): x and y per triangle, A/m. The unknowns are what induction adds to them.
    """

    space: Space
    to_local: csr_array
    curl: tuple[csr_array, csr_array]
    dissipation: csr_array
    panels: PanelOperator
    currents: Floats
    resistance: Floats  # squares
    drive: Floats  # (free, loops), henry per ampere
    inductance: Floats  # (loops, loops), of the resistive pattern
    stream: Floats  # (loops, m, 3): local values of the resistive stream function

    def induce(self, values: Floats) -> Floats:
        """Apply L to columns of stream values, (free, k) to (free, k), henry."""
        x, y = (part @ values for part in self.curl)
        k = values.shape[1]
        potential = MU0 / (4 * np.pi) * (self.panels @ np.concatenate([x, y], axis=1))
        result: Floats = self.curl[0].T @ potential[:, :k] + self.curl[1].T @ potential[:, k:]
        return result


def assemble(mesh: Mesh, contacts: int, loops: Sequence[tuple[int, int]], routes: Sequence[Route | None]) -> System:
    """
    Build the equations on a mesh.

    Parameters
    ----------
    mesh : Mesh
    contacts : int
    loops : sequence of (int, int)
        Contact of injection and of return.
    routes : sequence of Route or None
        Outgoing conductor of every loop; None: closed far away.
    """
    space, topology = Space(mesh, 1), Topology(mesh, contacts)
    triangles = len(mesh.triangles)
    pick = csr_array(
        (np.ones(3 * triangles), space.local.ravel(), np.arange(3 * triangles + 1)), (3 * triangles, space.size)
    )
    circuits = _local_columns(circuit_fields(topology, 1), triangles)
    to_local = csr_array(hstack([pick @ stream_map(space, topology), circuits]))
    gradients = space.shape_gradients_of(slice(None))[:, :, 0, :].reshape(-1, 2)
    every, corners = np.repeat(np.arange(triangles), 3), np.arange(3 * triangles)
    d_dx, d_dy = (csr_array((part, (every, corners)), (triangles, 3 * triangles)) for part in gradients.T)
    curl = (csr_array(d_dy @ to_local), csr_array(-d_dx @ to_local))
    weight = diags_array(mesh.areas)
    dissipation = csr_array(curl[0].T @ weight @ curl[0] + curl[1].T @ weight @ curl[1])

    paths = _local_columns(path_fields(topology, loops, 1), triangles)
    currents = np.stack([(d_dy @ paths).toarray(), (-d_dx @ paths).toarray()])
    load = sum(part.T @ (weight @ currents[c]) for c, part in enumerate(curl))
    resistive = factorize(csc_array(dissipation))(-np.asarray(load))
    for c, part in enumerate(curl):
        currents[c] += part @ resistive
    stream = (paths.toarray() + to_local @ resistive).T.reshape(len(loops), triangles, 3)
    resistance = sum(currents[c].T @ (weight @ currents[c]) for c in (0, 1))

    panels = PanelOperator(mesh.points[mesh.triangles])
    own = MU0 / (4 * np.pi) * (panels @ np.concatenate([currents[0], currents[1]], axis=1))
    count = len(loops)
    trace = np.stack([_trace_integral(mesh, route) if route else np.zeros((2, triangles)) for route in routes], axis=2)
    potential = np.stack([own[:, :count], own[:, count:]]) + trace
    drive = curl[0].T @ potential[0] + curl[1].T @ potential[1]
    inductance = sum(currents[c].T @ potential[c] + trace[c].T @ currents[c] for c in (0, 1)) + flux_matrix(routes)
    inductance = 0.5 * (inductance + inductance.T)
    return System(
        space, to_local, curl, dissipation, panels, currents, np.asarray(resistance), drive, inductance, stream
    )


def _local_columns(paths: Sequence[Path], triangles: int) -> csc_array:
    """Local values of path fields as columns, shape (3 m, paths)."""
    rows = [(3 * path.triangles[:, None] + np.arange(3)).ravel() for path in paths]
    values = [path.values.ravel() for path in paths]
    column = np.repeat(np.arange(len(paths)), [len(part) for part in rows])
    if not paths:
        return csc_array((3 * triangles, 0))
    return csc_array((np.concatenate(values), (np.concatenate(rows), column)), shape=(3 * triangles, len(paths)))


def _trace_integral(mesh: Mesh, route: Route) -> Floats:
    """Integral of a route's vector potential over every triangle, shape (2, m), Vs m/A."""
    points, weights = RULE_5
    corners = mesh.points[mesh.triangles]
    places = (points @ corners).reshape(-1, 2)
    potential = vector_potential(route, places).reshape(len(corners), len(weights), 2)
    result: Floats = np.einsum("mqc,q,m->cm", potential, weights, mesh.areas)
    return result


@dataclass
class Preconditioner:
    """
    (Rs A + s L)^-1 by partial fractions.

    On a stream function L is spectrally (mu0/2) A^(1/2) M^(1/2), M the lumped mass; so the inverse is
    f(x) = 1/(Rs x + s (mu0/2) sqrt(x)) of the problem A u = x M u, and f is a sum of w_k/(x + q_k) with w_k >= 0. The
    poles, and so the factorisations, serve every s.
    """

    solves: list[Solve]
    poles: Floats
    grid: Floats

    @classmethod
    def of(cls, system: System) -> Preconditioner:
        """Factor the shifted matrices of a system."""
        mesh = system.space.mesh
        mass = (system.to_local.T @ diags_array(np.repeat(mesh.areas / 3, 3)) @ system.to_local).tocsc()
        scale = system.dissipation.diagonal() / mass.diagonal()
        x0, y0 = np.ptp(mesh.points, axis=0)
        low, high = (np.pi / max(x0, y0)) ** 2 * 0.2, 3.0 * float(np.max(scale))
        count = max(4, int(np.ceil(np.log10(high / low) / 0.9)) + 1)
        poles = np.concatenate([[0.0], np.geomspace(low, high, count)])
        solves = [factorize((system.dissipation + q * mass).tocsc()) for q in poles]
        return cls(solves, poles, np.geomspace(low, high, 400))

    def weights(self, sheet: float, s: float) -> Floats:
        """Weight of every fraction for one shift, from a relative non-negative least-squares fit."""
        target = 1 / (sheet * self.grid + s * MU0 / 2 * np.sqrt(self.grid))
        matrix = 1 / (self.grid[:, None] + self.poles) / target[:, None]
        size = np.max(matrix, axis=0)
        solution, _ = nnls(matrix / size, np.ones(len(self.grid)))
        result: Floats = solution / size
        return result

    def apply(self, weights: Floats, right: Floats) -> Floats:
        """Sum of the weighted solves."""
        total = np.zeros_like(right)
        for weight, solve in zip(weights, self.solves, strict=True):
            if weight > 0:
                total += weight * solve(right)
        return total


def conjugate_gradients(
    apply: Callable[[Floats], Floats],
    precondition: Callable[[Floats], Floats],
    right: Floats,
    start: Floats,
    tolerance: float,
) -> tuple[Floats, int]:
    """
    Solve a symmetric positive definite system for several right sides at once; return the answer and the iterations.

    Raises
    ------
    NumericalError
        If a preconditioned residual does not fall to `tolerance` of its right side within 60 iterations.
    """
    x = start.copy()
    r = right - apply(x) if np.any(start) else right.copy()
    scale = np.sum(right * precondition(right), axis=0)
    z = precondition(r)
    p, rz = z.copy(), np.sum(r * z, axis=0)
    for iteration in range(60):
        if np.all(rz <= tolerance**2 * scale):
            return x, iteration
        q = apply(p)
        alpha = np.divide(rz, np.sum(p * q, axis=0), out=np.zeros_like(rz), where=rz > 0)
        x += alpha * p
        r -= alpha * q
        z = precondition(r)
        new = np.sum(r * z, axis=0)
        p = z + np.divide(new, rz, out=np.zeros_like(rz), where=rz > 0) * p
        rz = new
    message = (
        "The magnetic solve did not converge in 60 iterations: look for copper details far finer than the trace height."
    )
    raise NumericalError(message)


@dataclass(frozen=True)
class Broadband:
    """
    Reduced model: loop impedances and whole fields at any frequency.

    Attributes
    ----------
    system : System
    basis : array, shape (free, r)
    dissipation, induction : arrays, shape (r, r)
    drive : array, shape (r, loops)
    thickness, temperature : float
        Of the copper; the model serves any.
    correction : array, shape (loops, loops)
        Squares added so that the DC end is the bracketed resistive result.
    shifts : tuple of (frequency, iterations)
    error : float
        Estimated error of any impedance in the band, relative as `accuracy` is.
    """

    system: System
    basis: Floats
    dissipation: Floats
    induction: Floats
    drive: Floats
    thickness: float
    temperature: float
    correction: Floats
    shifts: tuple[tuple[float, int], ...]
    error: float
    seconds: dict[str, float] = field(default_factory=dict)

    def reduced(self, frequency: float) -> Complexes:
        """Coefficients of the basis per ampere of every loop, shape (r, loops)."""
        zs = sheet_impedance(self.thickness, frequency, self.temperature)
        w = 2 * np.pi * frequency
        return -np.linalg.solve(zs * self.dissipation + 1j * w * self.induction, 1j * w * self.drive)

    def impedance(self, frequency: float) -> Complexes:
        """Impedance matrix of the loops in ohm, shape (loops, loops)."""
        zs = sheet_impedance(self.thickness, frequency, self.temperature)
        w = 2 * np.pi * frequency
        z = zs * (self.system.resistance + self.correction) + 1j * w * self.system.inductance
        if frequency > 0:
            z = z + 1j * w * self.drive.T @ self.reduced(frequency)
        result: Complexes = 0.5 * (z + z.T)
        return result

    def current(self, frequency: float) -> Complexes:
        """Sheet current per ampere of every loop at every triangle, shape (2, m, loops), A/m."""
        added = self.basis @ self.reduced(frequency)
        return self.system.currents + np.stack([part @ added for part in self.system.curl])

    def stream(self, frequency: float) -> Complexes:
        """Stream function per ampere on the corners of every triangle, shape (loops, m, 3); see `Conduction.stream`."""
        added = self.system.to_local @ (self.basis @ self.reduced(frequency))
        return self.system.stream + added.T.reshape(self.system.stream.shape)


def reduce(
    system: System,
    thickness: float,
    temperature: float,
    resistance: Floats | None = None,
    options: BroadbandOptions | None = None,
    report: Report | None = None,
) -> Broadband:
    """
    Build the reduced model: real solves at a few shifts, chosen where the model changed most.

    Parameters
    ----------
    system : System
    thickness : float
        Of the copper, metres.
    temperature : float
        Degrees Celsius.
    resistance : array, shape (loops, loops), optional
        Bracketed resistive result in squares; the DC end is made to equal it.
    options : BroadbandOptions, optional
    report : function of one string, optional
    """
    options = options or BroadbandOptions()
    say = report or (lambda _: None)
    begin = time.perf_counter()
    sheet = sheet_resistance(thickness, temperature)
    preconditioner = Preconditioner.of(system)
    factored = time.perf_counter()
    correction = np.zeros_like(system.resistance) if resistance is None else resistance - system.resistance

    band = np.geomspace(options.lowest, options.highest, 61)
    candidates = np.geomspace(options.lowest, options.highest, 25)
    basis = np.zeros((len(system.drive), 0))
    induced = np.zeros_like(basis)
    model = _project(system, basis, induced, thickness, temperature, correction, (), np.inf)
    shifts: list[tuple[float, int]] = []
    last = np.array([model.impedance(f) for f in band])
    # First the middle and the ends, then wherever the residual is largest.
    queue = [float(np.sqrt(options.lowest * options.highest)), options.highest, options.lowest]
    small_steps = 0
    error = np.inf
    while len(shifts) < options.shifts:
        frequency = queue.pop(0) if queue else _worst(model, system, sheet, candidates, [f for f, _ in shifts])
        s = 2 * np.pi * frequency
        weights = preconditioner.weights(sheet, s)
        start = np.zeros_like(system.drive)
        if basis.shape[1]:
            start = basis @ np.linalg.solve(sheet * model.dissipation + s * model.induction, model.drive)
        answer, iterations = conjugate_gradients(
            lambda v, s=s: sheet * (system.dissipation @ v) + s * system.induce(v),
            lambda r, weights=weights: preconditioner.apply(weights, r),
            system.drive,
            start,
            options.residual,
        )
        shifts.append((frequency, iterations))
        basis, induced = _extend(system, basis, induced, answer)
        model = _project(system, basis, induced, thickness, temperature, correction, tuple(shifts), error)
        now = np.array([model.impedance(f) for f in band])
        error = _change(last, now)
        last = now
        say(f"shift {len(shifts)}: {frequency:.3g} Hz, {iterations} iterations, impedances moved by {error:.1e}")
        small_steps = small_steps + 1 if error < options.accuracy else 0
        if not queue and small_steps >= 2:
            break
    if not error < options.accuracy:
        message = (
            f"The reduced model reached {error:.1e} (asked: {options.accuracy:.0e}) after {len(shifts)} shifts. Narrow the band "
            "or ask for less accuracy."
        )
        raise NumericalError(message)
    end = time.perf_counter()
    seconds = {"preconditioner": factored - begin, "shifts": end - factored}
    return _project(system, basis, induced, thickness, temperature, correction, tuple(shifts), error, seconds)


def _extend(system: System, basis: Floats, induced: Floats, new: Floats) -> tuple[Floats, Floats]:
    """Add what is new in some columns to an orthonormal basis; keep L times the basis beside it."""
    size = np.linalg.norm(new, axis=0)
    for _ in range(2):
        new = new - basis @ (basis.T @ new)
    left, values, _ = np.linalg.svd(new / size, full_matrices=False)
    keep = left[:, values > 1e-8]
    keep = keep - basis @ (basis.T @ keep)
    keep /= np.linalg.norm(keep, axis=0)
    if not keep.shape[1]:
        return basis, induced
    return np.concatenate([basis, keep], axis=1), np.concatenate([induced, system.induce(keep)], axis=1)


def _project(
    system: System,
    basis: Floats,
    induced: Floats,
    thickness: float,
    temperature: float,
    correction: Floats,
    shifts: tuple[tuple[float, int], ...],
    error: float,
    seconds: dict[str, float] | None = None,
) -> Broadband:
    induction = basis.T @ induced
    dissipation = basis.T @ (system.dissipation @ basis)
    return Broadband(
        system,
        basis,
        0.5 * (dissipation + dissipation.T),
        0.5 * (induction + induction.T),
        basis.T @ system.drive,
        thickness,
        temperature,
        correction,
        shifts,
        error,
        seconds or {},
    )


def _change(before: Complexes, after: Complexes) -> float:
    """Largest change of an impedance, relative to itself or to 1 % of sqrt(Z_ii Z_jj) if larger."""
    own = np.sqrt(np.abs(np.einsum("fii->fi", after)))
    scale = np.maximum(np.abs(after), 0.01 * own[:, :, None] * own[:, None, :])
    return float(np.max(np.abs(after - before) / scale))


def _worst(model: Broadband, system: System, sheet: float, candidates: Floats, used: list[float]) -> float:
    """Candidate shift with the largest residual, scaled by the diagonal of the equations."""
    induced = system.induce(model.basis)
    dissipated = system.dissipation @ model.basis
    diagonal = system.dissipation.diagonal()
    best, worst = float(candidates[0]), -1.0
    for frequency in candidates:
        if any(abs(np.log(frequency / f)) < 0.2 for f in used):
            continue
        s = 2 * np.pi * frequency
        y = np.linalg.solve(sheet * model.dissipation + s * model.induction, model.drive)
        residual = system.drive - sheet * (dissipated @ y) - s * (induced @ y)
        size = np.sum(residual**2 / (sheet * diagonal)[:, None], axis=0) / np.sum(
            system.drive**2 / (sheet * diagonal)[:, None], axis=0
        )
        if float(np.max(size)) > worst:
            best, worst = float(frequency), float(np.max(size))
    return best
