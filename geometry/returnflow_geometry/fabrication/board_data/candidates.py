"""Loops that a board suggests by the names of its parts and nets, each with the reason; a reviewer strikes most out."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import shapely

from returnflow_geometry.fabrication.base.objects import BoardData, FabricationError
from returnflow_geometry.fabrication.copper.connectivity import Connectivity
from returnflow_geometry.fabrication.copper.pins import Pin, parts_of
from returnflow_geometry.fabrication.copper.ways import find_way
from returnflow_geometry.model.wording import brief, toml_text

# Names as common practice has them, no source.
GROUND = re.compile(r"(?i)(^|[^a-z])[adp]?(gnd|ground|vss|earth|chassis|shield|shell|0v)([^a-z]|$)|gnd")
CONNECTOR = re.compile(r"(?i)^(j|x|p|cn|con|conn)\d")
DEVICE = re.compile(r"(?i)^(u|ic|q|m|vr|reg|dc)\d")
SERIES = re.compile(r"(?i)^(r|l|fb|c)\d")
SUPPLY = re.compile(
    r"(?i)^[+-]?\d+v\d*$|^[+-]?v\d{1,2}$|^[+-]?v?\d+[.v]\d+|^[adp]?v(cc|dd|ee|in|bat|bus|sys|out|pp|m|mot)\b|^\+|^vcc|^vdd"
)
FAST = re.compile(
    r"(?i)(^|[^a-z])(s?clk|[ms]clk|sck|clock|xtal|osc|mosi|miso|sdio|qspi|usb|d[pm]|tx|rx|pwm|sw|phase|lx)\d*([^a-z]|$)"
)
ANALOG = re.compile(
    r"(?i)(^|[^a-z])(ain|adc|sens\w*|sig\w*|in|cell|mic|audio|ntc|temp|bridge|probe|shunt)\d*[+-]?[pn]?\d*([^a-z]|$)|[a-z][+-]$"
)
# Words of a parts list: of connectors, of what switches large currents, and of what takes weak signals.
PLUG_WORDS = re.compile(r"(?i)connector|header|socket|receptacle|terminal block|plug\b|jack\b")
POWER_WORDS = re.compile(r"(?i)driver|h-bridge|half.bridge|motor|buck|boost|converter|mosfet|relay|dc/dc|switching")
FEED_WORDS = re.compile(r"(?i)regulator|converter|supply|power (input|jack|connector|entry)|\bldo\b|battery|mains")
WEAK_WORDS = re.compile(r"(?i)amplifier|op-?amp|\badc\b|instrumentation|codec|analog.front")
ANY = re.compile("")
MOST = {"supply": 12, "fast": 12, "input": 8, "cables": 6}
_End = tuple[str, str, tuple[str, ...]]  # a part where a signal ends, the net it has there, series parts before it
EDGE = 12e-3  # m: a connector whose cable leaves the board lies as near to its border
LEAD = 10e-3  # m: a signal's ground pin lies within this of it; see the routes of a case


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One loop as lines of a case, with why it is proposed."""

    name: str
    why: str
    keys: tuple[tuple[str, str], ...]


@dataclass
class _Board:
    data: BoardData
    connectivity: Connectivity
    pins: Mapping[str, Pin]

    def __post_init__(self) -> None:
        self.parts = parts_of(dict(self.pins))
        self.told = dict(self.data.parts)
        self.placed = {part.name: part.at for part in self.data.placed}
        self.grounds = {name: [pin for pin in own if GROUND.search(pin.net)] for name, own in self.parts.items()}
        self.groups: dict[str, set[int]] = {pin.net: set() for pin in self.pins.values()}
        for island in self.connectivity.islands:
            self.groups.setdefault(island.net, set()).add(island.group)

    def is_plug(self, part: str) -> bool:
        """Whether a part is a connector, by the parts list or its reference."""
        return bool(CONNECTOR.match(part) or PLUG_WORDS.search(self.told.get(part, "")))

    def is_device(self, part: str) -> bool:
        """Whether a part draws a supply: by its reference, or by what the parts list says it does."""
        words = self.told.get(part, "")
        told = POWER_WORDS.search(words) or WEAK_WORDS.search(words)
        return not self.is_plug(part) and bool(DEVICE.match(part) or told)

    def feeds(self, part: str) -> bool:
        """Whether the parts list says that a part supplies others."""
        return bool(FEED_WORDS.search(self.told.get(part, "")))

    def place(self, part: str) -> tuple[float, float] | None:
        """Middle of a part, m: of its pads, or as a placement file says."""
        spots = [contact.at for pin in self.parts[part] for contact in pin.contacts[:1]]
        if spots:
            return (sum(x for x, _ in spots) / len(spots), sum(y for _, y in spots) / len(spots))
        return self.placed.get(part)

    def at_edge(self, part: str) -> bool:
        """Whether a part lies at the board's border, as far as that is known."""
        at, outline = self.place(part), self.data.outline
        return at is None or outline is None or shapely.Point(at).distance(outline.boundary) <= EDGE

    def called(self, part: str) -> str:
        """Part with what the parts list says of it."""
        return f"{part} ({self.told[part]})" if self.told.get(part) else part

    def nets(self, part: str, pattern: re.Pattern[str]) -> list[str]:
        """Nets of a part with such a name, that are no returns."""
        nets = dict.fromkeys(pin.net for pin in self.parts[part] if not GROUND.search(pin.net))
        return [net for net in nets if pattern.search(net)]

    def pair(self, one: str, other: str, near: tuple[Pin, Pin] | None = None) -> tuple[Pin, Pin] | None:
        """Ground pins of two parts that metal joins; of several those nearest to the signal's pins."""
        found = [
            (a, b)
            for a in self.grounds[one]
            for b in self.grounds[other]
            if a.net == b.net or self.groups[a.net] & self.groups[b.net]
        ]
        # Of one net first: a tie between two is a way round.
        found.sort(key=lambda both: (both[0].net != both[1].net, _apart(both, near) if near else 0.0))
        return found[0] if found else None

    def series(self, net: str, part: str) -> Iterator[tuple[str, str]]:
        """Two-pin parts that a net of a part goes on through, and the net beyond."""
        for name, own in self.parts.items():
            if name != part and SERIES.match(name) and len(own) == 2:
                nets = [pin.net for pin in own]
                if net in nets and nets[0] != nets[1]:
                    beyond = nets[1] if nets[0] == net else nets[0]
                    if not (GROUND.search(beyond) or SUPPLY.search(beyond)):
                        yield name, beyond


def candidates(data: BoardData, connectivity: Connectivity, pins: Mapping[str, Pin]) -> list[Candidate]:
    """
    Propose loops: supplies of devices, fast nets, inputs, and pairs of connectors.

    Currents are assumptions to be filled in: they are in no fabrication file.
    """
    board = _Board(data, connectivity, pins)
    found: dict[str, Candidate] = {}
    for kind, each in (
        ("supply", _supplies(board)),
        ("fast", _fast(board)),
        ("input", _inputs(board)),
        ("cables", _cables(board)),
    ):
        for item in itertools.islice(each, MOST[kind]):
            found.setdefault(item.name, item)
    return list(found.values())


def _supplies(board: _Board) -> Iterator[Candidate]:
    """Return of each device to what feeds it."""
    sources = {name: board.nets(name, SUPPLY) for name in board.parts if board.is_plug(name)}
    # A device on two supplies makes one of the other.
    devices = [name for name in board.parts if board.is_device(name)]
    several = {name: nets for name in devices if len(nets := board.nets(name, SUPPLY)) > 1}
    # Where the parts list names what feeds others, a bridge between two supplies is not taken for one.
    sources |= {name: nets for name, nets in several.items() if board.feeds(name) or not board.told.get(name)}
    sources |= {name: _fed_through(board, name) for name in devices if board.feeds(name) and name not in sources}
    # What comes in by a supply's connector, no device gives out.
    given = {net for name, nets in sources.items() if board.is_plug(name) and board.feeds(name) for net in nets}
    sources = {
        name: nets if board.is_plug(name) else [net for net in nets if net not in given]
        for name, nets in sources.items()
    }
    # What takes most, and has most pins, first: of many only some are proposed.
    devices.sort(key=lambda name: (not POWER_WORDS.search(board.told.get(name, "")), -len(board.parts[name])))
    for name in devices:
        if not board.grounds[name]:
            continue
        own = board.nets(name, SUPPLY)
        fed = [(other, net) for other, nets in sources.items() for net in nets if net in own and other != name]
        # A regulator before the connector that feeds the regulator itself.
        fed.sort(key=lambda item: (not board.feeds(item[0]), (len(own) > 1) != board.is_plug(item[0])))
        reason = f"{board.called(name)} and {board.called(fed[0][0])} share the supply {fed[0][1]}" if fed else ""
        if not own:
            fed = [(other, nets[0]) for other, nets in sources.items() if nets and other != name]
            fed.sort(key=lambda item: (not board.is_plug(item[0]), not board.feeds(item[0])))
            reason = f"no pin of {name} is on a net with a supply's name; {fed[0][0]} has {fed[0][1]}" if fed else ""
        amperes = "1" if POWER_WORDS.search(board.told.get(name, "")) else "0.1"
        if fed and (both := board.pair(name, fed[0][0])):
            yield _loop(
                f"supply of {name}", f"{reason}. Current assumed, in every band", "noisy", both, current_A=amperes
            )


def _fed_through(board: _Board, name: str) -> list[str]:
    """Supplies that a part feeds through an inductor or bead: nets with such a name one two-pin part away."""
    nets = {pin.net for pin in board.parts[name] if not GROUND.search(pin.net)}
    beyond = board.nets(name, SUPPLY)
    for part, own in board.parts.items():
        both = [pin.net for pin in own]
        if re.match(r"(?i)^(l|fb)\d", part) and len(both) == 2 and len(nets & set(both)) == 1:
            beyond += [net for net in both if net not in nets and SUPPLY.search(net)]
    return list(dict.fromkeys(reversed(beyond)))


def _fast(board: _Board) -> Iterator[Candidate]:
    """Nets with the names of clocks and buses, from the part with most pins to the others."""
    nets: dict[str, list[str]] = {}
    for name in board.parts:
        if board.is_device(name):
            for net in board.nets(name, FAST):
                nets.setdefault(net, []).append(name)
    for net, own in nets.items():
        driver = max(own, key=lambda part: len(board.parts[part]))
        others = [part for part in board.parts if part != driver and (board.is_device(part) or board.is_plug(part))]
        ways: list[_End] = [(part, net, ()) for part in others if _has(board, part, net)]
        ways += [
            (part, beyond, (series,))
            for series, beyond in board.series(net, driver)
            for part in others
            if _has(board, part, beyond)
        ]
        for load, end, through in ways[:2]:
            signal = (_on(board, driver, net), _on(board, load, end))
            if both := board.pair(load, driver, (signal[1], signal[0])):
                over = f" through {through[0]}" if through else ""
                why = f"{net} sounds fast, and leads from {driver}{over} to {load}. Current assumed"
                yield _loop(
                    f"{net} to {load}", why, "noisy", both,
                    trapezoid="{ frequency_Hz = 10e6, swing_A = 0.02, rise_s = 2e-9 }",
                    route=_route(board, both, signal, through),
                )  # fmt: skip


def _inputs(board: _Board) -> Iterator[Candidate]:
    """Weak signals: from a connector to the device that its net ends in, directly or through one series part."""
    for plug in board.parts:
        if not board.is_plug(plug):
            continue
        devices = [part for part in board.parts if board.is_device(part)]
        weak = {pin.net for part in devices if WEAK_WORDS.search(board.told.get(part, "")) for pin in board.parts[part]}
        named = board.nets(plug, ANALOG)
        others = [net for net in board.nets(plug, ANY) if net in weak and not SUPPLY.search(net)]
        for net in dict.fromkeys([*named, *others]):
            ends: list[_End] = [(part, net, ()) for part in devices if _has(board, part, net)]
            ends += [
                (part, beyond, (series,))
                for series, beyond in board.series(net, plug)
                for part in devices
                if _has(board, part, beyond)
            ]
            for device, end, through in ends[:1]:
                signal = (_on(board, plug, net), _on(board, device, end))
                if both := board.pair(device, plug, (signal[1], signal[0])):
                    over = f" through {through[0]}" if through else ""
                    how = "and sounds analog" if net in named else "which takes weak signals"
                    why = f"{net} leads from {plug}{over} to {board.called(device)} {how}. Sensitivity assumed"
                    yield _loop(
                        f"{plug} {net} to {device}", why, "sensitive", both,
                        signal_V="0.01", tolerates_V="1e-6", band_Hz="[0, 1000]",
                        route=_route(board, both, signal, through),
                    )  # fmt: skip


def _cables(board: _Board) -> Iterator[Candidate]:
    """Connectors whose cables should sit at one potential."""
    plugs = [name for name in board.parts if board.is_plug(name) and board.grounds[name] and board.at_edge(name)]
    for one, other in itertools.combinations(plugs, 2):
        if both := board.pair(one, other):
            why = f"{one} and {other} carry cables off the board; strike out what only joins boards inside a housing"
            yield _loop(f"{one} to {other}", why, "cables", both, limit_V="1e-3")


def _has(board: _Board, part: str, net: str) -> bool:
    return any(pin.net == net for pin in board.parts[part])


def _on(board: _Board, part: str, net: str) -> Pin:
    return next(pin for pin in board.parts[part] if pin.net == net)


def _apart(both: Sequence[Pin], near: Sequence[Pin]) -> float:
    """Distances of two pins from those beside which they should lie, added up."""
    pairs = zip(both, near, strict=True)
    return sum(math.dist(a.contacts[0].at, b.contacts[0].at) if a.contacts and b.contacts else LEAD for a, b in pairs)


def _route(board: _Board, both: tuple[Pin, Pin], signal: tuple[Pin, Pin], through: Sequence[str]) -> str:
    """How the case asks for a way that there is; empty where there is none, or its ends lie too far from the ground."""
    inject, return_ = both
    try:
        find_way(
            board.data, board.connectivity, board.pins, (return_, inject), through=through,
            signals=(signal[0].name, signal[1].name),
        )  # fmt: skip
    except FabricationError:
        return ""
    if max(_apart([return_], [signal[0]]), _apart([inject], [signal[1]])) > LEAD:
        return ""
    named = f", through = [{', '.join(toml_text(part) for part in through)}]" if through else ""
    return f"{{ auto = true, pins = [{toml_text(signal[0].name)}, {toml_text(signal[1].name)}]{named} }}"


def _loop(name: str, why: str, role: str, both: tuple[Pin, Pin], **keys: str) -> Candidate:
    inject, return_ = both
    given = {"role": toml_text(role), "inject": toml_text(inject.name), "return": toml_text(return_.name), **keys}
    keys_ = tuple((key, value) for key, value in given.items() if value)
    return Candidate(name=brief(name).strip(), why=why, keys=keys_)
