"""Foil between its two faces: what shields, on which face a current flows, and the slab's closed form."""

from __future__ import annotations

import cmath
import functools
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import solve_banded

from inductive import along, graded
from layered import case, loop, pad, strip
from returnflow.magnetic.equations import assemble
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.magnetic.routes import elevations, routes_of
from returnflow.magnetic.traces import Route
from returnflow.resistive.foil import (
    MU0,
    sheet_impedance,
    sheet_resistance,
    skin_depth,
    transfer_impedance,
)
from returnflow_geometry.mesh.mesher import Plane
from returnflow_geometry.model.board import Outgoing
from returnflow_geometry.model.material import resistivity
from returnflow_geometry.model.shapes import circle, rectangle

RHO = resistivity(20.0)


class TestFoil:
    @pytest.mark.parametrize("f", [1e4, 1e6, 1e8])
    @pytest.mark.parametrize("t", [18e-6, 70e-6])
    def test_both_impedances_from_the_wave_in_the_copper(self, f, t):
        """E'' = (2j/delta^2) E by finite differences, unit H on one face and none on the other."""
        n = 4000
        z = np.linspace(0, t, n + 1)
        delta = skin_depth(f)
        step = z[1]
        diagonal = np.full(n + 1, -2 - 2j * (step / delta) ** 2)
        above, below = np.ones(n, complex), np.ones(n, complex)
        above[0] = below[-1] = 2  # mirrored over the faces
        right = np.zeros(n + 1, complex)
        right[0] = -2 * step * 2j * np.pi * f * MU0  # dE/dz = -j w mu0 H
        bands = np.zeros((3, n + 1), complex)
        bands[0, 1:], bands[1], bands[2, :-1] = above, diagonal, below
        E = solve_banded((1, 1), bands, right)
        assert abs(E[0] / sheet_impedance(t, f) - 1) < 1e-5
        assert abs(E[-1] / transfer_impedance(t, f) - 1) < 1e-4

    def test_thin_foil_is_a_sheet_resistance_between_its_faces(self):
        for f in (0.0, 1.0, 1e3):
            assert transfer_impedance(35e-6, f) == pytest.approx(sheet_resistance(35e-6), rel=1e-3)

    def test_thick_foil_shields_by_its_skin_depths(self):
        for f in (1e8, 1e9):
            delta = skin_depth(f)
            # (1+j) rho/delta times 2 exp(-(1+j) t/delta): the wave that gets through, and none comes back.
            wanted = 2 * (1 + 1j) * RHO / delta * cmath.exp(-(1 + 1j) * 70e-6 / delta)
            assert transfer_impedance(70e-6, f) == pytest.approx(wanted, rel=1e-6)
        assert transfer_impedance(35e-6, 1e12) == 0

    @pytest.mark.parametrize("impedance", [sheet_impedance, transfer_impedance])
    def test_refuses_what_is_no_frequency(self, impedance):
        with pytest.raises(ValueError, match="Invalid frequency"):
            impedance(35e-6, -1.0)


# ---------------------------------------------------------------- routes above and below one plane


def slab(height, thickness, f):
    """
    What a slab adds per metre to the impedance of a wire over a perfect plane, and the transfer to a wire below it.

    Closed form: currents by their waves along the slab, cosh and sinh across it, air on both sides. Textbook.
    """
    k = np.geomspace(1.0, 40 / height, 40001)
    g = np.sqrt(k**2 + 2j / skin_depth(f) ** 2)
    air = 1j * 2 * np.pi * f * MU0 / k
    whole, half = (air * k / g * form / 2 for form in (1 / np.tanh(g * thickness / 2), np.tanh(g * thickness / 2)))
    whole, half = whole * air / 2 / (whole + air / 2), half * air / 2 / (half + air / 2)
    weight = np.exp(-2 * k * height) / np.pi
    return tuple(np.trapezoid(part * weight, k) for part in (whole + half, whole - half))


HEIGHT, SHIFT = 0.2e-3, 1.001  # the third loop's route lies beside the first's, by a thousandth of the height


@functools.cache
def facing(thickness, length=12e-3):
    """Loops of one path: over a plane, under it, and again over it."""
    copper = rectangle(-6e-3, -5e-3, length + 6e-3, 5e-3)
    pads = [circle(x, 0, 0.4e-3, corners=12) for x in (0, length)]
    path = np.array([[length, 0.0], [0.0, 0.0]])
    routes = [Route(path, h, 1e-9, 1e-9) for h in (HEIGHT, -HEIGHT, SHIFT * HEIGHT)]
    mesh = graded(Plane(copper, pads), [(along(path, HEIGHT / 3), HEIGHT / 3)], 1e-3)
    return reduce(assemble(mesh, 2, [(0, 1)] * 3, routes), thickness, 20.0, options=BroadbandOptions(accuracy=3e-4))


def per_metre(thickness, f):
    one, two = facing(thickness), facing(thickness, 18e-3)
    return (two.impedance(f) - one.impedance(f)) / 6e-3


class TestPlaneBetweenRoutes:
    @pytest.mark.parametrize("thickness", [35e-6, 70e-6])
    @pytest.mark.parametrize("f", [3e5, 1e6, 3e6, 1e7, 3e7, 1e8])
    def test_transfer_and_losses_are_those_of_a_slab(self, f, thickness):
        Z = per_metre(thickness, f)
        near, far = slab(HEIGHT, thickness, f)
        air = 2 * np.pi * f * MU0 / (2 * np.pi) * np.log((1 + SHIFT) / (SHIFT - 1))
        assert Z[0, 2].real == pytest.approx(near.real, rel=0.025)
        assert Z[0, 2].imag == pytest.approx(near.imag + air, rel=1e-3)
        # What the mesh leaves of the field that the plane expels is 3e-4 of the loop's own.
        assert Z[0, 1].real == pytest.approx(far.real, rel=0.03)
        assert Z[0, 1].imag == pytest.approx(far.imag, rel=0.03, abs=4e-4 * air)

    def test_transfer_falls_with_the_skin_depth(self):
        """Resistance that two loops on different faces share, against two on one face; one-sided it is the same."""
        for f in (3e7, 1e8, 3e8):
            depths = 35e-6 / skin_depth(f)
            Z = per_metre(35e-6, f)
            assert 0 < abs(Z[0, 1].real) < 3 * np.exp(-depths) * Z[0, 2].real

    def test_thickness_leaves_slow_fields_alone(self):
        """
        A field that the foil lets through finds all of the space: as over a thin sheet in the middle of the foil.

        Without what passes through the thickness the inductance would be 0.9 % too large.
        """
        t = 70e-6
        model = facing(t)
        thin = assemble(
            model.system.space.mesh, 2, [(0, 1)],
            [Route(np.array([[12e-3, 0.0], [0.0, 0.0]]), HEIGHT + t / 2, 1e-9, 1e-9)],
        )  # fmt: skip
        slow = model.impedance(1.0)[0, 0].imag / (2 * np.pi)
        assert slow == pytest.approx(thin.inductance[0, 0], rel=1.5e-3)

    def test_sides_follow_the_heights(self):
        side = facing(35e-6).system.side
        assert side.tolist() == [[1, -1, 1]]
        assert facing(35e-6).impedance(0.0)[0, 1] == pytest.approx(facing(35e-6).impedance(0.0)[0, 0], rel=1e-12)


def test_elevations_add_up():
    """Layers that carry copper or a route have no thickness between them; bare ones keep theirs."""
    planes = [strip("a", "L1", 0, 20), strip("b", "L3", 0, 20)]
    ends = [pad(f"{name}{n}", name, x, 0) for name in "ab" for n, x in enumerate((2, 18))]
    review = case(planes, ends, [], [loop("x", "a0", "a1")], layers=4, thickness=(35e-6,) * 4)
    board = review.board
    dielectric = board.layers[0].below + board.layers[1].below
    for names, bare in ((("a", "b"), 1.0), (("a",), 1.5), (("b",), 1.5)):
        at = elevations(review, names)
        assert at["L1"] - at["L3"] == pytest.approx(dielectric + bare * 35e-6, rel=1e-12)
    routed = replace(
        review, loops=(replace(review.loops[0], route=Outgoing(layer="L2", path=((0, 0), (1e-3, 0)), width=1e-4)),)
    )
    at = elevations(routed, ("a", "b"))
    assert at["L1"] - at["L3"] == pytest.approx(dielectric, rel=1e-12)
    heights = [routes_of(routed, name, ("a", "b"))[0].height for name in ("a", "b")]
    assert heights == pytest.approx([-0.2e-3, 0.2e-3], rel=1e-9)
