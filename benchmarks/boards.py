"""Boards for the benchmarks: the example with many antipads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

import returnflow as rf
from returnflow.answers.frequency import wants_frequencies
from returnflow.resistive.conduction import solve
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.solution import Conduction, Options, reference
from returnflow_geometry.mesh.mesher import Plane

EXAMPLE = Path(__file__).parent.parent / "examples" / "weighing_controller.toml"


def weighing_controller_with_antipads(count: int = 300, diameter_mm: float = 0.8, seed: int = 20261125) -> str:
    """Text of the example case with `count` more antipads, clear of every terminal and cutout by 0.4 mm."""
    text = EXAMPLE.read_text(encoding="utf-8")
    case = rf.parse_case(text)
    copper = case.board.remaining("ground")
    occupied = [terminal.shape for terminal in case.board.terminals]
    clear = shapely.difference(copper, shapely.union_all(occupied)).buffer(-(diameter_mm / 2 + 0.4) * 1e-3)
    shapely.prepare(clear)
    rng = np.random.default_rng(seed)
    places: list[tuple[float, float]] = []
    while len(places) < count:
        x, y = (float(v) for v in np.round(rng.uniform((1, 1), (99, 79)), 2))
        apart = all(np.hypot(x - a, y - b) > 1.5 * diameter_mm for a, b in places)
        if apart and clear.contains(shapely.Point(1e-3 * x, 1e-3 * y)):
            places.append((x, y))
    listed = ", ".join(f"[{x}, {y}]" for x, y in places)
    cutout = f'[[cutout]]\nname = "{count} antipads"\ncopper = "ground"\n'
    return f"{text}\n{cutout}circles = [{listed}]\ndiameter_mm = {diameter_mm}\n"


def resistive_only(text: str) -> str:
    """
    Text of the example case at 0 Hz: six loops, without routes, frequencies and the clock.

    Raises
    ------
    ValueError
        If that does not leave six loops at 0 Hz: the example has changed, and this function must follow.
    """
    blocks = [block for block in text.split("\n\n") if not any(name in block for name in ('"clock"', '"U6.GND"'))]
    above = ("route =", "frequency_Hz =", "frequencies_Hz =")
    kept = "\n".join(line for line in "\n\n".join(blocks).splitlines() if not line.startswith(above)) + "\n"
    case = rf.parse_case(kept)
    if len(case.loops) != 6 or wants_frequencies(case):
        message = f"Expected six loops at 0 Hz in {EXAMPLE.name}, got {[loop.name for loop in case.loops]}."
        raise ValueError(message)
    return kept


@dataclass(frozen=True)
class Task:
    """Polygons in memory and loops as pairs of contacts: the resistive problem before any mesh."""

    plane: Plane
    loops: list[tuple[int, int]]
    sheet: float

    @classmethod
    def of(cls, text: str) -> Task:
        """Resistive problem of a case with one copper."""
        case = rf.parse_case(text)
        copper = case.board.coppers[0]
        number = {terminal.name: n for n, terminal in enumerate(case.board.terminals)}
        loops = [(number[loop.inject], number[loop.return_]) for loop in case.loops]
        sheet = sheet_resistance(case.board.layer(copper.layer).thickness, case.board.temperature)
        return cls(Plane.of(case, copper.name), loops, sheet)

    def solve(self, accuracy: float) -> Conduction:
        """Refine until every bracket is as narrow as asked."""
        return solve(self.plane, self.loops, self.sheet, Options(accuracy=accuracy, most_triangles=3_000_000))

    def reference(self, accuracy: float) -> tuple[np.ndarray, float]:
        """
        Resistance matrix to hold other results against, ohm, and the worst relative half-width of its own bracket.

        Its mid value is far nearer to the truth than the half-width says; a minute or two of work.
        """
        solution = self.solve(accuracy)
        return solution.mid, float(np.max(solution.accuracy_reached()))


def worst_error(resistance: np.ndarray, truth: np.ndarray) -> float:
    """Largest error of any entry, relative to the entry or to 1 % of sqrt(R_ii R_jj) where that is larger."""
    return float(np.max(np.abs(resistance - truth) / reference(truth)))
