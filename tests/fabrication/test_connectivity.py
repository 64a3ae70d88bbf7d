"""Islands, plated holes, nets and ties: what metal joins is one, and nothing else is."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import box

from fabwriter import MM, STACK, Draft, demo_board
from returnflow_geometry.fabrication.base.objects import Hole, NetPoint
from returnflow_geometry.fabrication.copper.connectivity import bore, connect
from returnflow_geometry.fabrication.copper.reach import carrying
from returnflow_geometry.fabrication.copper.touching import joint_width, joints
from returnflow_geometry.model.material import wall_area

NM = 1e-9


def rect(x0, y0, x1, y1):
    return box(x0 * MM, y0 * MM, x1 * MM, y1 * MM)


def nets_and_groups(connectivity):
    groups = {}
    for island in connectivity.islands:
        groups.setdefault(island.group, set()).add(island.net)
    return sorted(map(sorted, groups.values()))


class TestJoints:
    @pytest.mark.parametrize(
        ("one", "other", "width"),
        [
            (rect(0, 0, 1, 1), rect(1, 0.84, 2, 2), 0.16),  # abut, no area in common
            (rect(0, 0, 10, 10), rect(9, 4, 12, 4.3), 0.3),  # a track that ends inside a pad
            (rect(0, 0, 10, 10).difference(rect(9, 4, 12, 4.3)), rect(9, 4, 12, 4.3), 0.3),  # the same, cut out
            (rect(0, 0, 10, 10), rect(4, 4, 5, 5), 4.0),  # one inside the other: all its border
            (rect(0, 0, 2, 2), rect(1, 1, 3, 3), 2 * math.sqrt(0.5)),  # overlapping corners: from tip to tip
        ],
    )
    def test_width(self, one, other, width):  # closed form
        assert joint_width(one, other)[0] == pytest.approx(width * MM, abs=5 * NM)
        assert joint_width(other, one)[0] == pytest.approx(width * MM, abs=5 * NM)

    def test_place_is_on_the_common_edge(self):
        x, y = joint_width(rect(0, 0, 1, 1), rect(1, 0.8, 2, 2))[1]
        assert (x, y) == pytest.approx((1 * MM, 0.9 * MM), abs=5 * NM)

    def test_an_edge_open_by_half_a_nanometre_is_closed(self):
        assert joint_width(rect(0, 0, 1, 1), rect(1 + 5e-7, 0, 2, 1))[0] == pytest.approx(1 * MM, abs=5 * NM)
        assert len(joints([rect(0, 0, 1, 1), rect(1 + 5e-7, 0, 2, 1)])) == 1

    @pytest.mark.parametrize("gap", [1e-5, 1e-2, 1])
    def test_a_gap_parts(self, gap):
        assert joints([rect(0, 0, 1, 1), rect(1 + gap, 0, 2 + gap, 1)]) == []

    def test_a_common_point_joins_nothing(self):
        assert joints([rect(0, 0, 1, 1), rect(1, 1, 2, 2)]) == []

    def test_a_pad_inside_an_antipad_is_apart(self):
        plane = rect(0, 0, 10, 10).difference(rect(4, 4, 6, 6))
        assert joints([plane, rect(4.5, 4.5, 5.5, 5.5)]) == []

    @given(
        turn=st.floats(0, 2 * math.pi),
        width=st.floats(0.05, 3),
        at=st.tuples(st.floats(-100, 100), st.floats(-100, 100)),
    )
    @settings(deadline=None, max_examples=60)
    def test_edges_in_any_direction(self, turn, width, at):
        c, s = math.cos(turn), math.sin(turn)

        def moved(shape):
            return shapely.transform(shape, lambda p: p @ np.array([[c, s], [-s, c]]) + np.array(at) * MM)

        one, other = moved(rect(-2, -5, 0, 5)), moved(rect(0, 0, 1, width))
        assert joint_width(one, other)[0] == pytest.approx(width * MM, abs=10 * NM)


class TestIslands:
    def test_unplated_holes_are_cut_out_and_part_copper(self):
        draft = Draft(20, 20, clearance=0)
        draft.track(1, "A", [(2, 10), (18, 10)], 1)
        draft.hole((10, 10), 3)
        draft.hole((4, 10), 0.2)
        connectivity = connect(draft.data())
        assert len(connectivity.islands) == 2
        left = 16 * 1 - math.pi * 0.1**2  # and what a circle of 3 mm takes from a strip of 1 mm, closed form
        r, h = 1.5, 0.5
        left -= 2 * (h * math.sqrt(r * r - h * h) + r * r * math.asin(h / r))
        area = sum(island.shape.area for island in connectivity.islands) / MM**2
        assert area == pytest.approx(left, rel=1e-3)

    def test_a_slot_is_cut_like_a_hole(self):
        draft = Draft(20, 20, clearance=0)
        draft.pour(1, "A", (0, 0, 20, 20))
        draft.hole((5, 10), 1, to=(15, 10))
        (island,) = connect(draft.data()).islands
        assert island.shape.area / MM**2 == pytest.approx(400 - 10 - math.pi / 4, rel=1e-4)

    def test_plated_holes_join_the_layers_they_pass_and_no_others(self):
        draft = Draft(20, 20, stack=(*STACK, 0.2, 0.035, 0.2, 0.035))
        for layer in range(1, 7):
            draft.pour(layer, "A", (1, 1, 9, 9))
        draft.via("A", (5, 5), span=(2, 4))
        connectivity = connect(draft.data())
        (barrel,) = connectivity.barrels
        assert [connectivity.islands[k].layer for k in barrel.islands] == [1, 2, 3]
        groups = [island.group for island in connectivity.islands]
        assert groups[1] == groups[2] == groups[3]
        assert len(set(groups)) == 4

    def test_unplated_holes_join_nothing(self):
        draft = Draft(20, 20, clearance=0)
        draft.pour(1, "A", (1, 1, 9, 9))
        draft.pour(2, "A", (1, 1, 9, 9))
        draft.hole((5, 5), 0.3)
        connectivity = connect(draft.data())
        assert connectivity.barrels == ()
        assert len({island.group for island in connectivity.islands}) == 2

    def test_an_antipad_keeps_a_barrel_off(self):
        draft = Draft(20, 20)
        draft.pour(1, "A", (1, 1, 19, 19))
        draft.pour(2, "B", (1, 1, 19, 19))
        draft.via("A", (5, 5), layers=(1,))
        connectivity = connect(draft.data())
        assert [len(barrel.islands) for barrel in connectivity.barrels] == [1]
        assert nets_and_groups(connectivity) == [["A"], ["B"]]
        assert connectivity.ties == ()

    def test_a_pad_drawn_as_a_ring_up_to_the_bore_is_met(self):
        draft = Draft(20, 20)
        draft.via("A", (5, 5), drill=0.3, pad=0.6)
        data = draft.data()
        ring = (
            data.layers[0].nets["A"].difference(shapely.Point(5 * MM, 5 * MM).buffer(0.15 * MM + 20e-6, quad_segs=64))
        )
        layers = (dataclasses.replace(data.layers[0], nets={"A": ring}), *data.layers[1:])
        (barrel,) = connect(dataclasses.replace(data, layers=layers)).barrels
        assert len(barrel.islands) == 4

    @pytest.mark.parametrize("path", [[[0, 0]], [[0, 0], [3, 4]]])
    def test_wall_area_is_what_lies_between_bore_and_border(self, path):
        hole = Hole(path=np.array(path) * MM, diameter=0.8 * MM)
        between = bore(hole, 20e-6).area - bore(hole).area
        straight = float(np.hypot(*np.diff(hole.path, axis=0).T).sum())
        assert wall_area(hole.diameter, 20e-6, straight) == pytest.approx(between, rel=5e-3)


class TestNets:
    def test_a_tie_that_abuts_is_found_with_its_width(self):
        (tie,) = connect(demo_board()).ties
        assert tie.nets == ("AGND", "GND")
        assert tie.layer == 1
        assert tie.width == pytest.approx(1.5 * MM, abs=10 * NM)
        assert tie.at == pytest.approx((48.75 * MM, 31.5 * MM))

    def test_two_ties_of_two_grounds_are_two(self):
        draft = Draft(20, 20, clearance=0)
        draft.pour(1, "A", (1, 1, 19, 9))
        draft.pour(1, "B", (1, 11, 19, 19))
        draft.pour(1, "A", (2, 9, 4, 10))
        draft.pour(1, "B", (2, 10, 4, 11))
        draft.pour(1, "B", (14, 8, 15, 11))  # overlaps A
        ties = connect(draft.data()).ties
        assert [tie.width for tie in ties] == pytest.approx([2 * MM, 1 * MM], abs=10 * NM)
        assert [tie.at[0] for tie in ties] == pytest.approx([3 * MM, 14.5 * MM], abs=10 * NM)

    def test_a_tie_joins_its_nets(self):
        connectivity = connect(demo_board())
        assert connectivity.groups_of("GND") & connectivity.groups_of("AGND")
        assert not connectivity.groups_of("GND") & connectivity.groups_of("VCC")

    def test_a_hole_through_two_nets_is_reported(self):
        draft = Draft(20, 20, clearance=0)
        draft.pour(1, "A", (1, 1, 9, 9))
        draft.pour(2, "B", (1, 1, 9, 9))
        draft.hole((5, 5), 0.3, plating="plated")
        (tie,) = connect(draft.data()).ties
        assert (tie.nets, tie.hole) == (("A", "B"), 0)

    @pytest.mark.parametrize("narrow", ["A", "B"])
    def test_copper_of_no_net_between_two_nets_is_a_tie_as_wide_as_its_narrow_end(self, narrow):
        near, far = (9, 11) if narrow == "B" else (11, 9)
        draft = Draft(20, 20, clearance=0)
        draft.pour(1, "A", (1, 1, 9, 9))
        draft.pour(1, "B", (11, 1, 19, 9))
        draft.pour(1, "N/C", shapely.Polygon(np.array([[near, 4], [far, 4.4], [far, 4.6], [near, 5]]) * MM))
        connectivity = connect(draft.data())
        (tie,) = connectivity.ties
        assert tie.nets == ("A", "B")
        assert tie.width == pytest.approx(0.2 * MM, abs=10 * NM)

    def test_nameless_copper_takes_the_name_of_a_netlist_record_and_hands_it_on_through_holes(self):
        draft = Draft(20, 20)
        for layer in (1, 2):
            draft.pour(layer, "", (1, 1, 9, 9))
        draft.pour(1, "", (11, 1, 19, 9))
        draft.via("", (5, 5), layers=())
        points = (
            NetPoint(net="LEFT", refdes="U1", pin="1", at=(2 * MM, 2 * MM), layers="top"),
            NetPoint(net="LOW", refdes="U1", pin="2", at=(12 * MM, 2 * MM), layers="bottom"),
        )
        connectivity = connect(dataclasses.replace(draft.data(), points=points))
        assert [island.net for island in connectivity.islands] == ["LEFT", "", "LEFT"]

    def test_one_piece_with_two_names_is_reported(self):
        draft = Draft(20, 20)
        draft.pour(1, "", (1, 1, 9, 9))
        points = tuple(NetPoint(net=net, refdes="", pin="", at=(x * MM, 2 * MM)) for net, x in (("A", 2), ("B", 4)))
        connectivity = connect(dataclasses.replace(draft.data(), points=points))
        assert any('"A", "B" on L1' in note for note in connectivity.notes)


class TestReach:
    def test_copper_on_one_contact_carries_nothing(self):
        assert carrying([0, 1], {5: [0, 1, 2, 3], 6: [2], 7: [3, 4], 8: [4]})[0] == {5}

    def test_copper_behind_one_contact_carries_nothing_however_well_it_is_stitched(self):
        assert carrying([0, 1], {5: [0, 1, 2], 6: [2, 3, 4], 7: [3, 4]})[0] == {5}

    def test_copper_on_two_contacts_of_one_piece_carries(self):
        assert carrying([0, 1], {5: [0, 1, 2, 3], 6: [2, 3]})[0] == {5, 6}

    def test_a_chain_between_pins_carries_in_all_its_pieces(self):
        assert carrying([0, 9], {k: [k, k + 1] for k in range(9)})[0] == set(range(9))

    def test_pins_on_separate_copper_reach_nothing(self):
        assert carrying([0, 1], {5: [0, 2], 6: [1, 3], 7: [2, 2]})[0] == set()

    def test_joins_carry_if_something_lies_behind_them(self):
        assert carrying([0, 1], {5: [7, 1]}, [(0, 7), (0, 8)]) == ({5}, {(0, 7)})

    @given(st.data())
    @settings(deadline=None, max_examples=150)
    def test_agrees_with_trying_every_way(self, data):
        contacts = data.draw(
            st.lists(st.lists(st.integers(0, 6), min_size=1, max_size=4, unique=True), min_size=1, max_size=5)
        )
        pins = data.draw(st.lists(st.integers(0, 6), min_size=1, max_size=3, unique=True))
        found, _ = carrying(pins, dict(enumerate(contacts)))
        assert found == by_trying(pins, contacts)


def by_trying(pins, contacts):
    """Pieces on some way from pin to pin that uses no contact twice, found by walking all of them."""
    used = set()

    def walk(here, seen, pieces):
        if here in pins and pieces:
            used.update(pieces)
            return
        for k, touching in enumerate(contacts):
            if here in touching:
                for there in set(touching) - seen:
                    walk(there, seen | {there}, pieces | {k})

    for pin in pins:
        walk(pin, {pin}, frozenset())
    return used
