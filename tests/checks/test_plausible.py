"""Values that are legal and hardly meant, and what a route faces first."""

import pytest

from cases import DELETE, GOOD, edited, text_of
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
        ("loop.0.current_A", 101, 'loop "stepper phase": current_A is 101; boards carry up to 100 A; check the value'),
        (
            "loop.4.spectrum",
            [[0, 500], [1e3, 0.1]],
            'loop "buck": a line of spectrum is 500; boards carry up to 100 A; check the value and its unit.',
        ),
        ("loop.3.trapezoid.swing_A", 300, 'loop "clock": trapezoid.swing_A is 300; boards carry up to 100 A;'),
        # sqrt(4 k T R) of 50 ohm at 293 K is 0.9 nV in 1 Hz (textbook)
        ("loop.1.tolerates_V", 2e-16, 'loop "load cell": tolerates_V is 2e-16; the heat of 50 ohm makes 1 nV in 1 Hz;'),
        (
            "loop.1.band_Hz",
            [1.5e9, 2e9],
            'loop "load cell": band_Hz begins at 1.5 GHz; no noisy loop has a line above 992 MHz, so that nothing is',
        ),
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
        ("loop.0.current_A", 100),
        ("loop.1.tolerates_V", 1e-9),
        ("loop.1.band_Hz", [992e6, 2e9]),  # the last harmonic of the clock of 8 MHz below 1 GHz
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


@pytest.mark.parametrize(("plating", "said"), [(200, True), (61, True), (60, False), (25, False)])
def test_walls_of_holes_have_no_such_plating(plating, said):
    below = {"name": "power", "layer": "L3"}
    vias = {"name": "stitch", "coppers": ["ground", "power"], "drill_mm": 0.3, "plating_um": plating, "at": [[30, 30]]}
    case = edited(("layer", LAYERS), ("copper.1", below), ("vias", [vias]), ("cutout", DELETE))
    found = parse_case(text_of(case)).warnings
    rule = "walls of holes have up to 60 um; check the value and its unit."
    assert found == ((f'vias "stitch": plating_um is {plating}; {rule}',) if said else ())


def test_a_current_of_no_known_frequency_is_in_every_band():
    deaf = ("loop.1.band_Hz", [1.5e9, 2e9])
    assert len(parse_case(text_of(edited(deaf))).warnings) == 1
    assert parse_case(text_of(edited(deaf, ("loop.0.frequency_Hz", DELETE)))).warnings == ()


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

    def test_are_told_also_where_both_share_a_stretch(self):
        """Two loops over one conductor for a while, which is drawn twice, and across one another elsewhere."""
        shared = [[50, 60], [30, 60], [30, 40], [40, 40], [40, 50], [60, 30], [50, 12]]
        (line,) = self.said(path=shared)
        assert 'on layer "L1" at (50, 40) mm' in line

    def test_along_one_another_they_are_not(self):
        assert self.said(path=[[50, 60], [30, 60], [30, 40], [50, 40], [50, 12]]) == []

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

    def test_a_plane_along_half_of_the_way_is_told_with_how_far(self):
        """The route is 108 mm long: from x = 50 mm on it is over the other plane, for half of its way."""
        assert (
            'runs 0.2 mm under the copper "other" along 54.1 mm and 1.335 mm under the copper "ground" ('
            in self.said([50, 0, 100, 80])
        )

    def test_every_leg_of_a_route_has_its_height(self):
        legs = [
            {"layer": "L1", "path": [[20, 20], [50, 20]], "width_mm": 0.5},
            {"layer": "L4", "path": [[50, 20], [50, 65]], "width_mm": 0.5},
            {"layer": "L1", "path": [[50, 65], [80, 65], [80, 20]], "width_mm": 0.5},
        ]
        changes = ("layer", LAYERS), ("loop.0.route", legs)
        line = next(line for line in parse_case(text_of(edited(*changes))).assumptions if "stepper phase" in line)
        assert line == (
            'Loop "stepper phase": its outgoing conductor runs 105 mm on "L1", 0.2 mm over the copper "ground"; 45 mm '
            'on "L4", 1.335 mm under the copper "ground" (between facing surfaces).'
        )
