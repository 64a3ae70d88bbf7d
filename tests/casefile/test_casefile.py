import math
import re

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from shapely import Point

from cases import DELETE, FULL, GOOD, PLANE, attempt, edited, mistakes_of, text_of
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


# path, value, message. Each makes exactly one mistake, and no two of them depend on each other.
INDEPENDENT = [
    ("format", 2, r"^format is 2; this version reads format = 1; write format = 1$"),
    ("format", True, r"^format is true; this version"),
    ("title", DELETE, r"^title is missing; reports show it; write a title$"),
    ("title", "", r'^title is ""; must not be empty'),
    ("title", "a\nb", r"^title is \"a\\nb\"; must be one line of printable text"),
    ("board.outlin", PLANE, r"^\[board\]: outlin is an unknown key; the nearest valid key is outline"),
    ("board.temperature_K", 300, r"wrong unit: this key is temperature_C, in degrees Celsius"),
    (
        "board.temperature_C",
        -235,
        r"temperature_C is -235; must be .*, greater than -234",
    ),
    ("board.temperature_C", -280, r"temperature_C is -280; must be a bare number in degrees Celsius, greater than"),
    ("board.temperature_C", "25", r'^\[board\]: temperature_C is "25"; .*without quotation marks'),
    ("board.temperature_C", True, r"temperature_C is true; must be a bare number"),
    ("board.source", "plane", r"^\[board\]: source is not supported by this version: move it to the top of the file$"),
    ("layer.0.copper_um", "1 oz", r'^layer "L1": copper_um is "1 oz"; .*micrometres.*1 oz .* is about 35'),
    ("layer.0.copper_um", "35 um", r'"35 um"; must be a bare number in micrometres.*; write the number alone'),
    ("layer.0.copper_um", 0.035, r"copper_um is 0.035; .* at least 0.1"),
    ("layer.0.below_mm", DELETE, r'^layer "L1": below_mm is missing; every layer but the last'),
    ("layer.0.below_um", 200, r"wrong unit: this key is below_mm, in millimetres"),
    ("layer.1.below_mm", 0.2, r'^layer "L2": below_mm is given for the last layer; there is no layer below'),
    ("layer.1.copper_mm", 0.035, r'^layer "L2": copper_mm is .*wrong unit: this key is copper_um, in micrometres'),
    ("layer.1.copper_um", float("nan"), r"copper_um is nan; must be a bare number"),
    ("layer.1.copper_um", 10**400, r"copper_um is a whole number of more than 20 digits; must be"),
    ("layer.1.copper_um", 1 << 20000, r"copper_um is a whole number of more than 20 digits; must be"),
    ("cutout.0.shape", {"slot": [[50, 0], [50, 0]], "width": 1}, r"slot has point 1 and point 2 both at \(50, 0\)"),
    ("cutout.0.shape", {"slot": [[50, 0], [50, 9]]}, r'^cutout "gap": shape.width is missing'),
    ("cutout.0.shape", {"slot": [[50, 0]], "width": 1}, r"which has 1; must be a list of at least 2 points"),
    ("cutout.0.shape", {"slot": [50, 0, 50, 9], "width": 1}, r"put each point in brackets of its own"),
    ("cutout.0.shape", {"slot": [[50, 0], [50, 9]], "width": 0}, r"shape.width is 0; .*at least 0.001"),
    ("cutout.0.shape", {"slot": [[50, 0], [90, 0], [50, 1]], "width": 1}, r"slot bends so sharply that its corner"),
    ("cutout.0.shape", {"rect": [1, 2, 1, 5]}, r"shape.rect has x0 and x1 both 1; the two opposite corners"),
    ("cutout.0.shape", {"rect": [1, 2, 1, 2]}, r"has x0 and x1 both 1 and y0 and y1 both 2;"),
    ("cutout.0.shape", {"rect": [1, 2, 3]}, r"shape.rect is \[1, 2, 3\], which has 3; must be \[x0, y0, x1, y1\]"),
    ("cutout.0.shape", {"rect": [1, 2, 3, 4000]}, r"each finite and between -2000 and 2000"),
    ("cutout.0.shape", {"rect": [1, 2, 3, True]}, r"shape.rect is \[1, 2, 3, true\]; must be"),
    ("cutout.0.shape", {"rectangle": [1, 2, 3, 4]}, r"shape.rectangle is an unknown key; the nearest valid key is r"),
    ("cutout.0.shape", [0, 0, 1, 1], r"shape is \[0, 0, 1, 1\]; must be a table that draws a shape; write \{ rect"),
    ("cutout.0.shape", {}, r"shape is \{\}; must have exactly one of rect, circle, polygon, slot"),
    ("cutout.0.shape", {"rect": [1, 2, 3, 4], "circle": [1, 2], "diameter": 3}, r"must have exactly one of"),
    ("cutout.0.circles", [[1, 2]], r'^cutout "gap": shape and circles are given together; it is drawn by shape or'),
    ("cutout.0.copper", "ground plane", r'copper is "ground plane"; no copper has that name, there are "ground"'),
    ("cutout.1.circles", [], r"circles is \[\], which has 0; must be a list of at least 1 point \["),
    ("cutout.1.circles", [[70, 5], [72, 5], [70, 5]], r"circles has point 1 and point 3 both at \(70, 5\) mm"),
    ("cutout.1.circles", [[70, 5], [72]], r"circles point 2 is \[72\], which has 1; must be \[x, y\]"),
    ("cutout.1.diameter_mm", DELETE, r'^cutout "antipads": diameter_mm is missing; it is drawn by shape or circles w'),
    ("cutout.2.shape.diameter_mm", 3, r"shape.diameter_mm is .*wrong unit: this key is diameter, in millimetres"),
    ("cutout.2.shape.diameter", -1, r'^cutout "hole": shape.diameter is -1; .*in millimetres, at least 0.001'),
    ("cutout.2.shape.circle", [5, float("inf")], r"shape.circle is \[5, inf\]; must be \[x, y\], 2 numbers"),
    ("cutout.2.shape", DELETE, r'^cutout "hole": shape is missing; it is drawn by shape or circles with diameter_mm'),
    ("cutout.3.shape.polygon", [[0, 0], [10, 10], [10, 0], [0, 10]], r"polygon crosses itself at \(5, 5\) mm"),
    ("cutout.3.shape.polygon", [[0, 0], [9, 0], [9, 9], [4, 0], [0, 9]], r"polygon touches itself|crosses itself"),
    ("cutout.3.shape.polygon", [[0, 0], [5, 5], [9, 9]], r"polygon has all its points on one line"),
    ("cutout.3.shape.polygon", [[0, 0], [5, 0], [5, 5], [0, 0]], r"leave out the last point, the outline closes"),
    ("cutout.3.shape.polygon", [[0, 0], [5, 0]], r"which has 2; must be a list of at least 3 points"),
    ("cutout.3.shape.polygon", [[0, 0], [50, 0], [50, 1e-4]], r"points on one line|area of .* only"),
    (
        "cutout.4",
        {"name": "gap", "copper": "ground", "shape": {"rect": [1, 1, 2, 2]}},
        r"number 5: name is \"gap\", wh",
    ),
    (
        "cutout.3.shape.polygon",
        [[0, 0], [5, 0], [5, 5], [4.9995, 5], [4.9995, 0.0005], [0, 0.0005]],
        r"polygon has an area of 0.005 mm² only; must enclose an area, at least 0.001 mm wide somewhere",
    ),
    (
        "cutout.0.shape",
        {"slot": [[0, 0], [10, 0], [10.01, 0.01], [10, 0.02]], "width": 5},
        r"slot folds back within its own width \(shortest leg 0.0141421 mm, width 5 mm\)",
    ),
    ("cutout.4", 3, r"^cutout number 5 is 3; must be a table; write \[\[cutout\]\]"),
    ("terminal.1.bonded", "", r'^terminal "J1.SHIELD": bonded is ""; must not be empty'),
    ("terminal.1.bonded", True, r"bonded is true; must be text"),
    ("terminal.2.diametre_mm", 1, r"diametre_mm is an unknown key; the nearest valid key is diameter_mm"),
    ("terminal.3.diameter_um", 300, r"wrong unit: this key is diameter_mm, in millimetres"),
    ("terminal.4.shape", {"rect": [1, 1, 2, 2]}, r"at and diameter_mm and shape are given together"),
    ("loop.0.current_A", DELETE, r'^loop "stepper phase": current_A is missing; its current is given by current_A \('),
    ("loop.0.current_A", 0, r"current_A is 0; .*greater than 0"),
    ("loop.0.current_mA", 3, r"wrong unit: this key is current_A, in amperes"),
    ("loop.0.frequency_Hz", -1, r"frequency_Hz is -1; .*at least 0"),
    ("loop.0.frequency_Hz", float("inf"), r"frequency_Hz is inf; .*give a finite number"),
    ("loop.0.frequency_kHz", 20, r"wrong unit: this key is frequency_Hz, in hertz"),
    ("loop.0.signal_V", 1, r'signal_V is given; this key belongs to a loop of role "sensitive", and this one is "noi'),
    (
        "loop.0.frequency_Hz",
        2e10,
        r"frequency_Hz is 20000000000.0; the model ends at 10 GHz, as .* wavelength; correct",
    ),
    ("loop.0.frequency_Hz", 1e300, r"the model ends at 10 GHz"),
    ("loop.0.spectrum", [[1, 2]], r"^loop .*: current_A and frequency_Hz and spectrum are given together; its curr"),
    ("loop.0.trapezoid", GOOD["loop"][3]["trapezoid"], r"frequency_Hz and trapezoid are given together; .*; remove"),
    ("loop.0.route", 3, r'^loop "stepper phase": route is 3; must be a table; write \{ layer = "L1", path = '),
    ("loop.0.route.layer", "L3", r'^loop "stepper phase": route.layer is "L3"; no layer has that name, there are "L1"'),
    (
        "loop.0.route.layer",
        "L2",
        r'^loop .*: route.layer: is "L2", the layer of the copper "ground"; .*in the plane it',
    ),
    ("loop.0.route.layer", DELETE, r"route.layer is missing; it is required; name the \[\[layer\]\]"),
    ("loop.0.route.path", DELETE, r"route.path is missing; .*from the return end to the inject end"),
    (
        "loop.0.route.path",
        [[20, 20]],
        r"route.path is \[\[20, 20\]\], which has 1; must be a list of at least 2 points",
    ),
    ("loop.0.route.path", [[20, 20], [20, 20], [80, 20]], r"route.path has point 1 and point 2 both at \(20, 20\) mm"),
    (
        "loop.0.route.path",
        [[20, 20], [90, 20], [80, 20]],
        r"path folds back on itself at point 2, \(90, 20\) mm; .*can",
    ),
    (
        "loop.0.route.path",
        [[20, 20], [50, 90], [80, 20]],
        r"path: leaves the board's outline, by up to 10 mm at \(50, 90",
    ),
    (
        "loop.0.route.path",
        [[80, 20], [20, 20]],
        r'wrong way round, from \(80, 20\) mm to .*, terminal "J4.GND" at \(20, .* "U3.PGND" at \(80, 20\) mm; reverse',
    ),
    (
        "loop.0.route.path",
        [[20, 23], [80, 20]],
        r'starts at \(20, 23\) mm, 2.5 mm from the contact of terminal "J4.GND"',
    ),
    (
        "loop.0.route.path",
        [[20, 20], [77, 20]],
        r'ends at \(77, 20\) mm, 2.7 mm from the contact of terminal "U3.PGND"',
    ),
    (
        "loop.0.route.path",
        [[19, 20], [80, 20]],
        r"path: folds back on itself at \(19, 20\) mm, with the straight pieces",
    ),
    (
        "loop.0.route.width_mm",
        0,
        r"route.width_mm is 0; must be a bare number in millimetres, at least 0.001 and at mo",
    ),
    ("loop.0.route.width_mm", 51, r"route.width_mm is 51; .*at most 50"),
    ("loop.0.route.width_um", 200, r"route.width_um is .*wrong unit: this key is width_mm, in millimetres"),
    ("loop.0.route.widht_mm", 2, r"route.widht_mm is an unknown key; the nearest valid key is width_mm"),
    ("loop.1.route", {"layer": "L1"}, r'^loop "load cell": route.path is missing'),
    ("loop.1.spectrum", [[1, 2]], r'spectrum is given; this key belongs to a loop of role "noisy"'),
    ("loop.2.trapezoid", {}, r'trapezoid is given; this key belongs to a loop of role "noisy"'),
    (
        "loop.3.frequency_Hz",
        8e6,
        r"frequency_Hz and trapezoid are given together; its current is given by current_A \(",
    ),
    (
        "loop.3.current_A",
        1,
        r"current_A and trapezoid are given together; .*frequency_Hz\) or spectrum or trapezoid; rem",
    ),
    (
        "loop.3.trapezoid",
        3,
        r"trapezoid is 3; must be a table; write \{ frequency_Hz = f, swing_A = A, rise_s = t, dut",
    ),
    ("loop.3.trapezoid.swing_A", DELETE, r'^loop "clock": trapezoid.swing_A is missing; it is required; give'),
    ("loop.3.trapezoid.swing_A", 0, r"trapezoid.swing_A is 0; .*in amperes, greater than 0"),
    ("loop.3.trapezoid.swing_mA", 20, r"trapezoid.swing_mA is .*wrong unit: this key is swing_A, in amperes"),
    ("loop.3.trapezoid.rise_ns", 4, r"trapezoid.rise_ns is .*wrong unit: this key is rise_s, in seconds"),
    ("loop.3.trapezoid.rise_s", 4, r"rise_s is 4, with frequency_Hz 8e\+06 and duty 0.4; must be at most .* = 5e-08 s"),
    ("loop.3.trapezoid.rise_s", 0, r"trapezoid.rise_s is 0; .*in seconds, at least 1e-12"),
    ("loop.3.trapezoid.duty", 1, r"trapezoid.duty is 1; must be a bare number, greater than 0 and less than 1"),
    ("loop.3.trapezoid.duty", 0, r"trapezoid.duty is 0; must be a bare number, greater than 0 and less than 1"),
    ("loop.3.trapezoid.duty", 0.99, r"rise_s is 4e-09, with frequency_Hz 8e\+06 and duty 0.99; .* = 1.25e-09 s"),
    ("loop.3.trapezoid.frequency_Hz", 0, r"trapezoid.frequency_Hz is 0; .*in hertz, greater than 0"),
    ("loop.3.trapezoid.frequency_Hz", 11e9, r"trapezoid.frequency_Hz is .*the model ends at 10 GHz"),
    ("loop.3.trapezoid.frequency_MHz", 8, r"wrong unit: this key is frequency_Hz, in hertz"),
    (
        "loop.4.spectrum",
        DELETE,
        r'^loop "buck": current_A is missing; its current is given by current_A \(and perhaps f',
    ),
    ("loop.4.current_A", 1, r"current_A and spectrum are given together"),
    ("loop.4.frequency_Hz", 1, r"frequency_Hz and spectrum are given together"),
    ("loop.4.spectrum", [], r"spectrum is \[\]; must be a list of lines"),
    ("loop.4.spectrum", {}, r"spectrum is \{\}; must be a list of lines"),
    ("loop.4.spectrum", [50, 1], r"spectrum is \[50, 1\]; .*put each line in brackets of its own"),
    ("loop.4.spectrum", [[50, 1], [60]], r"spectrum line 2 is \[60\]; must be \[f, A\]"),
    ("loop.4.spectrum", [[50, 1], [-1, 1]], r"spectrum line 2 is \[-1, 1\]; must be \[f, A\], .*at least 0, and a"),
    ("loop.4.spectrum", [[50, 0]], r"spectrum line 1 is \[50, 0\]; .*amperes rms, greater than 0"),
    ("loop.4.spectrum", [[50, True]], r"spectrum line 1 is \[50, true\]; must"),
    ("loop.4.spectrum", [[0, 1], [2e10, 1]], r"spectrum line 2 is .*; the model ends at 10 GHz"),
    ("loop.4.spectrum", [[50, 1], [7, 1], [50, 2]], r"spectrum has line 1 and line 3 both at 50 Hz; each frequency"),
    ("loop.4.spectrum", [[0, 1], [-0.0, 1]], r"spectrum has line 1 and line 2 both at 0 Hz"),
    ("loop.4.spectrum", [[k, 1] for k in range(10_001)], r"spectrum has 10001 lines; at most 10000 are read"),
    ("loop.0.source", 1, r"source is not supported by this version"),
    ("loop.0.return", DELETE, r"return is missing; every current needs a return path.*; name the terminal"),
    ("loop.0.inject", DELETE, r"inject is missing; every current needs a return path"),
    ("loop.0.return", "U3.PGND", r'return is "U3.PGND", the same terminal as inject; a current must leave'),
    ("loop.0.inject", "U3.PGN", r'no terminal has that name, there are "U1.AGND", .*; did you mean "U3.PGND"\?'),
    ("loop.0.inject", 3, r"inject is 3; must be the name of a terminal"),
    ("loop.1.tolerates_V", 0.01, r"tolerates_V is 0.01, with signal_V 0.01; the noise allowed must be less"),
    ("loop.1.signal_V", DELETE, r"signal_V is missing; a sensitive loop needs it"),
    ("loop.1.band_Hz", [1000, 0], r"band_Hz is \[1000, 0\]; must be \[low, high\]"),
    ("loop.1.band_Hz", [-1, 5], r"band_Hz is \[-1, 5\]; must be \[low, high\]"),
    ("loop.1.band_Hz", [0], r"band_Hz is \[0\]; must be \[low, high\]"),
    ("loop.2.limit_V", -1, r"limit_V is -1; must be a bare number in volts, greater than 0"),
    (
        "loop.2.role",
        "cable",
        r'role is "cable"; must be one of "noisy", "sensitive", "cables", "supply"; did you mean "cables"\?',
    ),
    ("loop.2.role", DELETE, r"role is missing; it is required; give one of"),
    ("loop.2.name", " USB", r'^loop number 3: name is " USB"; a name must not start or end with a blank'),
    ("loop.2.name", DELETE, r"^loop number 3: name is missing; everything needs a name"),
    ("loop.2.name", "x" * 300, r"a name has at most 200 characters"),
    ("region.0.shape", DELETE, r'^region "analog": shape is missing'),
    ("region.0.shape.rect", [200, 0, 210, 10], r'^region "analog": lies off the copper "ground"'),
    ("section.0.path", [[50, 60]], r"path is \[\[50, 60\]\], which has 1; must be a list of at least 2"),
    ("section.0.path", [[50, 60], [50, 80], [50, 70]], r"must not cross or retrace itself"),
    ("section.0.path", DELETE, r'^section "bridge": path is missing'),
    ("solve.accuracy", 0, r"^\[solve\]: accuracy is 0; must be a bare number, at least 0.0001 and at most 0.2"),
    ("solve.frequencies_Hz", [], r"^\[solve\]: frequencies_Hz is \[\]; must be a list of frequencies in hertz; write"),
    ("solve.frequencies_Hz", 50, r"frequencies_Hz is 50; must be a list of frequencies in hertz; write it as \[50\]"),
    ("solve.frequencies_Hz", [0, -1], r"frequencies_Hz number 2 is -1; must be a bare number in hertz, at least 0"),
    (
        "solve.frequencies_Hz",
        [0, "1 kHz"],
        r'frequencies_Hz number 2 is "1 kHz"; .*without quotation marks or unit: 1000',
    ),
    ("solve.frequencies_Hz", [0, 1.1e10], r"frequencies_Hz number 2 is .*; the model ends at 10 GHz"),
    ("solve.frequencies_Hz", [50, 0, 50], r"frequencies_Hz has number 1 and number 3 both at 50 Hz; each frequency"),
    ("solve.frequencies_Hz", list(range(201)), r"frequencies_Hz has 201 numbers; at most 200 are computed"),
    ("solve.frequencies_kHz", [1], r"wrong unit: this key is frequencies_Hz, in hertz"),
    ("solve", 3, r"^solve is 3; must be a table; write \[solve\]"),
    ("source", 1, r"^source is 1; must be text; put it in quotation marks$"),
    (
        "frequencies_Hz",
        [1e6],
        r"^frequencies_Hz stands outside its table; it is a key of \[solve\]; move it below \[solve\]$",
    ),
    ("units", "mm", r"^units is an unknown key; valid keys here are format, title, board"),
]
# Each makes exactly one mistake too, but hides others: what follows from them is not reported as well.
HIDING = [
    ("terminal", DELETE, r"^\[\[terminal\]\] is missing; a current enters and leaves"),
    ("terminal", [], r"^\[\[terminal\]\] is missing"),
    ("terminal", 3, r"^terminal is 3; there may be several of them; write \[\[terminal\]\]"),
    ("loop", DELETE, r"^\[\[loop\]\] is missing; a case asks about at least one loop"),
    ("loop", GOOD["loop"][0], r"^loop is a single table; .*write \[\[loop\]\] in double brackets"),
    ("copper", DELETE, r"^\[\[copper\]\] is missing; there must be copper"),
    ("layer", DELETE, r"^\[\[layer\]\] is missing; copper lies on a layer"),
    ("board", DELETE, r"^board is missing; every case has one; add \[board\] with its outline"),
    ("board.outline", DELETE, r"^\[board\]: outline is missing; every board needs one"),
    (
        "board.outline",
        {"slot": [[0, 0], [9, 0]], "width": 1},
        r"outline is \{ slot = .*must have exactly one of rect, polygon, circle;",
    ),
    ("board.outline", PLANE | {"slot": [[0, 0], [9, 0]], "width": 1}, r"must have exactly one of rect, polygon, ci"),
    ("copper.0.name", 3, r"^copper number 1: name is 3; must be text"),
    ("copper.0.name", DELETE, r"^copper number 1: name is missing"),
    ("copper.0.layer", "L3", r'layer is "L3"; no layer has that name, there are "L1", "L2"'),
    ("copper.0.shape", {"polygon": [[0, 0], [9, 9], [9, 0], [0, 9]]}, r"polygon crosses itself at \(4.5, 4.5\)"),
    ("terminal.0.name", DELETE, r"^terminal number 1: name is missing"),
    ("terminal.0.copper", DELETE, r'^terminal "U1.AGND": copper is missing'),
    ("terminal.0.at", [20], r'^terminal "U1.AGND": at is \[20\], which has 1; must be \[x, y\]'),
    ("terminal.0.at", DELETE, r'^terminal "U1.AGND": at is missing; it is drawn by at with diameter_mm or shape'),
    ("terminal.0.diameter_mm", 0, r"diameter_mm is 0; .* at least 0.001"),
    ("terminal.5", GOOD["terminal"][0], r'number 6: name is "U1.AGND", which is also the name of terminal number 1'),
    ("cutout.4", GOOD["cutout"][0], r"remove one of them, they are the same"),
]


@pytest.mark.parametrize(
    ("path", "value", "message"), INDEPENDENT + HIDING, ids=[row[0] for row in INDEPENDENT + HIDING]
)
def test_each_mistake_is_named_once(path, value, message):
    found = mistakes_of(edited((path, value)))
    assert len(found) == 1, found
    assert re.search(message, found[0]), found[0]


@pytest.mark.parametrize(
    "edits",
    [
        [("board.temperature_C", -234)],
        [("layer.1.copper_um", 70)],
        [("loop.0.frequency_Hz", 0)],
        [("loop.1.band_Hz", [50, 50])],
        [("loop.0.frequency_Hz", 1e10), ("loop.0.route", DELETE)],
        [("loop.0.route.path", [[20, 20], [50, 9], [81, 22], [81, 21]])],
        [("loop.0.route.path", [[20, 20], [60, 60], [20, 60], [80, 20]])],  # crosses itself
        [("loop.0.route.path", [[20.1, 20.2], [20, 20], [80, 20]])],
        [("loop.0.route.path", [[20, 20], [50, 20], [80, 20]])],
        [("loop.0.route.width_mm", 50)],
        [("loop.2.route", {"layer": "L1", "path": [[20, 20], [90, 70]]})],
        [("loop.3.trapezoid", {"frequency_Hz": 3, "swing_A": 1, "rise_s": 1 / 6})],
        [("loop.4.spectrum", [[k, 1] for k in range(10_000)])],
        [("solve.frequencies_Hz", list(range(200)))],
        [("cutout", DELETE), ("region", DELETE), ("section", DELETE), ("solve", DELETE)],
        [("cutout.0.shape", {"slot": [[10, 40], [40, 40], [40, 70], [10, 70], [10, 42]], "width": 1})],
        [("cutout.0.shape", {"rect": [60, 40, 55, 30]})],
        [("terminal.0.name", "0 V / \u30a2 \u30ca"), ("loop.1.inject", "0 V / \u30a2 \u30ca")],
    ],
)
def test_table_of_good_cases(edits):
    parse_case(text_of(edited(*edits)))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(INDEPENDENT), min_size=2, max_size=12, unique_by=lambda row: row[0]))
def test_independent_mistakes_are_all_reported(rows):
    # Edits of one thing may undo each other, so at most one per thing.
    rows = list({tuple(row[0].split(".")[: 2 if row[0].count(".") > 1 else 1]): row for row in rows}.values())
    found = mistakes_of(edited(*[row[:2] for row in sorted(rows, key=lambda row: row[0].count("."))]))
    assert len(found) == len(rows), (rows, found)
    for row in rows:
        assert any(re.search(row[2], line) for line in found), (row, found)


@pytest.mark.parametrize(
    ("edits", "count"),
    [
        # a misspelled table: neither "missing" nor unknown names follow
        ([("terminals", GOOD["terminal"]), ("terminal", DELETE)], 1),
        ([("coppers", GOOD["copper"]), ("copper", DELETE)], 1),
        # some under a misspelled table: the loop that uses one of them is not blamed
        ([("terminals", GOOD["terminal"][4:]), ("terminal.4", DELETE)], 1),
        # without an outline nothing is known of a copper that takes its shape from it
        ([("board.outline", DELETE), ("copper.0.shape", DELETE)], 1),
        # a misspelled name: the loops that use it are not blamed
        ([("terminal.0.nam", "U1.AGND"), ("terminal.0.name", DELETE)], 1),
        # a wrong unit: the right key is not missing as well
        ([("terminal.0.diameter_um", 300), ("terminal.0.diameter_mm", DELETE)], 1),
        ([("loop.0.current_mA", 300), ("loop.0.current_A", DELETE)], 1),
        # a link or a bridge that could not be read may join what the gap separates
        ([("cutout.0.shape.slot", [[50, 0], [50, 80]]), ("link", [{"name": "x"}]), ("section", DELETE)], 2),
        ([("cutout.0.shape.slot", [[50, 0], [50, 80]]), ("link", 3), ("section", DELETE)], 1),
        ([("cutout.0.shape.slot", [[50, 0], [50, 80]]), ("bridge", [{"name": "x", "copper": "ground"}])], 2),
        ([("cutout.0.shape.slot", [[50, 0], [50, 80]]), ("links", []), ("section", DELETE)], 1),
        # an unreadable terminal could lie across the gap
        ([("cutout.0.shape.slot", [[50, 0], [50, 80]]), ("section", DELETE), ("terminal.1.shape", 1)], 1),
        # of two terminals of one name, either could be meant
        (
            [
                ("cutout.0.shape.slot", [[50, 0], [50, 80]]),
                ("section", DELETE),
                ("terminal.5", {"name": "U3.PGND", "copper": "ground", "at": [10, 20], "diameter_mm": 0.6}),
            ],
            1,
        ),
        # without those the loops across it are reported
        ([("cutout.0.shape.slot", [[50, 0], [50, 80]]), ("section", DELETE)], 2),
    ],
)
def test_a_reported_thing_causes_no_further_mistakes(edits, count):
    found = mistakes_of(edited(*edits))
    assert len(found) == count, found


def test_parse_and_geometric_mistakes_come_together():
    found = mistakes_of(edited(("title", 3), ("terminal.0.at", [120, 30]), ("loop.1.signal_V", 0)))
    assert [bool(re.search("lies off the copper", line)) for line in found] == [False, False, True]


def test_names_are_listed_with_a_cap():
    terminals = [{"name": f"T{k}", "copper": "ground", "at": [2 + 2 * k, 2], "diameter_mm": 0.5} for k in range(5, 20)]
    case = edited(("terminal", GOOD["terminal"] + terminals), ("loop.0.inject", "?"))
    assert re.search(r'there are "U1.AGND",.* and 12 more; use one of these', mistakes_of(case)[0])


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


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
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
