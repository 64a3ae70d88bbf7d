"""Enclosures: what their bonds carry, and what they make of the voltage between cables."""

import copy
import dataclasses
import functools

import pytest

import solved
from cases import mistakes_of, text_of
from returnflow.words.enclosure_table import shielded_sentence

BOARD = {
    "format": 1,
    "title": "board over a chassis (invented)",
    "board": {"outline": {"rect": [0, 0, 40, 24]}, "temperature_C": 25},
    "layer": [
        {"name": "L1", "copper_um": 35, "below_mm": 0.5},
        {"name": "L2", "copper_um": 35, "below_mm": 6},
        {"name": "housing", "copper_um": 1000, "off_board": True},
    ],
    "copper": [
        {"name": "ground", "layer": "L2"},
        {"name": "chassis", "layer": "housing", "shape": {"rect": [-8, -8, 48, 32]}},
    ],
    "terminal": [
        {"name": "U.GND", "copper": "ground", "shape": {"rect": [29.73, 15.73, 30.27, 16.27]}},
        {"name": "J.GND", "copper": "ground", "shape": {"rect": [9.73, 5.73, 10.27, 6.27]}},
        {"name": "left", "copper": "ground", "shape": {"rect": [2.28, 11.28, 3.72, 12.72]}},
        {"name": "right", "copper": "ground", "shape": {"rect": [36.28, 11.28, 37.72, 12.72]}},
        {"name": "wall left", "copper": "chassis", "shape": {"rect": [2.28, 11.28, 3.72, 12.72]}},
        {"name": "wall right", "copper": "chassis", "shape": {"rect": [36.28, 11.28, 37.72, 12.72]}},
    ],
    "link": [
        {"name": "bond left", "between": ["left", "wall left"], "resistance_ohm": 0.002, "inductance_H": 2e-9},
        {"name": "bond right", "between": ["right", "wall right"], "resistance_ohm": 0.002, "inductance_H": 2e-9},
    ],
    "loop": [
        {
            "name": "clock",
            "role": "noisy",
            "inject": "U.GND",
            "return": "J.GND",
            "spectrum": [[2e7, 0.02], [6e7, 0.01]],
            "route": {"layer": "L1", "path": [[10, 6], [30, 6], [30, 16]], "width_mm": 0.3},
        },
        {"name": "cables", "role": "cables", "inject": "right", "return": "left", "limit_V": 1.0},
    ],
    "solve": {"accuracy": 0.025, "frequencies_Hz": [0, 2e7]},
}


@functools.cache
def board(bonded=True):
    case = copy.deepcopy(BOARD)
    if not bonded:
        case["link"] = case["link"][:1]
    return solved.study(text_of(case), "as drawn")["as drawn"]


def volts(result):
    return sum(abs(result.impedance(f)[1, 0] * i) ** 2 for f, i in ((2e7, 0.02), (6e7, 0.01))) ** 0.5


def test_voltage_between_cables_with_the_bonds_and_without():
    it = board().enclosures[0].cables[0]
    assert it.voltage == pytest.approx(volts(board()), rel=0.02)
    # Of two bonds one open is as good as both: no current comes back.
    assert it.without == pytest.approx(volts(board(bonded=False)), rel=0.02)
    assert it.voltage < 0.8 * it.without
    assert "less" in shielded_sentence(it)
    assert ", unchanged: all lines" in shielded_sentence(dataclasses.replace(it, voltage=it.without))


def test_bonds_carry_what_the_links_do():
    result = board()
    enclosure = result.enclosures[0]
    assert [bond.name for bond in enclosure.bonds] == ["bond left", "bond right"]
    model = result.spectral.model
    through = [abs(model.link_currents(f)[0, 0]) * i for f, i in ((2e7, 0.02), (6e7, 0.01))]
    left, right = enclosure.bonds
    assert left.current == pytest.approx(right.current, rel=1e-6)  # round and back
    assert left.current == pytest.approx((through[0] ** 2 + through[1] ** 2) ** 0.5, rel=0.02)
    assert (left.loop, left.frequency) == ("clock", 2e7)
    assert left.strongest == pytest.approx(through[0], rel=0.02)


def test_only_what_is_off_the_board_may_lie_beyond_it():
    case = copy.deepcopy(BOARD)
    del case["layer"][2]["off_board"]
    assert any("lies outside the board's outline" in mistake for mistake in mistakes_of(case))


def test_steady_currents_say_nothing_of_an_enclosure():
    case = copy.deepcopy(BOARD)
    case["loop"][0] = {"name": "heater", "role": "noisy", "inject": "U.GND", "return": "J.GND", "current_A": 0.2}
    result = solved.study(text_of(case), "as drawn")["as drawn"]
    assert result.spectral is not None
    assert result.enclosures == ()
