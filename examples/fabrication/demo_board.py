"""Bench weighing controller, four layers, 100 x 80 mm. Invented for this project; no real board."""

from __future__ import annotations

from draft import Draft

from returnflow_geometry.fabrication.base.objects import BoardData


def demo_board() -> BoardData:
    """
    Board whose analog ground AGND and power ground GND meet in one tie of 1.5 mm on the second layer.

    The stepper driver U3 returns through GND to the supply connector J4; the load-cell amplifier U1 lies on AGND with
    its connector J1. GND is also poured on the bottom and stitched to the plane.
    """
    draft = Draft(100, 80)
    # Second layer: two planes that abut along 1.5 mm, with no copper in common.
    draft.pour(2, "GND", (50.25, 1, 99, 79))
    draft.pour(2, "GND", (1, 1, 50.25, 30))
    draft.pour(2, "GND", (48, 30, 50.25, 31.5))
    draft.pour(2, "AGND", (1, 32, 49.75, 79))
    draft.pour(2, "AGND", (48, 31.5, 49.5, 32))
    draft.pour(3, "VCC", (1, 1, 99, 79))
    draft.pour(4, "GND", (52, 1, 99, 79))
    # Cable connectors: through-hole pins.
    for name, net, at in (
        ("J1.1", "CELL+", (6, 64)),
        ("J1.2", "CELL-", (6, 68)),
        ("J1.3", "AGND", (6, 72)),
        ("J4.1", "VCC", (10, 13)),
        ("J4.2", "GND", (10, 8)),
        ("J2.1", "GND", (96, 60)),
    ):
        draft.via(net, at, drill=1.0, pad=1.8, name=name)
    # Stepper driver: ground pad with four vias in it; amplifier and microcontroller: pins with a via beside.
    draft.pad("U3.17", "GND", 1, (74, 22), (3, 3))
    for x in (73.25, 74.75):
        for y in (21.25, 22.75):
            draft.via("GND", (x, y), drill=0.3, pad=0.6)
    draft.pad("U1.4", "AGND", 1, (41, 72), (1.5, 0.6))
    draft.track(1, "AGND", [(41, 72), (42.5, 72)], 0.4)
    draft.via("AGND", (42.5, 72))
    draft.pad("U2.9", "GND", 1, (66, 50), (0.3, 1.2))
    draft.track(1, "GND", [(66, 50), (66, 51.5)], 0.25)
    draft.via("GND", (66, 51.5))
    draft.pad("U1.1", "CELL+", 1, (41, 74), (1.5, 0.6))
    draft.track(1, "CELL+", [(6, 64), (9, 64), (9, 74), (41, 74)], 0.2)
    # Stitching between the plane and the bottom pour; mounting holes.
    for x in range(56, 97, 8):
        for y in (5, 35, 65, 76):
            draft.via("GND", (x, y))
    for at in ((4, 4), (96, 4), (4, 76), (96, 76)):
        draft.hole(at, 3.2)
    return draft.data()
