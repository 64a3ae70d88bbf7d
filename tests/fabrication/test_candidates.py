"""Loops proposed from names: supplies, fast nets, inputs, pairs of connectors, each with its reason."""

import dataclasses

import pytest

from fabwriter import Draft, demo_board, write_gerber_set
from returnflow_geometry.fabrication.base.objects import Limits
from returnflow_geometry.fabrication.board_data.assemble import from_fabrication
from returnflow_geometry.fabrication.board_data.candidates import FAST, SUPPLY, candidates
from returnflow_geometry.fabrication.board_data.starter import starter_case
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.pins import pins_of
from returnflow_geometry.fabrication.texts.placement import read_placement


def proposed(pins, ties=(), told=()):
    """Loops of a board whose pins lie side by side over one ground plane; `pins` is name to net."""
    draft = Draft(4 * len(pins) + 8, 20)
    for net in {"GND", *ties}:
        draft.pour(2, net, (1, 1, draft.width - 1, 19) if net == "GND" else (1, 19, 3, 19.5))
    for k, (name, net) in enumerate(pins.items(), start=1):
        draft.pad(name, net, 1, (4 * k, 10), (1, 1))
        if net == "GND":
            draft.via(net, (4 * k, 10))
    data = dataclasses.replace(draft.data(), parts=tuple(dict(told).items()))
    return {item.name: item for item in candidates(data, connect(data), pins_of(data))}


def keys(item):
    return dict(item.keys)


def test_a_device_returns_to_the_connector_that_feeds_it():
    found = proposed({"J1.1": "+5V", "J1.2": "GND", "J2.1": "GND", "U1.8": "+5V", "U1.4": "GND"})
    assert keys(found["supply of U1"])["return"] == '"J1.2"'
    assert "U1 and J1 share the supply +5V" in found["supply of U1"].why
    assert "Current assumed" in found["supply of U1"].why


def test_behind_a_regulator_it_returns_there_and_the_regulator_to_the_connector():
    found = proposed(
        {"J1.1": "+12V", "J1.2": "GND", "U1.1": "+12V", "U1.2": "GND", "U1.3": "+3V3", "U2.1": "+3V3", "U2.2": "GND"}
    )
    assert keys(found["supply of U2"])["return"] == '"U1.2"'
    assert keys(found["supply of U1"])["return"] == '"J1.2"'


def test_a_fast_net_leads_from_the_larger_part_also_through_a_series_part():
    board = {
        "U1.1": "SCK",
        "U1.2": "GND",
        "U1.3": "DATA",
        "U2.1": "SCK_R",
        "U2.2": "GND",
        "R7.1": "SCK",
        "R7.2": "SCK_R",
    }
    found = proposed(board)
    item = found["SCK to U2"]
    assert (keys(item)["inject"], keys(item)["return"]) == ('"U2.2"', '"U1.2"')
    assert "from U1 through R7 to U2" in item.why
    assert "route" not in keys(item)  # nothing is drawn that could be followed


def test_an_input_leads_from_its_connector_to_its_device():
    found = proposed({"J3.1": "SENSE+", "J3.2": "GND", "U4.1": "SENSE+", "U4.2": "GND"})
    item = found["J3 SENSE+ to U4"]
    assert keys(item)["role"] == '"sensitive"'
    assert (keys(item)["inject"], keys(item)["return"]) == ('"U4.2"', '"J3.2"')


DRIVER = {"DRV1.1": "+24V", "DRV1.2": "GND", "AMP1.1": "X1", "AMP1.2": "GND"}
TERMINALS = {"K1.1": "+24V", "K1.2": "GND", "K1.3": "X1"}
TOLD = {"K1": "terminal block", "DRV1": "stepper driver", "AMP1": "instrumentation amplifier"}


class TestPartsList:
    def test_without_it_these_references_say_nothing(self):
        assert proposed({**DRIVER, **TERMINALS}) == {}

    def test_what_it_says_makes_connectors_drivers_and_inputs(self):
        found = proposed({**DRIVER, **TERMINALS}, told=TOLD)
        assert keys(found["supply of DRV1"])["current_A"] == "1"
        assert "DRV1 (stepper driver) and K1 (terminal block) share the supply +24V" in found["supply of DRV1"].why
        said = "leads from K1 to AMP1 (instrumentation amplifier) which takes weak signals"
        assert said in found["K1 X1 to AMP1"].why

    @pytest.mark.parametrize(
        "text",
        [
            'Designator;Qty;Comment\nK1;1;terminal block\n"DRV1, DRV2";2;stepper driver\n',
            "Invented board\n\nRef\tPart Number\tDescription\nK1\t\tterminal block\nDRV1-DRV2\t\tstepper driver\n",
        ],
    )
    def test_columns_are_told_by_their_headings_and_stated(self, text, tmp_path):
        write_gerber_set(demo_board(), tmp_path / "fab")
        (tmp_path / "fab" / "parts.csv").write_text(text, encoding="utf-8")
        data = from_fabrication(tmp_path / "fab")
        assert dict(data.parts) == {"K1": "terminal block", "DRV1": "stepper driver", "DRV2": "stepper driver"}
        assert any(file == "parts.csv" and "columns" in what for file, what in data.used)

    def test_what_it_says_feeds_others_comes_before_what_bridges_two_supplies(self):
        board = {
            "J1.1": "V24",
            "J1.2": "GND",
            "J2.1": "V24",
            "J2.2": "GND",
            "U1.1": "V24",
            "U1.2": "SW",
            "U1.3": "GND",
            "L1.1": "SW",
            "L1.2": "3V3",
            "U8.1": "VBUS",
            "U8.2": "3V3",
            "U8.3": "GND",
            "U5.1": "3V3",
            "U5.2": "GND",
            "U3.1": "V24",
            "U3.2": "GND",
        }
        told = {"J2": "24 V supply connector", "J1": "valve connector", "U1": "buck converter", "U8": "USB bridge",
                "U5": "microcontroller"}  # fmt: skip
        found = proposed(board, told=told)
        assert keys(found["supply of U5"])["return"] == '"U1.3"'
        assert keys(found["supply of U1"])["return"] == '"J2.2"'
        assert keys(found["supply of U3"])["return"] == '"J2.2"'  # not the converter on the same 24 V


class TestPlacement:
    TEXT = "Ref,Val,PosX,PosY,Rot,Side\nU9,x,25.4,30,90,top\nR1,1k,1,1,0,bottom\n,,,,,\nJ7,y,?,3,0,top\n"

    def test_columns_are_told_by_their_headings_and_stated(self, tmp_path):
        write_gerber_set(demo_board(), tmp_path / "fab")
        (tmp_path / "fab" / "place.csv").write_text(self.TEXT, encoding="utf-8")
        data = from_fabrication(tmp_path / "fab")
        assert [(part.name, part.rotation, part.bottom) for part in data.placed] == [("U9", 90, False), ("R1", 0, True)]
        assert data.placed[0].at == pytest.approx((25.4e-3, 30e-3))
        assert 'places of parts, from its columns "Ref", "PosX", "PosY", "Rot", "Side"' in dict(data.used)["place.csv"]
        assert any("taken as millimetres" in note for note in data.notes)
        assert any("1 rows without" in note for note in data.notes)

    @pytest.mark.parametrize(("head", "value"), [("Mid X (mil),Mid Y (mil)", "1000,0"), ("Mid X,Mid Y", "1in,0in")])
    def test_units_stand_in_the_heading_or_with_the_number(self, head, value):
        text = f"Designator,{head}\nU1,{value}\n"
        (part,) = read_placement(text.encode(), "place.csv", Limits()).parts
        assert part.at == pytest.approx((25.4e-3, 0))

    def test_parts_whose_pins_no_file_names_are_listed_with_the_ground_hole_beside_them(self, tmp_path):
        write_gerber_set(demo_board(), tmp_path / "fab")
        (tmp_path / "fab" / "place.csv").write_text(self.TEXT, encoding="utf-8")
        text = starter_case(from_fabrication(tmp_path / "fab"), "fab")
        (line,) = [line for line in text.splitlines() if line.startswith("#   U9 ")]
        assert "at (25.4, 30) mm, top, hole" in line
        assert "R1 at" not in text


def test_connectors_far_from_the_border_carry_no_cables():
    draft = Draft(60, 60)
    draft.pour(2, "GND", (1, 1, 59, 59))
    for name, at in (("J1.1", (4, 30)), ("J2.1", (56, 30)), ("J3.1", (30, 30))):
        draft.via("GND", at, drill=1, pad=1.6, name=name)
    data = draft.data()
    assert [item.name for item in candidates(data, connect(data), pins_of(data))] == ["J1 to J2"]


def test_each_pair_of_connectors_is_a_pair_of_cables():
    found = proposed({"J1.1": "GND", "J2.1": "GND", "J3.1": "GND"})
    assert set(found) == {"J1 to J2", "J1 to J3", "J2 to J3"}


def test_returns_that_no_metal_joins_make_no_loop():
    assert proposed({"J1.1": "GND", "J2.1": "PGND"}) == {}


@pytest.mark.parametrize("net", ["+5V", "V24", "VCC", "3V3", "+3.3V", "VDD_IO", "VBAT", "AVDD", "-12V", "VIN"])
def test_names_of_supplies(net):
    assert SUPPLY.search(net)


@pytest.mark.parametrize("net", ["SENSE", "CLK", "OUT", "INVALID", "D1V", "RESET"])
def test_what_is_no_supply(net):
    assert not SUPPLY.search(net)


@pytest.mark.parametrize("net", ["SPI_SCK", "CLK", "USB_DP", "MOSI", "PWM2", "SW"])
def test_names_of_fast_nets(net):
    assert FAST.search(net)


@pytest.mark.parametrize("net", ["SWITCHED", "DUMP", "RXED", "LOCKED", "CELL+"])
def test_what_is_not_fast(net):
    assert not FAST.search(net)
