"""Contacts are copper: eddy currents cross them, and at 0 Hz they are of one potential."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from shapely import LineString

from inductive import crossing
from layered import MM, case, edge, pad, solved, strip
from returnflow.magnetic.contacts import NARROW
from returnflow.magnetic.meshing import system_of
from returnflow.magnetic.solving import solve_expelled
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.model.board import Loop, Outgoing, Section

HEIGHT = 0.2


def board(*idle, ends=0.6):
    """Trace of 26 mm over a plane of 30 x 12 mm, with pads that no loop uses, which come first."""
    terminals = [*idle, *(pad(name, "ground", x, 6, ends * MM) for name, x in (("a", 2), ("b", 28)))]
    path = ((2 * MM, 6 * MM), (28 * MM, 6 * MM))
    route = Outgoing(layer="L1", path=path, width=0.1 * MM)
    drawn = Loop(name="x", role="noisy", inject="b", return_="a", current=1.0, frequency=1e6, route=route)
    review = case([strip("ground", "L2", 0, 30, 12.0)], terminals, [], [drawn], below=HEIGHT * MM)
    return dataclasses.replace(review, accuracy=0.025)


def idle(diameter, y=6.0):
    return pad("idle", "ground", 15, y, diameter * MM)


def expelled(review):
    conductors = Conductors.of(review)
    return solve_expelled(review, conductors, conductors.ends(review)).inductance[0, 0]


@functools.cache
def system(*more):
    review = board(*more)
    conductors = Conductors.of(review)
    return system_of(review, conductors, conductors.ends(review))


@pytest.mark.parametrize(("diameter", "y"), [(0.95 * NARROW * HEIGHT, 6.0), (1.6, 6.0), (3.0, 7.0), (6.0, 6.0)])
def test_idle_pad_under_a_trace_leaves_its_inductance(diameter, y):
    # As a hole the pads of 1.6, 3 and 6 mm add 2.4, 6.5 and 18 %.
    assert expelled(board(idle(diameter, y))) == pytest.approx(expelled(board()), rel=2e-3)


def test_wide_pads_at_the_ends_leave_it_too():
    # What lies under the trace carries its image, up to where the current enters.
    assert expelled(board(ends=2.0)) == pytest.approx(expelled(board(ends=0.95 * NARROW * HEIGHT)), rel=2e-3)


@pytest.mark.parametrize("more", [(), (idle(6.0),)])
def test_resistive_pattern_has_one_potential_on_them(more):
    found = solved(board(*more))
    assert system(*more).resistance == pytest.approx(found.squares, rel=0.015)


def test_resistive_pattern_goes_on_across_them():
    """In a disc of one potential in a wide strip the current is uniform, and twice that of the strip (textbook)."""
    ends = [edge(name, "ground", x, 0, x + 1, 60) for name, x in (("a", 0), ("b", 59))]
    disc = pad("idle", "ground", 30, 30, 5 * MM)
    wide = case([strip("ground", "L2", 0, 60, 60.0)], [*ends, disc], [], board().loops)
    conductors = Conductors.of(wide)
    it = system_of(wide, conductors, conductors.ends(wide))
    K = it.currents[:, it.stack.contact, 0]
    places = it.space.mesh.points[it.space.mesh.triangles].mean(axis=1)[it.stack.contact]
    middle = np.hypot(*(places - 30 * MM).T) < 2 * MM
    assert np.count_nonzero(middle) > 5
    # Of few triangles, on a polygon.
    assert K[0, middle] == pytest.approx(np.full(np.count_nonzero(middle), -2 / (60 * MM)), rel=0.12)
    assert K[1, middle] == pytest.approx(np.zeros(np.count_nonzero(middle)), abs=0.05 * 2 / (60 * MM))


def test_sections_count_what_they_count_at_0_hz():
    line = LineString([(15 * MM, 0), (15 * MM, 12 * MM)])
    review = dataclasses.replace(
        board(idle(3.0)), sections=(Section(name="s", copper="ground", path=tuple(line.coords)),)
    )
    conductors = Conductors.of(review)
    it = system_of(review, conductors, conductors.ends(review))
    conduction = solved(review)
    wanted = crossing(conduction.mesh, 0, conduction.stream[0]).real
    assert crossing(it.space.mesh, 0, it.stream[0]).real == pytest.approx(wanted, rel=0.02)
    assert 0.3 < abs(wanted) < 0.9
