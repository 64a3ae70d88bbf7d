"""What of a board is connected: cutouts that separate, points that join nothing, hairs of copper."""

import dataclasses
import itertools
import re

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from test_checks import AB, PLANE, TWO, WALL, box, case_of, cut, disc

from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.checks.connection import Connection, LoopEnds
from returnflow_geometry.model.board import (
    Link,
)

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
