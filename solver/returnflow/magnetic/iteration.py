"""Real positive solves of dissipation plus induction: partial-fraction preconditioner, conjugate gradients."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import chain

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.sparse import csc_array, csr_array, diags_array

from returnflow.magnetic.equations import System
from returnflow.magnetic.opposite import Pair
from returnflow.resistive.factor_threads import side_by_side
from returnflow.resistive.foil import MU0
from returnflow.resistive.linear import NumericalError, Solve, factorize_each

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Singles = NDArray[np.float32]


ITERATIONS = 200  # at most, per solve
CIRCUITS = 400  # at most so many are solved for exactly in every step
TOGETHER = 50  # columns that induction is applied to at a time


@dataclass(frozen=True)
class Weights:
    """What belongs to one shift: weight of every fraction, for the whole and for opposite currents; and circuits."""

    fractions: Floats  # (poles, 1 or free)
    pairs: tuple[tuple[Floats, Floats], ...]  # per pair of levels: of opposite and of equal currents, (poles,) each
    circuits: Floats  # inverse of what the equations are among circuits, (k, k)
    of_circuits: Singles  # what the equations make of circuits, (free, k)


@dataclass(frozen=True)
class _Circuits:
    """
    Resistive pattern of every circuit at 1 A, and what dissipation and induction make of them, all (free, k).

    Spreads in traces are circuits as well. `among` is what both make of them among each other, (k, k) each. The large
    arrays are read in every step, and in single precision, as they only speed it up.
    """

    patterns: Singles
    dissipated: Singles
    induced: Singles
    among: tuple[Floats, Floats]

    @classmethod
    def of(cls, system: System, resistive: Solve) -> _Circuits:
        """Of the circuits of a system, or of so many, evenly taken."""
        size = system.to_local.shape[1]
        some = np.arange(system.single, size)
        some = some[:: 1 + len(some) // CIRCUITS]
        unit = np.zeros((size, len(some)))
        unit[some, np.arange(len(some))] = 1.0
        patterns = resistive(unit) if len(some) else unit
        dissipated, induced = np.empty((2, size, len(some)), dtype=np.float32)
        among = np.empty((2, len(some), len(some)))
        for at in range(0, len(some), TOGETHER):
            part = slice(at, at + TOGETHER)
            both = system.dissipation @ patterns[:, part], system.induce(patterns[:, part])
            dissipated[:, part], induced[:, part] = both
            among[:, :, part] = [patterns.T @ made for made in both]
        plain, inductive = 0.5 * (among + among.transpose(0, 2, 1))
        return cls(patterns.astype(np.float32), dissipated, induced, (plain, inductive))

    def weighed(self, sheet: float, s: float) -> tuple[Singles, Floats]:
        """What the equations make of them at one shift, and of them among each other."""
        made = np.float32(sheet) * self.dissipated
        made += np.float32(s) * self.induced
        return made, sheet * self.among[0] + s * self.among[1]


@dataclass
class Preconditioner:
    """
    (Rs A + s L)^-1 by partial fractions.

    On a stream function L is spectrally (mu0/2) A^(1/2) M^(1/2), M the lumped mass; so the inverse is
    f(x) = 1/(Rs x + s (mu0/2) sqrt(x)) of the problem A u = x M u, and f is a sum of w_k/(x + q_k) with w_k >= 0. The
    poles, and so the factorisations, serve every s. Copper of every thickness has weights of its own.

    Two things lie outside that law. Opposite currents on levels d apart see (mu0/2) sqrt(x) (1 - exp(-d sqrt(x))), and
    equal ones that with a plus: fractions of their own, on stream functions of either kind, are added and taken off.
    And currents round circuits jump where the stream function is cut: their resistive patterns are solved for exactly.
    It stays positive: what is taken off is at most half of what the levels have by themselves, neighbours together all.
    """

    solves: list[Solve]
    poles: Floats
    grid: Floats
    foil: Ints
    foils: Floats
    circuits: _Circuits
    pairs: list[tuple[Pair, list[Solve]]]

    @classmethod
    def of(cls, system: System) -> Preconditioner:
        """Factor the shifted matrices of a system."""
        mesh = system.space.mesh
        mass = (system.to_local.T @ diags_array(np.repeat(mesh.areas / 3, 3)) @ system.to_local).tocsc()
        stack = system.stack
        ohmic = diags_array(stack.ohmic)
        plain = sum(foil.dissipation for foil in system.foils) + system.link_map.T @ ohmic @ system.link_map
        heavy = mass.diagonal() > 0  # all but what spreads in traces
        scale = plain.diagonal()[heavy] / mass.diagonal()[heavy]
        x0, y0 = np.ptp(mesh.points, axis=0)
        low, high = (np.pi / max(x0, y0)) ** 2 * 0.2, 3.0 * float(np.max(scale))
        count = max(3, int(np.ceil(np.log10(high / low) / 2.5)) + 1)
        poles = np.concatenate([[0.0], np.geomspace(low, high, count)])
        # The iteration checks its own residual; these solves only speed it up.
        shifted = [(plain + q * mass).tocsc() for q in poles]
        solves = [
            *factorize_each(shifted[:1], checked=False),
            *factorize_each(shifted[1:], checked=False, single=True),
        ]
        pairs = [(pair, _pair_solves(pair.opposite, plain, mass, poles)) for pair in Pair.of(system)]
        circuits = _Circuits.of(system, solves[0])
        grid = np.geomspace(low, high, 400)
        return cls(solves, poles, grid, _foil_of(system), stack.weights, circuits, pairs)

    def weights(self, sheet: float, s: float) -> Weights:
        """What belongs to one shift; `sheet` is that of the reference."""
        fits = np.array([self._fit(sheet * weight, s) for weight in self.foils]).T
        pairs = tuple(self._of_pair(sheet * float(np.mean(self.foils)), s, pair.distance) for pair, _ in self.pairs)
        of_circuits, among = self.circuits.weighed(sheet, s)
        circuits = np.linalg.inv(among).astype(np.float64)
        return Weights(fits if len(self.foils) == 1 else fits[:, self.foil], pairs, circuits, of_circuits)

    def _alone(self, sheet: float, s: float, times: Floats | float = 1.0) -> Floats:
        """What answers currents on a level by itself, by the grid; `times` what induction is alone."""
        value: Floats = 1 / (sheet * self.grid + s * MU0 / 2 * np.sqrt(self.grid) * times)
        return value

    def _of_pair(self, sheet: float, s: float, distance: float) -> tuple[Floats, Floats]:
        """What opposite currents of two levels have more than levels by themselves, and equal ones less."""
        alone, seen = self._alone(sheet, s), np.exp(-distance * np.sqrt(self.grid))
        opposite = self._alone(sheet, s, -np.expm1(-distance * np.sqrt(self.grid)))
        equal = self._alone(sheet, s, 1 + seen)
        return self._fitted(opposite - alone, opposite), self._fitted(alone - equal, equal)

    def _fit(self, sheet: float, s: float) -> Floats:
        """Weights of levels by themselves, shape (poles,)."""
        alone = self._alone(sheet, s)
        return self._fitted(alone, alone)

    def _fitted(self, target: Floats, scale: Floats) -> Floats:
        """Weights from a non-negative least-squares fit, errors relative to `scale`."""
        matrix = 1 / (self.grid[:, None] + self.poles) / scale[:, None]
        size = np.max(matrix, axis=0)
        solution, _ = nnls(matrix / size, target / scale)
        result: Floats = solution / size
        return result

    def apply(self, weights: Weights, right: Floats) -> Floats:
        """
        Sum of the weighted solves, and circuits as they are: of the rest the solves see only what circuits leave.

        Were both just added, everything near a circuit would count twice, and in traces a thousand times.
        """
        patterns, made = self.circuits.patterns, weights.of_circuits
        # Columns of any size, down to a nanohenry's, are of one size in single precision.
        size = np.max(np.abs(right), axis=0, initial=1e-300)
        right = right / size
        round_circuits = weights.circuits @ (patterns.T @ right.astype(np.float32))
        right -= made @ round_circuits.astype(np.float32)
        # On both sides, so that it stays symmetric where circuits lead from foil to foil.
        work = [
            partial(_weighed, solve, np.sqrt(weight)[:, None], right)
            for weight, solve in zip(weights.fractions, self.solves, strict=True)
            if np.any(weight > 0)
        ]
        alone, cuts = len(work), [len(work)]
        kinds = [(kind, sign) for pair, _ in self.pairs for kind, sign in ((pair.opposite, 1), (pair.equal, -1))]
        solves = [each for _, each in self.pairs for _ in range(2)]
        for (spread, _), each, fractions in zip(kinds, solves, chain(*weights.pairs), strict=True):
            drawn = spread.T @ right
            some = [(solve, weight) for weight, solve in zip(fractions, each, strict=True) if weight > 0]
            work += [partial(_weighed, solve, np.sqrt(weight), drawn) for solve, weight in some]
            cuts.append(len(work))
        parts = side_by_side(work)
        total = sum(parts[:alone], np.zeros_like(right))
        for (spread, sign), first, last in zip(kinds, cuts[:-1], cuts[1:], strict=True):
            if last > first:
                total += sign * (spread @ sum(parts[first:last]))
        round_circuits -= weights.circuits @ (made.T @ total.astype(np.float32))
        total += patterns @ round_circuits.astype(np.float32)
        total *= size
        return total


def _weighed(solve: Solve, root: Floats | float, right: Floats) -> Floats:
    """Weighted solve, its root on either side."""
    answer: Floats = root * solve(root * right)
    return answer


def _pair_solves(spread: csr_array, plain: csr_array, mass: csr_array, poles: Floats) -> list[Solve]:
    """Factor the shifted matrices on opposite stream functions."""
    dissipation, inertia = spread.T @ plain @ spread, spread.T @ mass @ spread
    # Where the meshes are coarser than thought, some say the same; single precision has to see that.
    least = 1e-6 * float(np.mean(dissipation.diagonal())) * diags_array(np.ones(spread.shape[1]))
    shifted = [csc_array(dissipation + q * inertia + least) for q in poles]
    return list(factorize_each(shifted, checked=False, single=True))


def _foil_of(system: System) -> Ints:
    """Foil of every unknown, by the first triangle it lives on, shape (free,)."""
    columns = system.to_local.tocsc()
    some = np.flatnonzero(np.diff(columns.indptr))
    foil = np.zeros(columns.shape[1], dtype=np.int64)
    foil[some] = system.stack.foil[columns.indices[columns.indptr[some]] // 3]
    return foil


def conjugate_gradients(
    apply: Callable[[Floats], Floats],
    precondition: Callable[[Floats], Floats],
    right: Floats,
    tolerance: float | Floats,
    start: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, int]:
    """
    Solve a symmetric positive definite system for several right sides at once.

    Parameters
    ----------
    apply, precondition : functions from array (n, k) to array (n, k)
    right : array, shape (n, loops)
    tolerance : float, or one for every column
        Of the energy of the error, as the preconditioner estimates it: relative to the energy of the answer, in root.
    start : two arrays of the shape of `right`, optional
        First answer, the best one of some subspace in energy; and what `apply` makes of it.

    Returns
    -------
    answer : array, shape (n, loops)
    iterations : int
        Of the slowest column; columns that are done take no more part.

    Raises
    ------
    NumericalError
        If a column is not done after `ITERATIONS`, or `precondition` is not positive definite.
    """
    x, r = (start[0].copy(), right - start[1]) if start else (np.zeros_like(right), right.copy())
    z = precondition(r)
    p, rz = z.copy(), np.sum(r * z, axis=0)
    # The energy of the answer: what the start holds, and what the first residual adds.
    whole = np.sum(right * x, axis=0) + rz
    for iteration in range(ITERATIONS):
        if np.any(rz < -(tolerance**2) * np.abs(whole)):
            message = (
                "The magnetic solve met a negative energy: look for triangles without area, or for copper details a "
                "millionth of the board in size."
            )
            raise NumericalError(message)
        on = np.flatnonzero(rz > tolerance**2 * whole)
        if not len(on):
            return x, iteration
        q = apply(p[:, on])
        alpha = rz[on] / np.sum(p[:, on] * q, axis=0)
        x[:, on] += alpha * p[:, on]
        r[:, on] -= alpha * q
        z = precondition(r[:, on])
        last, rz[on] = rz[on], np.sum(r[:, on] * z, axis=0)
        p[:, on] = z + rz[on] / last * p[:, on]
    message = (
        f"The magnetic solve did not converge in {ITERATIONS} iterations: look for copper details far finer than the "
        "trace height."
    )
    raise NumericalError(message)
