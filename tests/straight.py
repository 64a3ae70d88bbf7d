"""One board of 40 x 30 mm with a straight trace of 20 mm over it; thin foil where skin effect would blur a law."""

from __future__ import annotations

import functools
from dataclasses import replace

import shapely

from returnflow.answers.frequency import (
    gaps_told,
    loop_facts,
)
from returnflow.magnetic.routes import faced
from returnflow.magnetic.solving import solve_broadband, solve_expelled
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import (
    Board,
    Case,
    Copper,
    Cutout,
    Layer,
    Loop,
    Outgoing,
    Terminal,
)
from returnflow_geometry.model.shapes import circle, rectangle, slot

MM = 1e-3
STRAIGHT = ((10, 15), (30, 15))
HOOK = ((12, 8), (12, 22), (28, 22), (28, 8))


def drawn(
    path=STRAIGHT, *, height=1.0, thickness=35e-6, cutouts=(), scale=1.0, route=True, width=0.2, accuracy=0.025, **noisy
):
    """Case with one noisy loop; lengths in mm, times `scale`."""
    unit = scale * MM
    outline = rectangle(0, 0, 40 * unit, 30 * unit)
    path = tuple((x * unit, y * unit) for x, y in path)
    return Case(
        title="t",
        board=Board(
            outline=outline,
            temperature=20.0,
            layers=(
                Layer(name="trace", thickness=35e-6 * scale, below=height * unit),
                Layer(name="plane", thickness=thickness, below=0.5 * unit),
                Layer(name="back", thickness=35e-6),
            ),
            coppers=(Copper(name="ground", layer="plane", shape=outline),),
            cutouts=tuple(
                Cutout(name=name, copper=copper, shape=shapely.transform(shape, lambda p: p * unit))
                for name, copper, shape in cutouts
            ),
            terminals=tuple(
                Terminal(name=name, copper="ground", shape=circle(x, y, unit))
                for name, (x, y) in (("far", path[-1]), ("near", path[0]))
            ),
        ),
        loops=(
            Loop(
                name="signal",
                role="noisy",
                inject="far",
                return_="near",
                route=Outgoing(layer="trace", path=path, width=width * unit) if route else None,
                **(noisy or {"current": 1.0, "frequency": 1e6}),
            ),
        ),
        accuracy=accuracy,
    )


def modelled(case):
    return solve_broadband(case, Conductors.of(case), [(0, 1)], None)


@functools.cache
def straight(height=1.0, thickness=5e-6, scale=1.0, width=0.2):
    return modelled(drawn(height=height, thickness=thickness, scale=scale, width=width, accuracy=0.01))


@functools.cache
def hook():
    return modelled(drawn(HOOK))


def facts_of(case, model, solid=None):
    conductors = Conductors.of(case)
    facts = loop_facts(conductors, model, faced(case, conductors))
    return (facts if solid is None else gaps_told(facts, solid))[0]


def without_gaps(case):
    bare = replace(case, board=replace(case.board, cutouts=()))
    return solve_expelled(bare, Conductors.of(bare), [(0, 1)])


@functools.cache
def slotted(reach):
    """Facts with a slot that reaches so many mm to either side of the trace."""
    case = drawn(cutouts=[("slot", "ground", slot([(20, 15 - reach), (20, 15 + reach)], 0.2))])
    return facts_of(case, modelled(case), without_gaps(case))


def drawn_strip(width):
    """Strip of 40 mm between contacts across its ends, closed far away."""
    case = drawn(route=False)
    outline = rectangle(0, 0, 40 * MM, width * MM)
    ends = (("far", rectangle(39 * MM, 0, 40 * MM, width * MM)), ("near", rectangle(0, 0, MM, width * MM)))
    board = replace(
        case.board,
        coppers=(Copper(name="ground", layer="plane", shape=outline),),
        terminals=tuple(Terminal(name=name, copper="ground", shape=shape) for name, shape in ends),
    )
    return replace(case, board=board)
