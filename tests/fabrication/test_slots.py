"""Openings in imported copper: long and narrow ones have names, are cutouts, and say what lies in them."""

import pytest
import shapely

from fabwriter import MM, Draft
from returnflow.advice.trials import is_gap
from returnflow_geometry.fabrication.copper.connectivity import connect
from returnflow_geometry.fabrication.copper.slots import with_slots
from returnflow_geometry.model.board import Copper
from returnflow_geometry.model.shapes import circle, rectangle, slot


def rect(*corners):
    return rectangle(*(v * MM for v in corners))


def found(plane, draft=None):
    draft = draft or Draft(60, 40)
    data = draft.data()
    copper = Copper(name="GND on L2", layer="L2", shape=plane)
    (filled,), slots, notes = with_slots([copper], data, connect(data))
    # What is left is what was there.
    holes = [item.shape for item in slots]
    left = shapely.difference(filled.shape, shapely.union_all(holes)) if holes else filled.shape
    assert shapely.symmetric_difference(left, plane).area < 1e-12
    assert len(notes) == len(slots)
    return slots


PLANE = rect(0, 0, 60, 40)


@pytest.mark.parametrize(
    "opening",
    [
        rect(20, 10, 21, 30),  # inside
        rect(20, -1, 21, 30),  # from the edge
        rect(20, -1, 21, 41),  # from edge to edge: two pieces of one copper
        slot([(10 * MM, 10 * MM), (10 * MM, 30 * MM), (30 * MM, 30 * MM)], 0.5 * MM),  # bent
        shapely.union_all([circle(x * MM, 20 * MM, 2 * MM) for x in (20, 21.5, 23, 24.5, 26, 27.5)]),  # antipads
    ],
)
def test_a_long_narrow_opening_is_a_slot_of_its_shape(opening):
    plane = PLANE.difference(opening)
    (item,) = found(plane)
    assert item.name == "slot 1 in GND on L2"
    assert item.copper == "GND on L2"
    assert shapely.symmetric_difference(item.shape, opening.intersection(PLANE)).area < 0.01 * opening.area
    assert is_gap(item)


@pytest.mark.parametrize(
    "plane",
    [
        PLANE,
        PLANE.difference(circle(30 * MM, 20 * MM, 8 * MM)),  # a mounting hole
        PLANE.difference(rect(20, 10, 30, 30)),  # a window
        PLANE.difference(rect(30, 20, 61, 41)),  # an L
        PLANE.difference(shapely.union_all([circle(x * MM, 20 * MM, 0.8 * MM) for x in range(10, 50)])),  # webs stay
        PLANE.difference(rect(20, 10, 20.5, 13)),  # short
    ],
)
def test_what_no_return_must_go_round_is_none(plane):
    assert found(plane) == ()


def test_several_are_numbered_by_length():
    slots = found(PLANE.difference(rect(20, 10, 21, 20)).difference(rect(40, 5, 41, 35)))
    assert [item.shape.centroid.x / MM for item in slots] == pytest.approx([40.5, 20.5])
    assert [item.name for item in slots] == ["slot 1 in GND on L2", "slot 2 in GND on L2"]


def test_a_track_in_it_is_named_and_keeps_it_from_being_closed():
    draft = Draft(60, 40)
    draft.track(2, "CLK", [(10, 20), (50, 20)], 0.3)
    (item,) = found(PLANE.difference(rect(9.5, 19.6, 50.5, 20.4)), draft)
    assert item.name == "slot 1 in GND on L2 with CLK"
    assert item.holds == ("CLK",)
    assert not is_gap(item)
