"""Drawings that nobody would want to mesh: hairs, thousands of antipads, slots in large boards."""

import itertools
import math

import numpy as np
import pytest
import shapely
from shapely import Polygon, affinity, box
from test_mesh import BOARD, DRAWINGS, MM, PADS, length, meshed, pad

from returnflow.resistive.conduction import solve_on
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.mesh.seeding import SizeField
from returnflow_geometry.mesh.triangulation import MeshError
from returnflow_geometry.model.board import GRID
from returnflow_geometry.model.shapes import circle, slot

B300 = box(0, 0, 300 * MM, 200 * MM)
FAR = [circle(20 * MM, 20 * MM, 0.3 * MM), circle(280 * MM, 180 * MM, 0.3 * MM)]
ENDS = [box(0, 0, 4 * MM, 4 * MM), box(296 * MM, 196 * MM, 300 * MM, 200 * MM)]


def antipads(places):
    return shapely.union_all([circle(x * MM, y * MM, 0.8 * MM, corners=12) for x, y in places])


def scattered(count, seed):
    return antipads(np.random.default_rng(seed).uniform([6, 6], [294, 194], (count, 2)))


def collinear(count):
    x = np.linspace(0, 1, count)
    return Polygon([*zip(x, np.zeros(count), strict=True), (1, 1), (0, 1)])


HOSTILE = {
    "0.1 mm slots in a 300 mm board": (
        B300.difference(
            shapely.union_all([slot([(x * MM, -MM), (x * MM, 150 * MM)], 0.1 * MM) for x in range(50, 300, 50)])
        ),
        FAR,
        20_000,
    ),
    "a slit of 1 um": (B300.difference(box(0.1, 0.1, 0.2, 0.1 + 1e-6)), FAR, 20_000),
    "a hair of copper of 1 um and 0.1 mm": (
        B300.difference(box(0.1, 0.01, 0.1001, 0.1)).difference(box(0.1, 0.1 + 1e-6, 0.1001, 0.19)),
        FAR,
        20_000,
    ),
    "400 collinear points": (collinear(400), [box(0, 0.4, 0.1, 0.6), box(0.9, 0.4, 1, 0.6)], 8_000),
    "doubled points": (
        Polygon([(0, 0), (0, 0), (1, 0), (1, 0), (1, 1), (1, 1), (0, 1), (0, 1)]),
        [box(0, 0.4, 0.1, 0.6), box(0.9, 0.4, 1, 0.6)],
        500,
    ),
    "a tongue of 1 degree": (
        Polygon([(0, 0), (1, 0), (1, math.tan(math.radians(1)))]).union(box(1, -0.5, 2, 0.5)),
        [box(1.2, -0.2, 1.3, -0.1), box(1.7, 0.1, 1.8, 0.2)],
        5_000,
    ),
    "a notch of 1 degree": (BOARD.difference(Polygon([(1, 0), (1.0087, 0), (1, 0.5)])), PADS, 5_000),
    "touching cutouts in a row": (
        BOARD.difference(shapely.union_all([box(x, 0.4, x + 0.1, 0.6) for x in np.arange(0.5, 1.45, 0.1)])),
        PADS,
        5_000,
    ),
    "cutouts touching corner to corner": (
        BOARD.difference(shapely.union_all([box(0.5 + d, 0.2 + d, 0.6 + d, 0.3 + d) for d in np.arange(6) * 0.1])),
        PADS,
        5_000,
    ),
    "overlapping cutouts": (
        BOARD.difference(shapely.union_all([circle(0.6 + 0.07 * i, 0.5, 0.1, corners=16) for i in range(10)])),
        PADS,
        8_000,
    ),
    "hole tangent to the outline": (BOARD.difference(affinity.rotate(box(0.9, 0.0, 1.1, 0.2), 45)), PADS, 5_000),
    "pads that touch the edge in a point": (
        BOARD,
        [affinity.rotate(box(0.0, 0.4, 0.2, 0.6), 45, origin=(0.0, 0.5)), PADS[1]],
        5_000,
    ),
}


class TestHostileDrawings:
    @pytest.mark.parametrize("name", HOSTILE)
    def test_area_is_right_and_the_count_modest(self, name):
        copper, contacts, most = HOSTILE[name]
        mesh = Mesher(Plane(copper, contacts)).graded(
            SizeField(np.zeros((1, 2)), np.array([copper.length / 40]), copper.length / 40)
        )
        wanted = copper.difference(shapely.union_all(contacts))
        assert mesh.areas.sum() == pytest.approx(wanted.area, rel=1e-12, abs=GRID * wanted.length)
        assert len(mesh.triangles) < most
        # And they can be solved: the two sides agree, or the solver raises.
        solution = solve_on(mesh, len(contacts), [(0, 1)], 1.0, Options())
        assert 0 < solution.lower[0, 0] <= solution.upper[0, 0]

    @pytest.mark.parametrize(
        ("cutouts", "most"),
        [
            pytest.param(
                lambda: antipads(itertools.product(np.arange(6, 294, 3.8), np.arange(6, 194, 7.5))),
                160_000,
                id="2 000 in a grid",
            ),
            pytest.param(lambda: scattered(2_000, 731), 160_000, id="2 000 scattered, some overlapping"),
        ],
    )
    def test_two_thousand_antipads(self, cutouts, most):
        copper = B300.difference(cutouts())
        mesh = Mesher(Plane(copper, ENDS)).coarse()
        wanted = copper.difference(shapely.union_all(ENDS))
        largest = max(shapely.get_parts(wanted), key=lambda part: part.area)
        assert mesh.areas.sum() == pytest.approx(largest.area, abs=GRID * wanted.length)
        assert len(mesh.triangles) < most

    def test_a_long_hair_of_copper_is_refused_with_a_reason(self):
        # 0.1 m of copper 1 um wide would need a hundred thousand triangles for nothing.
        copper = B300.difference(box(0.1, 0.01, 0.2, 0.1)).difference(box(0.1, 0.1 + 1e-6, 0.2, 0.19))
        with pytest.raises(MeshError, match="slivers or near-touching"):
            Mesher(Plane(copper, FAR)).coarse()

    @pytest.mark.parametrize("contact", [box(-1, -1, 3, 2), BOARD])
    def test_nothing_left_to_solve_is_refused(self, contact):
        with pytest.raises(MeshError, match="nothing is left"):
            Mesher(Plane(BOARD, [contact])).coarse()

    def test_contacts_off_the_copper_leave_nothing_to_solve(self):
        with pytest.raises(MeshError, match="No copper reaches a contact"):
            Mesher(Plane(BOARD, [box(5, 5, 6, 6)])).coarse()

    @pytest.mark.parametrize("count", [3, 4, 7])
    def test_order_of_contacts_does_not_change_the_mesh_but_its_numbers(self, count):
        contacts = [pad(0.2 + 0.25 * i, 0.3 + 0.05 * i) for i in range(count)]
        one, other = (Mesher(Plane(BOARD, c)).uniform(0.1) for c in (contacts, contacts[::-1]))
        assert one.areas.sum() == pytest.approx(other.areas.sum(), rel=1e-12)
        for number in range(count):
            here = length(one, one.contact_edges[one.contact_of == number])
            there = length(other, other.contact_edges[other.contact_of == count - 1 - number])
            assert here == pytest.approx(there, rel=1e-9)


def test_every_pair_of_drawings_is_a_different_mesh():
    # Guards the tables above against a mesher that ignores its plane.
    counts = {name: meshed(name).areas.sum() for name in DRAWINGS}
    different = ("board", "holes", "slot", "contacts on edges", "several parts", "pinched", "pieces")
    assert all(counts[a] != counts[b] for a, b in itertools.combinations(different, 2))
