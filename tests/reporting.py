"""Two small invented boards, solved once, whose names are as hostile as the case file allows."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

from cases import squared
from returnflow.advice.study import Study, run
from returnflow.answers.result import Result
from returnflow.pictures.album import Picture, pictures
from returnflow_geometry.casefile.read import parse_case
from solved import shared

NOISY, WEAK, SENSITIVE, CABLES = (
    'Pump <b>&"x"</b> $i_1$',
    "pump b x b i 1",
    "_weak & μV Größe",
    "Shells $\\frac{1}{2}$ 秤",
)
REGION, SECTION = "under <analog>", "bridge & \"neck\" 'n'"
TITLE = "Invented test board <script>alert(1)</script> & $x_1$"

# 40 x 30 mm, a slot from below with a bridge above it.
BOARD = f"""
format = 1
title = '''{TITLE}'''
[board]
outline = {{ rect = [0, 0, 40, 30] }}
[[layer]]
name = "L1"
copper_um = 35
below_mm = 1.5
[[layer]]
name = "L2"
copper_um = 35
[[copper]]
name = "gnd"
layer = "L2"
[[cutout]]
name = "slot"
copper = "gnd"
shape = {{ slot = [[20, 0], [20, 20]], width = 0.5 }}
[[terminal]]
name = "A<1>"
copper = "gnd"
at = [4, 26]
diameter_mm = 0.8
bonded = "shield"
[[terminal]]
name = "B&2"
copper = "gnd"
at = [15, 25]
diameter_mm = 0.3
[[terminal]]
name = "C$3"
copper = "gnd"
at = [32, 6]
diameter_mm = 0.5
[[terminal]]
name = "D_4"
copper = "gnd"
at = [5, 5]
diameter_mm = 0.5
[[loop]]
name = '''{SENSITIVE}'''
role = "sensitive"
inject = "B&2"
return = "A<1>"
signal_V = 0.01
tolerates_V = 2e-5
"""
SECOND = f"""
[[loop]]
name = '''{WEAK}'''
role = "noisy"
inject = "D_4"
return = "A<1>"
current_A = 0.01
[[loop]]
name = '''{CABLES}'''
role = "cables"
inject = "C$3"
return = "D_4"
limit_V = 1.0
[[region]]
name = '''{REGION}'''
copper = "gnd"
shape = {{ rect = [0, 20, 18, 30] }}
[[section]]
name = '''{SECTION}'''
copper = "gnd"
path = [[20, 20], [20, 30]]
[solve]
accuracy = 0.02
"""


def noisy(extra: str = "") -> str:
    return f"""
[[loop]]
name = '''{NOISY}'''
role = "noisy"
inject = "C$3"
return = "D_4"
current_A = 0.5
{extra}
"""


@shared
def study() -> Study:
    """Sensitive, strong noisy, weak noisy and cables loops; resistive."""
    return run(parse_case(BOARD + noisy() + SECOND))


@shared
def at_frequencies() -> Study:
    """The strong noisy loop alone with an outgoing conductor round the slot, at 0 Hz and 1 MHz."""
    route = 'frequency_Hz = 1e6\nroute = { layer = "L1", path = [[5, 5], [5, 24], [32, 24], [32, 6]], width_mm = 2 }'
    return run(parse_case(squared(BOARD) + noisy(route) + "[solve]\naccuracy = 0.05\nfrequencies_Hz = [0, 1e6]"))


@cache
def result() -> Result:
    return study()["as drawn"]


@shared
def drawn() -> tuple[Picture, ...]:
    return tuple(pictures(result()))


@cache
def two_variants() -> Study:
    """Twice the same, under names that want the same folder."""
    names = ("Solid plane!", "solid plane?")
    return replace(study(), variants={name: replace(result(), name=name) for name in names})


VARIANTS = f"""
[[variant]]
name = "no <slot>"
drop = ["slot"]
[[variant]]
name = "half & half"
set = {{ '{NOISY}.current_A' = 0.25 }}
[[variant]]
name = "spare moved"
move = {{ "D_4" = [5.0001, 5] }}
"""


@shared
def varied() -> Study:
    """The first board with three variants: without its slot, with half the current, and as good as unchanged."""
    return run(parse_case(BOARD + noisy() + SECOND + VARIANTS))


LAYERED = """
format = 1
title = "Two planes and a trace (invented)"
board = { outline = { rect = [0, 0, 40, 30] } }
layer = [
  { name = "L1", copper_um = 35, below_mm = 0.8 },
  { name = "L2", copper_um = 18, below_mm = 1.5 },
  { name = "L3", copper_um = 35 },
]
copper = [
  { name = "ground", layer = "L2" },
  { name = "back", layer = "L3", shape = { rect = [0, 0, 40, 26] } },
  { name = "return", layer = "L1", shape = { rect = [6, 24, 30, 24.4] } },
  { name = "spare", layer = "L3", shape = { rect = [0, 27, 10, 30] } },
]
terminal = [
  { name = "A", copper = "ground", at = [6, 6], diameter_mm = 0.6 },
  { name = "B", copper = "ground", at = [34, 14], diameter_mm = 0.6 },
  { name = "v1", copper = "ground", at = [10, 8], diameter_mm = 0.6 },
  { name = "w1", copper = "back", at = [10, 8], diameter_mm = 0.6 },
  { name = "v2", copper = "ground", at = [29, 15], diameter_mm = 0.6 },
  { name = "w2", copper = "back", at = [29, 15], diameter_mm = 0.6 },
  { name = "v3", copper = "ground", at = [20, 4], diameter_mm = 0.6 },
  { name = "w3", copper = "back", at = [20, 4], diameter_mm = 0.6 },
  { name = "S", copper = "ground", at = [6.3, 27], diameter_mm = 0.6 },
  { name = "r1", copper = "return", at = [6.2, 24.2], diameter_mm = 0.4 },
  { name = "r2", copper = "return", at = [29.8, 24.2], diameter_mm = 0.4 },
  { name = "x1", copper = "spare", at = [3, 28.5], diameter_mm = 0.4 },
  { name = "x2", copper = "spare", at = [8, 28.5], diameter_mm = 0.4 },
]
link = [
  { name = "via 1", between = ["v1", "w1"], resistance_ohm = 0.0005 },
  { name = "via <2>", between = ["v2", "w2"], resistance_ohm = 0.0005, inductance_H = 1e-9 },
  { name = "capacitor", between = ["v3", "w3"], resistance_ohm = 0.01, capacitance_F = 1e-7 },
  { name = "one point", between = ["S", "r1"], resistance_ohm = 0.0005 },
  { name = "idle", between = ["x1", "x2"], resistance_ohm = 0.0005 },
]
[[loop]]
name = "driver"
role = "noisy"
inject = "B"
return = "A"
current_A = 1
frequency_Hz = 1e5
route = { layer = "L1", path = [[6, 6], [6, 14], [34, 14]], width_mm = 1 }
[[loop]]
name = "sensor"
role = "sensitive"
inject = "r2"
return = "r1"
signal_V = 0.01
tolerates_V = 1e-6
[solve]
accuracy = 0.05
frequencies_Hz = [0, 1e6]
"""


@shared
def layered() -> Result:
    """Two planes that vias and a capacitor join, a trace with one ground point, and a copper that no loop reaches."""
    return run(parse_case(LAYERED), only=["as drawn"])["as drawn"]


# By name of the via: where it is, and its resistance. One of them takes next to nothing.
VIAS = {"near": (12, 12), "middle": (20, 16), "far": (30, 20), "poor": (14, 9), "aside": (34, 6), "last": (31, 25)}
OHMS = {"poor": 0.1}


@shared
def stitched_study() -> Study:
    """Two planes that six vias join, resistive, and two variants of the lower one; the upper one has both ends."""
    ends = "".join(
        f"[[terminal]]\nname = '{layer} {name}'\ncopper = '{layer}'\nat = {list(at)}\ndiameter_mm = 0.5\n"
        for name, at in VIAS.items()
        for layer in ("up", "down")
    )
    links = "".join(
        f"[[link]]\nname = '{name}'\nbetween = ['up {name}', 'down {name}']\nresistance_ohm = {OHMS.get(name, 5e-4)}\n"
        for name in VIAS
    )
    case = f"""
format = 1
title = "Two planes and six vias (invented)"
board = {{ outline = {{ rect = [0, 0, 40, 30] }} }}
layer = [ {{ name = "L1", copper_um = 18, below_mm = 1.0 }}, {{ name = "L2", copper_um = 35 }} ]
copper = [ {{ name = "up", layer = "L1" }}, {{ name = "down", layer = "L2" }} ]
{ends}
[[terminal]]
name = "A"
copper = "up"
at = [5, 5]
diameter_mm = 0.8
[[terminal]]
name = "B"
copper = "up"
at = [36, 26]
diameter_mm = 0.8
{links}
[[loop]]
name = "motor"
role = "noisy"
inject = "B"
return = "A"
current_A = 0.446
[[variant]]
name = "slot below"
add.cutout = [{{ name = "slot", copper = "down", shape = {{ slot = [[25, 5], [25, 25]], width = 1 }} }}]
[[variant]]
name = "half the current"
set = {{ "motor.current_A" = 0.223 }}
[solve]
accuracy = 0.1
"""
    return run(parse_case(case))


def stitched() -> Result:
    """The first of them."""
    return stitched_study()["as drawn"]


def strict(text: str):
    """What a text in JSON says, where infinities and the like are none."""

    def refuse(constant):
        raise AssertionError(constant)

    return json.loads(text, parse_constant=refuse)
