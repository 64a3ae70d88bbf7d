r"""
The live solve of one sheet, as the page's script does it: point sources, second-order elements for the rest.

A current that enters at a point s has the potential :math:`\varphi_0 = -\log r / 2\pi` and the stream function
:math:`\theta / 2\pi` (in squares, per ampere). What the border adds is smooth: w for the potential, u for the stream
function, both on second-order elements with one kept factor each. On the border their right-hand sides are moments
of 1/r along straight edges, in closed form. With :math:`m_i` and :math:`t_i` the moments of the normal and tangential
derivative of :math:`\varphi_0`, z the values that w must have on contacts that stay, and v = w - z, the two sides give

.. math::
    G^\varphi_{ij} &= \varphi_{0,ij} - B_{ij} - m_j z_i - m_i z_j - a(z_i, z_j) + a(v_i, v_j) \\
    G^\psi_{ij} &= \varphi_{0,ij} + B_{ij} + t_i u_j + t_j u_i + a(u_i, u_j)

from Green's identity, a lower and an upper bound but for what is interpolated on the border; B is an integral of
log r / r that no closed form has, and the mean of the two does without it. A current that no port takes leaves by
one edge, the drain; it cancels wherever currents sum to zero.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csc_array, csr_array
from scipy.sparse.linalg import splu

from returnflow.live.parts import NANO, Port, Sheet

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FAR = 6.0  # edge lengths; from there on four Gauss points are exact to rounding, and the closed form is not
GAUSS = np.polynomial.legendre.leggauss(4)


class Unknowns:
    """
    Numbers of a sheet's unknowns, and the matrices between them.

    Attributes
    ----------
    nodes : array, shape (m, 6)
        Corners, then middles of edges, in the order in which they first appear.
    places : array, shape (size, 2), metres
    of_potential, of_stream : array of int, shape (size,)
        Unknown of every node; -1 where it is given. Nodes of one contact, or of one insulated line, share one.
    potential, stream : sparse arrays
        Integral of grad u . grad v between them.
    """

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        triangles = sheet.triangles
        count = len(sheet.points)
        ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
        keys = ends[:, 0] * count + ends[:, 1]
        _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
        rank = np.empty(len(first), dtype=np.int64)
        rank[np.argsort(first)] = np.arange(len(first))
        self.nodes: Ints = np.concatenate([triangles, count + rank[inverse].reshape(-1, 3)], axis=1)
        self.size = count + len(first)
        points = sheet.points * NANO
        self.places: Floats = np.empty((self.size, 2))
        self.places[:count] = points
        self.places[self.nodes[:, 3:]] = 0.5 * (points[triangles] + points[np.roll(triangles, -1, axis=1)])
        self.of_potential, self.ports = self._number_potential()
        self.of_stream = self._number_stream()

    def edge(self, edges: Ints) -> Ints:
        """Nodes at start, middle and end of edges, shape (k, 3)."""
        tri, k = edges // 3, edges % 3
        found: Ints = np.column_stack([self.nodes[tri, k], self.nodes[tri, 3 + k], self.nodes[tri, (k + 1) % 3]])
        return found

    def _number_potential(self) -> tuple[Ints, dict[int, int]]:
        mark = np.full(self.size, -2)
        for ring, run in zip(self.sheet.rings, self.sheet.runs, strict=True):
            rim = run >= 0
            mark[self.edge(ring[rim])] = run[rim, None]
        mark[self.edge(np.array([self.sheet.drain]))[0, 1]] = -1
        found = np.full(self.size, -1)
        inner = mark == -2
        found[inner] = np.arange(int(inner.sum()))
        ports = {int(port): int(inner.sum()) + n for n, port in enumerate(np.unique(mark[mark >= 0]))}
        for port, number in ports.items():
            found[mark == port] = number
        return found, ports

    def _number_stream(self) -> Ints:
        mark = np.full(self.size, -1)
        for number, (ring, run) in enumerate(zip(self.sheet.rings, self.sheet.runs, strict=True)):
            mark[self.edge(ring[run < 0])] = number
        found = np.full(self.size, -1)
        inner = mark < 0
        count = int(inner.sum())
        found[inner] = np.arange(count)
        for number in np.unique(mark[mark > 0]):
            found[mark == number] = count
            count += 1
        return found

    @cached_property
    def linear(self) -> Floats:
        """Gradients of the barycentric coordinates of every triangle, shape (m, 3, 2), 1/m."""
        corners = self.places[self.sheet.triangles]
        opposite = np.roll(corners, 1, axis=1) - np.roll(corners, -1, axis=1)
        a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        twice = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        self.areas = 0.5 * twice
        found: Floats = np.stack([-opposite[..., 1], opposite[..., 0]], axis=2) / twice[:, None, None]
        return found

    @cached_property
    def elements(self) -> Floats:
        """Integral of grad u . grad v on every triangle between its nodes, shape (m, 6, 6)."""
        linear = self.linear
        g = np.einsum("mic,mjc->mij", linear, linear) * self.areas[:, None, None]
        if self.sheet.conductivity is not None:
            g = g * self.sheet.conductivity[:, None, None]
        local = np.zeros((len(g), 6, 6))
        for i in range(3):
            j, k = (i + 1) % 3, (i + 2) % 3
            local[:, i, i] = g[:, i, i]
            local[:, i, j] = local[:, j, i] = -g[:, i, j] / 3
            local[:, 3 + i, 3 + i] = 8 / 3 * (g[:, i, i] + g[:, j, j] + g[:, i, j])
            # Middles of the edges i-j and j-k share corner j.
            local[:, 3 + i, 3 + j] = local[:, 3 + j, 3 + i] = 8 / 3 * g[:, i, k]
            for end in (i, j):
                local[:, 3 + i, end] = local[:, end, 3 + i] = 4 / 3 * g[:, i, j]
        return local

    @cached_property
    def stiffness(self) -> csr_array:
        """Integral of grad u . grad v, shape (size, size)."""
        rows, cols = np.repeat(self.nodes, 6, axis=1), np.tile(self.nodes, (1, 6))
        entries = (self.elements.ravel(), (rows.ravel(), cols.ravel()))
        return csr_array(coo_array(entries, shape=(self.size, self.size)))

    def _reduced(self, of: Ints) -> csc_array:
        here = np.flatnonzero(of >= 0)
        spread = csr_array((np.ones(len(here)), (here, of[here])), shape=(self.size, int(of.max()) + 1))
        return csc_array(spread.T @ self.stiffness @ spread)

    @cached_property
    def potential(self) -> csc_array:
        """Of the unknowns of the potential."""
        return self._reduced(self.of_potential)

    @cached_property
    def stream(self) -> csc_array:
        """Of the unknowns of the stream function."""
        return self._reduced(self.of_stream)


def moments(start: Floats, end: Floats, at: Floats) -> tuple[Floats, Floats]:
    r"""
    Moments of the normal and tangential derivative of -log r / 2 pi along straight edges.

    Parameters
    ----------
    start, end : arrays, shape (k, 2), metres
        The normal points to the right of the way from start to end.
    at : array, shape (2,), metres
        The source; not on an edge.

    Returns
    -------
    normal, tangential : arrays, shape (k, 3)
        Integrals over every edge with the second-order shape functions of its start, middle and end.

    Examples
    --------
    Round a square the normal parts sum to -1 for a source inside, the tangential ones to 0:

    >>> corners = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
    >>> normal, tangential = moments(corners, np.roll(corners, -1, axis=0), np.array([0.3, 0.2]))
    >>> print(f"{normal.sum():.12f} {abs(tangential.sum()):.12f}")
    -1.000000000000 0.000000000000
    """
    along = end - start
    length = np.hypot(along[:, 0], along[:, 1])
    tx, ty = along.T / length
    rx, ry = (start - at).T
    x0, h = rx * tx + ry * ty, rx * ty - ry * tx
    result = np.empty((2, len(start), 3))
    middle = x0 + 0.5 * length
    far = middle * middle + h * h > (FAR * length) ** 2
    x, high, span = x0[~far], h[~far], length[~far]
    x1 = x + span
    angle = np.arctan2(high * span, x * x1 + high * high)
    log = 0.5 * np.log((x1 * x1 + high * high) / (x * x + high * high))
    square = span - high * angle
    normal = (angle, (high * log - x * angle) / span, (high * square - 2 * x * high * log + x * x * angle) / span**2)
    cubic = 0.5 * (x1 * x1 - x * x) - high * high * log
    tangent = (log, (square - x * log) / span, (cubic - 2 * x * square + x * x * log) / span**2)
    for side, (one, first, second) in enumerate((normal, tangent)):
        result[side, ~far] = np.column_stack([one - 3 * first + 2 * second, 4 * (first - second), 2 * second - first])
    result[:, far] = 0.0
    for node, weight in zip(*GAUSS, strict=True):
        s = 0.5 * (1 + node)
        x = x0[far] + s * length[far]
        scale = 0.5 * weight * length[far] / (x * x + h[far] ** 2)
        shape = np.array([(1 - s) * (1 - 2 * s), 4 * s * (1 - s), s * (2 * s - 1)])
        result[0, far] += (scale * h[far])[:, None] * shape
        result[1, far] += (scale * x)[:, None] * shape
    result /= -2 * np.pi
    return result[0], result[1]


class SheetSolver:
    """Both sides of one sheet, a port at a time."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.unknowns = unknowns = Unknowns(sheet)
        self.rings = [unknowns.edge(ring) for ring in sheet.rings]
        self.border = np.concatenate(self.rings)
        self.run = np.concatenate(sheet.runs)
        self.rim: Ints = np.unique(self.border[self.run >= 0])
        self._solve_potential = splu(unknowns.potential).solve
        self._solve_stream = splu(unknowns.stream).solve

    def solve(self, number: int, port: Port) -> PortField:
        """Field of one ampere that enters at a port and leaves by the drain."""
        it, size = self.unknowns, self.unknowns.size
        normal, tangent, given = np.zeros(size), np.zeros(size), np.zeros(size)
        at = np.array(port.place)
        if port.strength:
            a, b = it.places[self.border[:, 0]], it.places[self.border[:, 2]]
            one, other = moments(a, b, at)
            np.add.at(normal, self.border, one)
            np.add.at(tangent, self.border, other)
            given[self.rim] = np.log(np.hypot(*(it.places[self.rim] - at).T)) / (2 * np.pi)
        load = -normal
        load[it.edge(np.array([self.sheet.drain]))[0]] -= np.array([1, 4, 1]) / 6
        load = self._free(load - it.stiffness @ given, it.of_potential)
        if number in it.ports:
            load[it.ports[number]] += 1.0
        free = self._solve_potential(load)
        smooth = np.where(it.of_potential >= 0, free[it.of_potential], 0.0)
        lifted = self._lift(number, port)
        answer = self._solve_stream(self._free(-tangent - it.stiffness @ lifted, it.of_stream))
        u = lifted + np.where(it.of_stream >= 0, answer[it.of_stream], 0.0)
        return PortField(port, at, normal, tangent, given, smooth, u, it.stiffness @ given, it.stiffness @ smooth,
                         it.stiffness @ u)  # fmt: skip

    @staticmethod
    def _free(load: Floats, of: Ints) -> Floats:
        here = of >= 0
        return np.asarray(np.bincount(of[here], weights=load[here], minlength=int(of.max()) + 1), dtype=np.float64)

    def _lift(self, number: int, port: Port) -> Floats:
        """Stream function on insulated edges less the source's, up to a constant a line; zero elsewhere."""
        result = np.zeros(self.unknowns.size)
        places = self.unknowns.places
        for ring, nodes, run in zip(self.sheet.rings, self.rings, self.sheet.runs, strict=True):
            steps = np.zeros((len(nodes), 2))
            if port.strength:
                r = places[nodes] - np.array(port.place)
                for half in range(2):
                    p, q = r[:, half], r[:, half + 1]
                    cross, dot = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0], np.sum(p * q, axis=1)
                    steps[:, half] = -np.arctan2(cross, dot) / (2 * np.pi)
            steps[ring == self.sheet.drain] += 0.5
            mine = np.flatnonzero(run == number)
            if len(mine):
                steps[mine[0], 0] -= 1.0
            value = np.cumsum(steps.ravel()).reshape(-1, 2)
            free = run < 0
            # A node where a contact begins or ends belongs to the insulated edge; both neighbours give one value.
            result[nodes[free, 1]] = value[free, 0]
            result[nodes[free, 2]] = value[free, 1]
            before: Floats = np.roll(value[:, 1], 1)
            before[0] = 0.0
            result[nodes[free, 0]] = before[free]
        return result

    def inside(self, at: Floats) -> int:
        """Triangle that holds a place, -1 if none does."""
        corners = self.unknowns.places[self.sheet.triangles]
        ahead = np.roll(corners, -1, axis=1) - corners
        to = at - corners
        held = np.flatnonzero(np.all(ahead[..., 0] * to[..., 1] - ahead[..., 1] * to[..., 0] >= 0, axis=1))
        return int(held[0]) if len(held) else -1

    def smooth_current(self, field: PortField, triangle: int, at: Floats) -> Floats:
        """Sheet current without the point source at a place in a triangle, mean of both sides, A/m per ampere."""
        it = self.unknowns
        gradient = shapes(it, triangle, at)[1]
        w = (field.given + field.smooth)[it.nodes[triangle]] @ gradient
        u = field.stream[it.nodes[triangle]] @ gradient
        return np.array([0.5 * (u[1] - w[0]), 0.5 * (-u[0] - w[1])])


def shapes(it: Unknowns, triangle: int, at: Floats) -> tuple[Floats, Floats]:
    """Second-order shape functions of a triangle's nodes at a place, shape (6,), and their gradients, shape (6, 2)."""
    linear = it.linear[triangle]
    weight = linear @ (at - it.places[it.nodes[triangle, 0]])
    weight[0] += 1.0
    value, gradient = np.zeros(6), np.zeros((6, 2))
    for i in range(3):
        j = (i + 1) % 3
        value[i], value[3 + i] = weight[i] * (2 * weight[i] - 1), 4 * weight[i] * weight[j]
        gradient[i] = (4 * weight[i] - 1) * linear[i]
        gradient[3 + i] = 4 * (weight[i] * linear[j] + weight[j] * linear[i])
    return value, gradient


class PortField:
    """One port's field on its sheet: nodal vectors, and the same times the stiffness."""

    def __init__(self, port: Port, at: Floats, normal: Floats, tangent: Floats, given: Floats, smooth: Floats,
                 stream: Floats, by_given: Floats, by_smooth: Floats, by_stream: Floats) -> None:  # fmt: skip
        self.port, self.at = port, at
        self.normal, self.tangent, self.given, self.smooth, self.stream = normal, tangent, given, smooth, stream
        self.by_given, self.by_smooth, self.by_stream = by_given, by_smooth, by_stream

    def current_at(self, where: Floats) -> Floats:
        """Sheet current of the point source alone, A/m per ampere."""
        r = where - self.at
        found: Floats = self.port.strength * r / (2 * np.pi * (r @ r))
        return found


def mutual(i: PortField, j: PortField) -> float:
    """Resistance between two ports in squares, the mean of both sides, without the size of other contacts."""
    total = 0.5 * (
        -j.normal @ i.given - i.normal @ j.given - i.given @ j.by_given + i.smooth @ j.by_smooth
        + i.tangent @ j.stream + j.tangent @ i.stream + i.stream @ j.by_stream
    )  # fmt: skip
    if i.port.strength and j.port.strength:
        inside = (bool(i.port.radius) + bool(j.port.radius)) / 2
        distance = i.port.radius if i is j else float(np.hypot(*(i.at - j.at)))
        if inside:
            total -= inside * np.log(distance) / (2 * np.pi)
    return float(total)
