"""Routes that change layers: a list of legs, each with its layer, path and width."""

import numpy as np
import pytest

from cases import edited, text_of
from returnflow.magnetic.routes import routes_of
from returnflow_geometry.casefile.read import CaseError, parse_case

LAYERS = [
    {"name": "L1", "copper_um": 35, "below_mm": 0.2},
    {"name": "L2", "copper_um": 18, "below_mm": 1.0},
    {"name": "L3", "copper_um": 35},
]
LEGS = [
    {"layer": "L1", "path": [[20, 20], [50, 65]], "width_mm": 0.5},
    {"layer": "L3", "path": [[50, 65], [80, 60], [80, 20]], "width_mm": 0.3},
]
CASE = edited(("layer", LAYERS), ("loop.0.route", LEGS))


def read(case=CASE):
    return parse_case(text_of(case))


def refused(case):
    with pytest.raises(CaseError) as caught:
        read(case)
    return caught.value.mistakes


def test_it_is_one_way_with_the_layer_of_its_longest_leg():
    route = read().loop("stepper phase").route
    assert np.array(route.path) * 1e3 == pytest.approx(np.array([[20, 20], [50, 65], [80, 60], [80, 20]]))
    assert (route.layer, route.width) == ("L3", pytest.approx(0.3e-3))
    assert [leg.layer for leg in route.legs] == ["L1", "L3"]


def test_each_leg_has_its_height_over_the_plane():
    # Between facing surfaces: 0.2 mm over the plane, and 1 mm below it.
    route = routes_of(read(), "ground", ["ground"])[0]
    assert [leg.height * 1e3 for leg in route.legs] == pytest.approx([0.2, -1.0])
    assert route.height == pytest.approx(-1e-3)
    assert len(route.path) == 4


def test_how_far_it_runs_on_which_layer_is_said():
    (line,) = [line for line in read().assumptions if "stepper phase" in line]
    assert 'runs 54.1 mm on "L1", 0.2 mm over the copper "ground"; 70.4 mm on "L3", 1 mm under the copper "gr' in line


def test_legs_on_one_layer_are_one():
    one = edited(("layer", LAYERS), ("loop.0.route", [LEGS[0], LEGS[1] | {"layer": "L1", "width_mm": 0.5}]))
    route = read(one).loop("stepper phase").route
    assert route.legs == ()
    assert len(route.path) == 4


def test_its_ends_follow_their_terminals():
    variant = {"name": "v", "move": {"U3.PGND": [82, 24], "J4.GND": [22, 21]}}
    route = read(CASE | {"variant": [variant]}).variants[0].case.loop("stepper phase").route
    assert np.array(route.legs[0].path) * 1e3 == pytest.approx(np.array([[22, 21], [50, 65]]))
    assert np.array(route.legs[1].path[-1]) * 1e3 == pytest.approx([82, 24])


def test_ends_beside_their_contacts_are_led_there():
    legs = [LEGS[0] | {"path": [[20, 21], [50, 65]]}, LEGS[1]]
    route = read(edited(("loop.0.route", legs), case=CASE)).loop("stepper phase").route
    assert route.path[0] == route.legs[0].path[0] == pytest.approx((20e-3, 20e-3))


def test_only_its_own_leg_may_short_a_copper_on_that_layer():
    patch = {"name": "patch", "layer": "L1", "shape": {"rect": [78, 30, 81, 34]}}
    assert read(edited(("copper.1", patch), case=CASE))
    assert "lies on the copper" in refused(edited(("copper.1", patch | {"layer": "L3"}), case=CASE))[0]


@pytest.mark.parametrize(
    ("legs", "said"),
    [
        ([LEGS[0], LEGS[1] | {"path": [[51, 65], [80, 20]]}], 'route number 2 starts at (51, 65) mm, 1 mm from'),
        ([LEGS[0], LEGS[1] | {"layer": "L9"}], 'route number 2.layer is "L9"; no layer has that name'),
        ([], 'route is []; must be a table'),
        ("auto", "a way is found on fabrication data, and the case names none"),
    ],
)  # fmt: skip
def test_mistakes(legs, said):
    assert said in refused(edited(("loop.0.route", legs), case=CASE))[0]
