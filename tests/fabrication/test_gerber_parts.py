"""Parts of the Gerber reader: words, numbers, macro arithmetic, and the place and turn of each primitive."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.budget import Budget
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.gerber.expressions import compiled
from returnflow_geometry.fabrication.gerber.image import read_gerber
from returnflow_geometry.fabrication.gerber.tokens import words

MM = "%FSLAX33Y33*%%MOMM*%"
CHORD_MM = 5e-3


def box(source):
    """Bounds of the copper in mm."""
    (shape,) = read_gerber(MM + source + "M02*", "invented.gbr").nets.values()
    return [value * 1e3 for value in shape.bounds]


RIM = math.sqrt(4 - 0.25**2)  # the farthest that is left of a circle of radius 2 beside a gap of 0.5

# Closed form: where the corners go under the turn; "turned" about the macro's origin, not about the primitive.
PLACES = [
    ("hexagon", "%ADD10P,2X6*%", (-1, -math.sqrt(0.75), 1, math.sqrt(0.75))),
    ("hexagon_turned", "%ADD10P,2X6X90*%", (-math.sqrt(0.75), -1, math.sqrt(0.75), 1)),
    ("square_turned_by_little", "%ADD10P,2X4X15*%", tuple(s * math.cos(math.radians(15)) for s in (-1, -1, 1, 1))),
    ("obround_wide", "%ADD10O,3X1*%", (-1.5, -0.5, 1.5, 0.5)),
    ("obround_tall", "%ADD10O,1X3*%", (-0.5, -1.5, 0.5, 1.5)),
    ("macro_circle_turned", "%AMA*1,1,2,5,0,90*%%ADD10A*%", (-1, 4, 1, 6)),
    ("macro_vector_line", "%AMA*20,1,2,1,0,4,0,0*%%ADD10A*%", (1, -1, 4, 1)),
    ("macro_vector_line_turned", "%AMA*2,1,2,1,0,4,0,90*%%ADD10A*%", (-1, 1, 1, 4)),
    ("macro_centre_line", "%AMA*21,1,4,2,5,1,0*%%ADD10A*%", (3, 0, 7, 2)),
    ("macro_centre_line_turned", "%AMA*21,1,4,2,5,1,90*%%ADD10A*%", (-2, 3, 0, 7)),
    ("macro_lower_left_line", "%AMA*22,1,4,2,5,1,0*%%ADD10A*%", (5, 1, 9, 3)),
    ("macro_lower_left_line_turned", "%AMA*22,1,4,2,5,1,180*%%ADD10A*%", (-9, -3, -5, -1)),
    ("macro_outline", "%AMA*4,1,3,0,0,4,0,4,1,0,0,0*%%ADD10A*%", (0, 0, 4, 1)),
    ("macro_outline_turned", "%AMA*4,1,3,0,0,4,0,4,1,0,0,-90*%%ADD10A*%", (0, -4, 1, 0)),
    ("macro_polygon_turned", "%AMA*5,1,4,3,0,2,90*%%ADD10A*%", (-1, 2, 1, 4)),
    ("macro_moire_turned", "%AMA*6,3,0,0,1,1,0,2,6,90*%%ADD10A*%", (-3, 0, 3, 6)),
    ("macro_moire_crosshair", "%AMA*6,0,0,2,1,1,1,1,8,0*%%ADD10A*%", (-4, -4, 4, 4)),
    ("macro_thermal_turned", "%AMA*7,5,0,4,2,0.5,90*%%ADD10A*%", (-RIM, 5 - RIM, RIM, 5 + RIM)),
]


@pytest.mark.parametrize(("source", "bounds"), [case[1:] for case in PLACES], ids=[case[0] for case in PLACES])
def test_apertures_lie_where_their_parameters_say(source, bounds):
    assert box(source + "D10*X0Y0D03*") == pytest.approx(bounds, abs=CHORD_MM)
    moved = [value + 10 * (1 + i % 2) for i, value in enumerate(bounds)]
    assert box(source + "D10*X10000Y20000D03*") == pytest.approx(moved, abs=CHORD_MM)


@pytest.mark.parametrize(
    ("source", "bounds"),
    [
        ("%LMX*%", (-4, 0, 0, 1)),
        ("%LMY*%", (0, -1, 4, 0)),
        ("%LMXY*%", (-4, -1, 0, 0)),
        ("%LR90*%", (-1, 0, 0, 4)),
        ("%LMX*%%LR90*%", (-1, -4, 0, 0)),
        ("%LR90*%%LMX*%", (-1, -4, 0, 0)),
        ("%LS2*%", (0, 0, 8, 2)),
        ("%LS2*%%LS1*%%LR90*%%LR0*%%LMX*%%LMN*%", (0, 0, 4, 1)),
    ],
)
def test_mirror_turn_and_scale_replace_each_other_and_mirror_comes_first(source, bounds):
    flash = "%AMA*4,1,3,0,0,4,0,4,1,0,0,0*%%ADD10A*%D10*" + source + "X0Y0D03*"
    assert box(flash) == pytest.approx(bounds, abs=1e-9)


def test_quarter_arcs_in_all_quadrants_and_both_senses_bulge_outwards():
    # From a corner of the square to the next; I and J without signs after G74. Closed form: radius 5 about the origin.
    corners = [(5, 0), (0, 5), (-5, 0), (0, -5)]
    for at in range(4):
        for sense, step in (("G03", 1), ("G02", -1)):
            (ax, ay), (bx, by) = corners[at], corners[(at + step) % 4]
            got = box(f"%ADD10C,1*%D10*G74*X{ax}000Y{ay}000D02*{sense}*X{bx}000Y{by}000I{abs(ax)}000J{abs(ay)}000D01*")
            wanted = [min(ax, bx, 0), min(ay, by, 0), max(ax, bx, 0), max(ay, by, 0)]
            # Half the width beyond the ends and beyond the arc.
            grown = [value + (0.5 if i > 1 else -0.5) for i, value in enumerate(wanted)]
            assert got == pytest.approx(grown, abs=CHORD_MM)


def test_a_shape_whose_corners_cross_by_rounding_when_it_is_moved_stays_valid():
    # Found by damaging files: two corners nearer to each other than the rounding of a coordinate at 9 mm.
    art = read_gerber(
        MM + "%AMA*1,1,1,0,0,0*20,1,0.2,0,0,1,1,45*22,1,1,1,0,0,999999999999999999990*4,1,3,0,0,1,0,1,1,0,0,10*"
        "5,0,6,0,0,0.5,0*6,0,0,3,0.2,0.2,3,0.1,3,0*7,0,0,2,1,0.2,30*%%ADD10A*%%TO.P,U1,1*%D10*X9000Y0D03*M02*",
        "invented.gbr",
    )
    assert art.nets[""].is_valid
    assert art.pads[0].shape.is_valid


class TestAttributesOfApertures:
    def functions(self, source):
        art = read_gerber(MM + source + "M02*", "invented.gbr")
        return [flash[3] for flash in art.flashes]

    def test_bound_when_the_aperture_is_defined(self):
        source = "%TA.AperFunction,ViaPad*%%ADD10C,1*%{}%ADD11C,1*%D10*X0Y0D03*D11*X9000D03*"
        assert self.functions(source.format("%TD*%")) == ["ViaPad", ""]
        assert self.functions(source.format("%TD.AperFunction*%")) == ["ViaPad", ""]
        assert self.functions(source.format("%TA.AperFunction,Other*%")) == ["ViaPad", "Other"]
        assert self.functions(source.format("%TD.N*%")) == ["ViaPad", "ViaPad"]


class TestExpressions:
    @pytest.mark.parametrize(
        ("text", "value"),
        [
            ("7-2-1", 4),
            ("7-2+1", 6),
            ("8/4/2", 1),
            ("8/4x2", 4),
            ("1+2x3", 7),
            ("(1+2)X3", 9),
            ("-2x3", -6),
            ("2--3", 5),
            ("2-(-3)", 5),
            ("+.5", 0.5),
            ("-(1-3)/4.", 0.5),
            ("$1", 2),
            ("$1x$2-$3", 6),
            ("$10", 11),
        ],
    )
    def test_value(self, text, value):
        assert compiled(text, 16)({1: 2.0, 2: 3.0, 10: 11.0}) == pytest.approx(value)

    @given(
        st.recursive(
            st.integers(0, 99).map(str),
            lambda inner: st.one_of(
                st.tuples(inner, st.sampled_from("+-x"), inner).map("".join), inner.map(lambda text: f"({text})")
            ),
            max_leaves=12,
        )
    )
    def test_same_as_ordinary_arithmetic(self, text):
        # The expression holds digits, signs and parentheses only; this is the test's own text.
        assert compiled(text, 100)({}) == pytest.approx(eval(text.replace("x", "*")))

    @pytest.mark.parametrize("text", ["", "1+", "(1", "1)", "1 2", "()", "$", "x1", "1..2", "1e5", "abs(1)", "$1$2"])
    def test_nonsense_is_refused(self, text):
        with pytest.raises(ValueError, match=r"expression|neither a number"):
            compiled(text, 16)

    def test_depth_is_limited(self):
        assert compiled("(" * 16 + "1" + ")" * 16, 16)({}) == 1
        with pytest.raises(ValueError, match="more than 16"):
            compiled("(" * 17 + "1" + ")" * 17, 16)
        with pytest.raises(ValueError, match="more than 16"):
            compiled("-" * 5000 + "1", 16)


class TestWords:
    def split(self, text):
        return [(word.kind, word.text) for word in words(text, Budget("invented.gbr", Limits()))]

    def test_kinds(self):
        assert self.split("G04 a, b%*\n%FSLAX33Y33*MOMM*%\r\nX1 Y2D03*\nrest") == [
            ("comment", "G04 a, b%"),
            ("extended", "FSLAX33Y33"),
            ("extended", "MOMM"),
            ("word", "X1Y2D03"),
            ("tail", "rest"),
        ]

    def test_a_macro_keeps_its_blocks_together(self):
        assert self.split("%AMA*\n0 text*\n1,1,1,0,0*\n%") == [("extended", "AMA*0 text*1,1,1,0,0")]

    def test_empty_commands_and_padding_say_nothing(self):
        assert self.split("**\n%%\n*\x1a\n\x00") == []

    def test_a_percent_sign_that_is_never_closed_is_the_tail(self):
        assert self.split("X1*%LPD*X2*") == [("word", "X1"), ("tail", "%LPD*X2*")]

    @pytest.mark.parametrize(("text", "line"), [("X1*\n\nX2 %LPD*%", 3), ("%LPD*\nLPC%", 2)])
    def test_a_missing_asterisk_is_refused_with_its_line(self, text, line):
        with pytest.raises(FabricationError, match=f"line {line}: .* no asterisk"):
            self.split(text)
