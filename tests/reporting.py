"""Two small invented boards, solved once, whose names are as hostile as the case file allows."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from returnflow.plots import Picture, pictures
from returnflow.result import Result
from returnflow.study import Study, run
from returnflow_geometry.casefile import parse_case

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


@cache
def study() -> Study:
    """Sensitive, strong noisy, weak noisy and cables loops; resistive."""
    return run(parse_case(BOARD + noisy() + SECOND))


@cache
def at_frequencies() -> Study:
    """The strong noisy loop alone with an outgoing conductor round the slot, at 0 Hz and 1 MHz."""
    route = 'frequency_Hz = 1e6\nroute = { layer = "L1", path = [[5, 5], [5, 24], [32, 24], [32, 6]], width_mm = 2 }'
    return run(parse_case(BOARD + noisy(route) + "[solve]\naccuracy = 0.05\nfrequencies_Hz = [0, 1e6]"))


@cache
def result() -> Result:
    return study()["as drawn"]


@cache
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


@cache
def varied() -> Study:
    """The first board with three variants: without its slot, with half the current, and as good as unchanged."""
    return run(parse_case(BOARD + noisy() + SECOND + VARIANTS))
