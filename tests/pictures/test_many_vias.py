"""Boards with hundreds of vias: pictures still show the copper, lines of flow pass idle pads, charts are of planes."""

import io

import numpy as np
import pytest
import shapely
from PIL import Image

import solved
from returnflow.pictures.board_map import board_frame
from returnflow.pictures.canvas import MANY_MARKS
from returnflow.pictures.frame import Frame
from returnflow.pictures.maps import Maps
from returnflow.pictures.tracing import flow_lines

# Invented: two planes of 60 x 30 mm, stitched every 5 mm, and a motor's current from one corner to the other.
STITCHED = """
format = 1
title = "stitched planes (invented)"
board = { outline = { rect = [0, 0, 60, 30] } }
layer = [
    { name = "L1", copper_um = 35, below_mm = 0.2 },
    { name = "L2", copper_um = 35, below_mm = 0.2 },
    { name = "L3", copper_um = 35 },
]
copper = [
    { name = "pad", layer = "L1", shape = { rect = [47, 19, 49, 21] } },
    { name = "upper", layer = "L2" },
    { name = "lower", layer = "L3" },
]
terminal = [
    { name = "M", copper = "upper", at = [5, 5], diameter_mm = 0.8 },
    { name = "P", copper = "upper", at = [55, 5], diameter_mm = 0.8 },
    { name = "C", copper = "upper", at = [50, 25], diameter_mm = 0.8 },
    { name = "U", copper = "pad", at = [48.5, 20.5], diameter_mm = 0.4 },
]
solve = { frequencies_Hz = [0], accuracy = 0.1 }
[[vias]]
name = "stitch"
coppers = ["upper", "lower"]
drill_mm = 0.4
array = { corner = [2.5, 2.5], step = [5, 5], count = [12, 6] }
[[vias]]
name = "drop"
coppers = ["pad", "upper"]
drill_mm = 0.2
at = [[47.5, 20.5]]
[[loop]]
name = "motor"
role = "noisy"
inject = "M"
return = "P"
current_A = 1
[[loop]]
name = "input"
role = "sensitive"
inject = "U"
return = "C"
signal_V = 1
tolerates_V = 4e-6
"""


def stitched(text=STITCHED):
    return solved.study(text, "as drawn")["as drawn"]


def on(name):
    view = stitched().on(stitched().conductors.names.index(name))
    return view, Maps(view, Frame(view, "", "").window)


@pytest.mark.parametrize("tubes", [10, 20])
def test_lines_across_each_of_two_stitched_planes_are_its_share_of_the_current(tubes):
    across = shapely.LineString([(30.0e-3, 0), (30.0e-3, 30e-3)])
    counts = {}
    for name in ("upper", "lower"):
        _view, maps = on(name)
        crossing = shapely.intersects(shapely.linestrings(maps.lines(0, 0.0, tubes)), across)
        # The share of a plane by its sheet current on that line: a route to the number that knows no lines.
        x, _ = maps.current(0)
        column = round((30.0e-3 - maps.window.corner[0]) / maps.window.pixel)
        share = float(np.nansum(x[:, column - 2 : column + 3])) / 5 * maps.window.pixel
        counts[name] = int(crossing.sum())
        assert counts[name] == pytest.approx(tubes * share, abs=1.5)
    assert counts["upper"] + counts["lower"] == pytest.approx(tubes, abs=1)
    assert min(counts.values()) > 0.3 * tubes


def test_a_line_leaves_an_idle_pad_where_its_mirror_image_entered():
    # A strip with a pad in its middle, mirrored in it: what comes in above the middle goes out above it.
    strip = """
format = 1
title = "strip (invented)"
board = { outline = { rect = [0, 0, 40, 10] } }
layer = [{ name = "L1", copper_um = 35 }]
copper = [{ name = "strip", layer = "L1" }]
terminal = [
    { name = "A", copper = "strip", shape = { rect = [0, 0, 1, 10] } },
    { name = "B", copper = "strip", shape = { rect = [39, 0, 40, 10] } },
    { name = "idle", copper = "strip", at = [20, 5], diameter_mm = 4 },
]
loop = [{ name = "load", role = "noisy", inject = "A", return = "B", current_A = 1 }]
solve = { frequencies_Hz = [0], accuracy = 0.01 }
"""
    result = stitched(strip)
    solution, contacts = result.solution, result.conductors.number
    starts = np.zeros(3, dtype=np.int64)
    starts[contacts["A"]], starts[contacts["B"]] = 20, -20
    lines = shapely.linestrings(flow_lines(solution.mesh, solution.stream[0], 20, starts))

    def heights(x):
        cut = shapely.intersection(lines, shapely.LineString([(x, 0), (x, 10e-3)]))
        return np.sort(shapely.get_y(cut[~shapely.is_empty(cut)]))

    before, after = heights(12.02e-3), heights(27.98e-3)
    assert len(before) == len(after) == 20
    assert after == pytest.approx(before, abs=0.1e-3)
    # Twice its width goes through the pad (a conductor in a uniform flow; here, between edges, a little less).
    inside = shapely.Point(20e-3, 5e-3).buffer(2.05e-3)
    taken = np.abs(before - 5e-3) < 4e-3
    assert taken.sum() == pytest.approx(20 * 0.74, abs=2.5)
    assert shapely.intersects(lines, inside).any()


class TestMarks:
    def test_of_hundreds_of_terminals_those_are_marked_that_loops_name(self):
        view, maps = on("upper")
        canvas = Frame(view, "", "")
        here = [t for t in view.case.board.terminals if t.copper == "upper"]
        assert len(here) > MANY_MARKS
        assert canvas.marked(here) >= {"M", "P", "C"}
        assert not [name for name in canvas.marked(here) if name.startswith("stitch")]
        few = here[:MANY_MARKS]
        assert canvas.marked(few) == {t.name for t in few}
        assert maps.window.shape == canvas.window.shape

    def test_most_of_the_copper_stays_to_be_seen(self):
        view, _ = on("upper")
        image = np.asarray(Image.open(io.BytesIO(board_frame(view).png())).convert("RGB")).astype(int)
        copper = np.abs(image - np.array([0xF1, 0xE2, 0xCD])).max(axis=2) < 3
        board = image.shape[1] * 0.8  # pixels across, at least: the map is the largest thing in the picture
        assert copper.sum() > 0.75 * board * board / 2

    def test_the_legend_counts_vias(self):
        view, _ = on("upper")
        said = [text.get_text() for legend in board_frame(view).figure.legends for text in legend.get_texts()]
        said += [text.get_text() for text in board_frame(view).figure.texts]
        assert any("73 vias, to scale" in line for line in said)


class TestPlacement:
    def test_is_of_the_plane_below_where_the_pin_stands_on_a_pad(self):
        assert stitched().placements["input"].copper == "upper"
        on_plane = STITCHED.replace('name = "U", copper = "pad"', 'name = "U", copper = "upper"')
        same = stitched(on_plane)
        assert same.placements["input"].copper == "upper"
        assert stitched().placements["input"].radius == pytest.approx(same.placements["input"].radius, rel=0.05)

    def test_its_sentence_names_that_plane(self):
        loud = stitched(STITCHED.replace("tolerates_V = 4e-6", "tolerates_V = 0.5"))
        assert loud.placements["input"].reach == (
            'By resistance alone, U keeps the limit anywhere on "upper" (now 4.74 mm away).'
        )
