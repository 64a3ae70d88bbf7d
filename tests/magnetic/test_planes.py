"""Facing planes as a capacitor and a resonator, and barrels with a length."""

import dataclasses
import functools

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import j0

from layered import MM, case, loop, pad, via
from returnflow.magnetic.barrels import Barrel, partial_inductance
from returnflow.magnetic.dielectric import EPSILON0, facing
from returnflow.magnetic.meshing import COARSE
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0, sheet_impedance
from returnflow_geometry.model.board import Copper, Supply
from returnflow_geometry.model.shapes import rectangle

A, B, D = 0.1, 0.08, 0.1 * MM  # m
PERMITTIVITY, LOSS = 4.3, 0.02
PORTS = ((20.0, 20.0), (70.0, 60.0))  # mm
RADIUS = 0.1 * MM
FOIL = 35e-6


def planes(ports=PORTS, *, corners=16, permittivity=PERMITTIVITY, links=(), more=()):
    """Two planes, with pins through them at some places; the device of every pin sits on the upper one."""
    outline = rectangle(0, 0, A, B)
    coppers = [Copper(name=name, layer=layer, shape=outline) for name, layer in (("upper", "L1"), ("lower", "L2"))]
    every = [(c, n, *place) for n, place in enumerate((*ports, *more)) for c in ("upper", "lower")]
    pins = [pad(f"{c[0]}{n}", c, x, y, 2 * RADIUS, corners=corners) for c, n, x, y in every]
    loops = [
        dataclasses.replace(loop(f"port {n}", f"u{n}", f"l{n}"), supply=Supply(layer="L1", tolerates=1.0))
        for n in range(len(ports))
    ]
    review = case(coppers, pins, links, loops, below=D)
    layers = tuple(dataclasses.replace(layer, permittivity=permittivity, loss=LOSS) for layer in review.board.layers)
    return dataclasses.replace(
        review, board=dataclasses.replace(review.board, layers=layers), frequencies=(0.0, 1e9), via_inductance=True
    )


def solved(review, coarser=COARSE):
    conductors = Conductors.of(review) if review.board.links else Conductors.magnetic(review)
    options = BroadbandOptions(accuracy=3e-3)
    return solve_broadband(review, conductors, conductors.ends(review), None, options, coarser=coarser)


@functools.cache
def bare():
    return solved(planes())


def cavity(f, ports=PORTS, waves=1500):
    """
    Impedances of ports of a rectangular cavity with magnetic walls, by the double sum of its modes.

    Source: T. Okoshi, Planar Circuits for Microwaves and Lightwaves, Springer 1985 (from memory). A port is a ring,
    over which the mean of cos cos is J0(kr) times that at its middle (textbook). Modes whose wave number is beyond that
    of the last along a side are an integral: seen by a port of itself only, as waves of all directions.
    """
    w = 2 * np.pi * f
    kx, ky = np.arange(waves)[:, None] * np.pi / A, np.arange(waves) * np.pi / B
    series = 2 * sheet_impedance(FOIL, f, 20.0) + 1j * w * MU0 * D
    shunt = 1j * w * EPSILON0 * PERMITTIVITY * (1 - 1j * LOSS) / D
    weight = ring(waves) / (kx**2 + ky**2 + series * shunt)
    x, y = np.array(ports).T * MM
    i, j = np.triu_indices(len(ports))
    along, across = np.cos(kx.T * x[:, None]), np.cos(ky * y[:, None])
    Z = np.zeros((len(ports),) * 2, dtype=complex)
    Z[i, j] = Z[j, i] = np.einsum("pm,mp->p", along[i] * along[j], weight @ (across[i] * across[j]).T)
    return series / (A * B) * Z + series / (2 * np.pi) * beyond(waves) * np.eye(len(ports))


@functools.cache
def ring(waves):
    """Weights of the modes: what a ring sees of them, and their norms."""
    kx, ky = np.arange(waves)[:, None] * np.pi / A, np.arange(waves) * np.pi / B
    k = np.hypot(kx, ky)
    return np.where(kx > 0, 2, 1) * np.where(ky > 0, 2, 1) * j0(k * RADIUS) ** 2 * (k < waves * np.pi / A)


@functools.cache
def beyond(waves):
    """Integral of J0(u)^2/u from the last mode on; far out J0^2 is 1/(pi u) in the mean."""
    start, far = waves * np.pi / A * RADIUS, 300.0
    return quad(lambda u: j0(u) ** 2 / u, start, far, limit=500)[0] + 1 / (np.pi * far)


class TestPlanesResonateAsACavity:
    def test_static_capacitance_is_exact(self):
        # Z of two ports is that of the plate capacitor but for some micro-ohms.
        reactance = 1 / (2j * np.pi * 1e4 * EPSILON0 * PERMITTIVITY * (1 - 1j * LOSS) * A * B / D)
        np.testing.assert_allclose(bare().impedance(1e4)[0, 1], reactance, rtol=1e-6)

    @pytest.mark.parametrize("f", [1e6, 1e7, 1e8, 3e8, 5e8, 6e8])
    def test_levels_off_resonance(self, f):
        Z, modes = bare().impedance(f), cavity(f)
        np.testing.assert_allclose(abs(Z), abs(modes), rtol=0.02)

    def test_levels_between_two_resonances(self):
        # The flux beyond the rims, which a cavity has not, moves resonances up by some tenths of a per cent; a tenth
        # away from one that is some per cent of a level.
        Z = bare().impedance(1e9)
        off = [np.max(np.abs(abs(Z) / abs(cavity(1e9 * (1 - shift))) - 1)) for shift in np.linspace(0, 5e-3, 11)]
        assert min(off) < 0.02

    def test_three_resonances_and_their_peaks(self):
        sweep = np.linspace(6.6e8, 1.2e9, 361)
        ours = np.array([bare().impedance(f)[0, 0].real for f in sweep])
        modes = np.array([cavity(f, PORTS[:1], 100)[0, 0].real for f in sweep])
        peaks = [np.flatnonzero((x[1:-1] > x[:-2]) & (x[1:-1] > x[2:])) + 1 for x in (ours, modes)]
        assert len(peaks[0]) == len(peaks[1]) == 3
        np.testing.assert_allclose(sweep[peaks[0]], sweep[peaks[1]], rtol=0.01)
        np.testing.assert_allclose(ours[peaks[0]], modes[peaks[1]], rtol=0.1)
        # What is lost is the dielectric's and the foil's: Q is that of the cavity.
        for x in (ours, modes):
            half = sweep[x > x[peaks[0][0]] / 2]
            x[:] = np.ptp(half[half < 8e8])
        assert ours[0] == pytest.approx(modes[0], rel=0.05)

    def test_waves_are_as_fast_on_the_coarser_mesh(self):
        # Its triangles are a twelfth of a wave there: evened out on them, waves would be half a per cent faster.
        sweep = np.linspace(6.6e8, 9.8e8, 321)
        found = []
        for solve in (lambda f: bare().coarse.impedance(f)[0, 0].real, lambda f: cavity(f, PORTS[:1], 100)[0, 0].real):
            x = np.array([solve(f) for f in sweep])
            found.append(sweep[np.flatnonzero((x[1:-1] > x[:-2]) & (x[1:-1] > x[2:])) + 1])
        np.testing.assert_allclose(found[0], found[1], rtol=4e-3)

    def test_without_permittivity_nothing_is_displaced(self):
        review = planes(permittivity=None)
        assert facing(review, Conductors.magnetic(review)) == ()


def network(Z, parts):
    """Impedance of the first port where impedances close the others: circuit algebra (textbook)."""
    closing = Z[1:, 1:] + np.diag(parts)
    return Z[0, 0] - Z[0, 1:] @ np.linalg.solve(closing, Z[1:, 0])


@pytest.mark.parametrize("count", [1, 12])
def test_capacitors_are_modes_plus_circuit_algebra(count):
    # 10 nF, 0.5 nH and 20 mohm at each place, from own random places.
    random = np.random.default_rng(7)
    places = [(float(x), float(y)) for x, y in random.uniform((4, 4), (96, 76), (count, 2))]
    links = [via(f"C{n}", f"u{n}", f"l{n}", 0.02, inductance=0.5e-9, capacitance=10e-9) for n in range(1, count + 1)]
    model = solved(planes(PORTS[:1], links=links, more=places, corners=6), 3 * COARSE)
    for f in (1e6, 2e7, 1e8, 2e8, 4e8):
        w = 2 * np.pi * f
        # The pins of a capacitor are no part of these planes: no current runs along its hole.
        parts = [0.02 + 1j * w * 0.5e-9 + 1 / (1j * w * 10e-9)] * count
        Z = cavity(f, (PORTS[0], *places), 1000)
        barrels = partial_inductance([Barrel(0, 1.0, (x * MM, y * MM), 0.0, D, RADIUS) for x, y in (PORTS[0], *places)])
        barrels[0, 0] = 0.0  # that of the supply's pin is there
        expected = network(Z - 1j * w * barrels, parts)
        assert abs(model.impedance(f)[0, 0]) == pytest.approx(abs(expected), rel=0.02)


# ---------------------------------------------------------------- barrels


class TestBarrels:
    @staticmethod
    def tube(x, y, start=0.0, end=1.6 * MM, radius=0.15 * MM):
        return Barrel(0, 1.0, (x * MM, y * MM), start, end, radius)

    def test_partial_inductance_is_neumanns_integral(self):
        one, other = self.tube(0, 0), self.tube(1, 0.5, 0.4 * MM, 2.0 * MM)
        away = np.hypot(1, 0.5) * MM
        value, _ = dblquad(lambda z, u: 1 / np.hypot(z - u, away), one.start, one.end, other.start, other.end)
        assert partial_inductance([one, other])[0, 1] == pytest.approx(MU0 / (4 * np.pi) * value, rel=1e-9)

    def test_pair_of_long_barrels_is_the_two_wire_line(self):
        # textbook, for wires far apart against their radius: L' = mu0/pi ln(D/r)
        pair = [self.tube(0, 0, end=10.0), self.tube(2, 0, end=10.0)]
        forth = np.array([1.0, -1.0])
        per_length = forth @ partial_inductance(pair) @ forth / 10.0
        assert per_length == pytest.approx(MU0 / np.pi * np.log(2 / 0.15), rel=1e-3)

    @pytest.mark.parametrize("count", [2, 4, 8])
    def test_ring_of_return_barrels(self, count):
        # closed form by mean distances: mu0/2pi (ln(R/r) + ln(R/(N r))/N) per length
        angle = 2 * np.pi * np.arange(count) / count
        ring = [self.tube(2 * np.cos(a), 2 * np.sin(a), end=10.0) for a in angle]
        shared = np.append(1.0, np.full(count, -1 / count))
        per_length = shared @ partial_inductance([self.tube(0, 0, end=10.0), *ring]) @ shared / 10.0
        expected = MU0 / (2 * np.pi) * (np.log(2 / 0.15) + np.log(2 / (count * 0.15)) / count)
        assert per_length == pytest.approx(expected, rel=1e-3)

    @pytest.mark.parametrize("length", [0.02, 0.15, 3.0])
    def test_tube_with_itself(self, length):
        # The mean over its circle of two lines on it, by quadrature.
        one = self.tube(0, 0, end=length * MM)

        def apart(angle):
            other = self.tube(0.3 * np.sin(angle / 2), 0, end=length * MM, radius=1e-12)
            return partial_inductance([dataclasses.replace(one, radius=1e-12), other])[0, 1]

        value = quad(apart, 0, np.pi, limit=200)[0] / np.pi
        assert partial_inductance([one])[0, 0] == pytest.approx(value, rel=1e-3)

    def test_direction_counts(self):
        down = self.tube(1, 0, 1.6 * MM, 0.0)
        M = partial_inductance([self.tube(0, 0), down])
        assert M[0, 1] < 0 < M[1, 1]
