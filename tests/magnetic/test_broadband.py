"""What the equations and the reduced model must obey on any board, and the model against direct complex solves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from inductive import Whole, along, graded
from judges import assert_falling
from returnflow.magnetic.equations import System, assemble
from returnflow.magnetic.induction import PanelOperator
from returnflow.magnetic.iteration import Preconditioner, conjugate_gradients
from returnflow.magnetic.reduction import BroadbandOptions, reduce
from returnflow.magnetic.traces import Route, flux_matrix, vector_potential
from returnflow.resistive.foil import MU0, face_impedances, sheet_resistance
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.mesh.mesher import Mesh, Plane
from returnflow_geometry.model.shapes import circle, rectangle, slot

FOIL = 35e-6
PLACES = [(8, 10), (52, 30), (10, 32), (50, 8), (30, 34)]  # mm
BAND = np.geomspace(10, 1e9, 41)
MANY = np.geomspace(10, 1e9, 60)
TIGHT = BroadbandOptions(accuracy=1e-6, residual=1e-8, shifts=24)


def route(start, end, *via, height=1.0, width=0.4):
    """Route between two pads, from the return end to the inject end, heights and widths in mm."""
    path = 1e-3 * np.array([PLACES[start], *via, PLACES[end]], dtype=float)
    return Route(path, 1e-3 * height, 1e-3 * width)


LOOPS = [(0, 1), (2, 3), (0, 1), (4, 0)]
ROUTES = [route(1, 0, (52, 10)), route(3, 2), None, None]


def board(step=4.5, growth=0.5, edge=None, rim=0.9):
    """60 x 40 mm with a slot from the upper edge, a round hole without contact, and five pads; sizes in mm."""
    copper = rectangle(0, 0, 60e-3, 40e-3)
    copper = copper.difference(slot([(25e-3, 50e-3), (25e-3, 22e-3)], 1e-3)).difference(
        circle(38e-3, 20e-3, 9e-3, corners=20)
    )
    pads = [circle(1e-3 * x, 1e-3 * y, 1.2e-3, corners=8) for x, y in PLACES]
    section = LineString([(25e-3, 22e-3), (25e-3, 0)])
    plane = Plane(copper, pads, [], [section])
    under = np.concatenate([along(r.path, 1e-3 * step / 3) for r in ROUTES if r])
    rims = np.concatenate([np.array(pad.exterior.coords) for pad in pads])
    finest = [(under, 1e-3 * step / 3), (rims, 1e-3 * rim)]
    if edge:
        finest += [(along(np.array(r.coords), 1e-3 * edge), 1e-3 * edge) for r in (copper.exterior, *copper.interiors)]
    return graded(plane, finest, 1e-3 * step, growth)


@pytest.fixture(scope="module")
def mesh():
    return board()


@pytest.fixture(scope="module")
def system(mesh):
    return assemble(mesh, len(PLACES), LOOPS, ROUTES)


@pytest.fixture(scope="module")
def model(system):
    return reduce(system, FOIL, 20.0)


@pytest.fixture(scope="module")
def tight(system):
    return reduce(system, FOIL, 20.0, options=TIGHT)


@pytest.fixture(scope="module")
def exact(system):
    """At every frequency of `MANY`."""
    return direct(system, MANY)


def direct(system: System, frequencies, thickness=FOIL, temperature=20.0):
    """Impedances from the whole equations."""
    whole = Whole(system, [thickness], temperature)
    return np.array([whole.impedance(f) for f in frequencies])


def apart(one, other):
    """Largest difference, relative to each entry or to 1 % of sqrt(Z_ii Z_jj)."""
    own = np.sqrt(np.abs(np.einsum("fii->fi", other)))
    return float(np.max(np.abs(one - other) / np.maximum(np.abs(other), 0.01 * own[:, :, None] * own[:, None, :])))


def impedances(model, frequencies=BAND):
    return np.array([model.impedance(f) for f in frequencies])


# ---------------------------------------------------------------- reduced model against direct solves


class TestReducedModel:
    def test_is_as_accurate_as_it_says(self, system, exact):
        for accuracy in (1e-1, 1e-2, 1e-3, 1e-4):
            model = reduce(system, FOIL, 20.0, options=BroadbandOptions(accuracy=accuracy, residual=1e-6, shifts=20))
            assert model.error < accuracy
            # The last step's change, found twice in a row: what is left is of its size or less.
            assert apart(impedances(model, MANY), exact) < max(model.error, 2e-5), accuracy

    def test_more_solves_come_nearer(self, system, exact):
        errors = []
        for accuracy in (0.3, 1e-2, 1e-4):
            options = BroadbandOptions(accuracy=accuracy, residual=1e-7, shifts=20)
            errors.append(apart(impedances(reduce(system, FOIL, 20.0, options=options), MANY), exact))
        assert_falling(errors, last=1e-4)

    def test_whole_field_is_the_direct_one(self, system, tight):
        whole_system = Whole(system, [FOIL])
        for f in (100.0, 5e3, 2e6):
            x = whole_system.answer(f)
            exact = system.currents + np.stack([part @ x for part in system.curl])
            area = system.space.mesh.areas[:, None]
            off, whole = (np.sum(np.abs(field) ** 2 * area) for field in (tight.current(f) - exact, exact))
            assert np.sqrt(off / whole) < 1e-3

    def test_serves_any_temperature_and_thickness(self, system, tight):
        for thickness, temperature in ((18e-6, 85.0), (70e-6, 0.0)):
            other = replace(tight, thickness=thickness, temperature=temperature)
            frequencies = np.geomspace(100, 1e8, 12)
            assert apart(impedances(other, frequencies), direct(system, frequencies, thickness, temperature)) < 1e-3

    def test_few_iterations_at_every_shift(self, model, tight):
        # With the spectral law of induction a factor of 16 off it takes 13 and 20.
        assert max(n for _, n in model.shifts) <= 10
        assert max(n for _, n in tight.shifts) <= 15

    def test_says_so_when_it_cannot(self, system):
        options = BroadbandOptions(accuracy=1e-9, shifts=4)
        with pytest.raises(NumericalError, match=r"reached .* \(asked: 1e-09\) after 4 shifts"):
            reduce(system, FOIL, 20.0, options=options)

    def test_reports_every_shift(self, system):
        lines: list[str] = []
        model = reduce(system, FOIL, 20.0, progress=lines.append)
        assert len(lines) == len(model.shifts)
        assert "Hz" in lines[0]
        assert set(model.seconds) == {"preconditioner", "shifts"}

    def test_a_loop_that_drives_nothing_asks_for_nothing(self, system):
        quiet = replace(system, drive=np.zeros_like(system.drive))
        model = reduce(quiet, FOIL, 20.0)
        assert model.basis.shape[1] == 0
        w = 2 * np.pi * 1e6
        common, half = face_impedances(FOIL, 1e6)
        sheets = common + half * np.outer(system.side, system.side)
        expected = sheets * system.resistance + 1j * w * system.inductance
        assert model.impedance(1e6) == pytest.approx(expected, rel=1e-12)


# ---------------------------------------------------------------- iteration


class TestIteration:
    @pytest.mark.parametrize("s", [0.0, 1e2, 1e5, 1e9])
    def test_answer_solves_the_equations(self, system, s):
        sheet = sheet_resistance(FOIL)
        preconditioner = Preconditioner.of(system)
        weights = preconditioner.weights(sheet, s)

        def apply(v):
            return sheet * (system.dissipation @ v) + s * system.induce(v)

        x, count = conjugate_gradients(apply, lambda r: preconditioner.apply(weights, r), system.drive, 1e-8)
        exact = np.linalg.solve(sheet * system.dissipation.toarray() + s * system.induce(np.eye(len(x))), system.drive)
        off, whole = (np.sum(v * apply(v), axis=0) for v in (x - exact, exact))
        assert np.all(off < 1e-12 * whole)
        assert 1 <= count <= 30

    def test_good_start_needs_no_iteration(self, system):
        preconditioner = Preconditioner.of(system)
        weights = preconditioner.weights(1.0, 0.0)
        apply = system.dissipation.__matmul__
        x, _ = conjugate_gradients(apply, lambda r: preconditioner.apply(weights, r), system.drive, 1e-9)
        again, count = conjugate_gradients(
            apply, lambda r: preconditioner.apply(weights, r), system.drive, 1e-6, (x, apply(x))
        )
        assert count == 0
        assert np.array_equal(again, x)

    def test_says_so_when_it_does_not_converge(self):
        matrix = np.diag(np.geomspace(1, 1e12, 400))
        with pytest.raises(NumericalError, match="did not converge in 200 iterations"):
            conjugate_gradients(matrix.__matmul__, lambda r: r, np.ones((400, 1)), 1e-10)

    def test_a_preconditioner_that_is_not_positive_is_said(self):
        with pytest.raises(NumericalError, match="negative energy"):
            conjugate_gradients(lambda x: x, lambda r: -r, np.ones((4, 1)), 1e-6)


# ---------------------------------------------------------------- equations


class TestEquations:
    def test_induction_is_the_double_integral_over_the_sheet(self, mesh, system):
        """Energy of a stream function from the panel operator on its currents, which `induce` never uses as such."""
        rng = np.random.default_rng(7741)
        values = rng.standard_normal((len(system.drive), 2))
        values[len(values) - system.spreads.shape[1] :] = 0
        panels = PanelOperator(mesh.points[mesh.triangles], order=7)
        K = np.stack([part @ values for part in system.curl])
        expected = MU0 / (4 * np.pi) * sum(K[c].T @ (panels @ K[c]) for c in (0, 1))
        assert values.T @ system.induce(values) == pytest.approx(expected, rel=1e-3, abs=1e-3 * expected[0, 0])

    def test_induction_is_symmetric_and_positive(self, system):
        induction = system.induce(np.eye(len(system.drive)))
        assert np.max(np.abs(induction - induction.T)) < 1e-6 * np.max(np.abs(induction))
        scale = np.sqrt(np.diag(induction))
        values = np.linalg.eigvalsh(0.5 * (induction + induction.T) / scale / scale[:, None])
        assert values[0] > 1e-3

    def test_inductance_of_the_resistive_pattern_by_quadrature(self, mesh, system):
        """Every term of Z at a low frequency: sheet with sheet, sheet with routes both ways, routes with routes."""
        corners, K = mesh.points[mesh.triangles], system.currents
        middle = corners.mean(axis=1)
        own = MU0 / (4 * np.pi) * np.stack([PanelOperator(corners, order=7) @ part for part in K])
        expected = np.einsum("cmi,cmj->ij", K, own)
        for j, r in enumerate(ROUTES):
            if r is None:
                continue
            # Fine against h: one point per third of a triangle's side.
            parts = corners
            for _ in range(2):
                a, b, c = parts.transpose(1, 0, 2)
                ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
                parts = np.concatenate([np.stack(t, 1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
            potential_ = vector_potential(r, parts.mean(axis=1)).reshape(16, len(middle), 2).mean(axis=0)
            flux = np.einsum("cmi,mc,m->i", K, potential_, mesh.areas)
            expected[j] += flux
            expected[:, j] += flux
        expected += flux_matrix(ROUTES)
        assert system.inductance == pytest.approx(expected, rel=2e-3, abs=1e-3 * np.min(np.diag(expected)))

    def test_drive_vanishes_only_where_the_field_does(self, system):
        # A filament's field on the sheet and the sheet's own: taking one away must leave the other.
        assert np.all(np.linalg.norm(system.drive, axis=0) > 0)

    def test_direct_current_is_the_resistive_problem(self, system, model):
        rs = sheet_resistance(FOIL)
        assert model.impedance(0.0) == pytest.approx(rs * system.resistance, rel=1e-12)
        assert np.all(model.impedance(0.0).imag == 0)

    def test_direct_current_end_can_be_told(self, system, model):
        told = system.resistance * 0.98
        corrected = reduce(system, FOIL, 20.0, resistance=told)
        assert corrected.impedance(0.0).real == pytest.approx(sheet_resistance(FOIL) * told, rel=1e-12)
        # It moves the resistance only.
        f = 1e6
        moved = corrected.impedance(f) - model.impedance(f)
        common, half = face_impedances(FOIL, f)
        sheets = common + half * np.outer(system.side, system.side)
        assert moved == pytest.approx(sheets * (told - system.resistance), rel=1e-3)


# ---------------------------------------------------------------- laws of passive circuits


POINT = st.tuples(st.integers(2, 58), st.integers(2, 38))
LOOP = st.tuples(
    st.permutations(range(len(PLACES))).map(lambda order: tuple(order[:2])),
    st.one_of(st.none(), st.tuples(st.lists(POINT, max_size=2), st.sampled_from([0.2, 1.0, 3.0]))),
)


class TestPassivity:
    @given(drawn=st.lists(LOOP, min_size=1, max_size=4))
    @settings(max_examples=10)
    def test_any_loops_absorb_power_at_every_frequency(self, drawn):
        mesh = coarse()
        loops = [loop for loop, _ in drawn]
        routes = [None if path is None else route(loop[1], loop[0], *path[0], height=path[1]) for loop, path in drawn]
        model = reduce(assemble(mesh, len(PLACES), loops, routes), FOIL, 20.0)
        for f in (0.0, 10.0, 1e3, 1e5, 1e7, 1e9):
            z = model.impedance(f)
            assert np.max(np.abs(z - z.T)) <= 1e-12 * np.max(np.abs(z))
            assert np.linalg.eigvalsh(z.real)[0] > -1e-9 * np.max(np.abs(z.real))
            # Energy in the field is positive as well.
            if f:
                assert np.linalg.eigvalsh(z.imag)[0] > -1e-4 * np.max(np.abs(z.imag))

    def test_resistance_rises_and_inductance_falls_with_frequency(self, model):
        z = impedances(model, np.geomspace(10, 1e9, 200))
        w = 2 * np.pi * np.geomspace(10, 1e9, 200)
        for j in range(len(LOOPS)):
            resistance, inductance = z[:, j, j].real, z[:, j, j].imag / w
            assert np.all(np.diff(resistance) > -1e-9 * resistance[1:])
            assert np.all(np.diff(inductance) < 1e-9 * inductance[1:])
            assert inductance[-1] < 0.9 * inductance[0]

    def test_answer_to_one_loop_is_the_same_through_the_other(self, tight):
        """Reciprocity before `impedance` takes the mean: drive of one on the answer to the other."""
        for f in (1e2, 1e4, 1e6):
            raw = tight.passing.drive.T @ tight.reduced(f)
            assert np.max(np.abs(raw - raw.T)) < 1e-6 * np.max(np.abs(raw))

    def test_loops_alone_or_together(self, mesh, tight):
        alone = reduce(assemble(mesh, len(PLACES), LOOPS[1:2], ROUTES[1:2]), FOIL, 20.0, options=TIGHT)
        turned = reduce(assemble(mesh, len(PLACES), LOOPS[::-1], ROUTES[::-1]), FOIL, 20.0, options=TIGHT)
        for f in (1e2, 1e4, 1e6, 1e8):
            assert alone.impedance(f)[0, 0] == pytest.approx(tight.impedance(f)[1, 1], rel=1e-4)
            assert turned.impedance(f)[::-1, ::-1] == pytest.approx(tight.impedance(f), rel=1e-4, abs=1e-6)

    def test_a_loop_reversed_changes_signs_only(self, mesh, tight):
        back = [replace(ROUTES[0], path=ROUTES[0].path[::-1].copy()), *ROUTES[1:]]
        turned = reduce(assemble(mesh, len(PLACES), [(1, 0), *LOOPS[1:]], back), FOIL, 20.0, options=TIGHT)
        sign = np.diag([-1, 1, 1, 1])
        for f in (1e3, 1e6):
            expected = sign @ tight.impedance(f) @ sign
            assert turned.impedance(f) == pytest.approx(expected, rel=1e-4, abs=1e-5 * abs(expected[2, 2]))


_COARSE: list[Mesh] = []


def coarse():
    if not _COARSE:
        _COARSE.append(board(step=10.0, growth=0.6))
    return _COARSE[0]
