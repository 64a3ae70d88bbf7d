"""Sparse positive definite systems: factor once, solve for all loops, and never return an unchecked answer."""

from __future__ import annotations

import functools
import importlib
import os
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array, triu
from scipy.sparse.linalg import splu

from returnflow.resistive.factor_threads import factors
from returnflow.resistive.ordering import Ordered

Floats = NDArray[np.float64]
Solve = Callable[[Floats], Floats]
Backend = Literal["scipy", "pardiso"]
Places = tuple[Floats, int]  # where the unknowns are, and how many holes the copper has: see `Ordered`
Progress = Callable[[str], None]  # is told a line of progress now and then

TOLERANCE = 1e-8
LARGE = 50_000  # unknowns from which PARDISO is worth its start
TOGETHER = 500_000  # unknowns in all; beyond, two factors at a time would take gigabytes


class NumericalError(RuntimeError):
    """The equations could not be solved as accurately as they must be; the message says why."""


def factorize(
    matrix: csc_array, backend: Backend | None = None, *, checked: bool = True, places: Places | None = None
) -> Solve:
    """
    Factor a symmetric positive definite matrix; return a function that solves for several right sides.

    Parameters
    ----------
    matrix : sparse array, shape (n, n)
    backend : "scipy" or "pardiso", optional
        By default PARDISO where it is installed and the system has more than 50 000 unknowns, else SuperLU.
    checked : bool
        Leave out the check of the residual only where another loop checks its own.
    places : (array, int), optional
        Where the unknowns are, and the number of holes: makes a better order of elimination.

    Returns
    -------
    solve : function from array (n, k) to array (n, k)
        Raises `NumericalError` if a residual exceeds 1e-8 of its right side.
    """
    if _chosen(matrix, backend) == "pardiso":
        return _guarded(matrix, lambda: _pardiso(matrix), checked)
    return _guarded(matrix, lambda: _scipy(direct(matrix, places)), checked)


def factorize_each(
    matrices: Sequence[csc_array],
    backend: Backend | None = None,
    *,
    checked: bool = True,
    places: Sequence[Places] | None = None,
    single: bool = False,
) -> Iterator[Solve]:
    """
    Factor several matrices, see `factorize`; yield their solvers in order.

    In `single` precision SuperLU takes half the memory and two thirds of the time: for who needs them to precondition.

    Small ones are factored side by side, one per core: SuperLU runs outside the interpreter's lock. Large ones are
    factored when their turn comes, so that a solver that was let go leaves its memory to the next.
    """
    cores = min(len(matrices), os.cpu_count() or 1)
    pardiso = any(_chosen(matrix, backend) != "scipy" for matrix in matrices)
    in_turn = cores < 2 or pardiso
    if single and not pardiso:
        yield from (_guarded(m, ready, checked) for m, ready in zip(matrices, _singles(matrices, cores), strict=True))
        return
    if in_turn or sum(matrix.shape[0] for matrix in matrices) > TOGETHER:
        for number, matrix in enumerate(matrices):
            yield factorize(matrix, backend, checked=checked, places=places[number] if places else None)
        return
    work = [functools.partial(direct, m, places[n] if places else None) for n, m in enumerate(matrices)]
    for matrix, ready in zip(matrices, factors(work), strict=True):
        yield _guarded(matrix, ready, checked)


def _singles(matrices: Sequence[csc_array], cores: int) -> Iterator[Callable[[], Solve]]:
    """What makes factors in single precision: all at once where there are cores and memory for it."""
    work = [functools.partial(Single, matrix) for matrix in matrices]
    if cores < 2 or sum(matrix.shape[0] for matrix in matrices) > TOGETHER:
        return iter([functools.partial(_made, item) for item in work])
    return iter(factors(work))


def _made(make: Callable[[], Single]) -> Solve:
    return _scipy(make())


class Single:
    """SuperLU factor in single precision, for right sides of any size."""

    def __init__(self, matrix: csc_array) -> None:
        self._factor = splu(csc_array(matrix, dtype=np.float32))

    def solve(self, right: Floats) -> Floats:
        """Solve for right sides of shape (n, k), each of size 1 on the way."""
        size = np.max(np.abs(right), axis=0, initial=1e-300)
        answer: Floats = self._factor.solve((right / size).astype(np.float32)).astype(np.float64) * size
        return answer


def _guarded(matrix: csc_array, make: Callable[[], Solve], checked: bool) -> Solve:
    """Solver that `make` makes of a matrix, with its failures told and its answers checked."""
    try:
        direct = make()
    except RuntimeError as error:
        reasons = "a part of the copper is held by no contact, or a triangle has no area"
        message = f"The equations are singular ({error}): {reasons}."
        raise NumericalError(message) from error

    if not checked:
        return direct

    def solve(right: Floats) -> Floats:
        answer = direct(np.asfortranarray(right))
        residual = np.linalg.norm(matrix @ answer - right, axis=0)
        scale = np.linalg.norm(right, axis=0)
        if not np.all(residual <= TOLERANCE * scale):
            worst = float(np.max(residual / np.where(scale > 0, scale, 1)))
            message = (
                f"The linear solver left a residual of {worst:.1e} (allowed {TOLERANCE:.0e}): the mesh may have "
                "triangles of very different size; remove copper details far below the size of a contact."
            )
            raise NumericalError(message)
        return answer

    return solve


def _chosen(matrix: csc_array, asked: Backend | None) -> Backend:
    if asked is not None:
        return asked
    return "pardiso" if matrix.shape[0] > LARGE and _has_pardiso() else "scipy"


@cache
def _has_pardiso() -> bool:
    """Whether PARDISO is installed and loads; half an installation is none."""
    try:
        importlib.import_module("pypardiso")
    except (ImportError, OSError):
        return False
    return True


def direct(matrix: csc_array, places: Places | None) -> Any:
    """SuperLU factor, or one that is ordered by places: either has `solve`."""
    # COLAMD, the default ordering, is never pathological on these matrices.
    return splu(matrix) if places is None else Ordered(matrix, *places)


def _scipy(factor: Any) -> Solve:
    return lambda right: np.asarray(factor.solve(right)).reshape(right.shape)


def _pardiso(matrix: csc_array) -> Solve:
    pypardiso = importlib.import_module("pypardiso")
    solver = pypardiso.PyPardisoSolver(mtype=2)
    upper = csr_array(triu(matrix, format="csr"))
    solver.factorize(upper)
    return lambda right: np.asarray(solver.solve(upper, right)).reshape(right.shape)
