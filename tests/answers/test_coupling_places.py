"""Where an amplifier may sit, by the fields: areas that carry, placement maps, and places of contacts."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, affinity, box
from test_coupling import EXACT, pad, solved, strip

from returnflow.answers import coupling
from returnflow.answers.coupling import (
    carrying_triangles,
    connected_unknowns,
    contact_centre,
    placement_area,
    placement_noise,
    placement_radius,
    sub_triangles,
    unknown_places,
)
from returnflow.resistive.conduction import solve
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Plane

positive = st.floats(0.1, 10)


class TestCarryingArea:
    @given(st.lists(st.tuples(st.floats(-10, 10), positive), min_size=1, max_size=12), st.floats(0.05, 0.999))
    def test_it_carries_enough_and_with_one_triangle_less_too_little(self, cells, fraction):
        density, areas = np.array(cells).T
        carried = np.abs(density) * areas
        chosen = carrying_triangles(density, areas, fraction)
        assert np.sum(carried[chosen]) >= fraction * np.sum(carried) * (1 - 1e-9)
        if np.sum(carried) > 0:
            weakest = np.max(carried[chosen & (np.abs(density) == np.min(np.abs(density[chosen])))])
            assert np.sum(carried[chosen]) - weakest <= fraction * np.sum(carried) * (1 + 1e-9)
            # The densest copper is taken first: no area left out is denser than any taken.
            assert np.max(np.abs(density[~chosen]), initial=0) <= np.min(np.abs(density[chosen]))


class TestPlacement:
    LOOPS = np.array([0, 1])
    CURRENTS = np.array([2.0, 3.0])

    def strip(self, order=2):
        # Noisy loops over the whole strip and back over its right half: their potentials oppose. The connector is a
        # bond across it at x = 1.
        bonds = box(0.9, -0.1, 1, 0.6), box(2, -0.1, 2.1, 0.6)
        copper, contacts = strip(4, 0.5, *bonds)
        return solved(copper, contacts, [(0, 1), (1, 3)], sheet=0.1, order=order)

    @pytest.mark.parametrize("order", [1, 2])
    def test_linear_potential_of_a_strip(self, order):
        solution = self.strip(order)
        rms, worst = placement_noise(solution, 2, self.LOOPS, np.diag(self.CURRENTS))
        x = unknown_places(solution)[:, 0]
        # Volts per metre: current times sheet resistance over width; the bonds' copper is short-circuited.
        along = np.where(x <= 0.95, 0.9 - x, np.where(x <= 2, 1 - x, 1.1 - x))
        first, second = 2 * 0.2 * along, 3 * 0.2 * np.maximum(x - 2.1, 0)
        assert rms == pytest.approx(np.hypot(first, second), abs=EXACT)
        assert worst == pytest.approx(np.abs(first) + np.abs(second), abs=EXACT)
        assert np.all(rms <= worst + EXACT)
        assert np.max(worst - rms) > 0.05

    def test_without_noise_there_is_none(self):
        rms, worst = placement_noise(self.strip(), 2, np.array([], dtype=np.int64), np.empty((0, 0)))
        assert not np.any(rms)
        assert not np.any(worst)

    def test_copper_that_is_not_connected_has_no_noise_to_speak_of(self):
        (one, a), (other, b) = strip(), strip()
        far = affinity.translate(other, 0, 3)
        contacts = [*a, *(affinity.translate(c, 0, 3) for c in b)]
        solution = solved(one.union(far), contacts, [(0, 1), (2, 3)])
        rms, worst = placement_noise(solution, 0, self.LOOPS, np.diag(self.CURRENTS))
        apart = unknown_places(solution)[:, 1] > 2
        assert np.all(np.isnan(rms[apart]))
        assert np.all(np.isnan(worst[apart]))
        assert np.all(np.isfinite(rms[~apart]))
        # The other loop's current does not flow here: only the first is heard.
        x = unknown_places(solution)[~apart, 0]
        assert rms[~apart] == pytest.approx(2 * x, abs=EXACT)
        # The area is that of the connected copper alone, even for any noise.
        assert placement_area(solution, 0, self.LOOPS, np.diag(self.CURRENTS), 99.0) == pytest.approx(4, rel=EXACT)

    def test_copper_joined_by_a_contact_of_two_parts_is_connected(self):
        (one, a), (other, b) = strip(), strip()
        moved = [affinity.translate(shape, 0, 3) for shape in (other, *b)]
        contacts = [a[0], MultiPolygon([a[1], moved[1]]), moved[2]]
        solution = solved(one.union(moved[0]), contacts, [(0, 2)])
        assert np.all(connected_unknowns(solution, 0))

    @pytest.mark.parametrize("limit", [0.05, 0.1, 0.15])
    def test_radius_and_area_of_a_strip_in_closed_form(self, limit):
        # 0.2 V per metre with 1 A, from the bond's faces at 0.9 and 1: whatever the mesh, to a sample.
        solution = self.strip()
        loops, currents = self.LOOPS[:1], np.array([1.0])
        rms, _ = placement_noise(solution, 2, loops, np.diag(currents))
        reach = limit / 0.2
        centre = np.array([1.0, 0.3])
        # To the left it ends at the contact's other face.
        radius = placement_radius(solution, rms, limit, centre)
        assert radius == pytest.approx(min(reach, 0.1 + reach), rel=EXACT)
        area = placement_area(solution, 2, loops, np.diag(currents), limit)
        assert area == pytest.approx(0.5 * 2 * reach, abs=0.02)

    def test_valleys_narrower_than_a_triangle_count(self):
        # Seen from a pad in the middle of a strip, copper within 20 mV is a band 0.04 wide; triangles are up to 0.4.
        copper, contacts = strip(1, 1, pad(0.5, 0.5, 0.01))
        loops, currents = np.array([0]), np.array([1.0])
        for size in (0.4, 0.1):
            solution = solved(copper, contacts, size=size)
            assert placement_area(solution, 2, loops, np.diag(currents), 0.02) == pytest.approx(0.04, rel=0.1)

    def test_radius_of_a_pad_does_not_depend_on_the_mesh(self):
        copper, contacts = box(0, 0, 3, 2), [pad(0.5, 0.5), pad(2.5, 1.5), pad(1.2, 0.9)]
        found = []
        for size in (0.3, 0.05):
            solution = solved(copper, contacts, size=size)
            rms, _ = placement_noise(solution, 2, np.array([0]), np.eye(1))
            found.append(placement_radius(solution, rms, 0.1, contact_centre(solution, 2)))
        assert found[0] == pytest.approx(found[1], rel=0.02)

    def test_where_every_place_is_good_the_radius_reaches_the_farthest_copper(self):
        solution = solved(*strip())
        rms, _ = placement_noise(solution, 0, np.array([0]), np.eye(1))
        assert placement_radius(solution, rms, 5.0, np.array([0.0, 0.0])) == pytest.approx(math.hypot(4, 1), rel=EXACT)


class TestPlaces:
    @pytest.mark.parametrize("order", [1, 2])
    def test_a_linear_potential_is_at_its_places(self, order):
        solution = solved(*strip(), order=order)
        assert solution.potential[:, 0] - solution.contact_potential[1, 0] == pytest.approx(
            4 - unknown_places(solution)[:, 0], abs=EXACT
        )

    @pytest.mark.parametrize(("order", "pieces"), [(1, 1), (2, 4)])
    def test_straight_pieces_fill_every_triangle_once(self, order, pieces):
        solution = solved(*strip(), order=order)
        parts = sub_triangles(solution.space)
        assert parts.shape == (pieces, 3, len(solution.mesh.triangles))
        a, b, c = np.moveaxis(unknown_places(solution)[parts], 1, 0)
        u, v = b - a, c - a
        areas = 0.5 * (u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])
        np.testing.assert_allclose(areas, np.tile(solution.mesh.areas / pieces, (pieces, 1)), rtol=1e-9)

    def test_centre_of_a_contact_does_not_lean_to_where_its_rim_is_finer(self):
        # The slot beside the pad makes small triangles on that side.
        copper = box(0, 0, 3, 2).difference(box(1.26, 0.98, 1.27, 1.02))
        contacts = [pad(0.3, 0.3), pad(1.0, 1.0, 0.5)]
        solution = solve(Plane(copper, contacts), [(0, 1)], 1.0, Options())
        assert contact_centre(solution, 1) == pytest.approx([1.0, 1.0], abs=1e-6)

    def test_samples_are_the_centres_of_equal_parts(self):
        samples = coupling.SAMPLES
        assert len(np.unique(samples.round(12), axis=0)) == 16
        np.testing.assert_allclose(np.sum(samples, axis=1), 1, rtol=1e-15)
        # Exact for linear functions; for squares a sixteenth of the triangle's own error is left.
        np.testing.assert_allclose(samples.mean(axis=0), 1 / 3, rtol=1e-12)
        assert np.mean(samples[:, 0] ** 2) == pytest.approx(1 / 6 - (1 / 6 - 1 / 9) / 16, rel=1e-9)
