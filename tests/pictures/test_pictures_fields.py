"""Fields on pictures are the solved ones: lines of flow, pixels, maps, and the picture that shows why."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from matplotlib.text import Text
from test_pictures import maps_of

from reporting import (
    BOARD,
    CABLES,
    NOISY,
    SECOND,
    SENSITIVE,
    WEAK,
    at_frequencies,
    layered,
    noisy,
    result,
)
from returnflow.advice.study import run
from returnflow.answers import coupling
from returnflow.answers.contours import isolines, streamlines
from returnflow.pictures import captions, fields, pictured, why
from returnflow.pictures.fields import TUBES
from returnflow.pictures.lettering import house_style
from returnflow.pictures.maps import Maps, carrying_level, local_mean, smooth
from returnflow.pictures.raster import Raster
from returnflow.words import drives
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.numbers import engineering


@pytest.fixture(scope="module")
def maps() -> Maps:
    return maps_of(result())


class TestContours:
    def test_lines_of_a_linear_field_are_straight_and_at_the_level(self):
        rng = np.random.default_rng(1)
        corners = rng.random((50, 3, 2))
        turned = np.cross(*np.moveaxis(np.pad(np.diff(corners, axis=1), ((0, 0), (0, 0), (0, 1))), 1, 0))[:, 2] < 0
        corners[turned] = corners[turned][:, ::-1]
        values = corners @ [2.0, -3.0]
        lines = isolines(corners, values, np.full(50, -0.4), np.arange(50))
        assert len(lines) > 10
        np.testing.assert_allclose(lines @ [2.0, -3.0], -0.4, atol=1e-12)
        # The higher side is on the left: the direction turned left is the gradient.
        way = lines[:, 1] - lines[:, 0]
        assert np.all(-way[:, 1] * 2.0 + way[:, 0] * -3.0 > 0)

    def test_a_level_that_misses_gives_nothing(self):
        corners = np.array([[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]])
        assert isolines(corners, np.array([[0.0, 1.0, 2.0]]), np.array([5.0]), np.array([0])).shape == (0, 2, 2)


class TestStreamlines:
    @pytest.mark.parametrize("name", [NOISY, WEAK, SENSITIVE, CABLES])
    def test_tubes_through_a_section_are_its_share(self, name):
        it = result()
        j = it.index(name)
        lines = shapely.linestrings(streamlines(it.solution.mesh, it.solution.stream[j], TUBES))
        section = shapely.LineString(it.case.sections[0].path)
        # Pieces meet on the section, which the mesh follows: neighbours cross it in one and the same point.
        hits = shapely.get_coordinates(shapely.intersection(lines, section))
        crossings = len(np.unique(np.round(hits, 9), axis=0))
        net = TUBES * abs(it.sections[0, j])
        if name in (NOISY, CABLES):
            assert crossings == round(net) == TUBES
        else:  # some lines cross twice, there and back
            assert crossings >= net - 1
            assert (crossings - round(net)) % 2 == 0

    @pytest.mark.parametrize("name", [NOISY, WEAK, SENSITIVE, CABLES])
    def test_lines_start_where_current_is_injected_and_end_where_it_returns(self, name):
        """The stream function jumps by whole amperes along the path field; no line may break there."""
        it = result()
        j, mesh = it.index(name), it.solution.mesh
        lines = np.round(streamlines(mesh, it.solution.stream[j], TUBES), 10)
        points, number = np.unique(lines.reshape(-1, 2), axis=0, return_inverse=True)
        number = number.reshape(-1, 2)
        net = np.bincount(number[:, 0], minlength=len(points)) - np.bincount(number[:, 1], minlength=len(points))
        ends = np.flatnonzero(net)
        start, end = it.solution.loops[j]
        seen = 0
        for contact in range(len(it.plane.contacts)):
            rim = shapely.multilinestrings(list(shapely.linestrings(mesh.points[_rim(mesh, contact)])))
            here = ends[shapely.distance(shapely.points(points[ends]), rim) < 1e-9]
            assert net[here].sum() == TUBES * ((contact == start) - (contact == end))
            seen += len(here)
        assert seen == len(ends)

    def test_lines_point_with_the_current(self):
        it = result()
        j = it.index(NOISY)
        lines = streamlines(it.solution.mesh, it.solution.stream[j], TUBES)
        start, end = (coupling.contact_centre(it.solution, c) for c in it.solution.loops[j])
        way = lines[:, 1] - lines[:, 0]
        near_start = np.hypot(*(lines[:, 0] - start).T) < 1e-3
        near_end = np.hypot(*(lines[:, 0] - end).T) < 1e-3
        assert near_start.sum() > 10
        assert near_end.sum() > 10
        assert np.all(np.sum(way * (lines[:, 0] - start), axis=1)[near_start] > 0)
        assert np.all(np.sum(way * (end - lines[:, 0]), axis=1)[near_end] > 0)


def _rim(mesh, contact):
    pairs = mesh.contact_edges[mesh.contact_of == contact]
    return np.stack(
        [mesh.triangles[pairs[:, 0], pairs[:, 1]], mesh.triangles[pairs[:, 0], (pairs[:, 1] + 1) % 3]], axis=1
    )


class TestRaster:
    def test_a_quadratic_field_is_exact(self):
        it = result()
        mesh = it.solution.mesh
        raster = Raster.of(mesh, (0.0, 0.0), 1e-4, (300, 400))
        x, y = coupling.unknown_places(it.solution).T
        shown = raster.evaluate((x**2 - 3 * x * y + y)[it.solution.space.local])
        px, py = np.meshgrid((np.arange(400) + 0.5) * 1e-4, (np.arange(300) + 0.5) * 1e-4)
        inside = np.isfinite(shown)
        np.testing.assert_allclose(shown[inside], (px**2 - 3 * px * py + py)[inside], atol=1e-15)

    def test_only_copper_is_covered_once(self):
        it = result()
        raster = Raster.of(it.solution.mesh, (-1e-3, -1e-3), 1e-4, (320, 420))
        assert len(np.unique(raster.pixel)) == len(raster.pixel)
        assert len(raster.pixel) * 1e-8 == pytest.approx(it.solution.mesh.areas.sum(), rel=2e-3)
        ones = raster.evaluate(np.ones((len(it.solution.mesh.triangles), 3)))
        row, column = 110, 210  # inside the slot at (20, 10) mm
        assert math.isnan(ones[row, column])
        assert math.isnan(ones[0, 0])

    def test_pieces_give_the_same(self, monkeypatch):
        mesh = result().solution.mesh
        whole = Raster.of(mesh, (0.0, 0.0), 1e-4, (300, 400))
        monkeypatch.setattr("returnflow.pictures.raster.AT_ONCE", 5000)
        parts = Raster.of(mesh, (0.0, 0.0), 1e-4, (300, 400))
        np.testing.assert_array_equal(whole.pixel, parts.pixel)
        np.testing.assert_array_equal(whole.triangle, parts.triangle)


class TestMaps:
    @pytest.mark.parametrize(("victim", "noisy"), [(SENSITIVE, NOISY), (SENSITIVE, WEAK), (CABLES, NOISY)])
    def test_colours_of_a_coupling_map_add_up_to_the_transfer_resistance(self, maps, victim, noisy):
        it = maps.result
        i, j = it.index(victim), it.index(noisy)
        total = np.nansum(maps.coupling(i, j)) * maps.window.pixel**2
        size = np.sqrt(it.solution.mid[i, i] * it.solution.mid[j, j])
        assert abs(total - it.solution.mid[i, j]) < 0.02 * size

    def test_the_outline_holds_ninety_per_cent(self, maps):
        it = maps.result
        i, j = it.index(SENSITIVE), it.index(NOISY)
        density = np.abs(maps.coupling(i, j))
        level = carrying_level(density[np.isfinite(density)])
        assert np.nansum(density[density >= level]) / np.nansum(density) == pytest.approx(0.9, abs=1e-3)
        drawn_area = np.count_nonzero(density >= level) * maps.window.pixel**2
        exact = coupling.carrying_triangles(coupling.coupling_density(it.solution, i, j), it.solution.mesh.areas)
        assert drawn_area == pytest.approx(it.solution.mesh.areas[exact].sum(), rel=0.1)

    def test_placement_at_the_present_place_is_the_noise_of_the_budget(self, maps):
        it = maps.result
        loop = it.case.loop(SENSITIVE)
        rms, worst = maps.placement(loop)
        x, y = it.case.board.terminal(loop.inject).centre
        column, row = ((value - low) / maps.window.pixel for value, low in zip((x, y), maps.window.corner, strict=True))
        around = np.s_[int(row) - 6 : int(row) + 7, int(column) - 6 : int(column) + 7]
        assert np.nanmin(rms[around]) < it.sensitive[0].noise < np.nanmax(rms[around])
        assert np.all((worst >= rms * (1 - 1e-12)) | np.isnan(rms))

    def test_what_a_differential_input_rejects_is_not_on_its_placement_map(self):
        case = parse_case(BOARD + "rejection_dB = 20\n" + noisy() + SECOND)
        it = run(case, only=["as drawn"])["as drawn"]
        loop = it.case.loop(SENSITIVE)
        maps = maps_of(it)
        rms, worst = maps.placement(loop)
        plain_rms, plain_worst = maps_of(result()).placement(result().case.loop(SENSITIVE))
        np.testing.assert_allclose(rms, 0.1 * plain_rms, rtol=1e-6)
        np.testing.assert_allclose(worst, 0.1 * plain_worst, rtol=1e-6)
        assert it.sensitive[0].noise == pytest.approx(0.1 * result().sensitive[0].noise)
        assert np.nanmax(it.placements[SENSITIVE].rms) == pytest.approx(
            0.1 * np.nanmax(result().placements[SENSITIVE].rms)
        )
        assert it.placements[SENSITIVE].radius > 2 * result().placements[SENSITIVE].radius

    @pytest.mark.parametrize("how", ["frequency_Hz = 0", "frequency_Hz = 50", "in phase"])
    def test_steady_currents_and_those_in_phase_add_with_their_signs_on_the_placement_map(self, how):
        """As in the table: by powers they would make another noise."""
        fifty = how.replace("in phase", "frequency_Hz = 50")
        second = f"current_A = 1\n{fifty}" + (f"\ncoherent_with = '''{NOISY}'''" if how == "in phase" else "")
        text = BOARD + noisy(fifty) + SECOND.replace("current_A = 0.01", second) + "frequencies_Hz = [0]"
        it = run(parse_case(text), only=["as drawn"])["as drawn"]
        budget, loop, maps = it.sensitive[0], it.case.loop(SENSITIVE), maps_of(it)
        one, other = (it.solution.mid[it.index(SENSITIVE), it.index(name)] for name in (NOISY, WEAK))
        signed, power = abs(0.5 * one + other), math.hypot(0.5 * one, other)
        assert abs(signed - power) > 0.1 * power
        expected = power if how == "frequency_Hz = 50" else signed
        assert maps.noise_now(loop) == pytest.approx(expected, rel=1e-9)
        assert budget.noise == pytest.approx(expected, rel=1e-9)
        with house_style():
            said = " ".join(text.get_text() for text in fields.placement_frame(maps, budget).figure.findobj(Text))
        assert f"{engineering(expected, 'V')} rms at B&2 as drawn" in said
        # A worst case that is no other has no line of its own.
        assert ("worst case" in said) == (how == "frequency_Hz = 50")
        # The map itself, at the contact: copper round it has about its potential.
        x, y = it.case.board.terminal(loop.inject).centre
        column, row = ((value - low) / maps.window.pixel for value, low in zip((x, y), maps.window.corner, strict=True))
        around = maps.placement(loop)[0][int(row) - 6 : int(row) + 7, int(column) - 6 : int(column) + 7]
        assert np.nanmin(around) < expected < np.nanmax(around)

    def test_a_coupling_map_says_the_noise_of_the_table_and_the_current_that_makes_it(self):
        """A line out of the band couples nothing that counts: 3 A beside 0.5 A."""
        lines = "spectrum = [[10, 0.3], [20, 0.4], [50e3, 3]]"
        band = BOARD.replace("tolerates_V = 2e-5", "tolerates_V = 2e-5\nband_Hz = [0, 100]\nrejection_dB = 20")
        it = run(
            parse_case(band + noisy().replace("current_A = 0.5", lines) + SECOND + "frequencies_Hz = [0]"),
            only=["as drawn"],
        )["as drawn"]
        budget = it.sensitive[0]
        (part,) = (part for part in budget.contributions if part.loop == NOISY)
        assert part.noise == pytest.approx(0.1 * 0.5 * abs(part.transfer))
        maps = maps_of(it)
        with house_style():
            frame = fields.coupling_frame(maps, budget, part)
        said = " ".join(text.get_text() for text in frame.figure.texts)
        assert f"; {engineering(part.noise, 'V')} rms from 500 mA in its band" in said
        assert "resistive limit," not in captions.coupling_words(it, budget, part)[0]

    def test_the_mean_current_leaves_uniform_fields_alone(self):
        mesh = result().solution.mesh
        np.testing.assert_allclose(smooth(mesh, np.full((len(mesh.triangles), 3), 7.0)), 7.0)

    def test_a_local_mean_ignores_what_is_no_copper(self):
        values = np.full((40, 40), 3.0)
        values[10:14, 10:14] = np.nan
        assert np.nanmax(np.abs(local_mean(values, 5.0) - 3.0)) < 1e-12
        assert local_mean(values, 0.0) is values

    def test_at_a_frequency_the_return_is_nearer_to_its_conductor(self):
        it = at_frequencies()["as drawn"]
        j = it.index(NOISY)
        maps = maps_of(it)
        y, x = (
            low + maps.window.pixel * (np.arange(count) + 0.5)
            for low, count in zip(maps.window.corner[::-1], maps.window.shape, strict=True)
        )
        route = shapely.LineString(it.case.loop(NOISY).route.path)
        near = shapely.distance(route, shapely.points(*np.meshgrid(x, y))) < 2e-3
        part = [np.nansum(K[near]) / np.nansum(K) for K in (maps.strength(j, 0.0), maps.strength(j, 1e6))]
        assert part[1] > 1.5 * part[0]
        assert drives.telling_frequencies(it, j) == [1e6]
        assert drives.telling_frequencies(it, it.index(SENSITIVE)) == []

    def test_where_none_was_asked_for_a_flow_is_drawn_at_its_strongest_line(self):
        it = at_frequencies()["as drawn"]
        j = it.index(NOISY)
        assert drives.telling_frequencies(replace(it, frequencies=(0.0,)), j) == [1e6]
        slow = replace(it.case.loop(NOISY), frequency=0.01 * it.spectral.facts[j].turning)
        case = replace(it.case, loops=tuple(slow if loop.name == NOISY else loop for loop in it.case.loops))
        assert drives.telling_frequencies(replace(it, case=case, frequencies=(0.0,)), j) == []

    def test_the_stream_function_at_a_frequency_carries_the_whole_current(self):
        it = at_frequencies()["as drawn"]
        j = it.index(NOISY)
        x = streamlines(*maps_of(it).flow(j, 1e6), TUBES)[..., 0]  # below the bridge is the slot: no current
        assert (
            np.count_nonzero((x[:, 0] > 0.02) & (x[:, 1] <= 0.02))
            - np.count_nonzero((x[:, 0] <= 0.02) & (x[:, 1] > 0.02))
            == TUBES
        )


class TestWhy:
    def test_it_is_about_the_worst_limit_and_the_loop_that_has_most_part_in_it(self):
        budget, part = why.answered(result())
        assert (budget.loop, part.loop) == (SENSITIVE, NOISY)
        kept = replace(result(), sensitive=(), cables=result().cables)
        assert why.answered(kept)[0].loop == CABLES
        assert why.answered(replace(kept, cables=())) is None

    def test_outside_the_outline_the_map_is_veiled_and_the_rest_holds_ninety_per_cent(self):
        budget, part = why.answered(result())
        with house_style():
            frame = why.why_frame(result(), budget, part)
        _field, veil = frame.axes.get_images()
        clear = np.asarray(veil.get_array())[..., 3] == 0
        maps = Maps(result(), frame.window)
        density = np.nan_to_num(np.abs(maps.coupling(*(result().index(name) for name in (SENSITIVE, NOISY)))))
        assert density[clear].sum() == pytest.approx(0.9 * density.sum(), rel=0.01)

    def test_lines_of_the_weak_return_and_the_name_of_the_plane_are_on_it(self):
        frame = why.why_frame(result(), *why.answered(result()))
        texts = "".join(text.get_text() for text in frame.figure.texts)
        assert 'copper "gnd" on L2' in texts
        names = {text.get_text() for text in frame.axes.texts}
        assert {"A<1>", "B&2", "C$3", "D_4"} <= names

    def test_of_several_coppers_the_one_where_they_couple_is_shown(self):
        budget, part = next((b, p) for b in layered().sensitive for p in b.contributions)
        telling = why.telling_copper(layered(), budget, part)
        parts = pictured.coupling_parts(layered(), layered().index(budget.loop), layered().index(part.loop))
        assert parts[telling] == parts.max()
