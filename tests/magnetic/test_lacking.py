"""What a reduced model lacks of transfers: two loops' residuals count where they meet, not by their sizes alone."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from test_mesh_doubt import BOARD

from returnflow.magnetic.meshing import mesh_of, system_on
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import parse_case

FREQUENCIES = np.geomspace(30, 8e8, 24)
FAR = BOARD.replace("[0, 0, 40, 30]", "[0, 0, 120, 30]").replace("at = [8, 20]", "at = [88, 20]")
FAR = FAR.replace("at = [32, 22]", "at = [112, 22]").replace("[[8, 20], [32, 22]]", "[[88, 20], [112, 22]]")


@functools.cache
def models(text):
    """One mesh's reduced models: of few shifts, and as close as can be."""
    case = replace(parse_case(text), accuracy=0.02)
    conductors = Conductors.of(case)
    ends = conductors.ends(case)
    mesh = mesh_of(case, conductors, ends)
    return [
        reduce(system_on(mesh, case, conductors, ends), 35e-6, 20.0, None, options)
        for options in (
            BroadbandOptions(accuracy=0.1, residual=6e-4),
            BroadbandOptions(accuracy=1e-7, residual=1e-8, shifts=30),
        )
    ]


@pytest.mark.parametrize("text", [BOARD, FAR], ids=["near", "far"])
def test_every_impedance_is_off_by_less(text):
    made, close = models(text)
    for f in FREQUENCIES:
        off, half = np.abs(made.impedance(f) - close.impedance(f)), made.unreduced(f)
        inside = off[np.triu_indices(3, 1)] <= half[np.triu_indices(3, 1)]
        assert np.all(inside), f
        assert np.all(np.diag(off) <= 1.3 * np.diag(half)), f  # by the preconditioner for the inverse


def test_loops_far_apart_have_little_of_it_in_common_and_near_ones_more():
    def part(text):
        made, _ = models(text)
        parts = []
        for f in FREQUENCIES:
            half = made.unreduced(f)
            parts.append(half[0, 1] / np.sqrt(half[0, 0] * half[1, 1]))
        return np.median(parts)

    assert part(FAR) < 0.15
    assert part(FAR) < 0.5 * part(BOARD)


def test_it_is_never_more_than_the_root_of_the_product_of_their_own():
    for text in (BOARD, FAR):
        made, _ = models(text)
        for f in FREQUENCIES:
            half = made.unreduced(f)
            own = np.sqrt(np.diag(half))
            assert np.all(half <= 1.01 * np.outer(own, own))
            assert half == pytest.approx(half.T, rel=1e-9)
