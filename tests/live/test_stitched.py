"""Boards of many vias on the live page: those that no loop names are part of the copper, and the page opens."""

import json
import re
from functools import cache

import numpy as np
import pytest

from livepage import node, opened
from returnflow.answers.coupling import region_shares, section_currents
from returnflow.cli import main
from returnflow.live import board as live_board
from returnflow.live.board import LiveBoard
from returnflow.live.page import live_page
from returnflow.live.payload import board_data, pack
from returnflow.live.stitched import StitchedSolver
from returnflow.live.stitching import MANY, conductivity
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options, reference
from returnflow_geometry.casefile.read import parse_case
from solved import shared

# Invented: two planes of 60 x 30 mm stitched every 5 mm, a row of holes in the upper one, a tube of three planes at U.
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
    { name = "pad", layer = "L1", shape = { rect = [46, 18, 50, 22] } },
    { name = "upper", layer = "L2" },
    { name = "lower", layer = "L3" },
]
terminal = [
    { name = "M", copper = "upper", at = [5, 5], diameter_mm = 0.8 },
    { name = "P", copper = "upper", at = [55, 5], diameter_mm = 0.8 },
    { name = "C", copper = "upper", at = [50, 25], diameter_mm = 0.8 },
    { name = "U", copper = "pad", at = [48.9, 20.5], diameter_mm = 0.4 },
]
region = [{ name = "upper half", copper = "upper", shape = { rect = [0, 16, 60, 30] } }]
section = [{ name = "middle", copper = "lower", path = [[31, 0], [31, 30]] }]
solve = { frequencies_Hz = [0], accuracy = 0.1 }
[[vias]]
name = "stitch"
coppers = ["upper", "lower"]
drill_mm = 0.4
array = { corner = [2.5, 2.5], step = [5, 5], count = [12, 6] }
[[vias]]
name = "drop"
coppers = ["pad", "upper"]
drill_mm = 0.4
at = [[47.2, 20.5]]
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
MOVES = {"M": (12.0, 21.0), "C": (34.0, 20.6)}


@shared
def stitched() -> LiveBoard:
    return LiveBoard.of(parse_case(STITCHED))


@shared
def full(text, moved):
    case = parse_case(text)
    case = case.changed(move=moved) if moved else case
    conductors = Conductors.of(case)
    return solve(conductors, conductors.ends(case), options=Options(accuracy=0.01))


def test_vias_that_no_loop_names_are_no_ports():
    board = stitched()
    assert board.stitching is not None
    assert (board.stitching.vias, len(board.stitching.pins)) == (72, 144)
    # The loops' ends, and the tube that leads from one of them to a plane.
    assert sorted({board.conductors.terminals[port.terminal] for port in board.ports}) == [
        "C", "M", "P", "U", "drop (L1)", "drop (L2)"
    ]  # fmt: skip
    assert len(board.names) == 1
    assert sum(len(sheet.triangles) for sheet in board.sheets) < 15_000


def test_few_vias_stay_contacts():
    few = STITCHED.replace("count = [12, 6]", "count = [10, 6]")
    assert MANY == 60
    board = LiveBoard.of(parse_case(few))
    assert board.stitching is None
    assert len(board.links) == 61


@cache
def answers():
    """What the page's script says of the board as drawn, with contacts moved, and of a contact put onto a via."""
    return node(f"""const board = boardOf(await unpack("{pack(board_data(stitched(), "x"))}")), {{ data }} = board;
        const rows = (it) => it.map((row) => [...row]);
        const number = (of) => data.terminals.findIndex(({{ name }}) => name === of);
        const {{ currents, resistance }} = board.read(), {{ shares, sections }} = board.watch(currents);
        const told = {{ drawn: rows(resistance), shares: rows(shares), sections: rows(sections) }};
        for (const [name, [x, y]] of Object.entries({json.dumps(MOVES)})) board.move(number(name), 1e-3 * x, 1e-3 * y);
        told.moved = rows(board.read().resistance);
        board.move(number("C"), 47.5e-3, 22.5e-3);
        told.place = board.place(number("C"));
        console.log(JSON.stringify(told));""")


@cache
def solver(moved=()):
    """The reference, with contacts at other places or none."""
    found = StitchedSolver(stitched())
    found.move({name: (1e-3 * x, 1e-3 * y) for name, (x, y) in moved})
    return found.read()


@pytest.mark.parametrize("moved", [{}, MOVES])
def test_it_agrees_with_the_full_solve(moved):
    truth = full(STITCHED, moved or None)
    read = solver(tuple(moved.items()))
    off = np.abs(read.resistance - truth.mid) / reference(truth.mid)
    assert off.max() < 3e-3
    # All of the input's current takes the drop; and none of the motor's.
    drop = [n for n, name in enumerate(truth.links.names) if name.startswith("drop")]
    assert np.allclose(read.links, truth.link_current.T[drop], atol=3e-3)


@pytest.mark.parametrize(("said", "moved"), [("drawn", {}), ("moved", MOVES)])
def test_the_script_equals_the_reference(said, moved):
    own = solver(tuple(moved.items())).resistance
    assert np.allclose(answers()[said], own, rtol=1e-9, atol=1e-9 * own.max())


def test_shares_agree_with_the_full_solve():
    truth = full(STITCHED, None)
    inside = Conductors.of(parse_case(STITCHED)).contact_inside()
    # The motor's current: of the input's, which enters inside the region, all crosses its border by the rule.
    assert abs(answers()["shares"][0][0] - region_shares(truth, inside)[0, 0]) < 3e-3
    assert np.allclose(np.abs(answers()["sections"]), np.abs(section_currents(truth)), atol=3e-3)


def test_contacts_keep_clear_of_vias():
    place = answers()["place"]
    both = stitched().stitching.pins[0].radius + next(p.radius for p in stitched().ports if p.radius > 0.39e-3)
    assert np.hypot(place[0] - 47.5e-3, place[1] - 22.5e-3) == pytest.approx(1.001 * both, rel=1e-3)


def test_discs_and_holes_are_spread_with_all_their_area():
    sheet = stitched().sheets[2]
    x, y = np.meshgrid(np.arange(1.25, 60, 2.5), np.arange(1.25, 30, 2.5))
    discs = 1e-3 * np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 0.3)])
    corners = sheet.points[sheet.triangles] * 1e-9
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    areas = 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    none = np.empty((0, 3))
    for found, sign in ((conductivity(sheet, discs, none), 1), (conductivity(sheet, none, discs), -1)):
        filled = (found - 1) / (found + 1)  # Maxwell's mixture: (1 + f) / (1 - f)
        assert np.sum(filled * areas) == pytest.approx(sign * x.size * np.pi * 0.3e-3**2, rel=2e-3)
    assert np.all(conductivity(sheet, discs, discs) == 1)


def test_small_holes_that_are_not_in_the_mesh_agree_with_the_full_solve():
    holes = "".join(
        f'[[cutout]]\nname = "hole {x} {y}"\ncopper = "upper"\nshape = {{ circle = [{x}, {y}], diameter = 0.38 }}\n'
        for x in range(2, 60, 4) for y in (7, 10, 14, 23)
    )  # fmt: skip
    board = LiveBoard.of(parse_case(STITCHED + holes))
    assert sum(len(sheet.holes) for sheet in board.sheets) > 50
    truth = full(STITCHED + holes, None)
    off = np.abs(StitchedSolver(board).read().resistance - truth.mid) / reference(truth.mid)
    assert off.max() < 3e-3


def test_the_page_marks_contacts_that_loops_name_and_says_what_vias_are(window, tmp_path):
    path = tmp_path / "page.html"
    path.write_text(live_page([parse_case(STITCHED)], steady=True), "utf-8")
    with opened(window, path) as page:
        assert page.evaluate("page.copper") == 1
        marks = page.evaluate("[...document.querySelectorAll('.point')].map((it) => it.getAttribute('aria-label'))")
        assert len(marks) == 4
        drawn = page.evaluate("document.querySelector('.pins').getAttribute('d').match(/M/g).length")
        assert drawn == 72
        assert "72 vias that no loop names are part of the copper" in page.inner_text("#pins")
        assert page.locator("#links tr").count() == 1
        before = page.inner_text("#figure")
        box = page.locator(".point", has_text=re.compile("^M$")).locator(".mark").bounding_box()
        page.mouse.move(box["x"] + 5, box["y"] + 5)
        page.mouse.down()
        page.mouse.move(box["x"] + 80, box["y"] - 80, steps=4)
        page.mouse.up()
        assert page.inner_text("#figure") != before


def test_a_board_that_no_browser_would_open_is_refused(tmp_path, monkeypatch, capsys):
    case, page = tmp_path / "case.toml", tmp_path / "page.html"
    case.write_text(STITCHED, "utf-8")
    monkeypatch.setattr(live_board, "MOST_TRIANGLES", 1000)
    assert main(["live", str(case), "--steady", "--quiet", "-o", str(page)]) == 2
    told = capsys.readouterr().err
    assert 'error: Case "stitched planes (invented)": on a live page it has' in told
    assert "the rule is at most 1000" in told
    assert 'Leave out coppers, copper "' in told
    assert not page.exists()
    monkeypatch.undo()
    monkeypatch.setattr(live_board, "MOST_VALUES", 1000)
    assert main(["live", str(case), "--steady", "--quiet", "-o", str(page)]) == 2
    assert "6 contacts" in capsys.readouterr().err
