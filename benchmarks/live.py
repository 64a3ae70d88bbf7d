"""
The live page: size, time until ready, from a pointer event to the finished picture; with --drags, its accuracy.

Needs a browser and the extra `live-test`. Three boards: the weighing controller, the U trace, and the weighing
controller with 300 more antipads. Every page is opened several times, and the best of each figure is printed: what
else the machine does is none of the page's time.

With --drags N contacts, ends of slots and bridges of every board go to N random places, one at a time, and every
reading is compared with a full solve of the moved geometry. With --models N contacts go to random places, N times, and
what a page is given above 0 Hz is compared with the full solve of the moved board that a study makes of it.

    python benchmarks/live.py [--drags N] [--models N] [--only NAME]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from boards import weighing_controller_with_antipads
from machine import describe

import returnflow as rf
from returnflow.answers.frequency import traffic
from returnflow.live.board import LiveBoard
from returnflow.live.desk import Desk
from returnflow.live.over_frequency import over_frequency
from returnflow.live.page import live_page
from returnflow.live.reference import LiveSolver
from returnflow.magnetic.solving import solve_broadband
from returnflow.resistive.conduction import solve
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.solution import Options, reference

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
from livedrags import drags, random_places
from livepage import chromium

EXAMPLES = Path(__file__).parent.parent / "examples"
MOVES = 120
ROUNDS = 5
BOARDS: dict[str, Callable[[], rf.Case]] = {
    "weighing controller": lambda: rf.read_case(EXAMPLES / "weighing_controller.toml"),
    "U trace": lambda: rf.read_case(EXAMPLES / "u_trace.toml"),
    "300 antipads": lambda: rf.parse_case(weighing_controller_with_antipads(300)),
}
# What is dragged, and how well the full solves must know it: a peak at a slot's end converges slowly.
DRAGGED: dict[str, tuple[Callable[[], rf.Case], tuple[str, ...], float]] = {
    "weighing controller": (BOARDS["weighing controller"], ("contact",), 2e-3),
    "weighing controller, slot": (BOARDS["weighing controller"], ("slots",), 3e-4),
    "U trace": (BOARDS["U trace"], ("contact",), 2e-3),
    "300 antipads": (BOARDS["300 antipads"], ("contact",), 5e-3),
    "300 antipads, slot": (BOARDS["300 antipads"], ("slots",), 1e-3),
    "strip, slot": (lambda: rf.read_case(EXAMPLES / "slot_depth.toml"), ("slots",), 1e-5),
    "bridge": (lambda: rf.read_case(EXAMPLES / "bridge_sweep.toml"), ("contact", "bridges"), 2e-3),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drags", type=int, default=0, help="random places on every board")
    parser.add_argument("--models", type=int, default=0, help="random places on boards with routes, above 0 Hz")
    parser.add_argument("--only", help="board")
    arguments = parser.parse_args()
    print(describe())
    if not arguments.drags and not arguments.models:
        with chromium() as window, tempfile.TemporaryDirectory() as folder:
            for name, make in BOARDS.items():
                if arguments.only in (None, name):
                    measure(window, Path(folder), name, make())
        served()
    for name, (make, kinds, accuracy) in DRAGGED.items():
        if arguments.drags and arguments.only in (None, name):
            found = drags(make(), arguments.drags, kinds, accuracy=accuracy)
            print(f"{name}: {len(found)} random drags; " + "; ".join(
                f"{what} worst {max(values):.2%}, median {np.median(values):.3%}"
                for what in ("transfer", "share", "peak") if any(values := [getattr(each, what) for each in found])
            ), flush=True)  # fmt: skip
    for name, make in BOARDS.items():
        if arguments.models and arguments.only in (None, name):
            models(name, make(), arguments.models)


def measure(window: Any, folder: Path, name: str, case: rf.Case) -> None:
    """Size, ready and drag of one board's page: the best of several rounds."""
    begin = time.perf_counter()
    steady = live_page([case], only=["as drawn"], steady=True)
    made = time.perf_counter()
    whole = live_page([case], only=["as drawn"])
    print(f"{name}: made at 0 Hz in {made - begin:.1f} s, {len(steady) / 1e3:.0f} kB; with all frequencies in "
          f"{time.perf_counter() - made:.1f} s, {len(whole) / 1e3:.0f} kB")  # fmt: skip
    path = folder / "page.html"
    path.write_text(whole, encoding="utf-8")
    rounds = np.array([_dragged(window, path) for _ in range(ROUNDS)])
    ready, thread, median, late, worst = rounds.min(axis=0)
    medians = ", ".join(f"{each:.0f}" for each in sorted(rounds[:, 2]))
    drag = f"median {median:.0f} ms, 95th percentile {late:.0f} ms, worst {worst:.0f} ms"
    print(f"  ready in {ready:.2f} s, {thread:.2f} s of processor; pointer event to picture, {MOVES} events: {drag}")
    print(f"  best of {ROUNDS} rounds, whose medians are {medians} ms", flush=True)


def _dragged(window: Any, path: Path) -> tuple[float, float, float, float, float]:
    """Seconds until ready, and of the page's thread on a processor; median, 95th percentile and worst of a drag, ms."""
    page = window.new_page(viewport={"width": 1280, "height": 720}, bypass_csp=True)
    page.goto("about:blank")  # the browser's own process is none of it
    clock = page.context.new_cdp_session(page)
    clock.send("Performance.enable", {"timeDomain": "threadTicks"})
    begin = time.perf_counter()
    page.goto(path.as_uri())
    page.wait_for_function("window.page && window.page.reading")
    ready = time.perf_counter() - begin
    metrics = {each["name"]: each["value"] for each in clock.send("Performance.getMetrics")["metrics"]}
    mark = page.locator(".point:not(.stays):not(.end) .mark").first.bounding_box()
    x, y = mark["x"] + mark["width"] / 2, mark["y"] + mark["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for n in range(MOVES):
        page.mouse.move(x + 40 * np.sin(n / 6), y + 20 * np.sin(n / 9))
    times = page.evaluate("page.hand.times")
    page.mouse.up()
    page.close()
    return ready, metrics["ThreadTime"], float(np.median(times)), float(np.percentile(times, 95)), float(max(times))


def served() -> None:
    """What a release costs in served mode: the best of several."""
    corner = [[[50, -50], [45, 40], [-50, 50], [-50, -50]]]
    asked: Sequence[tuple[str, str, dict[str, Any]]] = (
        ("slot_depth", "solve", {"ends": [["slot", [55, 10], [55, 7]]]}),
        ("weighing_controller", "solve", {"places": {"U1.AGND": [30, 70]}}),
        ("weighing_controller", "solve", {"ends": [["slot", [50, 62], [50, 66]]]}),
        ("u_trace", "model", {"places": {"driver ground": [40, -50]}}),
        ("u_trace", "model", {"routes": {"signal": corner}}),
    )
    for name, what, message in asked:
        path = EXAMPLES / f"{name}.toml"
        desk = Desk([path], [rf.read_case(path)])
        took = []
        for _ in range(ROUNDS):
            begin = time.perf_counter()
            desk.answer(what, message)
            took.append(time.perf_counter() - begin)
        print(
            f"served, {name}, {what} with {', '.join(message)} moved: {min(took):.1f} s (best of {ROUNDS})", flush=True
        )


def models(name: str, case: rf.Case, count: int) -> None:
    """Largest errors of |Z| and of shares between the page's model and a full solve, over random places of contacts."""
    errors, shares = [], []
    for move in random_places(case, count):
        moved = case.changed(move=move)
        conductors = Conductors.of(moved)
        loops = conductors.ends(moved)
        board = LiveBoard.of(moved)
        page = over_frequency(board, LiveSolver(board).read().resistance, pattern=None, quick=True)
        assert page is not None
        resistive = solve(conductors, loops, options=Options(accuracy=case.accuracy)).mid
        full = solve_broadband(moved, conductors, loops, resistive / conductors.reference)
        grid = np.geomspace(page["lowest"], 1e9, page["count"])
        re, inductance = np.moveaxis(page["Z"].reshape(len(grid), len(loops), len(loops), 2), -1, 0)
        own, exact = np.abs(re + 2j * np.pi * grid[:, None, None] * inductance), np.abs(full.impedances(grid))
        errors.extend(np.max(np.abs(own - exact) / [reference(Z) for Z in exact], axis=(1, 2)).tolist())
        watched = traffic(full, loops, conductors.contact_inside(), grid.tolist())
        for mine, theirs in zip((page["shares"], page["sections"]), watched, strict=True):
            shares.append(float(np.max(np.abs(mine.reshape(theirs.shape) - np.abs(theirs)), initial=0.0)))
    print(f"{name}: {count} random places above 0 Hz; |Z| worst {max(errors):.2%}, median {np.median(errors):.3%}; "
          f"share worst {max(shares):.4f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
