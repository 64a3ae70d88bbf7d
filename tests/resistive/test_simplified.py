"""Small holes as boxes: bounds hold whatever is simplified, and what it costs is known."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.refinement import WAKE
from returnflow.resistive.solution import Options
from returnflow.resistive.topology import Topology
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.mesh.sizes import starting_size
from returnflow_geometry.mesh.spare import BOX, DRAWN, FILLED, MARKED, SpareHoles
from returnflow_geometry.model.shapes import circle, rectangle

MM = 1e-3
LOOPS = [(0, 1), (2, 3), (4, 5)]


def antipads(seed, count, *, width=60, depth=40, near=10.0):
    """Plane with contacts near one place and antipads all over it, some of which touch or overlap; millimetres."""
    rng = np.random.default_rng(seed)
    base = rng.uniform((near + 2, near + 2), (width - near - 2, depth - near - 2))
    pads, holes = [], []
    while len(pads) < 6:
        place = base + rng.uniform(-near, near, 2)
        if all(np.hypot(*(place - other)) > 2 for other in pads):
            pads.append(place)
    while len(holes) < count:
        place = rng.uniform((1, 1), (width - 1, depth - 1))
        if all(np.hypot(*(place - other)) > 1.2 for other in pads):
            # One in ten is any polygon.
            shape = circle(*(place * MM), float(rng.uniform(0.4, 0.8)) * MM)
            if rng.random() < 0.1:
                shape = shapely.convex_hull(shapely.MultiPoint((place + rng.uniform(-0.5, 0.5, (5, 2))) * MM))
            holes.append(shape)
    copper = shapely.difference(rectangle(0, 0, width * MM, depth * MM), shapely.union_all(holes))
    # What is cut off altogether carries nothing.
    parts = shapely.get_parts(copper)
    return Plane(parts[np.argmax(shapely.area(parts))], [circle(*(place * MM), 0.6 * MM) for place in pads])


def at_levels(plane, level, size=4.0, order=2):
    mesher = Mesher(plane)
    levels = np.full(len(mesher.spare), level)
    field = starting_size(mesher.coarse(levels), size * MM, corner=0.5)
    mesh = mesher.graded(replace(field, growth=0.2), levels)
    return solve_on(mesh, 6, LOOPS, 1.0, Options(order=order))


class TestSpareHoles:
    @settings(max_examples=8, deadline=None)
    @given(seed=st.integers(0, 10**6))
    def test_boxes_contain_their_holes_and_stand_clear_of_all_else(self, seed):
        plane = antipads(seed, 150)
        spare = SpareHoles.of(plane.copper, plane.contacts)
        assert len(spare) > 30
        assert np.all(shapely.contains(spare.boxes, spare.holes))
        filled = shapely.area(spare.holes).sum()
        assert spare.solid.area == pytest.approx(plane.copper.area + filled, rel=1e-9)
        assert np.all(shapely.contains_properly(spare.solid, spare.boxes))
        first, second = shapely.STRtree(spare.boxes).query(spare.boxes, predicate="intersects")
        assert np.array_equal(first, second)
        assert not np.any(shapely.intersects(spare.boxes[:, None], np.array(plane.contacts)[None, :]))

    def test_few_holes_are_drawn_as_they_are(self):
        plane = antipads(11, 40)
        assert len(SpareHoles.of(plane.copper, plane.contacts)) == 0

    def test_all_drawn_is_the_drawing(self):
        plane = antipads(12, 100)
        mesh = Mesher(plane).coarse()
        contacts = sum(contact.area for contact in plane.contacts)
        assert mesh.shadow is None
        assert mesh.areas.sum() == pytest.approx(plane.copper.area - contacts, rel=1e-6)

    def test_sections_and_regions_keep_the_holes_they_cross(self):
        plane = antipads(13, 150)
        cut = shapely.LineString([(0, 20 * MM), (60 * MM, 20 * MM)])
        spare = SpareHoles.of(plane.copper, [cut])
        assert not np.any(shapely.intersects(spare.boxes, cut))


class TestBounds:
    @pytest.mark.parametrize(("seed", "accuracy"), [(1, 0.05), (2, 0.3), (3, 0.05)])
    def test_the_simplified_bracket_holds_the_middle_of_the_unsimplified_one(self, seed, accuracy):
        plane = antipads(seed, 90, width=34, depth=30)
        simple = solve(plane, LOOPS, 1.0, Options(accuracy=accuracy))
        full = at_levels(plane, DRAWN)
        truth, off = full.mid, full.half_width
        assert simple.simplified[1] > 60
        assert np.all(np.abs(simple.mid - truth) <= simple.half_width + off)
        # As quadratic forms, for every mixture of currents.
        slack = np.max(off)
        assert np.linalg.eigvalsh(truth - simple.lower).min() > -3 * slack
        assert np.linalg.eigvalsh(simple.upper - truth).min() > -3 * slack

    @pytest.mark.parametrize("order", [1, 2])
    def test_filling_lowers_and_boxes_raise(self, order):
        plane = antipads(21, 100, width=35, depth=32)
        filled, marked, boxes, drawn = (at_levels(plane, level, order=order) for level in (FILLED, MARKED, BOX, DRAWN))
        assert np.all(np.diag(marked.lower) < np.diag(drawn.lower))
        assert np.all(np.diag(drawn.lower) < np.diag(marked.upper))
        np.testing.assert_allclose(marked.gap.sum(axis=1), np.diag(marked.upper - marked.lower), rtol=1e-9)
        # Rayleigh: the same holes filled, as they are, and enlarged.
        assert np.all(np.diag(boxes.lower) < np.diag(drawn.lower))
        assert np.all(np.diag(filled.upper) < np.diag(boxes.upper))
        assert np.all(np.diag(drawn.lower) < np.diag(boxes.upper))
        # Where a box lies no current of the stream side flows, and local gaps still add up to the whole.
        current = np.abs(boxes.current(0, "stream"))
        assert current[boxes.mesh.shadow >= 0].max() < 1e-10 * current.max()
        np.testing.assert_allclose(boxes.gap.sum(axis=1), np.diag(boxes.upper - boxes.lower), rtol=1e-9)

    def test_what_is_marked_meets_every_hole(self):
        plane = antipads(23, 150)
        mesher = Mesher(plane)
        levels = np.full(len(mesher.spare), MARKED)
        mesh = mesher.graded(starting_size(mesher.coarse(levels), 2 * MM, corner=0.5), levels)
        open_ = shapely.union_all(shapely.polygons(mesh.points[mesh.triangles[mesh.shadow < 0]]))
        assert shapely.intersection(open_, shapely.union_all(mesher.spare.holes)).area < 1e-12 * open_.area

    def test_marks_never_close_a_neck(self):
        # A row of holes from edge to edge, with copper between them that large triangles would shut.
        row = [circle((0.6 + 0.5 * n) * MM, 10 * MM, 0.3 * MM) for n in range(78)]
        copper = shapely.difference(rectangle(0, 0, 40 * MM, 20 * MM), shapely.union_all(row))
        plane = Plane(copper, [circle(5 * MM, 3 * MM, 1 * MM), circle(20 * MM, 17 * MM, 1 * MM)])
        mesher = Mesher(plane)
        levels = np.full(len(mesher.spare), MARKED)
        shut = mesher.graded(starting_size(mesher.coarse(levels), 4 * MM, corner=0.5), levels)
        assert not Topology(shut, 2).open_ways
        assert np.array_equal(Topology(shut, 2).conductor, Topology(mesher.coarse(), 2).conductor)
        fine, fast = (solve(plane, [(0, 1)], 1.0, Options(accuracy=accuracy)) for accuracy in (0.002, 0.3))
        assert abs(fine.mid - fast.mid)[0, 0] <= fast.half_width[0, 0] + fine.half_width[0, 0]

    def test_what_matters_little_is_simplified_and_what_matters_is_not(self):
        plane = antipads(22, 120, width=40, depth=30)
        fast, fine = (solve(plane, LOOPS, 1.0, Options(accuracy=accuracy)) for accuracy in (0.2, 0.02))
        assert fast.simplified[0] > 2 * fine.simplified[0]
        assert len(fast.mesh.triangles) < 0.5 * len(fine.mesh.triangles)

    def test_a_hole_that_has_its_shape_is_not_made_finer_again_for_what_little_is_missing(self):
        missing = []

        def wanted(found):
            missing.append(0.95 * found.half_width)
            return missing[0]

        found = solve(antipads(22, 150, width=40, depth=32), LOOPS, 1.0, Options(accuracy=0.02), wanted=wanted)
        (before, _), (after, _) = found.passes[-2:]
        assert np.all(found.half_width <= missing[0])
        assert 0.8 * before < after < 1.35 * before


def test_a_box_in_an_even_flow_costs_its_wake():
    # Strip with contacts over its ends; dilute, so that the box sees an even flow of 1 A over the width.
    width, side = 20 * MM, 1 * MM
    ends = [rectangle(-width / 20, -width, 0, width), rectangle(2 * width, -width, 2.1 * width, width)]
    strip = rectangle(-width / 20, -width / 2, 2.1 * width, width / 2)
    box = rectangle(width - side / 2, -side / 2, width + side / 2, side / 2)
    without, with_box = (
        solve(Plane(copper, ends), [(0, 1)], 1.0, Options(accuracy=1e-5)).mid[0, 0]
        for copper in (strip, shapely.difference(strip, box))
    )
    assert (with_box - without) * width**2 / side**2 == pytest.approx(WAKE, rel=0.02)
