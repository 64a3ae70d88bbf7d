import copy
import dataclasses
import re

import pytest
import shapely
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from cases import GOOD, attempt, mistakes_of, text_of
from returnflow_geometry.casefile.addresses import Draft, Target, find_key
from returnflow_geometry.casefile.builder import read_tables
from returnflow_geometry.casefile.motion import moved
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.casefile.variants import new_mistakes
from returnflow_geometry.keys.reading import Book, Spot


def base_case():
    case = copy.deepcopy(GOOD)
    case["link"] = [{"name": "wire", "between": ["U1.AGND", "J2.SHELL"], "resistance_ohm": 1}]
    case["bridge"] = [{"name": "strap", "copper": "ground", "shape": {"slot": [[48, 30], [52, 30]], "width": 2}}]
    case["loop"][1]["route"] = {"layer": "L1", "path": [[4, 60], [4, 70], [20, 70], [20, 60]]}
    return case


def with_variants(*variants):
    return base_case() | {"variant": [{"name": f"v{k}"} | variant for k, variant in enumerate(variants)]}


def varied(**changes):
    """The one variant of the good case."""
    return parse_case(text_of(with_variants(changes))).variants[0]


def refused(**changes):
    found = mistakes_of(with_variants(changes))
    assert all(line.startswith('variant "v0"') for line in found), found
    return [line.removeprefix('variant "v0"').removeprefix(": ") for line in found]


def same(variant, by_hand):
    """The variant is what the same reader makes of the case that is changed by hand."""
    case = parse_case(text_of(by_hand))
    assert variant.case == case
    return True


def test_what_a_variant_does_not_name_is_inherited():
    by_hand = base_case()
    by_hand["loop"][0]["current_A"] = 0.6
    variant = varied(set={"stepper phase.current_A": 0.6})
    assert same(variant, by_hand)
    assert variant.name == "v0"
    assert variant.changes == ('"stepper phase" current_A is 0.6 instead of 1.2',)
    assert (variant.case.variants, variant.case.sweeps) == ((), ())
    case = parse_case(text_of(with_variants({"set": {"stepper phase.current_A": 0.6}})))
    for kind in ("coppers", "cutouts", "terminals", "bridges"):
        pairs = zip(getattr(case.board, kind), getattr(case.variants[0].case.board, kind), strict=True)
        assert all(one.shape == other.shape for one, other in pairs), kind


def test_what_a_table_says_depends_on_the_names_and_places_of_others():
    raw = base_case()
    assert read_tables(raw).mistakes == ()
    terminals = [raw["terminal"][0] | {"name": "U9"}, *raw["terminal"][1:]]
    again = read_tables(raw | {"terminal": terminals}).mistakes
    assert [line.split(" is ")[0] for line in again] == ['loop "load cell": inject', 'link "wire": between name 1']
    layers = [*raw["layer"], {"name": "L3", "copper_um": 35}]
    again = read_tables(raw | {"layer": layers}).mistakes
    assert [line.split(" is ")[0] for line in again] == ['layer "L2": below_mm']


def test_the_case_itself_is_not_changed_by_its_variants():
    case = parse_case(
        text_of(
            with_variants({"drop": ["gap"], "move": {"U1.AGND": [8, 70]}, "set": {"gap 2.shape.width": 1}}, {})
            | {"variant": [{"name": "a", "drop": ["gap"], "move": {"U1.AGND": [8, 70]}, "set": {"L1.copper_um": 70}}]}
        )
    )
    assert dataclasses.replace(case, variants=()) == parse_case(text_of(base_case()))


def test_dropped_things_are_gone_and_links_go_with_their_terminals():
    by_hand = base_case()
    del by_hand["cutout"][0], by_hand["link"], by_hand["terminal"][4], by_hand["loop"][2:4]
    variant = varied(drop=["gap", "USB", "clock", "J2.SHELL"])
    assert same(variant, by_hand)
    assert variant.changes == (
        'cutout "gap" is dropped',
        'loop "USB" is dropped',
        'loop "clock" is dropped',
        'terminal "J2.SHELL" is dropped',
        'link "wire" is dropped with terminal "J2.SHELL"',
    )


def test_what_lies_on_a_dropped_copper_goes_with_it():
    case = with_variants({"drop": ["shield"]})
    case["copper"].append({"name": "shield", "layer": "L1", "shape": {"rect": [60, 60, 95, 79]}})
    case["terminal"].append({"name": "S", "copper": "shield", "at": [70, 70], "diameter_mm": 1})
    case["cutout"].append({"name": "pinhole", "copper": "shield", "shape": {"rect": [80, 70, 81, 71]}})
    case["bridge"].append({"name": "patch", "copper": "shield", "shape": {"rect": [79, 70, 82, 70.5]}})
    case["region"].append({"name": "on it", "copper": "shield", "shape": {"rect": [61, 61, 65, 65]}})
    case["section"].append({"name": "across", "copper": "shield", "path": [[62, 59], [62, 80]]})
    case["link"].append({"name": "to it", "between": ["S", "J2.SHELL"], "resistance_ohm": 0})
    case["loop"] = [loop for loop in case["loop"] if loop["name"] not in ("clock",)]
    variant = parse_case(text_of(case)).variants[0]
    by_hand = base_case()
    del by_hand["loop"][3]
    assert same(variant, by_hand)
    assert variant.changes == (
        'copper "shield" is dropped',
        'cutout "pinhole" is dropped with copper "shield"',
        'bridge "patch" is dropped with copper "shield"',
        'terminal "S" is dropped with copper "shield"',
        'region "on it" is dropped with copper "shield"',
        'section "across" is dropped with copper "shield"',
        'link "to it" is dropped with terminal "S"',
    )


def test_added_things_come_last_and_replaced_ones_keep_their_place():
    gap = {"name": "gap", "copper": "ground", "shape": {"rect": [60, 30, 62, 40]}}
    pit = {"name": "pit", "copper": "ground", "shape": {"rect": [30, 30, 32, 40]}}
    by_hand = base_case()
    by_hand["cutout"][0] = gap
    by_hand["cutout"].append(pit)
    variant = varied(drop=["gap"], add={"cutout": [pit, gap]})
    assert same(variant, by_hand)
    assert variant.changes == ('cutout "pit" is added', 'cutout "gap" is replaced')


def test_every_kind_can_be_added():
    add = {
        "copper": [{"name": "shield", "layer": "L1", "shape": {"rect": [60, 60, 95, 79]}}],
        "terminal": [{"name": "S", "copper": "shield", "at": [70, 75], "diameter_mm": 1}],
        "cutout": [{"name": "pinhole", "copper": "shield", "shape": {"rect": [80, 65, 81, 66]}}],
        "bridge": [{"name": "patch", "copper": "shield", "shape": {"rect": [79, 65, 82, 65.5]}}],
        "region": [{"name": "on it", "copper": "shield", "shape": {"rect": [61, 61, 65, 65]}}],
        "section": [{"name": "across", "copper": "shield", "path": [[62, 59], [62, 80]]}],
        "link": [{"name": "to it", "between": ["S", "U1.AGND"], "resistance_ohm": 0}],
        "loop": [{"name": "new", "role": "cables", "inject": "S", "return": "J4.GND", "limit_V": 1}],
    }
    by_hand = base_case()
    for kind, tables in add.items():
        by_hand[kind] = by_hand[kind] + tables
    by_hand["loop"] = [loop for loop in by_hand["loop"] if loop["name"] != "clock"]
    assert same(varied(add=add, drop=["clock"]), by_hand)


def test_moved_terminals_take_the_ends_of_their_routes_along():
    by_hand = base_case()
    by_hand["terminal"][0]["at"] = [30, 75]
    by_hand["terminal"][1]["shape"]["rect"] = [8, 57, 12, 67]
    # The first is an end of the load cell's route, the second of that one and of the buck's.
    by_hand["loop"][1]["route"]["path"] = [[10, 62], [4, 70], [20, 70], [30, 75]]
    by_hand["loop"][4]["route"]["path"] = [[10, 62], [20, 20]]
    variant = varied(move={"U1.AGND": [30, 75], "J1.SHIELD": [10, 62]})
    assert same(variant, by_hand)
    assert variant.changes == (
        '"U1.AGND" moves from (20, 60) to (30, 75) mm',
        '"J1.SHIELD" moves from (4, 60) to (10, 62) mm',
        'the route of "load cell" now starts at (10, 62) mm',
        'the route of "load cell" now ends at (30, 75) mm',
        'the route of "buck" now starts at (10, 62) mm',
    )
    # setting its place is moving it
    assert varied(set={"U1.AGND.at": [30, 75]}, move={"J1.SHIELD": [10, 62]}).case == variant.case


def test_an_end_beside_its_contact_keeps_its_place_relative_to_it():
    case = with_variants({"move": {"J4.GND": [25, 21]}})
    case["loop"][0]["route"]["path"][0] = [21, 21]
    variant = parse_case(text_of(case)).variants[0]
    assert flat(variant.case.loops[0].route.path[:2]) == pytest.approx([0.025, 0.021, 0.026, 0.022])
    assert any("a straight piece of 1.41 mm" in line for line in variant.case.assumptions)


def test_a_route_that_would_fold_back_is_cut_short():
    variant = varied(move={"U1.AGND": [10, 70]})
    assert flat(variant.case.loops[1].route.path) == pytest.approx([0.004, 0.06, 0.004, 0.07, 0.01, 0.07])
    # at the corner before that, it ends there
    path = varied(move={"U1.AGND": [4, 70]}).case.loops[1].route.path
    assert flat(path) == pytest.approx([0.004, 0.06, 0.004, 0.07])


def test_a_route_that_is_set_anew_does_not_follow():
    path = [[4, 60], [10, 50], [30, 75]]
    variant = varied(move={"U1.AGND": [30, 75]}, set={"load cell.route.path": path})
    assert variant.case.loops[1].route.path == ((0.004, 0.06), (0.01, 0.05), (0.03, 0.075))
    assert not any("the route of" in line for line in variant.changes)


def test_the_route_of_a_loop_with_another_end_does_not_follow():
    found = refused(move={"J2.SHELL": [80, 70]}, set={"load cell.inject": "J2.SHELL"}, drop=["clock"])
    assert len(found) == 1
    assert 'loop "load cell": route.path: ends at (20, 60) mm, ' in found[0]


MOVED = [
    ("gap", [40, 35], "cutout", 0, {"shape": {"slot": [[40, 5], [40, 65]], "width": 0.5}}),
    ("antipads", [82, 15], "cutout", 1, {"circles": [[80, 15], [82, 15], [84, 15]]}),
    ("hole", [7.5, 9.25], "cutout", 2, {"shape": {"circle": [7.5, 9.25], "diameter": 3.2}}),
    ("corner", [87.5, 12.5], "cutout", 3, {"shape": {"polygon": [[85, 10], [90, 10], [90, 15]]}}),
    ("strap", [50, 40], "bridge", 0, {"shape": {"slot": [[48, 40], [52, 40]], "width": 2}}),
    ("analog", [30, 60], "region", 0, {"shape": {"rect": [7.5, 45, 52.5, 75]}}),
    ("J2.SHELL", [90, 60], "terminal", 4, {"at": [90, 60]}),
]


@pytest.mark.parametrize(("name", "to", "kind", "index", "expected"), MOVED)
def test_each_shape_moves_by_the_centre_of_its_box(name, to, kind, index, expected):
    by_hand = base_case()
    by_hand[kind][index] |= expected
    by_hand["loop"] = [loop for loop in by_hand["loop"] if loop["name"] != "clock"]  # its route would follow
    variant = varied(move={name: to}, drop=["clock"])
    assert same(variant, by_hand)
    assert any(line.endswith(f"to ({to[0]:g}, {to[1]:g}) mm") for line in variant.changes)


SET = [
    ("gap.shape.width", 0.8, ("cutout", 0, "shape", "width")),
    ("gap.shape.slot.2", [50, 40], ("cutout", 0, "shape", "slot", 1)),
    ("gap.shape.slot.2.2", 40, ("cutout", 0, "shape", "slot", 1, 1)),
    ("gap.shape", {"rect": [49, 0, 51, 9]}, ("cutout", 0, "shape")),
    ("antipads.diameter_mm", 0.9, ("cutout", 1, "diameter_mm")),
    ("U1.AGND.diameter_mm", 0.5, ("terminal", 0, "diameter_mm")),
    ("U1.AGND.bonded", "a reason", ("terminal", 0, "bonded")),
    ("clock.trapezoid.rise_s", 6e-9, ("loop", 3, "trapezoid", "rise_s")),
    ("clock.route.width_mm", 0.3, ("loop", 3, "route", "width_mm")),
    ("load cell.rejection_dB", [[50, 90], [1e3, 70]], ("loop", 1, "rejection_dB")),
    ("load cell.route.width_mm", 0.3, ("loop", 1, "route", "width_mm")),
    ("buck.spectrum.1.2", 0.4, ("loop", 4, "spectrum", 0, 1)),
    ("wire.inductance_H", 1e-8, ("link", 0, "inductance_H")),
    ("L2.copper_um", 70, ("layer", 1, "copper_um")),
    ("board.temperature_C", 85, ("board", "temperature_C")),
    ("solve.accuracy", 0.02, ("solve", "accuracy")),
    ("solve.frequencies_Hz.2", 10, ("solve", "frequencies_Hz", 1)),
    ("loop:stepper phase.current_A", 2, ("loop", 0, "current_A")),
    ("loop: stepper phase.current_A", 2, ("loop", 0, "current_A")),
]


@pytest.mark.parametrize(("address", "value", "way"), SET, ids=[row[0] for row in SET])
def test_any_key_can_be_set(address, value, way):
    by_hand = base_case()
    place = by_hand
    for step in way[:-1]:
        place = place[step]
    place[way[-1]] = value
    variant = varied(set={address: value})
    assert same(variant, by_hand)
    assert len(variant.changes) == 1


def test_a_table_that_is_not_there_can_be_set_into_being():
    case = with_variants({"set": {"solve.accuracy": 0.02}})
    del case["solve"]
    variant = parse_case(text_of(case)).variants[0]
    assert variant.case.accuracy == 0.02
    assert variant.changes == ("solve accuracy is 0.02 (not given as drawn)",)


def test_the_longest_name_and_the_key_decide_what_is_meant():
    case = base_case()
    case["terminal"].append({"name": "ground", "copper": "ground", "at": [30, 10], "diameter_mm": 1})
    case["terminal"].append({"name": "ground.at", "copper": "ground", "at": [33, 10], "diameter_mm": 1})
    draft = Draft(case)

    def found(text):
        book = Book()
        return find_key(Spot(book, "x"), draft, text), book.mistakes

    # only a terminal has a diameter, only a copper a layer
    assert found("ground.diameter_mm") == ((Target("terminal", "ground"), ["diameter_mm"]), [])
    assert found("ground.layer") == ((Target("copper", "ground"), ["layer"]), [])
    # both have a shape
    assert found("ground.shape.rect")[1][0] == (
        'x may mean a copper and a terminal; an address must name one thing; write "copper:ground.shape.rect" or '
        '"terminal:ground.shape.rect"'
    )
    assert found("copper:ground.shape.rect") == ((Target("copper", "ground"), ["shape", "rect"]), [])
    assert found("ground.at.at") == ((Target("terminal", "ground.at"), ["at"]), [])
    # "ground.at" is the longer name that there is, but nothing follows it
    assert found("ground.at") == ((Target("terminal", "ground"), ["at"]), [])


GAP = {"name": "gap", "copper": "ground", "shape": {"rect": [1, 1, 2, 2]}}
BAD = [
    ({"drop": ["gapp"]}, r'^drop "gapp" is not the name of anything; only copper, cutout, .*; did you mean "gap"\?$'),
    ({"drop": ["cutout:gapp"]}, r'^drop "cutout:gapp" is not the name of anything; .*; did you mean "gap"\?$'),
    ({"drop": ["L1"]}, r'^drop "L1" is a layer; only copper, .* and section can be dropped; leave it out$'),
    ({"drop": ["gap", "gap"]}, r'^drop has "gap" twice; each thing is dropped once'),
    ({"drop": "gap"}, r'^drop is "gap"; must be a list of names; write it as \["gap"\]$'),
    ({"drop": [3]}, r"^drop is \[3\]; must be a list of names"),
    (
        {"drop": ["stepper phase", "U3.PGND"]},
        r'^terminal "U3.PGND" is dropped, and is the inject of loop "clock"; a loo',
    ),
    ({"drop": ["gap"], "move": {"gap": [1, 2]}}, r'^move "gap" is dropped in the same variant; what is dropped cannot'),
    ({"drop": ["gap"], "set": {"gap.copper": "x"}}, r'^set "gap.copper" is dropped in the same variant'),
    (
        {"add": {"cutouts": []}},
        r"^add.cutouts is nothing that can be added; it must be one of copper, .*mean cutout\?$",
    ),
    ({"add": {"layer": []}}, r"^add.layer is nothing that can be added"),
    ({"add": [GAP]}, r"^add is \[\{ name = .*; must be a table of what to add, by kind; write"),
    ({"add": {"cutout": GAP}}, r"^add.cutout is \{ name = .*; must be a list of tables; write cutout = \["),
    ({"add": {"cutout": [3]}}, r"^add.cutout number 1 is 3; must be a table"),
    ({"add": {"cutout": [{"copper": "ground"}]}}, r"^add.cutout number 1: name is missing; everything needs a name"),
    ({"add": {"cutout": [GAP | {"name": " "}]}}, r'^add.cutout number 1: name is " "; must not be empty'),
    (
        {"add": {"cutout": [GAP]}},
        r'^add.cutout "gap" has the name of a cutout that is there; .*; rename it, or drop the',
    ),
    (
        {"add": {"cutout": [GAP | {"name": "n"}, GAP | {"name": "n"}]}},
        r'^add.cutout number 2: name is "n" again; each thing is added once; rename it$',
    ),
    ({"add": {"cutout": [GAP | {"name": "n", "copper": "g"}]}}, r'^cutout "n": copper is "g"; no copper has that name'),
    ({"move": {"USB": [1, 2]}}, r'^move "USB" is a loop; only terminal, cutout, bridge and region can be moved; leave'),
    ({"move": {"U1.AGN": [1, 2]}}, r'^move "U1.AGN" is not the name of anything; .*; did you mean "U1.AGND"\?$'),
    ({"move": {"U1.AGND": [1, 2, 3]}}, r'^move "U1.AGND" is \[1, 2, 3\], which has 3; must be \[x, y\]'),
    ({"move": {"U1": {"AGND": [1, 2]}}}, r'^move "U1" is \{ AGND = .*; put the whole address in quotation marks'),
    ({"move": [1, 2]}, r'^move is \[1, 2\]; must be a table; write \{ "name" = \[x, y\] \}$'),
    ({"move": {"U1.AGND": [300, 2]}}, r'^terminal "U1.AGND": at \(300, 2\) mm lies off the copper'),
    ({"set": {"gap": 3}}, r'^set "gap" has no key; an address is a name, a dot and a key; write it as "gap.key"$'),
    ({"set": {"nothing": 3}}, r'^set "nothing" has no key; .*; such as "board.temperature_C"$'),
    (
        {"set": {"steper phase.current_A": 3}},
        r'^set "steper .*" names nothing; .*; did you mean "stepper phase.current',
    ),
    (
        {"set": {"gap.name": "x"}},
        r'^set "gap.name" is a name; a name cannot be set, as others refer to it; drop the th',
    ),
    ({"set": {"gap..shape": 3}}, r'^set "gap..shape" has an empty part beside a dot'),
    (
        {"set": {"gap.shape.slot.3": [1, 2]}},
        r"has no item 3 in \[\[50, 0\], \[50, 60\]\]; its 2 items are counted from 1",
    ),
    ({"set": {"gap.shape.slot.0": [1, 2]}}, r"has no item 0 in"),
    (
        {"set": {"gap.shape.width.2": 1}},
        r'^set "gap.shape.width.2" leads into 0.5; only tables and lists have parts; sh',
    ),
    (
        {"set": {"USB.route.layer": "L1"}},
        r'^set "USB.route.layer" has no route; only the last key of an address may be n',
    ),
    ({"set": {"board": {"temperature_C": 3}}}, r'^set "board" is \{ temp.*; its address lacks the key; put the whole'),
    ({"set": 3}, r'^set is 3; must be a table; write \{ "name.key" = value \}$'),
    ({"set": {"gap.shap": 3}}, r'^cutout "gap": shap is an unknown key; the nearest valid key is shape'),
    ({"set": {"L2.copper_mm": 3}}, r'^layer "L2": copper_mm is an unknown key; wrong unit: this key is copper_um'),
    ({"set": {"U1.AGND.at": 3}}, r'^terminal "U1.AGND": at is 3; must be \[x, y\]'),
    ({"set": {"USB.current_A": 3}}, r'^loop "USB": current_A is given; this key belongs to a loop of role "noisy"'),
    ({"set": {"J4.GND.diameter_mm": True}}, r'^terminal "J4.GND": diameter_mm is true; must be a bare number'),
    ({"set": {"stepper phase.current_A": True}}, r'^loop "stepper phase": current_A is true; must be a bare number'),
    ({}, r"^ changes nothing; a variant differs from the case as drawn; give it drop, add, move or set, or remove it$"),
    ({"set": {"board.temperature_C": 40}}, r"^ changes nothing"),
    ({"move": {"hole": [5, 5]}}, r"^ changes nothing"),
    ({"drop": ["corner"], "add": {"cutout": [GOOD["cutout"][3]]}}, r"^ changes nothing"),
    ({"set": {"gap." + "." * 400: 3}}, r'^set "gap.*" has 404 characters; an address has at most 400; shorten it'),
    (
        {"drop": [str(k) for k in range(1001)]},
        r"^drop has 1001 items; at most 1000 are read; write it as a case of",
    ),
    ({"set": {f"a{k}.b": 1 for k in range(1001)}}, r"^set has 1001 items; at most 1000 are read"),
    ({"drop": ["J2.SHELL"], "add": {"terminal": [{"nam": "J2.SHELL"}]}}, r"^add.terminal number 1: name is missing"),
    # with the gap the pad would be a mistake of its own
    ({"drop": ["gapp"], "move": {"U1.AGND": [50, 40]}}, r'^drop "gapp" is not the name of anything'),
    ({"sett": {}}, r"^sett is an unknown key; the nearest valid key is set"),
    ({"drop": ["ground"], "set": {"gap.shape.width": 1}}, None),
]


@pytest.mark.parametrize(("changes", "message"), BAD, ids=[str(row[0])[:60] for row in BAD])
def test_each_mistake_is_named_once(changes, message):
    found = refused(**changes)
    if message is None:  # a copper that everything lies on: what is changed, and the two ends of each loop
        assert re.match(r'cutout "gap" is changed or added, and is dropped with copper "ground"; what is', found[0])
        assert len(found) == 1 + 2 * len(GOOD["loop"])
        assert re.search(r'^terminal "U3.PGND" is dropped with copper "ground", and is the inject of loop', found[1])
        return
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (["a", "a"], r'^variant number 2: name is "a", which is also the name of variant number 1; .*; rename'),
        (
            ["As Drawn"],
            r'^variant "As Drawn": name is "As Drawn"; that name means the case without any change; choo',
        ),
        ([3], r"^variant number 1: name is 3; must be text"),
    ],
)
def test_names_of_variants(names, message):
    variants = [{"name": name, "set": {"board.temperature_C": 50 + k}} for k, name in enumerate(names)]
    found = mistakes_of(base_case() | {"variant": variants})
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]


def test_an_ambiguous_name_must_say_its_kind():
    case = base_case()
    case["region"][0]["name"] = "gap"
    found = mistakes_of(case | {"variant": [{"name": "v", "drop": ["gap"]}]})
    assert len(found) == 1
    assert found[0] == (
        'variant "v": drop "gap" may mean a cutout and a region; an address must name one thing; '
        'write "cutout:gap" or "region:gap"'
    )
    variant = parse_case(text_of(case | {"variant": [{"name": "v", "drop": ["cutout: gap"]}]})).variants[0]
    assert variant.changes == ('cutout "gap" is dropped',)
    # a section cannot be moved, so that only the cutout can be meant
    case["region"][0]["name"], case["section"][0]["name"] = "analog", "gap"
    assert parse_case(text_of(case | {"variant": [{"name": "v", "move": {"gap": [40, 35]}}]})).variants


def test_mistakes_of_several_variants_and_of_the_case_come_in_one_go():
    case = with_variants({"drop": ["gapp"]}, {"set": {"gap.shape.width": 0}}, {"move": {"U1.AGND": [200, 9]}})
    case["loop"][0]["current_A"] = -1
    found = mistakes_of(case)
    assert [line.split(":")[0] for line in found] == ['loop "stepper phase"', *(f'variant "v{k}"' for k in range(3))]


def test_a_mistake_of_the_case_is_not_repeated_for_its_variants():
    case = with_variants({"drop": ["antipads"]}, {"set": {"board.temperature_C": 85}}, {"move": {"hole": [7, 7]}})
    case["cutout"].insert(1, {"copper": "ground", "shape": {"rect": [1, 1, 2, 2]}})  # no name
    case["cutout"].append({"name": "gap", "copper": "ground", "shape": {"rect": [1, 1, 2, 2]}})  # its name twice
    case["terminal"][0]["at"] = [120, 40]
    case["loop"][4]["inject"] = "nobody"
    case["region"][0]["shape"] = 3
    assert len(mistakes_of(case)) == 5


def test_a_mistake_like_one_of_the_case_is_new_where_something_is_changed():
    case = with_variants({"move": {"J4.GND": [130, 20]}})
    case["terminal"][0]["at"] = [120, 40]
    found = mistakes_of(case)
    assert len(found) == 2
    assert found[1].startswith('variant "v0": terminal "J4.GND": at (130, 20) mm lies off the copper')


def test_a_thing_that_is_moved_from_one_bad_place_to_another_is_a_mistake_of_both():
    case = with_variants({"move": {"U1.AGND": [130, 40]}}, {"set": {"board.temperature_C": 50}})
    case["terminal"][0]["at"] = [120, 40]
    assert [line.split(" at ")[1].split(" mm")[0] for line in mistakes_of(case)] == ["(120, 40)", "(130, 40)"]


def test_a_thing_that_could_not_be_drawn_cannot_be_moved_and_that_is_no_further_mistake():
    case = with_variants({"move": {"hole": [10, 10]}})
    case["cutout"][2]["shape"] = {"circle": [5, 5], "diameter": "3.2 mm"}
    assert len(mistakes_of(case)) == 1


def test_numbers_in_names_tell_mistakes_apart():
    known = ['terminal "U1": at (1, 2) mm lies off the copper "g", so 3 mm; rule; advice']
    other = 'terminal "U2": at (1, 2) mm lies off the copper "g", so 3 mm; rule; advice'
    assert new_mistakes([known[0].replace("3 mm", "4.5e-3 mm"), other], known, []) == [other]


def test_unknown_names_say_nothing_where_a_thing_has_no_good_name():
    case = with_variants({"drop": ["pit"]}, {"set": {"pit.copper": "ground"}})
    case["cutout"][0]["name"] = "pit "
    assert len(mistakes_of(case)) == 1


def test_many_unknown_names_are_all_reported():
    case = with_variants({"drop": [f"cutout {k}" for k in range(1000)]})
    case["cutout"] += [
        {"name": f"cutout-{k}", "copper": "ground", "shape": {"rect": [60 + k % 10, 60, 60.1 + k % 10, 61]}}
        for k in range(1000)
    ]
    assert len(mistakes_of(case)) == 1000


def test_many_variants_are_capped():
    variants = [{"set": {"board.temperature_C": 41 + k}} for k in range(101)]
    found = mistakes_of(with_variants(*variants))
    assert found == ("[[variant]] is given 101 times; at most 100 are read; split the file",)
    assert len(parse_case(text_of(with_variants(*variants[:100]))).variants) == 100


def test_ten_variants_of_a_board_with_three_hundred_antipads():
    case = with_variants(*({"move": {"U1.AGND": [20 + k, 61]}} for k in range(10)))
    case["cutout"] += [
        {"name": f"pad {k}", "copper": "ground", "shape": {"circle": [53 + k % 25, 24.5 + k // 25], "diameter": 0.8}}
        for k in range(300)
    ]
    case["section"], case["region"] = [], []
    assert len(parse_case(text_of(case)).variants) == 10


COORDINATE = st.floats(-5, 105, allow_nan=False).map(lambda x: round(x, 3))
PLACES = st.tuples(COORDINATE, COORDINATE).map(list)
CHANGES = st.fixed_dictionaries(
    {},
    optional={
        "drop": st.lists(
            st.sampled_from(["gap", "antipads", "strap", "wire", "USB", "clock", "analog", "bridge", "J2.SHELL"]),
            unique=True,
            max_size=4,
        ),
        "move": st.dictionaries(st.sampled_from(["U1.AGND", "J4.GND", "J1.SHIELD", "hole", "gap", "strap"]), PLACES),
        "set": st.dictionaries(
            st.sampled_from(
                ["stepper phase.current_A", "gap.shape.width", "board.temperature_C", "J4.GND.diameter_mm"]
            ),
            st.floats(0.1, 3),
        ),
    },
)


@settings(max_examples=60)
@given(CHANGES)
def test_a_variant_is_what_its_draft_says_or_is_refused(changes):
    """A variant without mistakes is the case read from its own tables, without any variant."""
    case, mistakes = attempt(text_of(with_variants(changes)))
    if mistakes:
        assert all(line.startswith('variant "v0"') for line in mistakes)
        return
    variant = case.variants[0]
    assert variant.changes
    assert variant.case != dataclasses.replace(case, variants=())
    names = {terminal.name: terminal for terminal in variant.case.board.terminals}
    for name, to in changes.get("move", {}).items():
        if name in names:
            x, y = shapely.box(*names[name].shape.bounds).centroid.coords[0]
            assert (x, y) == pytest.approx((to[0] / 1e3, to[1] / 1e3), abs=1e-9)
    for loop in variant.case.loops:
        for end, place in ((loop.return_, 0), (loop.inject, -1)):
            if loop.route:
                assert names[end].shape.distance(shapely.Point(loop.route.path[place])) < 1e-6


@settings(max_examples=30)
@given(st.sampled_from([row[5] for row in [(*r, r[0]) for r in MOVED]]), PLACES, PLACES)
def test_moving_there_and_back_changes_nothing(name, there, back):
    case = base_case()
    tables = {table["name"]: table for kind in ("cutout", "bridge", "region", "terminal") for table in case[kind]}
    once = moved(moved(tables[name], there), back)
    twice = moved(tables[name], back)
    for key in set(once) | set(twice):
        assert flat(once[key]) == pytest.approx(flat(twice[key]), abs=1e-6), key


def flat(value):
    """Numbers of nested lists and tables, in order; texts do not count."""
    if isinstance(value, dict):
        value = [value[key] for key in sorted(value)]
    if isinstance(value, list | tuple):
        return [number for item in value for number in flat(item)]
    return [] if isinstance(value, str) else [value]


LEAVES = st.one_of(
    st.integers(-5, 105), st.floats(), st.booleans(), st.text(max_size=8), st.sampled_from(["gap", "U1.AGND", "ground"])
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(["name", "shape", "rect", "copper", "cutout", "at", "x.y"]), inner, max_size=3),
    ),
    max_leaves=6,
)
NAMES = [table["name"] for kind in GOOD if isinstance(GOOD[kind], list) for table in GOOD[kind]]
ADDRESSES = st.one_of(
    st.sampled_from([*NAMES, *(row[0] for row in SET), "gap.shape.slot.2.9", "board.outline.rect.1", "solve"]),
    st.text(max_size=8),
    st.builds(lambda name, key: f"{name}.{key}", st.sampled_from(NAMES), st.sampled_from(["shape", "at", "copper"])),
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.fixed_dictionaries(
        {},
        optional={
            "drop": st.one_of(VALUES, st.lists(ADDRESSES, max_size=3)),
            "add": st.one_of(VALUES, st.dictionaries(st.sampled_from(["cutout", "loop", "link"]), VALUES)),
            "move": st.one_of(VALUES, st.dictionaries(ADDRESSES, VALUES, max_size=3)),
            "set": st.one_of(VALUES, st.dictionaries(ADDRESSES, VALUES, max_size=3)),
            "name": VALUES,
        },
    )
)
@example({"set": {"terminal.copper": 1}})
@example({"drop": ["ground"], "set": {"wire.between": [[1], {}]}})
@example({"set": {"gap.copper": [1]}, "drop": ["U1.AGND"]})
def test_any_variant_is_accepted_or_refused_cleanly(changes):
    case, mistakes = attempt(text_of(with_variants(changes)))
    assert case or mistakes
    for line in mistakes or case.variants[0].changes:
        assert line.isprintable()
        assert len(line) < 1500


class TestHints:
    """What a message suggests works when it is written."""

    @pytest.mark.parametrize(
        ("address", "value", "meant"),
        [
            ("steper phase.route.width_mm", 1, "stepper phase.route.width_mm"),
            ("steper phase.width_mm", 1, "stepper phase.route.width_mm"),  # a key of its route
            ("stepper phase.width_mm", 1, "stepper phase.route.width_mm"),
            ("stepper phase.path", [[20, 20], [80, 20]], "stepper phase.route.path"),
            ("stepper phase.path.2.1", 51, "stepper phase.route.path.2.1"),
            ("steper phase.route.path.2.1", 51, "stepper phase.route.path.2.1"),
            ("gapp.width", 2, "gap.shape.width"),
            ("boar.temperature_C", 20, "board.temperature_C"),
            ("boar.temperature_K", 20, "board.temperature_C"),
        ],
    )
    def test_of_a_key(self, address, value, meant):
        (found,) = refused(set={address: value})
        assert found.endswith(f'; did you mean "{meant}"?'), found
        assert varied(set={meant: value}).changes

    def test_where_no_key_is_near_the_names_are_listed(self):
        (found,) = refused(set={"steper phase.zzzzzz": 1})
        assert 'name one of "board"' in found

    def test_of_a_name_that_two_kinds_share(self):
        case = with_variants({"drop": ["gaap"]})
        case["terminal"][3]["name"] = "gap"
        for loop in case["loop"]:
            loop.update({end: "gap" for end in ("inject", "return") if loop[end] == "J4.GND"})
        (found,) = mistakes_of(case)
        meant = re.search(r'did you mean "(.*)"\?$', found)[1]
        assert meant == "cutout:gap"
        case["variant"][0]["drop"] = [meant]
        assert parse_case(text_of(case)).variants[0].changes
