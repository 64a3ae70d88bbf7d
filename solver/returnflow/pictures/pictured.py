"""Which coppers are worth pictures of their own, and on which picture the narrow ones appear."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from returnflow.answers import coupling
from returnflow.answers.budget import Contribution
from returnflow.answers.result import LEAST_AREA, Result
from returnflow.resistive.conductors import copper_numbers
from returnflow_geometry.mesh.mesher import Mesh
from returnflow_geometry.model.wording import named

Floats = NDArray[np.float64]

NOTHING = 1e-9  # of the largest a coupling could be: rounding
LEAST_PART = 0.01  # of what flows, or couples, on the copper that has most of it


def pictured(result: Result) -> list[int]:
    """
    Numbers of the coppers that get pictures, that on which most loops end first.

    A copper that carries nothing at 0 Hz although it is large gets a board picture all the same.
    """
    area = areas(result)
    wide = [n for n in range(len(area)) if area[n] >= LEAST_AREA * max(area)]
    return sorted(wide, key=lambda n: (n != result.focus, -area[n]))


def areas(result: Result) -> list[float]:
    """Area of every copper, m²."""
    return [float(plane.copper.area) for plane in result.conductors.planes]


def narrow_over(result: Result) -> list[int]:
    """Numbers of the narrow coppers whose nearest wide copper, above or below them, is the one that pictures show."""
    wide, conductors = pictured(result), result.conductors
    found = []
    for n, plane in enumerate(conductors.planes):
        if n in wide:
            continue
        # Only a copper that it passes over is its plane; without any, the nearest.
        under = [w for w in wide if conductors.planes[w].copper.intersects(plane.copper)] or wide
        if min(under, key=lambda w: float(conductors.distance[n, w])) == result.focus:
            found.append(n)
    return found


def flow_parts(result: Result, loop: int, frequency: float = 0.0) -> Floats:
    """Current times way of a loop on every copper, relative to the busiest, shape (coppers,)."""
    if frequency == 0 or result.spectral is None:
        mesh = result.whole.mesh
        strength = np.linalg.norm(result.whole.current(loop), axis=2).mean(axis=1)
    else:
        mesh = result.spectral.model.system.space.mesh
        K = result.spectral.model.current(frequency)[:, :, loop]
        strength = np.sqrt(np.sum(np.abs(K) ** 2, axis=0))
    return _relative(result, mesh, strength)


def noise_frequency(result: Result, part: Contribution) -> float:
    """Frequency of the line that makes most of a noise, hertz; 0 where it is not known or only 0 Hz is modelled."""
    return 0.0 if result.spectral is None else part.frequency or 0.0


def coupling_density(result: Result, i: int, j: int, frequency: float = 0.0) -> tuple[Mesh, Floats]:
    """
    Integrand of what all coppers have in the transfer impedance of two loops, mean per triangle, ohm/m², shape (m,).

    At 0 Hz its integral is the transfer resistance; above, the magnitude of sheet impedance times both currents over
    all copper, negative where the two flow against each other. What induction does between the loops is not in it.
    """
    if frequency == 0 or result.spectral is None:
        return result.whole.mesh, coupling.coupling_density(result.whole, i, j)
    model = result.spectral.model
    mesh, K = model.system.space.mesh, model.current(frequency)
    density = model.sheets(frequency)[model.system.stack.foil] * np.sum(K[:, :, i] * K[:, :, j], axis=0)
    total = complex(density @ mesh.areas)
    turn = np.exp(-1j * np.angle(total if total.real >= 0 else -total))
    in_phase: Floats = (density * turn).real
    return mesh, in_phase


def coupling_parts(result: Result, i: int, j: int, frequency: float = 0.0) -> Floats:
    """Magnitude of the coupling of two loops on every copper, relative to where it is most, shape (coppers,); or 0."""
    mesh, density = coupling_density(result, i, j, frequency)
    own, density = result.whole.mid, np.abs(density)
    if float(density @ mesh.areas) <= NOTHING * float(np.sqrt(own[i, i] * own[j, j])):
        return np.zeros(len(result.conductors.names))
    return _relative(result, mesh, density)


def _relative(result: Result, mesh: Mesh, density: Floats) -> Floats:
    count = len(result.conductors.names)
    # A magnetic mesh holds idle coppers behind those.
    amount = np.bincount(copper_numbers(mesh), density * mesh.areas, minlength=count)[:count].astype(np.float64)
    most = float(amount.max())
    return amount / most if most > 0 else amount


def of_copper(result: Result) -> str:
    """Copper that a picture shows, and its layer, for the end of a title; nothing where there is no other."""
    if len(result.conductors.names) == 1:
        return ""
    return f", on {named(result.copper)} ({result.case.board.copper(result.copper).layer})"
