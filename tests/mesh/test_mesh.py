"""The mesh is the drawing: its area, its rims, its lines; and hostile drawings are meshed right or refused clearly."""

import math

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, box

from judges import section_current
from returnflow.answers.coupling import region_shares
from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.solution import Options
from returnflow.resistive.spaces import Topology
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.mesh.sizes import corner_angles, error_size, starting_size
from returnflow_geometry.mesh.triangulation import MIN_ANGLE
from returnflow_geometry.model.board import GRID, Board, Case, Copper, Cutout, Layer, Loop, Region, Section, Terminal
from returnflow_geometry.model.shapes import circle, slot

MM = 1e-3


def pad(x, y, diameter=0.2):
    return circle(x, y, diameter, corners=12)


BOARD = box(0, 0, 2, 1)
PADS = [pad(0.3, 0.5), pad(1.7, 0.5)]
DRAWINGS = {
    "board": (BOARD, PADS),
    "holes": (BOARD.difference(shapely.union_all([pad(0.8, 0.3), box(1.0, 0.5, 1.3, 0.7)])), PADS),
    "slot": (BOARD.difference(slot([(1, -0.1), (1, 0.8)], 0.01)), PADS),
    "contacts on edges": (
        BOARD.difference(box(0.9, 0.4, 1.1, 0.6)),
        [pad(0, 0.5), pad(1.1, 0.5), box(1.9, 0.9, 2.1, 1.1)],
    ),
    "several parts": (BOARD, [MultiPolygon([pad(0.3, 0.2), pad(0.3, 0.8)]), pad(1.7, 0.5)]),
    "pinched": (BOARD.difference(box(0.8, 0.2, 1.0, 0.5)).difference(box(1.0, 0.5, 1.2, 0.8)), PADS),
    "pieces": (BOARD.difference(box(0.9, 0, 1.1, 1)), PADS),
}
every_drawing = pytest.mark.parametrize("name", DRAWINGS)


def meshed(name, size=0.15):
    return Mesher(Plane(*DRAWINGS[name])).uniform(size)


def length(mesh, pairs):
    return float(mesh.edge_lengths[pairs[:, 0], pairs[:, 1]].sum())


def rim_length(copper, contact):
    """Length of a contact's outline that runs inside the copper."""
    return (
        shapely.intersection(contact.boundary, copper).length
        - shapely.intersection(contact.boundary, copper.boundary).length
    )


class TestTheMeshIsTheDrawing:
    @every_drawing
    @pytest.mark.parametrize("size", [None, 0.3, 0.07])
    def test_area(self, name, size):
        copper, contacts = DRAWINGS[name]
        mesher = Mesher(Plane(copper, contacts))
        mesh = mesher.coarse() if size is None else mesher.uniform(size)
        wanted = copper.difference(shapely.union_all(contacts))
        # Points are snapped to the grid: no more than half a step along every edge.
        assert mesh.areas.sum() == pytest.approx(wanted.area, rel=1e-12, abs=0.5 * GRID * wanted.length)

    def test_area_of_a_drawing_on_the_grid_is_exact(self):
        copper = BOARD.difference(box(0.9, 0.2, 1.1, 0.7))
        mesh = Mesher(Plane(copper, [box(0, 0, 0.25, 0.25), box(1.5, 0.5, 2, 1)])).uniform(0.06)
        assert mesh.areas.sum() == pytest.approx(2 - 0.2 * 0.5 - 0.25**2 - 0.25, rel=1e-12)

    @every_drawing
    def test_triangles_are_counter_clockwise_and_join_edge_to_edge(self, name):
        mesh = meshed(name)
        assert np.all(mesh.areas > 0)
        directed = mesh.edge_ends.reshape(-1, 2)
        # Each edge at most once per direction: no overlap, no third triangle.
        assert len(np.unique(directed, axis=0)) == len(directed)
        assert set(np.unique(mesh.triangles)) == set(range(len(mesh.points)))

    @every_drawing
    def test_every_boundary_edge_is_a_rim_or_insulated_and_none_is_both(self, name):
        mesh = meshed(name)
        copper, contacts = DRAWINGS[name]
        topology = Topology(mesh, len(contacts))
        free = {tuple(pair) for pair in np.argwhere(topology.neighbours < 0).tolist()}
        rims = {tuple(pair) for pair in mesh.contact_edges.tolist()}
        insulated = {tuple(pair) for pair in topology.insulated.tolist()}
        assert rims | insulated == free
        assert not rims & insulated
        # And each lies where the drawing says: insulated edges on the copper's outline, rims on their contact's.
        for pairs, line in (
            (topology.insulated, copper.boundary),
            *(
                (mesh.contact_edges[mesh.contact_of == number], contact.boundary)
                for number, contact in enumerate(contacts)
            ),
        ):
            ends = mesh.points[mesh.edge_ends[tuple(pairs.T)]]
            for place in (ends[:, 0], ends[:, 1], ends.mean(axis=1)):
                assert np.max(shapely.distance(line, shapely.points(place))) < 2 * GRID

    @every_drawing
    def test_rims_are_as_long_as_drawn(self, name):
        mesh = meshed(name)
        copper, contacts = DRAWINGS[name]
        for number, contact in enumerate(contacts):
            found = length(mesh, mesh.contact_edges[mesh.contact_of == number])
            assert found == pytest.approx(rim_length(copper, contact), rel=1e-7)
        topology = Topology(mesh, len(contacts))
        outline = copper.difference(shapely.union_all(contacts)).length - sum(
            rim_length(copper, contact) for contact in contacts
        )
        assert length(mesh, topology.insulated) == pytest.approx(outline, rel=1e-7)

    @pytest.mark.parametrize(
        ("name", "pieces", "holes"), [("board", 1, 2), ("holes", 1, 4), ("slot", 1, 2), ("pieces", 2, 2)]
    )
    def test_euler_characteristic_counts_pieces_and_holes(self, name, pieces, holes):
        # Points - edges + triangles = pieces - holes (pads are holes in the mesh): nothing is glued or torn.
        mesh = meshed(name)
        edges = len(np.unique(np.sort(mesh.edge_ends.reshape(-1, 2), axis=1), axis=0))
        assert len(mesh.points) - edges + len(mesh.triangles) == pieces - holes

    def test_a_pinch_is_two_points(self):
        mesh = meshed("pinched")
        here = np.flatnonzero(np.all(np.isclose(mesh.points, [1.0, 0.5], atol=2 * GRID), axis=1))
        assert len(here) == 2
        # Each side sees a right-angled corner of its own.
        np.testing.assert_allclose(corner_angles(mesh)[here], math.pi / 2, atol=1e-6)

    @every_drawing
    def test_the_same_drawing_gives_the_same_mesh_bit_for_bit(self, name):
        plane = Plane(*DRAWINGS[name], regions=[box(0.5, 0.1, 1.2, 0.8)], sections=[LineString([(0.6, 0), (0.6, 1)])])
        one, other = (Mesher(plane).uniform(0.1) for _ in range(2))
        again = Mesher(plane)
        again.uniform(0.5)
        third = again.uniform(0.1)
        for mesh in (other, third):
            for field in ("points", "triangles", "contact_edges", "contact_of", "region_triangles"):
                np.testing.assert_array_equal(getattr(mesh, field), getattr(one, field))
            for field in ("region_borders", "section_edges"):
                np.testing.assert_array_equal(getattr(mesh, field)[0], getattr(one, field)[0])


class TestRegionsAndSections:
    REGIONS = (box(0.5, 0.2, 1.5, 0.8), box(-1, -1, 0.5, 2), pad(0.3, 0.5, 0.6), box(0, 0, 2, 1), box(5, 5, 6, 6))

    @pytest.fixture
    def mesh(self):
        copper, contacts = DRAWINGS["holes"]
        return Mesher(Plane(copper, contacts, regions=self.REGIONS)).uniform(0.1)

    def test_areas_of_regions(self, mesh):
        copper, contacts = DRAWINGS["holes"]
        free = copper.difference(shapely.union_all(contacts))
        for number, region in enumerate(self.REGIONS):
            found = mesh.areas[mesh.region_triangles[number]].sum()
            assert found == pytest.approx(shapely.intersection(region, free).area, rel=1e-7, abs=1e-9)

    def test_borders_run_inside_the_copper_and_along_contacts_that_lie_across(self, mesh):
        copper, contacts = DRAWINGS["holes"]
        free = copper.difference(shapely.union_all(contacts))
        for number in (0, 1):
            line = shapely.intersection(self.REGIONS[number].boundary, free)
            inside = shapely.intersection(line, copper.boundary).length
            assert length(mesh, mesh.region_borders[number]) == pytest.approx(line.length - inside, rel=1e-7)
        # All the copper: no border. Outside: none.
        assert len(mesh.region_borders[3]) == len(mesh.region_borders[4]) == 0

    def test_a_border_edge_has_the_region_on_one_side_only(self, mesh):
        topology = Topology(mesh, 2)
        for number, border in enumerate(mesh.region_borders):
            tri, k = border.T
            across = topology.neighbours[tri, k]
            member = mesh.region_triangles[number]
            inner = across >= 0
            assert np.all(member[tri[inner]])
            assert not np.any(member[across[inner]])

    def test_a_region_takes_in_or_leaves_out_a_contact_whole(self):
        # A pad across the region's border, its centre inside, and one with its centre outside.
        region = box(0.5, 0.3, 1.65, 0.7)
        contacts = [pad(0.55, 0.5), pad(1.7, 0.5)]
        mesh = Mesher(Plane(BOARD, contacts, regions=[region])).uniform(0.1)
        whole = region.union(contacts[0]).difference(contacts[1])
        found = mesh.areas[mesh.region_triangles[0]].sum()
        assert found == pytest.approx(whole.difference(contacts[0]).area, rel=1e-7)
        # The border follows the rims: out round the first, in round the second. All the current crosses it.
        border = mesh.region_borders[0]
        assert length(mesh, border) == pytest.approx(whole.length, rel=1e-7)
        solution = solve_on(mesh, 2, [(0, 1)], 1.0, Options())
        tri, k = border.T
        outward = np.where(mesh.region_triangles[0][tri], 1, -1)  # along a rim, the triangle may be the outer one
        leaving = solution.stream[0][tri, (k + 1) % 3] - solution.stream[0][tri, k]
        assert float(np.sum(outward * leaving)) == pytest.approx(1, abs=1e-9)

    def test_a_region_that_also_touches_copper_along_a_line(self):
        # The region ends at the far edge of a gap: beyond it there is copper, which it only touches.
        copper = BOARD.difference(box(0.9, 0.2, 1.1, 1))
        region = box(0.6, 0.5, 1.1, 1)
        plane = Plane(copper, PADS, regions=[region], sections=[LineString([(0.6, 0.5), (0.6, 1)])])
        mesh = Mesher(plane).uniform(0.1)
        assert mesh.areas[mesh.region_triangles[0]].sum() == pytest.approx(0.3 * 0.5, rel=1e-7)
        solution = solve_on(mesh, 2, [(0, 1)], 1.0, Options())
        share = region_shares(solution, plane.contact_inside())[0, 0]
        # What enters through the side must leave through the bottom: the section tells how much.
        assert share >= abs(section_current(solution, 0)) - 1e-9
        assert 0 < share < 1

    def test_a_contact_that_also_touches_copper_along_a_line(self):
        # Its rim is on one piece; the other piece is touched along an edge, which is no area of contact.
        copper = BOARD.difference(box(0.9, 0, 1.1, 1))
        contacts = [pad(0.3, 0.5), box(0.6, 0.3, 1.1, 0.7), pad(1.7, 0.5)]
        mesh = Mesher(Plane(copper, contacts)).uniform(0.1)
        assert length(mesh, mesh.contact_edges[mesh.contact_of == 1]) == pytest.approx(0.3 + 0.4 + 0.3, rel=1e-7)
        wanted = copper.difference(shapely.union_all(contacts)).area
        assert mesh.areas.sum() == pytest.approx(wanted, rel=1e-7)

    @pytest.mark.parametrize(
        "path",
        [
            [(0.6, -0.2), (0.6, 1.3)],
            [(0.6, 1.0), (0.9, 0.5), (0.6, 0.0)],
            [(0.1, 0.9), (1.9, 0.9), (1.9, 0.1)],
            [(0.37, 0.11), (1.73, 0.93)],
        ],
    )
    def test_sections_are_in_the_mesh_with_their_length_and_direction(self, path):
        copper, contacts = DRAWINGS["holes"]
        line = LineString(path)
        mesh = Mesher(Plane(copper, contacts, sections=[line])).uniform(0.1)
        free = copper.difference(shapely.union_all(contacts))
        edges = mesh.section_edges[0]
        inside = shapely.intersection(line, free)
        assert length(mesh, edges) == pytest.approx(inside.length, rel=1e-6)
        # The directed edges add up to the vector from end to end of each stretch of the path.
        ends = mesh.points[mesh.edge_ends[edges[:, 0], edges[:, 1]]]
        steps = edges[:, 2:] * (ends[:, 1] - ends[:, 0])
        stretches = [np.array(part.coords) for part in shapely.get_parts(inside)]
        wanted = sum(part[-1] - part[0] for part in stretches)
        np.testing.assert_allclose(steps.sum(axis=0), wanted, atol=1e-7)

    def test_sections_that_miss_the_copper_or_run_along_its_edge_are_empty(self):
        lines = [LineString([(5, 0), (5, 1)]), LineString([(0, 0), (0, 1)]), LineString([(2, 0.5), (3, 0.5)])]
        mesh = Mesher(Plane(BOARD, PADS, sections=lines)).uniform(0.2)
        assert [len(edges) for edges in mesh.section_edges] == [0, 0, 0]


class TestQuality:
    @every_drawing
    @pytest.mark.parametrize("size", [None, 0.3, 0.05])
    def test_smallest_angle(self, name, size):
        mesher = Mesher(Plane(*DRAWINGS[name]))
        mesh = mesher.coarse() if size is None else mesher.uniform(size)
        assert mesh.smallest_angle >= MIN_ANGLE - 1e-6

    @pytest.mark.parametrize("size", [0.2, 0.05, 0.0125])
    def test_uniform_mesh_has_the_wanted_size(self, size):
        mesh = Mesher(Plane(BOARD, [box(0, 0, 0.2, 0.2), box(1.8, 0.8, 2, 1)])).uniform(size)
        ideal = (2 - 2 * 0.04) / (math.sqrt(3) / 4 * size**2)
        assert 0.8 * ideal < len(mesh.triangles) < 1.5 * ideal
        assert np.max(mesh.edge_lengths) < 2 * size

    def test_nothing_is_tiny_where_nothing_is_drawn(self):
        # The size asked for grows from a pad to the middle of a large board: away from drawn lines, every triangle
        # has about the size asked for at its place; no clusters of small ones.
        contacts = [circle(10 * MM, 10 * MM, 0.3 * MM), circle(90 * MM, 70 * MM, 0.3 * MM)]
        plane = Plane(box(0, 0, 100 * MM, 80 * MM), contacts)
        mesher = Mesher(plane)
        size = starting_size(mesher.coarse(), 8 * MM, corner=0.2)
        mesh = mesher.graded(size)
        centre = mesh.points[mesh.triangles].mean(axis=1)
        wanted = size(centre)
        longest = mesh.edge_lengths.max(axis=1)
        lines = shapely.union_all([plane.copper.boundary, *(contact.boundary for contact in contacts)])
        free = shapely.distance(lines, shapely.points(centre)) > 2 * wanted
        assert free.sum() > 100
        assert np.min(longest[free] / wanted[free]) > 0.45
        assert np.max(longest / wanted) < 2.5
        # Count against the integral of one over the area of the wanted triangle.
        estimate = float(np.sum(mesh.areas / (math.sqrt(3) / 4 * wanted**2)))
        assert 0.6 * estimate < len(mesh.triangles) < 1.8 * estimate

    def test_neighbours_differ_little_in_size(self):
        mesher = Mesher(Plane(box(0, 0, 0.1, 0.08), [circle(0.01, 0.01, 3e-4), circle(0.09, 0.07, 3e-4)]))
        mesh = mesher.graded(starting_size(mesher.coarse(), 8 * MM, corner=0.2))
        topology = Topology(mesh, 2)
        tri, k = np.nonzero(topology.neighbours >= 0)
        ratio = mesh.areas[tri] / mesh.areas[topology.neighbours[tri, k]]
        assert np.max(ratio) < 12
        assert np.percentile(ratio, 95) < 3

    def test_error_size_asks_for_the_pieces(self):
        mesh = meshed("board", 0.1)
        ideal = np.sqrt(4 / math.sqrt(3) * mesh.areas)
        for pieces in (0.25, 1.0, 4.0, 16.0):
            size = error_size(mesh, np.full(len(mesh.triangles), pieces), 1.0)
            at = size(mesh.points)
            # Growth only lowers sizes; the average over a point's triangles lies between theirs.
            assert np.all(at <= np.max(ideal) / math.sqrt(pieces) + 1e-12)
            assert np.median(at) == pytest.approx(np.median(ideal) / math.sqrt(pieces), rel=0.25)
        # And that many come, not half of them.
        finer = Mesher(Plane(*DRAWINGS["board"])).graded(error_size(mesh, np.full(len(mesh.triangles), 4.0), 1.0))
        assert 3 < len(finer.triangles) / len(mesh.triangles) < 5.5


class TestCornerAngles:
    def test_square_notch_and_slot_end(self):
        notch = BOARD.difference(box(0.8, 0.6, 1.2, 1))
        mesh = Mesher(Plane(notch, PADS)).uniform(0.2)
        angles = corner_angles(mesh)

        def at(x, y):
            return float(angles[np.argmin(np.hypot(*(mesh.points - [x, y]).T))])

        assert at(0, 0) == pytest.approx(math.pi / 2)
        assert at(0.8, 0.6) == pytest.approx(1.5 * math.pi)
        assert at(0.8, 1) == pytest.approx(math.pi / 2)
        straight = np.isclose(mesh.points[:, 1], 0) & (mesh.points[:, 0] > 0.01) & (mesh.points[:, 0] < 1.99)
        np.testing.assert_allclose(angles[straight], math.pi, atol=1e-6)
        lines = shapely.union_all([notch.boundary, *(p.boundary for p in PADS)])
        assert np.all(angles[shapely.distance(lines, shapely.points(mesh.points)) > 1e-6] == 0)

    def test_starting_size_is_fine_at_reentrant_corners_and_contacts(self):
        notch = BOARD.difference(box(0.8, 0.6, 1.2, 1))
        mesh = Mesher(Plane(notch, PADS)).coarse()
        size = starting_size(mesh, 0.5, corner=0.2)
        corner, pad_rim, middle = size(np.array([[0.8, 0.6], [0.4, 0.5], [1.0, 0.05]]))
        assert corner < 0.1
        assert pad_rim < 0.08
        assert middle > 2 * max(corner, pad_rim)


class TestPlaneOfACase:
    def test_takes_what_belongs_to_its_copper(self):
        board = Board(
            outline=BOARD,
            temperature=20,
            layers=(Layer(name="L1", thickness=35e-6),),
            coppers=(
                Copper(name="ground", layer="L1", shape=BOARD),
                Copper(name="other", layer="L1", shape=box(0, 2, 1, 3)),
            ),
            cutouts=(Cutout(name="gap", copper="ground", shape=box(0.9, 0, 1.1, 0.5)),),
            terminals=(
                Terminal(name="A", copper="ground", shape=PADS[0]),
                Terminal(name="X", copper="other", shape=box(0, 2, 0.1, 3)),
                Terminal(name="B", copper="ground", shape=PADS[1]),
            ),
        )
        case = Case(
            title="",
            board=board,
            loops=(Loop(name="l", role="noisy", inject="A", return_="B"),),
            regions=(
                Region(name="r", copper="ground", shape=box(0, 0, 0.5, 1)),
                Region(name="s", copper="other", shape=BOARD),
            ),
            sections=(Section(name="cut", copper="ground", path=((1.0, 0.5), (1.0, 1.0))),),
        )
        plane = Plane.of(case, "ground")
        assert plane.copper.area == pytest.approx(2 - 0.2 * 0.5)
        assert list(plane.contacts) == PADS
        assert len(plane.regions) == len(plane.sections) == 1
        np.testing.assert_array_equal(plane.contact_inside(), [[True, False]])
        solution = solve(plane, [(0, 1)], 1.0)
        # All the current passes the bridge above the gap.
        assert section_current(solution, 0) == pytest.approx(1, abs=1e-9)

    def test_cutout_that_ends_on_an_edge_leaves_no_hair(self):
        # Coordinates that round differently: 0.1 + 0.2 against 0.3.
        cut = Cutout(name="c", copper="g", shape=box(0.1 + 0.2, 0, 1, 1))
        board = Board(
            outline=BOARD,
            temperature=20,
            layers=(Layer(name="L1", thickness=35e-6),),
            coppers=(Copper(name="g", layer="L1", shape=box(0, 0, 1, 1).union(box(0.3, 1, 1, 2))),),
            cutouts=(cut, Cutout(name="d", copper="g", shape=box(0.3, 1, 1, 2))),
        )
        assert board.remaining("g").equals(box(0, 0, 0.3, 1))
