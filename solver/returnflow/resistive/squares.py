"""
Small round contacts that no loop ends on, meshed as squares round them: bounds hold, and triangles are few.

On the potential side the square is of one potential: a larger contact never has a higher resistance. On the stream side
the contact keeps its size: what crosses the square's border goes on along rays to the middle and is taken up at the
contact's own border. That is one way it may flow, so what it dissipates,

    Rs * integral of (dI/dtheta)^2 ln(distance of the border / radius) dtheta,

makes an upper bound, whatever the current does round the square. The two differ by little: for a current I into the
contact by 0.0175 Rs I^2.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from returnflow.resistive.spaces import Space
from returnflow.resistive.streams import Streams
from returnflow_geometry.mesh.mesher import Mesh, Plane
from returnflow_geometry.mesh.triangulation import GRID

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEW = 60  # contacts that are drawn anyway: nothing is gained
ROUND = 0.05  # corners of a round contact are as far from its middle, but for this part
CORNERS = 8  # at least, of a round contact
CLEAR = 0.2  # of its width, between a square and everything else
_AT, _SHARE = np.polynomial.legendre.leggauss(8)
_AT, _SHARE = 0.5 * (_AT + 1), 0.5 * _SHARE


def squares(plane: Plane, drawn: Collection[int]) -> dict[int, shapely.Polygon]:
    """
    Contacts of a plane that may be squares, and the square of each.

    Parameters
    ----------
    plane : Plane
    drawn : collection of int
        Numbers of contacts that keep their shape, such as those that loops end on.
    """
    usual = [n for n, contact in enumerate(plane.contacts) if n not in drawn and _is_round(contact)]
    if len(usual) < FEW:
        return {}
    x0, y0, x1, y1 = shapely.bounds(np.array([plane.contacts[n] for n in usual], dtype=object)).T
    middle = np.column_stack([x0 + x1, y0 + y1]) / 2
    # Sides that touch the circle through the contact's corners.
    half = np.maximum(x1 - x0, y1 - y0) / 2 + 4 * GRID
    boxes, wide = (
        shapely.box(*(middle - reach[:, None]).T, *(middle + reach[:, None]).T)
        for reach in (half, half * (1 + 2 * CLEAR))
    )
    others = [contact for n, contact in enumerate(plane.contacts) if n not in set(usual)]
    lines = [shapely.boundary(shape) for shape in (plane.copper, *others, *plane.regions)]
    lines = [part for line in (*lines, *plane.sections) for part in shapely.get_parts(line)]
    free = shapely.contains_properly(plane.copper, boxes)
    free[shapely.STRtree(lines).query(wide, predicate="intersects")[0]] = False
    one, two = shapely.STRtree(boxes).query(wide, predicate="intersects")
    free[one[one != two]] = False
    found = {usual[k]: boxes[k] for k in np.flatnonzero(free)}
    return found if len(found) >= FEW else {}


def _is_round(contact: shapely.Geometry) -> bool:
    if contact.geom_type != "Polygon" or contact.interiors or len(contact.exterior.coords) <= CORNERS:
        return False
    away = np.hypot(*(np.array(contact.exterior.coords) - contact.centroid.coords[0]).T)
    return bool(np.ptp(away) <= ROUND * away.max())


def with_squares(plane: Plane, found: dict[int, shapely.Polygon]) -> Plane:
    """The plane with these contacts as squares."""
    return replace(plane, contacts=[found.get(n, contact) for n, contact in enumerate(plane.contacts)])


@dataclass(frozen=True)
class Rims:
    """
    What contacts drawn as squares dissipate between the square and their own border, on the stream side.

    Attributes
    ----------
    pairs : array, shape (e, 2)
        Triangle and edge of every mesh edge on a square.
    contact : array, shape (e,)
        Number of its contact.
    matrix : array, shape (e, 3, 3)
        Dissipation of stream values at the start, the middle and the end of the edge, in squares of the reference.
    """

    pairs: Ints
    contact: Ints
    matrix: Floats

    @classmethod
    def of(cls, mesh: Mesh, middles: Floats, radii: Floats, weight: Floats) -> Rims | None:
        """
        Rims on a mesh; None if there is no square.

        Parameters
        ----------
        mesh : Mesh
        middles, radii : arrays, shape (contacts, 2) and (contacts,), metres
            Of every contact; the radius is 0 for those that have their shape.
        weight : array, shape (m,)
            Sheet resistance of every triangle, relative to the reference.
        """
        mine = np.flatnonzero(radii[mesh.contact_of] > 0)
        if not len(mine):
            return None
        pairs, contact = mesh.contact_edges[mine], mesh.contact_of[mine]
        ends = mesh.points[mesh.edge_ends[pairs[:, 0], pairs[:, 1]]] - middles[contact][:, None]
        along = ends[:, 1] - ends[:, 0]
        # An angle is twice an area over two radii.
        area = np.abs(ends[:, 0, 0] * ends[:, 1, 1] - ends[:, 0, 1] * ends[:, 1, 0])
        at = ends[:, :1] + _AT[:, None] * along[:, None]
        square = np.sum(at**2, axis=2)
        cost = square / area[:, None] * 0.5 * np.log(square / radii[contact][:, None] ** 2) * _SHARE
        slope = np.column_stack([4 * _AT - 3, 4 - 8 * _AT, 4 * _AT - 1])
        matrix = np.einsum("eg,gi,gj->eij", cost, slope, slope) * weight[pairs[:, 0], None, None]
        return cls(pairs, contact, matrix)

    def _columns(self, order: int) -> tuple[Ints, Floats]:
        """Local unknowns of the edges, shape (e, 2 or 3), and the matrices for them."""
        tri_edge = self.pairs[:, 1]
        if order == 2:
            return np.column_stack([tri_edge, 3 + tri_edge, (tri_edge + 1) % 3]), self.matrix
        # The value in the middle is the mean of those at the ends.
        spread = np.array([[1, 0], [0.5, 0.5], [0, 1]])
        return np.column_stack([tri_edge, (tri_edge + 1) % 3]), spread.T @ self.matrix @ spread

    def local(self, space: Space) -> csr_array:
        """The whole form on the local unknowns of all triangles, shape (triangles times local unknowns, the same)."""
        columns, matrix = self._columns(space.order)
        width = space.local.shape[1]
        where = width * self.pairs[:, :1] + columns
        rows = np.broadcast_to(where[:, :, None], matrix.shape).ravel()
        cols = np.broadcast_to(where[:, None, :], matrix.shape).ravel()
        return csr_array(coo_array((matrix.ravel(), (rows, cols)), shape=(width * len(space.local),) * 2))

    def energy(self, space: Space, stream: Streams, mixture: Floats, contacts: int) -> tuple[Floats, Floats]:
        """
        Dissipation of every loop and then of a mixture of all, shape (loops + 1,), and of every loop by contact.

        Parameters
        ----------
        space : Space
        stream : Streams
        mixture : array, shape (loops,)
        contacts : int
        """
        columns, matrix = self._columns(space.order)
        values = stream[:, self.pairs[:, :1], columns]
        each = np.einsum("lei,eij,lej->le", values, matrix, values)
        mixed = np.einsum("l,lei->ei", mixture, values)
        by_contact = np.array([np.bincount(self.contact, row, contacts) for row in each]).reshape(len(stream), contacts)
        return np.append(each.sum(axis=1), np.einsum("ei,eij,ej->", mixed, matrix, mixed)), by_contact


def scatter(space: Space) -> csr_array:
    """From local unknowns of all triangles to the space's, shape (size, triangles times local unknowns)."""
    flat = space.local.ravel()
    number = np.arange(len(flat))
    return csr_array((np.ones(len(flat)), (flat, number)), shape=(space.size, len(flat)))


def middles_and_radii(
    planes: Sequence[Plane], numbers: Sequence[Ints], boxed: Sequence[Collection[int]], contacts: int
) -> tuple[Floats, Floats]:
    """
    Middle of every contact, shape (contacts, 2), and radius of the circle in those that are squares, else 0; metres.

    Parameters
    ----------
    planes : sequence of Plane
        With their contacts as they are.
    numbers : sequence of arrays of int
        Per plane, the numbers of its contacts in the whole.
    boxed : sequence of collections of int
        Per plane, its contacts that are squares.
    contacts : int
        In the whole.
    """
    middles, radii = np.zeros((contacts, 2)), np.zeros(contacts)
    for plane, mine, own in zip(planes, numbers, boxed, strict=True):
        for n in own:
            x0, y0, x1, y1 = plane.contacts[n].bounds
            middle = np.array([x0 + x1, y0 + y1]) / 2
            middles[mine[n]] = middle
            radii[mine[n]] = shapely.distance(shapely.Point(middle), plane.contacts[n].exterior)
    return middles, radii
