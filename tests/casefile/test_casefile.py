import math
import re

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from shapely import Point

from cases import DELETE, FULL, GOOD, attempt, edited, mistakes_of, text_of
from returnflow_geometry.casefile.read import MAX_BYTES, CaseError, parse_case, read_case
from returnflow_geometry.model.board import Trapezoid


def test_good_case_in_si_units():
    case = parse_case(text_of(GOOD))
    board = case.board
    assert case.title == "weighing scale, demo"
    assert board.outline.bounds == (0, 0, 0.1, 0.08)
    assert board.temperature == 40
    assert (board.layers[0].thickness, board.layers[0].below) == (35e-6, 0.2e-3)
    assert board.layers[1].below is None
    assert board.terminal("U1.AGND").centre == pytest.approx((0.02, 0.06))
    assert board.terminal("U1.AGND").shape.area == pytest.approx(3.14159265 * 0.15e-3**2)
    assert len(board.terminal("U1.AGND").shape.exterior.coords) >= 24 + 1
    assert board.terminal("J1.SHIELD").bonded == "in the housing"
    assert board.terminal("J1.SHIELD").shape.area == pytest.approx(4e-3 * 10e-3)
    assert len(board.cutouts[1].shape.geoms) == 3
    assert board.cutouts[0].shape.area == pytest.approx(60e-3 * 0.5e-3)
    stepper, cell, usb, clock, buck = case.loops
    assert (stepper.role, stepper.inject, stepper.return_) == ("noisy", "U3.PGND", "J4.GND")
    assert (stepper.current, stepper.frequency) == (1.2, 20e3)
    assert (cell.signal, cell.tolerates, cell.band) == (0.01, 1e-6, (0, 1000))
    assert usb.limit == 1e-3
    assert usb.band == (9e3, 1e9)
    assert case.sections[0].path == ((0.05, 0.06), (0.05, 0.08))
    assert case.regions[0].shape.area == pytest.approx(45e-3 * 30e-3)
    assert case.accuracy == 0.005
    assert case.frequencies == (0, 50, 1e6)
    assert (stepper.route.layer, stepper.route.width) == ("L1", 0.5e-3)
    assert stepper.route.path == ((0.02, 0.02), (0.05, 0.065), (0.08, 0.02))
    assert clock.trapezoid == Trapezoid(frequency=8e6, swing=0.02, rise=4e-9, duty=0.4)
    assert buck.spectrum == ((0, 0.5), (4e5, 0.2), (8e5, 0.1))
    assert (clock.current, buck.current, stepper.spectrum, stepper.trapezoid) == (None,) * 4
    assert (cell.route, usb.route) == (None, None)
    heights = [
        f'Loop "{loop}": its outgoing conductor runs 0.2 mm over the copper "ground" (between facing surfaces).'
        for loop in ("stepper phase", "clock", "buck")
    ]
    assert case.assumptions == tuple(heights)


def test_the_case_with_every_table_is_good():
    case = parse_case(text_of(FULL))
    assert [variant.name for variant in case.variants] == ["better"]
    assert [(sweep.name, len(sweep.steps)) for sweep in case.sweeps] == [("place", 2), ("two", 4)]
    assert all(step.case for sweep in case.sweeps for step in sweep.steps)


def test_text_as_people_write_it(tmp_path):
    text = """
format = 1
title = "Ω demo"
[board]
outline = { circle = [0, 0], diameter = 50 }
[[layer]]
name = "top"
copper_um = 35
[[copper]]
name = "pour"
layer = "top"
[[terminal]]
name = "A"
copper = "pour"
at = [-10, 0]
diameter_mm = 1
[[terminal]]
name = "B"
copper = "pour"
at = [10, 0]
diameter_mm = 1
[[loop]]
name = "l"
role = "noisy"
inject = "A"
return = "B"
current_A = 1
"""
    path = tmp_path / "case.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    case = read_case(path)
    assert case.title == "Ω demo"
    assert case.board.coppers[0].shape == case.board.outline
    assert case.accuracy == 0.01
    assert case.frequencies == (0,)
    assert case.board.temperature == 25
    for sentence in ("temperature_C is not given, taken as 25", "shape is not given", "in the band of every"):
        assert any(sentence in assumption for assumption in case.assumptions), sentence
    assert len(case.assumptions) == 3


ASSUMED = [
    ([("loop.0.route.width_mm", DELETE)], r'^Loop "stepper phase": route.width_mm is not given, taken as 0.2 mm\.$'),
    ([("loop.0.route", DELETE)], r'^Loop "stepper phase": closed far away: no outgoing conductor is given, so its ret'),
    ([("loop.3.route", DELETE)], r'^Loop "clock": closed far away'),
    ([("loop.4.route", DELETE)], r'^Loop "buck": closed far away'),
    ([("loop.3.route", DELETE), ("loop.3.trapezoid.frequency_Hz", 50)], r'^Loop "clock": closed far away'),
    (
        [("loop.0.frequency_Hz", 1.5e9)],
        r'^Loop "stepper phase": its current reaches 1.5 GHz, above 1 GHz, where few bo',
    ),
    (
        [("loop.3.route", DELETE), ("loop.3.trapezoid", {"frequency_Hz": 1100, "swing_A": 1, "rise_s": 4e-4})],
        r'^Loop "clock": closed far away',
    ),
    (
        [("loop.1.band_Hz", [0, 2000])],
        r'^Loop "load cell": closed far away: .* so what it hears above 1 kHz is that of',
    ),
    ([("loop.3.trapezoid.rise_s", 1e-10)], r'^Loop "clock": its current reaches 3.18 GHz'),
    ([("loop.4.spectrum.1.0", 1.1e9)], r'^Loop "buck": its current reaches 1.1 GHz'),
    ([("solve.frequencies_Hz", [2e9, 1e6])], r"^\[solve\]: frequencies_Hz reaches 2 GHz, above 1 GHz"),
    (
        [("loop.0.frequency_Hz", DELETE)],
        r'^Loop "stepper phase": frequency_Hz is not given, its current is taken as in',
    ),
    (
        [("loop.0.route.path", [[20, 20], [50, 65], [79, 21]])],
        r'its route ends at \(79, 21\) mm, beside the contact of terminal "U3.PGND": a straight piece of 1.41 mm to',
    ),
    ([("loop.0.route.path.0", [21, 21])], r'its route starts at \(21, 21\) mm, beside .* "J4.GND": .* of 1.41 mm to'),
    (
        [("loop.4.route.path.0", [7.5, 56])],
        r"starts at \(7.5, 56\) mm, .* a straight piece of 1.5 mm to \(6, 56\) mm is",
    ),
]


@pytest.mark.parametrize(("edits", "sentence"), ASSUMED)
def test_each_assumption_is_said_once(edits, sentence):
    good = set(parse_case(text_of(GOOD)).assumptions)
    said = [line for line in parse_case(text_of(edited(*edits))).assumptions if line not in good]
    assert len(said) == 1, said
    assert re.search(sentence, said[0]), said[0]


@pytest.mark.parametrize(
    "edits",
    [
        [("loop.0.route", DELETE), ("loop.0.frequency_Hz", 1000)],
        [("loop.0.frequency_Hz", 1e9)],
        [("loop.4.route", DELETE), ("loop.4.spectrum", [[0, 1], [1000, 1]])],
        [("loop.3.route", DELETE), ("loop.3.trapezoid", {"frequency_Hz": 100, "swing_A": 1, "rise_s": 1e-3})],
        [("solve.frequencies_Hz", [1e9])],
        [("loop.4.route.path.0", [6, 56])],
    ],
)
def test_no_assumption_without_a_reason(edits):
    assert set(parse_case(text_of(edited(*edits))).assumptions) <= set(parse_case(text_of(GOOD)).assumptions)


def test_a_height_is_named_from_the_copper_up_or_down():
    layers = [
        {"name": "L1", "copper_um": 35, "below_mm": 0.2},
        {"name": "L2", "copper_um": 18, "below_mm": 0.7},
        {"name": "L3", "copper_um": 70, "below_mm": 0.1},
        {"name": "L4", "copper_um": 35},
    ]
    case = edited(("layer", layers), ("loop.0.route.layer", "L4"))
    said = parse_case(text_of(case)).assumptions[0]
    assert said.startswith('Loop "stepper phase": its outgoing conductor runs 0.87 mm under the copper "ground" (')


def test_a_triangle_and_zero_are_stored_exactly():
    trapezoid = {"frequency_Hz": 3, "swing_A": 1, "rise_s": 0.1666666667}
    edits = ("loop.3.trapezoid", trapezoid), ("loop.4.spectrum", [[-0.0, 1]]), ("solve.frequencies_Hz", [-0.0])
    case = parse_case(text_of(edited(*edits)))
    assert case.loops[3].trapezoid == Trapezoid(frequency=3, swing=1, rise=0.5 / 3, duty=0.5)
    assert str(case.loops[4].spectrum[0][0]) == str(case.frequencies[0]) == "0.0"


def test_a_route_to_a_contact_that_has_no_copper_at_its_centre():
    # L-shaped, 0.2 mm wide: the way leads to the nearest edge, as the centre lies beside the contact.
    corner = [[20, 20], [21, 20], [21, 20.2], [20.2, 20.2], [20.2, 21], [20, 21]]
    terminal = {"name": "J4.GND", "copper": "ground", "shape": {"polygon": corner}}
    case = parse_case(text_of(edited(("terminal.3", terminal), ("loop.0.route.path", [[20.5, 19], [80, 20]]))))
    assert case.loops[0].route.path[0] == pytest.approx((0.0205, 0.02))
    assert case.loops[0].route.path[1] == pytest.approx((0.0205, 0.019))


def test_a_route_the_wrong_way_round_between_near_contacts():
    # Each end lies within the reach of both contacts.
    case = edited(("terminal.2.at", [21.5, 20]), ("loop.0.route.path", [[21.5, 20], [20, 20]]), ("loop.3", DELETE))
    found = mistakes_of(case)
    assert len(found) == 1, found
    assert "runs the wrong way round" in found[0]


COORDINATES = st.tuples(st.integers(0, 100), st.integers(0, 80)).map(list)
ENDS = st.tuples(st.floats(0, 2.2), st.floats(0, 6.28))


@settings(max_examples=50, deadline=None)
@given(ENDS, st.lists(COORDINATES, max_size=4), ENDS)
def test_a_route_leads_from_contact_to_contact_or_is_refused(first, middle, last):
    """A trace of random corners whose ends lie in, beside or off the contacts (radius 0.5 and 0.3 mm)."""
    start, end = (
        [x + r * math.cos(angle), y + r * math.sin(angle)]
        for (x, y), (r, angle) in (((20, 20), first), ((80, 20), last))
    )
    drawn = [start, *middle, end]
    case, mistakes = attempt(text_of(edited(("loop.0.route.path", drawn))))
    turned, refused = attempt(text_of(edited(("loop.0.route.path", drawn[::-1]))))
    assert turned is None
    if mistakes:
        assert len(mistakes) <= 2
        return
    assert any("the wrong way round" in line for line in refused)
    route, points = case.loops[0].route.path, [(x / 1000, y / 1000) for x, y in drawn]
    for terminal, place in (("J4.GND", route[0]), ("U3.PGND", route[-1])):
        assert case.board.terminal(terminal).shape.distance(Point(place)) < 1e-6
    # What was drawn is there, and whatever is added says so.
    added = sum("a straight piece" in line for line in case.assumptions)
    assert len(route) == len(points) + added
    assert any(list(route[k : k + len(points)]) == points for k in range(added + 1))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 1e10), st.floats(1e-9, 1e3)), min_size=1, max_size=30, unique_by=lambda line: line[0]
    )
)
def test_a_spectrum_is_stored_ascending(lines):
    case = parse_case(text_of(edited(("loop.4.spectrum", [list(line) for line in lines]))))
    assert case.loops[4].spectrum == tuple(sorted(lines))


@settings(max_examples=50, deadline=None)
@given(st.floats(0.01, 1e8), st.floats(0.01, 0.99), st.floats(0.01, 2))
def test_a_trapezoid_fits_into_its_period_or_is_refused(frequency, duty, part):
    """Rise as a part of the shorter of high and low time: at 1 it is a triangle or the edges meet."""
    rise = part * min(duty, 1 - duty) / frequency
    table = {"frequency_Hz": frequency, "swing_A": 1, "rise_s": rise, "duty": duty}
    case, _ = attempt(text_of(edited(("loop.3.trapezoid", table))))
    assert (case is not None) == (part <= 1 + 1e-9)
    if case:
        assert 0 < case.loops[3].trapezoid.rise <= min(duty, 1 - duty) / frequency


def test_temperature_outside_the_linear_law_is_an_assumption():
    assumptions = parse_case(text_of(edited(("board.temperature_C", 250)))).assumptions
    assert any("outside -60 to 200 °C" in sentence for sentence in assumptions)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("format = \ntitle = 3", r"^case: line 1, column 10: format =; this is not TOML \(Invalid value\)"),
        ("format = 1\r\nformat = 1\r\n", r"^case: line 2, column 11: format = 1; this is not TOML"),
        ("a = '''", r"^case: end of the file; this is not TOML"),
        ("a = " + "1" * 5000, r"^case: a value; this is not TOML"),
        ("a = " + "[" * 100_000, r"^case: brackets are nested too deeply"),
        ("#" * (MAX_BYTES + 1), r"^case: has more than 10 MB"),
        ("\x00", r"^case: line 1, column 1: \\x00; this is not TOML"),
    ],
)
def test_text_that_is_not_toml(text, message):
    found = mistakes_of(text)
    assert len(found) == 1
    assert re.search(message, found[0]), found[0]


def test_empty_text_asks_for_what_is_required():
    found = mistakes_of("")
    assert [line.split(" is missing")[0] for line in found] == [
        "format",
        "title",
        "board",
        "[[layer]]",
        "[[copper]]",
        "[[terminal]]",
        "[[loop]]",
    ]


def test_files_that_cannot_be_read(tmp_path):
    (tmp_path / "latin.toml").write_bytes("format = 1\ntitle = 'Ü'".encode("latin-1"))
    (tmp_path / "huge.toml").write_bytes(b"#" * (MAX_BYTES + 1))
    for path, message in [
        (tmp_path, "is a folder"),
        (tmp_path / "none.toml", "does not exist"),
        (tmp_path / "latin.toml", r"line 2 has the byte 0xdc, which is not UTF-8"),
        (tmp_path / "huge.toml", "has more than 10 MB"),
        ("nul\0.toml", r"cannot be read"),
        (tmp_path / "latin.toml" / "x", r"cannot be read"),
        ("x" * 5000, r"cannot be read"),
    ]:
        with pytest.raises(CaseError, match=message) as caught:
            read_case(path)
        assert len(caught.value.mistakes) == 1


NUMBERS = st.one_of(
    st.integers(),
    st.floats(),
    st.integers(0, 20_000).map(lambda bits: 1 << bits),
    st.sampled_from([1e308, 5e-324, -0.0]),
)
LEAVES = st.one_of(
    NUMBERS,
    st.booleans(),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    st.dates(),
    st.sampled_from(["ground", "U1.AGND", "noisy", "L1"]),
)
SHAPE_KEYS = st.sampled_from(["rect", "circle", "polygon", "slot", "width", "diameter", "name", "at", "source"])
POINTS = st.lists(st.lists(st.one_of(st.integers(-5, 105), NUMBERS), min_size=2, max_size=2), max_size=7)
VALUES = st.recursive(
    st.one_of(LEAVES, POINTS),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(SHAPE_KEYS, st.text(max_size=5)), inner, max_size=4),
    ),
    max_leaves=8,
)


def paths_of(value, way=()):
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else []
    for key, inner in items:
        yield (*way, key)
        yield from paths_of(inner, (*way, key))


PATHS = sorted(paths_of(FULL), key=str)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(PATHS), st.one_of(VALUES, st.just(DELETE)))
@example("cutout.3.shape.polygon", [[0, 0], [1e-300, 1], [5e-324, 5]])
@example("board.outline", {"\x1f": 0})
def test_any_value_anywhere_is_accepted_or_refused_cleanly(path, value):
    case, mistakes = attempt(text_of(edited((path, value), case=FULL)))
    assert case or mistakes
    assert all(line.isprintable() and len(line) < 1500 for line in mistakes or case.assumptions)


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(["rect", "circle", "polygon", "slot"]), POINTS, st.floats(1e-3, 60))
def test_any_drawn_shape_is_valid_or_refused(kind, points, size):
    drawn = {
        "rect": {"rect": [c for point in points[:2] for c in point]},
        "circle": {"circle": points[0] if points else [], "diameter": size},
        "polygon": {"polygon": points},
        "slot": {"slot": points, "width": size},
    }[kind]
    case, mistakes = attempt(text_of(edited(("region.0.shape", drawn))))
    if mistakes:
        assert len(mistakes) <= 3
    else:
        assert case.regions[0].shape.is_valid
        assert case.regions[0].shape.area > 0


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_damaged_text_is_accepted_or_refused_cleanly(data):
    text = text_of(FULL)
    start = data.draw(st.integers(0, len(text)))
    end = min(len(text), start + data.draw(st.integers(0, 30)))
    inserted = data.draw(st.one_of(st.text(max_size=10), st.sampled_from(['"', "[", "]", "{", "\n", "=", "'''", "."])))
    case, mistakes = attempt(text[:start] + inserted + text[end:])
    assert case or mistakes
