"""Contacts, vias and weak couplings against bars: other unknowns, other cells, other integrals."""

import dataclasses
import functools

import numpy as np
import pytest
import shapely

from bars import Bars, Way, tapes
from layered import MM, case, pad, strip, via
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Layer, Loop, Outgoing
from returnflow_geometry.model.shapes import circle, rectangle

EXPELLED = 1e13  # Hz: the field stays out of copper, and currents of traces crowd at their edges
THIN = 0.5e-6  # m: a trace without thickness
ROUTED = Way(inject=(0, 24 * MM, 6 * MM, 2 * MM), leave=(0, 6 * MM, 6 * MM, 2 * MM), route=(MM, 0.2 * MM))
ACROSS = Way(inject=(0, 8 * MM, 16 * MM, 3 * MM), leave=(0, 22 * MM, 15 * MM, 3 * MM))
PLATE = Bars(size=(30 * MM, 20 * MM), cells=(45, 30))
OTHER_PART = (0, 12 * MM, 12 * MM, 3 * MM)  # of the contact where ACROSS begins
PARTED = dataclasses.replace(PLATE, joined=[(ACROSS.inject, OTHER_PART)])
STACKED = (
    Way(inject=(0, 16 * MM, 4 * MM, 2 * MM), leave=(0, 4 * MM, 4 * MM, 2 * MM), route=(MM, 0.2 * MM)),
    Way(inject=(0, 5 * MM, 10 * MM, 2 * MM), leave=(1, 15 * MM, 10 * MM, 2 * MM)),
    Way(inject=(1, 16 * MM, 4 * MM, 2 * MM), leave=(1, 4 * MM, 4 * MM, 2 * MM)),
)
STACK = Bars(
    size=(20 * MM, 14 * MM),
    cells=(30, 21),
    below=(0.0, MM),
    joined=[tuple((n, x * MM, y * MM, 1.5 * MM) for n in (0, 1)) for x, y in ((3, 7), (17, 7), (10, 12))],
)


BOARDS = {"plate": PLATE, "parted": PARTED, "stack": STACK}


@functools.cache
def modelled(bars_of, loops):
    """Inductance of the program's model and what is said to be uncertain of it, henry."""
    bars = BOARDS[bars_of]
    wide, high = (value / MM for value in bars.size)
    names = [f"plane {n}" for n in range(len(bars.below))]
    terminals, drawn, links = [], [], []

    def contact(plane, x, y, diameter):
        name = f"contact {len(terminals)}"
        terminals.append(pad(name, names[plane], x / MM, y / MM, diameter, corners=32))
        return name

    for n, way in enumerate(loops):
        route = None
        if way.route is not None:
            route = Outgoing(layer="L1", path=(way.leave[1:3], way.inject[1:3]), width=way.route[1])
        ends = {"inject": contact(*way.inject), "return_": contact(*way.leave)}
        drawn.append(Loop(name=f"loop {n}", role="noisy", current=1.0, frequency=1e6, route=route, **ends))
    for n, (start, to) in enumerate(bars.joined):
        if start[0] == to[0]:  # parts of one contact
            mine = next(k for k, it in enumerate(terminals) if it.shape.contains(shapely.Point(start[1:3])))
            both = shapely.union_all([terminals[mine].shape, circle(*to[1:], corners=32)])
            terminals[mine] = dataclasses.replace(terminals[mine], shape=both)
        else:
            links.append(via(f"via {n}", contact(*start), contact(*to)))
    below = [MM, *np.diff(bars.below).tolist(), None]
    layers = tuple(
        Layer(name=f"L{n + 1}", thickness=35e-6 if n else THIN, below=height) for n, height in enumerate(below)
    )
    review = case([strip(name, f"L{n + 2}", 0, wide, high) for n, name in enumerate(names)], terminals, links, drawn)
    board = dataclasses.replace(review.board, layers=layers, outline=rectangle(0, 0, *bars.size))
    review = dataclasses.replace(review, board=board, accuracy=0.01)
    conductors = Conductors.of(review)
    model = solve_broadband(review, conductors, conductors.ends(review), None, coarser=3.0)
    w = 2 * np.pi * EXPELLED
    return model.impedance(EXPELLED).imag / w, model.doubt(EXPELLED) / w


def test_tapes_against_quadrature():
    """Of two rectangles apart, over and beside each other."""
    nodes, weights = np.polynomial.legendre.leggauss(16)

    def spread(low, high):
        return low + 0.5 * (high - low) * (nodes + 1), 0.5 * (high - low) * weights

    x, z = (np.array([0.0, 1.0]), np.array([0.5, 2.0])), (np.array([0.0, 2.0]), np.array([-1.0, 1.5]))
    (x1, u1), (x2, u2), (z1, v1), (z2, v2) = (spread(*ends) for ends in (*x, *z))
    away = np.subtract.outer(x1, x2)[:, :, None, None] ** 2 + np.subtract.outer(z1, z2) ** 2 + 0.7**2
    sum_ = np.einsum("a,b,c,d,abcd->", u1, u2, v1, v2, 1 / np.sqrt(away))
    assert tapes(x, z, 0.7) == pytest.approx(sum_, rel=1e-9)


@functools.cache
def rested(board, loops):
    """Inductance by bars, and how much two thirds of them change it, henry."""
    fine, few = BOARDS[board], tuple(2 * n // 3 for n in BOARDS[board].cells)
    found = fine.inductance(loops)
    return found, np.abs(found - dataclasses.replace(fine, cells=few).inductance(loops))


BOTH = [("plate", (ROUTED, ACROSS)), ("parted", (ROUTED, ACROSS)), ("stack", STACKED)]


@pytest.mark.parametrize(("board", "loops"), BOTH)
def test_bars_come_to_rest(board, loops):
    """They can judge to under a per cent of the loops' own, and couplings far better."""
    found, off = rested(board, loops)
    own = np.sqrt(np.diag(found))
    assert np.all(off < 8e-3 * np.outer(own, own))


@pytest.mark.parametrize(("board", "loops"), BOTH)
def test_inductances_of_contacts_and_vias(board, loops):
    """Own ones, between a trace and a current beside it (a thirtieth of their own), of parts, from plane to plane."""
    found, doubt = modelled(board, loops)
    bars, off = rested(board, loops)
    own = np.sqrt(np.diag(bars))
    assert np.all(np.abs(found - bars) < doubt + off + 2e-3 * np.abs(bars) + 1e-4 * np.outer(own, own))
    assert np.all(doubt < 0.01 * np.outer(own, own))


def test_a_route_leaves_other_loops_their_inductance():
    """Where current enters a contact is decided by what ends there, not by what runs elsewhere."""
    unrouted = dataclasses.replace(ROUTED, route=None)
    (alone, _), (beside, _) = (modelled("plate", (one, ACROSS)) for one in (unrouted, ROUTED))
    assert beside[1, 1] == pytest.approx(alone[1, 1], rel=2e-3)
