"""Halving every edge of a mesh: the same copper, contacts, regions and sections."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString

from returnflow_geometry.mesh.halving import halved
from returnflow_geometry.mesh.mesher import Mesher, Plane


def drawn():
    copper = (
        shapely.box(0, 0, 30, 20).difference(shapely.box(12, -1, 13, 11)).difference(shapely.Point(22, 12).buffer(2))
    )
    contacts = [shapely.box(2, 2, 4, 4), shapely.box(26, 15, 28, 17)]
    plane = Plane(copper, contacts, [shapely.box(5, 5, 20, 18)], [LineString([(13, 11), (13, 20)])])
    return Mesher(plane).uniform(3.0)


def lengths(mesh, edges):
    return float(np.sum(mesh.edge_lengths[edges[:, 0], edges[:, 1]]))


def test_everything_is_where_it_was():
    mesh = drawn()
    fine = halved(mesh)
    assert fine.areas == pytest.approx(np.repeat(mesh.areas / 4, 4))
    assert fine.smallest_angle == pytest.approx(mesh.smallest_angle)
    assert fine.areas[fine.region_triangles[0]].sum() == pytest.approx(mesh.areas[mesh.region_triangles[0]].sum())
    for name in ("region_borders", "section_edges"):
        for one, other in zip(getattr(mesh, name), getattr(fine, name), strict=True):
            assert len(other) == 2 * len(one) > 0
            assert lengths(fine, other) == pytest.approx(lengths(mesh, one))
    (section,) = fine.section_edges
    ends = fine.points[fine.edge_ends[section[:, 0], section[:, 1]]]
    assert np.sum(section[:, 2, None] * (ends[:, 1] - ends[:, 0]), axis=0) == pytest.approx([0, 9])
    for contact in range(2):
        rims = [each.contact_edges[each.contact_of == contact] for each in (mesh, fine)]
        assert lengths(fine, rims[1]) == pytest.approx(lengths(mesh, rims[0])) == pytest.approx(8.0)


def test_every_edge_inside_has_two_triangles_and_every_other_one():
    counts = []
    for mesh in (drawn(), halved(drawn())):
        edges = np.sort(mesh.edge_ends.reshape(-1, 2), axis=1)
        _, often = np.unique(edges, axis=0, return_counts=True)
        assert set(often) == {1, 2}
        counts.append(np.sum(often == 1))
    assert counts[1] == 2 * counts[0]
