"""What is said of how near an amplifier would have to be, on a strip whose potential is known in closed form."""

import functools
import re

import pytest

import returnflow as rf

# Steady currents, one from the left to 60 mm, one back from 40 mm to the right end: the potential rises up to 40 mm,
# is flat to 60 mm, and falls as it rose. Seen from 10 mm, 90 mm is as quiet.
STRIP = """
format = 1
title = "two slopes"
board = { outline = { rect = [0, 0, 100, 2] }, temperature_C = 20 }
layer = [{ name = "L", copper_um = 35 }]
copper = [{ name = "strip", layer = "L" }]
terminal = [
  { name = "left", copper = "strip", shape = { rect = [0, 0, 0.5, 2] } },
  { name = "right", copper = "strip", shape = { rect = [99.5, 0, 100, 2] } },
  { name = "here", copper = "strip", at = [10, 0.3], diameter_mm = 0.2 },
  { name = "amplifier", copper = "strip", at = [AT, 1.7], diameter_mm = 0.2 },
  { name = "low", copper = "strip", at = [40, 1], diameter_mm = 0.2 },
  { name = "high", copper = "strip", at = [60, 1], diameter_mm = 0.2 },
]
loop = [
  { name = "rise", role = "noisy", inject = "high", return = "left", current_A = 1, frequency_Hz = 0 },
  { name = "fall", role = "noisy", inject = "low", return = "right", current_A = 1, frequency_Hz = 0 },
  { name = "input", role = "sensitive", inject = "amplifier", return = "here", signal_V = 1, tolerates_V = LIMIT },
]
solve = { accuracy = 0.02 }
"""
PER_MM = 1.678e-8 / 35e-6 / 2e-3 * 1e-3  # V of 1 A, by resistivity, thickness and width


@functools.cache
def reach(at, reaches):
    """Sentence of an amplifier at a place, where the limit is what so many millimetres of the strip have."""
    text = STRIP.replace("AT", str(at)).replace("LIMIT", f"{PER_MM * reaches:.4g}")
    result = rf.run(rf.parse_case(text), only=["as drawn"])["as drawn"]
    placement = result.placements["input"]
    if reaches > 1:  # nearer, the contacts bend the flow
        assert 1e3 * placement.radius == pytest.approx(reaches, rel=0.06)
    return placement.reach


def test_a_place_within_the_reach_is_not_among_others():
    assert "(now 3.31 mm away)" in reach(13, 6)
    assert re.search(
        r"anywhere within [56][.\d]* mm of here .*\. Another [\d.]+ mm² are within the limit, but only", reach(13, 6)
    )


def test_a_place_beyond_the_reach_that_is_within_the_limit_is_among_others():
    assert "are within the limit, where it is now among them, but only while" in reach(90, 6)


def test_the_nearest_of_other_places_is_named_from_a_place_over_the_limit():
    said = re.search(r"are within the limit, closest to it at \((\d+)", reach(70, 6))
    assert float(said[1]) == pytest.approx(84, abs=2)


def test_the_nearest_place_is_none_of_the_others_where_it_lies_within_the_reach():
    assert "are within the limit, but only while" in reach(25, 6)


def test_a_reach_without_room_beside_the_contact_is_no_place():
    """Discs of 0.1 mm radius: their middles are 0.2 mm apart at least."""
    assert "which leaves no room beside the contact there (now 3.31 mm away)" in reach(13, 0.05)
    assert "no room" not in reach(13, 0.5)
