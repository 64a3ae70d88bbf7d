"""Copper that no loop reaches: what induction drives round in it, and what that does to the loops."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from inductive import Ideal
from layered import MM, case, edge, via
from returnflow.magnetic.meshing import mesh_of, system_of
from returnflow.magnetic.solving import solve_expelled
from returnflow.magnetic.unseen import unseen
from returnflow.resistive import conductors as conductors_module
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import MU0
from returnflow_geometry.model.board import Copper, Loop, Outgoing
from returnflow_geometry.model.shapes import rectangle

WIDTH = 6.0  # mm


# ---------------------------------------------------------------- own code: two planes in cross-section


def cross_section(h1, h2, traces, width=WIDTH, *, tied, count=400):
    """
    Inductance per length of traces between two perfect planes, without what they would have with no plane at all.

    Lengths in mm; the return is in the plane below (at -h1), the one above (at h2) is tied to it or floats. Strips of
    uniform current, finer towards the edges and under the traces; textbook: A = -mu0/2pi ln r, the mean distance of a
    strip from itself is its width times exp(-3/2). Also the part of the first return in the plane below.
    """
    around = [np.sinh(np.linspace(-6, 6, count)) / np.sinh(6) * width for _ in traces]
    edges = np.cos(np.linspace(0, np.pi, count)) * width / 2
    marks = np.unique(np.concatenate([edges, *(x + a for x, a in zip(traces, around, strict=True))]))
    marks = marks[np.abs(marks) <= width / 2]
    marks = marks[np.concatenate([[True], np.diff(marks) > 1e-4])]
    x, w = 0.5 * (marks[1:] + marks[:-1]), np.diff(marks)

    def averaged(place, height):
        """Mean of ln r over every strip, of places at a height over its plane."""
        u = np.stack([marks[:-1], marks[1:]]) - place[:, None, None]
        part = 0.5 * u * np.log(u**2 + height**2) - u
        if height:
            part = part + height * np.arctan(u / height)
        return (part[:, 1] - part[:, 0]) / w

    own, across = averaged(x, 1e-9), averaged(x, h1 + h2)
    planes = -np.block([[own, across], [across, own]])
    drive = -np.stack([np.concatenate([averaged(np.array([t]), h)[0] for h in (h1, h2)]) for t in traces], axis=1)
    # Constraints: the currents of the planes; each has a flux of its own, or both one.
    sums = np.kron(np.eye(2), np.ones(len(x)))
    sums = sums.sum(axis=0, keepdims=True) if tied else sums
    wanted = -np.ones((1, len(traces))) if tied else np.array([[-1.0], [0.0]]) * np.ones((2, len(traces)))
    size = len(sums)
    matrix = np.block([[planes, sums.T], [sums, np.zeros((size, size))]])
    found = np.linalg.solve(matrix, np.concatenate([-drive, wanted]))
    currents = found[:-size]
    per_length = MU0 / (2 * np.pi) * (drive.T @ currents + currents.T @ drive + currents.T @ planes @ currents)
    return per_length, -currents[: len(x), 0].sum()


@pytest.mark.parametrize("tied", [True, False])
def test_the_own_code_knows_two_wide_planes(tied):
    # Textbook, two perfect planes: the return divides as 1/h1 to 1/h2. With no net current in the upper one what it
    # would have taken runs back in it, spread over its width, and in the lower one: mu0 (h1 + h2)/W share² more.
    h1, h2, wide = 0.5, 1.5, 400.0
    per_length, below = cross_section(h1, h2, [0.0], wide, tied=tied)
    images = cross_section(h1, h2, [0.0], wide, tied=True)[0] if not tied else per_length
    assert below == pytest.approx(h2 / (h1 + h2) if tied else 1.0, rel=0.01)
    share = h1 / (h1 + h2)
    if not tied:
        assert (per_length - images)[0, 0] == pytest.approx(MU0 * (h1 + h2) / wide * share**2, rel=0.05)
    # Image series of a filament at h1 in a gap of h1 + h2 over the free one, textbook: ln(2 D/(pi a) sin(pi h1/D)).
    gap = h1 + h2
    closed = MU0 / (2 * np.pi) * np.log(2 * gap / np.pi * np.sin(np.pi * h1 / gap))
    assert images[0, 0] == pytest.approx(closed, rel=0.05)


# ---------------------------------------------------------------- boards


def sandwich(length, h1, h2, *, upper="idle", traces=(0.0, 1.5), accuracy=0.025):
    """Traces between two planes, the return in the lower one; the upper one floats, is tied at both ends, or is not."""
    names = ["ground", *(["upper"] if upper else [])]
    layers = {"ground": "L3", "upper": "L1"}
    outline = rectangle(0, -WIDTH / 2 * MM, length * MM, WIDTH / 2 * MM)
    coppers = [Copper(name=name, layer=layers[name], shape=outline) for name in names]
    fed = names if upper == "tied" else names[:1]
    ends = [edge(f"{n}{s}", n, x, -WIDTH / 2, x + 1, WIDTH / 2) for n in fed for s, x in (("L", 0), ("R", length - 1))]
    loops = []
    for n, y in enumerate(traces):
        path = ((0.5 * MM, y * MM), ((length - 0.5) * MM, y * MM))
        route = Outgoing(layer="L2", path=path, width=0.1 * MM)
        loops.append(Loop(name=f"trace {n}", role="noisy", inject="groundR", return_="groundL", current=1.0,
                          frequency=1e6, route=route))  # fmt: skip
    links = [via(s, f"ground{s}", f"upper{s}") for s in "LR"] if upper == "tied" else []
    review = case(coppers, ends, links, loops, layers=3, thickness=(35e-6, 35e-6, 35e-6), below=0.1 * MM)
    first, second, third = review.board.layers
    stack = (dataclasses.replace(first, below=h2 * MM), dataclasses.replace(second, below=h1 * MM), third)
    return dataclasses.replace(review, board=dataclasses.replace(review.board, layers=stack), accuracy=accuracy)


@functools.cache
def per_length(h1, h2, upper):
    """Inductances per length at high frequency, from two lengths, H/m."""
    found = []
    for length in (16, 26):
        review = sandwich(length, h1, h2, upper=upper, accuracy=0.01)
        conductors = Conductors.of(review)
        found.append(solve_expelled(review, conductors, conductors.ends(review)).inductance)
    return (found[1] - found[0]) / (10 * MM)


@pytest.mark.parametrize(("h1", "h2"), [(0.8, 0.8), (0.8, 2.4)])
def test_a_floating_plane_over_a_trace_does_what_it_does_in_cross_section(h1, h2):
    floating, alone = per_length(h1, h2, "idle"), per_length(h1, 0.8, "")
    expected = cross_section(h1, h2, [0.0, 1.5], tied=False)[0]
    tied = cross_section(h1, h2, [0.0, 1.5], tied=True)[0]
    # What no plane changes, of the traces themselves, drops out of the difference to the same with both planes tied.
    bound = per_length(h1, h2, "tied")
    assert (floating - bound)[0, 0] == pytest.approx((expected - tied)[0, 0], rel=0.1)
    assert (floating - bound)[0, 1] == pytest.approx((expected - tied)[0, 1], rel=0.1)
    assert np.all(np.diag(floating) < np.diag(alone))


@pytest.mark.parametrize(("h1", "h2"), [(0.4, 0.4), (0.4, 1.2)])
def test_the_return_divides_between_two_tied_planes_as_one_over_their_distances(h1, h2):
    review = sandwich(24, h1, h2, upper="tied", traces=(0.0,))
    conductors = Conductors.of(review)
    system = system_of(review, conductors, conductors.ends(review))
    K = system.currents[0, :, 0] + system.curl[0] @ Ideal.of(system).answer[:, 0]
    mesh = system.space.mesh
    x = mesh.points[mesh.triangles].mean(axis=1)[:, 0]
    middle = (np.abs(x - 12 * MM) < 3 * MM) * mesh.areas
    upper, lower = (float(K @ (middle * (mesh.copper_of == n))) for n in (1, 0))
    assert upper / (upper + lower) == pytest.approx(h1 / (h1 + h2), abs=0.02)


def test_no_current_enters_or_leaves_it_and_the_resistive_end_is_as_without_it():
    with_it, without = (sandwich(24, 0.4, 1.2, upper=upper) for upper in ("idle", ""))
    systems = []
    for review in (with_it, without):
        conductors = Conductors.of(review)
        systems.append(system_of(review, conductors, conductors.ends(review)))
    first, second = systems
    assert first.resistance == pytest.approx(second.resistance, rel=1e-12)
    idle = first.space.mesh.copper_of == 1
    assert np.all(first.currents[:, idle] == 0)
    # Few triangles: as coarse as the field there is smooth.
    assert 20 < np.count_nonzero(idle) < 0.5 * len(second.space.mesh.triangles)
    # Every column of stream values is constant along its edges: nothing leaves, whatever is driven round.
    mesh = first.space.mesh
    ends = np.sort(mesh.edge_ends[idle].reshape(-1, 2), axis=1)
    pairs, times = np.unique(ends, axis=0, return_counts=True)
    outline = np.unique(pairs[times == 1])
    tri, corner = np.nonzero(np.isin(mesh.triangles, outline) & idle[:, None])
    values = first.to_local[3 * tri + corner]
    assert abs(values).max() == 0 if values.nnz else True


def test_it_is_coarse_behind_copper_that_shields_it():
    review = sandwich(24, 0.2, 1.2)
    over = dataclasses.replace(review.board.layer("L3"), name="L4")
    first, second, third = review.board.layers
    layers = (first, second, dataclasses.replace(third, below=1.0 * MM), over)
    found = []
    for layer in ("L1", "L4"):
        coppers = (review.board.coppers[0], dataclasses.replace(review.board.coppers[1], layer=layer))
        moved = dataclasses.replace(review, board=dataclasses.replace(review.board, layers=layers, coppers=coppers))
        conductors = Conductors.of(moved)
        found.append(np.bincount(mesh_of(moved, conductors, conductors.ends(moved)).copper_of))
    facing, behind = found
    assert facing[0] == behind[0]  # of the ground
    assert behind[1] < 0.7 * facing[1] < 0.3 * facing[0]


def test_coppers_contacts_and_links_of_the_loops_keep_their_numbers():
    review = sandwich(24, 0.4, 1.2, upper="tied")
    board = review.board
    spare = Copper(name="spare", layer="L1", shape=rectangle(-9 * MM, 0, -2 * MM, 5 * MM))
    far = Copper(name="far", layer="L1", shape=rectangle(-30 * MM, 0, -20 * MM, 5 * MM))
    ends = (edge("s1", "spare", -9, 0, -8, 5), edge("s2", "spare", -3, 0, -2, 5), *board.terminals)
    links = (via("own", "s1", "s2", 1e-3), *board.links)
    more = dataclasses.replace(board, coppers=(far, spare, *board.coppers), terminals=ends, links=links)
    review = dataclasses.replace(review, board=more)
    live, every = Conductors.of(review), Conductors.magnetic(review)
    assert every.names == (*live.names, "spare")
    assert every.terminals == (*live.terminals, "s1", "s2")
    assert every.links.names == (*live.links.names, "own")
    assert (every.idle, every.left_out, live.left_out) == (1, ("far",), ("far", "spare"))


def test_what_is_beyond_reach_would_change_about_what_is_estimated(monkeypatch):
    review = sandwich(24, 1.0, 1.0, upper="")
    plate = Copper(name="plate", layer="L1", shape=rectangle(0, 8 * MM, 24 * MM, 20 * MM))
    review = dataclasses.replace(
        review, board=dataclasses.replace(review.board, coppers=(*review.board.coppers, plate))
    )
    conductors = Conductors.of(review)
    ends = conductors.ends(review)
    found = [solve_expelled(review, conductors, ends).inductance]
    monkeypatch.setattr(conductors_module, "REACH", 1 * MM)
    found.append(solve_expelled(review, conductors, ends).inductance)
    part = unseen(review, system_of(review, conductors, ends))
    assert list(part) == ["plate"]
    taken = np.max(np.diag(found[1] - found[0]) / np.diag(found[1]))
    assert taken > 0
    assert 0.5 * taken < part["plate"] < 10 * taken
