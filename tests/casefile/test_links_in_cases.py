import copy
import re
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cases import DELETE, GOOD, attempt, mistakes_of, text_of
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.keys.reading import Book, Spot
from returnflow_geometry.keys.rejection import read_rejection
from returnflow_geometry.model.board import Link


def disc(name, copper, x, y, diameter=0.6):
    return {"name": name, "copper": copper, "at": [x, y], "diameter_mm": diameter}


def loop(name, inject, return_, **more):
    return {"name": name, "role": "cables", "inject": inject, "return": return_, "limit_V": 1.0} | more


def noisy(name, inject, return_, **more):
    return {"name": name, "role": "noisy", "inject": inject, "return": return_} | more


# Two grounds side by side on L2 with a gap of 4 mm, joined by a bond; a solid plane on L4 below both.
BOARD = {
    "format": 1,
    "title": "two grounds (invented)",
    "board": {"outline": {"rect": [0, 0, 100, 60]}, "temperature_C": 25},
    "layer": [
        {"name": "L1", "copper_um": 35, "below_mm": 0.2},
        {"name": "L2", "copper_um": 35, "below_mm": 1.0},
        {"name": "L3", "copper_um": 35, "below_mm": 0.2},
        {"name": "L4", "copper_um": 35},
    ],
    "copper": [
        {"name": "analog", "layer": "L2", "shape": {"rect": [0, 0, 48, 60]}},
        {"name": "power", "layer": "L2", "shape": {"rect": [52, 0, 100, 60]}},
        {"name": "bottom", "layer": "L4", "shape": {"rect": [0, 0, 100, 60]}},
    ],
    "terminal": [
        disc("A1", "analog", 10, 30),
        disc("A2", "analog", 46, 30),
        disc("P1", "power", 90, 30),
        disc("P2", "power", 54, 30),
        disc("B1", "bottom", 10, 30),
        disc("B2", "bottom", 90, 30),
    ],
    "link": [{"name": "bond", "between": ["A2", "P2"], "resistance_ohm": 0.001}],
    "loop": [loop("over the bond", "A1", "P1"), loop("below", "B1", "B2")],
}
GAP = {"name": "gap", "copper": "power", "shape": {"rect": [60, 0, 62, 60]}}


def made(*edits):
    """Board with values put (or keys deleted) at dotted paths; an index past the end appends."""
    case = copy.deepcopy(BOARD)
    for path, value in edits:
        *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
        place = case
        for step in way:
            place = place[step]
        if value is DELETE:
            del place[last]
        elif isinstance(last, int) and last >= len(place):
            place.append(value)
        else:
            place[last] = value
    return case


def read(*edits):
    return parse_case(text_of(made(*edits)))


def refused(*edits):
    return mistakes_of(made(*edits))


def test_links_and_coppers_in_si_units():
    parts = {"name": "stitch", "between": ["A1", "B1"], "resistance_ohm": 5e-4, "inductance_H": 1e-9}
    case = read(("link.1", parts), ("link.2", {"name": "cap", "between": ["P1", "B2"], "capacitance_F": 1e-7}))
    assert case.board.links == (
        Link(name="bond", between=("A2", "P2"), resistance=0.001),
        Link(name="stitch", between=("A1", "B1"), resistance=5e-4, inductance=1e-9),
        Link(name="cap", between=("P1", "B2"), capacitance=1e-7),
    )
    assert [copper.layer for copper in case.board.coppers] == ["L2", "L2", "L4"]
    assert case.assumptions == ('Link "cap": resistance_ohm is not given, taken as 0.',)


def test_a_link_of_zeros_is_a_short_and_assumes_nothing():
    case = read(("link.0", {"name": "short", "between": ["A2", "P2"], "resistance_ohm": 0}))
    assert case.board.links[0] == Link(name="short", between=("A2", "P2"))
    assert case.assumptions == ()


BAD_LINKS = [
    ("between", DELETE, r'^link "bond": between is missing; it is required; name the two terminals it joins'),
    ("between", ["A2"], r'^link "bond": between is \["A2"\], which has 1; must be the names of two terminals; write'),
    ("between", "A2", r'^link "bond": between is "A2"; must be the names of two terminals; write it as \["A", "B"\]$'),
    ("between", ["A2", "A2"], r'between is "A2" twice; a link joins two different terminals'),
    (
        "between",
        ["A2", "P2x"],
        r'between name 2 is "P2x"; no terminal has that name, there are "A1", .*; did you mean "P',
    ),
    ("between", ["A2", 3], r"between name 2 is 3; must be the name of a terminal"),
    ("resistance_ohm", -1, r"resistance_ohm is -1; must be a bare number in ohms, at least 0 and at most 1e\+09; corr"),
    ("resistance_ohm", 2e9, r"resistance_ohm is 2000000000.0; .*at most 1e\+09"),
    ("resistance_ohm", "1 m", r'resistance_ohm is "1 m"; .*in ohms.*without quotation marks or unit'),
    ("resistance_mohm", 1, r"resistance_mohm is an unknown key; wrong unit: this key is resistance_ohm, in ohms"),
    ("inductance_H", 1.1, r"inductance_H is 1.1; must be a bare number in henries, at least 0 and at most 1;"),
    ("inductance_nH", 1, r"wrong unit: this key is inductance_H, in henries"),
    ("capacitance_F", 0, r"capacitance_F is 0; must be a bare number in farads, at least 1e-15 and at most 1;"),
    ("capacitance_F", 100, r"capacitance_F is 100; .* check its unit"),
    ("capacitance_uF", 1, r"wrong unit: this key is capacitance_F, in farads"),
    (
        "resistance_ohm",
        DELETE,
        r'^link "bond": resistance_ohm is missing; a link has at least one of resistance_ohm, i',
    ),
    ("name", DELETE, r"^link number 1: name is missing"),
    ("betwen", 3, r"betwen is an unknown key; the nearest valid key is between"),
]


@pytest.mark.parametrize(("key", "value", "message"), BAD_LINKS)
def test_each_mistake_of_a_link_is_named_once(key, value, message):
    found = refused((f"link.0.{key}", value))
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]


def test_a_terminal_serves_several_links_and_both_ends_may_lie_on_one_copper():
    wire = {"name": "wire", "between": ["A2", "A1"], "resistance_ohm": 0.01, "inductance_H": 2e-8}
    assert len(read(("link.1", wire)).board.links) == 2
    via = {"name": "via", "between": ["A1", "B1"], "resistance_ohm": 5e-4}
    assert read(("link.1", wire), ("link.2", via)).assumptions == ()


# --- what joins the ends of a loop --------------------------------------------------------------------------


def test_ends_that_nothing_joins_name_the_coppers():
    found = refused(("link", []))
    assert len(found) == 1
    assert found[0] == (
        'loop "over the bond": inject "A1" on copper "analog" and return "P1" on copper "power" are not connected; '
        'no [[link]] joins copper "analog" with copper "power", directly or over others; '
        "add a [[link]] between a terminal on each of them, or name two terminals of one copper"
    )


def test_links_join_over_other_coppers():
    vias = [
        {"name": "via 1", "between": ["A1", "B1"], "resistance_ohm": 0},
        {"name": "via 2", "between": ["B2", "P2"], "resistance_ohm": 0},
    ]
    read(("link", vias))
    found = refused(("link", vias[:1]))
    assert len(found) == 1
    assert 'no [[link]] joins copper "analog" with copper "power"' in found[0]


def test_two_sides_of_a_gap_are_joined_by_a_link_over_it_or_over_another_copper():
    edits = [
        ("cutout", [GAP]),
        ("terminal.6", disc("P3", "power", 58, 20)),
        ("terminal.7", disc("P4", "power", 64, 20)),
    ]
    found = refused(*edits)
    assert len(found) == 1
    assert re.search(r'"A1" on copper "analog" .*; cutout "gap" separates them; bridge .* by a \[\[link\]\]$', found[0])
    wire = {"name": "wire", "between": ["P3", "P4"], "resistance_ohm": 0.01}
    read(*edits, ("link.1", wire))
    vias = [
        {"name": "near", "between": ["P3", "B1"], "resistance_ohm": 0},
        {"name": "far", "between": ["P4", "B2"], "resistance_ohm": 0},
    ]
    read(*edits, ("link.1", vias[0]), ("link.2", vias[1]))
    assert len(refused(*edits, ("link.1", vias[0]))) == 1


def test_a_gap_in_a_third_copper_on_the_way_is_named():
    vias = [
        {"name": "via 1", "between": ["A1", "B1"], "resistance_ohm": 0},
        {"name": "via 2", "between": ["B2", "P2"], "resistance_ohm": 0},
    ]
    gap = GAP | {"copper": "bottom", "name": "gap below"}
    found = refused(("link", vias), ("cutout", [gap]), ("loop.1", DELETE))
    assert len(found) == 1
    assert 'cutout "gap below" separates them' in found[0]


def test_of_two_gaps_only_the_one_that_no_link_bridges_is_named():
    gaps = [GAP, GAP | {"name": "second", "shape": {"rect": [80, 0, 82, 60]}}]
    edits = [
        ("cutout", gaps),
        ("terminal.6", disc("P3", "power", 58, 20)),
        ("terminal.7", disc("P4", "power", 64, 20)),
        ("link.1", {"name": "wire", "between": ["P3", "P4"], "resistance_ohm": 0.01}),
    ]
    found = refused(*edits)
    assert len(found) == 1
    assert '; cutout "second" separates them; bridge or shorten that cutout' in found[0]
    # without the wire it takes both
    assert '; the cutouts "gap", "second" together separate them' in refused(*edits[:-1])[0]


CAPACITOR = {"name": "C1", "between": ["A2", "P2"], "resistance_ohm": 0.02, "capacitance_F": 1e-8}
OPEN = r': its ends are joined only through the capacitor of link "C1": it is open at 0 Hz\.$'


def test_cables_and_sensitive_loops_may_be_joined_by_capacitors_only():
    sensitive = {
        "name": "weak",
        "role": "sensitive",
        "inject": "P1",
        "return": "A1",
        "signal_V": 1,
        "tolerates_V": 0.1,
        "band_Hz": [0, 1],
    }
    said = read(("link.0", CAPACITOR), ("loop.2", sensitive)).assumptions
    assert len(said) == 2
    assert re.search(r'^Loop "over the bond"' + OPEN, said[0])
    assert re.search(r'^Loop "weak"' + OPEN, said[1])


AC = [
    {"current_A": 1, "frequency_Hz": 50},
    {"spectrum": [[1e3, 0.1], [2e3, 0.1]]},
    {"trapezoid": {"frequency_Hz": 1e3, "swing_A": 0.2, "rise_s": 1e-6}},
]
WITH_DC = [
    ({"current_A": 1}, "its current has no known frequency above 0 Hz, and its ends are joined only through the cap"),
    ({"current_A": 1, "frequency_Hz": 0}, "its current has no known frequency above 0 Hz"),
    ({"spectrum": [[0, 0.1], [2e3, 0.1]]}, "its spectrum has a line at 0 Hz"),
    (
        {"trapezoid": {"frequency_Hz": 1e3, "swing_A": 0.2, "rise_s": 1e-6, "unipolar": True}},
        "its trapezoid has a mean of 0.1 A",
    ),
]


@pytest.mark.parametrize("current", AC)
def test_an_alternating_current_flows_through_a_capacitor(current):
    said = read(("link.0", CAPACITOR), ("loop.0", noisy("hum", "A1", "P1", **current))).assumptions
    assert re.search(r'^Loop "hum"' + OPEN, said[-1])


@pytest.mark.parametrize(("current", "message"), WITH_DC)
def test_a_steady_current_does_not_flow_through_a_capacitor(current, message):
    found = refused(("link.0", CAPACITOR), ("loop.0", noisy("hum", "A1", "P1", **current)))
    assert len(found) == 1, found
    assert found[0].startswith(f'loop "hum": {message}')
    assert "a capacitor carries no current at 0 Hz; give its current by lines above 0 Hz only, or join" in found[0]
    # beside a conductor it does
    read(
        ("link.0", CAPACITOR),
        ("link.1", CAPACITOR | {"name": "R1", "capacitance_F": 1e-8}),
        ("link.2", {"name": "bond", "between": ["A2", "P2"], "resistance_ohm": 1e6}),
        ("loop.0", noisy("hum", "A1", "P1", **current)),
    )


def test_the_capacitors_on_the_shortest_way_are_named():
    links = [
        {"name": "C1", "between": ["A1", "B1"], "capacitance_F": 1e-8},
        {"name": "C2", "between": ["B2", "P1"], "capacitance_F": 1e-8},
        {"name": "aside", "between": ["B2", "D"], "capacitance_F": 1e-8},
    ]
    dead_end = [
        ("copper.3", {"name": "island", "layer": "L3", "shape": {"rect": [0, 0, 9, 9]}}),
        ("terminal.6", disc("D", "island", 5, 5)),
    ]
    said = read(("link", links), *dead_end).assumptions
    assert any('only through the capacitors of links "C1", "C2": it is open' in line for line in said), said


def test_a_link_at_a_bad_terminal_blames_no_loop():
    found = refused(("terminal.3.at", [50, 30]))
    assert len(found) == 1
    assert found[0].startswith('terminal "P2": at (50, 30) mm lies off the copper "power"')


def test_a_link_on_copper_without_a_loop_is_said_to_be_idle():
    edits = [
        ("copper.3", {"name": "island", "layer": "L3", "shape": {"rect": [0, 0, 9, 9]}}),
        ("terminal.6", disc("D", "island", 5, 5)),
        ("terminal.7", disc("E", "island", 7, 7)),
        ("link.1", {"name": "wire", "between": ["D", "E"], "resistance_ohm": 1}),
    ]
    assert read(*edits).assumptions == ('Link "wire" joins copper that no loop reaches, and carries no net current.',)


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


# --- routes among several coppers ---------------------------------------------------------------------------


def routed(layer, path, width=0.5):
    return ("loop.0.route", {"layer": layer, "path": path, "width_mm": width})


def test_heights_over_both_coppers_of_a_loop():
    said = read(routed("L1", [[90, 30], [10, 30]])).assumptions
    assert len(said) == 1
    assert said[0] == (
        'Loop "over the bond": its outgoing conductor runs 0.2 mm over the copper "analog" and 0.2 mm over the copper '
        '"power" (between facing surfaces).'
    )
    via = ("link.1", {"name": "via", "between": ["B2", "P1"], "resistance_ohm": 0})
    mixed = ("loop.0", loop("mixed", "A1", "B2", route={"layer": "L3", "path": [[90, 30], [10, 30]]}))
    said = read(via, mixed, ("loop.1", DELETE)).assumptions
    assert '1 mm under the copper "analog" and 0.2 mm over the copper "bottom" (between' in said[1]


def test_a_route_on_other_copper_of_its_layer_is_a_short():
    pour = ("copper.3", {"name": "pour", "layer": "L1", "shape": {"rect": [40, 0, 60, 60]}})
    found = refused(pour, routed("L1", [[90, 30], [10, 30]]))
    assert len(found) == 1, found
    assert re.search(
        r'^loop "over the bond": route.path: lies on the copper "pour" of its own layer "L1"; over 10 mm², such as at '
        r"\(.*, .*\) mm, they would be shorted; route it beside",
        found[0],
    )
    # beside it, or in a slot of it that is wide enough, it is not
    read(("copper.3", pour[1] | {"shape": {"rect": [40, 0, 60, 29]}}), routed("L1", [[90, 30], [10, 30]]))
    slot = {"name": "slot", "copper": "pour", "shape": {"slot": [[39, 30], [61, 30]], "width": 0.6}}
    read(pour, ("cutout", [slot]), routed("L1", [[90, 30], [10, 30]]))
    assert len(refused(pour, ("cutout", [slot]), routed("L1", [[90, 30], [10, 30]], width=0.8))) == 1


def test_a_route_beside_its_own_copper_on_its_layer():
    # The guard strip's pads reach out of it to the trace, which runs beside it.
    guard = {"name": "guard", "layer": "L1", "shape": {"rect": [10, 10, 90, 12]}}
    pads = [
        {"name": "G1", "copper": "guard", "shape": {"rect": [10, 11, 11, 12]}},
        {"name": "G2", "copper": "guard", "shape": {"rect": [89, 11, 90, 12]}},
    ]

    def beside(path):
        trace = {"layer": "L1", "path": path, "width_mm": 0.4}
        return (
            ("copper.3", guard),
            ("terminal", [*BOARD["terminal"], *pads]),
            ("loop.2", loop("guarded", "G1", "G2", route=trace)),
        )

    said = read(*beside([[89.5, 11.5], [89.5, 14], [10.5, 14], [10.5, 11.5]])).assumptions
    assert said == ('Loop "guarded": its outgoing conductor runs beside the copper "guard", on its layer.',)
    found = refused(*beside([[89.5, 11.5], [10.5, 11.5]]))
    assert len(found) == 1
    assert re.search(
        r'route.layer: is "L1", the layer of the copper "guard"; over 30.9 mm², such as at .* would lie in the plane',
        found[0],
    )


# --- rejection ----------------------------------------------------------------------------------------------

GOOD_REJECTIONS = [
    (80, ((1.0, 80.0),)),
    (0.5, ((1.0, 0.5),)),
    ([[50, 90]], ((50.0, 90.0),)),
    ([[50, 90], [1e3, 80], [1e6, 0]], ((50.0, 90.0), (1e3, 80.0), (1e6, 0.0))),
]
BAD_REJECTIONS = [
    (0, r"^x is 0; must be a bare number in decibels, greater than 0 and at most 200"),
    (201, r"at most 200"),
    ("80 dB", r'^x is "80 dB"; .*without quotation marks or unit: 80$'),
    (True, r"^x is true; must be a bare number"),
    (
        [],
        r"^x is \[\]; must be a number of decibels or a list of points \[frequency in hertz, decibels\]; write it",
    ),
    ([50, 80], r"^x is \[50, 80\]; .*; put each point in brackets of its own"),
    ([[0, 80]], r"^x point 1 is \[0, 80\]; must be \[f, dB\], .*greater than 0, and"),
    ([[50, -1]], r"^x point 1 is \[50, -1\]; must be"),
    (
        [[50, 80], [50, 70]],
        r"^x has point 1 at 50 Hz and point 2 at 50 Hz; the frequencies must rise from point to poi",
    ),
    ([[50, 80], [5, 70]], r"must rise"),
    ([[k + 1, 80] for k in range(1001)], r"^x has 1001 points; at most 1000 are read"),
]


@pytest.mark.parametrize(("value", "points"), GOOD_REJECTIONS)
def test_rejections(value, points):
    case = copy.deepcopy(GOOD)
    case["loop"][1]["rejection_dB"] = value
    assert parse_case(text_of(case)).loops[1].rejection == points


@pytest.mark.parametrize(("value", "message"), BAD_REJECTIONS)
def test_bad_rejections(value, message):
    book = Book()
    assert read_rejection(Spot(book, "x", "decibels"), value) is None
    assert len(book.mistakes) == 1
    assert re.search(message, book.mistakes[0]), book.mistakes


def test_a_rejection_belongs_to_a_sensitive_loop():
    case = copy.deepcopy(GOOD)
    case["loop"][0]["rejection_dB"] = 60
    found = mistakes_of(case)
    assert len(found) == 1
    assert 'rejection_dB is given; this key belongs to a loop of role "sensitive"' in found[0]


# --- everything together ------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(st.data())
def test_connected_as_a_search_on_the_graph_says(data):
    """Islands on one layer, links at random: the check agrees with a search on the graph of islands."""
    count = data.draw(st.integers(2, 6))
    pairs = st.tuples(st.integers(0, count - 1), st.integers(0, count - 1), st.booleans())
    drawn = data.draw(st.lists(pairs, max_size=8))
    links = [
        {"name": f"k{n}", "between": [f"T{a}.{n % 3}", f"T{b}.{(n + 1) % 3}"]}
        | ({"capacitance_F": 1e-9} if open_ else {"resistance_ohm": 1})
        for n, (a, b, open_) in enumerate(drawn)
    ]
    case = BOARD | {
        "copper": [
            {"name": f"c{k}", "layer": "L2", "shape": {"rect": [k * 10, 0, k * 10 + 9, 9]}} for k in range(count)
        ],
        "terminal": [disc(f"T{k}.{n}", f"c{k}", k * 10 + 2 * n + 2, 5) for k in range(count) for n in range(3)],
        "link": links,
        "loop": [loop("l", "T0.0", f"T{count - 1}.1"), noisy("n", "T0.0", f"T{count - 1}.1", current_A=1)],
    }

    def reached(edges):
        found = {0}
        for _ in range(count):
            for a, b in edges:
                if a in found or b in found:
                    found |= {a, b}
        return count - 1 in found

    result, mistakes = attempt(text_of(case))
    about = [line.split(":")[0] for line in mistakes or ()]
    if reached([(a, b) for a, b, open_ in drawn if not open_]):
        assert result
        assert not any("open at 0 Hz" in line for line in result.assumptions)
    elif reached([(a, b) for a, b, _ in drawn]):
        assert about == ['loop "n"']
    else:
        assert about == ['loop "l"', 'loop "n"']


def test_many_coppers_links_and_terminals_are_quick():
    rows = range(20)
    coppers = [
        {"name": f"c{i}.{j}", "layer": "L2", "shape": {"rect": [4 * i, 2.5 * j, 4 * i + 3, 2.5 * j + 2]}}
        for i in rows
        for j in rows
    ]
    terminals = [
        disc(f"T{i}.{j}.{k}", f"c{i}.{j}", 4 * i + 1 + k, 2.5 * j + 1) for i in rows for j in rows for k in (0, 1)
    ]
    links = [
        {"name": f"k{i}.{j}", "between": [f"T{i}.{j}.1", f"T{i}.{j + 1}.0"], "resistance_ohm": 1}
        for i in rows
        for j in rows[:-1]
    ]
    case = BOARD | {"copper": coppers, "terminal": terminals, "link": links}
    case["loop"] = [loop(f"l{i}", f"T{i}.0.0", f"T{i}.19.1") for i in rows]
    text = text_of(case)
    start = time.perf_counter()
    parse_case(text)
    assert time.perf_counter() - start < 10  # about 1 s; the bound only catches a quadratic check
