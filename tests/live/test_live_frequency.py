"""Above 0 Hz: what the page interpolates, against the reduced model on a fine mesh; and what a class is shown of it."""

from functools import cache

import numpy as np
import pytest

from cases import EXAMPLES
from livepage import node, opened
from returnflow.answers.frequency import traffic
from returnflow.live.board import LiveBoard
from returnflow.live.over_frequency import over_frequency
from returnflow.live.page import live_page
from returnflow.live.payload import board_data, pack
from returnflow.live.reference import LiveSolver
from returnflow.magnetic.meshing import system_of
from returnflow.magnetic.reduction import reduce
from returnflow.resistive.conductors import Conductors
from returnflow_geometry.casefile.read import read_case

ASKED = [37.0, 1.9e3, 4.4e4, 7.7e6, 3e8]  # Hz, none on the page's grid


@cache
def u_trace():
    return read_case(EXAMPLES / "u_trace.toml")


def test_impedance_and_share_between_the_points_of_the_grid():
    case, conductors = u_trace(), Conductors.of(u_trace())
    board = LiveBoard.of(case)
    resistance = LiveSolver(board).read().resistance
    data = board_data(board, "x", over_frequency(board, resistance, pattern=False))
    loops = conductors.ends(case)
    thickness = tuple(Conductors.magnetic(case).foils[0].tolist())
    fine = reduce(
        system_of(case, conductors, loops), thickness, case.board.temperature, resistance / conductors.reference
    )
    _, sections = traffic(fine, loops, conductors.contact_inside(), ASKED)
    answer = node(
        f"""const data = await unpack("{pack(data)}"), over = new Frequencies(data.frequencies, 1);
        console.log(JSON.stringify({ASKED}.map((f) => [...over.impedance(0, 0, f), over.section(0, 0, f, 1)])));"""
    )
    for f, (re, im, share), section in zip(ASKED, answer, np.abs(sections[:, 0, 0]), strict=True):
        assert abs(complex(re, im)) == pytest.approx(abs(fine.impedance(f)[0, 0]), rel=5e-3)
        assert share == pytest.approx(section, abs=5e-3)


def test_the_return_moves_under_the_trace(window, tmp_path):
    path = tmp_path / "u.html"
    path.write_text(live_page([u_trace()]), encoding="utf-8")
    assert path.stat().st_size < 250_000
    with opened(window, path) as page:
        pictures = []
        # Readings of full solves: DC, 2 kHz, 10 kHz; the last is 0.968 over an endless plane.
        for position, share in ((0, "25 %"), (111, "60 %"), (145, "97 %")):
            page.evaluate(f"page.sweep.slide({position})")
            assert page.inner_text("#shares").split("\t")[1] == share
            pictures.append(page.evaluate("document.getElementById('picture').toDataURL()"))
        assert len(set(pictures)) == 3
        # Contacts stay above 0 Hz, and are where they were put once it is DC again.
        page.evaluate("page.sweep.slide(0), page.board.move(0, 45e-3, -50e-3), page.refresh(), page.sweep.slide(200)")
        assert page.evaluate("page.board.place(0)") == pytest.approx([50e-3, -50e-3])
        page.evaluate("page.sweep.slide(0)")
        assert page.evaluate("page.board.place(0)[0]") == pytest.approx(45e-3)
