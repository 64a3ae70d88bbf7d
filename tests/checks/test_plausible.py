"""Values that are legal and hardly meant, and what a route faces first."""

import pytest

from cases import GOOD, edited, text_of
from returnflow_geometry.casefile.read import parse_case

WIRE = {"name": "wire", "between": ["U1.AGND", "J2.SHELL"], "resistance_ohm": 0.001}
WIRE_SAID = (
    'link "wire": its ends lie 70.057 mm apart; a via has both at one place, and a wire as long about 70 nH; check'
)


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("board.temperature_C", 400, "[board]: temperature_C is 400; boards are used from -100 to 260 °C; check"),
        ("layer.0.copper_um", 1, 'layer "L1": copper_um is 1; copper foil has 5 to 420 um; check the value and its'),
        ("layer.0.below_mm", 90, 'layer "L1": below_mm is 90; a dielectric has 0.008 to 6.5 mm; check the value and'),
        ("link", [WIRE], WIRE_SAID),
        ("link", [WIRE | {"inductance_H": 1e-9}], WIRE_SAID),
        ("link", [WIRE | {"inductance_H": 0.5}], 'link "wire": inductance_H is 0.5; a via has about 1e-9 H per mm'),
        (
            "link",
            [WIRE | {"inductance_H": 1e-7, "capacitance_F": 0.9}],
            'link "wire": capacitance_F is 0.9; capacitors',
        ),
        ("loop.0.current_A", 1200, 'loop "stepper phase": current_A is 1200; boards carry up to 1000 A; check the'),
    ],
)
def test_what_is_hardly_meant_is_said_once(path, value, said):
    (warning,) = parse_case(text_of(edited((path, value)))).warnings
    assert warning.startswith(said)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("layer.0.copper_um", 105),
        ("board.temperature_C", 125),
        ("link", [WIRE | {"inductance_H": 80e-9}]),  # a wire of that length
    ],
)
def test_what_boards_have_is_not(path, value):
    assert parse_case(text_of(edited((path, value)))).warnings == ()
    assert parse_case(text_of(GOOD)).warnings == ()


LAYERS = [
    {"name": "L1", "copper_um": 35, "below_mm": 0.2},
    {"name": "L2", "copper_um": 35, "below_mm": 1.1},
    {"name": "L3", "copper_um": 35, "below_mm": 0.2},
    {"name": "L4", "copper_um": 35},
]


class TestRoutesThatCross:
    """Two conductors of one layer that cross are one."""

    def said(self, **other):
        route = {"layer": "L1", "path": [[50, 60], [50, 12]], "width_mm": 0.2} | other
        loop = {"name": "over it", "role": "noisy", "inject": "one", "return": "two", "current_A": 1, "route": route}
        ends = [
            {"name": n, "copper": "ground", "at": at, "diameter_mm": 1}
            for n, at in (("one", [50, 12]), ("two", [50, 60]))
        ]
        straight = {"layer": "L1", "path": [[20, 40], [80, 40]], "width_mm": 0.3}
        across = {**loop, "name": "across", "inject": "east", "return": "west", "route": straight}
        ends += [
            {"name": n, "copper": "ground", "at": at, "diameter_mm": 1}
            for n, at in (("west", [20, 40]), ("east", [80, 40]))
        ]
        board = [("layer", LAYERS), ("copper", [{"name": "ground", "layer": "L2"}]), ("terminal", ends)]
        text = {"format": 1, "title": "crossing", "board": {"outline": {"rect": [0, 0, 100, 80]}}}
        text |= dict(board) | {"loop": [loop, across]}
        return [line for line in parse_case(text_of(text)).warnings if "crosses" in line]

    def test_are_told_with_the_place(self):
        (line,) = self.said()
        assert line.startswith('loop "over it": its route crosses that of "across" on layer "L1" at (50, 40) mm;')

    def test_on_two_layers_or_where_one_ends_on_the_other_they_are_not(self):
        assert self.said(layer="L4") == []
        assert self.said(path=[[50, 60], [85, 60], [85, 12], [50, 12]]) == []


class TestFacing:
    """The nearest copper along half of a route's way is named before that of its ends."""

    def said(self, rect):
        other = {"name": "other", "layer": "L3", "shape": {"rect": rect}}
        changes = ("layer", LAYERS), ("loop.0.route.layer", "L4"), ("copper.1", other)
        return next(line for line in parse_case(text_of(edited(*changes))).assumptions if "stepper phase" in line)

    def test_a_plane_that_lies_nearer_is_named_first(self):
        assert 'runs 0.2 mm under the copper "other" and 1.335 mm under the copper "ground" (' in self.said(
            [0, 0, 100, 80]
        )

    def test_a_patch_that_it_hardly_passes_is_not(self):
        assert 'runs 1.335 mm under the copper "ground" (' in self.said([18, 18, 25, 25])
