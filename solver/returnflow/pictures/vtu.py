"""Fields for viewers of finite-element results."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

import meshio
import numpy as np

from returnflow.answers import coupling
from returnflow.answers.result import Result
from returnflow.resistive.conductors import copper_numbers
from returnflow.words.answer_text import region_names

MARK = b"returnflow"  # near the start of every file we write; files without it are somebody else's


def field_mesh(result: Result) -> meshio.Mesh:
    """
    Fields on the triangles of all coppers, each at its own height, for viewers of finite-element results.

    Cell data: ``copper`` its number; ``K <loop>`` sheet current at the centroid in A/m per ampere (mean of the two
    sides); ``coupling <loop> x <noisy loop>`` integrand of the transfer resistance in ohm/m², whose sum over areas is
    the mid value; ``region <name>`` 1 inside. Point data: ``potential <loop>`` in volts per ampere.
    """
    solution, mesh = result.whole, result.whole.mesh
    flat = np.zeros((len(mesh.triangles), 3))
    cells: dict[str, list[Any]] = {}
    points: dict[str, Any] = {}
    for j, loop in enumerate(result.case.loops):
        K = flat.copy()
        K[:, :2] = solution.current(j).mean(axis=1)
        cells[f"K {loop.name}"] = [K]
        potential = np.zeros(len(mesh.points))
        potential[mesh.triangles] = solution.potential[solution.space.local[:, :3], j]
        points[f"potential {loop.name}"] = potential
    for budget in (*result.sensitive, *result.cables):
        for part in budget.contributions:
            density = coupling.coupling_density(solution, result.index(budget.loop), result.index(part.loop))
            cells[f"coupling {budget.loop} x {part.loop}"] = [density]
    for row, name in zip(mesh.region_triangles, region_names(result), strict=True):
        cells[f"region {name}"] = [row.astype(np.uint8)]
    copper = copper_numbers(mesh)
    cells["copper"] = [copper]
    names, board = result.conductors.names, result.case.board
    depth = np.array([board.height(board.copper(names[0]).layer, name) for name in names])
    height = np.zeros(len(mesh.points))
    height[mesh.triangles] = depth[copper, None]
    places = np.column_stack([mesh.points, height])
    return meshio.Mesh(places, [("triangle", mesh.triangles)], point_data=points, cell_data=cells)


def vtu_bytes(result: Result, scratch: Path) -> bytes:
    """
    Content of fields.vtu, marked as ours.

    Parameters
    ----------
    result : Result
    scratch : Path
        File to write to on the way: the library knows no other.
    """
    mesh = field_mesh(result)
    # The writer puts names into its XML as they are.
    mesh.point_data = {escape(name): data for name, data in mesh.point_data.items()}
    mesh.cell_data = {escape(name): data for name, data in mesh.cell_data.items()}
    meshio.write(scratch, mesh, file_format="vtu")
    first, rest = scratch.read_bytes().split(b"\n", 1)
    return first + b"\n<!-- " + MARK + b" -->\n" + rest
