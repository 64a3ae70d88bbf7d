import re

import pytest
import shapely

from returnflow_geometry.checks.case_checks import check_case
from returnflow_geometry.keys.drawn_shapes import circles
from returnflow_geometry.model.board import (
    Board,
    Case,
    Copper,
    Cutout,
    Layer,
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


def test_thousands_of_antipads_are_no_mistake():
    pitch = 1.4
    holes = {f"h{k}": disc(1 + pitch * (k % 70), 1 + 1.1 * (k // 70), 0.8) for k in range(5000)}
    terminals = {f"T{k}": disc(1 + pitch * (k % 70) + pitch / 2, 1 + 1.1 * (k // 70) + 0.55, 0.3) for k in range(69)}
    loops = [(f"T{k}", f"T{k + 1}") for k in range(60)]
    case = case_of(cutouts=holes, terminals=terminals, loops=loops)
    findings = check_case(case)
    assert findings.mistakes == []
