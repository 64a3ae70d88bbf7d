"""IPC-D-356 netlists: fixed columns, the three units, cut names, and no guess where a column is missing."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.objects import FabricationError, Limits
from returnflow_geometry.fabrication.texts.netlist import looks_like_netlist, read_netlist

# All files here are invented. Columns: IPC-D-356, from memory.
LIMITS = Limits()


def record(net="SUPPLY", refdes="U7", pin="3", x=12345, y=-6789, *, code="317", drill=None, plated="P", side=0):
    hole = "      " if drill is None else f"D{drill:04d}{plated}"
    line = f"{code}{net:<14.14}   {refdes:<6.6}{'-' if pin else ' '}{pin:<4.4} {hole}A{side:02d}"
    return f"{line}X{x:+07d}Y{y:+07d}X0400Y0000R000 S0"


def netlist(*lines, units="P  UNITS CUST 0"):
    return "\n".join(["C  invented", units, *lines, "999", ""])


def read(text, limits=LIMITS):
    return read_netlist(text.encode(), "a.ipc", limits)


class TestColumns:
    def test_the_writer_of_these_tests_keeps_the_columns(self):
        line = record(drill=300)
        assert line[32] == "D"
        assert line[38] == "A"
        assert line[41] == "X"
        assert line[49] == "Y"

    @pytest.mark.parametrize(
        ("units", "step"),
        [
            ("P  UNITS CUST 0", 2.54e-6),
            ("P  UNITS CUST 1", 1e-6),
            ("P  UNITS CUST 2", 2.54e-6),
            ("P  UNITS CUST", 2.54e-6),
            ("P  UNITS SI", 1e-6),
        ],
    )
    def test_places_and_holes_in_each_unit(self, units, step):
        (point,) = read(netlist(record(drill=300), units=units)).points
        assert point.at == pytest.approx((12345 * step, -6789 * step))
        assert point.drill == pytest.approx(300 * step)
        assert (point.net, point.refdes, point.pin, point.plated, point.layers) == ("SUPPLY", "U7", "3", True, "both")

    def test_names_end_at_their_columns(self):
        (point,) = read(netlist(record(net="A23456789012345", refdes="R123456", pin="12345"))).points
        assert (point.net, point.refdes, point.pin) == ("A2345678901234", "R12345", "1234")

    def test_the_blank_columns_between_names_belong_to_none(self):
        line = record(net="A2345678901234")
        (point,) = read(netlist(line[:17] + "xyz" + line[20:])).points
        assert (point.net, point.refdes) == ("A2345678901234", "U7")

    def test_outer_layers_by_the_access_column(self):
        points = read(netlist(*(record(code="327", side=side) for side in (0, 1, 2)))).points
        assert [point.layers for point in points] == ["both", "top", "bottom"]

    def test_the_highest_layer_number_is_the_bottom_and_inner_ones_are_left_out(self):
        found = read(netlist(*(record(code="307", side=side) for side in (1, 3, 6))))
        assert [point.layers for point in found.points] == ["top", "bottom"]
        assert any("1 points" in note for note in found.notes)

    def test_tooling_holes_and_u_are_unplated(self):
        points = read(netlist(record(code="367", drill=1000), record(drill=1000, plated="U"), record(drill=90))).points
        assert [point.plated for point in points] == [False, False, True]

    def test_a_continuation_inherits_what_it_leaves_blank(self):
        more = record(code="017", net="", refdes="", pin="", x=1, y=2)
        points = read(netlist(record(), more)).points
        assert [(point.net, point.refdes, point.pin) for point in points] == [("SUPPLY", "U7", "3")] * 2
        assert points[1].at == pytest.approx((2.54e-6, 5.08e-6))

    def test_shifted_columns_are_found_by_their_letters_and_noted(self):
        line = record(x=500)
        found = read(netlist(line[:32] + "  " + line[32:]))
        assert found.points[0].at[0] == pytest.approx(500 * 2.54e-6)
        assert any("shifted" in note for note in found.notes)

    def test_records_of_other_kinds_are_counted(self):
        assert any("378 (2 times)" in note for note in read(netlist(record(), "378SUPPLY", "378SUPPLY")).notes)


class TestNames:
    def test_an_alias_gives_the_long_name(self):
        found = read(netlist("P  NNAME1  A_long_Name_of_a_net", record(net="NNAME1")))
        assert found.points[0].net == "A_long_Name_of_a_net"

    def test_an_unused_alias_is_noted(self):
        assert any("not used" in note for note in read(netlist("P  NNAME1  Long", record())).notes)

    def test_no_connection_keeps_its_word(self):
        assert read(netlist(record(net="N/C"))).points[0].net == "N/C"

    @pytest.mark.parametrize(("net", "cut"), [("SUPPLY", True), ("Supply", False), ("Supply_of_the_left_part", True)])
    def test_cut_unless_case_is_kept_and_no_column_is_full(self, net, cut):
        assert read(netlist(record(net=net))).cut is cut


class TestRefusals:
    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("C  nothing\n" + record(), "line 2: a test point before any unit"),
            (netlist("P  UNITS CUST 1", record()), "second unit"),
            (netlist(), "no test point"),
            (netlist("317SUPPLY           U7    -3"), "has no place"),
            (netlist("hello"), "is not a record"),
            (netlist(record(code="017")), "none before"),
            (netlist(record(x=999999), record(x=2_000_000).replace("X+2000000", "X+2000000")), "3 m"),
            (netlist("P  IMAGE LEFT", record(), "P  IMAGE RIGHT"), "panel"),
            (netlist(record() + "x" * 600), "too long"),
        ],
    )
    def test_what_cannot_be_read_is_refused_with_its_reason(self, text, message):
        with pytest.raises(FabricationError, match=message):
            read(text)

    def test_records_and_bytes_are_capped(self):
        with pytest.raises(FabricationError, match="more than 10 objects"):
            read(netlist(*[record()] * 11), Limits(objects=10))
        with pytest.raises(FabricationError, match="limit of 10"):
            read(netlist(record()), Limits(bytes=10))

    def test_a_missing_end_is_noted(self):
        assert any("cut off" in note for note in read(netlist(record()).replace("999", "")).notes)


class TestRecognition:
    def test_netlists(self):
        assert looks_like_netlist(netlist(record()).encode())
        assert looks_like_netlist(record().encode())

    @pytest.mark.parametrize("data", [b"", b"M48\nMETRIC\n", b"%FSLAX46Y46*%", b"317 apples\n", b"P  UNITS SI\0"])
    def test_other_files(self, data):
        assert not looks_like_netlist(data)


class TestFuzz:
    @settings(max_examples=100, deadline=None)
    @given(data=st.data())
    def test_only_its_own_error_leaves_the_reader(self, data):
        raw = bytearray(netlist("P  NNAME1  Long", record(net="NNAME1", drill=300), record(code="017")).encode())
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.integers(0, len(raw) - 1))
            raw[at : at + data.draw(st.integers(0, 3))] = data.draw(
                st.one_of(st.binary(max_size=3), st.sampled_from([b"X", b"\n", b"+99999999", b"\x0c", b" ", b"D9"]))
            )
        looks_like_netlist(bytes(raw))
        try:
            found = read_netlist(bytes(raw), "a.ipc", LIMITS)
        except FabricationError:
            return
        assert all(math.isfinite(value) for point in found.points for value in point.at)
