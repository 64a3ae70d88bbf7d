"""Drill files: right places in every number format, right slots, and no guess where the file does not say."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.curves import arc, corners_for, full_circle
from returnflow_geometry.fabrication.base.objects import CHORD, FabricationError, Limits
from returnflow_geometry.fabrication.drill.program import looks_like_drill, read_drill
from returnflow_geometry.fabrication.drill.readings import Declared, Reading, readings

MM = 1e-3
INCH = 25.4e-3
LIMITS = Limits()

# All files here are invented. Sources: the XNC specification and the published Excellon command list, from memory,
# unless a line says otherwise.
XNC = """M48
; #@! TF.FileFunction,Plated,1,4,PTH
METRIC
; #@! TA.AperFunction,Plated,PTH,ViaDrill
T1C0.3
; #@! TA.AperFunction,NonPlated,NPTH,MechanicalDrill
T2C1.0
; #@! TD
T3C0.8
%
G90
G05
T1
; #@! TO.N,SUPPLY
X1.0Y2.0
; #@! TD
X3.5
Y-4.25
T3
; #@! TO.P,J9,2
X9.0Y9.0
; #@! TD
T2
G00X5.0Y5.0
M15
G01X6.0Y5.0
G01X6.0Y7.0
M16
T0
M30
"""


def read(text, file="a.drl", limits=LIMITS):
    return read_drill(text.encode(), file, limits)


def places(holes):
    return np.array([hole.path[0] / MM for hole in holes])


def body(*lines, head=("METRIC", "T1C0.5")):
    return "\n".join(["M48", *head, "%", "T1", *lines, "M30", ""])


class TestXnc:
    def test_holes_with_modal_coordinates(self):
        drilling = read(XNC)
        assert drilling.decided
        assert not drilling.undecided
        np.testing.assert_allclose(places(drilling.holes)[:4], [(1.0, 2.0), (3.5, 2.0), (3.5, -4.25), (9.0, 9.0)])
        assert [hole.diameter for hole in drilling.holes] == pytest.approx([0.3 * MM] * 3 + [0.8 * MM, 1.0 * MM])

    def test_a_routed_slot_keeps_its_centre_line(self):
        slot = read(XNC).holes[-1]
        np.testing.assert_allclose(slot.path / MM, [[5, 5], [6, 5], [6, 7]], atol=1e-12)

    def test_plating_of_each_tool_before_that_of_the_file(self):
        assert [hole.plating for hole in read(XNC).holes] == ["plated"] * 4 + ["unplated"]
        other = XNC.replace("Plated,1,4,PTH", "NonPlated,1,4,NPTH", 1)
        assert [hole.plating for hole in read(other).holes] == ["plated"] * 3 + ["unplated"] * 2

    def test_span_net_and_pin_from_attributes(self):
        drilling = read(XNC)
        assert drilling.attributes == {"FileFunction": ("Plated", "1", "4", "PTH")}
        assert {hole.span for hole in drilling.holes} == {(1, 4)}
        assert [hole.net for hole in drilling.holes] == ["SUPPLY", "", "", "", ""]
        assert (drilling.holes[3].refdes, drilling.holes[3].pin) == ("J9", "2")
        assert drilling.holes[4].refdes == ""


class TestNumbers:
    @pytest.mark.parametrize(
        ("head", "written", "metres"),
        [
            ("INCH", "X1.25Y-.5", (1.25 * INCH, -0.5 * INCH)),
            ("METRIC,TZ,000.000", "X12500Y-500", (12.5 * MM, -0.5 * MM)),
            ("METRIC,LZ,000.000", "X0125Y-0005", (12.5 * MM, -0.5 * MM)),
            ("METRIC,LZ,000.000", "X0125Y-00050", (12.5 * MM, -0.5 * MM)),
            ("METRIC,TZ,0000.00", "X1250Y-50", (12.5 * MM, -0.5 * MM)),
            ("INCH,LZ,00.0000", "X0125Y-005", (1.25 * INCH, -0.5 * INCH)),
            ("INCH,TZ,00.0000", "X12500Y-5000", (1.25 * INCH, -0.5 * INCH)),
            ("INCH,TZ,00.0000", "X+12500Y-5000", (1.25 * INCH, -0.5 * INCH)),
            ("M71", "X12.5Y-.5", (12.5 * MM, -0.5 * MM)),
            ("M72", "X1.25Y-.5", (1.25 * INCH, -0.5 * INCH)),
        ],
    )
    def test_declared_formats(self, head, written, metres):
        drilling = read(body(written, head=(head, "T1C.02")))
        assert drilling.decided
        assert tuple(drilling.holes[0].path[0]) == pytest.approx(metres, abs=1e-12)

    @pytest.mark.parametrize(
        ("comment", "written"),
        [
            (";FORMAT={3:3/ absolute / metric / suppress leading zeros}", "X12500Y500"),
            (";FORMAT={3:3/ absolute / metric / suppress trailing zeros}", "X0125Y0005"),
            (";FORMAT={3:3/ absolute / metric / keep zeros}", "X012500Y000500"),
            (";FORMAT={-:-/ absolute / metric / decimal}", "X12.5Y0.5"),
            ("; Format : 4.2 metric, suppress leading zeros", "X1250Y50"),
        ],
    )
    def test_a_format_declared_in_a_comment(self, comment, written):
        # Common practice, no source.
        drilling = read(body(written, head=(comment, "T1C.5")))
        assert drilling.decided
        np.testing.assert_allclose(places(drilling.holes), [(12.5, 0.5)])
        assert any("comment" in note for note in drilling.notes)

    def test_undeclared_digits_give_every_plausible_reading(self):
        drilling = read(body("X0125Y0450", head=("INCH,LZ", "T1C.02")))
        assert not drilling.decided
        found = {tuple((holes[0].path[0] / INCH).round(9)) for holes in drilling.undecided.values()}
        assert found >= {(1.25, 4.5), (12.5, 45.0)}
        first = next(iter(drilling.undecided.values()))
        assert drilling.holes == first
        assert tuple(drilling.holes[0].path[0] / INCH) == pytest.approx((1.25, 4.5))

    @pytest.mark.parametrize(
        ("head", "written", "first"),
        [
            ("METRIC,LZ", "X0125Y0450", (12.5 * MM, 45 * MM)),
            ("METRIC,TZ", "X12500Y45000", (12.5 * MM, 45 * MM)),
            ("INCH,LZ", "X0125Y0450", (1.25 * INCH, 4.5 * INCH)),
            ("INCH,TZ", "X12500Y45000", (1.25 * INCH, 4.5 * INCH)),
        ],
    )
    def test_the_first_reading_is_the_standard_s(self, head, written, first):
        # Source: published Excellon format, 2.4 inch and 3.3 metric.
        drilling = read(body(written, head=(head, "T1C.02")))
        assert not drilling.decided
        assert tuple(drilling.holes[0].path[0]) == pytest.approx(first)

    def test_undeclared_unit_and_zeros_contain_the_truth(self):
        for unit, scale, tool in (("INCH", INCH, "T1C.02"), ("METRIC", MM, "T1C.5")):
            drilling = read(body("X012500Y004000", "X020000Y013000", head=(tool,)))
            assert not drilling.decided
            first = {"INCH": (1.25, 0.4), "METRIC": (12.5, 4.0)}[unit]
            names = [
                name
                for name, holes in drilling.undecided.items()
                if np.allclose(holes[0].path[0], np.array(first) * scale, atol=1e-9)
            ]
            assert names

    def test_readings_that_agree_are_one(self):
        # Six digits of 3.3: the same whichever zeros are said to be kept.
        found = readings(Declared(unit="mm", digits=(3, 3)), ["012500", "004000"])
        assert len(found) == 1
        assert len(readings(Declared(unit="mm", digits=(3, 3)), ["0125"])) == 2

    def test_a_zero_needs_no_format(self):
        drilling = read(body("X0Y0", "X00Y1.5"))
        assert drilling.decided
        np.testing.assert_allclose(places(drilling.holes), [(0, 0), (0, 1.5)])

    def test_a_whole_number_among_decimal_ones_is_not_taken_for_granted(self):
        drilling = read(body("X10Y1.5"))
        assert not drilling.decided
        np.testing.assert_allclose(places(drilling.holes), [(10, 1.5)])
        assert len(drilling.undecided) > 1

    def test_a_reading_larger_than_any_board_is_dropped(self):
        drilling = read(body("X050000Y050000", head=("METRIC,TZ", "T1C0.5")))
        assert drilling.undecided
        assert all(np.abs(hole.path).max() < 3 for holes in drilling.undecided.values() for hole in holes)

    @given(st.integers(-99999, 99999), st.sampled_from(["leading", "trailing"]))
    def test_writing_and_reading_a_number_agree(self, value, kept):
        digits = f"{abs(value):06d}"
        text = digits.rstrip("0") or "0" if kept == "leading" else str(abs(value))
        text = ("-" if value < 0 else "") + text
        assert Reading(unit="mm", digits=(3, 3), kept=kept).metres(text) == pytest.approx(value * 1e-6, abs=1e-15)


class TestSlotsAndRepeats:
    def test_a_g85_slot_and_the_place_after_it(self):
        holes = read(body("X1.0Y2.0G85X3.0", "Y5.0")).holes
        np.testing.assert_allclose(holes[0].path / MM, [[1, 2], [3, 2]])
        np.testing.assert_allclose(holes[1].path / MM, [[3, 5]])

    def test_a_slot_of_no_length_is_a_round_hole(self):
        assert read(body("X1.0Y2.0G85X1.0Y2.0")).holes[0].path.shape == (1, 2)

    def test_repeats_step_from_the_last_hole(self):
        holes = read(body("X1.0Y2.0", "R3X0.5Y-0.25")).holes
        np.testing.assert_allclose(places(holes), [(1, 2), (1.5, 1.75), (2, 1.5), (2.5, 1.25)])

    @pytest.mark.parametrize(
        ("command", "centre"),
        [
            ("G03X2.0Y1.0A1.0", (1, 1)),
            ("G02X2.0Y1.0A1.0", (2, 0)),
            ("G03X2.0Y1.0I0.0J1.0", (1, 1)),
            ("G02X2.0Y1.0I1.0J0.0", (2, 0)),
        ],
    )
    def test_a_quarter_turn_by_radius_or_centre(self, command, centre):
        (hole,) = read(body("G00X1.0Y0.0", "M15", command, "M16")).holes
        distance = np.hypot(*(hole.path / MM - centre).T)
        assert np.abs(distance - 1).max() < CHORD / MM
        np.testing.assert_allclose(hole.path[[0, -1]] / MM, [[1, 0], [2, 1]])
        length = np.hypot(*np.diff(hole.path / MM, axis=0).T).sum()
        assert length == pytest.approx(math.pi / 2, rel=0.01)

    def test_arcs_and_circles_have_the_true_area_within_the_chord(self):
        for radius in (0.1 * MM, 1 * MM, 20 * MM):
            points = np.vstack([[radius, 0], arc((radius, 0), (-radius, 0), (0, 0), clockwise=False)])
            x, y = points.T
            area = 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))
            assert area == pytest.approx(math.pi * radius**2 / 2, rel=1e-9)
            assert np.abs(np.hypot(x, y) - radius).max() < CHORD
            circle = full_circle((0, 0), radius)
            sides = 0.5 * (circle + np.roll(circle, 1, axis=0))
            assert radius - np.hypot(*sides.T).min() < CHORD
            assert len(circle) == corners_for(radius)
            x, y = circle.T
            assert 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) == pytest.approx(math.pi * radius**2, rel=1e-9)


class TestPlating:
    @pytest.mark.parametrize(
        ("head", "file", "plating"),
        [
            ((";TYPE=PLATED",), "a.drl", "plated"),
            ((";TYPE=NON_PLATED",), "pth.drl", "unplated"),
            ((), "board-npth.drl", "unplated"),
            ((), "board-PTH.drl", "plated"),
            ((), "board.drl", "unknown"),
            (("; #@! TF.FileFunction,MixedPlating,1,2",), "board.drl", "unknown"),
            (("; #@! TF.FileFunction,NonPlated,1,2,NPTH",), "pth.drl", "unplated"),
            (("; #@! TA.AperFunction,BackDrill",), "a.drl", "unplated"),
        ],
    )
    def test_attributes_before_comments_before_the_name(self, head, file, plating):
        assert read(body("X1.0Y1.0", head=("METRIC", *head, "T1C0.5")), file).holes[0].plating == plating

    def test_the_type_changes_between_tools(self):
        head = ("METRIC", ";TYPE=PLATED", "T1C0.5", ";TYPE=NON_PLATED", "T2C3.0")
        assert [hole.plating for hole in read(body("X1.0Y1.0", "T2", "X2.0", head=head)).holes] == [
            "plated",
            "unplated",
        ]


class TestRefusals:
    @pytest.mark.parametrize(
        ("text", "message"),
        [
            (body("G91", "X1.0Y1.0"), "line 6: incremental"),
            (body("X1.0Y1.0", head=("METRIC", "ICI,ON", "T1C0.5")), "incremental"),
            (body("M25", "X1.0Y1.0", "M01", "M02X5.0Y0.0", "M08"), "line 6: a step-and-repeat"),
            (body("M02X5.0Y0.0"), "step-and-repeat"),
            (body("T2", "X1.0Y1.0"), "tool 2 has no diameter"),
            (body("X1.0Y1.0", head=("METRIC",)), "tool 1 has no diameter"),
            (body("X1.0Y1.0", head=("METRIC", "T1C0.0")), "wider than 0"),
            (body("X1.0Y1.0", head=("METRIC", "T1C500.0")), "at most 100 mm"),
            (body("G84X1.0Y1.0"), "G84 with coordinates"),
            (body("G41", "X1.0Y1.0"), "compensation"),
            (body("G93X1.0Y1.0"), "shifted origin"),
            (body("R3X1.0"), "none before"),
            (body("X1.0Y1.0G85"), "without an end"),
            (body("G00X1.0Y1.0", "G01X2.0"), "tool up"),
            (body("M15"), "drill mode"),
            (body("G00X1.0Y1.0", "M15", "G02X9.0Y1.0A1.0"), "radius"),
            (body("G00X1.0Y1.0", "M15", "G02X9.0Y1.0"), "without its radius"),
            (body("G00X1.0Y1.0", "M15", "G02X9.0Y1.0I1.0J0.0"), "equally far"),
            (body("X1.0.0Y1.0"), "is not a number"),
            (body("X1.0X2.0"), "given twice"),
            (body("X9999.0Y1.0"), "3 m"),
            (body("hello, world"), "not a drill command"),
            (body("METRIC", head=("INCH", "T1C.02")), "second unit"),
            (body("X1", head=("METRIC,TZ,000." + 400 * "0", "T1C.5")), "pattern like 000.000"),
            (body("X1.0Y1.0", head=("METRIC", "T1C0.5", "T1C0.6")), "second diameter"),
            (body("X12345678901234"), "more digits|3 m"),
            (body("X1.0Y1.0", head=("METRIC", "FMAT,1", "T1C0.5")), "FMAT,2"),
        ],
    )
    def test_what_cannot_be_read_is_refused_with_its_reason(self, text, message):
        with pytest.raises(FabricationError, match=message):
            read(text)

    def test_a_short_repeat_command_cannot_make_endless_holes(self):
        with pytest.raises(FabricationError, match="more than 1000 objects"):
            read(body("X1.0Y1.0", "R999999999X0.0"), limits=Limits(objects=1000))

    def test_size_is_capped(self):
        with pytest.raises(FabricationError, match="limit of 10"):
            read(XNC, limits=Limits(bytes=10))

    def test_ignored_commands_and_a_missing_end_are_noted(self):
        notes = read(body("G87", "X1.0Y1.0").replace("M30", "")).notes
        assert any("G87 (1 times)" in note for note in notes)
        assert any("cut off" in note for note in notes)


class TestRecognition:
    def test_drill_files(self):
        assert looks_like_drill(XNC.encode())
        assert looks_like_drill(b"%\nT01C0.3\nX0010Y0010\nM30\n")

    @pytest.mark.parametrize(
        "data",
        [b"", b"G04 map*\n%FSLAX46Y46*%\n%MOMM*%\nX0Y0D02*\nM02*\n", b"<a/>", b'{"a": 1}', b"M48\0", b"C  x\n999\n"],
    )
    def test_other_files(self, data):
        assert not looks_like_drill(data)


class TestFuzz:
    @settings(max_examples=100, deadline=None)
    @given(data=st.data())
    def test_only_its_own_error_leaves_the_reader(self, data):
        raw = bytearray(XNC.encode())
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.integers(0, 3))] = data.draw(
                st.one_of(
                    st.binary(max_size=3), st.sampled_from([b"X", b"G02", b"\n", b".", b"-", b"R9", b"99999", b"M15\n"])
                )
            )
        looks_like_drill(bytes(raw))
        try:
            drilling = read_drill(bytes(raw), "a.drl", Limits(objects=5000))
        except FabricationError:
            return
        assert all(np.isfinite(hole.path).all() and 0 < hole.diameter <= 0.1 for hole in drilling.holes)
