"""Contacts of vias drawn as squares: bounds hold as with their shape, and their cost is known."""

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from returnflow.resistive.conduction import solve, solve_on
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.links import Links
from returnflow.resistive.solution import Options
from returnflow.resistive.squares import Rims, middles_and_radii, squares, with_squares
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.mesh.sizes import starting_size
from returnflow_geometry.mesh.union import united
from returnflow_geometry.model.shapes import circle, rectangle

MM = 1e-3
VIA = 0.6 * MM


@functools.cache
def stitched(pitch=4.0):
    """Two planes with vias between them; a loop from plane to plane enters and leaves by larger pads."""
    places = [(x * MM, y * MM) for x in np.arange(2, 39, pitch) for y in np.arange(2, 29, pitch)]
    ends = [circle(5.5 * MM, 6.5 * MM, 1 * MM), circle(33.5 * MM, 22 * MM, 1 * MM)]
    apart = [at for at in places if all(end.distance(shapely.Point(at)) > VIA for end in ends)]
    planes = []
    for n in range(2):
        contacts = [ends[n], *(circle(*at, VIA) for at in apart)]
        planes.append(Plane(rectangle(0, 0, 40 * MM, 30 * MM), contacts))
    count = len(apart) + 1
    numbers = (np.arange(count), count + np.arange(count))
    via = np.column_stack([1 + np.arange(len(apart)), count + 1 + np.arange(len(apart))])
    none = np.zeros(len(apart))
    links = Links(tuple(f"via {n}" for n in range(len(apart))), via, none + 0.2, none, none)
    nothing = (np.array([], dtype=np.int64),) * 2
    return Conductors(
        ("top", "low"), tuple(planes), np.ones(2), np.full(2, 35e-6), numbers, nothing, nothing,
        tuple(f"{n}" for n in range(2 * count)), (0, 0), np.array([[0, MM], [MM, 0]]), links,
    )  # fmt: skip


@functools.cache
def on_one_mesh(size, *, boxed, order=2):
    whole = stitched()
    found = [squares(plane, [0]) if boxed else {} for plane in whole.planes]
    meshes = []
    for plane, own in zip(whole.planes, found, strict=True):
        mesher = Mesher(with_squares(plane, own))
        field = starting_size(mesher.coarse(), size, corner=0.5)
        # Hundreds of square corners: finer at them, bounds are no more than a twentieth of what is allowed for closer.
        coarser = replace(field, sizes=np.maximum(field.sizes, 0.1 * MM), growth=0.5)
        meshes.append(mesher.graded(coarser if boxed else field))
    mesh = united(meshes, whole.contacts, whole.regions, whole.sections, (0, 0))
    weight = whole.weight(mesh)
    rim = Rims.of(mesh, *middles_and_radii(whole.planes, whole.contacts, found, len(whole.terminals)), weight)
    loop = (0, len(whole.contacts[0]))
    other = (0, 7)  # to a via, which has its shape only where nothing is boxed
    return solve_on(mesh, len(whole.terminals), [loop, other], 1.0, Options(order=order), weight, whole.links, rim)


def test_only_round_contacts_that_stand_clear_are_squares():
    plane = stitched().planes[0]
    found = squares(plane, [0, 3])
    assert set(found) == set(range(1, len(plane.contacts))) - {3}
    assert all(found[n].contains(plane.contacts[n]) for n in found)
    near = replace(plane, copper=shapely.difference(plane.copper, circle(2.5 * MM, 2 * MM, 0.4 * MM)))
    assert 1 not in squares(near, [0])
    assert squares(replace(plane, contacts=plane.contacts[:40]), [0]) == {}


@pytest.mark.parametrize("order", [1, 2])
def test_a_ring_between_circles_costs_what_its_textbook_says(order):
    """A via in the middle of a disc: ln(b / a) / (2 pi), plane radial flow; the square must hold it from both sides."""
    outer = circle(0, 0, 20 * MM, corners=256)
    middle = circle(0, 0, VIA, corners=64)
    ring = shapely.difference(circle(0, 0, 24 * MM, corners=256), outer)
    plane = Plane(outer.union(ring), [middle, ring])
    a = shapely.distance(shapely.Point(0, 0), middle.exterior)
    exact = math.log(10 * MM / a) / (2 * math.pi)
    square = rectangle(-VIA / 2, -VIA / 2, VIA / 2, VIA / 2)
    mesher = Mesher(replace(plane, contacts=[square, ring]))
    mesh = mesher.graded(starting_size(mesher.coarse(), 0.5 * MM, corner=0.02))
    rims = Rims.of(mesh, np.zeros((2, 2)), np.array([a, 0.0]), np.ones(len(mesh.triangles)))
    result = solve_on(mesh, 2, [(0, 1)], 1.0, Options(order=order), rims=rims)
    low, high = result.lower[0, 0], result.upper[0, 0]
    assert low < exact < high
    assert solve_on(mesh, 2, [(0, 1)], 1.0, Options(order=order)).upper[0, 0] < exact  # without its cost, no bound
    # Round a square that takes up 1 A evenly, the rim's own part is the mean of ln(1 / cos) over 2 pi: 0.0175.
    assert result.rim[0, 0] == pytest.approx(0.0175, rel=0.25)
    assert high - low < 0.05
    np.testing.assert_allclose(result.gap.sum() + result.rim.sum(), high - low, rtol=1e-9)


def test_squares_bracket_what_the_shapes_give_as_quadratic_forms():
    drawn, boxed = on_one_mesh(0.7 * MM, boxed=False), on_one_mesh(2 * MM, boxed=True)
    slack = 3 * np.max(drawn.half_width)
    assert np.linalg.eigvalsh(drawn.mid - boxed.lower).min() > -slack
    assert np.linalg.eigvalsh(boxed.upper - drawn.mid).min() > -slack
    assert boxed.rim.sum() > 0
    np.testing.assert_allclose(
        boxed.gap.sum(axis=1) + boxed.rim.sum(axis=1) + _links(boxed), np.diag(boxed.upper - boxed.lower), rtol=1e-6
    )


def _links(result):
    """What the two sides differ by in links, ohm."""
    ends, ohm = result.links.ends, result.links.resistance
    volts = result.contact_potential[ends[:, 0]] - result.contact_potential[ends[:, 1]]
    return np.sum((volts.T / ohm - result.link_current) ** 2 * ohm, axis=1)


def test_the_bracket_holds_at_every_accuracy_and_closer_ones_draw_more_shapes():
    whole = stitched()
    truth = on_one_mesh(0.7 * MM, boxed=False)
    loop = (0, len(whole.contacts[0]))
    seen = []
    for accuracy in (0.05, 0.002):
        lines = []
        result = solve(whole, [loop], options=Options(accuracy=accuracy), progress=lines.append)
        seen.append(int(lines[-1].split(" contacts as squares")[0].rsplit(", ", 1)[1]) if "squares" in lines[-1] else 0)
        assert abs(result.mid[0, 0] - truth.mid[0, 0]) <= result.half_width[0, 0] + truth.half_width[0, 0]
    assert seen[0] > 100
    assert seen[1] < seen[0]
