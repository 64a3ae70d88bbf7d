"""What stands for the equations of close levels while they are solved: positive, and near them, however many."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import eigvalsh

from layered import MM, case, loop, pad
from returnflow.magnetic import contacts
from returnflow.magnetic.iteration import Preconditioner
from returnflow.magnetic.meshing import mesh_of, system_on
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import sheet_resistance
from returnflow_geometry.model.board import Copper
from returnflow_geometry.model.shapes import rectangle


def stacked(spans, thickness, below, accuracy):
    """Planes of 24 mm by 12 mm from some x to another, one over the other, a loop on each."""
    coppers = [
        Copper(name=f"P{n}", layer=f"L{n + 1}", shape=rectangle(x0 * MM, 0, x1 * MM, 12 * MM))
        for n, (x0, x1) in enumerate(spans)
    ]
    ends, loops = [], []
    for n, (x0, x1) in enumerate(spans):
        ends += [pad(f"A{n}", f"P{n}", x0 + 2, 3), pad(f"B{n}", f"P{n}", x1 - 2, 9)]
        loops.append(loop(f"l{n}", f"B{n}", f"A{n}"))
    review = replace(
        case(coppers, ends, [], loops, layers=len(spans), thickness=thickness, below=below), accuracy=accuracy
    )
    conductors = Conductors.of(review)
    ends = conductors.ends(review)
    return system_on(mesh_of(review, conductors, ends), review, conductors, ends)


def energies(system, induction, s):
    """Least and largest energy of currents, relative to what the preconditioner takes them to have."""
    size = len(induction)
    preconditioner = Preconditioner.of(system)
    sheet = sheet_resistance(35e-6)
    whole = sheet * system.dissipation.toarray() + s * induction
    inverse = preconditioner.apply(preconditioner.weights(sheet, s), np.eye(size))
    assert np.max(np.abs(inverse - inverse.T)) < 1e-4 * np.max(np.abs(inverse))
    half = np.linalg.cholesky(0.5 * (whole + whole.T))
    symmetric = half.T @ (0.5 * (inverse + inverse.T)) @ half
    found = eigvalsh(symmetric)
    return found[0], found[-1]


FULL = (0, 24)
BOARDS = {
    "two": ([FULL] * 2, [35e-6] * 2, 0.3),
    "thick and thin": ([FULL] * 2, [140e-6, 35e-6], 0.3),
    "six": ([FULL] * 6, [35e-6] * 6, 0.3),
    "a short one between": ([FULL, (0, 9), FULL], [35e-6] * 3, 0.3),
    "two short ones between": ([FULL, (0, 9), (13, 24), FULL], [35e-6] * 4, 0.2),
}
# By s, in rad/s: where resistance decides, where both do, and where induction does.
BOUNDS = {1e3: (0.98, 1.02), 1e5: (0.6, 1.6), 1e10: (0.1, 6.0)}


@pytest.fixture(scope="module", params=BOARDS)
def board(request):
    spans, thickness, below = BOARDS[request.param]
    accuracy = 0.025 if len(spans) > 4 else 0.01  # six levels on coarse meshes
    with pytest.MonkeyPatch.context() as patch:
        # Pads as they are drawn: it is about levels. With octagons the least of six levels is 0.595 instead of 0.629.
        patch.setattr(contacts, "stands_clear", lambda *_: False)
        system = stacked(spans, thickness, below * MM, accuracy)
    return system, system.induce(np.eye(system.to_local.shape[1]))


@pytest.mark.parametrize("s", BOUNDS)
def test_currents_of_close_levels_cost_what_is_thought(board, s):
    """However many levels; a mode that equal or opposite currents miss costs as many times as there are levels."""
    least, most = energies(*board, s)
    assert BOUNDS[s][0] < least <= most < BOUNDS[s][1]
