"""Lines of flow where links share a current: whole, continuous, equal currents apart, from contact to contact."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

import solved
from cases import squared
from reporting import NOISY, VIAS, layered, result, stitched
from returnflow.answers.contours import streamlines
from returnflow.pictures import tracing
from returnflow.pictures.fields import TUBES
from returnflow.pictures.frame import Frame
from returnflow.pictures.maps import Maps, Window
from returnflow.pictures.tracing import Pieces, flow_lines, line_starts


def on(number):
    it = layered()
    return it.on(it.conductors.names.index(number)).solution


def chains(lines):
    """Ends of lines: points where more pieces start than end (+), or end than start (-)."""
    points, number = np.unique(np.round(lines.reshape(-1, 2), 10), axis=0, return_inverse=True)
    number = number.reshape(-1, 2)
    net = np.bincount(number[:, 0], minlength=len(points)) - np.bincount(number[:, 1], minlength=len(points))
    return points[net != 0], net[net != 0]


def near(points, net, place, within=0.31e-3):
    return int(net[np.hypot(*(points - place).T) < within].sum())


class TestPieces:
    @pytest.mark.parametrize("name", ["ground", "back"])
    def test_what_enters_through_the_rims_is_what_the_links_and_ends_carry(self, name):
        it, solution = layered(), on(name)
        pieces = Pieces.of(solution.mesh, solution.stream[0])
        rim = pieces.contact >= 0
        enters = np.bincount(pieces.contact[rim], pieces.inflow()[rim], minlength=len(it.conductors.terminals))
        wanted = np.zeros(len(it.conductors.terminals))
        if name == "ground":
            wanted[[it.conductors.number["B"], it.conductors.number["A"]]] = 1, -1
        for n, (a, b) in enumerate(it.whole.links.ends):
            for end, sign in ((a, -1), (b, 1)):
                if it.conductors.names[it.conductors.copper_of_contact[end]] == name:
                    wanted[end] += sign * it.whole.link_current[0, n]
        np.testing.assert_allclose(enters, wanted, atol=1e-9)

    def test_neighbours_are_neighbours_of_each_other(self):
        solution = on("ground")
        pieces = Pieces.of(solution.mesh, solution.stream[0])
        piece, side = np.nonzero(pieces.beside >= 0)
        other, edge = pieces.beside[piece, side], pieces.edge[piece, side]
        assert np.all(pieces.beside[other, edge] == piece)
        np.testing.assert_array_equal(pieces.points[piece, side], pieces.points[other, (edge + 1) % 3])
        outside = (pieces.beside < 0) & (pieces.contact < 0)
        values = pieces.values[outside], np.roll(pieces.values, -1, axis=1)[outside]
        np.testing.assert_allclose(*values, atol=1e-9)  # nothing flows through an insulated edge


def lines_on(it, name, tubes=TUBES):
    view = it.on(it.conductors.names.index(name))
    return Maps(view, Window((0, 0), 1e-4, (2, 2))).lines(0, 0.0, tubes)


class TestWholeLines:
    @given(st.integers(0, 2**32 - 1))
    def test_links_carry_whole_lines_within_one_and_no_copper_keeps_any(self, seed):
        rng = np.random.default_rng(seed)
        coppers, links = rng.integers(2, 5), rng.integers(3, 30)
        contacts = 2 * links + 2
        copper = rng.integers(0, coppers, contacts)
        copper[-2:] = 0  # the loop's ends
        ends = np.arange(2 * links).reshape(-1, 2)
        # Currents that come as they go on every copper: of closed ways through the links.
        incidence = np.zeros((coppers, links))
        np.add.at(incidence, (copper[ends[:, 1]], np.arange(links)), 1)
        np.add.at(incidence, (copper[ends[:, 0]], np.arange(links)), -1)
        current = rng.normal(0, 2, links)
        current -= np.linalg.pinv(incidence) @ incidence @ current
        fed = np.zeros(contacts)
        fed[-2:] = 20, -20
        starts = line_starts(current, ends, copper, fed)
        assert np.all(np.abs(starts[ends[:, 1]] - current) < 1)
        assert np.all(starts[ends[:, 0]] == -starts[ends[:, 1]])
        assert not np.bincount(copper, weights=starts).any()


class TestLines:
    def test_they_run_unbroken_from_where_current_enters_to_where_it_leaves(self):
        share = abs(layered().whole.link_current[0, layered().whole.links.names.index("via 1")])
        ground, back = (chains(lines_on(layered(), name)) for name in ("ground", "back"))
        through = round(20 * share)
        assert near(*ground, (0.034, 0.014)) == -near(*ground, (0.006, 0.006)) == 20
        # What leaves the one plane through a via enters the other.
        assert near(*back, (0.029, 0.015)) == -near(*back, (0.010, 0.008)) == through
        assert near(*ground, (0.010, 0.008)) == -near(*ground, (0.029, 0.015)) == through
        assert np.abs(back[1]).sum() == 2 * through  # and no other ends

    def test_their_current_is_what_the_via_takes_at_which_they_end(self):
        """Six vias, one of which takes next to nothing: none ends there, and both planes show the same."""
        it = stitched()
        carried = {name: it.whole.link_current[0, it.whole.links.names.index(name)] for name in VIAS}
        assert 0 < TUBES * abs(carried["poor"]) < 0.25
        ends = {name: chains(lines_on(it, name)) for name in ("up", "down")}
        for name, (x, y) in VIAS.items():
            up, down = (near(*ends[layer], (x / 1e3, y / 1e3)) for layer in ("up", "down"))
            assert up == -down
            assert abs(down - TUBES * carried[name]) < 1
        assert near(*ends["up"], (0.036, 0.026), 0.41e-3) == -near(*ends["up"], (0.005, 0.005), 0.41e-3) == TUBES
        assert near(*ends["up"], (0.014, 0.009)) == 0

    def test_where_most_links_carry_less_than_half_of_one_there_are_more(self):
        maps = Maps(stitched(), Window((0, 0), 1e-4, (2, 2)))
        assert maps.tubes(0, 0.0, TUBES) == TUBES
        assert maps.tubes(0, 0.0, 1) == 4

    def test_contours_would_break_there(self):
        points, _ = chains(streamlines(on("ground").mesh, on("ground").stream[0], 20))
        places = [layered().case.board.terminal(name).centre for name in ("A", "B", "v1", "v2", "v3", "S")]
        off = np.min([np.hypot(*(points - place).T) for place in places], axis=0)
        assert np.any(off > 1e-3)

    def test_between_neighbours_flows_the_same_current(self):
        # A cut across the plane between the vias: lines cross it where the current up to there is a whole number
        # of equal parts, counted from one end.
        it = result()
        j = it.index(NOISY)
        starts = np.zeros(len(it.conductors.terminals), dtype=int)
        starts[list(it.whole.loops[j])] = 20, -20
        lines = flow_lines(it.solution.mesh, it.solution.stream[j], 20, starts)
        cut = shapely.LineString([(0.02, 0.02), (0.02, 0.03)])
        hits = shapely.get_coordinates(shapely.intersection(shapely.linestrings(lines), cut))
        y = np.unique(np.round(hits[:, 1], 8))
        wanted = shapely.get_coordinates(
            shapely.intersection(shapely.linestrings(streamlines(it.solution.mesh, it.solution.stream[j], 20)), cut)
        )
        contours = np.unique(np.round(wanted[:, 1], 8))
        assert len(y) == len(contours) == 20
        # Counted in tubes of the contours, whose place is known, neighbours are one tube apart.
        place = np.interp(y[1:-1], contours, np.arange(20.0))
        off = np.sort(np.abs(np.diff(place) - 1.0))
        # A pad on the way passes whole lines on, and what it passes is none.
        assert off[-1] < 0.5
        assert off[-2] < 0.2

    def test_they_point_with_the_current(self):
        lines = lines_on(layered(), "back")
        way = (lines[:, 1] - lines[:, 0]).sum(axis=0)
        assert way @ (np.array([0.010, 0.008]) - np.array([0.029, 0.015])) > 0

    def test_without_current_there_are_none(self):
        solution = on("ground")
        assert flow_lines(solution.mesh, 0 * solution.stream[0], 20, np.zeros(2, dtype=int)).shape == (0, 2, 2)


def test_no_line_where_none_ends_and_none_is_wanted():
    # As on a plane where links leave only eddy currents: a programme without unknowns was refused.
    assert tracing._whole(np.empty((2, 0), dtype=np.int64), np.zeros(0), np.zeros(3, dtype=np.int64)).shape == (0,)


TWO_PLANES = """
format = 1
title = "two planes (invented)"
board = { outline = { rect = [0, 0, 24, 12] } }
layer = [
    { name = "L1", copper_um = 35, below_mm = 0.5 },
    { name = "L2", copper_um = 35, below_mm = 0.5 },
    { name = "L3", copper_um = 35 },
]
copper = [{ name = "upper", layer = "L2" }, { name = "lower", layer = "L3" }]
vias = [{ name = "stitch", coppers = ["upper", "lower"], drill_mm = 0.4, at = [[4, 3], [20, 3]] }]
terminal = [
    { name = "A", copper = "upper", at = [4, 9], diameter_mm = 0.8 },
    { name = "B", copper = "upper", at = [20, 9], diameter_mm = 0.8 },
]
solve = { frequencies_Hz = [0, 1e3], accuracy = 0.05 }
[[loop]]
name = "load"
role = "noisy"
inject = "B"
return = "A"
current_A = 1
frequency_Hz = 1e3
route = { layer = "L1", path = [[4, 9], [20, 9]], width_mm = 0.3 }
"""


@pytest.mark.parametrize("frequency", [0.0, 1e3])
def test_where_links_share_a_current_lines_lead_from_contact_to_contact_at_every_frequency(frequency):
    result = solved.study(squared(TWO_PLANES), "as drawn")["as drawn"]
    where = {"upper": [(4, 9), (20, 9), (4, 3), (20, 3)], "lower": [(4, 3), (20, 3)]}
    lines = {}
    for copper in (0, 1):
        view = result.on(copper)
        maps = Maps(view, Frame(view, "", "").window)
        assert maps.shared(0, frequency)
        pieces = maps.lines(0, frequency, 10)
        ends, times = np.unique(pieces.reshape(-1, 2).round(9), axis=0, return_counts=True)
        tips = ends[times == 1]
        away = np.hypot(*(tips[:, None] - 1e-3 * np.array(where[view.copper])).transpose(2, 0, 1)).min(axis=1)
        assert len(tips)
        assert np.max(away) < 0.41e-3
        lines[view.copper] = len(tips) // 2
    # Ten lines in all, of which the lower plane has what the vias carry.
    through = np.abs(maps.through(0, frequency)[0])
    assert lines["lower"] == pytest.approx(10 * through.mean(), abs=1)
    assert 10 <= lines["upper"] <= 10 + lines["lower"]
