"""
Random boards: what holds for every board must hold for boards nobody thought of.

Lengths are whole millimetres on a board of 40 by 30, so that cutouts touch, overlap and end on edges often.
"""

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given
from hypothesis import strategies as st
from shapely import LineString, box

from judges import (
    assert_overlap,
    assert_sound,
    assert_tightened,
    conductance,
    contact_current,
    red_refined,
    resistance_of,
    section_current,
    section_flux,
)
from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.solution import Options
from returnflow.resistive.spaces import Topology
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.model.shapes import circle, slot

MM = 1e-3
WIDTH, HEIGHT = 40, 30
BOARD = box(0, 0, WIDTH * MM, HEIGHT * MM)

x_mm, y_mm = st.integers(-2, WIDTH + 2), st.integers(-2, HEIGHT + 2)
point = st.tuples(x_mm, y_mm)
side = st.integers(1, 12)
rectangles = st.builds(lambda x, y, w, h: box(x * MM, y * MM, (x + w) * MM, (y + h) * MM), x_mm, y_mm, side, side)
circles = st.builds(lambda x, y, d: circle(x * MM, y * MM, d * MM, corners=12), x_mm, y_mm, st.integers(1, 10))
slots = st.builds(
    lambda x, y, dx, dy, w: slot([(x * MM, y * MM), ((x + dx) * MM, (y + dy) * MM)], w * 0.25 * MM),
    x_mm, y_mm, st.integers(1, 20), st.integers(-15, 15), st.integers(1, 6),
)  # fmt: skip
cutouts = st.lists(st.one_of(rectangles, circles, slots), max_size=5)
# Pads on a 5 mm raster never touch each other; they may hang over edges and holes.
pads = st.lists(st.tuples(st.integers(0, WIDTH // 5), st.integers(0, HEIGHT // 5)), min_size=3, max_size=5, unique=True)


def pad(place):
    return circle(place[0] * 5 * MM, place[1] * 5 * MM, 2 * MM, corners=12)


def board(holes, places, **lines):
    """Plane of a random board whose pads are all on one piece of copper; anything else is no question to ask."""
    copper = shapely.difference(BOARD, shapely.union_all(holes), grid_size=1e-9) if holes else BOARD
    contacts = [pad(place) for place in places]
    pieces = [part for part in shapely.get_parts(copper) if part.area > 0]
    joined = shapely.get_parts(shapely.union_all([*pieces, *contacts]))
    assume(any(all(part.contains(contact.centroid) for contact in contacts) for part in joined))
    # Pads that do not reach copper, or only a sliver of it, are refused elsewhere.
    rest = copper.difference(shapely.union_all(contacts))
    touching = [shapely.intersection(contact.boundary, copper).length for contact in contacts]
    assume(min(touching) > 0.1 * MM)
    assume(rest.area > 0)
    return Plane(copper, contacts, **lines)


def loops_of(plane):
    """A loop from the first contact to each of the others: every transfer resistance is a combination."""
    return [(0, number) for number in range(1, len(plane.contacts))]


def meshed(plane, size=6 * MM):
    return Mesher(plane).uniform(size)


def connected(mesh, plane):
    """Contacts that copper joins; a pinch may part them where the drawing seemed whole."""
    conductor = Topology(mesh, len(plane.contacts)).conductor
    return len(set(conductor.tolist())) == 1 and len(np.unique(mesh.contact_of)) == len(plane.contacts)


@given(cutouts, pads, st.sampled_from([1, 2]))
def test_bounds_are_sound_and_tighten(holes, places, order):
    plane = board(holes, places)
    mesh = meshed(plane)
    assume(connected(mesh, plane))
    loops, options = loops_of(plane), Options(order=order)
    coarse = solve_on(mesh, len(plane.contacts), loops, 1.0, options)
    fine = solve_on(red_refined(mesh), len(plane.contacts), loops, 1.0, options)
    assert_sound(coarse)
    assert_sound(fine)
    assert_tightened(coarse, fine)


@given(cutouts, pads)
def test_brackets_hold_the_value_of_a_finer_solution(holes, places):
    plane = board(holes, places)
    mesh = meshed(plane)
    assume(connected(mesh, plane))
    loops = loops_of(plane)
    coarse = solve_on(mesh, len(plane.contacts), loops, 1.0, Options())
    fine = solve(plane, loops, 1.0, Options(accuracy=5e-3, most_triangles=60_000))
    assert_overlap(coarse, fine)


@given(cutouts, pads)
def test_scikit_fem_alone_finds_the_same_resistances(holes, places):
    plane = board(holes, places)
    mesh = meshed(plane)
    assume(connected(mesh, plane))
    loops = loops_of(plane)
    solution = solve_on(mesh, len(plane.contacts), loops, 1.0, Options())
    expected = resistance_of(conductance(mesh, len(plane.contacts)), loops)
    np.testing.assert_allclose(solution.lower, expected, rtol=1e-7, atol=1e-9)


@given(cutouts, pads, st.randoms(use_true_random=False))
def test_reciprocity_and_superposition(holes, places, random):
    plane = board(holes, places)
    mesh = meshed(plane)
    assume(connected(mesh, plane))
    count = len(plane.contacts)
    a, b, c = random.sample(range(count), 3)
    loops = [(a, c), (c, b), (a, b), (random.choice([b, c]), a)]
    solution = solve_on(mesh, count, loops, 1.0, Options())
    for bound in (solution.lower, solution.upper):
        scale = float(np.max(np.diag(bound)))
        np.testing.assert_allclose(bound, bound.T, atol=1e-9 * scale)
        np.testing.assert_allclose(bound[0] + bound[1], bound[2], atol=1e-8 * scale)


@given(cutouts, pads, st.lists(st.integers(1, WIDTH - 1), min_size=2, max_size=4, unique=True))
def test_current_through_a_cut_is_what_the_contacts_left_of_it_give(holes, places, cuts):
    # A cut from below to above the board: what passes it is the sum of what stands to its left.
    lines = [LineString([((x + 0.37) * MM, -MM), ((x + 0.37) * MM, (HEIGHT + 1) * MM)]) for x in cuts]
    plane = board(holes, places, sections=lines)
    mesh = meshed(plane)
    assume(connected(mesh, plane))
    loops = loops_of(plane)
    solution = solve_on(mesh, len(plane.contacts), loops, 1.0, Options())
    for section, x in enumerate(cuts):
        if any(abs(place[0] * 5 - x - 0.37) < 1.2 for place in places):
            continue  # a cut through a contact also cuts the current in the contact
        left = [place[0] * 5 < x + 0.37 for place in places]
        for number, (start, end) in enumerate(loops):
            expected = float(left[start]) - float(left[end])
            assert section_current(solution, section, number) == pytest.approx(expected, abs=1e-9)
            assert section_flux(solution, section, number, "stream") == pytest.approx(expected, abs=1e-8)
    for number, (start, end) in enumerate(loops):
        gives = [contact_current(solution, c, number) for c in range(len(plane.contacts))]
        np.testing.assert_allclose(gives, np.eye(len(gives))[start] - np.eye(len(gives))[end], atol=1e-9)


@given(cutouts, pads, st.integers(0, 4))
@example([box(19 * MM, -MM, 20 * MM, 29 * MM)], [(1, 1), (6, 1), (1, 5)], 0)
def test_filling_a_cutout_never_raises_a_resistance(holes, places, which):
    assume(holes)
    filled = [hole for number, hole in enumerate(holes) if number != which % len(holes)]
    less, more = board(holes, places), board(filled, places)
    meshes = meshed(less), meshed(more)
    assume(all(connected(mesh, plane) for mesh, plane in zip(meshes, (less, more), strict=True)))
    loops = loops_of(less)
    before, after = (solve_on(mesh, len(places), loops, 1.0, Options()) for mesh in meshes)
    # As quadratic forms: no loop, nor any mixture of loops, dissipates more.
    gained = np.linalg.eigvalsh(before.upper - after.lower)
    assert gained[0] > -1e-9 * np.max(np.diag(before.upper))


@given(cutouts, pads)
def test_area_is_the_drawing_s(holes, places):
    plane = board(holes, places)
    mesh = meshed(plane)
    free = shapely.get_parts(plane.copper.difference(shapely.union_all(list(plane.contacts))))
    # Copper that no contact's rim touches is left out.
    rims = shapely.union_all([contact.boundary for contact in plane.contacts])
    reached = sum(part.area for part in free if shapely.intersection(part.buffer(1e-8), rims).length > 1e-6)
    assert mesh.areas.sum() == pytest.approx(reached, rel=1e-6)
