"""Stream functions kept by nodes are the array that they stand for, whichever part is asked for."""

import numpy as np
import pytest

from layered import MM, case, pad, strip, via
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.products import curl
from returnflow.resistive.solution import Options
from returnflow_geometry.model.board import Loop


@pytest.fixture(scope="module", params=[1, 2])
def solution(request):
    """Two planes with vias: paths from contact to contact, and circuits through vias."""
    coppers = [strip("near", "L1", 0, 30, 20.0), strip("far", "L2", 0, 30, 20.0)]
    pads = [pad("a", "near", 4, 4), pad("b", "near", 26, 15), pad("c", "far", 15, 10)]
    spots = ((8, 15), (20, 5), (24, 10))
    pads += [pad(f"{n}{k}", n, *spot, 0.5 * MM) for k, spot in enumerate(spots) for n in ("near", "far")]
    links = [via(f"v{k}", f"near{k}", f"far{k}", 1e-3) for k in range(len(spots))]
    loops = [Loop(name=f"{i}{r}", role="noisy", inject=i, return_=r, current=1.0) for i, r in ("ab", "bc", "ca")]
    review = case(coppers, pads, links, loops)
    conductors = Conductors.of(review)
    return solve(conductors, conductors.ends(review), options=Options(accuracy=0.1, order=request.param))


def test_every_part_is_that_of_the_whole(solution):
    streams = solution.stream
    whole = np.asarray(streams)
    assert whole.shape == streams.shape == (len(streams), *solution.space.local.shape)
    rng = np.random.default_rng(3)
    some, unknown = rng.integers(0, streams.shape[1], (2, 40)), rng.integers(0, streams.shape[2], (2, 40))
    for loop in range(len(streams)):
        np.testing.assert_array_equal(streams[loop], whole[loop])
    np.testing.assert_array_equal(streams[:, some[0]], whole[:, some[0]])
    np.testing.assert_array_equal(streams[:, some, unknown], whole[:, some, unknown])
    np.testing.assert_array_equal(streams[:, some[0], 1], whole[:, some[0], 1])
    np.testing.assert_array_equal(streams.on(slice(5, 9)), np.moveaxis(whole[:, 5:9], 0, 2))
    with pytest.raises(IndexError, match="all of them and triangles"):
        streams[1:, some[0]]


def test_with_what_jumps_along_the_paths_it_is_the_current_that_the_other_side_knows(solution):
    nodal, jumps = solution.stream.nodal[solution.space.local], solution.stream.jumps
    assert jumps.nnz > 0
    for loop in range(len(solution.stream)):
        K = solution.current(loop, "potential")
        whole, alone = (curl(solution.space.gradient(it)) for it in (solution.stream[loop], nodal[:, :, loop]))
        assert np.linalg.norm(whole - K) < 0.3 * np.linalg.norm(K)
        assert np.linalg.norm(alone - K) > 0.5 * np.linalg.norm(K)


def test_on_one_copper_it_is_that_of_its_triangles(solution):
    whole = np.asarray(solution.stream)
    for copper in (0, 1):
        part = solution.on(copper)
        rows = np.flatnonzero(solution.mesh.copper_of == copper)
        np.testing.assert_array_equal(np.asarray(part.stream), whole[:, rows])
