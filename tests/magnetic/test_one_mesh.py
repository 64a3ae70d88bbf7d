"""One mesh alone: how uneven its currents are tells what they may be off, and that holds what finer meshes lead to."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from test_mesh_doubt import BOARD, finer
from test_mesh_doubt import solved as two_meshes

from returnflow.magnetic.one_mesh import LOOK, half_widths, uneven
from returnflow.magnetic.solving import solve_broadband, solve_expelled
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.mesh.mesher import Mesh

FREQUENCIES = (1e3, 1e4, 1e5, 1e6, 1e7, 1e9)
LAMINATE = "below_mm = 0.8, permittivity = 4.4 }, { name = "


def looked(text=BOARD):
    case = replace(parse_case(text), accuracy=LOOK)
    conductors = Conductors.of(case)
    loops = conductors.ends(case)
    return solve_broadband(case, conductors, loops, solve(conductors, loops).squares)


look = functools.cache(looked)


def grid(n):
    """Square of a metre in triangles of no order, n on every side."""
    x, y = np.meshgrid(np.linspace(0, 1, n + 1), np.linspace(0, 1, n + 1))
    points = np.column_stack([x.ravel(), y.ravel()])
    inside = np.all((points > 0) & (points < 1), axis=1)
    points[inside] += np.random.default_rng(n).uniform(-0.25 / n, 0.25 / n, (inside.sum(), 2))
    a = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    triangles = np.concatenate([np.stack([a, a + 1, a + n + 2], 1), np.stack([a, a + n + 2, a + n + 1], 1)])
    none, nowhere = np.zeros((0, 2), dtype=np.int64), np.zeros((0, len(triangles)), dtype=bool)
    return Mesh(points, triangles, none, none[:, 0], nowhere, (), ())


def centres(mesh):
    return mesh.points[mesh.triangles].mean(axis=1).T


def turning(mesh, *sizes):
    """A current that changes steadily, of every loop as much as its size at a triangle."""
    x, y = centres(mesh)
    return np.stack([y, -x])[:, :, None] * np.stack([np.broadcast_to(size, x.shape) for size in sizes], axis=1)


def one_part(mesh):
    return np.zeros(len(mesh.triangles), dtype=int)


class TestUneven:
    def test_an_even_current_is_not(self):
        mesh = grid(6)
        even = np.tile(np.array([1.0, -2.0])[:, None, None], (1, len(mesh.triangles), 1))
        assert uneven(mesh, even, one_part(mesh)) == pytest.approx(0, abs=1e-30)

    def test_of_one_that_changes_steadily_it_goes_with_the_third_power_of_the_edge(self):
        # At the rim, where neighbours are on one side only, with the fourth: that dies out.
        meshes = [grid(n) for n in (20, 40, 80, 160)]
        found = [uneven(mesh, turning(mesh, 1.0), one_part(mesh))[0, 0] for mesh in meshes]
        above = np.divide(found[:-1], found[1:]) - 8
        assert np.all(above > 0)
        assert np.all(above[1:] < 0.7 * above[:-1])
        assert above[-1] < 1.5

    def test_it_goes_with_the_square_of_the_current_whatever_its_phase(self):
        mesh = grid(12)
        one, other = (uneven(mesh, turning(mesh, size), one_part(mesh)) for size in (1.0, 3 * np.exp(1j)))
        assert other == pytest.approx(9 * one)

    def test_loops_that_are_uneven_in_different_places_do_not_meet(self):
        mesh = grid(40)
        left = np.maximum(0, 0.4 - centres(mesh)[0])
        right = np.maximum(0, centres(mesh)[0] - 0.6)
        met = uneven(mesh, turning(mesh, left, right, -left), one_part(mesh))
        own = np.sqrt(np.outer(np.diag(met), np.diag(met)))
        assert met[0, 1] == 0
        assert met[0, 2] == pytest.approx(own[0, 2])

    def test_what_is_of_both_signs_cancels_within_a_part_and_not_between_parts(self):
        mesh = grid(40)
        away = centres(mesh)[1] - 0.5
        currents = np.stack([np.column_stack([np.abs(away), away]), np.zeros((len(away), 2))])
        whole, halves = (uneven(mesh, currents, part) for part in (one_part(mesh), (away > 0).astype(int)))
        assert whole[0, 1] < 0.2 * whole[0, 0]
        assert halves[0, 1] == pytest.approx(halves[0, 0], rel=0.05)
        assert np.diag(halves) == pytest.approx(np.diag(whole))


class TestDoubt:
    @pytest.mark.parametrize("frequency", FREQUENCIES)
    def test_it_holds_what_two_meshes_lead_to_and_is_some_per_cent_of_a_loops_own(self, frequency):
        one, two = look(), two_meshes()
        off, half = np.abs(one.impedance(frequency) - two.impedance(frequency)), one.doubt(frequency)
        assert np.all(off <= half)
        own = np.abs(np.diag(one.impedance(frequency)))
        assert np.all(np.diag(half) < 0.05 * own)
        assert np.max(np.diag(half)) > 2 * np.max(np.diag(two.doubt(frequency)))

    def test_it_holds_what_finer_meshes_lead_to_where_the_field_is_expelled(self):
        one = look()
        assert np.all(np.abs(one.high_inductance - finer()) <= one.inductance_doubt)

    def test_many_lines_say_what_one_by_one_say(self):
        Z, half = look().many(np.array(FREQUENCIES))
        for n, f in enumerate(FREQUENCIES):
            assert Z[n] == pytest.approx(look().impedance(f), rel=1e-6)
            assert half[n] == pytest.approx(look().doubt(f), rel=1e-6)

    def test_where_resistance_decides_so_much_more(self):
        reactance = np.array([[1.0, 1.0], [1.0, 1.0]])
        slow, fast = (half_widths(reactance, Z * np.eye(2)) for Z in (1.0, 1j))
        assert np.all(slow > 2 * fast)
        assert half_widths(2 * reactance, np.eye(2)) == pytest.approx(2 * slow)

    def test_with_displacement_currents_too(self):
        text = BOARD.replace('below_mm = 0.8 }, { name = "L2", copper_um = 35 }', LAMINATE + '"L2", copper_um = 35 }')
        text = text.replace(
            'copper = [{ name = "ground", layer = "L2" }]',
            'copper = [{ name = "ground", layer = "L2" }, { name = "supply", layer = "L1", '
            "shape = { rect = [4, 18, 36, 28] } }]",
        )
        text = text.replace('route = { layer = "L1", path = [[8, 20], [32, 22]], width_mm = 0.5 }\n', "")
        assert text.count("supply") == 1
        one = looked(text)
        for f in (1e6, 1e9):
            half = one.doubt(f)
            assert np.all(np.isfinite(half))
            assert np.all(np.diag(half) > 0)


class TestMesh:
    def test_it_is_the_coarser_of_two(self):
        one, coarse = look(), two_meshes().coarse
        assert len(one.system.space.mesh.triangles) == len(coarse.system.space.mesh.triangles)
        assert one.high_inductance == pytest.approx(coarse.high_inductance, rel=1e-4)

    def test_the_high_frequency_end_alone_is_on_it_too(self):
        case = replace(parse_case(BOARD), accuracy=LOOK)
        conductors = Conductors.of(case)
        alone = solve_expelled(case, conductors, conductors.ends(case))
        assert alone.inductance == pytest.approx(look().high_inductance, rel=1e-4, abs=1e-13)

    def test_a_model_that_nobody_looked_at_has_no_doubt(self):
        bare = replace(look(), uneven=None)
        with pytest.raises(ValueError, match="one mesh only"):
            bare.doubt(1e6)
        with pytest.raises(ValueError, match="no other mesh"):
            _ = bare.both
