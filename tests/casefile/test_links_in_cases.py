import copy
import re
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cases import DELETE, attempt, mistakes_of, text_of
from returnflow_geometry.casefile.read import parse_case
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
