"""
Write the board of `../weighing_controller.toml` as fabrication files: what `../weighing_controller_fab.toml` reads.

    python write_weighing_controller.py [FOLDER]

The folder is `../weighing_controller_fab` by default. Invented for this project; no real board.
"""

from __future__ import annotations

import sys
from pathlib import Path

import shapely
from draft import Draft
from write_files import write_gerber_set

from returnflow_geometry.fabrication.base.objects import BoardData
from returnflow_geometry.model import shapes

MM = 1e-3
# Ground pins that the loops of the case end on: place and contact diameter, mm.
PINS = {
    "J1.SHIELD": ((6, 72), 1.2),
    "U1.AGND": ((41, 72), 0.3),
    "J4.GND": ((10, 8), 1.4),
    "U3.PGND": ((74, 22), 0.6),
    "U2.GND": ((66, 50), 0.3),
    "U4.GND": ((86, 58), 0.3),
    "U6.GND": ((88, 46), 0.3),
    "U5.GND": ((16, 36), 0.3),
    "J2.SHELL": ((96, 60), 1.6),
    "J3.SHELL": ((4, 34), 1.6),
}
# Pins of other nets that pass the plane in antipads: place and antipad, mm.
LIVE = [((10, 13), 2.2), ((10, 18), 2.2), *(((x, y), 0.8) for y in (44, 56) for x in range(62, 71, 2))]


def weighing_controller() -> BoardData:
    """Ground plane with its slot on the second layer, ground pins through the board, and some tracks."""
    draft = Draft(100, 80)
    slot = shapes.slot([(50 * MM, 0), (50 * MM, 62 * MM)], 0.5 * MM)
    antipads = [shapes.circle(x * MM, y * MM, size * MM) for (x, y), size in LIVE]
    plane = shapely.difference(shapes.rectangle(0, 0, 100 * MM, 80 * MM), shapely.union_all([slot, *antipads]))
    draft.pour(2, "GND", plane)
    for name, (at, diameter) in PINS.items():
        # The contact is the plated wall: 20 um more all round than the finished hole.
        draft.via("GND", at, drill=diameter - 0.04, pad=diameter + 0.4, name=name, layers=(1, 4))
    for number, (at, size) in enumerate(LIVE, start=1):
        draft.via(f"NET{number}", at, drill=size / 2, pad=0.75 * size, layers=(1, 4))
    draft.track(1, "CELL+", [(8, 74), (43, 74)], 0.2)
    draft.track(4, "MOTOR", [(12, 26), (72, 26)], 2)
    return draft.data()


def main() -> int:
    """Write the files."""
    here = Path(__file__).resolve().parent
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else here.parent / "weighing_controller_fab"
    paths = write_gerber_set(weighing_controller(), folder, name="weighing")
    sys.stdout.write("\n".join(path.name for path in paths) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
