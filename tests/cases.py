"""A good case file as Python data, and how to write, edit and read it."""

import copy
import datetime as dt
import json
import re
from pathlib import Path

import pytest

from returnflow_geometry.casefile.read import CaseError, parse_case

EXAMPLES = Path(__file__).parents[1] / "examples"

PLANE = {"rect": [0, 0, 100, 80]}
GOOD = {
    "format": 1,
    "title": "weighing scale, demo",
    "board": {"outline": PLANE, "temperature_C": 40},
    "layer": [{"name": "L1", "copper_um": 35, "below_mm": 0.2}, {"name": "L2", "copper_um": 18}],
    "copper": [{"name": "ground", "layer": "L2", "shape": PLANE}],
    "cutout": [
        {"name": "gap", "copper": "ground", "shape": {"slot": [[50, 0], [50, 60]], "width": 0.5}},
        {"name": "antipads", "copper": "ground", "circles": [[70, 5], [72, 5], [74, 5]], "diameter_mm": 0.8},
        {"name": "hole", "copper": "ground", "shape": {"circle": [5, 5], "diameter": 3.2}},
        {"name": "corner", "copper": "ground", "shape": {"polygon": [[95, 0], [100, 0], [100, 5]]}},
    ],
    "terminal": [
        {"name": "U1.AGND", "copper": "ground", "at": [20, 60], "diameter_mm": 0.3},
        {"name": "J1.SHIELD", "copper": "ground", "shape": {"rect": [2, 55, 6, 65]}, "bonded": "in the housing"},
        {"name": "U3.PGND", "copper": "ground", "at": [80, 20], "diameter_mm": 0.6},
        {"name": "J4.GND", "copper": "ground", "at": [20, 20], "diameter_mm": 1.0},
        {"name": "J2.SHELL", "copper": "ground", "at": [90, 70], "diameter_mm": 1.0},
    ],
    "loop": [
        {
            "name": "stepper phase",
            "role": "noisy",
            "inject": "U3.PGND",
            "return": "J4.GND",
            "current_A": 1.2,
            "frequency_Hz": 20e3,
            "route": {"layer": "L1", "path": [[20, 20], [50, 65], [80, 20]], "width_mm": 0.5},
        },
        {
            "name": "load cell",
            "role": "sensitive",
            "inject": "U1.AGND",
            "return": "J1.SHIELD",
            "signal_V": 0.01,
            "tolerates_V": 1e-6,
            "band_Hz": [0, 1000],
        },
        {
            "name": "USB",
            "role": "cables",
            "inject": "J2.SHELL",
            "return": "J4.GND",
            "limit_V": 1e-3,
            "band_Hz": [9e3, 1e9],
        },
        {
            "name": "clock",
            "role": "noisy",
            "inject": "U3.PGND",
            "return": "J2.SHELL",
            "trapezoid": {"frequency_Hz": 8e6, "swing_A": 0.02, "rise_s": 4e-9, "duty": 0.4},
            "route": {"layer": "L1", "path": [[90, 70], [80, 20]], "width_mm": 0.15},
        },
        {
            "name": "buck",
            "role": "noisy",
            "inject": "J4.GND",
            "return": "J1.SHIELD",
            "spectrum": [[4e5, 0.2], [0, 0.5], [8e5, 0.1]],
            "route": {"layer": "L1", "path": [[4, 60], [20, 20]], "width_mm": 2},
        },
    ],
    "region": [{"name": "analog", "copper": "ground", "shape": {"rect": [0, 50, 45, 80]}}],
    "section": [{"name": "bridge", "copper": "ground", "path": [[50, 60], [50, 80]]}],
    "solve": {"accuracy": 0.005, "frequencies_Hz": [1e6, 0, 50]},
}


# The same with every kind of table there is.
FULL = GOOD | {
    "link": [{"name": "wire", "between": ["U1.AGND", "J2.SHELL"], "resistance_ohm": 1, "capacitance_F": 1e-7}],
    "bridge": [{"name": "strap", "copper": "ground", "shape": {"slot": [[48, 30], [52, 30]], "width": 2}}],
    "variant": [
        {
            "name": "better",
            "drop": ["gap"],
            "add": {"cutout": [{"name": "pit", "copper": "ground", "shape": {"rect": [30, 30, 32, 32]}}]},
            "move": {"U1.AGND": [8, 70]},
            "set": {"L2.copper_um": 70, "clock.trapezoid.rise_s": 6e-9},
        }
    ],
    "sweep": [
        {"name": "place", "vary": [{"move": "U1.AGND", "along": [[20, 70], [40, 70]], "steps": 2}]},
        {
            "name": "two",
            "vary": [
                {"set": "L2.copper_um", "values": [18, 35]},
                {"set": "gap.shape.slot.2.2", "from": 50, "to": 60, "steps": 2, "spacing": "log"},
            ],
        },
    ],
}


LONG = 10**4000  # in decimals at most 4300 digits are read


def dump(value):
    """TOML text of a value, tables inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {dump(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(dump, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) > LONG:
        return hex(abs(value))
    return value.isoformat() if isinstance(value, dt.date | dt.time) else repr(value)


def squared(text, side=0.5**0.5):
    """
    The text of a case with squares, so many diameters wide, for round contacts; by default as fit into the circle.

    For boards judged above 0 Hz where a contact's shape is no matter: of discs a magnetic mesh takes every corner,
    which comes to three quarters of all triangles of a small board.
    """

    def square(found):
        x, y, diameter = map(float, found.groups())
        half = 0.5 * side * diameter
        return f"shape = {{ rect = {[round(each, 4) for each in (x - half, y - half, x + half, y + half)]} }}"

    return re.sub(r"at = \[([\d.]+), ([\d.]+)\][,\n] ?diameter_mm = ([\d.]+)", square, text)


def text_of(case):
    return "\n".join(f"{json.dumps(key)} = {dump(value)}" for key, value in case.items())


DELETE = object()


def edited(*edits, case=GOOD):
    """Case with values put (or keys deleted) at dotted paths (or tuples of steps); an index past the end appends."""
    case = copy.deepcopy(case)
    for path, value in edits:
        steps = [int(step) if step.isdigit() else step for step in path.split(".")] if isinstance(path, str) else path
        *way, last = steps
        place = case
        for step in way:
            place = place[step]
        if value is DELETE:
            del place[last]
        elif isinstance(last, int) and last >= len(place):
            place.append(value)
        else:
            place[last] = value
    return case


def mistakes_of(case):
    with pytest.raises(CaseError) as caught:
        parse_case(case if isinstance(case, str) else text_of(case))
    assert str(caught.value) == "\n".join(caught.value.mistakes)
    assert all(line.isprintable() for line in caught.value.mistakes)
    return caught.value.mistakes


def attempt(text):
    """Case and mistakes; one of them is None. Anything but a CaseError gets through and fails the test."""
    try:
        return parse_case(text), None
    except CaseError as error:
        return None, error.mistakes


STRIP = """
format = 1
title = "strip of {copper}"
[board]
outline = {{ rect = [0, 0, 100, 20] }}
[[layer]]
name = "top"
copper_um = 35
[[copper]]
name = "strip"
layer = "top"
[[terminal]]
name = "left"
copper = "strip"
shape = {{ rect = [0, 0, 1, 20] }}
[[terminal]]
name = "right"
copper = "strip"
shape = {{ rect = [99, 0, 100, 20] }}
[[loop]]
name = "motor"
role = "noisy"
inject = "right"
return = "left"
current_A = 2
[[loop]]
name = "sensor"
role = "sensitive"
inject = "right"
return = "left"
signal_V = 1
tolerates_V = {tolerates}
"""


def written(folder, tolerates="1e-4", copper="copper"):
    """File of a strip whose whole length a weak signal shares with a motor."""
    path = folder / "strip.toml"
    path.write_text(STRIP.format(tolerates=tolerates, copper=copper), encoding="utf-8")
    return path
