"""Boards for the benchmarks: the example with many antipads."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import returnflow as rf
import shapely

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
        if clear.contains(shapely.Point(1e-3 * x, 1e-3 * y)) and all(np.hypot(x - a, y - b) > 1.5 * diameter_mm for a, b in places):
            places.append((x, y))
    listed = ", ".join(f"[{x}, {y}]" for x, y in places)
    cutout = f'\n[[cutout]]\nname = "{count} antipads"\ncopper = "ground"\ncircles = [{listed}]\ndiameter_mm = {diameter_mm}\n'
    return text + cutout
