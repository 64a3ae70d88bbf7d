"""The equations of sheet currents with dissipation and induction on one mesh, and what every loop drives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array, csr_array, diags_array, hstack

from returnflow.foil import MU0
from returnflow.induction import PanelOperator, Sandwich
from returnflow.linear import factorize
from returnflow.panels import RULE_5
from returnflow.spaces import Path, Space, Topology, circuit_fields, path_fields, stream_map
from returnflow.traces import Route, flux_matrix, vector_potential
from returnflow_geometry.mesh import Mesh

Floats = NDArray[np.float64]


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
    panels: Sandwich
    currents: Floats
    resistance: Floats  # squares
    drive: Floats  # (free, loops), henry per ampere
    inductance: Floats  # (loops, loops), of the resistive pattern
    stream: Floats  # (loops, m, 3): local values of the resistive stream function

    def induce(self, values: Floats) -> Floats:
        """Apply L to columns of stream values, (free, k) to (free, k), henry."""
        return MU0 / (4 * np.pi) * (self.panels @ values)


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
    # A strip one triangle wide leaves the current no choice, and no unknown.
    free = to_local.shape[1]
    resistive = factorize(csc_array(dissipation))(-np.asarray(load)) if free else np.zeros((0, len(loops)))
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
    between = panels.between(curl)
    return System(
        space, to_local, curl, dissipation, between, currents, np.asarray(resistance), drive, inductance, stream
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
