"""[[device]]: one current, returned through all ground pins of a device; each mistake is named."""

import pytest

import returnflow as rf
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options
from returnflow_geometry.casefile.devices import PinOfNet, expanded

# A strip of 100 x 10 mm, invented: supply at the left end, ground pins of U1 at the middle line, one near and one far.
BOARD = """format = 1
title = "device"
[board]
outline = { rect = [0, 0, 100, 10] }
temperature_C = 25
[[layer]]
name = "L1"
copper_um = 35
[[copper]]
name = "ground"
layer = "L1"
[[terminal]]
name = "J1.2"
copper = "ground"
shape = { rect = [0, 0, 1, 10] }
[[terminal]]
name = "U1.4"
copper = "ground"
shape = { rect = [40, 0, 41, 10] }
[[terminal]]
name = "U1.5"
copper = "ground"
shape = { rect = [80, 0, 81, 10] }
[[terminal]]
name = "U1.6"
copper = "ground"
shape = { rect = [90, 0, 91, 10] }
"""
GIVEN = {"name": '"U1"', "ground": '["U1.4", "U1.5"]', "return": '"J1.2"', "supply_A": "0.2"}


def text(**changed):
    keys = {key: value for key, value in (GIVEN | changed).items() if value is not None}
    return BOARD + "[[device]]\n" + "\n".join(f"{key} = {value}" for key, value in keys.items()) + "\n"


def mistake(**changed):
    with pytest.raises(rf.CaseError) as caught:
        rf.parse_case(text(**changed))
    (line,) = caught.value.mistakes
    return line


def test_a_pin_that_is_no_terminal_is_told_of_the_device():
    line = mistake(ground='["U1.4", "U1.7"]')
    assert line.startswith('device "U1": ground names "U1.7"; no terminal has that name, there are "J1.2", "U1.4"')
    assert line.endswith(('did you mean "U1.4"?', 'did you mean "U1.5"?', 'did you mean "U1.6"?'))
    assert mistake(**{"return": '"J1.3"'}).startswith('device "U1": return names "J1.3";')


def test_contacts_of_vias_may_be_its_pins():
    lower = '[[copper]]\nname = "lower"\nlayer = "L2"\n[[layer]]\nname = "L2"\ncopper_um = 35\n'
    via = '[[vias]]\nname = "via"\ncoppers = ["ground", "lower"]\ndrill_mm = 0.3\nat = [[60, 5]]\n'
    below = text(ground='["U1.4", "via (L1)"]').replace("copper_um = 35\n", "copper_um = 35\nbelow_mm = 0.3\n", 1)
    (loop,) = rf.parse_case(below + lower + via).loops
    assert loop.inject == "U1.4"
    with pytest.raises(rf.CaseError) as caught:
        rf.parse_case(below.replace("via (L1)", "U1.9") + lower + via)
    assert caught.value.mistakes[0].startswith('device "U1": ground names "U1.9"; no terminal has that name')


def test_a_device_is_one_loop_and_shorts_between_its_ground_pins():
    case = rf.parse_case(text(ground='["U1.4", "U1.5", "U1.6"]', frequency_Hz="50"))
    (loop,) = case.loops
    assert (loop.name, loop.role, loop.inject, loop.return_) == ("U1", "noisy", "U1.4", "J1.2")
    assert (loop.current, loop.frequency) == (0.2, 50)
    assert [link.between for link in case.board.links] == [("U1.4", "U1.5"), ("U1.4", "U1.6")]
    assert all(link.resistance == 0 for link in case.board.links)
    assert any("What each carries is solved" in line for line in case.assumptions)


def test_shares_are_solved_and_not_equal():
    # From the right end of the contact at 40 mm no current flows to that at 80: all leaves at the nearer pin.
    case = rf.parse_case(text())
    it = Conductors.of(case)
    result = solve(it, it.ends(case), options=Options(accuracy=0.002))
    assert result.link_current[0, 0] == pytest.approx(0, abs=1e-6)
    # Supply between the pins: 1/59 and 1/20 of the two ways, in parallel (strip: length over width).
    between = BOARD.replace("[0, 0, 1, 10]", "[60, 0, 61, 10]")
    case = rf.parse_case(between + text().removeprefix(BOARD))
    it = Conductors.of(case)
    result = solve(it, it.ends(case), options=Options(accuracy=0.002))
    near, far = 80 - 61, 60 - 41
    assert abs(result.link_current[0, 0]) == pytest.approx(far / (near + far), abs=1e-3)
    between = BOARD.replace("[0, 0, 1, 10]", "[70, 0, 71, 10]")
    case = rf.parse_case(between + text().removeprefix(BOARD))
    it = Conductors.of(case)
    result = solve(it, it.ends(case), options=Options(accuracy=0.002))
    assert abs(result.link_current[0, 0]) == pytest.approx(29 / (29 + 9), abs=1e-3)


def test_spectra_and_trapezoids_are_those_of_the_loop():
    (loop,) = rf.parse_case(text(supply_A=None, spectrum="[[100, 0.1], [200, 0.05]]")).loops
    assert loop.spectrum == ((100, 0.1), (200, 0.05))


def test_a_net_stands_for_the_parts_pins_on_it():
    pins = [PinOfNet("U1.4", "U1", "GND"), PinOfNet("U1.5", "U1", "GND"), PinOfNet("U1.1", "U1", "3V3")]
    device = {"name": "U1", "ground": "GND", "return": "J1.2", "supply_A": 0.1}
    tables, mistakes, _ = expanded({"device": [device]}, pins)
    assert not mistakes
    assert [table["between"] for table in tables["link"]] == [["U1.4", "U1.5"]]
    for change, said in (
        ({"name": "U2"}, "is no part of the files"),
        ({"ground": "AGND"}, 'has no pin on the net "AGND"'),
    ):
        _, mistakes, _ = expanded({"device": [device | change]}, pins)
        assert len(mistakes) == 1
        assert said in mistakes[0]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"supply_A": None}, "supply_A is missing; its current is given by one of supply_A, spectrum, trapezoid"),
        ({"spectrum": "[[1, 1]]"}, "supply_A and spectrum are given together"),
        ({"supply_A": "-1"}, "supply_A"),
        ({"supply_A": None, "spectrum": "[[1, 1]]", "frequency_Hz": "5"}, "spectrum says its frequencies itself"),
        ({"ground": "[]"}, "must be a net's name, or a list of terminals"),
        ({"ground": '"GND"'}, "the case names none as its source"),
        ({"ground": '["U1.4", "J1.2"]'}, "one of its ground pins"),
        ({"suply_A": "1"}, "the nearest valid key is supply_A"),
        ({"return": None}, "return is missing"),
        ({"return": '"J9"'}, "J9"),
    ],
)  # fmt: skip
def test_each_mistake_is_named_once(changed, said):
    assert said in mistake(**changed)


def test_a_loop_of_the_same_name_is_refused():
    loop = '[[loop]]\nname = "U1"\nrole = "noisy"\ninject = "U1.6"\nreturn = "J1.2"\ncurrent_A = 1\n'
    with pytest.raises(rf.CaseError) as caught:
        rf.parse_case(text() + loop)
    assert any("name is also that of a loop" in line for line in caught.value.mistakes)
