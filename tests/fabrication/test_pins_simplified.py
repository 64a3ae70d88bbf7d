"""Imported copper with fewer corners, and files that disagree about a pin."""

import dataclasses

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fabwriter import MM, Draft, demo_board
from returnflow_geometry.fabrication.base.objects import NetPoint
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.merged import simplified
from returnflow_geometry.fabrication.copper.pins import netlist_disagreements


@pytest.fixture(scope="module")
def demo():
    return demo_board()


class TestSimplified:
    @given(st.data())
    @settings(deadline=None, max_examples=40)
    def test_pieces_stay_apart_and_borders_move_by_less_than_the_tolerance(self, data):
        # Places and radii in whole nanometres, as files have them.
        place, radius = (
            st.integers(low, high).map(lambda k: k * 1e-6) for low, high in ((0, 3_000_000), (20_000, 800_000))
        )
        rough = [
            (x, y, r, data.draw(st.integers(2, 60)))
            for x, y, r in data.draw(st.lists(st.tuples(place, place, radius), min_size=1, max_size=6))
        ]
        self.check(rough)

    def test_a_hole_that_is_long_and_thin_is_closed_all_along(self):
        # Its middle is 0.12 mm from any border that is left, though no circle of 10 um fits into it.
        self.check(
            [(1.40625, 1.78125, 0.21875, 3), *[(0.0, 0.0, 0.5, 2)] * 3, (1.3125, 1.5625, 0.125, 2),
             (0.734375, 1.75, 0.515625, 3)]
        )  # fmt: skip

    def check(self, rough):
        tolerance = 10e-6
        discs = [shapely.Point(x * MM, y * MM).buffer(r * MM, quad_segs=segments) for x, y, r, segments in rough]
        shape = shapely.union_all(discs).difference(shapely.Point(1 * MM, 1 * MM).buffer(0.3 * MM, quad_segs=50))
        pieces = [part for part in shapely.get_parts(shape) if part.area > 1e-12]
        if not pieces:
            return
        shape = pieces[0] if len(pieces) == 1 else shapely.MultiPolygon(pieces)
        plain = simplified(shape, [], tolerance)
        assert plain.is_valid
        assert len(shapely.get_parts(plain)) == len(pieces)
        # Holes may be closed that hold no circle of the tolerance's diameter; all other borders stay where they are.
        kept = [
            shapely.Polygon(part.exterior, [ring for ring in part.interiors if self.holds(ring, tolerance)])
            for part in pieces
        ]
        off = min(
            shapely.hausdorff_distance(plain.boundary, each.boundary) for each in (shape, shapely.MultiPolygon(kept))
        )
        assert off <= tolerance * (1 + 1e-9)

    def holds(self, ring, diameter):
        circle = shapely.maximum_inscribed_circle(shapely.Polygon(ring), tolerance=diameter / 100)
        return 2 * circle.length > diameter

    def test_a_tip_in_a_dent_is_not_swallowed(self):
        # The dent of 8 um would be filled; the tip of the other piece stands 6 um deep in it.
        low = shapely.Polygon(np.array([[0, -1], [2, -1], [2, 0], [1.2, 0], [1, -0.008], [0.8, 0], [0, 0]]) * MM)
        high = shapely.Polygon(np.array([[1, -0.002], [2, 1], [0, 1]]) * MM)
        both = shapely.MultiPolygon([low, high])
        assert both.is_valid
        plain = simplified(both, [], 10e-6)
        assert len(shapely.get_parts(plain)) == 2
        assert plain.is_valid
        alone = simplified(low, [], 10e-6)
        assert shapely.get_num_coordinates(alone) == 5


class TestDisagreements:
    def test_a_stale_netlist_is_reported(self, demo):
        points = (
            NetPoint(net="GND", refdes="J4", pin="2", at=(10 * MM, 8 * MM), drill=1 * MM),
            NetPoint(net="VCC", refdes="J2", pin="1", at=(96 * MM, 60 * MM), drill=1 * MM),
        )
        data = dataclasses.replace(demo, points=points)
        (line,) = netlist_disagreements(data, connect(data))
        assert line == 'at (96, 60) mm the netlist says "VCC", the images "GND"'

    def test_a_name_cut_short_is_no_disagreement(self):
        draft = Draft(20, 20)
        draft.pour(1, "Analog_Ground_Left", (1, 1, 19, 19))
        for said, wrong in (("ANALOG_GROUND_", 0), ("OG_GROUND_LEFT", 0), ("ANALOG_GROUND", 1)):
            point = NetPoint(net=said, refdes="U1", pin="1", at=(5 * MM, 5 * MM), layers="top")
            data = dataclasses.replace(draft.data(), points=(point,))
            assert len(netlist_disagreements(data, connect(data))) == wrong
