"""A kept limit that conductors nobody drew could break says so, with what they would induce side by side."""

from dataclasses import replace

import pytest

import solved
from returnflow.advice.study import AS_DRAWN
from returnflow.answers.budget import Budget
from returnflow.answers.verdict import finding
from returnflow.words.answer_text import summary
from returnflow.words.result_tables import contributions_table

# Invented: a pump's return runs along the axis of a weak input's plane and couples nothing; its trace may.
BOARD = """
format = 1
title = "conductors that nobody drew"
board = {{ outline = {{ rect = [0, 0, 40, 40] }} }}
layer = [{{ name = "top", copper_um = 35, below_mm = {height} }}, {{ name = "plane", copper_um = 35 }}]
copper = [{{ name = "ground", layer = "plane" }}]
terminal = [
  {{ name = "A", copper = "ground", shape = {{ rect = [9.55, 34.55, 10.45, 35.45] }} }},
  {{ name = "B", copper = "ground", shape = {{ rect = [29.55, 34.55, 30.45, 35.45] }} }},
  {{ name = "C", copper = "ground", shape = {{ rect = [19.55, 2.55, 20.45, 3.45] }} }},
  {{ name = "D", copper = "ground", shape = {{ rect = [19.55, 14.55, 20.45, 15.45] }} }},
]
solve = {{ accuracy = 0.05 }}

[[loop]]
name = "probe"
role = "sensitive"
inject = "B"
return = "A"
signal_V = 0.01
tolerates_V = {tolerates}
band_Hz = {band}
{mine}
[[loop]]
name = "pump"
role = "noisy"
inject = "D"
return = "C"
current_A = 1
frequency_Hz = {frequency}
{other}
"""
MINE = 'route = { layer = "top", path = [[10, 35], [30, 35]], width_mm = 0.3 }'
BESIDE = 'route = { layer = "top", path = [[20, 3], [4, 3], [4, 34], [34, 34], [34, 15], [20, 15]], width_mm = 0.3 }'
APART = 'route = { layer = "top", path = [[20, 3], [20, 15]], width_mm = 0.3 }'


def budget(mine="", other="", tolerates=200e-6, frequency=120, band="[0, 200]", height=0.5):
    text = BOARD.format(mine=mine, other=other, tolerates=tolerates, frequency=frequency, band=band, height=height)
    result = solved.study(text, AS_DRAWN)[AS_DRAWN]
    return result.sensitive[0], result


@pytest.mark.parametrize("height", [0.2, 1.5])
def test_it_bounds_what_conductors_side_by_side_induce(height):
    undrawn, _ = budget(height=height)
    beside, _ = budget(MINE, BESIDE, height=height)
    assert beside.induced == 0.0
    # Where they run is all that matters here, and what is said is of the right order.
    assert undrawn.noise < 0.02 * beside.noise
    assert beside.noise < undrawn.induced < 4 * beside.noise


def test_it_is_said_where_it_could_break_the_limit():
    undrawn, result = budget(tolerates=10e-6)
    assert undrawn.verdict == "kept"
    assert undrawn.undrawn == ("pump", "probe")
    assert "side by side they would induce up to about" in undrawn.proviso
    assert undrawn.proviso.endswith('Draw the routes of "pump" and "probe" to know.')
    assert undrawn.proviso in contributions_table(result, undrawn).notes
    assert undrawn.proviso in finding(undrawn)
    assert undrawn.proviso in summary(result)


@pytest.mark.parametrize(
    ("given", "because"),
    [
        ({"tolerates": 1e-3}, "there is room for it"),
        ({"frequency": 0}, "steady currents induce nothing"),
        ({"band": "[0, 50]"}, "it lies outside the band"),
        ({"mine": MINE, "other": APART}, "both are drawn"),
    ],
)
def test_it_is_not_said_where(given, because):
    near, _ = budget(**({"tolerates": 10e-6} | given))
    assert near.verdict == "kept", because
    assert near.proviso == "", because


def test_with_one_of_them_drawn_the_other_is_asked_for():
    one, _ = budget(mine=MINE)
    assert one.undrawn == ("pump",)
    assert replace(one, limit=10e-6).proviso.endswith('Draw the route of "pump" to know.')


def test_an_option_that_leaves_conductors_where_they_are_has_it_too():
    """A steady current over the limit may fall, or be rejected; the trace beside the signal's stays."""
    more = """
[[loop]]
name = "heater"
role = "noisy"
inject = "B"
return = "D"
current_A = 1
frequency_Hz = 0
"""
    text = BOARD.format(mine=MINE, other=more, tolerates=10e-6, frequency=120, band="[0, 200]", height=1.5)
    found = solved.study(text, AS_DRAWN)
    (decision,) = found.decisions
    assert decision.chosen.variant is None
    assert "keeps its limit if conductors keep apart" in decision.recommendation
    assert decision.recommendation.count('Draw the route of "pump" to know.') == 1


def test_nothing_is_added_to_what_is_not_kept():
    over = Budget(
        loop="x", limit=1.0, contributions=(), noise=2, low=2, high=2, worst_case=2, induced=1, undrawn=("y",)
    )
    assert over.proviso == ""
    assert replace(over, limit=2.2).proviso
    assert not replace(over, limit=2.3).proviso
