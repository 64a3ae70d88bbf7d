"""
Write the fabrication data of an invented pool-water dosing controller as one zip archive, always the same.

    python write_dosing_controller.py [ARCHIVE]

The archive is `../dosing_controller_fab.zip` by default: six layers of 120 x 90 mm, about 2 500 vias and 300 parts, a
parts list and a placement file. A chlorine cell gives millivolts on an analog ground that is split off; two pumps and
four valves take amperes. The split is joined by a tie at the converter, and by another that somebody made for the
temperature probe.
"""

from __future__ import annotations

import copy
import itertools
import math
import sys
import zipfile
from pathlib import Path

from routed_board import Board, Node

PLANES = {"GND", "AGND", "3V3", "V24", "AVDD"}
NAME, TRIES = "dosing", 12
STITCH = 3  # a stitching via in one of so many places either way
ANALOG = (63, 76)  # nodes: analog is left of and above this


def dosing_controller() -> Board:
    """Return the board: parts, tracks, planes, stitching."""
    board = Board(120, 90)
    _parts(board)
    _planes(board)
    _passives(board)
    board = _tracks(board)
    _stitches(board)
    return board


def _parts(board: Board) -> None:
    """Connectors and chips."""
    down, right = (0, -4), (4, 0)
    board.plug("J1", "3 way", "chlorine cell connector", (5, 132), ["CELL+", "CELL-", "AGND"], down)
    board.plug("J2", "2 way", "temperature probe connector", (5, 92), ["NTC", "AGND"], down)
    board.plug("J3", "3 way", "24 V supply connector", (195, 10), ["V24", "GND", "GND"], (0, 4))
    board.plug("J4", "2 way", "pump A connector", (195, 64), ["PUMPA+", "PUMPA-"], down)
    board.plug("J5", "2 way", "pump B connector", (195, 94), ["PUMPB+", "PUMPB-"], down)
    valves = ["V24", *(f"VALVE{k}" for k in range(1, 5)), "GND"]
    board.plug("J6", "6 way", "valve connector", (12, 5), valves, right)
    board.plug("J7", "3 way", "RS-485 connector", (195, 134), ["BUS_A", "BUS_B", "GND"], down)
    board.plug("J8", "4 way", "USB connector", (112, 145), ["VBUS", "USB_DM", "USB_DP", "GND"], right)
    board.plug(
        "J9",
        "6 way",
        "display header",
        (140, 145),
        ["3V3", "GND", "DISP_SCK", "DISP_DATA", "DISP_CS", "DISP_RST"],
        right,
    )
    board.plug("J10", "3 way", "flow meter connector", (5, 62), ["3V3", "FLOW", "GND"], down)
    board.chip(
        "U1",
        "low noise",
        "instrumentation amplifier",
        (38, 126),
        ["INP", "INN", "REF", "AGND", "AGND", "CELL_OUT", "GAIN", "AVDD"],
    )
    board.chip(
        "U2",
        "24 bit",
        "ADC for the cell",
        (54, 108),
        ["CELL_OUT", "NTC_F", "REF", "AGND", "AVDD", "AGND", "SPI_CS", "SPI_MISO", "SPI_MOSI", "SPI_SCK"],
    )
    board.chip("U3", "2.5 V", "voltage reference", (28, 104), ["AVDD", "AGND", "REF", "AGND"])
    board.chip("U4", "3.3 V", "low-noise regulator", (52, 86), ["3V3A", "AGND", "AVDD", "AGND"])
    cpu = [
        "3V3",
        "GND",
        "SPI_SCK",
        "SPI_MOSI",
        "SPI_MISO",
        "SPI_CS",
        "CLK24",
        "RESET",
        "FLOW_IN",
        "GND",
        "GATE1",
        "GATE2",
        "GATE3",
        "GATE4",
        "3V3",
        "GND",
        "LATCH",
        "SHIFT",
        "DATA0",
        "3V3",
        "GND",
        "PWM_A",
        "DIR_A",
        "PWM_B",
        "DIR_B",
        "FAULT_A",
        "FAULT_B",
        "GND",
        "UART_TX",
        "UART_RX",
        "RS_DE",
        "DISP_SCK",
        "DISP_DATA",
        "DISP_CS",
        "DISP_RST",
        "QSPI_CLK",
        "QSPI_D0",
        "QSPI_D1",
        "QSPI_CS",
        "3V3",
    ]
    board.chip("U5", "32 bit", "microcontroller", (112, 92), cpu, span=16)
    board.chip(
        "U6",
        "64 Mbit",
        "flash memory",
        (140, 112),
        ["QSPI_CS", "QSPI_D1", "WP", "GND", "QSPI_D0", "QSPI_CLK", "HOLD", "3V3"],
    )
    board.chip("U7", "24 MHz", "clock oscillator", (84, 100), ["EN", "GND", "CLK24_R", "3V3"])
    board.chip(
        "U8",
        "bridge",
        "USB serial bridge",
        (118, 128),
        ["VBUS", "USB_DM", "USB_DP", "GND", "GND", "UART_TX", "UART_RX", "3V3"],
    )
    board.chip(
        "U9",
        "half duplex",
        "RS-485 transceiver",
        (152, 128),
        ["BUS_RX", "RS_DE", "BUS_TX", "GND", "GND", "BUS_A", "BUS_B", "3V3"],
    )
    board.chip("U10", "5 A", "buck converter", (170, 34), ["V24", "V24", "EN_B", "GND", "GND", "GND", "FB", "SW"])
    for name, at, x in (("U11", (176, 62), "A"), ("U12", (176, 92), "B")):
        nets = [
            "GND",
            "GND",
            f"PWM_{x}",
            f"DIR_{x}",
            f"FAULT_{x}",
            "GND",
            "GND",
            "V24",
            f"PUMP{x}+",
            f"PUMP{x}+",
            "V24",
            f"PUMP{x}-",
            f"PUMP{x}-",
            "V24",
        ]
        board.chip(name, "3 A", "motor driver for a pump", at, nets)
    for k in range(4):
        board.chip(
            f"Q{k + 1}",
            "60 V",
            "MOSFET valve switch",
            (18 + 16 * k, 20),
            ["GND", "GND", "GND", f"GATE{k + 1}_R", *[f"VALVE{k + 1}"] * 4],
        )
    for k in range(12):
        at = (82 + 22 * (k % 4), 64 - 20 * (k // 4)) if k < 8 else (16 + 16 * (k - 8), 50)
        nets = [
            f"DATA{k}",
            "SHIFT",
            f"OUT{k}_0",
            f"OUT{k}_1",
            "GND",
            "LATCH",
            f"OUT{k}_2",
            f"OUT{k}_3",
            f"DATA{k + 1}",
            "3V3",
        ]
        board.chip(f"U{13 + k}", "8 bit", "shift register for indicators", at, nets)


def _planes(board: Board) -> None:
    """Pours in parts, as drawing programs leave them: what abuts is one piece of copper."""
    analog = [(1.0, 45.3), (38.1, 45.3), (38.1, 89.0), (1.0, 89.0)]
    for layer in (2, 5):
        board.pours.append((layer, "AGND", analog))
        if layer != 5:
            corner = [(1.0, 1.0), (119.0, 1.0), (119.0, 89.0), (38.7, 89.0), (38.7, 44.7), (1.0, 44.7)]
            board.pours.append((layer, "GND", corner))
    # The seam: two pours that meet at x = 76.8.
    board.pours.append((5, "GND", [(1.0, 1.0), (76.8, 1.0), (76.8, 89.0), (38.7, 89.0), (38.7, 44.7), (1.0, 44.7)]))
    board.pours.append((5, "GND", _box(76.8, 1, 119, 89)))
    # The ties, on the second layer: at the converter, and at the temperature probe.
    board.pours += [(2, "AGND", _box(38.1, 66, 38.4, 68)), (2, "GND", _box(38.4, 66, 38.7, 68))]
    board.pours += [(2, "AGND", _box(8, 45.0, 9.5, 45.3)), (2, "GND", _box(8, 44.7, 9.5, 45.0))]
    board.pours.append((4, "AVDD", _box(1, 45.9, 37.5, 89)))
    board.pours.append((4, "V24", [(1, 1), (119, 1), (119, 89), (97.2, 89), (97.2, 17.4), (1, 17.4)]))
    board.pours.append((4, "3V3", [(1, 18), (96.6, 18), (96.6, 89), (38.7, 89), (38.7, 45.3), (1, 45.3)]))


def _box(x0: float, y0: float, x1: float, y1: float) -> list[tuple[float, float]]:
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def _passives(board: Board) -> None:
    """Capacitors at every supply pin, resistors in series and to supplies, until there are 300 parts."""
    series = [
        ("CELL+", "INP", "R", "1k"),
        ("CELL-", "INN", "R", "1k"),
        ("NTC", "NTC_F", "R", "10k"),
        ("CLK24_R", "CLK24", "R", "22"),
        ("FLOW", "FLOW_IN", "R", "1k"),
        ("3V3", "3V3A", "FB", "600 ohm bead"),
        ("3V3", "SW", "L", "10 uH"),
        *((f"GATE{k}_R", f"GATE{k}", "R", "100") for k in range(1, 5)),
        ("BUS_RX", "UART_RX", "R", "1k"),
        ("BUS_TX", "UART_TX", "R", "1k"),
    ]
    places = {"3V3A": (68, 84), "SW": (150, 40)}
    counts = {"R": 0, "C": 0, "FB": 0, "L": 0}

    def add(kind: str, value: str, near: Node, nets: tuple[str, str]) -> None:
        counts[kind] += 1
        said = {"R": "resistor", "C": "capacitor", "FB": "ferrite bead", "L": "inductor"}[kind]
        board.chip_of_two(f"{kind}{counts[kind]}", value, said, near, nets)

    chips = [part for part in board.parts if part.name[0] != "J"]
    for one, other, kind, value in series:
        near = next(pin[1] for part in board.parts for pin in part.pins if pin[2] == one)
        add(kind, value, places.get(other, near), (one, other))
    for part in chips:
        for _, at, net, _ in part.pins:
            if net in PLANES - {"GND", "AGND"}:
                add("C", "100n", at, (net, "AGND" if net == "AVDD" else "GND"))
    pulled = [(part, at, net) for part in chips for _, at, net, _ in part.pins if net not in PLANES]
    once = {net: (part, at) for part, at, net in reversed(pulled)}
    for net, (_, at) in once.items():
        analog = at[0] < ANALOG[0] and at[1] > ANALOG[1]
        if (
            net.startswith(("OUT", "WP", "HOLD", "EN", "RESET", "CLR", "FAULT", "GAIN", "FB"))
            and len(board.parts) < 300
        ):
            add("R", "10k", at, (net, "AGND" if analog else "GND"))
    spread = itertools.cycle((i, j) for i in range(72, 160, 14) for j in range(12, 140, 16))
    while len(board.parts) < 300:
        add("C", "1u", next(spread), ("3V3", "GND"))


def _tracks(board: Board) -> Board:
    """Pins of planes get their vias; the others are joined, shortest first, but for what found no way before."""
    nets: dict[str, list[Node]] = {}
    for part in board.parts:
        for _, at, net, through in part.pins:
            if net in PLANES:
                if not through:
                    board.drop(at, net)
            else:
                nets.setdefault(net, []).append(at)

    def length(net: str) -> float:
        return sum(math.dist(nets[net][0], pin) for pin in nets[net][1:])

    missed = dict.fromkeys(nets, 0)
    for _ in range(TRIES):
        tried = copy.deepcopy(board)
        for net in sorted(nets, key=lambda net: (-missed[net], length(net), net)):
            start = nets[net][0]
            tried.join(net, start, sorted(nets[net][1:], key=lambda pin: (math.dist(pin, start), pin)))
        late = {message.split()[3] for message in tried.failed}
        if not late:
            break
        for net in late:
            missed[net] += 1
    return tried


def _stitches(board: Board) -> None:
    """Vias that join the planes of a ground."""
    for i in range(3, board.size[0] - 3, STITCH):
        for j in range(3, board.size[1] - 3, STITCH):
            analog = i <= ANALOG[0] - 1 and j >= ANALOG[1] + 1
            digital = i >= ANALOG[0] + 2 or j <= ANALOG[1] - 2
            if (analog or digital) and board.can_via((i, j)):
                board.via((i, j), "AGND" if analog else "GND")


def main() -> int:
    """Write the archive."""
    here = Path(__file__).resolve().parent
    archive = Path(sys.argv[1]) if len(sys.argv) > 1 else here.parent / "dosing_controller_fab.zip"
    board = dosing_controller()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as into:
        for name, text in board.files(NAME).items():
            into.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), text, zipfile.ZIP_DEFLATED)
    said = [
        f"{len(board.vias)} vias, {len(board.parts)} parts, {len(board.tracks)} tracks",
        *board.failed,
        str(archive),
    ]
    sys.stdout.write("\n".join(said) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
