"""Gerber images: nets, pads, attributes, invariances, refusals. All images are invented."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.gerber.image import looks_like_gerber, read_gerber

MM = "%FSLAX33Y33*%%MOMM*%"


def read(source, header=MM, end="M02*", **limits):
    return read_gerber(header + source + end, "invented.gbr", Limits(**limits))


def areas(artwork):
    return {net: round(shape.area * 1e6, 9) for net, shape in artwork.nets.items()}


def whole(artwork):
    """All copper, in mm."""
    return shapely.transform(shapely.union_all(list(artwork.nets.values())), lambda xy: xy * 1e3)


class TestNets:
    def test_regions_draws_and_flashes_keep_their_net(self):
        art = read(
            "%ADD10R,1X1*%D10*%TO.N,A*%X0Y0D03*%TO.N,B*%X10000Y0D02*X14000D01*%TO.N,C*%"
            "G36*X0Y9000D02*G01*X3000D01*Y12000D01*X0D01*Y9000D01*G37*"
        )
        assert areas(art) == {"A": 1, "B": 5, "C": 9}

    def test_the_comment_form_is_the_same(self):
        plain = read("%ADD10R,1X1*%D10*%TO.N,A*%X0Y0D03*%TD*%X5000D03*")
        hidden = read("%ADD10R,1X1*%D10*G04 #@! TO.N,A*X0Y0D03*G04 #@! TD*X5000D03*")
        assert areas(plain) == areas(hidden) == {"A": 1, "": 1}

    def test_an_ordinary_comment_sets_nothing(self):
        assert areas(read("%ADD10R,1X1*%D10*G04 TO.N,A*X0Y0D03*")) == {"": 1}

    @pytest.mark.parametrize("nothing", ["%TO.N,*%", "%TO.N,N/C*%", "%TO.N*%", ""])
    def test_no_net_in_all_its_spellings(self, nothing):
        assert areas(read(f"%ADD10R,1X1*%D10*{nothing}X0Y0D03*")) == {"": 1}

    def test_escaped_characters_are_part_of_the_name(self):
        art = read(r"%ADD10R,1X1*%D10*%TO.N,A\u002CB\u0025\u00B5*%X0Y0D03*")
        assert areas(art) == {"A,B%µ": 1}

    def test_several_names_are_a_tie_under_the_first(self):
        art = read("%ADD10R,1X1*%D10*%TO.N,A,B*%X0Y0D03*")
        assert areas(art) == {"A": 1}
        assert art.ties == (("A", "B"),)
        assert any("belong to 2 nets" in note for note in art.notes)

    def test_deleting_one_attribute_leaves_the_others(self):
        art = read("%ADD10R,1X1*%D10*%TO.N,A*%%TO.P,U1,3*%%TD.P*%X0Y0D03*%TO.P,U1,3*%%TD.N*%X5000D03*")
        assert areas(art) == {"A": 1, "": 1}
        assert [(pad.refdes, pad.pin, pad.net) for pad in art.pads] == [("U1", "3", "")]

    def test_clear_takes_from_all_nets(self):
        art = read("%ADD10R,4X4*%%ADD11R,8X2*%D10*%TO.N,A*%X0Y0D03*%TO.N,B*%X4000D03*%LPC*%%TO.N,C*%D11*X2000Y0D03*")
        assert areas(art) == {"A": 8, "B": 8}

    def test_copper_drawn_after_the_clearing_is_its_own_net(self):
        art = read(
            "%ADD10R,4X4*%%ADD11R,2X2*%%ADD12R,1X1*%D10*%TO.N,A*%X0Y0D03*%LPC*%D11*X0Y0D03*%LPD*%%TO.N,B*%D12*D03*"
        )
        assert areas(art) == {"A": 12, "B": 1}

    def test_an_overlap_of_nets_goes_to_the_first_and_is_reported(self):
        art = read("%ADD10R,2X2*%D10*%TO.N,A*%X0Y0D03*%TO.N,B*%X1000D03*")
        assert areas(art) == {"A": 4, "B": 2}
        assert any("'A' and 'B' overlap by 2 mm²" in note for note in art.notes)

    def test_a_name_wins_over_none_even_when_later(self):
        assert areas(read("%ADD10R,2X2*%D10*X0Y0D03*%TO.N,B*%X1000D03*")) == {"B": 4, "": 2}

    def test_objects_of_a_block_keep_their_net_and_take_the_flash_s_where_they_have_none(self):
        art = read("%ADD10R,1X1*%%ABD12*%%TO.N,A*%D10*X0Y0D03*%TD*%X5000D03*%AB*%%TO.N,B*%D12*X0Y0D03*")
        assert areas(art) == {"A": 1, "B": 1}

    @given(
        st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9), st.sampled_from("ABC"), st.booleans()), max_size=25)
    )
    def test_nets_partition_the_copper(self, flashes):
        source = "%ADD10R,2X3*%D10*%ADD11C,2*%"
        for i, (x, y, net, dark) in enumerate(flashes):
            source += f"%TO.N,{net}*%%LP{'D' if dark else 'C'}*%D{10 + i % 2}*X{x}000Y{y}000D03*"
        art = read(source)
        alone = whole(read(source.replace("%TO.N,B*%", "%TO.N,A*%").replace("%TO.N,C*%", "%TO.N,A*%")))
        together = whole(art)
        assert sum(shape.area for shape in art.nets.values()) * 1e6 == pytest.approx(together.area, abs=1e-9)
        assert shapely.symmetric_difference(alone, together).area < 1e-9


class TestPads:
    def test_refdes_pin_function_net_place_and_shape(self):
        art = read("%ADD10R,2X1*%D10*%TO.N,VIN*%%TO.P,J1,2,supply*%X5000Y7000D03*")
        (pad,) = art.pads
        assert (pad.refdes, pad.pin, pad.function, pad.net) == ("J1", "2", "supply", "VIN")
        assert pad.at == pytest.approx((5e-3, 7e-3))
        assert pad.shape.bounds == pytest.approx((4e-3, 6.5e-3, 6e-3, 7.5e-3))

    def test_one_pin_may_be_many_pads_and_each_repeat_makes_one(self):
        art = read("%ADD10R,1X1*%D10*%TO.P,U1,7*%%SRX2Y2I3J3*%X0Y0D03*%SR*%")
        assert [pad.at for pad in art.pads] == [
            pytest.approx(at) for at in ((0, 0), (0, 3e-3), (3e-3, 0), (3e-3, 3e-3))
        ]

    def test_lines_regions_and_clear_flashes_are_no_pads(self):
        art = read(
            "%ADD10R,1X1*%D10*%TO.P,U1,7*%X0Y0D02*X5000D01*G36*X0Y9000D02*G01*X3000D01*Y12000D01*X0Y9000D01*G37*"
            "%LPC*%X0Y0D03*"
        )
        assert art.pads == ()


class TestFlashesAndStrokes:
    def test_round_flashes_with_diameter_and_function(self):
        art = read(
            "%TA.AperFunction,ViaDrill*%%ADD10C,0.3*%%TA.AperFunction,ComponentDrill,PressFit*%%ADD11C,1*%%TD*%"
            "%ADD12R,1X1*%D10*X1000Y2000D03*D11*X5000D03*D12*X9000D03*%LS2*%D10*X0Y0D03*"
        )
        assert [flash[3] for flash in art.flashes] == ["ViaDrill", "ComponentDrill,PressFit", "ViaDrill"]
        np.testing.assert_allclose(
            [flash[:3] for flash in art.flashes], [(1e-3, 2e-3, 0.3e-3), (5e-3, 2e-3, 1e-3), (0, 0, 0.6e-3)], atol=1e-15
        )

    def test_strokes_continue_and_keep_their_width(self):
        art = read("%ADD10C,0.5*%%ADD11C,1*%D10*X0Y0D02*X4000D01*Y3000D01*X9000Y9000D02*X8000D01*D11*X7000D01*")
        np.testing.assert_allclose(art.strokes[0] * 1e3, [(0, 0), (4, 0), (4, 3)])
        assert [len(stroke) for stroke in art.strokes] == [3, 2, 2]
        assert art.stroke_widths == pytest.approx((0.5e-3, 0.5e-3, 1e-3))

    def test_an_arc_is_a_stroke_of_chords_within_5_um(self):
        art = read("%ADD10C,0*%D10*G75*X20000Y0D02*G03*X-20000Y0I-20000J0D01*")
        (stroke,) = art.strokes
        middles = 0.5 * (stroke[1:] + stroke[:-1])
        assert np.abs(np.hypot(*stroke.T) - 20e-3).max() < 5e-6
        assert np.abs(np.hypot(*middles.T) - 20e-3).max() < 5e-6

    def test_strokes_of_a_turned_block_are_where_its_copper_is(self):
        art = read("%ADD10C,1*%%ABD12*%D10*X1000Y0D02*X4000D01*%AB*%D12*%LMX*%%LR90*%X9000Y0D03*")
        np.testing.assert_allclose(art.strokes[0] * 1e3, [(9, -1), (9, -4)], atol=1e-12)
        assert whole(art).bounds == pytest.approx((8.5, -4.5, 9.5, -0.5), abs=5e-3)  # the chord error


class TestFileAttributes:
    def test_names_without_the_dot_and_all_fields(self):
        art = read(
            "%TF.FileFunction,Copper,L2,Inr*%%TF.Part,Single*%G04 #@! TF.GenerationSoftware,invented*%TFMine,1*%"
        )
        assert art.attributes["FileFunction"] == ("Copper", "L2", "Inr")
        assert art.attributes["GenerationSoftware"] == ("invented",)
        assert art.attributes["Mine"] == ("1",)

    @pytest.mark.parametrize("said", ["%TF.FilePolarity,Negative*%", "%IPNEG*%", "G04 #@! TF.FilePolarity,Negative*"])
    def test_negative_images(self, said):
        art = read(said + "%ADD10R,1X1*%D10*X0Y0D03*")
        assert art.negative
        assert areas(art) == {"": 1}

    def test_negative_twice_is_refused(self):
        with pytest.raises(FabricationError, match="negative twice"):
            read("%TF.FilePolarity,Negative*%%IPNEG*%%ADD10R,1X1*%D10*X0Y0D03*")

    @pytest.mark.parametrize(
        ("data", "is_gerber"),
        [
            (b"G04 hello*\n%FSLAX46Y46*%\n", True),
            (b"G04 #@! TF.X,1*\n%MOIN*%", True),
            (b"%TF.FileFunction,Profile,NP*%", True),
            (b"M48\nMETRIC,TZ\nT1C0.3\n%\nT1\nX1Y1\nM30\n", False),
            (b"P  JOB invented\n317GND\n", False),
            (b"{}", False),
            (b"", False),
            (b"PK\x03\x04\x00\x00%FSLAX46Y46*%", False),
        ],
    )
    def test_recognised_from_its_content(self, data, is_gerber):
        assert looks_like_gerber(data) is is_gerber


SHAPES = (
    "%ADD10C,1*%%ADD11R,3X1X0.5*%%AMT*7,0,0,3,2,0.4,15*%%ADD12T*%"
    "{t}D10*X0Y0D02*G01*X6000Y2000D01*G75*G03*X6000Y8000I0J3000D01*G01*D11*X2000Y8000D03*D12*X-3000Y3000D03*"
)


class TestInvariance:
    @given(st.integers(-90_000, 90_000), st.integers(-90_000, 90_000))
    def test_moving_the_image_moves_the_copper(self, dx, dy):
        block = "%ABD20*%" + SHAPES.format(t="") + "%AB*%D20*X{}Y{}D03*"
        there = whole(read(block.format(dx, dy)))
        here = shapely.transform(whole(read(block.format(0, 0))), lambda xy: xy + np.array([dx, dy]) / 1e3)
        assert shapely.symmetric_difference(there, here).area < 1e-9

    @given(st.sampled_from(["N", "X", "Y", "XY"]), st.floats(-360, 360), st.floats(0.25, 4))
    def test_mirror_then_turn_then_scale(self, mirror, angle, scale):
        block = "%ABD20*%" + SHAPES.format(t="") + "%AB*%D20*{}X0Y0D03*"
        angle, scale = round(angle, 3), round(scale, 3)
        there = whole(read(block.format(f"%LM{mirror}*%%LR{angle:.3f}*%%LS{scale:.3f}*%")))
        flip = np.array([-1 if "X" in mirror else 1, -1 if "Y" in mirror else 1])
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        here = shapely.transform(
            whole(read(block.format(""))), lambda xy: scale * (xy * flip) @ np.array([[c, s], [-s, c]])
        )
        assert shapely.symmetric_difference(there, here).area < 1e-8

    def test_turning_each_flash_is_turning_a_block_of_it(self):
        one = read("%ADD11R,3X1*%D11*%LMY*%%LR30*%X2000Y1000D03*")
        other = read("%ADD11R,3X1*%%ABD12*%D11*X0Y0D03*%AB*%D12*%LMY*%%LR30*%X2000Y1000D03*")
        assert shapely.symmetric_difference(whole(one), whole(other)).area < 1e-12

    @given(st.integers(1, 4), st.integers(1, 4), st.integers(0, 5000), st.integers(0, 5000), st.booleans())
    def test_step_repeat_and_blocks_equal_writing_out(self, nx, ny, i, j, eaten):
        def pair(x, y):
            return f"%LPD*%D10*X{x}Y{y}D03*%LP{'C' if eaten else 'D'}*%D11*X{x + 700}Y{y + 300}D03*"

        head = "%ADD10R,3X2*%%ADD11C,1.5*%"
        places = [(a * i, b * j) for a in range(nx) for b in range(ny)]
        written = whole(read(head + "".join(pair(x, y) for x, y in places)))
        repeated = whole(read(head + f"%SRX{nx}Y{ny}I{i / 1e3}J{j / 1e3}*%{pair(0, 0)}%SR*%"))
        block = whole(read(head + f"%ABD20*%{pair(0, 0)}%AB*%D20*%LPD*%" + "".join(f"X{x}Y{y}D03*" for x, y in places)))
        assert shapely.symmetric_difference(written, repeated).area < 1e-9
        assert shapely.symmetric_difference(written, block).area < 1e-9

    def test_inch_and_mm_are_the_same_copper(self):
        mm = read("%ADD10C,2.54*%D10*X0Y0D02*X25400Y0D01*G75*G03*X25400Y50800I0J25400D01*")
        inch = read("%ADD10C,0.1*%D10*X0Y0D02*X1000Y0D01*G75*G03*X1000Y2000I0J1000D01*", header="%FSLAX33Y33*%%MOIN*%")
        assert shapely.symmetric_difference(whole(mm), whole(inch)).area < 1e-9

    def test_order_of_dark_and_clear_matters(self):
        dark, clear = "%LPD*%%ADD10R,4X4*%D10*X0Y0D03*", "%LPC*%%ADD11R,2X2*%D11*X0Y0D03*"
        assert areas(read(dark + clear)) == {"": 12}
        assert areas(read(clear + dark)) == {"": 16}

    @given(st.integers(0, 359), st.integers(1, 359), st.booleans())
    def test_multi_quadrant_arcs_of_every_size_follow_their_ring(self, start, turn, clockwise):
        turn = -turn if clockwise else turn
        a, b = math.radians(start), math.radians(start + turn)
        ax, ay, bx, by = (
            round(10_000_000 * f(t)) for t, f in ((a, math.cos), (a, math.sin), (b, math.cos), (b, math.sin))
        )
        art = read(
            f"%ADD10C,1*%D10*G75*X{ax}Y{ay}D02*G0{2 if clockwise else 3}*X{bx}Y{by}I{-ax}J{-ay}D01*",
            header="%FSLAX36Y36*%%MOMM*%",
        )
        shape = whole(art)
        ring = math.radians(abs(turn)) * 10
        exact = ring + math.pi / 4 if abs(turn) < 354 else None
        if exact:
            assert shape.area == pytest.approx(exact, abs=5e-3 * (2 * ring + 4))
        middle = math.radians(start + turn / 2)
        assert shape.contains(shapely.Point(10 * math.cos(middle), 10 * math.sin(middle)))
        assert shape.distance(shapely.Point(0, 0)) == pytest.approx(9.5, abs=5e-3)


class TestPartialData:
    def test_missing_end_is_noted_and_what_is_there_is_read(self):
        art = read("%ADD10R,1X1*%D10*X0Y0D03*", end="")
        assert areas(art) == {"": 1}
        assert any("Partial data" in note and "M02" in note for note in art.notes)

    def test_a_cut_command_is_quoted(self):
        art = read("%ADD10R,1X1*%D10*X0Y0D03*X50", end="")
        assert any("Partial data" in note and "'X50'" in note for note in art.notes)

    def test_a_region_cut_short_is_left_out(self):
        art = read("%ADD10R,1X1*%D10*X0Y0D03*G36*X0Y0D02*G01*X9000D01*Y9000D01*", end="")
        assert areas(art) == {"": 1}
        assert any("last region is not closed" in note for note in art.notes)

    def test_what_follows_the_end_is_ignored_and_noted(self):
        art = read("%ADD10R,1X1*%D10*X0Y0D03*M02*X9000D03*")
        assert areas(art) == {"": 1}
        assert any("after the end" in note for note in art.notes)

    def test_a_complete_image_has_no_notes(self):
        assert read("%ADD10R,1X1*%D10*X0Y0D03*").notes == ()

    @pytest.mark.parametrize(
        ("source", "note"),
        [
            ("G36*X0Y0D02*G01*X9000D01*Y9000D01*G37*", "closed by a straight line"),
            ("G36*X0Y0D02*G01*X9000D01*X0Y0D01*G37*", "fewer than three corners"),
            ("G36*X0Y0D02*G01*X9000Y9000D01*X9000Y0D01*X0Y5000D01*X0Y0D01*G37*", "crosses itself"),
            ("%ADD10P,2X6*%D10*X0Y0D02*X9000D01*", "not a full disc or rectangle"),
            ("%ADD10R,1X1*%%ADD10R,2X2*%D10*X0Y0D03*", "defined twice"),
            ("%ADD10R,1X1*%D10*X0Y0D03*X5000*", "without an operation code"),
            ("%TF.Part,a*%%TF.Part,b*%", "set twice"),
            ("", "Nothing is drawn"),
        ],
    )
    def test_oddities_are_noted(self, source, note):
        assert any(note in text for text in read(source).notes)
