"""IPC-2581: holes, the stack of layers, and widths that are said elsewhere."""

import math

import numpy as np
import pytest
import shapely
from test_ipc2581 import LAYERS, MM, MM2, board, copper, feature, on, read

from returnflow_geometry.fabrication.base.objects import FabricationError
from returnflow_geometry.fabrication.ipc2581.areas import stadium


class TestHoles:
    @pytest.mark.parametrize(
        ("status", "plating"),
        [
            ("PLATED", "plated"),
            ("VIA", "plated"),
            ("VIA_CAPPED", "plated"),
            ("NONPLATED", "unplated"),
            ("?", "unknown"),
        ],
    )
    def test_round_holes(self, status, plating):
        hole = f'<Set net="N"><Hole name="h" diameter="0.3" platingStatus="{status}" x="1" y="2"/></Set>'
        (found,) = read(board(on("drill", hole))).holes
        np.testing.assert_allclose(found.path, [[1 * MM, 2 * MM]])
        assert (found.diameter, found.net, found.span) == (pytest.approx(0.3 * MM), "N", (1, 2))
        assert found.plating == plating

    def test_a_hole_s_own_span_goes_before_that_of_its_layer(self):
        hole = '<Set><Hole diameter="0.3" x="1" y="2"><Span fromLayer="top" toLayer="top"/></Hole></Set>'
        assert read(board(on("drill", hole))).holes[0].span == (1, 1)
        upwards = hole.replace('fromLayer="top"', 'fromLayer="bottom"')
        assert read(board(on("drill", upwards))).holes[0].span == (1, 2)

    @pytest.mark.parametrize(
        "inner",
        [
            '<Polyline><PolyBegin x="1" y="2"/><PolyStepSegment x="4" y="2"/><LineDesc lineWidth="1"/></Polyline>',
            '<Location x="2.5" y="2"/><Oval width="4" height="1"/>',
            '<Xform rotation="90"/><Location x="2.5" y="2"/><Oval width="1" height="4"/>',
        ],
    )
    def test_slots(self, inner):
        slot = f'<Set net="N"><SlotCavity name="s" platingStatus="PLATED">{inner}</SlotCavity></Set>'
        (found,) = read(board(on("drill", slot))).holes
        assert found.diameter == pytest.approx(1 * MM, rel=0.01)
        ends = sorted(map(tuple, found.path / MM))
        np.testing.assert_allclose(ends, [(1, 2), (4, 2)], atol=0.02)

    def test_a_cavity_that_is_no_slot_is_noted(self):
        slot = '<Set><SlotCavity platingStatus="NONPLATED"><RectCenter width="4" height="3"/></SlotCavity></Set>'
        data = read(board(on("drill", slot)))
        assert data.holes == ()
        assert any("1 times: cavities that are not slots" in note for note in data.notes)

    @pytest.mark.parametrize("angle", [0, 30, 77])
    def test_stadiums_are_known_at_every_angle(self, angle):
        direction = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
        slot = shapely.LineString([-direction, direction]).buffer(0.5, quad_segs=32)
        path, width = stadium(slot)
        assert width == pytest.approx(1, rel=0.01)
        assert abs(abs((path[1] - path[0]) @ direction) - 2) < 0.03
        assert stadium(shapely.box(0, 0, 2, 1)) is None
        assert len(stadium(shapely.Point(0, 0).buffer(1))[0]) == 1


class TestStack:
    def test_layers_in_the_order_of_their_sequence(self):
        data = read(board())
        assert [(layer.name, layer.kind) for layer in data.stackup] == [
            ("mask", "other"),
            ("top", "copper"),
            ("core", "dielectric"),
            ("bottom", "copper"),
        ]
        assert [layer.thickness for layer in data.stackup] == pytest.approx([0.02e-3, 0.035e-3, 0.9e-3, 0.035e-3])
        assert [layer.name for layer in data.layers] == ["top", "bottom"]

    def test_a_row_may_stand_for_a_group(self):
        row = '<StackupLayer layerOrGroupRef="core" thickness="0.9"/>'
        group = f'<StackupGroup name="inner">{row}</StackupGroup>'
        layers = LAYERS.replace('layerOrGroupRef="core"', 'layerOrGroupRef="inner"').replace(
            "</StackupGroup>", f"</StackupGroup>{group}"
        )
        assert [layer.name for layer in read(board(layers=layers)).stackup] == ["mask", "top", "core", "bottom"]

    def test_without_a_stackup_the_sides_order_the_layers(self):
        layers = LAYERS[: LAYERS.index("<Stackup ")]
        data = read(board(layers=layers))
        assert [layer.name for layer in data.layers] == ["top", "bottom"]
        assert "no stackup" in data.order

    def test_copper_that_is_not_in_the_stackup_is_refused_if_it_has_features(self):
        layers = LAYERS.replace('<StackupLayer layerOrGroupRef="bottom" thickness="0.035" sequence="4"/>', "")
        assert [layer.name for layer in read(board(layers=layers)).layers] == ["top"]
        with pytest.raises(FabricationError, match="copper layer 'bottom' is not in the stackup"):
            read(board(on("bottom", feature('<Circle diameter="1"/>')), layers=layers))

    def test_pads_of_all_holes_are_no_layer(self):
        pads = feature('<Circle diameter="1"/>', where='<Location x="3" y="4"/>')
        hole = '<Set net="N"><Hole name="h" diameter="0.3" platingStatus="VIA" x="3" y="4"/></Set>'
        for side in ("ALL", "INTERNAL"):  # named as what it is, and told by what is in it
            pseudo = f'<Layer name="holes" layerFunction="CONDUCTOR" side="{side}"/>'
            layers = LAYERS.replace("<Stackup ", pseudo + "<Stackup ")
            data = read(board(on("drill", hole), on("holes", pads), layers=layers))
            assert [layer.name for layer in data.layers] == ["top", "bottom"]

    def test_the_outline_has_its_cutouts(self):
        data = read(board())
        assert data.outline.area / MM2 == pytest.approx(4900)
        assert any("no Profile" in note for note in read(board(profile="")).notes)


class TestWidthsElsewhere:
    LINE = '<Line startX="0" startY="0" endX="10" endY="0"/>'
    WIDE = '<LineDesc lineEnd="SQUARE" lineWidth="0.5"/>'
    AREA = 10.5 * 0.5 * MM2  # closed form

    def test_a_line_is_drawn_with_what_its_set_or_features_say(self):
        for text in (
            f'<Set net="N"><Features>{self.WIDE}{self.LINE}</Features></Set>',
            f'<Set net="N">{self.WIDE}<Features>{self.LINE}</Features></Set>',
            f'<Set net="N">{self.WIDE}<Features><UserSpecial>{self.LINE}</UserSpecial></Features></Set>',
        ):
            assert copper(text).nets["N"].area == pytest.approx(self.AREA)

    def test_a_line_from_the_dictionary_too_each_time_with_its_own(self):
        content = (
            '<DictionaryUser units="MILLIMETER"><EntryUser id="L"><UserSpecial>'
            f"{self.LINE}</UserSpecial></EntryUser></DictionaryUser>"
        )
        thin = self.WIDE.replace("0.5", "0.25")
        drawn = '<Features><UserPrimitiveRef id="L"/></Features></Set>'
        sets = [f'<Set net="{k}">{pen}{drawn}' for k, pen in enumerate((self.WIDE, thin))]
        nets = copper(*sets, content=content).nets
        assert nets["0"].area == pytest.approx(self.AREA)
        assert nets["1"].area == pytest.approx(10.25 * 0.25 * MM2)

    def test_centre_lines_lie_where_they_are_drawn_and_those_that_are_turned_are_left_out(self):
        line = self.LINE.replace("/>", f">{self.WIDE}</Line>")
        placed = feature(line, where='<Location x="1" y="2"/>')
        turned = feature(line, where='<Xform rotation="90"/><Location x="1" y="2"/>')
        ((path, width),) = copper(placed, turned).strokes
        assert path == pytest.approx(np.array([[1, 2], [11, 2]]) * MM)
        assert width == pytest.approx(0.5 * MM)

    def test_a_line_of_width_zero_draws_nothing_and_is_counted(self):
        flat = self.WIDE.replace("0.5", "0")
        line = feature(self.LINE.replace("/>", f">{flat}</Line>"))
        data = read(board(on("top", line, feature('<Circle diameter="1"/>'))))
        assert data.layers[0].nets["N"].area / MM2 == pytest.approx(math.pi / 4)
        assert any("lines of width 0" in note for note in data.notes)

    def test_without_any_it_is_refused(self):
        with pytest.raises(FabricationError, match="no line width"):
            copper(feature(self.LINE))
