"""Variants side by side: the same colour for the same value, and every map in its place."""

from __future__ import annotations

import struct
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm

from reporting import NOISY, SENSITIVE, result, stitched_study, study, varied
from returnflow.pictures.album import shared_pictures
from returnflow.pictures.comparisons import (
    board_panels,
    changed_coppers,
    compared,
    flow_panels,
    loud_loops,
    placement_panels,
    views_of,
)
from returnflow.pictures.fields import FLOW_MAP, PLACEMENT_MAP
from returnflow.pictures.lettering import DPI, house_style
from returnflow.pictures.maps import Maps
from returnflow.pictures.side_by_side import MOST, Panels, fitted
from returnflow.words.drives import strongest_frequency
from returnflow_geometry.model.outgoing import Outgoing


def images(panels):
    """Colours of every map, (rows, columns, 4)."""
    return [canvas.axes.images[0].get_array() for canvas in panels.maps]


@pytest.fixture(scope="module")
def flows():
    with house_style():
        return flow_panels(views_of(varied(), "gnd")[0], NOISY)


class TestFlows:
    def test_half_the_current_has_the_colours_of_half_the_current(self, flows):
        names = list(varied().variants)
        drawn, half, same = (images(flows)[names.index(name)] for name in ("as drawn", "half & half", "spare moved"))
        colours = [tuple(colour[:3]) for colour in FLOW_MAP(np.arange(FLOW_MAP.N), bytes=True).tolist()]
        number = {colour: n for n, colour in enumerate(colours)}

        def shades(image):
            known = image[..., 3] > 0
            return known, np.array([number[tuple(c)] for c in np.asarray(image)[known][:, :3].tolist()])

        known, full = shades(drawn)
        other, less = shades(half)
        np.testing.assert_array_equal(known, other)
        # On one logarithmic scale half of it is the same number of shades less, wherever neither end cuts.
        inside = (full < len(colours) - 1) & (less > 0)
        steps = full[inside] - less[inside]
        assert inside.sum() > 1000
        assert steps.max() - steps.min() <= 1
        assert steps.min() > 0
        # And the same current has the same colours, but for shades at a border.
        again, close = shades(same)
        both = np.broadcast_to(known & again, known.shape)
        one, two = full[both[known]], close[both[again]]
        assert np.mean(np.abs(one - two) <= 1) > 0.99

    def test_one_colour_bar_for_all(self, flows):
        assert len(flows.figure.axes) == len(varied().side_by_side) + 1
        windows = {(c.window, c.axes.get_xlim(), c.axes.get_ylim()) for c in flows.maps}
        assert len(windows) == 1

    def test_heads_name_variant_and_effect_and_do_not_overlap(self, flows):
        heads = [text for text in flows.figure.texts if text.get_gid() == "head"]
        said = [text.get_text() for text in heads]
        assert said[::2] == list(varied().side_by_side)
        part = next(p for p in varied()["half & half"].sensitive[0].contributions if p.loop == NOISY)
        assert said[5].startswith(f'{1e6 * part.noise:.1f} µV in "')
        renderer = flows.figure.canvas.get_renderer()
        boxes = [text.get_window_extent(renderer) for text in heads]
        for a, b in combinations(boxes, 2):
            assert not a.overlaps(b)
        maps = [canvas.axes.get_window_extent(renderer) for canvas in flows.maps]
        assert not any(box.overlaps(other) for box in boxes for other in maps)

    def test_a_variant_without_the_loop_says_so(self):
        views = views_of(varied(), "gnd")[0]
        gone = views["half & half"]
        case = replace(gone.case, loops=tuple(x for x in gone.case.loops if x.name != NOISY))
        with house_style():
            panels = flow_panels(views | {"half & half": replace(gone, case=case)}, NOISY)
        assert [len(canvas.axes.images) for canvas in panels.maps] == [1, 1, 0, 1, 1]
        assert any(text.get_text() == "no such loop" for text in panels.figure.texts)

    def test_maps_are_drawn_pixel_by_pixel(self, flows):
        for canvas in flows.maps:
            box = canvas.axes.get_window_extent()
            np.testing.assert_allclose([box.height, box.width], canvas.shape, atol=1e-6)
            np.testing.assert_allclose([box.x0 % 1, box.y0 % 1], 0, atol=1e-6)


class TestPlacements:
    def test_the_same_voltage_has_the_same_colour(self):
        views = views_of(varied(), "gnd")[0]
        half = views["half & half"]
        # The weak loop is as it was, so the voltages are not exactly halved: compare with what they are.
        with house_style():
            first = placement_panels(views, SENSITIVE)
            again = placement_panels({"a": views["as drawn"], "b": half, "c": views["as drawn"]}, SENSITIVE)
        a, b, c = images(again)
        np.testing.assert_array_equal(a, c)
        # Values of both maps in one row: between two of one colour there is no other colour.
        loop = half.case.loop(SENSITIVE)
        values, colours = [], []
        for view, image in ((views["as drawn"], a), (half, b)):
            rms, _ = Maps(view, again.window).placement(loop)
            known = np.isfinite(rms)
            values.append(rms[known])
            colours.append(image[known][:, :3])
        order = np.argsort(np.concatenate(values))
        row = np.concatenate(colours)[order].astype(int)
        changes = np.count_nonzero(np.any(row[1:] != row[:-1], axis=1))
        assert 20 < changes < PLACEMENT_MAP.N
        assert len(first.maps) == len(varied().side_by_side) == 5
        said = [text.get_text() for text in first.figure.texts if text.get_gid() == "head"]
        radius = varied()["no <slot>"].placements[SENSITIVE].radius
        assert said[3] == f"35.5 µV, limit 20 µV, circle {1e3 * radius:.2g} mm"


class TestBoards:
    def test_what_is_added_is_drawn_and_what_moved_is_named(self):
        views = views_of(varied(), "gnd")[0]
        far = views["spare moved"]
        board = far.case.board
        terminals = tuple(
            replace(t, shape=result().case.board.terminal("C$3").shape) if t.name == "D_4" else t
            for t in board.terminals
        )
        moved = replace(far, case=replace(far.case, board=replace(board, terminals=terminals)))
        with house_style():
            panels = board_panels(views | {"spare moved": moved}, dict.fromkeys(views, ()))
        labels = [
            [text.get_text() for text in canvas.axes.texts if text.get_gid() == "label"] for canvas in panels.maps
        ]
        # The last is a board that nobody drew, with the weak signal's pin elsewhere.
        assert labels == [[], [], [], ["D_4"], ["B&2"]]
        blue = [
            sum(patch.get_facecolor()[2] > 0.85 > patch.get_facecolor()[0] for patch in canvas.axes.patches)
            + sum(
                getattr(artist, "get_facecolor", lambda: (1, 1, 0, 1))()[:3] == (143 / 255, 193 / 255, 227 / 255)
                for artist in canvas.axes.artists
            )
            for canvas in panels.maps
        ]
        assert blue[1] > blue[0] == blue[2]


class TestPlanes:
    def test_variants_are_compared_on_the_plane_that_one_of_them_changes(self):
        study = stitched_study()
        assert study["as drawn"].copper == "up"
        assert changed_coppers(study) == ["down"]
        with house_style():
            boards = next(iter(compared(study)))
            title = boards.draw().figure.texts[1].get_text()
        assert 'on "down" (L2)' in boards.caption
        assert title == 'copper "down"'
        assert changed_coppers(varied()) == ["gnd"]


class TestAll:
    def test_files_captions_and_size(self):
        made = shared_pictures(varied())
        assert [picture.kind for picture in made] == ["compare"] * 3
        for picture in made:
            width, height = struct.unpack(">II", picture.png[16:24])
            assert width == round(9.2 * DPI)
            assert 300 < height < 1500
            assert b"Software\x00returnflow" in picture.png[:4096]
            assert len(picture.caption) > 40

    def test_a_single_variant_has_none(self):
        assert list(compared(replace(study(), trials={}))) == []

    def test_what_is_recommended_stands_beside_the_board_as_drawn(self):
        (name,) = study().proved
        board, flow, placement = compared(study())
        for made in (board, flow, placement):
            with house_style():
                panels = made.draw()
            heads = [text.get_text() for text in panels.figure.texts if text.get_gid() == "head"]
            assert heads[::2] == ["as drawn", name]
        assert study().side_by_side.keys() == {"as drawn", name}

    def test_one_place_alone_has_a_picture_of_its_own(self):
        """Where the recommended board's signal returns in copper of its own."""
        (name,) = study().proved
        other = replace(study()[name], placements={})
        one = replace(study(), trials=study().trials | {name: other})
        assert [made.name.split()[1] for made in compared(one)] == ["board", "flow"]

    def test_too_many_are_cut_and_that_is_said(self):
        many = {f"v{n}": varied()["half & half"] for n in range(MOST + 2)}
        with house_style():
            first = next(iter(compared(replace(varied(), variants=many))))
        assert len(first.draw().maps) == MOST
        assert "2 more variants are left out of this figure." in first.caption

    def test_loops_worth_a_figure_are_those_that_dominate(self):
        assert loud_loops(result()) == [NOISY]
        assert strongest_frequency(result(), result().index(NOISY)) == 0.0

    @pytest.mark.parametrize("count", [2, 4, 5, 9])
    def test_panels_lie_apart_and_inside(self, count):
        with house_style():
            panels = Panels([result()] * count, "title", "text", bar=True)
            for n in range(count):
                panels.draw_head(n, "a very long name of a variant that goes on and on and on", "and a long line " * 9)
            panels.draw_bar(ScalarMappable(LogNorm(1, 100), FLOW_MAP), "sheet current, A/m", [1, 10, 100])
        renderer = panels.figure.canvas.get_renderer()
        boxes = [axes.get_tightbbox(renderer) for axes in panels.figure.axes]
        boxes += [text.get_window_extent(renderer) for text in panels.figure.texts]
        for a, b in combinations(boxes, 2):
            assert not a.overlaps(b)
        whole = panels.figure.bbox
        assert all(box.x0 >= 0 and box.y0 >= 0 and box.x1 <= whole.x1 and box.y1 <= whole.y1 for box in boxes)

    def test_cut_names_fit(self):
        assert fitted("a long name", 40.0, 9.0).endswith("…")
        assert fitted("a", 40.0, 9.0) == "a"


def test_conductors_are_drawn_that_a_variant_leads_elsewhere():
    first, other = list(views_of(varied(), "gnd")[0].items())[:2]
    route = Outgoing(layer="top", path=((1e-3, 1e-3), (5e-3, 2e-3)), width=0.2e-3)

    def led(result, path):
        loops = tuple(
            replace(it, route=replace(route, path=path)) if it.name == NOISY else it for it in result.case.loops
        )
        return replace(result, case=replace(result.case, loops=loops))

    def drawn(one, two):
        views = {first[0]: led(first[1], one), other[0]: led(other[1], two)}
        with house_style():
            panels = board_panels(views, {first[0]: (), other[0]: ()})
        wide = [
            [line.get_xydata().tolist() for line in m.axes.get_lines() if line.get_lw() == 2.4] for m in panels.maps
        ]
        return [paths[0] if paths else None for paths in wide]

    straight, bent = route.path, (route.path[0], (4e-3, 8e-3), route.path[1])
    assert drawn(straight, straight) == [None, None]
    assert drawn(straight, bent) == [[[1, 1], [5, 2]], [[1, 1], [4, 8], [5, 2]]]
