"""Round contacts are octagons in the magnetic mesh: what currents see is as it was, for fewer triangles."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from shapely import Polygon

from layered import MM, case, pad, strip
from returnflow.magnetic import contacts
from returnflow.magnetic.meshing import mesh_of
from returnflow.magnetic.octagons import CLEAR, CORNERS, WIDE, octagon, stands_clear
from returnflow.magnetic.solving import solve_expelled
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Loop, Outgoing
from returnflow_geometry.model.shapes import circle, polygon_capacity, rectangle


class TestOctagon:
    @pytest.mark.parametrize("corners", [12, 16, 60])
    def test_it_has_the_capacity_of_its_disc_however_that_is_drawn(self, corners):
        found = octagon(circle(3.0, -2.0, 2.0, corners=corners))
        assert len(found.exterior.coords) - 1 == CORNERS
        assert np.sqrt(found.area / np.pi) * polygon_capacity(CORNERS) == pytest.approx(1.0, rel=1e-9)
        assert (found.centroid.x, found.centroid.y) == pytest.approx((3.0, -2.0))

    @pytest.mark.parametrize(
        "shape",
        [
            rectangle(0, 0, 1, 1),
            circle(0, 0, 2, corners=8),
            shapely.affinity.scale(circle(0, 0, 2), 1.01, 1.0),
            circle(0, 0, 2).difference(circle(0, 0, 1)),
            circle(0, 0, 2).intersection(rectangle(-1, -1, 0.9, 1)),
            Polygon(np.delete(np.array(circle(0, 0, 2).exterior.coords[:-1]), 3, axis=0)),
            shapely.union_all([circle(0, 0, 2), circle(5, 0, 2)]),
        ],
        ids=["square", "octagon", "ellipse", "ring", "cut", "lacks a corner", "two"],
    )
    def test_of_what_is_no_disc_there_is_none(self, shape):
        assert octagon(shape) is None


class TestStandsClear:
    COPPER = rectangle(0, 0, 40, 30)

    def clear(self, *discs, widest=2.0):
        rims = shapely.STRtree([self.COPPER.boundary])
        return stands_clear(discs[0], 0, rims, shapely.STRtree(list(discs)), widest)

    def test_where_nothing_is_near(self):
        assert self.clear(circle(20, 15, 2), circle(23, 15, 2))

    def test_not_beside_an_edge_or_another_contact_nor_if_it_is_wide(self):
        near = 1 + 0.9 * (CLEAR - 1)
        assert not self.clear(circle(near, 15, 2))
        assert not self.clear(circle(20, 15, 2), circle(20 + 1 + near, 15, 2))
        assert not self.clear(circle(20, 15, 2), widest=0.9)


def two_traces():
    """Two traces that leave one pad of a plane, as the two loops of a converter do at its ground pin."""
    spots = {"pin": (20, 15), "in": (8, 13), "out": (33, 18)}
    ends = [pad(name, "ground", x, y, 0.5 * MM, corners=24) for name, (x, y) in spots.items()]

    def trace(name, end, inject, return_):
        path = tuple((x * MM, y * MM) for x, y in (spots[end], spots["pin"]))
        route = Outgoing(layer="L1", path=path, width=0.4 * MM)
        return Loop(name=name, role="noisy", inject=inject, return_=return_, current=1.0, frequency=1e6, route=route)

    loops = [trace("in", "in", "pin", "in"), trace("out", "out", "out", "pin")]
    drawn = case([strip("ground", "L2", 0, 40, 30.0)], ends, [], loops, below=0.2 * MM)
    return drawn, Conductors.of(drawn)


class TestSolved:
    def solved(self, monkeypatch, *, discs):
        drawn, conductors = two_traces()
        if discs:
            monkeypatch.setattr(contacts, "stands_clear", lambda *_: False)
        ends = conductors.ends(drawn)
        return len(mesh_of(drawn, conductors, ends).triangles), solve_expelled(drawn, conductors, ends).inductance

    def test_inductances_are_as_with_discs_for_fewer_triangles(self, monkeypatch):
        count, eased = self.solved(monkeypatch, discs=False)
        before, drawn = self.solved(monkeypatch, discs=True)
        assert count < 0.9 * before
        assert np.diag(eased) == pytest.approx(np.diag(drawn), rel=5e-4)
        # What the two have in common is where they meet at the pin: entered along an outline of 0.4 mm.
        assert eased[0, 1] == pytest.approx(drawn[0, 1], rel=5e-3)
        assert abs(drawn[0, 1]) < 0.05 * np.sqrt(drawn[0, 0] * drawn[1, 1])

    def test_a_wide_pad_keeps_its_corners(self):
        _, conductors = two_traces()
        (plane,) = conductors.planes
        diagonal = np.hypot(40, 30) * MM
        for radius, kept in ((0.9 * WIDE * diagonal, False), (1.1 * WIDE * diagonal, True)):
            disc = circle(20 * MM, 8 * MM, 2 * radius, corners=24)
            wide = dataclasses.replace(
                conductors,
                planes=(dataclasses.replace(plane, contacts=[disc]),),
                contacts=(np.array([0]),),
                terminals=("x",),
            )
            (region,) = contacts.opened(wide, {0: np.inf}, [[]]).conductors.planes[0].regions
            assert (len(region.exterior.coords) - 1 == 24) == kept
