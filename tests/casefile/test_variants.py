import copy
import dataclasses
import re

import pytest

from cases import GOOD, mistakes_of, text_of
from returnflow_geometry.casefile.addresses import Draft, Target, find_key
from returnflow_geometry.casefile.builder import read_tables
from returnflow_geometry.casefile.read import parse_case
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


def test_ten_variants_of_a_board_with_three_hundred_antipads():
    case = with_variants(*({"move": {"U1.AGND": [20 + k, 61]}} for k in range(10)))
    case["cutout"] += [
        {"name": f"pad {k}", "copper": "ground", "shape": {"circle": [53 + k % 25, 24.5 + k // 25], "diameter": 0.8}}
        for k in range(300)
    ]
    case["section"], case["region"] = [], []
    assert len(parse_case(text_of(case)).variants) == 10


def flat(value):
    """Numbers of nested lists and tables, in order; texts do not count."""
    if isinstance(value, dict):
        value = [value[key] for key in sorted(value)]
    if isinstance(value, list | tuple):
        return [number for item in value for number in flat(item)]
    return [] if isinstance(value, str) else [value]


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
