"""One copper with what is left of it, and where its terminals touch it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import shapely
from shapely import Polygon, STRtree

from returnflow_geometry.checks.connection import Connection, as_array
from returnflow_geometry.model.board import Board, Copper, Cutout, Shape, Terminal
from returnflow_geometry.model.overlay import difference, intersection, union, union_all

LEAST_CONTACT = 0.05  # of a terminal's area: less than this is a drawing mistake, not a contact
LEAST_AREA = 1e-12  # m2: a square micrometre


class Sheet:
    """
    One copper with what is left of it, and everything that belongs to it.

    Parameters
    ----------
    board : Board
    copper : Copper
    """

    def __init__(self, board: Board, copper: Copper) -> None:
        self._board = board
        self.copper = copper
        self.drawn: Shape = copper.shape
        self.cutouts = [cutout for cutout in board.cutouts if cutout.copper == copper.name]
        self.bridges = [bridge for bridge in board.bridges if bridge.copper == copper.name]
        self.terminals = [terminal for terminal in board.terminals if terminal.copper == copper.name]
        self.left: Shape = board.remaining(copper.name)
        shapely.prepare(self.drawn)
        shapely.prepare(self.left)

    @cached_property
    def before_bridges(self) -> Shape:
        """What the cutouts have left, before anything is laid over it."""
        return dataclasses.replace(self._board, bridges=()).remaining(self.copper.name)

    @cached_property
    def cutout_tree(self) -> STRtree:
        """Finds cutouts by place."""
        return STRtree([cutout.shape for cutout in self.cutouts])

    @cached_property
    def contacts(self) -> list[SheetContact]:
        """Where each terminal touches copper."""
        shapes = as_array([terminal.shape for terminal in self.terminals])
        whole = shapely.covers(self.left, shapes)
        return [
            SheetContact(terminal, terminal.shape if inside else self._touched(terminal.shape))
            for terminal, inside in zip(self.terminals, whole, strict=True)
        ]

    @cached_property
    def good_contacts(self) -> list[SheetContact]:
        """Contacts that are more than a sliver of their terminal."""
        return [contact for contact in self.contacts if contact.share >= LEAST_CONTACT]

    @cached_property
    def connection(self) -> Connection:
        """Which pieces of the copper are joined by its own terminals."""
        return Connection(parts(self.left), [contact.shape for contact in self.good_contacts])

    @cached_property
    def uncut(self) -> Connection:
        """The same before the cutouts."""
        whole = union_all([self.drawn, *(bridge.shape for bridge in self.bridges)])
        return Connection(parts(whole), [contact.shape for contact in self.good_contacts])

    def cutouts_at(self, shape: Shape) -> list[Cutout]:
        """Cutouts that overlap a shape."""
        near = [self.cutouts[k] for k in sorted(self.cutout_tree.query(shape, predicate="intersects"))]
        return [cutout for cutout in near if intersection(cutout.shape, shape).area > LEAST_AREA]

    def _touched(self, shape: Shape) -> Shape:
        # From the few cutouts here, as cutting a plane with thousands of holes costs milliseconds each time.
        touched = intersection(self.drawn, shape)
        holes = [self.cutouts[k].shape for k in self.cutout_tree.query(shape, predicate="intersects")]
        if holes:
            touched = difference(touched, union(holes))
        laid = [intersection(bridge.shape, shape) for bridge in self.bridges]
        return union_all([touched, *laid]) if laid else touched


@dataclass(frozen=True)
class SheetContact:
    """A terminal and the part of it that touches copper."""

    terminal: Terminal
    shape: Shape

    @property
    def share(self) -> float:
        """Part of the terminal's area that touches copper, 0 to 1."""
        return float(shapely.area(self.shape) / shapely.area(self.terminal.shape))


def parts(shape: Shape) -> list[Polygon]:
    """Separate pieces of a shape, without slivers below a square micrometre. A common point joins nothing."""
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > LEAST_AREA]
