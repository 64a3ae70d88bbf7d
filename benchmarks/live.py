"""
The live page: size, time until ready, from a pointer event to the finished picture; with --drags, its accuracy.

Needs a browser and the extra `live-test`. Three boards: the weighing controller, the U trace, and the weighing
controller with 300 more antipads. With --drags N every board's contacts go to N random places, clear of edges by 2 mm,
and every reading is compared with a full solve of the moved geometry.

    python benchmarks/live.py [--drags N]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from boards import weighing_controller_with_antipads
from machine import describe

import returnflow as rf
from returnflow.live.board import LiveBoard
from returnflow.live.desk import Desk
from returnflow.live.page import live_page
from returnflow.live.reference import LiveSolver
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options, reference

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from livepage import chromium

EXAMPLES = Path(__file__).parent.parent / "examples"
MOVES = 120
CLEAR = 2e-3  # m


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drags", type=int, default=0, help="random places of the contacts of every board")
    arguments = parser.parse_args()
    print(describe())
    boards = {
        "weighing controller": rf.read_case(EXAMPLES / "weighing_controller.toml"),
        "U trace": rf.read_case(EXAMPLES / "u_trace.toml"),
        "300 antipads": rf.parse_case(weighing_controller_with_antipads(300)),
    }
    with chromium() as window, tempfile.TemporaryDirectory() as folder:
        for name, case in boards.items():
            measure(window, Path(folder), name, case)
    served()
    for name, case in boards.items():
        if arguments.drags:
            accuracy(name, case, arguments.drags)


def measure(window: Any, folder: Path, name: str, case: rf.Case) -> None:
    """Size, ready and drag of one board's page."""
    begin = time.perf_counter()
    steady = live_page([case], only=["as drawn"], steady=True)
    made = time.perf_counter()
    whole = live_page([case], only=["as drawn"])
    print(f"{name}: made at 0 Hz in {made - begin:.1f} s, {len(steady) / 1e3:.0f} kB; with all frequencies in "
          f"{time.perf_counter() - made:.1f} s, {len(whole) / 1e3:.0f} kB")  # fmt: skip
    path = folder / "page.html"
    path.write_text(whole, encoding="utf-8")
    page = window.new_page(viewport={"width": 1280, "height": 720}, bypass_csp=True)
    begin = time.perf_counter()
    page.goto(path.as_uri())
    page.wait_for_function("window.page && window.page.reading")
    ready = time.perf_counter() - begin
    mark = page.locator(".point:not(.stays):not(.end) .mark").first.bounding_box()
    x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for n in range(MOVES):
        page.mouse.move(x + 40 * np.sin(n / 6), y + 20 * np.sin(n / 9))
    times = page.evaluate("page.hand.times")
    page.mouse.up()
    page.close()
    print(f"  ready in {ready:.2f} s; pointer event to picture, {len(times)} of {MOVES}: median "
          f"{np.median(times):.0f} ms, 95th percentile {np.percentile(times, 95):.0f} ms, "
          f"worst {max(times):.0f} ms")  # fmt: skip


def served() -> None:
    """What a release costs in served mode."""
    for name, what, message in (
        ("slot_depth", "solve", {"ends": [["slot", [55, 10], [55, 7]]]}),
        ("weighing_controller", "solve", {"places": {"U1.AGND": [30, 70]}}),
        ("u_trace", "model", {"places": {"driver ground": [40, -50]}}),
    ):
        path = EXAMPLES / f"{name}.toml"
        desk = Desk([path], [rf.read_case(path)])
        begin = time.perf_counter()
        desk.answer(what, message)
        print(f"served, {name}, {what}: {time.perf_counter() - begin:.1f} s")


def accuracy(name: str, case: rf.Case, drags: int) -> None:
    """Largest error of a resistance over random places, of the entry or of 1 % of sqrt(R_ii R_jj)."""
    solver = LiveSolver(LiveBoard.of(case))
    conductors = Conductors.of(case)
    copper = conductors.planes[0].copper.buffer(-CLEAR)
    rng = np.random.default_rng(20261126)
    x0, y0, x1, y1 = copper.bounds
    names = [conductors.terminals[port.terminal] for port in solver.board.ports if port.radius and port.sheet == 0]
    worst = []
    while len(worst) < drags:
        chosen = names[int(rng.integers(len(names)))]
        x, y = rng.uniform([x0, y0], [x1, y1])
        others = [p.place for p in solver.ports if conductors.terminals[p.terminal] != chosen]
        clear = min(np.hypot(x - a, y - b) for a, b in others) > 2 * CLEAR
        if not (clear and shapely.contains_xy(copper, x, y)):
            continue
        old = solver.ports[solver.board.of_terminal[conductors.terminals.index(chosen)][0]].place
        place = (round(float(x), 6), round(float(y), 6))
        try:
            moved = Conductors.of(case.changed(move={chosen: [1e3 * place[0], 1e3 * place[1]]}))
        except rf.CaseError:  # a section passes there
            continue
        solver.move({chosen: place})
        full = solve(moved, moved.ends(case), options=Options(accuracy=2e-3))
        worst.append(float(np.max(np.abs(solver.read().resistance - full.mid) / reference(full.mid))))
        solver.move({chosen: old})
    print(f"{name}: {drags} random places, worst error of a resistance {max(worst):.2%}, median {np.median(worst):.2%}")


if __name__ == "__main__":
    main()
