"""DXF drawings: closed-form areas in metres whatever the unit, and nothing closed that is not."""

import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.objects import Limits
from returnflow_geometry.fabrication.dxf.drawing_file import UNITS, looks_like_dxf, read_dxf
from returnflow_geometry.fabrication.dxf.rings import joined

ezdxf = pytest.importorskip("ezdxf")
LIMITS = Limits()
MM2 = 1e-6

# All drawings here are invented. Check values: closed form.


def drawing(draw, units=4, version="R2010"):
    document = ezdxf.new(version)
    document.header["$INSUNITS"] = units
    draw(document.modelspace())
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def read(draw, **options):
    return read_dxf(drawing(draw, **options), "a.dxf", LIMITS)


def square(space, x, y, side, layer="top"):
    corners = [(x, y), (x + side, y), (x + side, y + side), (x, y + side)]
    space.add_lwpolyline(corners, close=True, dxfattribs={"layer": layer})


class TestAreas:
    def test_layers_are_apart(self):
        found = read(lambda space: (square(space, 0, 0, 10), square(space, 0, 0, 5, "bottom")))
        assert {name: area.area for name, area in found.layers.items()} == pytest.approx(
            {"top": 100 * MM2, "bottom": 25 * MM2}
        )

    @pytest.mark.parametrize("code", sorted(UNITS))
    def test_every_unit(self, code):
        side = 0.01 / UNITS[code]
        found = read(lambda space: square(space, 0, 0, side), units=code)
        assert found.layers["top"].area == pytest.approx(1e-4)

    def test_the_units_are_the_published_ones(self):
        # Source: DXF reference, $INSUNITS.
        assert (UNITS[1], UNITS[4], UNITS[6], UNITS[9], UNITS[13]) == pytest.approx((0.0254, 1e-3, 1.0, 25.4e-6, 1e-6))

    def test_circles_have_their_area_and_holes_are_holes(self):
        def draw(space):
            square(space, 0, 0, 10)
            space.add_circle((5, 5), 2, dxfattribs={"layer": "top"})
            space.add_circle((5, 5), 1, dxfattribs={"layer": "top"})

        area = read(draw).layers["top"]
        assert area.area == pytest.approx((100 - 4 * math.pi + math.pi) * MM2, rel=1e-9)
        assert len(area.geoms) == 2

    def test_bulges_are_arcs(self):
        # A slot of length 10 between the centres and width 4: two half circles of bulge 1.
        rows = [(0, 0, 0), (10, 0, 1), (10, 4, 0), (0, 4, 1)]

        def draw(space):
            space.add_lwpolyline(rows, format="xyb", close=True, dxfattribs={"layer": "top"})

        area = read(draw).layers["top"]
        assert area.area == pytest.approx((40 + 4 * math.pi) * MM2, rel=1e-9)
        assert area.bounds == pytest.approx((-2e-3, 0, 12e-3, 4e-3), abs=5e-6)

    def test_a_negative_bulge_turns_the_other_way(self):
        rows = [(0, 0, 0), (10, 0, -0.5), (10, 4, 0), (0, 4, 0)]
        # Bulge b on a chord c: sagitta s = b c / 2, radius (c^2/4 + s^2) / (2 s); the segment is cut out here.
        s = 0.5 * 4 / 2
        r = (4 + s**2) / (2 * s)
        angle = 4 * math.atan(0.5)
        segment = r**2 / 2 * (angle - math.sin(angle))

        def draw(space):
            space.add_lwpolyline(rows, format="xyb", close=True, dxfattribs={"layer": "top"})

        assert read(draw).layers["top"].area == pytest.approx((40 - segment) * MM2, rel=1e-9)

    def test_lines_and_arcs_join_whatever_their_order_and_sense(self):
        def draw(space):
            attribs = {"layer": "top"}
            space.add_line((10, 4), (0, 4), attribs)
            space.add_arc((10, 2), 2, -90, 90, dxfattribs=attribs)
            space.add_line((0, 0), (10, 0), attribs)
            space.add_lwpolyline([(0, 0), (-3, 2), (0, 4)], dxfattribs=attribs)

        assert read(draw).layers["top"].area == pytest.approx((40 + 2 * math.pi + 6) * MM2, rel=1e-9)

    @pytest.mark.parametrize(("gap", "noted"), [(0.0, False), (5e-4, True), (5e-3, True), (40e-3, True)])
    def test_small_gaps_are_closed_and_told(self, gap, noted):
        def draw(space):
            for a, b in [((0, 0), (10, 0)), ((10, gap), (10, 10)), ((10, 10), (0, 10)), ((0, 10), (0, 0))]:
                space.add_line(a, b, {"layer": "top"})

        found = read(draw)
        assert found.layers["top"].area == pytest.approx(100 * MM2, rel=3e-3)
        assert any("joined over" in note for note in found.notes) is noted

    def test_hatches_with_an_island_and_edges_of_arcs(self):
        def draw(space):
            hatch = space.add_hatch(dxfattribs={"layer": "top"})
            hatch.paths.add_polyline_path([(0, 0), (10, 0), (10, 10), (0, 10)], is_closed=True)
            hatch.paths.add_polyline_path([(2, 2), (4, 2), (4, 4), (2, 4)], is_closed=True)
            half = space.add_hatch(dxfattribs={"layer": "half"})
            path = half.paths.add_edge_path()
            path.add_arc((0, 0), 3, 0, 180)
            path.add_line((-3, 0), (3, 0))

        found = read(draw).layers
        assert found["top"].area == pytest.approx(96 * MM2)
        assert found["half"].area == pytest.approx(4.5 * math.pi * MM2, rel=1e-9)

    def test_a_hatch_and_its_own_outline_are_one_area(self):
        def draw(space):
            square(space, 0, 0, 10)
            hatch = space.add_hatch(dxfattribs={"layer": "top"})
            hatch.paths.add_polyline_path([(0, 0), (10, 0), (10, 10), (0, 10)], is_closed=True)

        assert read(draw).layers["top"].area == pytest.approx(100 * MM2)

    def test_a_polyline_with_a_width_is_a_track(self):
        def draw(space):
            space.add_lwpolyline([(0, 0), (10, 0)], dxfattribs={"layer": "top", "const_width": 0.5})

        assert read(draw).layers["top"].area == pytest.approx(5 * MM2)

    def test_ellipses_solids_and_old_polylines(self):
        def draw(space):
            space.add_ellipse((0, 0), (4, 0), 0.5, dxfattribs={"layer": "ellipse"})
            space.add_ellipse((0, 0), (4, 0), 0.5, 0, math.pi, dxfattribs={"layer": "half"})
            space.add_line((-4, 0), (4, 0), {"layer": "half"})
            space.add_solid([(0, 0), (2, 0), (0, 2), (2, 2)], {"layer": "solid"})
            space.add_polyline2d([(0, 0), (3, 0), (3, 3)], close=True, dxfattribs={"layer": "old"})

        found = {name: area.area / MM2 for name, area in read(draw).layers.items()}
        assert found["ellipse"] == pytest.approx(8 * math.pi, rel=1e-9)
        assert found["half"] == pytest.approx(4 * math.pi, rel=3e-3)
        assert found["solid"] == pytest.approx(4)
        assert found["old"] == pytest.approx(4.5)

    def test_an_entity_drawn_from_below_is_seen_from_above(self):
        def draw(space):
            attribs = {"layer": "top", "extrusion": (0, 0, -1)}
            space.add_lwpolyline([(1, 0), (5, 0), (5, 2)], close=True, dxfattribs=attribs)

        assert read(draw).layers["top"].bounds == pytest.approx((-5e-3, 0, -1e-3, 2e-3))

    def test_the_same_outline_twice_is_no_hole(self):
        assert read(lambda space: (square(space, 0, 0, 10), square(space, 0, 0, 10))).layers[
            "top"
        ].area == pytest.approx(100 * MM2)


class TestJoining:
    @settings(max_examples=50, deadline=None)
    @given(data=st.data(), corners=st.integers(3, 12))
    def test_a_ring_cut_and_shuffled_comes_back_whole(self, data, corners):
        angles = 2 * np.pi * np.arange(corners) / corners
        ring = np.column_stack([np.cos(angles), np.sin(angles)])
        lines = [np.array([ring[k], ring[(k + 1) % corners]]) for k in range(corners)]
        lines = [line if data.draw(st.booleans()) else line[::-1] for line in data.draw(st.permutations(lines))]
        rings, tolerance = joined(lines)
        assert tolerance == 1e-9
        (found,) = rings
        x, y = found.T
        area = abs(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
        assert area == pytest.approx(corners / 2 * math.sin(2 * math.pi / corners))


class TestRecognition:
    def test_drawings(self):
        assert looks_like_dxf(drawing(lambda space: square(space, 0, 0, 1)))

    @pytest.mark.parametrize("data", [b"", b"M48\nMETRIC\n", b"0\nSECTIONS\n", b"<a/>"])
    def test_other_files(self, data):
        assert not looks_like_dxf(data)


# The oldest version is the shortest to write by hand.
SMALL = """0
SECTION
2
HEADER
9
$ACADVER
1
AC1009
9
$INSUNITS
70
4
0
ENDSEC
0
SECTION
2
ENTITIES
0
CIRCLE
8
top
10
5.0
20
5.0
40
2.0
0
LINE
8
side
10
0.0
20
0.0
11
1.0
21
0.0
0
ARC
8
side
10
0.5
20
0.0
40
0.5
50
0.0
51
180.0
0
POLYLINE
8
poly
66
1
70
1
0
VERTEX
8
poly
10
0.0
20
0.0
42
0.5
0
VERTEX
8
poly
10
9.0
20
0.0
0
VERTEX
8
poly
10
9.0
20
9.0
0
SEQEND
0
ENDSEC
0
EOF
"""


def test_the_smallest_drawing_is_read():
    found = read_dxf(SMALL.encode(), "a.dxf", LIMITS).layers
    assert set(found) == {"top", "side", "poly"}
    assert found["side"].area == pytest.approx(math.pi / 8 * MM2, rel=1e-9)
