"""Ends of slots, bridges and corners of routes that are dragged: against full solves of the moved board."""

import json
import math
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from cases import EXAMPLES
from livedrags import drags
from livepage import example_page, node, opened, serving
from returnflow.answers.coupling import region_shares
from returnflow.live.board import LiveBoard
from returnflow.live.desk import Desk
from returnflow.live.moves import RequestError, changes_of
from returnflow.live.parts import NANO
from returnflow.live.payload import board_data, pack
from returnflow.live.reference import LiveSolver
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options, reference
from returnflow_geometry.casefile.read import parse_case, read_case

# A region that the moving points cross, so that its share is no longer one of the mesh's edges.
REGION = '\n[[region]]\nname = "left"\ncopper = "ground"\nshape = { rect = [10, 5, 36, 32] }\n'


@cache
def gap():
    return parse_case((EXAMPLES / "bridge_sweep.toml").read_text("utf-8") + REGION)


@pytest.fixture
def gap_file(tmp_path):
    path = tmp_path / "gap.toml"
    path.write_text((EXAMPLES / "bridge_sweep.toml").read_text("utf-8"), "utf-8")
    return path


def full(case):
    conductors = Conductors.of(case)
    return solve(conductors, conductors.ends(case), options=Options(accuracy=1e-2)), conductors


def test_a_bridge_elsewhere_and_of_another_width_agrees_with_the_full_solve():
    moves = [(-3e-3, 3e-3), (12e-3, 9e-3)]  # wider; further down and narrower
    answers = node(
        f"""const board = new Board(await unpack("{pack(board_data(LiveBoard.of(gap()), "x"))}"));
        const it = board.sheets[0].bridges[0], rows = (matrix) => matrix.map((row) => [...row]);
        console.log(JSON.stringify({json.dumps(moves)}.map((by) => {{
          board.stretch(0, it, by);
          const read = board.read();
          return {{ by: it.by, R: rows(read.resistance), S: rows(board.watch(read.currents).shares) }};
        }})));"""
    )
    for (a, b), answer in zip(moves, answers, strict=True):
        assert answer["by"] == pytest.approx([a, b])  # along the slot, which runs down from y = 50
        now = [[40, 28 - 1e3 * a], [40, 22 - 1e3 * b]]
        moved = gap().changed(**changes_of({"bridges": [["bridge", [[40, 28], [40, 22]], now]]}, gap()))
        truth, conductors = full(moved)
        assert np.max(np.abs(np.array(answer["R"]) - truth.mid) / reference(truth.mid)) < 1e-3
        assert np.allclose(answer["S"], region_shares(truth, conductors.contact_inside()), atol=3e-3)


def test_the_script_equals_the_reference_where_points_have_moved():
    board = LiveBoard.of(gap())
    x, y, R = node(
        f"""const board = new Board(await unpack("{pack(board_data(board, "x"))}")), [sheet] = board.sheets;
        board.stretch(0, sheet.bridges[0], [-4e-3, 2e-3]);
        const corners = (v) => [...v].slice(0, sheet.corners), rows = board.read().resistance.map((row) => [...row]);
        console.log(JSON.stringify([corners(sheet.x), corners(sheet.y), rows]));"""
    )
    moved = replace(board.sheets[0], points=np.column_stack([x, y]) / NANO)
    assert np.max(np.abs(moved.points - board.sheets[0].points)) > 3e6  # nanometres
    there = LiveSolver(replace(board, sheets=(moved,))).read().resistance
    own = np.sqrt(np.diag(there))
    assert np.max(np.abs(np.array(R) - there) / np.outer(own, own)) < 1e-9


def test_random_drags_agree_with_full_solves_on_the_moved_geometry():
    """A sample of what benchmarks/live.py does with more drags and boards."""
    strip, bench = (read_case(EXAMPLES / f"{name}.toml") for name in ("slot_depth", "weighing_controller"))
    # The peak at a slot's end needs a finer full solve than resistances do.
    for errors in (*drags(strip, 2, ("slots",), accuracy=1e-4), *drags(bench, 2, ("contact",), accuracy=1e-2)):
        assert errors.transfer < 3e-3
        assert errors.share < 3e-3
        assert errors.peak < 0.03


@pytest.mark.parametrize(
    ("message", "text"),
    [
        ({"bridges": [["bridge", [[40, 28], [40, 22]], [[40, 20], [40, 24]]]]}, "keep some width"),
        ({"bridges": [["other", [[40, 28], [40, 22]], [[40, 27], [40, 21]]]]}, "not drawn in the case file"),
        ({"bridges": [["bridge", [[40, 28], [40, 28]], [[40, 27], [40, 21]]]]}, "bridges must give"),
        ({"bridges": [["bridge", [40, 28], [40, 22]]]}, "bridges must give"),
        ({"bridges": {"bridge": 1}}, "bridges must give"),
        ({"routes": {"motor stage": [[[1, 1], [2, 2]]]}}, "routes must give"),
        ({"routes": [1]}, "routes must give"),
    ],
)
def test_a_malformed_move_changes_nothing(message, text, gap_file):
    desk = Desk([gap_file], [read_case(gap_file)])
    with pytest.raises(RequestError, match=text):
        desk.answer("save", {**message, "name": "x"})
    assert [path.name for path in gap_file.parent.iterdir()] == ["gap.toml"]


def test_a_bridge_is_dragged_solved_and_saved(window, gap_file):
    with serving(gap_file) as server, opened(window, server.address) as page:
        solved = "document.getElementById('figure').textContent.includes('between')"
        page.wait_for_function(solved, timeout=30_000)
        scale, before = page.evaluate("[page.frame.scale, page.volts]")
        pull(page, "[aria-label='bridge']", 0, 8e-3 * scale)
        page.wait_for_function(solved, timeout=30_000)
        about, noise = page.evaluate("[page.heard(page.reading.resistance, page.victim).volts, page.volts]")
        assert about == pytest.approx(noise, rel=3e-3)
        assert abs(noise / before - 1) > 0.2
        page.locator("[aria-label='far edge of bridge']").focus()
        page.keyboard.press("ArrowDown")
        page.fill("#savename", "lower")
        page.click("#savevariant")
        page.wait_for_function("document.getElementById('saved').textContent.startsWith('written')", timeout=30_000)
    new = read_case(gap_file.with_name("gap_lower.toml")).variants[-1].case.board.bridges[0].shape.bounds
    assert [1e3 * new[1], 1e3 * new[3]] == pytest.approx([13, 20], abs=0.2)


def test_a_corner_of_a_route_is_dragged_and_solved_at_all_frequencies(window, tmp_path):
    path = tmp_path / "u.toml"
    path.write_text((EXAMPLES / "u_trace.toml").read_text("utf-8"), "utf-8")
    with serving(path, example_page("u_trace", served=True)) as server, opened(window, server.address) as page:
        page.evaluate("page.sweep.to(page.sweep.position(1e6))")
        assert page.evaluate("page.modelled") == ""
        before = page.evaluate("page.over.impedance(0, 0, 1e6)[1]")
        drawn = page.evaluate("page.routeOf(0)[0]")
        pull(page, ".corner >> nth=0", 60, -40)
        page.wait_for_function("page.modelled", timeout=60_000)
        routed = page.evaluate("page.routeOf(0)")
        after = page.evaluate("page.over.impedance(0, 0, 1e6)[1]")
    assert routed[0][0] == drawn[0]
    moved = read_case(path).changed(**changes_of({"routes": {read_case(path).loops[0].name: routed}}, read_case(path)))
    assert np.allclose(1e3 * np.array(moved.loops[0].route.path), routed[0], atol=1e-3)
    # Once the return runs under its trace, inductance goes with the trace's length.
    was, now = (sum(math.dist(*piece) for piece in pairwise(path)) for path in (drawn, routed[0]))
    assert abs(now / was - 1) > 0.02
    assert after / before == pytest.approx(now / was, rel=0.01)


def pull(page, what, dx, dy):
    mark = page.locator(what).locator(".mark").bounding_box()
    x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx, y + dy, steps=4)
    page.mouse.up()
