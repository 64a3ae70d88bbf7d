"""Mistakes in variants: each is named once, none is repeated from the case."""

import re

import pytest
from test_variants import base_case, refused, with_variants

from cases import GOOD, mistakes_of, text_of
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.casefile.variants import new_mistakes

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
