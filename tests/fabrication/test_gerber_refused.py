"""Gerber images that are refused with a reason, and whatever is made of pieces of one."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_gerber import MM, read

from returnflow_geometry.fabrication.base import crowding
from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.gerber.image import read_gerber

REFUSED = [
    ("G91*", "incremental"),
    ("%FSLIX33Y33*%", "incremental"),
    ("%MOCM*%", "MM or IN"),
    ("%ADD10R,1X1*%D10*X0Y0D03*%MOIN*%", "one unit"),
    ("%FSLAX24Y24*%", "second number format"),
    ("D10*X0Y0D03*", "D10 is selected but not defined"),
    ("X0Y0D03*", "before an aperture is selected"),
    ("%ADD10Q,1*%", "neither C, R, O, P nor a macro"),
    ("%ADD9C,1*%", "first free one is 10"),
    ("%ADD10C*%", "0 parameters"),
    ("%ADD10C,-1*%", "negative size"),
    ("%ADD10P,1X2*%", "3 to 12"),
    ("%ADD10C,1e3*%", "not a decimal number"),
    ("%AMA*9,1,2*%", "primitive '9'"),
    ("%AMA*1,1*%%ADD10A*%", "primitive 1 has 4 to 5"),
    ("%AMA*1,2,1,0,0*%%ADD10A*%", "must be 0 or 1"),
    ("%AMA*1,1,1/$1,0,0*%%ADD10A*%", "divides by zero"),
    ("%AMA*1,1,(1,0,0*%", "closing parenthesis"),
    ("%AMA*1,1,__import__,0,0*%", "neither a number"),
    ("%AMA*1,1," + "(" * 400 + "1" + ")" * 400 + ",0,0*%", "inside each other"),
    ("%AMA*4,1,3,0,0,1,0,0,0,0*%%ADD10A*%", "outline of 3 sides"),
    ("%AMA*$1=$1x99999999999*" + "$1=$1x$1*" * 6 + "1,1,$1,0,0*%%ADD10A,9*%", "overflows"),
    ("G36*X0Y0D02*G36*", "inside a region"),
    ("G37*", "without G36"),
    ("%ADD10C,1*%D10*G36*X0Y0D03*", "D03 inside a region"),
    ("G36*X0Y0D02*%LPC*%", "inside a region"),
    ("%ADD10C,1*%D10*G02*X1Y1I1J0D01*", "before G74 or G75"),
    ("%ADD10C,1*%D10*G75*G02*X5000Y0I1000J0D01*", "both must be equal"),
    ("%ADD10C,2X1*%D10*X0Y0D02*X5000D01*", "holes or dents"),
    ("%ABD12*%%AB*%D12*X0Y0D02*X5D01*", "cannot be dragged"),
    ("%AB*%", "none is open"),
    ("%SRX0Y1I1J1*%", "at least 1"),
    ("%SRX2Y1*%", "without a step"),
    ("%LS0*%", "greater than 0"),
    ("%LMQ*%", "N, X, Y or XY"),
    ("%LPX*%", "D or C"),
    ("%IFother.gbr*%", "includes another file"),
    ("%MIA1B0*%", "mirrors the whole image"),
    ("%SFA2B1*%", "scales the whole image"),
    ("%OFA1B1*%", "shifts the whole image"),
    ("%ASAYBX*%", "swaps the axes"),
    ("%IR90*%", "turns the whole image"),
    ("%KOC*%", "knocks out"),
    ("%XX1*%", "not a command of this format"),
    ("G10*", "not a command of this format"),
    ("M17*", "not a command"),
    ("hello*", "not a command of this format"),
    ("X0Y0*", "without D01, D02 or D03"),
    ("%ADD10C,1*%D10*X0X1D03*", "gives X twice"),
    ("X99999999Y0D02*", "more than 10 m away"),
    ("X0Y0D02 %LPC*%", "no asterisk"),
    ("%LPC%", "no asterisk before the percent sign"),
    ("X" + "9" * 5000 + "D02*", "not a command"),
]


class TestRefusals:
    @pytest.mark.parametrize(("source", "message"), REFUSED, ids=[source[:40] for source, _ in REFUSED])
    def test_one_message_with_line_and_rule(self, source, message):
        with pytest.raises(FabricationError, match=message) as caught:
            read("\n" + source)
        assert str(caught.value).startswith("invented.gbr: line 2: ")
        assert len(str(caught.value)) < 400

    def test_no_unit(self):
        with pytest.raises(FabricationError, match=r"line 1: numbers before a unit.*%MOMM"):
            read("%ADD10C,1*%", header="%FSLAX33Y33*%")

    def test_no_format(self):
        with pytest.raises(FabricationError, match="before a number format"):
            read("%ADD10C,1*%D10*X1Y1D03*", header="%MOMM*%")

    def test_line_numbers_count_every_line(self):
        with pytest.raises(FabricationError, match="line 5: "):
            read("\n\n%ADD10C,1*%\nX0Y0D02*\nG91*")

    @pytest.mark.parametrize(
        ("source", "limits", "message"),
        [
            ("%ADD10R,1X1*%D10*%SRX30000Y30000I0.0001J0.0001*%X0Y0D03*", {}, "objects"),
            ("%ADD10R,1X1*%D10*" + 30 * "X0Y0D03*", {"objects": 20}, "more than 20 objects"),
            ("%ADD10C,1*%D10*%SRX100Y1I1J1*%X0Y0D03*", {"vertices": 1000}, "more than 1000 points"),
            ("%ADD10C,1*%" + 20 * "%ABD11*%", {}, "inside each other"),
            (200 * "G04 x*", {"bytes": 1000}, "bytes"),
            ("%ADD10R,1X1*%D10*" + 1000 * "X0Y0D03*", {"seconds": 0.0}, "not read within 0 s"),
        ],
    )
    def test_limits(self, source, limits, message):
        with pytest.raises(FabricationError, match=message):
            read(source, **limits)

    def test_blocks_doubling_at_every_level_are_stopped(self):
        source = "%ADD10R,1X1*%%ABD20*%D10*X0Y0D03*%AB*%"
        for level in range(40):
            source += f"%ABD{21 + level}*%D{20 + level}*X0Y0D03*X1Y1D03*%AB*%"
        with pytest.raises(FabricationError, match="objects"):
            read(source, objects=100_000)

    def test_a_hatch_of_millions_of_crossings_is_refused_at_once(self):
        source = "%ADD10C,0.01*%D10*%SRX1Y2500I0J0.1*%X0Y0D02*X250000D01*%SRX2500Y1I0.1J0*%X0Y0D02*Y250000D01*%SR*%"
        with pytest.raises(FabricationError, match="overlap"):
            read(source, seconds=60)

    @pytest.mark.parametrize("form", ["region", "two_regions", "macro"])
    def test_sides_that_cross_too_often_are_refused(self, form, monkeypatch):
        # A comb of 120 teeth across a comb of 120 teeth, in one contour or in two.
        monkeypatch.setattr(crowding, "CROWD", (10_000, 5))

        def comb(turned):
            teeth = [
                (x, y)
                for i in range(120)
                for x, y in ((100 * i, 0), (100 * i, 13_000), (100 * i + 50, 13_000), (100 * i + 50, 0))
            ]
            return [(y - 2000, x + 2000) if turned else (x, y) for x, y in teeth]

        def contour(points):
            return "G36*X{}Y{}D02*G01*".format(*points[0]) + "".join(f"X{x}Y{y}D01*" for x, y in points[1:]) + "G37*"

        if form == "region":
            source = contour(comb(False) + comb(True))
        elif form == "two_regions":
            source = contour(comb(False)) + contour(comb(True))
        else:
            points = comb(False) + comb(True)
            points.append(points[0])
            numbers = ",".join(f"{x / 1e3},{y / 1e3}" for x, y in points)
            source = f"%AMA*4,1,{len(points) - 1},{numbers},0*%%ADD10A*%D10*X0Y0D03*"
        with pytest.raises(FabricationError, match="cross more than"):
            read(source, seconds=60)


SEED = (
    MM + "%TF.FileFunction,Copper,L1,Top*%%AMT*$2=$1x0.5*1,1,$1,0,0*21,0,$2,$2,0,0,30*%\n%ADD10C,0.5*%%ADD11R,2X1*%"
    "%ADD12T,3*%\n%TO.N,GND*%G36*X0Y0D02*G01*X9000D01*G75*G03*X9000Y5000I0J2500D01*G01*X0D01*Y0D01*G37*\n%LPC*%D10*"
    "X1000Y1000D03*%LPD*%%TO.P,U1,1*%D11*X3000Y1000D03*%LR30*%D12*X5000D03*\n%SRX2Y2I3J4*%D10*X0Y0D02*X500Y500D01*%SR*%"
    "%ABD13*%D11*X0Y0D03*%AB*%D13*X9000D03*M02*"
)
PIECES = st.sampled_from(
    [
        "%",
        "*",
        "D03*",
        "G36*",
        "G37*",
        "%SR*%",
        "%AB*%",
        "%LPC*%",
        "D01*",
        "X",
        "I9",
        "-",
        "0",
        "9999",
        "$",
        "(",
        "/0",
        "\x00",
        "é",
    ]
)


class TestMutations:
    @settings(max_examples=100)
    @given(st.lists(st.tuples(st.floats(0, 0.9999), st.integers(0, 8), PIECES), min_size=1, max_size=4))
    def test_damaged_files_are_read_or_refused_with_a_message(self, edits):
        text = SEED
        for place, cut, piece in edits:
            at = int(place * len(text))
            text = text[:at] + piece + text[at + cut :]
        try:
            art = read_gerber(text, "damaged.gbr", Limits(seconds=5.0))
        except FabricationError as error:
            said = str(error)
        else:
            said = "damaged.gbr: read"
            assert all(shape.is_valid for shape in art.nets.values())
        assert said.startswith("damaged.gbr: ")
        assert "\n" not in said

    @given(st.binary(max_size=300))
    def test_any_bytes(self, data):
        try:
            said = " ".join(read_gerber(data, "noise.gbr").notes)
        except FabricationError as error:
            said = str(error)
        # Noise may hold the two letters of an end, but never copper.
        assert said
