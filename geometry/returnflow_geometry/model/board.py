"""What the board is: layers, copper, terminals, links, and the loops and watches a case asks about (SI units)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from html import escape
from typing import Any, Literal, TypeAlias, TypeVar

from shapely import MultiPolygon, Polygon

from returnflow_geometry.model.currents import Supply as Supply
from returnflow_geometry.model.currents import Trapezoid as Trapezoid
from returnflow_geometry.model.lessons import Lesson
from returnflow_geometry.model.outgoing import Outgoing as Outgoing
from returnflow_geometry.model.overlay import GRID as GRID
from returnflow_geometry.model.overlay import difference, union, union_all
from returnflow_geometry.model.radiation import Radiates
from returnflow_geometry.model.wording import count, named

Shape: TypeAlias = Polygon | MultiPolygon
Role = Literal["noisy", "sensitive", "cables"]
ROLES: tuple[Role, ...] = ("noisy", "sensitive", "cables")
_Thing = TypeVar("_Thing", "Layer", "Copper", "Terminal", "Link", "Loop", "Variant", "Sweep")


@dataclass(frozen=True, kw_only=True)
class Layer:
    """
    One copper layer of the stackup. `below` is the dielectric to the next layer, None under the last.

    With a `permittivity` (relative) that dielectric lets displacement current pass between coppers, and loses `loss`
    of it, the tangent of its loss angle; without one it keeps coppers apart at all frequencies. `off_board`: of an
    enclosure, a chassis or another board, whose copper may lie beyond the outline.
    """

    name: str
    thickness: float  # m
    below: float | None = None  # m
    permittivity: float | None = None
    loss: float = 0.0
    off_board: bool = False


@dataclass(frozen=True, kw_only=True)
class Copper:
    """A plane, pour or wide trace on one layer."""

    name: str
    layer: str
    shape: Shape  # m


@dataclass(frozen=True, kw_only=True)
class Cutout:
    """A slot, gap or antipad: copper taken away. `holds` names nets of other copper in it, which keep it open."""

    name: str
    copper: str
    shape: Shape  # m
    holds: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Bridge:
    """Copper laid over what the cutouts have left: a bridge across a gap, a gap that is closed."""

    name: str
    copper: str
    shape: Shape  # m


@dataclass(frozen=True, kw_only=True)
class Terminal:
    """
    A via, pad or bond: one equipotential contact on a copper.

    `shape` may have several parts (the vias of one pin): they are one terminal at one potential.
    `bonded` gives the reason why this bond cannot be lifted, None where it can.
    """

    name: str
    copper: str
    shape: Shape  # m
    bonded: str | None = None

    @property
    def centre(self) -> tuple[float, float]:
        """Centroid of the contact, in metres."""
        point = self.shape.centroid
        return (float(point.x), float(point.y))


@dataclass(frozen=True, kw_only=True)
class Link:
    """
    A via, bond, wire, bead or capacitor between two terminals: resistance, inductance and capacitance in series.

    Without a `capacitance` it conducts at 0 Hz, with one it is open there. All zero is a short.
    """

    name: str
    between: tuple[str, str]
    resistance: float = 0.0  # ohm
    inductance: float = 0.0  # H
    capacitance: float | None = None  # F
    barrel: float | None = None  # m, outer radius of a via or plated hole; None of what else joins


@dataclass(frozen=True, kw_only=True)
class Bank:
    """Capacitors of one kind at many places between two coppers; each is a link of the board, by its name."""

    name: str
    coppers: tuple[str, str]
    links: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Loop:
    """
    A current and its way back: injected into the copper at `inject`, leaving it at `return_`.

    Noisy loops have exactly one of `current` (A rms, at `frequency` in Hz if given), `spectrum` (lines of Hz and A rms)
    or `trapezoid`; sensitive loops have `signal` and `tolerates` (V), cables loops `limit` (V) or `radiates`, both
    perhaps a `band` (Hz, Hz). Without a `route` the loop is closed far away. `rejection` is that of a sensitive loop
    for common mode, which is received differentially: (Hz, dB) points, linear in dB over the logarithm of the
    frequency between them and constant beyond; None for an input that is referred to the copper. A noisy loop's
    current may be in phase with that of another one, line by line: `coherent_with`. One whose current flows between a
    device's supply pin and its ground pin has what that device asks for: `supply`.
    """

    name: str
    role: Role
    inject: str
    return_: str
    current: float | None = None  # A rms
    frequency: float | None = None  # Hz
    signal: float | None = None  # V, full scale
    tolerates: float | None = None  # V
    band: tuple[float, float] | None = None  # Hz
    limit: float | None = None  # V
    radiates: Radiates | None = None
    route: Outgoing | None = None
    spectrum: tuple[tuple[float, float], ...] | None = None  # Hz, A rms
    trapezoid: Trapezoid | None = None
    rejection: tuple[tuple[float, float], ...] | None = None  # Hz, dB
    coherent_with: str | None = None
    supply: Supply | None = None


@dataclass(frozen=True, kw_only=True)
class Region:
    """A drawn area whose traffic is reported."""

    name: str
    copper: str
    shape: Shape  # m


@dataclass(frozen=True, kw_only=True)
class Section:
    """A cut across copper; net current is positive from the left to the right of the path."""

    name: str
    copper: str
    path: tuple[tuple[float, float], ...]  # m


@dataclass(frozen=True, kw_only=True)
class Board:
    """Stackup (top to bottom), copper and what is cut from it, and the terminals on it."""

    outline: Shape  # m
    temperature: float  # degree Celsius
    layers: tuple[Layer, ...]
    coppers: tuple[Copper, ...]
    cutouts: tuple[Cutout, ...] = ()
    terminals: tuple[Terminal, ...] = ()
    bridges: tuple[Bridge, ...] = ()
    links: tuple[Link, ...] = ()
    banks: tuple[Bank, ...] = ()

    def layer(self, name: str) -> Layer:
        """Layer of that name; KeyError if there is none."""
        return _named(self.layers, name)

    def height(self, layer: str, copper: str) -> float:
        """
        Distance of a layer from a copper's layer in metres, between facing surfaces; negative below the copper.

        At frequencies where the height matters the currents flow on the surfaces that face each other.
        """
        names = [item.name for item in self.layers]
        here, there = names.index(layer), names.index(self.copper(copper).layer)
        top, bottom = min(here, there), max(here, there)
        dielectric = sum(item.below or 0.0 for item in self.layers[top:bottom])
        between = sum(item.thickness for item in self.layers[top + 1 : bottom])
        return (dielectric + between) * (1 if here <= there else -1)

    def copper(self, name: str) -> Copper:
        """Copper of that name; KeyError if there is none."""
        return _named(self.coppers, name)

    def terminal(self, name: str) -> Terminal:
        """Terminal of that name; KeyError if there is none."""
        return _named(self.terminals, name)

    def remaining(self, copper: str) -> Shape:
        """Copper that is left after all its cutouts, with its bridges, in metres; may have several parts."""
        holes = tuple(cutout.shape for cutout in self.cutouts if cutout.copper == copper)
        laid = tuple(bridge.shape for bridge in self.bridges if bridge.copper == copper)
        return _remaining(self.copper(copper).shape, holes, laid)


@dataclass(frozen=True, kw_only=True)
class Case:
    """
    One review: a board, its loops, what to watch, and how accurate the answer must be.

    `assumptions` say what was taken where the file leaves something open; `warnings` which values it hardly means.
    """

    title: str
    board: Board
    loops: tuple[Loop, ...]
    regions: tuple[Region, ...] = ()
    sections: tuple[Section, ...] = ()
    accuracy: float = 0.01
    frequencies: tuple[float, ...] = (0.0,)  # Hz, asked for pictures and tables
    via_inductance: bool = False  # vias and pins have a length
    steady_only: bool = False  # asked for 0 Hz alone: whatever alternates is judged by resistance
    assumptions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    variants: tuple[Variant, ...] = ()
    sweeps: tuple[Sweep, ...] = ()
    lessons: tuple[Lesson, ...] = ()
    editor: Callable[[Mapping[str, Any]], Case] | None = field(default=None, compare=False)  # knows the case's tables

    def __repr__(self) -> str:
        """One line."""
        kinds = {"copper": self.board.coppers, "loop": self.loops, "variant": self.variants, "sweep": self.sweeps}
        counts = ", ".join(f"{count(len(of), kind)}" for kind, of in kinds.items())
        return f"<Case {named(self.title)}: {counts}>"

    def _repr_html_(self) -> str:
        """For a notebook: its loops."""
        head = "<tr><th>loop</th><th>role</th><th>injected at</th><th>returns at</th></tr>"
        loops = [(loop.name, loop.role, loop.inject, loop.return_) for loop in self.loops]
        rows = ["".join(f"<td>{escape(text)}</td>" for text in row) for row in loops]
        body = "".join(f"<tr>{row}</tr>" for row in rows)
        return f"<table><caption>{escape(repr(self)[1:-1])}</caption>{head}{body}</table>"

    def changed(
        self,
        *,
        set: Mapping[str, object] | None = None,  # noqa: A002  as in the case file
        move: Mapping[str, Sequence[float]] | None = None,
        drop: Sequence[str] = (),
        add: Mapping[str, Sequence[Mapping[str, object]]] | None = None,
    ) -> Case:
        """
        Another case with something changed, as a variant of the case file says it; this one stays as it is.

        It has no variants and no sweeps, and lists what was changed among its assumptions. Values may be those that it
        has already, as in a loop over values; a variant that changes nothing is a mistake in a case file alone.

        Parameters
        ----------
        set : mapping of address to value, optional
            In the units of the case file, such as ``{"gap.shape.width": 0.5}``.
        move : mapping of name to (x, y), optional
            Millimetres; routes follow their terminals.
        drop : sequence of str
            Names of things to leave out, with what lies on them.
        add : mapping of kind to tables, optional

        Raises
        ------
        CaseError
            With all mistakes, as of a variant.
        ValueError
            For a case that was put together without a case file.

        Examples
        --------
        >>> from returnflow_geometry.casefile.read import read_case
        >>> case = read_case("examples/strip_with_slot.toml")
        >>> wider = case.changed(set={"slot.shape.width": 2}, move={"sense A": [35, 3]})
        >>> [round(1e3 * x, 6) for x in wider.board.terminal("sense A").centre]
        [35.0, 3.0]
        >>> wider.assumptions[-1]
        'Changed: "slot" shape.width is 2 instead of 0.1.'
        >>> hole = {"name": "hole", "copper": "strip", "shape": {"circle": [20, 5], "diameter": 2}}
        >>> holed = case.changed(drop=["slot"], add={"cutout": [hole]})
        >>> [cutout.name for cutout in holed.board.cutouts]
        ['hole']
        >>> case.changed(drop=["slt"])
        Traceback (most recent call last):
        ...
        returnflow_geometry.casefile.read.CaseError: drop "slt" is not the name of anything; ...
        """
        if self.editor is None:
            message = "This case was not read from a case file, so there are no tables to change: make another Case."
            raise ValueError(message)
        changes = {"drop": drop, "add": add, "move": move, "set": set}
        return self.editor({key: value for key, value in changes.items() if value})

    @property
    def remarks(self) -> tuple[str, ...]:
        """Warnings, then assumptions."""
        return (*self.warnings, *self.assumptions)

    def loop(self, name: str) -> Loop:
        """Loop of that name; KeyError if there is none."""
        return _named(self.loops, name)


@dataclass(frozen=True, kw_only=True)
class Variant:
    """
    The same case with something changed.

    `case` is complete (and has no variants and no sweeps of its own); `changes` says in plain sentences what differs.
    """

    name: str
    case: Case
    changes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Axis:
    """
    One quantity of a sweep, in the units of the case file.

    `label` names the quantity and its unit for an axis of a picture, `values` rise or fall.
    """

    label: str
    unit: str
    values: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of a sweep: the number along every axis, and the complete case; None where it cannot be built."""

    at: tuple[int, ...]
    case: Case | None


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """The same case with one or two quantities changed step by step."""

    name: str
    axes: tuple[Axis, ...]
    steps: tuple[Step, ...]


@lru_cache(maxsize=64)
def _remaining(copper: Shape, holes: tuple[Shape, ...], laid: tuple[Shape, ...]) -> Shape:
    """Copper less its holes, with what is laid over them; steps of a sweep mostly share it."""
    if holes:
        # On a grid, so that rounding leaves no hair of copper where a cutout ends exactly on an edge.
        copper = difference(copper, union(holes), grid_size=GRID)
    return union_all([copper, *laid], grid_size=GRID) if laid else copper


def _named(things: tuple[_Thing, ...], name: str) -> _Thing:
    for thing in things:
        if thing.name == name:
            return thing
    raise KeyError(name)
