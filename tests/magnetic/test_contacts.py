"""Contacts are copper: eddy currents cross them, and at 0 Hz they are of one potential."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from shapely import LineString

from inductive import crossing
from layered import MM, case, edge, loop, pad, solved, strip, via
from returnflow.magnetic.contacts import NARROW, opened
from returnflow.magnetic.meshing import mesh_of, system_of, system_on
from returnflow.magnetic.reduction import reduce
from returnflow.magnetic.routes import routes_of
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


@functools.cache
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


@pytest.mark.parametrize("corners", [16, 128])
def test_a_pad_as_wide_as_its_trace_costs_hardly_more_than_one_that_keeps_off_its_edges(corners):
    """Cusps between the pad and the edges that it touches would take some thousand triangles."""

    def strip_of(diameter):
        ends = [pad(name, "trace", x, 0.15, diameter * MM, corners) for name, x in (("a", 0.15), ("b", 5.85))]
        review = case([strip("trace", "L1", 0, 6, 0.3), strip("plane", "L2", -2, 8, 4.0, -2.0)],
                      [*ends, pad("c", "plane", 6, 0)], [via("v", "b", "c")], [loop("x", "a", "c")])  # fmt: skip
        conductors = Conductors.of(review)
        return len(mesh_of(review, conductors, conductors.ends(review)).triangles), expelled(review)

    # Further off its edges it is an octagon, and takes half of that.
    (tight, touching), (free, off) = strip_of(0.3), strip_of(0.28)
    assert tight < 1.15 * free
    assert touching == pytest.approx(off, rel=3e-3)


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


def stitched(vias):
    """Loop closed far away in a plane of 28 x 22 mm, with a plane close below that vias join to it all over."""
    places = [(x, y) for x in range(4, 28, 8) for y in range(3, 22, 8)][:vias]
    coppers = [strip("near", "L1", 0, 28, 22.0), strip("far", "L2", 0, 28, 22.0)][: 2 if vias else 1]
    pads = [pad("a", "near", 6, 15), pad("b", "near", 23, 7)]
    ends = [pad(f"{n}{k}", n, *place, 0.3 * MM, 8) for k, place in enumerate(places) for n in ("near", "far")]
    joined = [via(f"v{k}", f"near{k}", f"far{k}", 5e-4) for k in range(len(places))]
    review = case(coppers, [*pads, *ends], joined, [loop("x", "a", "b")])
    return dataclasses.replace(review, accuracy=0.025)


def test_vias_to_a_plane_close_below_leave_a_loop_closed_far_away_its_inductance():
    """
    Two sheets close to each other are one, but for what the field between them and the vias make of it.

    As holes of one potential, 41 vias took a quarter: what passed them had no flux, and cost nothing.
    """
    assert expelled(stitched(9)) == pytest.approx(expelled(stitched(0)), rel=0.02)


def test_what_the_basis_lacks_is_small_on_stitched_planes_at_low_frequency():
    """At 1 kHz it was a hundred times the impedance: of sheets without resistance between vias with it."""
    it = stitched(9)
    conductors = Conductors.of(it)
    ends = conductors.ends(it)
    model = reduce(system_on(mesh_of(it, conductors, ends), it, conductors, ends), 35e-6, 20.0)
    for f in (1e2, 1e3, 1e4, 1e6):
        assert model.unreduced(f)[0, 0] < 0.02 * abs(model.impedance(f)[0, 0])


@functools.cache
def entered():
    it = stitched(9)
    conductors = Conductors.of(it)
    return system_of(it, conductors, conductors.ends(it))


class TestEntering:
    """Current enters along an outline as its length, and copper goes on inside."""

    def test_along_every_outline_by_its_length(self):
        model = entered()
        mesh, stack = model.space.mesh, model.stack
        edges, contact = mesh.contact_edges[-stack.along :], mesh.contact_of[-stack.along :]
        assert set(contact.tolist()) == set(range(20))
        values = model.stream[0][edges[:, 0]]
        each = np.arange(len(edges))
        into = values[each, (edges[:, 1] + 1) % 3] - values[each, edges[:, 1]]
        # Inside, on the other side of every edge, as much of it goes on as it likes: the jump is what enters.
        key = {tuple(sorted(pair)): value for pair, value in zip(_ends(mesh, edges), into.tolist(), strict=True)}
        for tri in range(stack.outer, len(mesh.triangles)):
            for k in range(3):
                pair = tuple(sorted((int(mesh.triangles[tri, k]), int(mesh.triangles[tri, (k + 1) % 3]))))
                if pair in key:
                    key[pair] += model.stream[0][tri, (k + 1) % 3] - model.stream[0][tri, k]
        entering = np.array([key[tuple(sorted(pair))] for pair in _ends(mesh, edges)])
        length = mesh.edge_lengths[tuple(edges.T)]
        for number in range(20):
            mine = contact == number
            share = length[mine] / length[mine].sum()
            assert entering[mine] == pytest.approx(entering[mine].sum() * share, abs=1e-9)
        total = np.bincount(contact, entering)
        assert np.abs(total[:2]) == pytest.approx(1.0, abs=1e-9)
        assert total[0] == pytest.approx(-total[1], abs=1e-9)

    @pytest.mark.parametrize(("routed", "wide"), [(True, NARROW * HEIGHT), (False, 2.0)])
    def test_in_a_wide_contact_no_wider_than_the_route_that_ends_there_is_high(self, routed, wide):
        """All round without one, whatever other routes run there."""
        it = board(ends=2.0)
        (drawn,) = it.loops
        extra = dataclasses.replace(drawn, name="y", inject="d", return_="c", route=None)
        ends = [pad(name, "ground", x, 9, 2.0 * MM) for name, x in (("c", 5), ("d", 25))]
        terminals = (*it.board.terminals, *ends)
        it = dataclasses.replace(it, board=dataclasses.replace(it.board, terminals=terminals), loops=(drawn, extra))
        conductors = Conductors.of(it)
        model = system_of(it, conductors, conductors.ends(it))
        mesh, along = model.space.mesh, model.stack.along
        edges, contact = mesh.contact_edges[-along:], mesh.contact_of[-along:]
        mine = contact == conductors.number["a" if routed else "c"]
        assert mesh.edge_lengths[tuple(edges[mine].T)].sum() == pytest.approx(np.pi * wide * MM, rel=0.03)

    def test_current_flows_on_inside(self):
        model = entered()
        inside = slice(model.stack.outer, None)
        K = np.hypot(*model.currents[:, inside, 0])
        assert np.all(model.stack.contact[inside])
        assert np.median(K) > 1.0

    def test_contacts_on_an_edge_stay_holes(self):
        review = board(pad("at the edge", "ground", 15, 0, 0.3 * MM), ends=0.3)
        conductors = Conductors.magnetic(review)
        over = [routes_of(review, "ground", conductors.names)]
        made = opened(conductors, dict.fromkeys(range(3), np.inf), over)
        assert [conductors.terminals[n] for n in made.conductors.contacts[0]] == ["at the edge"]
        assert [conductors.terminals[n] for n in made.entered if n >= 0] == ["a", "b"]

    def test_narrow_ones_that_nothing_enters_are_copper_like_any(self):
        review = board(idle(0.3), ends=0.3)
        conductors = Conductors.magnetic(review)
        made = opened(conductors, dict.fromkeys((1, 2), np.inf), [routes_of(review, "ground", conductors.names)])
        assert not len(made.conductors.contacts[0])
        assert sorted(made.entered.tolist()) == [1, 2]


def _ends(mesh, edges):
    corner = mesh.triangles[edges[:, 0]]
    each = np.arange(len(edges))
    pairs = np.column_stack([corner[each, edges[:, 1]], corner[each, (edges[:, 1] + 1) % 3]])
    return [(int(a), int(b)) for a, b in pairs]
