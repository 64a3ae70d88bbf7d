import numpy as np
import pytest
from scipy.spatial import Delaunay

from returnflow.live.meshcode import EXACT, PART, STEP, decode, differences, encode


def cloud(rng, count, shift=0):
    """Triangles of random points, counter-clockwise, less some: with holes and where pieces touch at points."""
    points = rng.integers(0, 10**7, (count, 2)) + shift
    triangles = Delaunay(points).simplices
    a, b, c = points[triangles].swapaxes(0, 1).astype(float)
    turned = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) < (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    triangles[turned] = triangles[turned][:, ::-1]
    return points, triangles[rng.random(len(triangles)) > 0.2]


@pytest.mark.parametrize("seed", range(5))
def test_a_triangulation_comes_back_as_it_was(seed):
    rng = np.random.default_rng(seed)
    points, triangles = cloud(rng, 150)
    keep = rng.random(len(points)) > 0.5
    code, told, edges = encode(points, triangles, keep)
    found, again, guides = decode(code)
    # Every edge has its new number, and its ends are the points that were told there.
    assert sorted(edges.tolist()) == list(range(3 * len(triangles)))
    assert np.array_equal(told[again].ravel()[edges], triangles.ravel())
    assert np.max(np.abs(found - points[told])[keep[told]]) <= STEP / 2
    # Others are off by half a step of a raster that is at most a PART of an edge beside them.
    a, b = found[guides[:, 0]], found[guides[:, 1]]
    free = (guides[:, 0] >= 0) & ~keep[told]
    off = np.abs(found - points[told]).max(axis=1)
    assert np.all(off[free] <= np.abs(b - a).max(axis=1)[free] / PART)


def test_kept_points_alone_are_told_finely():
    points, triangles = cloud(np.random.default_rng(1), 80)
    code, told, _ = encode(points, triangles, np.ones(len(points), dtype=bool))
    assert len(code.inner) == 0
    assert np.count_nonzero(code.codes == EXACT) <= len(told)


def test_a_plane_over_the_points_is_told_by_zeros():
    """Values are told by how far they are from planes: of a plane nothing but rounding is left."""
    points, triangles = cloud(np.random.default_rng(2), 200)
    code, _, _ = encode(points, triangles, np.ones(len(points), dtype=bool))
    found, _, guides = decode(code)
    plane = found @ np.array([3e-9, -2e-9]) + 0.7
    told = differences(plane, 1e-3, found, guides)
    near = guides[:, 0] >= 0
    assert np.median(np.abs(told[near])) <= 1
    assert np.median(np.abs(told[~near])) > 100
