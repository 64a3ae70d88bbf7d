"""Several coppers in a case: what floats or overlaps, and bridges that join them."""

import re

import pytest
from test_links_in_cases import BOARD, GAP, disc, loop, read, refused

# --- several coppers ----------------------------------------------------------------------------------------


def test_copper_without_a_terminal_floats():
    shield = ("copper.3", {"name": "shield", "layer": "L1", "shape": {"rect": [0, 0, 9, 9]}})
    assert read(shield).assumptions == (
        'Copper "shield" has no terminal: it floats and carries no net current, only induced eddy currents.',
    )


OVERLAPS = [
    (
        {"rect": [40, 10, 47, 20]},
        r'^coppers "analog", "pour": overlap by 70 mm² at \(.*\) mm, on layer "L2"; coppers on',
    ),
    ({"rect": [48, 10, 50, 20]}, r'^coppers "analog", "pour": touch at \(48, .*\) mm, on layer "L2"'),
    ({"rect": [48.0005, 10, 50, 20]}, r'^coppers "analog", "pour": are only 0.0005 mm apart at \(48, '),
]


@pytest.mark.parametrize(("shape", "message"), OVERLAPS)
def test_coppers_on_one_layer_keep_apart(shape, message):
    pour = {"name": "pour", "layer": "L2", "shape": shape}
    found = refused(("copper.3", pour))
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]
    assert found[0].count("; ") == 2
    # what a cutout takes away does not overlap, nor what lies on another layer
    moat = {"name": "moat", "copper": "analog", "shape": {"rect": [39, 9, 49, 21]}}
    read(("copper.3", pour), ("cutout", [moat]))
    read(("copper.3", pour | {"layer": "L3"}))
    # a bridge over the moat shorts them
    bridge = {"name": "neck", "copper": "analog", "shape": {"slot": [[38, 15], [49, 15]], "width": 1}}
    assert any("overlap" in line for line in refused(("copper.3", pour), ("cutout", [moat]), ("bridge", [bridge])))


def test_coppers_that_are_both_the_outline_overlap():
    coppers = [{"name": "one", "layer": "L1"}, {"name": "two", "layer": "L1"}]
    found = refused(("copper", [*BOARD["copper"], *coppers]))
    assert len(found) == 1
    assert found[0].startswith('coppers "one", "two": overlap by 6000 mm²')


def test_coppers_whose_layer_is_not_known_overlap_nothing():
    coppers = [{"name": name, "layer": "L9"} for name in ("one", "two")]
    found = refused(("copper", [*BOARD["copper"], *coppers]))
    assert [line.split(";")[0] for line in found] == [f'copper "{name}": layer is "L9"' for name in ("one", "two")]


def test_many_overlaps_are_capped():
    coppers = [{"name": f"c{k}", "layer": "L1", "shape": {"rect": [k, 0, k + 1, 9]}} for k in range(40)]
    found = refused(("copper", [*BOARD["copper"], *coppers]))
    assert len(found) == 21
    assert found[-1].startswith('coppers on layer "L1": overlap or touch in 19 more places')


def test_a_terminal_drawn_over_two_coppers_of_a_layer_is_a_mistake():
    strap = {"name": "P2", "copper": "power", "shape": {"rect": [47, 29, 54, 31]}}
    found = refused(("terminal.3", strap))
    assert len(found) == 1, found
    assert re.search(
        r'^terminal "P2": at \(50.5, 30\) mm on copper "power" overlaps copper "analog" by 2 mm²; a terminal touches '
        r"one copper only; shrink it, or give each copper a terminal",
        found[0],
    )
    # on another layer it lies over a copper that it does not touch
    read(("terminal.3", strap), ("copper.1.layer", "L3"))


def test_things_belong_to_their_own_copper():
    pit = {"name": "pit", "copper": "bottom", "shape": {"rect": [5, 25, 15, 35]}}
    found = refused(("cutout", [pit]))
    assert [line.split(":")[0] for line in found] == ['terminal "B1"']
    read(("cutout", [pit | {"copper": "analog", "shape": {"rect": [20, 5, 25, 35]}}]))


# --- bridges ------------------------------------------------------------------------------------------------

CLOSED = [("cutout", [GAP])]
STRIP = {"name": "strip", "copper": "power", "shape": {"slot": [[59, 10], [63, 10]], "width": 2}}


def test_a_bridge_joins_both_sides_of_a_gap():
    assert len(refused(*CLOSED)) == 1
    case = read(*CLOSED, ("bridge", [STRIP]))
    assert case.assumptions == ()
    assert case.board.remaining("power").area == pytest.approx((48 * 60 - 2 * 60 + 2 * 2) * 1e-6)


def test_bridges_end_to_end_join():
    halves = [
        STRIP | {"name": "left", "shape": {"slot": [[59, 10], [61, 10]], "width": 2}},
        STRIP | {"name": "right", "shape": {"slot": [[61, 10], [63, 10]], "width": 2}},
    ]
    read(*CLOSED, ("bridge", halves))
    assert len(refused(*CLOSED, ("bridge", halves[:1]))) == 1


def test_a_terminal_may_sit_on_a_bridge():
    edits = [*CLOSED, ("bridge", [STRIP]), ("terminal.6", disc("N", "power", 61, 10)), ("loop.2", loop("n", "N", "P1"))]
    assert read(*edits).assumptions == ()
    assert 'lies inside cutout "gap"' in refused(*edits[:1], *edits[2:])[0]


def test_a_terminal_half_on_a_bridge_touches_that_half():
    half = {"name": "N", "copper": "power", "shape": {"rect": [60.5, 10.5, 61.5, 11.5]}}
    said = read(*CLOSED, ("bridge", [STRIP]), ("terminal.6", half), ("loop.2", loop("n", "N", "P1"))).assumptions
    assert len(said) == 1
    assert said[0].startswith('Terminal "N" is cut by cutout "gap": the 50 % of its contact')


BAD_BRIDGES = [
    (
        [],
        STRIP | {"shape": {"slot": [[90, 10], [101, 10]], "width": 2}},
        r'^bridge "strip": shape: lies outside the boa',
    ),
    (
        CLOSED,
        STRIP | {"shape": {"rect": [60.5, 10, 61.5, 12]}},
        r'^bridge "strip": touches nothing that is left of the c',
    ),
    (CLOSED, STRIP | {"shape": 3}, r'^bridge "strip": shape is 3; must be a table that draws a shape'),
    (CLOSED, STRIP | {"copper": "pow"}, r'^bridge "strip": copper is "pow"; no copper has that name'),
    (CLOSED, STRIP | {"circles": [[1, 2]]}, r'^bridge "strip": circles is an unknown key'),
]


@pytest.mark.parametrize(("edits", "bridge", "message"), BAD_BRIDGES)
def test_each_mistake_of_a_bridge_is_named_once(edits, bridge, message):
    # The loop over the gap is a mistake of its own where nothing bridges it.
    found = [line for line in refused(*edits, ("bridge", [bridge])) if not line.startswith("loop")]
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]


def test_bridges_that_touch_only_one_another_touch_nothing():
    pair = [
        STRIP | {"name": "one", "shape": {"rect": [60.5, 10, 61, 12]}},
        STRIP | {"name": "two", "shape": {"rect": [61, 10, 61.5, 12]}},
    ]
    found = [line for line in refused(*CLOSED, ("bridge", pair)) if not line.startswith("loop")]
    assert [line.split(":")[0] for line in found] == ['bridge "one"', 'bridge "two"']


def test_a_bridge_on_copper_that_is_there_changes_nothing():
    said = read(("bridge", [STRIP])).assumptions
    assert said == ('Bridge "strip" lies entirely on existing copper and changes nothing.',)
