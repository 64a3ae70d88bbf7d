"""What the resistive solve answers: the fields of every loop, and every resistance between two bounds; how well."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from returnflow.resistive.conductors import StackMesher
from returnflow.resistive.linear import Backend
from returnflow.resistive.links import Links
from returnflow.resistive.products import curl
from returnflow.resistive.spaces import Space, Topology
from returnflow.resistive.streams import Streams
from returnflow_geometry.mesh.mesher import Mesh

Floats = NDArray[np.float64]

ROUNDING = 1e-12  # of sqrt(R_ii R_jj): what is smaller is no result
# Entries below this fraction of sqrt(R_ii R_jj) are held to an absolute accuracy: a coupling that vanishes by symmetry
# has no relative one.
SMALL = 0.01


@dataclass(frozen=True, kw_only=True)
class Options:
    """
    How well to solve.

    Attributes
    ----------
    accuracy : float
        Half-width of every bracket, relative to its mid value (or to 1 % of sqrt(R_ii R_jj) where that is larger).
    order : int
        Polynomial order of both spaces, 1 or 2.
    most_triangles : int
        Give up rather than exceed this.
    passes : int
        Give up after so many meshes.
    backend : "scipy", "pardiso" or None
    """

    accuracy: float = 0.01
    order: int = 2
    most_triangles: int = 600_000
    passes: int = 12
    backend: Backend | None = None


@dataclass(frozen=True)
class Conduction:
    """
    Solution of one plane for all its loops, per ampere of each loop.

    Attributes
    ----------
    mesh : Mesh
    space : Space
    topology : Topology
    loops : tuple of (int, int)
        Contact of injection and contact of return.
    sheet : float
        Sheet resistance, ohm per square; with several coppers that of the reference.
    weight : array, shape (m,)
        Sheet resistance of every triangle, relative to it.
    links : Links
        Those that conduct at 0 Hz, and capacitors where there is no other way: they are taken as closed.
    potential : array, shape (space.size, loops)
        Volts per ampere; one contact of each conductor is at zero.
    contact_potential : array, shape (contacts, loops)
        Volts per ampere.
    stream : Streams, shape (loops, m, 3 or 6)
        Stream function on the local unknowns of each triangle, ampere per ampere, path field included. It is
        single-valued up to whole amperes.
    lower, upper : array, shape (loops, loops)
        Bounds of the resistance matrix in ohm, as quadratic forms.
    gap : array, shape (loops, m)
        Contribution of each triangle to upper - lower of each loop's own resistance, ohm.
    spread : array, shape (blocks, loops)
        Upper - lower of each loop's own resistance, by blocks of copper that single links join, ohm.
    link_current : array, shape (loops, links)
        From the first to the second contact of every link, ampere per ampere.
    squares : array, shape (loops, loops)
        Middle of the bracket in squares: `mid` over `sheet`.
    meet : array of bool, shape (loops, loops)
        Whether the currents of two loops share any copper or link at all: where they do not, nothing couples.
    rim : array, shape (loops, contacts) or (loops, 0)
        What contacts drawn as squares add to upper - lower of each loop's own resistance beside `gap`, ohm.
    passes : tuple of (triangles, worst error over allowed error)
    simplified : (int, int)
        Small holes that are filled for `lower` and larger than they are for `upper`, and how many could be.
    seconds : dict
        Wall time of each part.
    """

    mesh: Mesh
    space: Space
    topology: Topology
    loops: tuple[tuple[int, int], ...]
    sheet: float
    weight: Floats
    links: Links
    potential: Floats
    contact_potential: Floats
    stream: Streams
    lower: Floats
    upper: Floats
    gap: Floats
    spread: Floats
    link_current: Floats
    squares: Floats
    meet: NDArray[np.bool_]
    rim: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    passes: tuple[tuple[int, float], ...] = ()
    simplified: tuple[int, int] = (0, 0)
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def mid(self) -> Floats:
        """Middle of the bracket in ohm, shape (loops, loops): the best value; exactly zero where loops never meet."""
        middle: Floats = np.where(self.meet, 0.5 * (self.lower + self.upper), 0.0)
        return middle

    @property
    def half_width(self) -> Floats:
        """
        Guaranteed error of every entry of `mid` in ohm, shape (loops, loops).

        From the bounds as quadratic forms: 0.5 sqrt(D_ii D_jj), D = upper - lower. Where single links join blocks of
        copper they carry no error, each block's fields are bounded by themselves, and the sum over the blocks counts:
        loops that share no copper have no error in common. Never less than rounding leaves.
        """
        width = np.sqrt(np.maximum(self.spread, 0.0))
        own = np.sqrt(np.maximum(np.diag(self.lower), 0.0))
        half: Floats = np.where(self.meet, np.maximum(0.5 * width.T @ width, ROUNDING * np.outer(own, own)), 0.0)
        return half

    def accuracy_reached(self) -> Floats:
        """Half-width relative to what accuracy refers to, shape (loops, loops)."""
        return self.half_width / reference(self.mid)

    def current(self, loop: int, side: str = "mean") -> Floats:
        """
        Sheet current at the corners of every triangle in A/m per ampere, shape (m, 3, 2).

        Parameters
        ----------
        loop : int
        side : "potential", "stream" or "mean"
            The mean is nearest to the truth: the exact field lies on a sphere around it.
        """
        if side == "potential":
            sheet = self.sheet * self.weight[:, None, None]
            current: Floats = -self.space.gradient(self.potential[self.space.local, loop]) / sheet
            return current
        if side == "stream":
            return curl(self.space.gradient(self.stream[loop]))
        return 0.5 * (self.current(loop, "potential") + self.current(loop, "stream"))

    def on(self, copper: int) -> Conduction:
        """The part on one copper, by its number: its mesh and fields; impedances and links remain those of all."""
        if self.mesh.copper_of is None:
            return self
        part, rows = StackMesher.part(self.mesh, copper)
        space = Space(part, self.space.order)
        # Connected is what was connected in the whole, by way of other coppers too.
        topology = Topology(part, self.topology.contacts, self.links.ends, self.topology.conductor)
        potential = np.zeros((space.size, len(self.loops)))
        potential[space.local] = self.potential[self.space.local[rows]]
        return replace(
            self,
            mesh=part,
            space=space,
            topology=topology,
            weight=self.weight[rows],
            potential=potential,
            stream=self.stream.part(rows, space.local, space.size),
            gap=self.gap[:, rows],
        )


def reference(mid: Floats) -> Floats:
    """What the accuracy of each entry is relative to, in ohm: the entry, or 1 % of sqrt(R_ii R_jj) if larger."""
    own = np.sqrt(np.diag(mid))
    return np.maximum(np.abs(mid), SMALL * np.outer(own, own))
