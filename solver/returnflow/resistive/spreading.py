"""Unit currents that leave copper evenly or in any pattern, as fields through trees of triangles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components

from returnflow.resistive.paths import Path
from returnflow.resistive.topology import Topology

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def conductors_of(topology: Topology) -> Ints:
    """Number of the conductor of every triangle, then of every contact; opening links join, shape (m + contacts,)."""
    labels: Ints = connected_components(topology.graph, directed=False)[1].astype(np.int64)
    return labels


def spread_fields(topology: Topology, sources: Floats) -> list[Path]:
    """
    Fields of currents that enter triangles and contacts as given, order 1.

    Where current leaves evenly in a triangle, the lowest-order Raviart-Thomas field is linear there; of it the mean is
    taken, which is all that fields constant per triangle see.

    Parameters
    ----------
    topology : Topology
    sources : array, shape (m + contacts, k)
        Current that enters every triangle and contact, ampere; its sum over every conductor is zero.
    """
    mesh = topology.mesh
    count = len(mesh.triangles)
    above = np.array(topology.above[: count + topology.contacts])
    flow = _upwards(above, sources)
    here = np.flatnonzero(above < len(above))  # roots hang on nothing
    here = here[above[here] >= 0]
    up = above[here]
    strength = np.zeros((count, 2, sources.shape[1]))
    corners = mesh.points[mesh.triangles]
    middle = corners.mean(axis=1)
    for inner, outer, sign in ((here, up, 1.0), (up, here, -1.0)):
        mine = inner < count
        triangles = inner[mine]
        edges = topology.edges_to(triangles, outer[mine])
        arm = middle[triangles] - corners[triangles, (edges + 2) % 3]
        arm = sign * arm / (2 * mesh.areas[triangles])[:, None]
        np.add.at(strength, triangles, arm[:, :, None] * flow[here[mine]][:, None, :])
    links = np.zeros((len(topology.links), sources.shape[1]))
    for node in here[(here >= count) & (up >= count)].tolist():
        number, sign = topology.opening_between[node - count, int(above[node]) - count]
        links[number] += sign * flow[node]
    x, y = (corners - middle[:, None]).transpose(2, 0, 1)
    values = strength[:, 0, None] * y[:, :, None] - strength[:, 1, None] * x[:, :, None]
    every = np.arange(count)
    return [Path(every, values[:, :, k], links[:, k]) for k in range(sources.shape[1])]


def _upwards(above: Ints, sources: Floats) -> Floats:
    """What flows from every node of a forest to the one above it: all that enters below."""
    depth = np.full(len(above), -1)
    parents: list[int] = above.tolist()
    for node in range(len(above)):
        way = []
        at = node
        while depth[at] < 0:
            way.append(at)
            if not 0 <= parents[at] < len(above):
                depth[at] = 0
                way.pop()
                break
            at = parents[at]
        for step, lower in enumerate(reversed(way), start=1):
            depth[lower] = depth[at] + step
    flow = sources.copy()
    order = np.argsort(depth, kind="stable")
    cuts = np.searchsorted(depth[order], np.arange(1, int(depth.max(initial=0)) + 2))
    for start, stop in zip(cuts[-2::-1], cuts[:0:-1], strict=True):
        level = order[start:stop]
        np.add.at(flow, above[level], flow[level])
    return flow
