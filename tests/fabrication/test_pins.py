"""Pins by name, and the part of a board that their currents use."""

import dataclasses
import math

import pytest
import shapely

from fabwriter import MM, Draft, demo_board
from returnflow_geometry.fabrication.base.objects import FabricationError, NetPoint, Pad
from returnflow_geometry.fabrication.board_data.summary import describe
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.extract import board_of
from returnflow_geometry.fabrication.copper.pins import entry_holes, find_pin, pins_of
from returnflow_geometry.fabrication.copper.stack import Thickness, layers_of
from returnflow_geometry.model.board import Terminal
from returnflow_geometry.model.material import resistivity
from returnflow_geometry.model.shapes import circle


@pytest.fixture(scope="module")
def demo():
    return demo_board()


def terminal(part, name):
    return next(item for item in part.terminals if item.name == name)


def two_planes(*vias, **options):
    """GND on layers 2 and 4 with a pin soldered in at each end, stitched by the vias given."""
    draft = Draft(40, 20, **options)
    for layer in (2, 4):
        draft.pour(layer, "GND", (0, 0, 40, 20))
    draft.via("GND", (4, 10), drill=1, pad=1.8, name="J1.1")
    draft.via("GND", (36, 10), drill=1, pad=1.8, name="J2.1")
    for at in vias:
        draft.via("GND", at)
    return draft


class TestNames:
    def test_all_pads_of_a_pin_are_one_pin(self, demo):
        pin = pins_of(demo)["J4.2"]
        assert [contact.layer for contact in pin.contacts] == [0, 3]
        assert pin.net == "GND"
        assert pin.through

    def test_a_surface_mount_pin_owns_no_holes_even_with_one_in_the_middle_of_its_pad(self):
        draft = Draft(20, 20)
        draft.pad("U1.1", "GND", 1, (5, 5), (2, 2))
        draft.via("GND", (5, 5))
        pin = pins_of(draft.data())["U1.1"]
        assert not pin.through
        assert pin.holes == ()

    def test_dots_within_names_of_parts_and_pins(self, demo):
        pads = [Pad(refdes="A.B", pin="1", function="", net="N", at=(0, 0), shape=shapely.box(0, 0, 1, 1))]
        pads.append(dataclasses.replace(pads[0], refdes="C", pin="2.3"))
        layers = (dataclasses.replace(demo.layers[0], pads=tuple(pads)), *demo.layers[1:])
        pins = pins_of(dataclasses.replace(demo, layers=layers))
        assert find_pin(pins, "A.B.1").refdes == "A.B"
        assert find_pin(pins, "C.2.3").pin == "2.3"

    def test_letter_case_does_not_matter_where_that_is_clear(self, demo):
        assert find_pin(pins_of(demo), "u3.17").name == "U3.17"

    @pytest.mark.parametrize(
        ("name", "match"),
        [
            ("U3.18", r'pin "U3.18": the files have no pin of that name; the nearest are "U3.17"'),
            ("J1", r'a pin is named by its part and pin, such as U3.12; that part has "J1.1", "J1.2", "J1.3"'),
            ("\x1b[31m.1", r'pin "\\x1b\[31m.1"'),
        ],
    )
    def test_unknown_names(self, demo, name, match):
        with pytest.raises(FabricationError, match=match):
            find_pin(pins_of(demo), name)

    def test_a_netlist_names_pins_that_no_pad_names_even_when_cut_short(self):
        draft = two_planes()
        draft.via("GND", (20, 10), drill=1)
        points = (
            NetPoint(net="GND", refdes="CONNEC", pin="7", at=(20 * MM + 2e-6, 10 * MM), drill=1 * MM),
            NetPoint(net="GND", refdes="J1", pin="1", at=(4 * MM, 10 * MM), drill=1 * MM),
        )
        pins = pins_of(dataclasses.replace(draft.data(), points=points))
        assert sorted(pins) == ["CONNEC.7", "J1.1", "J2.1"]
        assert find_pin(pins, "CONNECTOR12.7").holes == (2,)

    def test_a_pad_that_no_file_draws_is_a_small_disc_and_said_so(self):
        draft = Draft(20, 20)
        draft.pour(1, "GND", (1, 1, 19, 19))
        points = tuple(NetPoint(net="GND", refdes="U1", pin=str(x), at=(x * MM, 5 * MM), layers="top") for x in (5, 9))
        part = board_of(dataclasses.replace(draft.data(), points=points), ["U1.5", "U1.9"])
        assert terminal(part, "U1.5").shape.area / MM**2 == pytest.approx(math.pi * 0.15**2, rel=1e-4)
        assert any("no file draws its pad" in note for note in part.notes)

    def test_of_pads_over_one_another_the_netlist_means_the_largest_and_many_stay_few(self):
        draft = Draft(20, 20)
        draft.pour(1, "GND", (1, 1, 19, 19))
        data = draft.data()
        sizes = [0.2 + 0.001 * k for k in range(400)]
        pads = tuple(
            Pad(refdes="", pin="", function="", net="GND", at=(5 * MM, 5 * MM), shape=circle(5 * MM, 5 * MM, d * MM))
            for d in sizes
        )
        points = tuple(
            NetPoint(net="GND", refdes="U1", pin=str(k), at=(5 * MM, 5 * MM), layers="top") for k in range(400)
        )
        layers = (dataclasses.replace(data.layers[0], pads=pads), *data.layers[1:])
        pins = pins_of(dataclasses.replace(data, layers=layers, points=points))
        assert len(pins) == 400
        for pin in pins.values():
            (contact,) = pin.contacts
            assert contact.drawn
            assert contact.shape.area / MM**2 == pytest.approx(math.pi * max(sizes) ** 2 / 4, rel=2e-2)


class TestEntryHoles:
    def test_nearest_first_with_distance(self, demo):
        connectivity = connect(demo)
        (found,) = entry_holes(find_pin(pins_of(demo), "U1.4"), connectivity, demo)
        assert found[0].hole == 10
        assert found[1] == pytest.approx(0.75 * MM)  # from the pad's edge at x = 41.75 to the hole at 42.5

    def test_in_the_pad(self, demo):
        found = entry_holes(find_pin(pins_of(demo), "U3.17"), connect(demo), demo)
        assert [barrel.hole for barrel, _ in found] == [6, 7, 8, 9]
        assert all(distance == 0 for _, distance in found)

    def test_the_report_names_them(self, demo):
        lines = describe(demo, pins=["U1.4", "J4.2"])
        text = "\n".join(lines)
        assert 'U1.4, net "AGND": 1 pad at (41, 72) mm, 1 entry hole: 0.3 mm 0.75 mm away (L1 to L4)' in text
        assert 'J4.2, net "GND": soldered into 1 hole at (10, 8) mm' in text
        assert '"AGND" and "GND" touch on L2 at (48.75, 31.5) mm, 1.5 mm wide' in text


class TestReachedCopper:
    def test_only_what_the_pins_reach(self, demo):
        part = board_of(demo, ["U3.17", "J4.2"])
        assert [copper.name for copper in part.coppers] == ["GND on L1", "GND on L2", "GND on L4"]

    def test_a_tie_merges_the_planes_under_the_larger_name(self, demo):
        part = board_of(demo, ["U1.4", "J4.2"])
        assert part.names["AGND on L2"] == part.names["GND on L2"] == "GND on L2"
        plane = next(copper.shape for copper in part.coppers if copper.name == "GND on L2")
        assert plane.geom_type == "Polygon"

    def test_without_a_way_between_them_the_pins_are_refused(self, demo):
        with pytest.raises(FabricationError, match=r'"U1.1".*no copper connects it to another of the requested pins'):
            board_of(demo, ["U1.1", "J4.2", "U3.17"])

    def test_a_plane_stitched_twice_is_in_and_once_is_out(self):
        for vias, layers in (([(20, 5)], ["L2"]), ([(20, 5), (20, 15)], ["L2", "L4"])):
            draft = two_planes(*vias)
            draft.pours = [(layer, net, shape) for layer, net, shape in draft.pours if layer == 2]
            draft.pour(4, "GND", (15, 1, 25, 19))
            part = board_of(draft.data(), ["J1.1", "J2.1"])
            assert [copper.layer for copper in part.coppers] == layers
            said = [note for note in part.notes if '"GND on L4" (180 mm²)' in note]
            assert len(said) == (layers == ["L2"])

    def test_every_terminal_lies_on_its_copper_and_keeps_off_the_others(self, demo):
        part = board_of(demo, ["U3.17", "J4.2", "U1.4", "J1.3", "U2.9", "J2.1"])
        for copper in part.coppers:
            shapes = [item.shape for item in part.terminals if item.copper == copper.name]
            grown = copper.shape.buffer(1e-9)
            assert all(grown.covers(shape) for shape in shapes)
            assert all(a.distance(b) > 1e-6 for k, a in enumerate(shapes) for b in shapes[:k])
            assert copper.shape.difference(shapely.union_all(shapes)).area > 1e-12

    def test_links_join_terminals_that_exist_and_names_are_unique(self, demo):
        part = board_of(demo, ["U3.17", "J4.2", "U1.4", "J1.3", "U2.9", "J2.1"])
        names = [item.name for item in part.terminals]
        assert len(set(names)) == len(names)
        assert len({link.name for link in part.links}) == len(part.links)
        assert {end for link in part.links for end in link.between} <= set(names)

    def test_copper_a_variant_lays_brings_two_coppers_together(self):
        draft = Draft(40, 20)
        draft.pour(1, "A", (1, 1, 19, 19))
        draft.pour(1, "B", (21, 1, 39, 19))
        for net, x in (("A", 4), ("A", 12), ("B", 28), ("B", 36)):
            draft.pad(f"U{x}.1", net, 1, (x, 10), (1, 1))
        names = [f"U{x}.1" for x in (4, 12, 28, 36)]
        assert len(board_of(draft.data(), names).coppers) == 2
        part = board_of(draft.data(), names, laid=[("L1", shapely.box(18 * MM, 9 * MM, 22 * MM, 11 * MM))])
        (copper,) = part.coppers
        assert len(copper.shape.geoms) == 2
        assert part.names == {"A on L1": copper.name, "B on L1": copper.name}

    def test_two_pins_on_one_pad_are_refused(self):
        draft = two_planes()
        draft.pad("U1.1", "GND", 2, (20, 10), (1, 1))
        draft.pad("U1.2", "GND", 2, (20.5, 10), (1, 1))
        with pytest.raises(FabricationError, match=r'"U1.1", "U1.2" meet on GND on L2'):
            board_of(draft.data(), ["U1.1", "U1.2", "J1.1"])


class TestTerminals:
    def test_a_pin_in_a_hole_is_the_border_of_its_plating(self):
        part = board_of(two_planes((20, 5)).data(), ["J1.1", "J2.1"], plating=25e-6)
        assert terminal(part, "J1.1").shape.area / MM**2 == pytest.approx(math.pi * 0.525**2, rel=1e-4)
        assert terminal(part, "J1.1").copper == "GND on L2"
        assert terminal(part, "J1.1 (GND on L4)").copper == "GND on L4"

    def test_a_pad_on_a_pour_is_its_whole_pad(self, demo):
        part = board_of(demo, ["U2.9", "J4.2"])
        assert terminal(part, "U2.9").shape.area / MM**2 == pytest.approx(0.3 * 1.2)

    def test_a_pad_with_holes_in_it_leads_straight_down(self, demo):
        part = board_of(demo, ["U3.17", "J4.2"])
        down = [link for link in part.links if "U3.17" in link.between]
        assert [link.name for link in down] == [f"hole {k}, L1 to L2" for k in (7, 8, 9, 10)]

    def test_all_legs_of_one_pin_are_one_terminal(self):
        draft = two_planes()
        for at in ((18, 4), (22, 4), (18, 16), (22, 16)):
            draft.via("GND", at, drill=0.9, pad=1.5, name="J9.S")
        part = board_of(draft.data(), ["J1.1", "J9.S"])
        assert len(terminal(part, "J9.S").shape.geoms) == 4

    def test_holes_that_touch_are_one_terminal(self):
        part = board_of(two_planes((20, 10), (20.2, 10), (20, 5)).data(), ["J1.1", "J2.1"])
        names = [item.name for item in part.terminals if item.copper == "GND on L4"]
        assert sorted(names) == [
            "J1.1 (GND on L4)", "J2.1 (GND on L4)", "hole 3 (GND on L4)", "hole 5 (GND on L4)"
        ]  # fmt: skip


class TestDrawnTerminals:
    def test_a_contact_on_named_copper_counts_as_a_pin(self):
        drawn = [
            Terminal(name=name, copper="GND on L2", shape=circle(x * MM, 5 * MM, 1 * MM), bonded=why)
            for name, x, why in (("bolt", 15, "chassis"), ("probe", 25, None))
        ]
        part = board_of(two_planes((20, 5)).data(), [], drawn=drawn)
        assert [copper.name for copper in part.coppers] == ["GND on L2", "GND on L4"]
        assert terminal(part, "bolt").bonded == "chassis"
        assert terminal(part, "probe").shape.equals(drawn[1].shape)

    def test_copper_without_a_net_is_called_unnamed(self):
        draft = Draft(20, 20)
        draft.pour(1, "", (1, 1, 19, 19))
        drawn = [Terminal(name=str(x), copper="unnamed on L1", shape=circle(x * MM, 5 * MM, 1 * MM)) for x in (5, 15)]
        (copper,) = board_of(draft.data(), [], drawn=drawn).coppers
        assert copper.shape.area == pytest.approx(18**2 * MM**2, rel=1e-6)

    def test_unknown_copper_is_refused_with_the_nearest_names(self):
        lost = Terminal(name="probe", copper="GND on L9", shape=circle(0.01, 0.005, MM))
        with pytest.raises(FabricationError, match=r'terminal "probe" lies on "GND on L9".*nearest are "GND on L'):
            board_of(two_planes().data(), ["J1.1"], drawn=[lost])

    def test_a_name_like_none_lists_those_there_are(self):
        lost = Terminal(name="probe", copper="?", shape=circle(0.01, 0.005, MM))
        with pytest.raises(FabricationError, match=r'named by net and layer; there are "GND on L1", "GND on L2"'):
            board_of(two_planes().data(), ["J1.1"], drawn=[lost])

    def test_the_report_names_copper_without_a_net_as_a_case_does(self):
        draft = Draft(20, 20)
        draft.pour(1, "", (1, 1, 9, 19))
        draft.pour(1, "", (11, 1, 19, 19))
        said = '; 2 islands without a net, together named "unnamed on L1"'
        assert any(line.endswith(said) for line in describe(draft.data()))


class TestLinks:
    def test_resistance_of_a_barrel(self):  # closed form: length over wall area
        part = board_of(two_planes((20, 5)).data(), ["J1.1", "J2.1"], plating=25e-6, temperature=20)
        link = next(link for link in part.links if link.name == "hole 3, L2 to L4")
        length = (1.1 + 0.035 + 0.2 + 0.035) * MM  # middle of L2 to middle of L4
        wall = math.pi * 0.325 * MM * 25e-6
        assert link.resistance == pytest.approx(length / wall / 58e6, rel=1e-12)

    def test_length_of_a_barrel_ends_at_the_layer_it_meets(self):
        draft = two_planes(stack=(0.07, 0.3, 0.035, 0.9, 0.018, 0.1, 0.035))
        draft.pour(1, "GND", (0, 0, 40, 20))
        links = {link.name: link for link in board_of(draft.data(), ["J1.1", "J2.1"]).links}
        length = (0.3 + 0.035 + 0.0175) * MM
        wall = math.pi * 1.02 * MM * 20e-6
        assert links["hole 1, L1 to L2"].resistance == pytest.approx(length / wall * resistivity(25), rel=1e-9)
        length = (0.0175 + 0.9 + 0.018 + 0.1 + 0.0175) * MM
        assert links["hole 1, L2 to L4"].resistance == pytest.approx(length / wall * resistivity(25), rel=1e-9)

    def test_one_link_for_each_pair_of_layers_a_hole_meets(self):
        draft = two_planes((20, 5), (25, 5))
        draft.pour(3, "GND", (0, 0, 40, 20))
        part = board_of(draft.data(), ["J1.1", "J2.1"])
        assert [link.name for link in part.links if link.name.startswith("hole 3")] == [
            "hole 3, L2 to L3", "hole 3, L3 to L4"
        ]  # fmt: skip

    def test_pads_of_one_pin_on_both_sides_without_a_hole_are_shorted_by_the_pin(self):
        draft = Draft(40, 20)
        for layer in (1, 4):
            draft.pour(layer, "GND", (1, 1, 39, 19))
            draft.pad("J1.1", "GND", layer, (4, 10), (2, 2))
            draft.pad("J2.1", "GND", layer, (36, 10), (2, 2))
        part = board_of(draft.data(), ["J1.1", "J2.1"])
        assert [(link.between, link.resistance) for link in part.links] == [
            (("J1.1", "J1.1 (GND on L4)"), 0.0), (("J2.1", "J2.1 (GND on L4)"), 0.0)
        ]  # fmt: skip


class TestStackup:
    def test_dielectrics_stand_below_their_copper(self):
        layers, notes = layers_of(Draft(20, 20, stack=(0.07, 0.3, 0.035, 0.9, 0.018, 0.1, 0.035)).data())
        assert [round(layer.thickness * 1e6, 6) for layer in layers] == [70, 35, 18, 35]
        assert [layer.below and round(layer.below / MM, 6) for layer in layers] == [0.3, 0.9, 0.1, None]
        assert notes == []

    def test_the_case_counts_before_the_files(self, demo):
        layers, notes = layers_of(demo, {"L2": Thickness(copper=70e-6), "L1": Thickness(below=0.1 * MM)})
        assert [round(layer.thickness * 1e6) for layer in layers] == [35, 70, 35, 35]
        assert [layer.below and round(layer.below / MM, 3) for layer in layers] == [0.1, 1.1, 0.2, None]
        assert notes == []

    def test_what_is_missing_is_assumed_and_said(self, demo):
        layers, notes = layers_of(dataclasses.replace(demo, stackup=()))
        assert "most boards have 0.1 to 0.2 mm below their outer layers" in notes[-1]
        assert sum(layer.thickness + (layer.below or 0) for layer in layers) == pytest.approx(1.6 * MM)
        assert len(notes) == 2

    def test_a_stackup_of_another_board_is_not_used(self, demo):
        layers, notes = layers_of(dataclasses.replace(demo, stackup=demo.stackup[2:]))
        assert "3 copper rows" in notes[0]
        assert len(layers) == 4
