import dataclasses
import itertools
import re

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.checks.connection import Connection, LoopEnds
from returnflow_geometry.keys.drawn_shapes import circles
from returnflow_geometry.model.board import (
    Board,
    Case,
    Copper,
    Cutout,
    Layer,
    Link,
    Loop,
    Outgoing,
    Region,
    Section,
    Terminal,
)
from returnflow_geometry.model.shapes import circle, rectangle, slot

MM = 1e-3


def box(x0, y0, x1, y1):
    return rectangle(x0 * MM, y0 * MM, x1 * MM, y1 * MM)


def disc(x, y, diameter=1.0):
    return circle(x * MM, y * MM, diameter * MM, corners=24)


def cut(path, width=1.0):
    return slot([(x * MM, y * MM) for x, y in path], width * MM)


PLANE = box(0, 0, 100, 80)


def case_of(*, copper=PLANE, outline=PLANE, cutouts=(), terminals=(), loops=(), routes=(), regions=(), sections=()):
    """Case on one copper "gnd"; cutouts and so on as mappings or pairs of name and geometry in metres, routes in mm."""
    routed = {
        ends: Outgoing(layer=layer, path=tuple((x * MM, y * MM) for x, y in path), width=2e-4)
        for ends, layer, path in routes
    }
    board = Board(
        outline=outline,
        temperature=25.0,
        layers=(
            Layer(name="L0", thickness=35e-6, below=2e-4),
            Layer(name="L1", thickness=35e-6, below=1e-3),
            Layer(name="L2", thickness=35e-6),
        ),
        coppers=(Copper(name="gnd", layer="L1", shape=copper),),
        cutouts=tuple(Cutout(name=name, copper="gnd", shape=shape) for name, shape in dict(cutouts).items()),
        terminals=tuple(Terminal(name=name, copper="gnd", shape=shape) for name, shape in dict(terminals).items()),
    )
    return Case(
        title="demo",
        board=board,
        loops=tuple(
            Loop(name=f"{a} to {b}", role="cables", inject=a, return_=b, limit=1.0, route=routed.get((a, b)))
            for a, b in loops
        ),
        regions=tuple(Region(name=name, copper="gnd", shape=shape) for name, shape in dict(regions).items()),
        sections=tuple(
            Section(name=name, copper="gnd", path=tuple((x * MM, y * MM) for x, y in path))
            for name, path in dict(sections).items()
        ),
    )


TWO = {"A": disc(20, 40), "B": disc(80, 40)}
AB = [("A", "B")]


def trace(*path, layer="L0"):
    return [(("A", "B"), layer, path)]


WALL = cut([(50, 0), (50, 80)])

GOOD = {
    "plain plane": {"terminals": TWO, "loops": AB},
    "bridge of 0.1 mm": {"terminals": TWO, "loops": AB, "cutouts": {"gap": cut([(50, 0), (50, 79.9)])}},
    "terminal bridges the wall": {
        "terminals": TWO | {"strap": box(45, 60, 55, 62)},
        "loops": AB,
        "cutouts": {"gap": WALL},
    },
    "terminal on the edge": {"terminals": {"A": disc(0, 40), "B": disc(80, 40)}, "loops": AB},
    "terminals 2 um apart": {"terminals": TWO | {"C": disc(21.002, 40), "D": disc(20, 60)}, "loops": AB},
    "section from edge to edge": {"terminals": TWO, "loops": AB, "sections": {"s": [(50, 0), (50, 80)]}},
    "section beyond the edges": {"terminals": TWO, "loops": AB, "sections": {"s": [(50, -5), (50, 85)]}},
    "closed section": {
        "terminals": TWO,
        "loops": AB,
        "sections": {"s": [(10, 30), (30, 30), (30, 50), (10, 50), (10, 30)]},
    },
    "cutout over the edge": {"terminals": TWO, "loops": AB, "cutouts": {"notch": box(90, 70, 120, 100)}},
    "route that crosses itself": {
        "terminals": TWO,
        "loops": AB,
        "routes": trace((80, 40), (20, 60), (50, 60), (20, 40)),
    },
    "route under the copper": {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (20, 40), layer="L2")},
    "route across a gap": {
        "terminals": TWO,
        "loops": AB,
        "routes": trace((80, 40), (20, 40)),
        "cutouts": {"gap": cut([(50, 0), (50, 79)])},
    },
    "route along the board's edge": {
        "terminals": TWO,
        "loops": AB,
        "routes": trace((80, 40), (80, 0), (20, 0), (20, 40)),
    },
    "route whose ends lie beside the contacts": {
        "terminals": TWO,
        "loops": AB,
        "routes": trace((82.4, 40), (19, 41.5)),
    },
    "route between near contacts": {
        "terminals": {"A": disc(20, 40), "B": disc(21.5, 40)},
        "loops": AB,
        "routes": trace((21.5, 40), (20, 40)),
    },
    "region over the edge": {"terminals": TWO, "loops": AB, "regions": {"r": box(90, 70, 120, 100)}},
}


@pytest.mark.parametrize("name", GOOD)
def test_table_of_good_cases(name):
    assert check_case(case_of(**GOOD[name])).mistakes == []


BAD = {
    "off the copper": (
        {"terminals": {"A": disc(120, 40)}},
        r'^terminal "A": at \(120, 40\) mm lies off the copper "gnd", the nearest copper is 19.5 mm away at \(100, ',
    ),
    "in a cutout": (
        {"terminals": {"A": disc(50, 40, 0.5)}, "cutouts": {"gap": WALL, "far": box(1, 1, 2, 2)}},
        r'^terminal "A": at \(50, 40\) mm lies inside cutout "gap", the nearest copper is 0.25\d* mm away',
    ),
    "in two cutouts": (
        {"terminals": {"A": disc(50, 40)}, "cutouts": {"p": box(40, 30, 50, 50), "q": box(50, 30, 60, 50)}},
        r'lies inside cutouts "p", "q", the nearest copper is 9\.\d+ mm',
    ),
    "a sliver of contact": (
        {"terminals": {"A": disc(100.49, 40)}},
        r'^terminal "A": at .* touches the copper with 0\.\d+ % of its contact only; at least 5 %',
    ),
    "overlapping": (
        {"terminals": {"A": box(10, 10, 12, 12), "B": box(11, 10, 13, 12)}},
        r'^terminals "A", "B": overlap by 2 mm², with centres at \(11, 11\) mm and \(12, 11\) mm; .* join them',
    ),
    "touching": ({"terminals": {"A": box(10, 10, 12, 12), "B": box(12, 10, 13, 12)}}, r'"A", "B": touch, with'),
    "nearly touching": (
        {"terminals": {"A": box(10, 10, 12, 12), "B": box(12.0005, 10, 13, 12)}},
        r'"A", "B": are only 0.0005 mm apart, .* at least 0.001 mm apart',
    ),
    "one inside the other": (
        {"terminals": {"A": box(10, 10, 20, 20), "B": disc(15, 15)}},
        r'"A", "B": overlap by 0.785 mm²',
    ),
    "copper off the outline": (
        {"copper": box(0, 0, 103, 80)},
        r'^copper "gnd": shape: lies outside the board\'s outline, by up to 3 mm at \(103, (0|80)\) mm',
    ),
    "cutout off the copper": (
        {"cutouts": {"gap": box(110, 0, 120, 10)}},
        r'^cutout "gap": lies entirely off the copper "gnd", the nearest copper is 10 mm away at \(100, ',
    ),
    "cutout beside the copper": ({"cutouts": {"gap": box(100, 0, 120, 10)}}, r"lies entirely off the copper"),
    "nothing left": (
        {"cutouts": {"gap": box(-1, -1, 101, 50), "pit": box(-1, 50, 101, 90)}, "terminals": TWO},
        r'^copper "gnd": is removed entirely by cutouts "gap", "pit"; copper must be left',
    ),
    "region off the copper": ({"regions": {"r": box(110, 0, 120, 10)}}, r'^region "r": lies off the copper "gnd"'),
    "region in a cutout": (
        {"regions": {"r": box(20, 20, 30, 30)}, "cutouts": {"pit": box(10, 10, 40, 40)}},
        r'^region "r": lies off the copper "gnd", the nearest copper is 10 mm away',
    ),
    "route in the copper's own layer": (
        {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (20, 40), layer="L1")},
        r'^loop "A to B": route.layer: is "L1", the layer of the copper "gnd"; .*in the plane it returns in; name ano',
    ),
    "route the wrong way round": (
        {"terminals": TWO, "loops": AB, "routes": trace((20, 40), (80, 40))},
        r'^loop "A to B": route.path: runs the wrong way round, .*"B" at \(80, 40\) mm, .*"A" at \(20, 40\) mm; reve',
    ),
    "route the wrong way round between near contacts": (
        {"terminals": {"A": disc(20, 40), "B": disc(21.5, 40)}, "loops": AB, "routes": trace((20, 40), (21.5, 40))},
        r"runs the wrong way round",
    ),
    "route that starts elsewhere": (
        {"terminals": TWO, "loops": AB, "routes": trace((77.4, 40), (20, 40))},
        r'path: starts at \(77.4, 40\) mm, 2.1\d* mm from the contact of terminal "B" at .*; it starts at the r',
    ),
    "route that ends elsewhere": (
        {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (20, 44))},
        r'path: ends at \(20, 44\) mm, 3.\d* mm from the contact of terminal "A" .*; it ends at the inject end, in the',
    ),
    "route off the board": (
        {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (80, -3), (20, -2), (20, 40))},
        r"route.path: leaves the board's outline, by up to 3 mm at \(80, -3\) mm; an outgoing conductor must lie on",
    ),
    "route that folds back": (
        {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (85, 40), (20, 40))},
        r"route.path: folds back on itself at \(85, 40\) mm",
    ),
    "section off the copper": (
        {"sections": {"s": [(110, 0), (110, 80)]}},
        r'^section "s": path: does not cross the copper "gnd", the nearest copper is 10 mm',
    ),
    "section in a cutout": ({"sections": {"s": [(50, 0), (50, 80)]}, "cutouts": {"gap": WALL}}, r"does not cross"),
    "section along an edge": ({"sections": {"s": [(10, 80), (50, 80)]}}, r"does not cross the copper"),
    "section through a terminal": (
        {"terminals": TWO, "sections": {"s": [(20.4, 0), (20.4, 80)]}},
        r'^section "s": path: passes through the contact of terminal "A"; a section must pass beside it',
    ),
    "section through two terminals": (
        {"terminals": TWO, "sections": {"s": [(0, 40), (100, 40)]}},
        r'contact of terminals "A", "B"; ',
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_each_mistake_is_named_once(name):
    things, message = BAD[name]
    found = check_case(case_of(**things)).mistakes
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]
    assert found[0].count("; ") == 2
    assert found[0].isprintable()


MOAT = shapely.difference(box(10, 30, 30, 50), box(11, 31, 29, 49))
# What keeps A from B, and what the message must say about it; "far" never matters.
SEPARATED = {
    "one wall": ({"gap": WALL}, r'; cutout "gap" separates them; bridge or shorten that cutout'),
    "one moat": ({"moat": MOAT}, r'; cutout "moat" separates them'),
    "two walls end to end": (
        {"low": cut([(50, 0), (50, 41)]), "high": cut([(50, 41), (50, 80)])},
        r'; each of the cutouts "low", "high" separates them; bridge or shorten any one of them',
    ),
    "two parallel walls": (
        {"left": cut([(40, 0), (40, 80)]), "right": cut([(60, 0), (60, 80)])},
        r'; the cutouts "left", "right" together separate them; bridge or shorten all of them',
    ),
    "two overlapping walls": (
        {"left": box(40, -1, 51, 81), "right": box(49, -1, 60, 81)},
        r'; the cutouts "left", "right" together separate them',
    ),
    "two moats, one in the other": (
        {"moat": MOAT, "outer": shapely.difference(box(5, 25, 35, 55), box(6, 26, 34, 54))},
        r'; the cutouts "moat", "outer" together separate them',
    ),
    "a row of antipads": (
        {f"pad {k}": disc(50, 1.5 * k, 2.0) for k in range(54)},
        r'; each of the cutouts "pad 0", "pad 1", .* and 46 more separates them',
    ),
    "a wall drawn twice": (
        {"gap": WALL, "again": WALL},
        r'; the cutouts "gap", "again" together separate them; bridge or shorten all of them',
    ),
    "a wall drawn twice with a hole on it": (
        {"hole": disc(50, 40, 3), "gap": WALL, "again": WALL},
        r'; the cutouts "gap", "again" together separate them',
    ),
    "two ways, of two and of three cutouts": (
        {
            "low left": box(30, -1, 31, 40.5),
            "low middle": box(50, -1, 51, 40.5),
            "low right": box(70, -1, 71, 40.5),
            "between the ways": box(31, 40, 70, 41),
            "left": box(30, 40, 31, 81),
            "right": box(70, 40, 71, 81),
        },
        r'; the cutouts "left", "right" together separate them',
    ),
    "a cutout that would open a point only": (
        {"corner": box(-1, 40, 50, 60), "rest": shapely.union(box(-1, 60, 50, 81), box(50, -1, 101, 60))},
        r'; cutout "rest" separates them',
    ),
    "a wall in three parts, two of them drawn twice": (
        {
            "low": cut([(50, 0), (50, 30)]),
            "low again": cut([(50, 0), (50, 31)]),
            "middle": box(49.5, 29, 50.5, 61),
            "middle again": box(49.5, 30, 50.5, 60),
            "high": cut([(50, 60), (50, 80)]),
        },
        r'; cutout "high" separates them',
    ),
}


@pytest.mark.parametrize("name", SEPARATED)
@pytest.mark.parametrize("swap", [False, True])
def test_separating_cutouts_are_named(name, swap):
    cutouts, message = SEPARATED[name]
    cutouts = {"far": box(90, 70, 92, 72), "farther": cut([(75, 65), (90, 65)])} | cutouts
    terminals = TWO if name != "a cutout that would open a point only" else {"A": disc(20, 20), "B": disc(80, 75)}
    found = check_case(
        case_of(terminals=terminals, loops=[("B", "A") if swap else ("A", "B")], cutouts=cutouts)
    ).mistakes
    assert len(found) == 1, found
    assert "that are not connected" in found[0]
    assert re.search(message, found[0]), found[0]
    assert "far" not in found[0]


def test_a_common_point_joins_nothing():
    # Two quarters of the plane that meet in its centre only; either missing quarter would join them.
    cutouts = {"low": box(50, -1, 101, 40), "high": box(-1, 40, 50, 81)}
    terminals = {"A": disc(20, 20), "B": disc(80, 60)}
    found = check_case(case_of(cutouts=cutouts, terminals=terminals, loops=AB)).mistakes
    assert len(found) == 1
    assert 'each of the cutouts "low", "high" separates them' in found[0]
    # A pad that meets the other quarter in that point only does not join them, nor does it join pieces.
    terminals["pad"] = box(48, 38, 50, 40)
    findings = check_case(case_of(cutouts=cutouts, terminals=terminals, loops=AB))
    assert len(findings.mistakes) == 1
    assert not any("joins them" in sentence for sentence in findings.assumptions)
    # A pad over that point joins them.
    terminals["pad"] = disc(50, 40)
    findings = check_case(case_of(cutouts=cutouts, terminals=terminals, loops=AB))
    assert findings.mistakes == []
    assert any(
        sentence == 'Terminal "pad" touches 2 separate pieces of copper and joins them.'
        for sentence in findings.assumptions
    )


def test_copper_drawn_in_parts_is_said_so():
    copper = shapely.union_all([box(0, 0, 40, 80), box(60, 0, 100, 80)])
    found = check_case(case_of(copper=copper, terminals=TWO, loops=AB, cutouts={"c": box(10, 10, 12, 12)}))
    assert len(found.mistakes) == 1
    assert "; the copper itself is drawn in several parts; draw copper between" in found.mistakes[0]


def test_a_cutout_is_named_where_links_join_the_parts_of_a_copper():
    copper = shapely.union_all([box(0, 0, 40, 80), box(60, 0, 100, 80)])
    terminals = TWO | {"L": disc(38, 40), "R": disc(62, 40)}
    case = case_of(copper=copper, terminals=terminals, loops=AB, cutouts={"wall": cut([(70, 0), (70, 80)])})
    wire = Link(name="wire", between=("L", "R"), resistance=0.01)
    found = check_case(dataclasses.replace(case, board=dataclasses.replace(case.board, links=(wire,)))).mistakes
    assert len(found) == 1
    assert '; cutout "wall" separates them' in found[0]
    assert "; the copper itself is drawn in several parts" in check_case(case).mistakes[0]


def test_contacts_joined_elsewhere_are_joined_and_what_they_touch_stays_so():
    pieces = [box(0, 0, 10, 10), box(20, 0, 30, 10), box(40, 0, 50, 10)]
    contacts = [disc(5, 5), disc(25, 5), disc(45, 5), box(8, 2, 22, 4)]  # the last touches two pieces
    alone = Connection(pieces, contacts)
    joined = alone.joined_outside([[1, 2]])
    assert [[one.joins(LoopEnds(0, k)) for k in (1, 2)] for one in (alone, joined)] == [[True, False], [True, True]]


def test_a_contact_smaller_than_what_counts_as_touching_touches_both_sides():
    # A square of a micrometre over a gap of 0.3.
    pieces = [box(0, 0, 10, 10), box(10.0003, 0, 20, 10)]
    assert Connection(pieces, [box(9.99965, 5, 10.00065, 5.001)]).pieces_at(0) == [0, 1]


def test_the_smallest_terminal_at_an_edge_is_connected_or_not_like_any_other():
    terminals = {"A": disc(0, 40, 1e-3), "B": disc(80, 40), "C": disc(20, 20)}
    loops = [("A", "B"), ("A", "C")]
    assert check_case(case_of(terminals=terminals, loops=loops)).mistakes == []
    found = check_case(case_of(terminals=terminals, loops=loops, cutouts={"gap": WALL})).mistakes
    assert len(found) == 1
    assert found[0].startswith('loop "A to B"')


@pytest.mark.parametrize("x", [7, 11, 40, 66])
def test_rounding_leaves_no_hair_of_copper(x):
    # A wall that ends on a slanted edge: at these places its corners round to just inside the copper.
    corners = [(0, 0), (100, 0), (100, 80), (0, 50)]
    wall = [(x, 0), (x + 1, 0), (x + 1, 50 + 0.3 * (x + 1)), (x, 50 + 0.3 * x)]
    copper, gap = (shapely.Polygon([(i / 1000, j / 1000) for i, j in points]) for points in (corners, wall))
    terminals = {"A": disc(2, 20), "B": disc(90, 20)}
    found = check_case(case_of(copper=copper, cutouts={"gap": gap}, terminals=terminals, loops=AB)).mistakes
    assert len(found) == 1
    assert 'cutout "gap" separates them' in found[0]


def test_connections_can_be_left_out():
    case = case_of(terminals=TWO, loops=AB, cutouts={"gap": WALL})
    assert len(check_case(case).mistakes) == 1
    assert check_case(case, connections=False).mistakes == []


def test_mistakes_of_a_route_that_are_not_due_to_a_bad_terminal():
    terminals = TWO | {"B": disc(130, 40)}
    for path, layer, expected in (
        ([(50, 40), (20, 40)], "L0", []),
        ([(50, 40), (20, 40)], "L1", ["route.layer"]),
        ([(50, 40), (50, 90), (20, 40)], "L0", ["leaves the board"]),
        ([(50, 90), (50, 40), (50, 60)], "L1", ["route.layer", "folds back", "leaves the board"]),
    ):
        case = case_of(terminals=terminals, loops=AB, routes=trace(*path, layer=layer))
        found = [line for line in check_case(case).mistakes if "route" in line]
        assert len(found) == len(expected), found
        assert all(words in line for words, line in zip(expected, found, strict=True))


def test_a_bad_terminal_does_not_blame_its_loop():
    case = case_of(terminals=TWO | {"B": disc(130, 40)}, loops=AB, cutouts={"gap": WALL})
    assert len(check_case(case).mistakes) == 1


ASSUMED = {
    "idle terminal": (
        {"terminals": TWO | {"C": disc(50, 40)}, "loops": AB},
        r'^Terminal "C" is used by no loop: treated as one equipotential contact without net current\.$',
    ),
    "cut by the edge": (
        {"terminals": TWO | {"A": box(-1, 30, 3, 40)}, "loops": AB},
        (
            r'^Terminal "A" is cut by the copper\'s edge: the 75 % of its contact that touches copper is taken '
            r"as the terminal\.$"
        ),
    ),
    "cut by a cutout": (
        {"terminals": TWO | {"A": box(10, 30, 20, 40)}, "loops": AB, "cutouts": {"pit": box(15, 20, 16, 50)}},
        (
            r'^Terminal "A" is cut by cutout "pit": the 90 % of its contact that touches copper is taken as the '
            r"terminal, and its 2 pieces as one conductor: it bridges what parts them\.$"
        ),
    ),
    "floating piece": (
        {
            "terminals": TWO,
            "loops": AB,
            "cutouts": {"moat": shapely.difference(box(40, 60, 60, 75), box(41, 61, 59, 74))},
        },
        r'^Copper "gnd": a piece of 234 mm² at \(50, 67.5\) mm has no terminal and carries no net current\.$',
    ),
    "section with loose ends": (
        {"terminals": TWO, "loops": AB, "sections": {"s": [(50, 20), (50, 60)]}},
        r'^Section "s" ends inside the copper at \(50, 20\) mm and at \(50, 60\) mm: it counts only the current',
    ),
    "section with one loose end": (
        {"terminals": TWO, "loops": AB, "sections": {"s": [(50, 0), (50, 60)]}},
        r'^Section "s" ends inside the copper at \(50, 60\) mm: it counts',
    ),
    "height over the copper": (
        {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (20, 40))},
        r'^Loop "A to B": its outgoing conductor runs 0.2 mm over the copper "gnd" \(between facing surfaces\)\.$',
    ),
    "height under the copper": (
        {"terminals": TWO, "loops": AB, "routes": trace((80, 40), (20, 40), layer="L2")},
        r"runs 1 mm under the copper",
    ),
    "some circles off": (
        {
            "terminals": TWO,
            "loops": AB,
            "cutouts": {"antipads": circles(((0.05, 0.01), (0.2, 0.01), (0.06, 0.01)), 1e-3)},
        },
        r'^Cutout "antipads": 1 of its 3 parts lie off the copper, one near \(200, 10\.?\d*\) mm',
    ),
}


@pytest.mark.parametrize("name", ASSUMED)
def test_each_assumption_is_said_once(name):
    things, sentence = ASSUMED[name]
    findings = check_case(case_of(**things))
    assert findings.mistakes == []
    assert len(findings.assumptions) == 1, findings.assumptions
    assert re.search(sentence, findings.assumptions[0]), findings.assumptions[0]


def test_no_assumption_without_a_reason():
    for name in ("plain plane", "section from edge to edge", "section beyond the edges", "closed section"):
        assert check_case(case_of(**GOOD[name])).assumptions == []


def test_many_floating_pieces_are_capped():
    rings = {f"ring {k}": shapely.difference(disc(5 + 8 * k, 10, 6), disc(5 + 8 * k, 10, 4)) for k in range(11)}
    assumptions = check_case(case_of(terminals=TWO, loops=AB, cutouts=rings)).assumptions
    assert len(assumptions) == 6
    assert "6 more and smaller pieces" in assumptions[-1]


def test_many_overlaps_are_capped():
    terminals = {f"T{k}": disc(10 + 0.9 * k, 10) for k in range(40)}
    found = check_case(case_of(terminals=terminals)).mistakes
    assert len(found) == 21
    assert "overlap or touch in 19 more places" in found[-1]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10), st.integers(0, 8), st.booleans()), max_size=10), st.integers(0, 3))
def test_connected_as_a_walk_on_the_grid_says(bars, seed):
    """Straight cutouts on a coarse grid of cells: the check agrees with a flood fill, cell by cell."""
    columns, rows = 20, 16  # cells of 5 mm
    walls = {}
    blocked = set()
    for k, (i, j, upright) in enumerate(bars):
        width, height = (1, 6) if upright else (6, 1)
        x, y = 2 * i, 2 * j
        walls[f"w{k}"] = box(5 * x, 5 * y, 5 * (x + width), 5 * (y + height))
        blocked |= set(itertools.product(range(x, x + width), range(y, y + height)))
    walls = {name: shape for name, shape in walls.items() if shape.intersection(PLANE).area > 0}
    free = [cell for cell in itertools.product(range(columns), range(rows)) if cell not in blocked]
    if len(free) < 2:
        return
    start, goal = free[seed % len(free)], free[-1 - seed]
    if start == goal:
        return
    reached, todo = {start}, [start]
    while todo:
        x, y = todo.pop()
        for cell in ((x + 1, y), (x - 1, y), (x, y + 1), (x, y - 1)):
            if cell in free and cell not in reached:
                reached.add(cell)
                todo.append(cell)
    terminals = {"A": disc(5 * start[0] + 2.5, 5 * start[1] + 2.5), "B": disc(5 * goal[0] + 2.5, 5 * goal[1] + 2.5)}
    found = check_case(case_of(terminals=terminals, loops=AB, cutouts=walls)).mistakes
    assert bool(found) == (goal not in reached), (found, start, goal, bars)


def test_thousands_of_antipads_are_no_mistake():
    pitch = 1.4
    holes = {f"h{k}": disc(1 + pitch * (k % 70), 1 + 1.1 * (k // 70), 0.8) for k in range(5000)}
    terminals = {f"T{k}": disc(1 + pitch * (k % 70) + pitch / 2, 1 + 1.1 * (k // 70) + 0.55, 0.3) for k in range(69)}
    loops = [(f"T{k}", f"T{k + 1}") for k in range(60)]
    case = case_of(cutouts=holes, terminals=terminals, loops=loops)
    findings = check_case(case)
    assert findings.mistakes == []
