"""Impedances over frequency keep to laws: invariance, scaling, refinement, flux in a hole, a flat bar."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import brentq
from test_broadband import FOIL, LOOPS, PLACES, ROUTES, apart, board, coarse, direct, route

from inductive import Ideal, Strip, along, crossing, graded
from judges import assert_falling, red_refined
from returnflow.magnetic import equations
from returnflow.magnetic.equations import assemble
from returnflow.magnetic.panels import potential
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.magnetic.stack import Stack
from returnflow.magnetic.traces import Route, vector_potential
from returnflow.resistive.foil import MU0
from returnflow.resistive.spaces import Path
from returnflow_geometry.mesh.mesher import Mesh, Plane
from returnflow_geometry.model.shapes import circle, rectangle


@pytest.fixture(scope="module")
def mesh():
    return board()


@pytest.fixture(scope="module")
def system(mesh):
    return assemble(mesh, len(PLACES), LOOPS, ROUTES)


@pytest.fixture(scope="module")
def expected(system):
    return direct(system, TestInvariance.FREQUENCIES)


# ---------------------------------------------------------------- what must change nothing


class TestInvariance:
    """The same board drawn, numbered or walked another way: the direct solve, so that only the equations speak."""

    FREQUENCIES = (1e2, 3e3, 1e5, 1e7)

    def same(self, mesh, expected, tolerance, **changes):
        other = assemble(mesh, len(PLACES), LOOPS, changes.get("routes", ROUTES))
        assert apart(direct(other, self.FREQUENCIES), expected) < tolerance

    def test_of_the_path_the_current_is_given(self, monkeypatch, expected, mesh):
        def detour(topology, loops, order):
            # By way of pad 4 where it can: through its rim and out again.
            legs = [[(a, b)] if 4 in (a, b) else [(a, 4), (4, b)] for a, b in loops]
            return [Path.along(np.concatenate([topology.walk(*leg) for leg in parts]), order) for parts in legs]

        monkeypatch.setattr(equations, "path_fields", detour)
        self.same(mesh, expected, 1e-6)

    def test_of_the_place_of_the_board(self, expected, mesh):
        shift = np.array([1.0, -2.0])
        routes = [r and replace(r, path=r.path + shift) for r in ROUTES]
        self.same(replace(mesh, points=mesh.points + shift), expected, 1e-6, routes=routes)

    def test_of_numbers(self, expected, mesh):
        rng = np.random.default_rng(5519)
        points, triangles = rng.permutation(len(mesh.points)), rng.permutation(len(mesh.triangles))
        back = np.argsort(points)
        edges = np.column_stack([np.argsort(triangles)[mesh.contact_edges[:, 0]], mesh.contact_edges[:, 1]])
        other = Mesh(
            mesh.points[points],
            back[mesh.triangles[triangles]],
            edges,
            mesh.contact_of,
            mesh.region_triangles[:, triangles],
        )
        self.same(other, expected, 1e-6)

    def test_of_a_quarter_turn(self, expected, mesh):
        turn = np.array([[0.0, 1.0], [-1.0, 0.0]])
        routes = [r and replace(r, path=r.path @ turn) for r in ROUTES]
        # Other boxes: to the operator's own accuracy.
        self.same(replace(mesh, points=mesh.points @ turn), expected, 1e-3, routes=routes)

    def test_of_the_side_the_routes_are_on(self, expected, mesh):
        routes = [r and replace(r, height=-r.height) for r in ROUTES]
        self.same(mesh, expected, 1e-9, routes=routes)


class TestScaling:
    def test_larger_board_at_lower_frequency(self, mesh):
        """All lengths times k, frequency over k: w mu0 L / Rs and so every share and impedance stays."""
        k, thin = (
            8.0,
            1e-9,
        )  # foil without reactance of its own; a power of two, so that the boxes of the operator round alike
        grown = [r and Route(k * r.path, k * r.height, k * r.width, k * r.thickness) for r in ROUTES]
        small = assemble(mesh, len(PLACES), LOOPS, ROUTES)
        large_mesh = replace(mesh, points=k * mesh.points)
        stack = replace(Stack.plain(len(mesh.triangles)), thickness=k * 35e-6)
        large = assemble(large_mesh, len(PLACES), LOOPS, grown, stack)
        frequencies = np.array([1e4, 1e6, 1e8])
        one, other = direct(small, frequencies, thin), direct(large, frequencies / k, thin)
        assert apart(other, one) < 1e-5
        options = BroadbandOptions(lowest=1e2)
        models = [reduce(s, thin, 20.0, options=options) for s in (small, large)]
        for f in frequencies:
            shares = [crossing(mesh, 0, m.stream(g)[0]) for m, g in zip(models, (f, f / k), strict=True)]
            assert abs(shares[0] - shares[1]) < 1e-3

    def test_frequency_where_half_has_turned_follows_the_size_of_the_loop(self):
        """Trap 1: WHICH WAY the return goes follows the loop size and hardly the height."""
        found = []
        for height in (0.5, 1.5):
            mesh = board(step=2.0)
            system = assemble(mesh, len(PLACES), [(0, 1)], [route(1, 0, (52, 10), height=height)])
            model = reduce(system, FOIL, 20.0)

            def turned(f, model=model):
                z0, z1 = model.impedance(10.0), model.impedance(1e8)
                inductance = [z.imag[0, 0] / g for z, g in ((z0, 10.0), (z1, 1e8), (model.impedance(f), f))]
                return (inductance[2] - inductance[1]) / (inductance[0] - inductance[1]) - 0.5

            found.append(brentq(turned, 100, 1e6))
        assert 1 < found[0] / found[1] < 2.5 or 1 < found[1] / found[0] < 2.5


class TestRefinement:
    def test_every_triangle_in_four_changes_impedances_by_less_than_a_percent(self):
        # The rims of pads and the edges of the copper matter most to loops closed far away.
        mesh = board(step=2.4, growth=0.5, edge=0.4, rim=0.15)
        options = BroadbandOptions(lowest=1e3, highest=1e8, bounds=False)
        models = [
            reduce(assemble(m, len(PLACES), LOOPS, ROUTES), FOIL, 20.0, options=options)
            for m in (mesh, red_refined(mesh))
        ]
        for f in (1e3, 1e5, 1e8):
            one, other = (np.diag(m.impedance(f)) for m in models)
            # Resistances of small pads come from the bracket in a study; the reactance is what is tested.
            assert one.imag == pytest.approx(other.imag, rel=1e-2)

    def test_finer_meshes_lower_the_inductance_of_ideal_copper(self):
        """The current is the one of least energy of those the mesh can carry, and a finer one can carry more."""
        mesh, values = coarse(), []
        for _ in range(3):
            values.append(Ideal.of(assemble(mesh, len(PLACES), LOOPS, ROUTES)).inductance)
            mesh = red_refined(mesh)
        for one, other in pairwise(values):
            assert np.linalg.eigvalsh(one - other)[0] > -1e-4 * np.max(np.diag(one))
            assert np.all(np.diag(one - other) > 0)
        assert_falling(np.trace(np.diff(values, axis=0), axis1=1, axis2=2), last=0.1 * np.trace(values[-1]))


# ---------------------------------------------------------------- holes


class TestHole:
    def test_keeps_its_flux_out_at_high_frequency(self):
        """A hole without contact carries a circulating current that leaves no flux in it once resistance is nothing."""
        hole = circle(0, 0, 10e-3, corners=40)
        pads = [circle(x, -14e-3, 1e-3, corners=8) for x in (-20e-3, 20e-3)]
        copper = rectangle(-25e-3, -20e-3, 25e-3, 20e-3).difference(hole)
        path = np.array([[20e-3, -14e-3], [20e-3, -8e-3], [-20e-3, -8e-3], [-20e-3, -14e-3]])
        rim = np.array(hole.exterior.coords)
        trace = Route(path, 1e-3, 2e-4)
        nodes, weights = np.polynomial.legendre.leggauss(3)
        # Line integral of the whole vector potential round the hole, along its rim.
        start, step = rim[:-1], np.diff(rim, axis=0)
        places = (start[:, None] + 0.5 * (1 + nodes)[:, None] * step[:, None]).reshape(-1, 2)
        steps = (0.5 * weights[:, None] * step[:, None]).reshape(-1, 2)

        def flux(corners, K):
            total = vector_potential(trace, places)
            for number, place in enumerate(places):
                inverse = potential(corners, np.broadcast_to(place, (len(corners), 1, 2)))[:, 0]
                total[number] += MU0 / (4 * np.pi) * (K @ inverse)
            return float(np.sum(total * steps))

        kept = []
        for edge in (1e-3, 5e-4, 2.5e-4):
            mesh = graded(Plane(copper, pads), [(rim, edge), (along(path, 5e-4), 5e-4)], 4e-3, 0.35)
            corners = mesh.points[mesh.triangles]
            ideal = Ideal.of(assemble(mesh, 2, [(0, 1)], [trace]))
            resistive = ideal.system.currents[:, :, 0]
            added = np.stack([part @ ideal.answer[:, 0] for part in ideal.system.curl])
            kept.append(flux(corners, resistive + added) / flux(corners, resistive))
        assert_falling(kept, last=0.02)
        # It circulates: the stream value of the hole against that of the outer edge is not the resistive one.
        on_hole, outside = (np.argmin(np.hypot(*(mesh.points - spot).T)) for spot in (rim[0], [0, 20e-3]))
        values = [
            [stream[mesh.triangles == point].mean() for point in (on_hole, outside)]
            for stream in (ideal.system.stream[0], ideal.stream[0])
        ]
        (hole_before, edge_before), (hole_after, edge_after) = values
        assert abs((hole_after - edge_after) - (hole_before - edge_before)) > 0.05


def test_strip_without_a_trace_has_the_inductance_of_a_flat_bar():
    """Loop closed far away: partial inductance of a flat bar, 0.2 l [ln(2 l/w) + 0.5 + w/(3 l)...] uH (Grover, M)."""
    strip = Strip(width=1, length=20, h=0.1)
    system = strip.system(strip.mesh(0.1, everywhere=True))
    length, width = 2.0, 0.1
    exact = 0.2e-6 * length * (np.log(2 * length / width) + 0.5 + width / (3 * length))
    assert system.inductance[1, 1] == pytest.approx(exact, rel=5e-3)
