"""Random small boards with loops, as case files: what a reviewer might draw, and what nobody would."""

from __future__ import annotations

import json

import numpy as np

WIDTH, DEPTH = 40.0, 30.0  # mm


def random_case(seed: int, *, mains: bool = True, several: bool = False) -> str:
    """
    Text of a case with one weak input and up to four noisy currents, some of which use its pins.

    Parameters
    ----------
    seed : int
    mains : bool
        Some of the currents at 50 or 100 Hz, which takes ten times as long to solve; else all are steady.
    several : bool
        A second weak input and a pair of cables, each with a limit of its own.
    """
    rng = np.random.default_rng(seed)
    outline = {"rect": [0, 0, WIDTH, DEPTH]}
    x = float(rng.uniform(12, 28))
    top = float(rng.uniform(5, 24))
    cutouts = [{"name": "slot", "copper": "gnd", "shape": {"slot": [[x, -1], [x, top]], "width": 0.5}}]
    spots: list[tuple[float, float]] = []
    while len(spots) < 6:
        spot = (float(rng.uniform(2, WIDTH - 2)), float(rng.uniform(2, DEPTH - 2)))
        clear = abs(spot[0] - x) > 1.5 or spot[1] > top + 1.5
        if clear and all(np.hypot(spot[0] - a, spot[1] - b) > 3 for a, b in spots):
            spots.append(spot)
    names = ["J1", "U1", "J2", "U2", "J3", "U3"]
    terminals = [
        {"name": name, "copper": "gnd", "at": [round(v, 3) for v in spot], "diameter_mm": 0.6}
        for name, spot in zip(names, spots, strict=True)
    ]
    if rng.random() < 0.2:
        terminals[int(rng.integers(2))]["bonded"] = "in the housing"
    loops: list[dict[str, object]] = [
        {
            "name": "weak", "role": "sensitive", "inject": "U1", "return": "J1", "signal_V": 1.0,
            "tolerates_V": float(10 ** rng.uniform(-6.5, -3.5)), "band_Hz": [0, 1000],
        }
    ]  # fmt: skip
    hertz = [0, 0, 50, 100] if mains else [0]
    for n in range(int(rng.integers(1, 5))):
        a, b = rng.choice(["J2", "U2", "J3", "U3", "U1", "J1"], size=2, replace=False, p=[0.2, 0.2, 0.2, 0.2, 0.1, 0.1])
        loops.append(
            {
                "name": f"noisy {n}", "role": "noisy", "inject": str(a), "return": str(b),
                "current_A": float(10 ** rng.uniform(-2, 0.3)), "frequency_Hz": float(rng.choice(hertz)),
            }
        )  # fmt: skip
    while several and len(spots) < 8:
        spot = (float(rng.uniform(2, WIDTH - 2)), float(rng.uniform(2, DEPTH - 2)))
        if abs(spot[0] - x) > 1.5 and all(np.hypot(spot[0] - a, spot[1] - b) > 3 for a, b in spots):
            spots.append(spot)
    for name, spot in zip(("J4", "U4"), spots[6:], strict=False):
        terminals.append({"name": name, "copper": "gnd", "at": [round(v, 3) for v in spot], "diameter_mm": 0.6})
    if several:
        loops += [
            {
                "name": "other", "role": "sensitive", "inject": "U4", "return": "J4", "signal_V": 1.0,
                "tolerates_V": float(10 ** rng.uniform(-6.5, -3.5)), "band_Hz": [0, 1000],
            },
            {"name": "cables", "role": "cables", "inject": "J2", "return": "J3",
             "limit_V": float(10 ** rng.uniform(-5, -3))},
        ]  # fmt: skip
    tables = {
        "layer": [{"name": "L1", "copper_um": 35, "below_mm": 0.2}, {"name": "L2", "copper_um": 35}],
        "copper": [{"name": "gnd", "layer": "L2", "shape": outline}],
        "cutout": cutouts,
        "terminal": terminals,
        "loop": loops,
    }
    lines = ["format = 1", f'title = "random board {seed}, invented"', "[board]", f"outline = {_toml(outline)}"]
    lines += ["temperature_C = 25", "[solve]", "accuracy = 0.05"]
    for kind, entries in tables.items():
        for entry in entries:
            lines += [f"[[{kind}]]", *(f"{key} = {_toml(value)}" for key, value in entry.items())]
    return "\n".join(lines)


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    return json.dumps(value)
