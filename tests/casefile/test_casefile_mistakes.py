"""Mistakes in a case file: each is named once, all in one go, and none that only follows from another."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cases import DELETE, GOOD, PLANE, edited, mistakes_of, text_of
from returnflow_geometry.casefile.read import parse_case

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
