import copy
import dataclasses
import re

import pytest
from shapely import MultiPolygon

from cases import GOOD, mistakes_of, text_of
from returnflow_geometry.casefile.read import Supplied, parse_case
from returnflow_geometry.keys.quantities import read_vary
from returnflow_geometry.keys.reading import Book, Spot
from returnflow_geometry.model.board import Axis, Copper, Layer, Terminal
from returnflow_geometry.model.shapes import circle, rectangle

CURRENT = {"set": "stepper phase.current_A", "values": [0.5, 1, 2]}
WAY = {"move": "U1.AGND", "along": [[20, 60], [20, 70], [40, 70]], "steps": 7}


def swept(*vary, **more):
    return copy.deepcopy(GOOD) | {"sweep": [{"name": "s", "vary": list(vary)} | more]}


def read(*vary):
    return parse_case(text_of(swept(*vary))).sweeps[0]


def refused(*vary):
    found = mistakes_of(swept(*vary))
    assert all(line.startswith('sweep "s": ') for line in found), found
    return [line.removeprefix('sweep "s": ') for line in found]


def test_each_step_is_the_case_with_one_value_changed():
    sweep = read(CURRENT)
    assert sweep.name == "s"
    assert sweep.axes == (Axis(label="stepper phase: current (A)", unit="A", values=(0.5, 1.0, 2.0)),)
    assert [step.at for step in sweep.steps] == [(0,), (1,), (2,)]
    for step, current in zip(sweep.steps, (0.5, 1.0, 2.0), strict=True):
        by_hand = copy.deepcopy(GOOD)
        by_hand["loop"][0]["current_A"] = current
        assert step.case == parse_case(text_of(by_hand))


def test_two_quantities_are_row_major():
    sweep = read(CURRENT, {"set": "board.temperature_C", "values": [85, 20]})
    assert [step.at for step in sweep.steps] == [(0, 0), (0, 1), (1, 0), (1, 1), (2, 0), (2, 1)]
    assert [(step.case.loops[0].current, step.case.board.temperature) for step in sweep.steps] == [
        (current, heat) for current in (0.5, 1.0, 2.0) for heat in (85, 20)
    ]
    assert sweep.axes[1] == Axis(label="board: temperature (°C)", unit="°C", values=(85.0, 20.0))


def test_a_terminal_walks_along_a_way_in_equal_steps_and_its_route_follows():
    case = swept(WAY)
    case["loop"][1]["route"] = {"layer": "L1", "path": [[4, 60], [20, 60]]}
    sweep = parse_case(text_of(case)).sweeps[0]
    assert sweep.axes[0] == Axis(
        label="U1.AGND: distance along its way (mm)", unit="mm", values=(0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
    )
    places = [(20, 60), (20, 65), (20, 70), (25, 70), (30, 70), (35, 70), (40, 70)]
    for step, (x, y) in zip(sweep.steps, places, strict=True):
        assert step.case.board.terminal("U1.AGND").centre == pytest.approx((x / 1e3, y / 1e3))
        assert step.case.loops[1].route.path[-1] == pytest.approx((x / 1e3, y / 1e3))
    assert dataclasses.replace(sweep.steps[0].case, assumptions=()) == dataclasses.replace(
        parse_case(text_of(case)), assumptions=(), sweeps=()
    )


SPACED = [
    ({"from": 0, "to": 1, "steps": 11}, tuple(k / 10 for k in range(11))),
    ({"from": 1, "to": -1, "steps": 3, "spacing": "linear"}, (1, 0, -1)),
    ({"from": 0.01, "to": 10, "steps": 4, "spacing": "log"}, (0.01, 0.1, 1, 10)),
    ({"from": 100, "to": 1, "steps": 3, "spacing": "log"}, (100, 10, 1)),
    ({"from": -5e-324, "to": 1e308, "steps": 2}, (-5e-324, 1e308)),
    ({"values": [3, 2, -1]}, (3, 2, -1)),
]


@pytest.mark.parametrize(("spaced", "values"), SPACED)
def test_values_of_an_axis(spaced, values):
    book = Book()
    (quantity,) = read_vary(Spot(book, "vary"), [{"set": "x.y"} | spaced])
    assert book.mistakes == []
    assert quantity.values == values
    assert quantity.places is None


LABELS = [
    ({"set": "L2.copper_um", "values": [18, 35]}, "L2: copper (µm)", "µm"),
    ({"set": "clock.trapezoid.rise_s", "values": [4e-9, 5e-9]}, "clock: trapezoid.rise (s)", "s"),
    ({"set": "gap.shape.slot.2.2", "values": [50, 55]}, "gap: y of point 2 (mm)", "mm"),
    ({"set": "gap.shape.width", "values": [1, 2]}, "gap: width (mm)", "mm"),
    ({"set": "hole.shape.circle.1", "values": [5, 6]}, "hole: x of its centre (mm)", "mm"),
    ({"set": "antipads.circles.2.1", "values": [72, 72.5]}, "antipads: x of circle 2 (mm)", "mm"),
    ({"set": "analog.shape.rect.4", "values": [75, 80]}, "analog: y of its second corner (mm)", "mm"),
    ({"set": "U1.AGND.at.2", "values": [60, 61]}, "U1.AGND: y of its place (mm)", "mm"),
    ({"set": "buck.route.path.2.1", "values": [20, 20.1]}, "buck: x of point 2 of route.path (mm)", "mm"),
    ({"set": "antipads.diameter_mm", "values": [0.5, 0.7]}, "antipads: diameter (mm)", "mm"),
    ({"move": "U1.AGND", "along": [[20, 60], [20, 65]], "steps": 2, "label": "way, mm"}, "way, mm", "mm"),
    ({"set": "gap.shape.width", "from": 1, "to": 2, "steps": 2, "label": "gap of 5 mm"}, "gap of 5 mm (mm)", "mm"),
    ({"set": "clock.trapezoid.duty", "values": [0.4, 0.5]}, "clock: trapezoid.duty", ""),
    ({"set": "load cell.rejection_dB", "values": [60, 80]}, "load cell: rejection (dB)", "dB"),
    ({"set": "buck.spectrum.1.2", "values": [0.1, 0.2]}, "buck: current of line 1 (A)", "A"),
    ({"set": "buck.spectrum.1.1", "values": [4e5, 5e5]}, "buck: frequency of line 1 (Hz)", "Hz"),
    ({"set": "gap.shape.width", "from": 1, "to": 2, "steps": 2, "label": "width of it"}, "width of it (mm)", "mm"),
    ({"move": "U1.AGND", "along": [[20, 60], [20, 65]], "steps": 2, "label": "way"}, "way (mm)", "mm"),
    ({"move": "U1.AGND", "along": [[20, 60], [20, 65]], "steps": 2, "label": "way, mm"}, "way, mm", "mm"),
    ({"set": "gap.shape.width", "from": 1, "to": 2, "steps": 2, "label": "gap of 5 mm"}, "gap of 5 mm (mm)", "mm"),
    ({"set": "clock.trapezoid.duty", "values": [0.4, 0.5], "label": "part on"}, "part on", ""),
    ({"set": "solve.accuracy", "values": [0.01, 0.02]}, "solve: accuracy", ""),
    ({"set": "wire.resistance_ohm", "values": [0, 1]}, "wire: resistance (Ω)", "Ω"),
    ({"set": "loop:stepper phase.frequency_Hz", "values": [1, 2]}, "stepper phase: frequency (Hz)", "Hz"),
]


@pytest.mark.parametrize(("quantity", "shown", "unit"), LABELS, ids=[row[1] for row in LABELS])
def test_an_axis_is_labelled_as_the_file_says_or_by_its_address_and_by_its_unit(quantity, shown, unit):
    case = swept(quantity)
    case["link"] = [{"name": "wire", "between": ["U1.AGND", "J2.SHELL"], "resistance_ohm": 1}]
    sweep = parse_case(text_of(case)).sweeps[0]
    assert (sweep.axes[0].label, sweep.axes[0].unit) == (shown, unit)
    assert all(step.case for step in sweep.steps)
    assert sweep.steps[0].case != sweep.steps[1].case


def test_a_step_that_cannot_be_built_is_left_out_with_its_reason():
    # Through the hole in the corner, whose radius is 1.6 mm.
    case = parse_case(text_of(swept({"move": "U1.AGND", "along": [[1, 5], [9, 5]], "steps": 5})))
    assert [step.case is None for step in case.sweeps[0].steps] == [False, False, True, False, False]
    assert len(case.assumptions) == len(parse_case(text_of(GOOD)).assumptions) + 1
    assert re.fullmatch(
        r'Sweep "s": 1 of its 5 steps cannot be built. At U1.AGND: distance along its way \(mm\) = 4, terminal '
        r'"U1.AGND": at \(5, 5\) mm lies inside cutout "hole", the nearest copper is .*; a terminal must touch copp.*',
        case.assumptions[-1],
    )


def test_many_steps_that_cannot_be_built_are_capped():
    case = parse_case(text_of(swept({"move": "U1.AGND", "along": [[60, 66], [130, 66]], "steps": 15})))
    failed = [step.at for step in case.sweeps[0].steps if step.case is None]
    assert len(failed) == 6
    assert case.assumptions[-1].count("lies off the copper") == 3
    assert case.assumptions[-1].endswith(". And 3 more.")


def test_fewer_than_two_good_steps_are_a_mistake():
    found = refused({"move": "U1.AGND", "along": [[90, 60], [130, 60]], "steps": 2})
    assert len(found) == 1
    assert re.match(
        r"only 1 of its 2 steps can be built \(at U1.AGND: .* = 40, terminal .* lies off the copper .*\); a sweep",
        found[0],
    )
    found = refused({"set": "gap.shap", "values": [1, 2]})
    assert len(found) == 1
    assert 'only 0 of its 2 steps can be built (at gap: shap = 1, cutout "gap": shap is an unknown key;' in found[0]
    found = refused({"set": "L2.copper_um", "values": [0, -1]})
    assert "at least 0.1 and at most 5000" in found[0]


SET = {"set": "L2.copper_um"}
BAD = [
    (
        [{}],
        r"^vary number 1: set is missing; it is given by set and values, by set, from, to and steps \(and perhaps sp",
    ),
    ([3], r"^vary number 1 is 3; must be a table; write \{ set"),
    ([], r"^vary is \[\], which has 0; must be a list of 1 to 2 quantities; write"),
    ([CURRENT] * 3, r"^vary is .*, which has 3; must be a list of 1 to 2 quantities"),
    ([CURRENT, CURRENT], r"^vary number 2: set is that of number 1 again; two quantities must differ; remove one"),
    (
        [CURRENT, CURRENT | {"set": "loop:stepper phase.current_A"}],
        r"^vary number 2: set is that of number 1 again; two quantities must differ; remove one",
    ),
    ([WAY, WAY | {"move": "terminal: U1.AGND"}], r"^vary number 2: move is that of number 1 again"),
    ([SET | {"values": [1]}], r"^vary number 1: values is \[1\]; must be a list of at least two numbers"),
    ([SET | {"values": 1}], r"^vary number 1: values is 1; must be a list of at least two"),
    ([SET | {"values": [1, "2"]}], r'^vary number 1: values is \[1, "2"\]; must be a list of at least two numbers'),
    (
        [SET | {"values": [1, 3, 2]}],
        r"^vary number 1: values is \[1, 3, 2\]; the values must all rise or all fall; sort",
    ),
    ([SET | {"values": [1, 1]}], r"the values must all rise or all fall"),
    ([SET | {"values": list(range(401))}], r"^vary number 1: values has 401 numbers; at most 400 are computed"),
    ([SET | {"from": 1, "to": 2}], r"^vary number 1: steps is missing; it is given by"),
    ([SET | {"from": 1, "steps": 2}], r"^vary number 1: to is missing"),
    ([{"values": [1, 2]}], r"^vary number 1: set is missing"),
    ([SET | {"from": 1, "to": 1, "steps": 2}], r"^vary number 1 has from and to both 1; the quantity must vary"),
    (
        [SET | {"from": 1, "to": 1 + 1e-15, "steps": 5}],
        r"^vary number 1 goes from 1.0 to 1.00\d+; the values must diff",
    ),
    (
        [SET | {"from": 0, "to": 1, "steps": 3, "spacing": "log"}],
        r"^vary number 1 goes down to 0; with log spacing both",
    ),
    (
        [SET | {"from": 1, "to": 2, "steps": 1}],
        r"^vary number 1: steps is 1; must be a whole number from 2 to 400, both",
    ),
    ([SET | {"from": 1, "to": 2, "steps": 2.0}], r"^vary number 1: steps is 2.0; must be a whole number"),
    ([SET | {"from": 1, "to": 2, "steps": True}], r"^vary number 1: steps is true; must be a whole number"),
    ([SET | {"from": 1, "to": 2, "steps": 401}], r"^vary number 1: steps is 401; must be a whole number from 2 to 400"),
    ([SET | {"from": 1, "to": 2, "steps": 2, "spacing": "exp"}], r'^vary number 1: spacing is "exp"; must be one of'),
    (
        [SET | {"values": [1, 2], "steps": 2}],
        r"^vary number 1 has steps beside set and values; it is given by set and va",
    ),
    ([WAY | {"values": [1, 2]}], r"^vary number 1 has values beside move and along"),
    ([WAY | SET], r"^vary number 1 has set beside move and along; it is given by"),
    ([{"move": "U1.AGND"}, CURRENT], r"^vary number 1: (along|steps) is missing"),
    (
        [WAY | {"along": [[1, 2]]}],
        r"^vary number 1: along is \[\[1, 2\]\], which has 1; must be a list of at least 2 poin",
    ),
    ([WAY | {"along": [[1, 2], [1, 2]]}], r"^vary number 1: along has point 1 and point 2 both at \(1, 2\) mm"),
    (
        [WAY | {"move": "USB"}],
        r'^vary number 1: move "USB" is a loop; only terminal, cutout, bridge and region can be mo',
    ),
    (
        [WAY | {"move": "U1.AGN"}],
        r'^vary number 1: move "U1.AGN" is not the name of anything; .*; did you mean "U1.AGND"',
    ),
    ([WAY | {"move": 3}], r"^vary number 1: move is 3; must be text"),
    (
        [CURRENT | {"set": "steper phase.current_A"}],
        r'^vary number 1: set "steper phase.current_A" names nothing; .*mean',
    ),
    ([CURRENT | {"set": "stepper phase"}], r'^vary number 1: set "stepper phase" has no key'),
    (
        [CURRENT | {"set": "USB.route.width_mm"}],
        r'^vary number 1: set "USB.route.width_mm" has no route; only the last',
    ),
    ([CURRENT | {"set": "gap.shape.slot.3.1"}], r'^vary number 1: set "gap.shape.slot.3.1" has no item 3 in'),
    ([CURRENT | {"sett": 1}], r"^vary number 1: sett is an unknown key; the nearest valid key is set"),
    ([CURRENT | {"value": [1]}], r"^vary number 1: value is an unknown key; the nearest valid key is values"),
]


@pytest.mark.parametrize(("vary", "message"), BAD, ids=[str(row[0])[:60] for row in BAD])
def test_each_mistake_is_named_once(vary, message):
    found = refused(*vary)
    missing = [line for line in found if " is missing" in line]
    assert len(found) == 1 or len(missing) == len(found), found  # each missing key is named
    assert any(re.search(message, line) for line in found), found


def test_other_mistakes_of_the_table():
    case = swept(CURRENT)
    case["sweep"] = [{"name": "s", "vary": CURRENT}, {"name": "t"}, {"name": "t", "vary": [CURRENT], "loops": []}]
    found = mistakes_of(case)
    assert [re.sub(r" is .*", "", line) for line in found] == [
        'sweep "s": vary',
        'sweep "t": vary',
        "sweep number 3: name",
        "sweep number 3: loops",
    ]


def test_the_steps_of_all_sweeps_are_counted():
    case = swept(SET | {"from": 10, "to": 90, "steps": 201})
    case["sweep"].append({"name": "t", "vary": [SET | {"from": 10, "to": 90, "steps": 200}]})
    found = mistakes_of(case)
    assert len(found) == 1
    assert found[0].startswith(
        '[[sweep]]: their steps are 401 in all (201 of sweep "s", 200 of sweep "t"); at most 400 are computed; '
    )
    product = mistakes_of(swept(SET | {"from": 10, "to": 90, "steps": 21}, CURRENT | {"values": list(range(1, 21))}))
    assert len(product) == 1
    assert "420 in all" in product[0]


def test_mistakes_of_the_case_and_its_sweeps_come_in_one_go():
    case = swept(CURRENT | {"set": "nobody.current_A"})
    case["loop"][0]["current_A"] = 0
    case["variant"] = [{"name": "v", "drop": ["nothing"]}]
    assert [line.split(":")[0] for line in mistakes_of(case)] == ['loop "stepper phase"', 'variant "v"', 'sweep "s"']


def test_a_hundred_steps_and_ten_variants_with_a_hundred_antipads():
    case = swept(WAY | {"steps": 100})
    case["variant"] = [{"name": f"v{k}", "set": {"board.temperature_C": 50 + k}} for k in range(10)]
    case["cutout"] += [
        {"name": f"pad {k}", "copper": "ground", "shape": {"circle": [53 + k % 25, 24.5 + k // 25], "diameter": 0.8}}
        for k in range(100)
    ]
    found = parse_case(text_of(case))
    assert (len(found.sweeps[0].steps), len(found.variants)) == (100, 10)


# --- board data that is supplied from elsewhere --------------------------------------------------------------


def test_parts_that_are_supplied_are_as_good_as_the_files_own_tables():
    plane, pins = rectangle(0, 0, 0.1, 0.08), MultiPolygon([circle(0.02, 0.06, 3e-4), circle(0.021, 0.06, 3e-4)])
    case = copy.deepcopy(GOOD)
    del case["layer"], case["copper"], case["terminal"][0], case["board"]["outline"]
    case["variant"] = [
        {"name": "moved", "move": {"U1.AGND": [30.5, 70]}},
        {"name": "thick", "set": {"L2.copper_um": 70}},
    ]
    case["sweep"] = [{"name": "s", "vary": [WAY]}]
    supplied = Supplied(
        board={"outline": plane},
        parts={
            "layer": [Layer(name="L1", thickness=35e-6, below=0.2e-3), GOOD["layer"][1]],
            "copper": [Copper(name="ground", layer="L2", shape=plane)],
            "terminal": [Terminal(name="U1.AGND", copper="ground", shape=pins)],
        },
        assumptions=("As supplied.",),
    )
    seen = []

    def supply(own):
        seen.append(set(own))
        return supplied

    result = parse_case(text_of(case), supply=supply)
    assert seen == [set(case)]
    assert result.assumptions[0] == "As supplied."
    assert result.board.coppers[0].shape is plane
    assert result.board.terminals[0].shape is pins
    assert result.board.terminal("J4.GND").centre == pytest.approx((0.02, 0.02))
    assert result.variants[0].changes[0] == '"U1.AGND" moves from (20.5, 60) to (30.5, 70) mm'
    assert result.variants[0].case.board.terminal("U1.AGND").centre == pytest.approx((0.0305, 0.07))
    assert result.variants[1].case.board.coppers[0].shape is plane
    assert len([step for step in result.sweeps[0].steps if step.case]) == 7
    with pytest.raises(ValueError, match=r"^no such folder$"):
        parse_case(text_of(case), supply=lambda _: dataclasses.replace(supplied, mistakes=("no such folder",)))
