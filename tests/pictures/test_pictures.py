"""Pictures show the numbers they claim: tubes, maps, colours, names that never overlap."""

from __future__ import annotations

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

from reporting import (
    CABLES,
    NOISY,
    SENSITIVE,
    TITLE,
    WEAK,
    at_frequencies,
    drawn,
    layered,
    result,
)
from returnflow.advice.study import run
from returnflow.answers.result import Result
from returnflow.answers.verdict import finding
from returnflow.pictures import album, fields
from returnflow.pictures.canvas import ROLE_COLOURS, Label, shape_path, solid
from returnflow.pictures.fields import COUPLING_MAP, flow_range, shared_ranges, symmetric_norm
from returnflow.pictures.frame import Frame
from returnflow.pictures.labels import Placer
from returnflow.pictures.lettering import clean, house_style, slug, text_size, wrap
from returnflow.pictures.maps import Maps
from returnflow_geometry.casefile.read import parse_case

LOOPS = {NOISY, WEAK, SENSITIVE, CABLES}


def maps_of(of: Result) -> Maps:
    with house_style():
        return Maps(of, Frame(of, "", "", bar=True).window)


@pytest.fixture(scope="module")
def maps() -> Maps:
    return maps_of(result())


class TestShapes:
    def test_a_piece_of_copper_inside_a_hole_of_another_is_drawn(self):
        outer, hole, island = (shapely.box(0, 0, 4, 4), shapely.box(1, 1, 3, 3), shapely.box(1.5, 1.5, 2.5, 2.5))
        both = shapely.multipolygons([shapely.difference(outer, hole), island])
        assert solid(both).symmetric_difference(outer).area == 0
        assert len(shape_path(both).to_polygons()) == 3


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

    def test_frequencies_get_pictures_of_their_own(self, monkeypatch):
        monkeypatch.setattr(Frame, "png", lambda self: b"")
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
