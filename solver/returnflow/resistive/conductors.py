"""The coppers of a case that its loops can reach, with what joins them: what is meshed and solved together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString

from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.links import NONE, Links
from returnflow_geometry.mesh.mesher import Mesh, Mesher, MeshError, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.mesh.union import part_of, united
from returnflow_geometry.model.board import Case, Copper
from returnflow_geometry.model.overlay import shapes_of
from returnflow_geometry.model.wording import label, named

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH = 10e-3  # m; copper that no loop reaches and that lies farther from all their coppers and routes is left out


@dataclass(frozen=True)
class Conductors:
    """
    Coppers to be solved together.

    Attributes
    ----------
    names : tuple of str
    planes : tuple of Plane
    sheets : array, shape (k,)
        Sheet resistance of every copper, ohm per square.
    thickness : array, shape (k,)
        Metres.
    contacts, regions, sections : tuples of arrays of int
        Per copper, the numbers of its contacts, regions and sections in the whole.
    terminals : tuple of str
        Name of every contact.
    counts : (int, int)
        Regions and sections in the whole.
    distance : array, shape (k, k)
        Between facing surfaces of the coppers, metres; 0 on one layer.
    links : Links
    left_out : tuple of str
        Coppers that no loop reaches and that are not here.
    idle : int
        So many coppers, the last ones, carry no current of a loop: only what its magnetic field induces in them.
    """

    names: tuple[str, ...]
    planes: tuple[Plane, ...]
    sheets: Floats
    thickness: Floats
    contacts: tuple[Ints, ...]
    regions: tuple[Ints, ...]
    sections: tuple[Ints, ...]
    terminals: tuple[str, ...]
    counts: tuple[int, int]
    distance: Floats
    links: Links = NONE
    left_out: tuple[str, ...] = ()
    idle: int = 0

    @classmethod
    def single(cls, plane: Plane, sheet: float, thickness: float = 35e-6) -> Conductors:
        """One copper by itself, all its contacts, regions and sections in their order."""
        every = [np.arange(len(things)) for things in (plane.contacts, plane.regions, plane.sections)]
        names = tuple(f"contact {n + 1}" for n in range(len(plane.contacts)))
        counts = (len(plane.regions), len(plane.sections))
        parts = ((every[0],), (every[1],), (every[2],))
        return cls(
            ("copper",), (plane,), np.array([sheet]), np.array([thickness]), *parts, names, counts, np.zeros((1, 1))
        )

    @classmethod
    def of(cls, case: Case) -> Conductors:
        """Coppers of a case that a current of its loops can reach through terminals and links."""
        reached = _reached(case)
        return cls._of(case, [copper for copper in case.board.coppers if copper.name in reached])

    @classmethod
    def magnetic(cls, case: Case) -> Conductors:
        """
        The same, and behind them the coppers that no loop reaches but that lie within `REACH` of copper or routes.

        Those carry what induction drives in them, round their holes and through the links among themselves. Every
        copper is whole here, with the pieces that no contact touches. Coppers, contacts and links of `of` keep their
        numbers.
        """
        reached = _reached(case)
        live, others = ([c for c in case.board.coppers if (c.name in reached) == here] for here in (True, False))
        idle = [copper for copper in others if _away(case, copper, live) <= REACH]
        every = cls._of(case, [*live, *idle], whole=True)
        return replace(every, idle=len(idle))

    @classmethod
    def _of(cls, case: Case, coppers: Sequence[Copper], *, whole: bool = False) -> Conductors:
        board = case.board
        names = [copper.name for copper in coppers]
        here = [terminal for terminal in board.terminals if terminal.copper in names]
        reached = _reached(case)
        terminals = sorted(here, key=lambda terminal: terminal.copper not in reached)
        number = {terminal.name: n for n, terminal in enumerate(terminals)}
        live = {terminal.name for terminal in terminals if terminal.copper in reached}
        links = [Links.of([x for x in board.links if set(x.between) <= live], number),
                 Links.of([x for x in board.links if not set(x.between) & live], number)]  # fmt: skip

        def mine(things: Sequence[object], copper: str) -> Ints:
            found = [n for n, thing in enumerate(things) if getattr(thing, "copper", None) == copper]
            return np.array(found, dtype=np.int64)

        thickness = np.array([board.layer(copper.layer).thickness for copper in coppers])
        distance = [[abs(board.height(a.layer, b.name)) for b in coppers] for a in coppers]
        return cls(
            tuple(names),
            tuple(replace(Plane.of(case, name), whole=whole) for name in names),
            np.array([sheet_resistance(t, board.temperature) for t in thickness]),
            thickness,
            tuple(mine(terminals, name) for name in names),
            tuple(mine(case.regions, name) for name in names),
            tuple(mine(case.sections, name) for name in names),
            tuple(terminal.name for terminal in terminals),
            (len(case.regions), len(case.sections)),
            np.array(distance),
            links[0].joined(links[1]),
            tuple(copper.name for copper in board.coppers if copper.name not in names),
        )

    @property
    def reference(self) -> float:
        """Sheet resistance that everything is relative to, ohm per square: of the first copper."""
        return float(self.sheets[0])

    @cached_property
    def ohmic(self) -> Floats:
        """Resistances of the links in squares of the reference, shape (links,)."""
        return self.links.resistance / self.reference

    @cached_property
    def number(self) -> dict[str, int]:
        """Contact number of every terminal."""
        return {name: n for n, name in enumerate(self.terminals)}

    @cached_property
    def copper_of_contact(self) -> Ints:
        """Number of the copper of every contact, shape (contacts,)."""
        result = np.empty(len(self.terminals), dtype=np.int64)
        for copper, mine in enumerate(self.contacts):
            result[mine] = copper
        return result

    @cached_property
    def foils(self) -> tuple[Floats, Ints]:
        """The different thicknesses in metres, that of the first copper first; and which one every copper has."""
        thickness, first, foil = np.unique(self.thickness, return_index=True, return_inverse=True)
        order = np.argsort(first)
        return thickness[order], np.argsort(order)[foil]

    @cached_property
    def levels(self) -> tuple[Ints, Floats]:
        """On which of the different layers every copper lies, that of the first copper being 0; and their distances."""
        rows = [int(np.flatnonzero(row == 0)[0]) for row in self.distance]
        first = np.array(sorted(set(rows)), dtype=np.int64)
        return np.searchsorted(first, rows), self.distance[np.ix_(first, first)]

    def ends(self, case: Case) -> list[tuple[int, int]]:
        """Contact of injection and of return of every loop of a case."""
        return [(self.number[loop.inject], self.number[loop.return_]) for loop in case.loops]

    def contact_inside(self) -> NDArray[np.bool_]:
        """Which contacts belong to which region, by their centres, shape (regions, contacts)."""
        inside = np.zeros((self.counts[0], len(self.terminals)), dtype=bool)
        for plane, regions, contacts in zip(self.planes, self.regions, self.contacts, strict=True):
            if len(regions):
                inside[np.ix_(regions, contacts)] = plane.contact_inside()
        return inside

    def weight(self, mesh: Mesh) -> Floats:
        """Sheet resistance of every triangle of a mesh of these, relative to the reference, shape (m,)."""
        return (self.sheets / self.reference)[copper_numbers(mesh)]


def copper_numbers(mesh: Mesh) -> Ints:
    """Number of the copper of every triangle, shape (m,)."""
    return np.zeros(len(mesh.triangles), dtype=np.int64) if mesh.copper_of is None else mesh.copper_of


def _reached(case: Case) -> set[str]:
    """Names of the coppers that a loop ends on, or that links join to those."""
    board = case.board
    names = [copper.name for copper in board.coppers]
    copper = {terminal.name: names.index(terminal.copper) for terminal in board.terminals}
    joined = np.array([[copper[end] for end in link.between] for link in board.links], dtype=np.int64).reshape(-1, 2)
    graph = coo_array((np.ones(len(joined)), joined.T), shape=(len(names),) * 2)
    _, group = connected_components(graph, directed=False)
    live = {group[copper[end]] for loop in case.loops for end in (loop.inject, loop.return_)}
    return {name for name, number in zip(names, group, strict=True) if number in live}


def _away(case: Case, copper: Copper, live: Sequence[Copper]) -> float:
    """Distance of a copper from the nearest one, or the nearest route, that carries a current, in metres."""
    board = case.board
    shape = board.remaining(copper.name)
    carrying = [(board.remaining(other.name), other.layer) for other in live]
    carrying += [(LineString(loop.route.path), loop.route.layer) for loop in case.loops if loop.route is not None]
    away = [np.hypot(shape.distance(other), board.height(layer, copper.name)) for other, layer in carrying]
    return float(min(away))


@dataclass
class StackMesher:
    """Meshes coppers that are solved together, each by a size field of its own."""

    conductors: Conductors
    meshers: list[Mesher] = field(init=False)

    def __post_init__(self) -> None:
        self.meshers = []
        for name, plane in zip(self.conductors.names, self.conductors.planes, strict=True):
            with shapes_of(label("copper", name)):
                self.meshers.append(Mesher(plane))

    def graded(self, size: Callable[[int, Mesher], SizeField], levels: Sequence[Ints] | None = None) -> Mesh:
        """
        One mesh of all; `size` makes the size field of a copper from its number and its mesher.

        `levels` say how the spare holes of every copper are shown.
        """
        parts = []
        for number, mesher in enumerate(self.meshers):
            try:
                parts.append(mesher.graded(size(number, mesher), levels[number] if levels else None))
            except MeshError as error:
                message = f"Copper {named(self.conductors.names[number])}: {error}"
                raise MeshError(message) from error
        it = self.conductors
        if len(parts) == 1:
            return replace(parts[0], contact_of=it.contacts[0][parts[0].contact_of])
        return united(parts, it.contacts, it.regions, it.sections, it.counts)

    @staticmethod
    def part(mesh: Mesh, number: int) -> tuple[Mesh, Ints]:
        """Mesh of one copper of the whole, and the numbers of its triangles in it."""
        return part_of(mesh, number), np.flatnonzero(copper_numbers(mesh) == number)
