import json

import numpy as np
import pytest

from cases import EXAMPLES
from livepage import node
from returnflow.answers.adding import companies, weights
from returnflow.answers.budget import passed
from returnflow.answers.coupling import region_shares
from returnflow.answers.spectra import lines_of
from returnflow.live.board import LiveBoard
from returnflow.live.payload import board_data, pack
from returnflow.live.reference import LiveSolver
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Conduction, Options, reference
from returnflow_geometry.casefile.read import parse_case, read_case

# A plane with a slot, a contact that stays inside and one at the edge, and a return of its own on another layer.
BOARD = """
format = 1
title = "two coppers, five kinds of contacts"
board = { outline = { rect = [0, 0, 60, 40] }, temperature_C = 20 }
layer = [{ name = "L1", copper_um = 18, below_mm = 0.2 }, { name = "L2", copper_um = 35 }]
copper = [
  { name = "ground", layer = "L2" },
  { name = "trace", layer = "L1", shape = { rect = [4, 30, 30, 31] } },
]
cutout = [
  { name = "slot", copper = "ground", shape = { slot = [[32, 0], [32, 26]], width = 0.5 } },
  { name = "hole", copper = "ground", shape = { circle = [45, 30], diameter = 4 } },
]
terminal = [
  { name = "inlet", copper = "ground", shape = { rect = [0, 10, 2, 20] } },
  { name = "tab", copper = "ground", shape = { rect = [20, 8, 26, 12] } },
  { name = "driver", copper = "ground", at = [50, 12], diameter_mm = 0.6 },
  { name = "input", copper = "ground", at = [8, 34], diameter_mm = 0.8 },
  { name = "amplifier", copper = "ground", at = [26, 34], diameter_mm = 0.4 },
  { name = "T1", copper = "trace", at = [4.6, 30.5], diameter_mm = 0.3 },
  { name = "T2", copper = "trace", at = [29.4, 30.5], diameter_mm = 0.3 },
]
link = [
  { name = "via 1", between = ["T1", "input"], resistance_ohm = 5e-4 },
  { name = "via 2", between = ["T2", "amplifier"], resistance_ohm = 5e-4 },
]
region = [{ name = "left", copper = "ground", shape = { rect = [0, 28, 30, 40] } }]
section = [{ name = "bridge", copper = "ground", path = [[32, 26], [32, 40]] }]
"""
PROBE = """
[[loop]]
name = "probe"
role = "sensitive"
inject = "T2"
return = "input"
signal_V = 0.01
tolerates_V = 1e-6
"""


def noisy(name: str, inject: str, back: str, current: str) -> str:
    return f'[[loop]]\nname = "{name}"\nrole = "noisy"\ninject = "{inject}"\nreturn = "{back}"\n{current}\n'


CASE = (
    BOARD
    + noisy("motor", "driver", "inlet", "current_A = 1")
    + noisy("fan", "driver", "tab", "current_A = 0.1")
    + PROBE
)


def full(case, accuracy: float = 0.004) -> Conduction:
    conductors = Conductors.of(case)
    return solve(conductors, conductors.ends(case), options=Options(accuracy=accuracy))


def worst(live, truth: Conduction) -> float:
    """Largest error of a resistance, of the entry or of 1 % of sqrt(R_ii R_jj)."""
    return float(np.max(np.abs(live.resistance - truth.mid) / reference(truth.mid)))


def test_contacts_that_stay_and_links_agree_with_the_full_solve():
    case = parse_case(CASE)
    solver = LiveSolver(LiveBoard.of(case))
    truth, live = full(case), solver.read()
    assert worst(live, truth) < 1e-3
    assert np.allclose(live.links, truth.link_current.T, atol=2e-3)


def test_random_places_agree_with_full_solves_on_the_moved_geometry():
    case = parse_case(CASE)
    solver = LiveSolver(LiveBoard.of(case))
    rng = np.random.default_rng(290)
    boxes = {"driver": ([36, 3], [57, 24]), "input": ([3, 33], [20, 38]), "amplifier": ([14, 32], [29, 38])}
    for _ in range(3):
        places = {name: rng.uniform(*box).round(3).tolist() for name, box in boxes.items()}
        solver.move({name: (1e-3 * x, 1e-3 * y) for name, (x, y) in places.items()})
        assert worst(solver.read(), full(case.changed(move=places))) < 3e-3


def test_a_finer_mesh_changes_less_than_the_page_promises():
    case = read_case(EXAMPLES / "strip_with_slot.toml")
    usual, fine = (LiveSolver(LiveBoard.of(case, fineness)).read().resistance for fineness in (1.0, 2.0))
    assert np.max(np.abs(usual / fine - 1)) < 5e-4


def test_currents_sum_to_zero_on_every_sheet_and_resistances_are_mutual():
    live = LiveSolver(LiveBoard.of(parse_case(CASE)))
    reading = live.read()
    for sheet in range(len(live.sheets)):
        mine = [n for n, port in enumerate(live.ports) if port.sheet == sheet]
        assert np.abs(reading.currents[mine].sum(axis=0)).max() < 1e-12
    assert np.allclose(reading.resistance, reading.resistance.T, rtol=1e-9)


def test_a_contact_back_in_its_place_reads_as_before():
    live = LiveSolver(LiveBoard.of(parse_case(CASE)))
    before = live.read().resistance
    live.move({"driver": (40e-3, 20e-3)})
    assert abs(live.read().resistance[0, 0] / before[0, 0] - 1) > 0.01
    live.move({"driver": (50e-3, 12e-3)})
    assert np.allclose(live.read().resistance, before, rtol=1e-9)


def test_the_script_equals_the_reference():
    """As drawn, and with contacts elsewhere."""
    moved = {"driver": (44.0, 20.5), "amplifier": (20.0, 35.0)}
    case = parse_case(CASE)
    board = LiveBoard.of(case)
    solver = LiveSolver(board)
    readings = [solver.read()]
    solver.move({name: (1e-3 * x, 1e-3 * y) for name, (x, y) in moved.items()})
    readings.append(solver.read())
    answers = node(
        f"""const data = await unpack("{pack(board_data(board, "x"))}"), board = new Board(data);
        const names = data.terminals.map((it) => it.name);
        const told = () => {{
          const read = board.read(), rows = (it) => it.map((row) => [...row]), watch = board.watch(read.currents);
          return {{ R: rows(read.resistance), I: rows(read.currents), cut: rows(watch.sections) }};
        }};
        const drawn = told();
        for (const [name, [x, y]] of Object.entries({json.dumps(moved)}))
          board.move(names.indexOf(name), 1e-3 * x, 1e-3 * y);
        console.log(JSON.stringify([drawn, told()]));"""
    )
    for answer, reading in zip(answers, readings, strict=True):
        own = np.sqrt(np.diag(reading.resistance))
        assert np.max(np.abs(np.array(answer["R"]) - reading.resistance) / np.outer(own, own)) < 1e-9
        assert np.max(np.abs(np.array(answer["I"]) - reading.currents)) < 1e-9
        # All that the motor draws goes over the bridge; so does what the fan draws, however they are placed.
        assert np.allclose(np.abs(answer["cut"])[0, :2], 1.0, atol=1e-9)
    assert np.max(np.abs(readings[0].resistance - readings[1].resistance)) > 0.01 * np.max(readings[0].resistance)


def test_a_stream_function_changes_with_its_port_as_its_derivative_says():
    """Near edges and far from them, beside holes and contacts that stay: two routes to one number."""
    board = LiveBoard.of(parse_case(BOARD + PROBE))
    answer = node(
        f"""const board = new Board(await unpack("{pack(board_data(board, "as drawn"))}")), found = [];
        board.ports.forEach((port, n) => {{
          const sheet = board.sheets[port.sheet], change = sheet.changeOf(port), {{ x, y }} = port;
          const most = Math.max(...change.flatMap((g) => [...g]).map(Math.abs));
          const off = (step) => Math.max(...[[step, 0], [0, step]].map(([dx, dy], axis) => {{
            const there = (sign) => sheet.streamOf(n, {{ ...port, x: x + sign * dx, y: y + sign * dy }});
            const [on, back] = [there(1), there(-1)];
            return Math.max(...change[axis].map((g, i) => Math.abs((on[i] - back[i]) / (2 * step) - g)));
          }}));
          found.push([port.strength, most, off(4e-5), off(1e-5)]);
        }});
        console.log(JSON.stringify(found));"""
    )
    for strength, most, rough, fine in answer:
        assert (most > 0) == (strength > 0)
        assert fine <= 2e-3 * most
        assert fine <= rough / 8  # central differences: a quarter of the step, a sixteenth of the error


@pytest.mark.parametrize(
    ("value", "below", "above"),
    [
        (187.4e-6, "187 µV", "188 µV"),
        (188e-6, "188 µV", "188 µV"),
        (0.9996e-3, "0.999 mV", "1.00 mV"),
        (0, "0 V", "0 V"),
    ],
)
def test_ends_of_a_bracket_are_rounded_outward(value, below, above):
    asked = f"[engineering({value}, 'V', -1), engineering({value}, 'V', 1)]"
    assert node(f"console.log(JSON.stringify({asked}));") == [below, above]


def test_shares_agree_with_the_full_solve():
    case = parse_case(CASE)
    truth = full(case)
    expected = region_shares(truth, Conductors.of(case).contact_inside())
    answer = node(
        f"""const board = new Board(await unpack("{pack(board_data(LiveBoard.of(case), "x"))}"));
        console.log(JSON.stringify(board.watch(board.read().currents).shares.map((row) => [...row])));"""
    )
    assert np.allclose(answer, expected, atol=3e-3)


# Invented: vias of two planes at the corners of a region, on one of its sides, and inside it near one.
STITCHED = """
format = 1
title = "vias on the border of a region"
board = { outline = { rect = [0, 0, 60, 40] } }
layer = [{ name = "L1", copper_um = 35, below_mm = 0.5 }, { name = "L2", copper_um = 35 }]
copper = [{ name = "ground", layer = "L1" }, { name = "second", layer = "L2" }]

[[vias]]
name = "via"
coppers = ["ground", "second"]
at = [[20, 30], [40, 30], [30, 20], [5, 35], [55, 12]]
drill_mm = 0.4

[[terminal]]
name = "A"
copper = "ground"
at = [4, 12]
diameter_mm = 1

[[terminal]]
name = "B"
copper = "ground"
at = [56, 34]
diameter_mm = 1
"""


def test_a_via_on_the_border_of_a_region_counts_by_its_centre():
    """Through its disc a border would run on the wrong side of what enters there: 787 per cent was shown."""
    rects = [(20, 20, 40, 40), (20, 10, 40, 30), (19.9, 12, 40.1, 30.1), (10, 19.85, 45, 38), (24, 12, 36, 20.2)]
    regions = [
        f"[[region]]\nname = 'r{n}'\ncopper = 'ground'\nshape = {{ rect = {list(rect)} }}\n"
        for n, rect in enumerate(rects)
    ]
    case = parse_case(STITCHED + "".join(regions) + noisy("motor", "A", "B", "current_A = 1"))
    truth = full(case, 2e-3)
    expected = region_shares(truth, Conductors.of(case).contact_inside())
    answer = node(
        f"""const board = new Board(await unpack("{pack(board_data(LiveBoard.of(case), "x"))}"));
        const shares = () => board.watch(board.read().currents).shares.map((row) => [...row]), before = shares();
        board.move(0, 8e-3, 14e-3);
        board.move(0, 4e-3, 12e-3);
        console.log(JSON.stringify([before, shares()]));"""
    )
    assert len(answer[0]) == len(rects)
    assert np.allclose(answer[0], expected, atol=3e-3)
    assert np.allclose(answer[1], answer[0], atol=1e-9)


def test_noise_adds_as_the_budget_adds():
    case = parse_case(
        BOARD
        + PROBE
        + noisy("A", "driver", "inlet", "spectrum = [[0, 0.5], [50, 0.1]]")
        + noisy("B", "tab", "driver", 'spectrum = [[0, 0.4], [50, 0.3]]\ncoherent_with = "A"')
    )
    board = LiveBoard.of(case)
    resistance = LiveSolver(board).read().resistance
    heard = [(lines_of(case.loops[n]), passed(lines_of(case.loops[n]), case.loops[0]), group)
             for n, group in zip((1, 2), companies(case.loops[1:]), strict=True)]  # fmt: skip
    expected = float(np.linalg.norm(resistance[0, 1:] @ weights(heard)))
    answer = node(
        f"""const data = await unpack("{pack(board_data(board, "x"))}");
        const board = new Board(data), R = board.read().resistance;
        console.log(JSON.stringify(noiseOf(data.victims[0], (loop) => [R[0][loop], 0]).volts));"""
    )
    assert answer == pytest.approx(expected, rel=1e-8)
