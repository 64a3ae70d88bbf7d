"""What is recommended has been solved, with every current that uses the pin, and its verdict is that of the solve."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from shapely import LineString

import returnflow as rf
import solved
from returnflow.advice.drawn import loops_at, moved, own_return
from returnflow.advice.option import ROOM_DB
from returnflow.advice.options import what_changes
from returnflow.advice.places import place_towards
from returnflow.advice.proofs import crosses_more, other_layer
from returnflow.advice.trials import CLOSED
from returnflow_geometry.checks.case_checks import check_case

# An invented logger: 60 x 40 mm, a slot with a bridge above it, a motor and a weak bridge input.
LOGGER = """
format = 1
title = "invented logger"
[board]
outline = { rect = [0, 0, 60, 40] }
temperature_C = 25
[[layer]]
name = "L1"
copper_um = 35
below_mm = 0.3
[[layer]]
name = "L2"
copper_um = 35
[[copper]]
name = "gnd"
layer = "L2"
[[cutout]]
name = "slot"
copper = "gnd"
shape = { slot = [[30, 0], [30, 28]], width = 0.5 }
[[terminal]]
name = "J1"
copper = "gnd"
at = [4, 34]
diameter_mm = 1
[[terminal]]
name = "U1.GND"
copper = "gnd"
at = [25, 32]
diameter_mm = 0.5
[[terminal]]
name = "J2"
copper = "gnd"
at = [5, 4]
diameter_mm = 1
[[terminal]]
name = "U3"
copper = "gnd"
at = [50, 10]
diameter_mm = 0.5
[[loop]]
name = "weak"
role = "sensitive"
inject = "U1.GND"
return = "J1"
signal_V = 0.01
tolerates_V = TOLERATED
[[loop]]
name = "motor"
role = "noisy"
inject = "U3"
return = "J2"
current_A = 0.5
frequency_Hz = 0
"""
SHARED = """
[[loop]]
name = "reference"
role = "noisy"
inject = "U1.GND"
return = "J2"
current_A = 0.02
frequency_Hz = 0
"""
BESIDE = """
[[terminal]]
name = "U2"
copper = "gnd"
at = [45, 35]
diameter_mm = 0.5
[[loop]]
name = "fan"
role = "noisy"
inject = "U2"
return = "U1.GND"
current_A = 0.1
frequency_Hz = 0
"""


def text_of(more="", tolerated="5e-6"):
    return LOGGER.replace("TOLERATED", tolerated) + more + "[solve]\naccuracy = 0.05\n"


def case(more="", tolerated="5e-6"):
    return rf.parse_case(text_of(more, tolerated))


def study(more="", tolerated="5e-6"):
    return solved.study(text_of(more, tolerated))


BOARDS = [("", "5e-6"), (SHARED, "5e-6"), (BESIDE, "20e-6"), (SHARED + BESIDE, "100e-6")]


@pytest.mark.parametrize("board", BOARDS)
def test_the_verdict_of_what_is_recommended_is_that_of_its_solve(board):
    found = study(*board)
    (decision,) = found.decisions
    assert not decision.tolerable
    chosen = decision.chosen
    if chosen is None or chosen.variant is None:
        return
    # Solved once more, on its own.
    again = rf.run(found.trials[chosen.variant].case, only=["as drawn"])["as drawn"].sensitive[0]
    assert again.verdict == "kept"
    assert again.noise == pytest.approx(chosen.noise, rel=1e-6)


@pytest.mark.parametrize("board", BOARDS)
def test_nothing_without_a_solve_is_promised(board):
    (decision,) = study(*board).decisions
    for option in decision.options:
        if option.kind in ("move amplifier", "dedicated return", "copper") and option.meets:
            assert option.variant in study(*board).trials


def test_alone_at_its_pin_the_return_of_its_own_keeps_the_limit_and_says_by_how_much():
    (decision,) = study().decisions
    own = next(o for o in decision.options if o.variant and o.variant.startswith("a return of its own"))
    assert own.meets
    # A single ground point: by topology no motor current flows in it.
    assert own.noise == 0.0


def test_a_pin_that_carries_another_current_takes_it_along():
    # Lifting the pin forces the reference's current into the new return: worse than before, and never recommended.
    found = study(SHARED)
    (decision,) = found.decisions
    own = next(o for o in decision.options if o.variant and o.variant.startswith("a return of its own"))
    assert own.noise > found["as drawn"].sensitive[0].noise
    assert decision.chosen is not own
    assert '"reference" ends in it and flows in it as well.' in own.reasons
    assert not any("no steady noisy current" in line for line in own.reasons)
    assert any(
        "also uses U1.GND" in line for o in decision.options if o.kind == "dedicated return" for line in o.reasons
    )


def test_a_pin_of_its_own_leaves_the_other_current_on_the_plane():
    found = study(SHARED)
    (decision,) = found.decisions
    name = 'a return of its own for "weak" and a ground pin of its own'
    own = next(o for o in decision.options if o.variant == name)
    # A single ground point, and no other current at it: by topology nothing flows in it.
    assert own.noise == 0.0
    assert own.meets
    drawn = found.trials[name].case
    assert loops_at(drawn, "U1.GND") == ("reference",)
    # What it takes is said, and nothing of a pin that is lifted, as this one stays.
    said = " ".join(own.reasons)
    assert '"reference" stays at U1.GND: this takes a part whose signal ground is another pin' in said
    assert "lift U1.GND" not in said
    assert any("lift U1.GND" in line for o in decision.options for line in o.reasons)
    assert (
        "beside U1.GND, which stays on the plane with" in " ".join(found.changes.get(name, ()))
        or name not in found.proved
    )
    # Nobody is told so where the pin carries no other current.
    assert name not in study().trials


def test_what_was_drawn_in_vain_is_no_row_but_named():
    for board in BOARDS:
        (decision,) = study(*board).decisions
        noise = study(*board)["as drawn"].sensitive[0].noise
        rows = [o.variant for o in decision.options if o.kind in ("noisy current", "copper") and o.variant]
        for name, result in study(*board).trials.items():
            kind = what_changes(study(*board).case.loop("weak"), study(*board).case, result.case)
            if kind in ("noisy current", "copper") and name != CLOSED:
                worse = result.sensitive[0].noise > 0.9 * noise
                assert worse == (name not in rows) == any(name in line for line in decision.rests_on)


def test_a_kind_without_a_figure_is_no_row_beside_its_solved_board():
    (decision,) = study(SHARED).decisions
    moves = [o for o in decision.options if o.kind == "move amplifier"]
    assert moves
    assert all(o.variant for o in moves)
    assert any("moving it also moves that current" in line for o in moves for line in o.reasons)


def test_a_signal_without_a_trace_is_drawn_straight_with_its_return_beside_it():
    drawn = own_return(case(), case().loop("weak"))
    route, strip = drawn.loop("weak").route, drawn.board.coppers[-1].shape
    assert route is not None
    straight = (drawn.board.terminal("J1").centre, drawn.board.terminal("U1.GND").centre)
    pin = drawn.board.terminals[-1]
    # From the pad it goes on to where the new return ends, as a case file would lead it there.
    assert route.path == (*straight, pin.centre)
    assert drawn.loop("weak").inject == pin.name
    assert strip.distance(LineString(straight)) == pytest.approx(0.15e-3 + route.width / 2, rel=1e-6)
    assert not check_case(drawn).mistakes


def test_moving_the_pin_moves_the_other_current_too():
    drawn = moved(case(SHARED), "U1.GND", (0.02, 0.03))
    assert loops_at(drawn, "U1.GND") == ("weak", "reference")
    assert drawn.board.terminal("U1.GND").centre == pytest.approx((0.02, 0.03))


def test_a_route_follows_the_pin_it_ends_at():
    text = LOGGER.replace("TOLERATED", "1e-6").replace(
        'name = "weak"', 'name = "weak"\nroute = { layer = "L1", path = [[4, 34], [20, 36], [25, 32]] }'
    )
    path = moved(rf.parse_case(text), "U1.GND", (0.02, 0.03)).loops[0].route.path
    assert path == ((0.004, 0.034), (0.02, 0.036), (0.02, 0.03))


def test_boards_that_are_drawn_are_legal_and_their_return_lies_beside_the_signal():
    text = LOGGER.replace("TOLERATED", "1e-6").replace(
        'name = "weak"', 'name = "weak"\nroute = { layer = "L1", path = [[4, 34], [20, 36], [25, 32]], width_mm = 0.4 }'
    )
    drawn = own_return(rf.parse_case(text), rf.parse_case(text).loops[0])
    assert not check_case(drawn).mistakes
    strip, route = drawn.board.coppers[-1].shape, drawn.loops[0].route
    assert drawn.board.coppers[-1].layer == "L1"
    # Half the signal's width, 0.15 mm of clearance, and the return beyond.
    assert all(strip.distance(p) < 1e-3 for p in __import__("shapely").points(route.path))


def test_places_lie_on_free_copper():
    board = case().board
    place = place_towards(board, "U1.GND", "J1", 0.005)
    assert place is not None
    assert place_towards(board, "U1.GND", "J1", 0.5) is None  # off the board


def test_a_recommendation_without_room_says_so():
    (decision,) = study(SHARED + BESIDE, "100e-6").decisions
    assert decision.chosen is None or decision.chosen.has_room or "measure before" in decision.recommendation
    assert ROOM_DB == 6.0


def test_changes_of_drawn_boards_are_told():
    found = study(SHARED)
    for name in found.trials:
        if name in found.changes:
            assert re.search(r"mm|drawn|closed", " ".join(found.changes[name]))


CLOCK = """
[[loop]]
name = "clock"
role = "noisy"
inject = "U3"
return = "J2"
current_A = 0.02
frequency_Hz = 500
route = { layer = "L0", path = [[5, 4], [50, 10]], width_mm = 0.2 }
"""


def test_further_boards_are_drawn_only_where_the_usual_ones_leave_no_room():
    # Alone at its pin a return of its own does; with the reference's current at the pin nothing usual does.
    alone, shared = study(), study(SHARED)
    assert not any("70 µm" in name or "U3 moved" in name for name in alone.trials)
    assert any("U3 moved" in name for name in shared.trials)
    assert any("J2 moved" in name for name in shared.trials)


def test_twice_the_copper_halves_what_steady_currents_couple():
    text = SHARED
    noise = study(text)["as drawn"].sensitive[0].noise
    # A limit just below what there is: half of it has 6 dB of room in what concerns the copper alone.
    found = study(text, f"{0.9 * noise:.6g}")
    thick = [name for name in found.trials if "70 µm of copper on L2" in name]
    if not any(o.has_room for o in found.decisions[0].options if o.variant and o.variant not in thick):
        assert thick
        assert found.trials[thick[0]].sensitive[0].noise == pytest.approx(noise / 2, rel=0.02)


def test_a_trace_is_tried_on_the_layer_nearest_to_its_plane():
    layers = '[[layer]]\nname = "L0"\ncopper_um = 35\nbelow_mm = 0.5\n[[layer]]\nname = "L1"'
    board = rf.parse_case(LOGGER.replace("TOLERATED", "1e-9").replace('[[layer]]\nname = "L1"', layers, 1) + CLOCK)
    ((name, trial),) = other_layer(board.loop("clock"), board).items()
    assert name == '"clock" routed on L1'
    assert trial.case.loop("clock").route.layer == "L1"
    assert "0.3 mm from its plane" in trial.changes[0]
    # Already there, or without a trace: nothing to draw.
    assert not other_layer(trial.case.loop("clock"), trial.case)
    assert not other_layer(board.loop("motor"), board)


def test_a_trial_is_compared_with_its_board_without_gaps_only_where_a_gap_is_new_to_a_route():
    """Which takes a third of its time, and is of no use where a route crosses what it crosses as drawn."""
    drawn = solved.example("slot_crossing", 0.05)["as drawn"]
    whole = next(variant.case for variant in drawn.case.variants if variant.name == "no slot")
    facts = drawn.spectral.facts
    uncrossed = replace(drawn, spectral=replace(drawn.spectral, facts=tuple(replace(it, gaps=()) for it in facts)))
    assert any(it.gaps for it in facts)
    assert crosses_more(uncrossed, drawn.case)
    assert not crosses_more(drawn, drawn.case)
    assert not crosses_more(drawn, whole)
