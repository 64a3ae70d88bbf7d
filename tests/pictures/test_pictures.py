"""Pictures show the numbers they claim: tubes, maps, colours, names that never overlap."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_rgb
from matplotlib.path import Path
from matplotlib.text import Text

from reporting import (
    BOARD,
    CABLES,
    NOISY,
    SECOND,
    SENSITIVE,
    TITLE,
    WEAK,
    at_frequencies,
    drawn,
    layered,
    noisy,
    result,
)
from returnflow.advice.study import run
from returnflow.answers import coupling
from returnflow.answers.contours import isolines, streamlines
from returnflow.answers.result import Result
from returnflow.answers.verdict import finding
from returnflow.pictures import album, captions, fields, pictured, why
from returnflow.pictures.canvas import ROLE_COLOURS, Label, shape_path, solid
from returnflow.pictures.fields import COUPLING_MAP, TUBES, flow_range, shared_ranges, symmetric_norm
from returnflow.pictures.frame import Frame
from returnflow.pictures.labels import Placer
from returnflow.pictures.lettering import clean, house_style, slug, text_size, wrap
from returnflow.pictures.maps import Maps, carrying_level, local_mean, smooth
from returnflow.pictures.raster import Raster
from returnflow.words import drives
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.numbers import engineering

LOOPS = {NOISY, WEAK, SENSITIVE, CABLES}


def maps_of(of: Result) -> Maps:
    with house_style():
        return Maps(of, Frame(of, "", "", bar=True).window)


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


class TestShapes:
    def test_a_piece_of_copper_inside_a_hole_of_another_is_drawn(self):
        outer, hole, island = (shapely.box(0, 0, 4, 4), shapely.box(1, 1, 3, 3), shapely.box(1.5, 1.5, 2.5, 2.5))
        both = shapely.multipolygons([shapely.difference(outer, hole), island])
        assert solid(both).symmetric_difference(outer).area == 0
        assert len(shape_path(both).to_polygons()) == 3


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


class TestColours:
    def test_no_coupling_is_white_and_signs_are_mirror_images(self):
        norm = symmetric_norm(5.0)
        assert norm(0.0) == pytest.approx(0.5)
        assert min(COUPLING_MAP(norm(0.0))[:3]) > 0.95
        for value in (0.01, 0.3, 5.0):
            assert norm(value) + norm(-value) == pytest.approx(1.0)
            plus, minus = COUPLING_MAP(norm(value)), COUPLING_MAP(norm(-value))
            assert plus[0] >= minus[0]
            assert plus[2] <= minus[2]
        assert COUPLING_MAP(norm(5.0))[0] > 2 * COUPLING_MAP(norm(5.0))[2]

    def test_roles_differ_in_lightness_or_hue_for_everyone(self):
        # Red and green cones differ least in the common defects; the blue-yellow axis must tell roles apart.
        colours = [to_rgb(colour) for colour in ROLE_COLOURS.values()]
        for one, other in combinations(colours, 2):
            assert abs((one[2] - (one[0] + one[1]) / 2) - (other[2] - (other[0] + other[1]) / 2)) > 0.2

    def test_loops_share_one_range_but_the_weak_get_their_own(self, maps):
        it = maps.result
        ranges = shared_ranges({name: flow_range(maps, it.index(name), 0.0) for name in (NOISY, WEAK)})
        assert len(set(ranges.values())) == 2  # 0.5 A and 0.01 A
        case = replace(it.case, loops=tuple(replace(x, current=0.2) if x.name == WEAK else x for x in it.case.loops))
        again = Maps(replace(it, case=case), maps.window)
        ranges = shared_ranges({name: flow_range(again, it.index(name), 0.0) for name in (NOISY, WEAK)})
        assert len(set(ranges.values())) == 1

    def test_a_range_covers_the_copper_that_carries(self, maps):
        j = maps.result.index(NOISY)
        span = flow_range(maps, j, 0.0)
        K = 0.5 * maps.strength(j)
        K = K[np.isfinite(K)]
        assert K[(span.low <= K) & (span.high >= K)].sum() > 0.9 * K.sum()


class TestLabels:
    @given(st.lists(st.tuples(st.floats(0, 300), st.floats(0, 200), st.floats(10, 90)), min_size=1, max_size=40))
    def test_no_two_ever_overlap_and_all_stay_inside(self, things):
        placer = Placer((0.0, 0.0, 300.0, 200.0))
        placed = [placer.place((x, y), (width, 14.0), 3.0) for x, y, width in things]
        boxes = [place.box for place in placed if place is not None]
        assert boxes
        for a, b in combinations(boxes, 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert all(box[0] >= 0 and box[1] >= 0 and box[2] <= 300 and box[3] <= 200 for box in boxes)

    def test_a_lone_label_sits_beside_its_thing_without_a_leader(self):
        place = Placer((0.0, 0.0, 300.0, 200.0)).place((150.0, 100.0), (40.0, 14.0), 3.0)
        assert place is not None
        assert place.leader is None
        assert place.box[0] >= 153.0

    def test_what_is_drawn_is_rather_not_covered(self):
        line = np.column_stack([np.arange(150.0, 300.0, 4.0), np.full(38, 100.0)])
        box = Placer((0.0, 0.0, 300.0, 200.0), line).place((150.0, 100.0), (40.0, 14.0), 3.0).box
        x, y = line.T
        assert not np.any((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3]))

    @pytest.mark.parametrize(
        "of", [result, lambda: at_frequencies()["as drawn"], layered], ids=["resistive", "frequencies", "layered"]
    )
    def test_no_names_overlap_on_the_board_as_it_is_rendered(self, of):
        with house_style():
            boxes = album.board_frame(of()).label_boxes()
        assert len(boxes) >= 6
        _assert_apart(boxes)

    def test_a_crowd_of_terminals_is_named_as_far_as_there_is_room(self):
        it = result()
        with house_style():
            frame = Frame(it, "crowd", "")
            crowd = [Label(f"T{k}.GND", (0.02 + 4e-4 * (k % 12), 0.02 + 3e-4 * (k // 12))) for k in range(150)]
            left_out = frame.draw_labels(crowd)
            boxes = frame.label_boxes()
        assert len(left_out) + len(boxes) == 150
        assert len(boxes) > 60
        _assert_apart(boxes)
        assert any(f"{len(left_out)} names left out" in text.get_text() for text in frame.figure.texts)


def _assert_apart(boxes):
    for a, b in combinations(boxes, 2):
        assert not a.overlaps(b), (a, b)


class TestText:
    def test_names_are_drawn_as_written(self):
        with house_style():
            frame = fields.flow_frame(maps_of(result()), result().index(NOISY), 0.0, fields.Range(1, 100))
        title = frame.figure.texts[0]
        assert title.get_text().startswith(NOISY)
        assert not title.get_parse_math()
        assert any(
            "Each of 20 tubes between neighbouring lines carries 25 mA" in t.get_text() for t in frame.figure.texts
        )

    def test_letters_without_a_font_become_boxes_of_one_letter(self):
        assert len(clean("a\U0003fffdb")) == 3
        assert clean("a\nb\tc") == "a b c"

    def test_wrapped_lines_fit_and_lose_nothing(self):
        text = "a long title with " + "x" * 80 + " in it"
        lines = wrap(text, 200.0)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")
        assert all(text_size(line)[0] <= 200.0 for line in lines)

    def test_slugs_are_unique_and_safe(self):
        taken: set[str] = set()
        names = ["A b", "a/b", "..", "CON", "x" * 300, "x" * 301, "日本", "語", "a-b-2"]
        made = [slug(name, taken) for name in names]
        assert len({name.lower() for name in made}) == len(names)
        assert all(name.replace("-", "").isalnum() and len(name) < 60 for name in made)


class TestPictures:
    def test_every_kind_is_there_under_a_name_of_its_own(self):
        kinds = [picture.kind for picture in drawn()]
        counts = [kinds.count(kind) for kind in ("board", "placement", "coupling", "flow")]
        # One coupling map per victim: the weak loop adds less than a tenth of the strongest one's voltage.
        assert counts == [1, 1, 2, 4]
        assert len({picture.file for picture in drawn()}) == len(drawn())
        assert {name for picture in drawn() for name in picture.loops} == LOOPS

    def test_they_are_png_of_bounded_size_marked_as_ours(self):
        for picture in drawn():
            assert picture.png.startswith(b"\x89PNG\r\n\x1a\n")
            width, height = struct.unpack(">II", picture.png[16:24])
            assert 500 < width < 1500
            assert 300 < height < 1500
            assert len(picture.png) < 450_000
            assert b"Software\x00returnflow" in picture.png[:4096]

    def test_captions_state_numbers(self):
        words = {(p.kind, p.loops): p.caption + p.alt for p in drawn()}
        assert "25 mA" in words["flow", (NOISY,)]
        assert "Shown for 1 A" in words["flow", (SENSITIVE,)]
        assert "20 µV" in words["placement", (SENSITIVE,)]
        assert "Shown for 1 A" not in words["flow", (NOISY,)]

    def test_few_pairs_of_many_are_drawn_the_strongest(self):
        budget = result().sensitive[0]
        part = budget.contributions[0]
        many = tuple(replace(part, loop=f"n{k}", noise=k * 1e-6) for k in range(9))
        assert [p.loop for p in album.strongest(replace(budget, contributions=many))] == ["n8", "n7", "n6", "n5"]
        few = tuple(replace(part, loop=f"n{k}", noise=10.0**-k) for k in range(4))
        assert [p.loop for p in album.strongest(replace(budget, contributions=few))] == ["n0", "n1"]

    def test_progress_names_each_picture(self, monkeypatch):
        monkeypatch.setattr(Frame, "png", lambda self: b"")
        said: list[str] = []
        album.pictures(replace(result(), sensitive=(), cables=()), said.append)
        assert said[0] == "picture 1 of 5: board.png"
        assert len(said) == 5

    def test_frequencies_get_pictures_of_their_own(self):
        files = [picture.file for picture in album.pictures(replace(at_frequencies()["as drawn"], sensitive=()))]
        assert [file for file in files if "mhz" in file] == ["flow-pump-b-x-b-i-1-1-mhz.png"]

    def test_the_users_settings_do_not_matter(self):
        import matplotlib as mpl

        with mpl.rc_context({"text.usetex": True, "axes.facecolor": "black", "font.size": 30, "savefig.dpi": 20}):
            with house_style():
                again = album.board_frame(result()).png()
            assert mpl.rcParams["text.usetex"]
        assert again == next(picture.png for picture in drawn() if picture.kind == "board")


def small(loops: str, outline: str = "[0, 0, 5, 4]", cutouts: str = "", places: str = "1 1 4 3") -> Result:
    x = places.split()
    terminals = "".join(
        f'[[terminal]]\nname = "T{k // 2}"\ncopper = "g"\nat = [{x[k]}, {x[k + 1]}]\ndiameter_mm = 0.3\n'
        for k in range(0, len(x), 2)
    )
    text = f"""
format = 1
title = "small"
[board]
outline = {{ rect = {outline} }}
[[layer]]
name = "L"
copper_um = 35
[[copper]]
name = "g"
layer = "L"
{cutouts}{terminals}{loops}
[solve]
accuracy = 0.1
"""
    return run(parse_case(text), only=["as drawn"])["as drawn"]


NOISE = '[[loop]]\nname = "n"\nrole = "noisy"\ninject = "T0"\nreturn = "T1"\ncurrent_A = 1\n'


class TestEdges:
    def test_one_loop_on_a_tiny_board(self):
        made = album.pictures(small(NOISE))
        assert [picture.kind for picture in made] == ["board", "flow"]

    def test_a_long_board(self):
        made = album.pictures(small(NOISE, "[0, 0, 300, 12]", places="5 6 295 6"))
        width, height = struct.unpack(">II", made[1].png[16:24])
        assert height < width / 2

    def test_copper_in_pieces_says_that_nothing_couples(self):
        gap = '[[cutout]]\nname = "gap"\ncopper = "g"\nshape = { rect = [9, 0, 11, 8] }\n'
        quiet = (
            '[[loop]]\nname = "s"\nrole = "sensitive"\ninject = "T2"\nreturn = "T3"\nsignal_V = 1\ntolerates_V = 1e-6\n'
        )
        it = small(NOISE + quiet, "[0, 0, 20, 8]", gap, "2 2 7 6 13 2 18 6")
        maps = maps_of(it)
        with house_style():
            placement = fields.placement_frame(maps, it.sensitive[0])
            pair = fields.coupling_frame(maps, it.sensitive[0], it.sensitive[0].contributions[0])
        assert "no noisy loop causes a voltage in series" in finding(it.sensitive[0])
        said = " ".join(text.get_text() for frame in (placement, pair) for text in frame.figure.texts)
        assert "any place on it will do" in said
        assert "share no copper: no conducted coupling" in said
        assert placement.bar_axes is None
        assert pair.bar_axes is None

    def test_within_the_limit_everywhere(self):
        it = result()
        budget = replace(it.sensitive[0], limit=1.0)
        with house_style():
            frame = fields.placement_frame(maps_of(it), budget)
        assert any("All the copper connected to it lies" in text.get_text() for text in frame.figure.texts)
        assert frame.png()

    def test_thousands_of_holes_stay_holes(self):
        holes = shapely.union_all([shapely.box(x, y, x + 0.5, y + 0.5) for x in range(1, 71) for y in range(1, 73)])
        path = shape_path(shapely.box(0, 0, 80, 80).difference(holes))
        assert np.count_nonzero(path.codes == Path.MOVETO) == 1 + 70 * 72
        assert path.contains_points([[0.7e3, 0.7e3], [1.7e3, 1.7e3], [1.2e3, 1.2e3]]).tolist() == [True, True, True]
        # Holes turn against the outline: the winding rule leaves them empty.
        rings = np.split(path.vertices, np.flatnonzero(path.codes == Path.MOVETO)[1:])
        turn = [np.sign(shapely.polygons(ring).exterior.is_ccw - 0.5) for ring in rings]
        assert turn[0] == 1
        assert set(turn[1:]) == {-1}


def test_the_title_on_the_board_is_the_cases():
    with house_style():
        frame = album.board_frame(result())
    shown = " ".join(text.get_text() for text in frame.figure.texts)
    assert shown.startswith(TITLE[:40])


def test_pieces_inside_holes_of_others_are_drawn_as_one_solid():
    frame = shapely.box(0, 0, 9, 9).difference(shapely.box(1, 1, 8, 8))
    inner = shapely.box(2, 2, 7, 7).difference(shapely.box(3, 3, 6, 6))
    whole = solid(shapely.MultiPolygon([frame, inner, shapely.box(4, 4, 5, 5)]))
    assert whole.is_valid
    assert whole.area == 81
