"""Centre lines to a board outline: any order and sense, gaps, cut-outs, refusals."""

import itertools
import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from returnflow_geometry.fabrication.base.objects import FabricationError
from returnflow_geometry.fabrication.base.outline import STEPS, board_outline, loose_ends
from returnflow_geometry.fabrication.gerber.image import read_gerber


def sides(x0, y0, x1, y1):
    """The four sides of a rectangle, metres."""
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    return [np.array(pair, dtype=float) for pair in itertools.pairwise(corners)]


BOARD = sides(0, 0, 0.1, 0.06)
SLOT = sides(0.02, 0.02, 0.03, 0.04)


def outline(strokes):
    return board_outline(strokes, "invented.gm1")


class TestClosed:
    def test_a_rectangle_is_exact_and_needs_no_tolerance(self):
        shape, tolerance, notes = outline(BOARD)
        assert shape.area == pytest.approx(6e-3, rel=1e-12)
        assert shape.bounds == (0, 0, 0.1, 0.06)
        assert tolerance == STEPS[0]
        assert notes == ()

    @given(st.integers(0, 1000))
    def test_order_and_sense_do_not_matter(self, seed):
        mixed = BOARD + SLOT
        chance = random.Random(seed)
        chance.shuffle(mixed)
        shape, tolerance, notes = outline([line[::-1] if chance.random() < 0.5 else line for line in mixed])
        assert shape.area == pytest.approx(6e-3 - 2e-4, rel=1e-12)
        assert len(shape.interiors) == 1
        assert (tolerance, notes) == (STEPS[0], ())

    def test_one_closed_stroke(self):
        ring = np.concatenate([line[:1] for line in BOARD] + [BOARD[0][:1]])
        assert outline([ring])[0].area == pytest.approx(6e-3, rel=1e-12)

    def test_doubled_lines_count_once(self):
        shape, _, notes = outline(BOARD + [line[::-1] for line in BOARD])
        assert shape.area == pytest.approx(6e-3, rel=1e-12)
        assert notes == ()

    def test_board_within_a_cut_out(self):
        shape, _, notes = outline(BOARD + sides(0.01, 0.01, 0.05, 0.05) + SLOT)
        assert shape.area == pytest.approx(6e-3 - 16e-4 + 2e-4, rel=1e-12)
        assert notes == ()

    def test_two_boards_are_reported(self):
        shape, _, notes = outline(BOARD + sides(0.2, 0, 0.3, 0.06))
        assert shape.area == pytest.approx(12e-3, rel=1e-12)
        assert notes == ("The outline is 2 separate areas.",)

    def test_a_line_across_is_reported_and_does_not_divide(self):
        shape, _, notes = outline([*BOARD, np.array([[0.05, 0.0], [0.05, 0.06]])])
        assert shape.area == pytest.approx(6e-3, rel=1e-12)
        assert any("cross or divide" in note for note in notes)

    def test_read_from_an_image_with_arcs(self):
        # 20 mm by 10 mm, corners of 2 mm; an arc's chords keep the area.
        art = read_gerber(
            "%FSLAX33Y33*%%MOMM*%%ADD10C,0.1*%D10*G75*X2000Y0D02*G01*X18000D01*G03*X20000Y2000I0J2000D01*G01*Y8000D01*"
            "G03*X18000Y10000I-2000J0D01*G01*X2000D01*G03*X0Y8000I0J-2000D01*G01*Y2000D01*G03*X2000Y0I2000J0D01*"
            "X12000Y5000D02*G02*X12000Y5000I-2000J0D01*M02*",
            "invented.gm1",
        )
        shape, tolerance, notes = outline(art.strokes)
        assert shape.area * 1e6 == pytest.approx(200 - (4 - math.pi) * 4 - math.pi * 4, rel=1e-9)
        assert (tolerance, notes) == (STEPS[0], ())


class TestGaps:
    @pytest.mark.parametrize(
        ("gap", "used"),
        [(0.5e-9, 1e-9), (0.5e-6, 1e-6), (5e-6, 10e-6), (30e-6, 50e-6)],
        ids=["1nm", "1um", "10um", "50um"],
    )
    def test_the_smallest_tolerance_that_closes_is_used_and_told(self, gap, used):
        broken = [*BOARD[:3], BOARD[3] + np.array([[0, 0], [0, gap]])]
        shape, tolerance, notes = outline(broken)
        assert tolerance == used
        assert shape.area == pytest.approx(6e-3, rel=1e-4)
        assert (notes == ()) == (used == STEPS[0])

    def test_only_loose_ends_move(self):
        # Two corners of the slot's side are 20 um apart and stay so although another gap needs 50 um.
        slot = [np.array([[0.02, 0.02], [0.03, 0.02], [0.03, 0.02002], [0.02, 0.02002], [0.02, 0.02]])]
        shape, tolerance, _ = outline([*BOARD[:3], BOARD[3] + np.array([[0, 0], [30e-6, 0]]), *slot])
        assert tolerance == 50e-6
        (hole,) = shape.interiors
        assert np.ptp(np.array(hole.coords)[:, 1]) == pytest.approx(20e-6)

    def test_a_line_that_ends_on_another_is_joined_to_it(self):
        # The lid ends 5 um short of the two walls, away from their ends.
        walls = [np.array([[0.0, 0.05], [0.0, 0.0], [0.1, 0.0], [0.1, 0.05]])]
        lid = [np.array([[5e-6, 0.04], [0.1 - 5e-6, 0.04]])]
        shape, tolerance, notes = outline(walls + lid)
        assert shape.area == pytest.approx(4e-3, rel=1e-4)
        assert tolerance == 10e-6
        assert any("end nowhere" in note for note in notes)

    def test_a_wider_gap_is_refused_with_its_place_and_width(self):
        broken = [*BOARD[:3], BOARD[3] + np.array([[0, 0], [0, 0.3e-3]])]
        with pytest.raises(FabricationError, match=r"invented.gm1: the outline is not closed: 0.3 mm .*\(0, 0.3\) mm"):
            outline(broken)

    def test_loose_lines_beside_a_closed_outline_are_left_out_and_reported(self):
        shape, _, notes = outline([*BOARD, np.array([[0.2, 0.0], [0.25, 0.0]])])
        assert shape.area == pytest.approx(6e-3, rel=1e-12)
        assert any("1 lines of 50 mm in all end nowhere, the first at (200, 0) mm" in note for note in notes)

    @pytest.mark.parametrize("strokes", [[], [np.array([[0.0, 0.0], [0.0, 0.0]])], [np.array([[1.0, 1.0]])]])
    def test_nothing_drawn_is_refused(self, strokes):
        with pytest.raises(FabricationError, match="no lines"):
            outline(strokes)

    def test_loose_ends_of_a_corner(self):
        assert loose_ends([BOARD[0], BOARD[1]]).tolist() == [0, 3]

    @given(st.lists(st.floats(-20e-6, 20e-6), min_size=16, max_size=16))
    def test_shaken_ends_are_joined(self, shake):
        shaken = [line + np.array(shake[4 * i : 4 * i + 4]).reshape(2, 2) for i, line in enumerate(BOARD)]
        shape, tolerance, _ = outline(shaken)
        assert tolerance <= 50e-6 + 1e-12
        assert shape.area == pytest.approx(6e-3, rel=2e-3)
