"""Above 0 Hz: what the page interpolates, against the reduced model on a fine mesh; and what a class is shown of it."""

from importlib.resources import files

import numpy as np
import pytest

from cases import squared
from livepage import above_of, example_page, node, opened
from returnflow.answers.frequency import traffic
from returnflow.live.board import LiveBoard
from returnflow.live.over_frequency import over_frequency
from returnflow.live.page import live_page
from returnflow.live.payload import board_data, pack
from returnflow.live.reference import LiveSolver
from returnflow.magnetic.reduction import BroadbandOptions
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import reference
from returnflow_geometry.casefile.read import parse_case
from solved import example

SWEEP = files("returnflow.live").joinpath("scripts/sweep.js").read_text(encoding="utf-8")
STEP = next(line for line in SWEEP.splitlines() if line.startswith("const PER_DECADE"))
ASKED = [37.0, 1.9e3, 4.4e4, 7.7e6, 3e8]  # Hz, none on the page's grid
# A weak transfer: two traces side by side, one over the slot's end and one across the slot.
NEIGHBOURS = """
format = 1
title = "two traces beside each other"
board = { outline = { rect = [0, 0, 60, 40] } }
layer = [{ name = "traces", copper_um = 35, below_mm = 0.8 }, { name = "plane", copper_um = 35 }]
copper = [{ name = "ground", layer = "plane" }]
cutout = [{ name = "slot", copper = "ground", shape = { slot = [[30, 0], [30, 28]], width = 0.5 } }]
terminal = [
  { name = "A", copper = "ground", at = [4, 34], diameter_mm = 1 },
  { name = "B", copper = "ground", at = [44, 34], diameter_mm = 1 },
  { name = "C", copper = "ground", at = [36, 26], diameter_mm = 1 },
  { name = "D", copper = "ground", at = [54, 14], diameter_mm = 1 },
]
solve = { frequencies_Hz = [0, 1e5], accuracy = 0.025 }

[[loop]]
name = "input"
role = "sensitive"
inject = "B"
return = "A"
signal_V = 0.01
tolerates_V = 1e-6
route = { layer = "traces", path = [[4, 34], [44, 34]] }

[[loop]]
name = "motor"
role = "noisy"
inject = "D"
return = "C"
current_A = 1
route = { layer = "traces", path = [[36, 26], [54, 26], [54, 14]] }
"""
# A pair of planes, joined at one end: a quarter of a wavelength long at 340 MHz.
PAIR = """
format = 1
title = "two planes that resonate"
board = { outline = { rect = [0, 0, 110, 6] } }
layer = [
  { name = "traces", copper_um = 35, below_mm = 0.5 },
  { name = "ground", copper_um = 35, below_mm = 0.4, permittivity = 4.2, loss_tangent = 0.02 },
  { name = "supply", copper_um = 35 },
]
copper = [{ name = "GND", layer = "ground" }, { name = "VCC", layer = "supply" }]
terminal = [
  { name = "A", copper = "GND", at = [2, 3], diameter_mm = 1 },
  { name = "B", copper = "VCC", at = [2, 3], diameter_mm = 1 },
  { name = "C", copper = "GND", at = [30, 3], diameter_mm = 1 },
  { name = "D", copper = "GND", at = [60, 3], diameter_mm = 1 },
  { name = "E", copper = "GND", at = [108, 3], diameter_mm = 1 },
  { name = "F", copper = "VCC", at = [108, 3], diameter_mm = 1 },
]
link = [{ name = "end", between = ["E", "F"], resistance_ohm = 1e-3 }]
solve = { frequencies_Hz = [0, 1e8], accuracy = 0.025 }

[[loop]]
name = "input"
role = "sensitive"
inject = "C"
return = "D"
signal_V = 0.01
tolerates_V = 1e-6
route = { layer = "traces", path = [[60, 3], [30, 3]] }

[[loop]]
name = "motor"
role = "noisy"
inject = "A"
return = "B"
spectrum = [[1e8, 0.1]]
"""


def test_impedance_and_share_between_the_points_of_the_grid():
    """Against the study of the same board, which is what `returnflow run` reports."""
    board, above = above_of("u_trace")
    fine = example("u_trace")["as drawn"].spectral.model
    _, sections = traffic(fine, board.conductors.ends(board.case), board.conductors.contact_inside(), ASKED)
    answer = node(
        f"""const data = await unpack("{pack(board_data(board, "x", above))}");
        const over = new Frequencies(data.frequencies, 1);
        console.log(JSON.stringify({ASKED}.map((f) => [...over.impedance(0, 0, f), over.section(0, 0, f, 1)])));"""
    )
    for f, (re, im, share), section in zip(ASKED, answer, np.abs(sections[:, 0, 0]), strict=True):
        assert abs(complex(re, im)) == pytest.approx(abs(fine.impedance(f)[0, 0]), rel=5e-3)
        assert share == pytest.approx(section, abs=5e-3)


def test_a_weak_transfer_is_that_of_a_full_solve():
    """Of the entry, or of 1 % of sqrt(Z_ii Z_jj): one coarse mesh alone takes it 1.4 % off."""
    case = parse_case(squared(NEIGHBOURS))
    board, conductors = LiveBoard.of(case), Conductors.of(case)
    resistance = LiveSolver(board).read().resistance
    found = over_frequency(board, resistance, pattern=None)
    full = solve_broadband(case, conductors, conductors.ends(case), resistance / conductors.reference)
    f = np.geomspace(found["lowest"], 1e9, found["count"])
    re, inductance = np.moveaxis(found["Z"].reshape(len(f), 2, 2, 2), -1, 0)
    own, exact = np.abs(re + 2j * np.pi * f[:, None, None] * inductance), np.abs(full.impedances(f))
    assert np.median(exact[:, 0, 1] / np.sqrt(exact[:, 0, 0] * exact[:, 1, 1])) < 0.01
    assert np.max(np.abs(own - exact) / [reference(Z) for Z in exact]) < 5e-3


def test_planes_that_resonate_are_known_at_every_step_of_the_slider():
    """A peak is as narrow as the dielectric's loss makes it: cubics between a few points would flatten it."""
    case = parse_case(squared(PAIR))
    board, conductors = LiveBoard.of(case), Conductors.of(case)
    resistance = LiveSolver(board).read().resistance
    found = over_frequency(board, resistance, pattern=None)
    steps = np.arange(330, 385)  # of the slider, 75 MHz to 1 GHz
    answer = node(
        f"""const data = await unpack("{pack(board_data(board, "x", found))}");
        {STEP}
        const over = new Frequencies(data.frequencies, 2), at = (n) => over.lowest * 10 ** (n / PER_DECADE);
        const told = (n) => [at(n), ...over.impedance(1, 1, at(n)), ...over.impedance(0, 1, at(n))];
        console.log(JSON.stringify({steps.tolist()}.map(told)));"""
    )
    f, *parts = np.array(answer).T
    own, transfer = np.abs(parts[0] + 1j * parts[1]), np.abs(parts[2] + 1j * parts[3])
    full = solve_broadband(
        case, conductors, conductors.ends(case), resistance / conductors.reference, BroadbandOptions(bounds=False)
    )
    exact = np.abs(full.impedances(f))
    assert own.max() > 50 * own[0]
    assert 300e6 < f[own.argmax()] < 380e6 < 600e6 < f[own.argmin()]
    assert own == pytest.approx(exact[:, 1, 1], rel=2e-2)
    assert transfer == pytest.approx(exact[:, 0, 1], abs=1e-3 * exact[:, 0, 1].max())


def test_the_return_moves_under_the_trace(window, tmp_path):
    path = tmp_path / "u.html"
    path.write_text(example_page("u_trace"), encoding="utf-8")
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


def test_what_lies_between_cables_says_whether_induction_is_in_it(window, tmp_path):
    limit = "signal_V = 0.01\ntolerates_V = 1e-6"
    case = parse_case(
        NEIGHBOURS.replace('"sensitive"', '"cables"')
        .replace(limit, "limit_V = 1e-3")
        .replace("current_A = 1", "current_A = 1\nfrequency_Hz = 1e5")
    )
    path = tmp_path / "cables.html"
    path.write_text(live_page([case]), encoding="utf-8")
    with opened(window, path) as page:
        heading = page.locator("#cableslabel")
        assert heading.inner_text().lower() == "between cables, by resistance alone"
        page.evaluate("page.sweep.slide(150)")
        assert heading.inner_text().lower() == "between cables"
        page.evaluate("page.sweep.slide(0)")
        assert heading.inner_text().lower() == "between cables, by resistance alone"
