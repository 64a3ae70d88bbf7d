"""Tiny Gerber images, one feature each, whose copper area has a closed form. All images are invented."""

import math

import pytest

from returnflow_geometry.fabrication.base.objects import CHORD
from returnflow_geometry.fabrication.gerber.image import read_gerber

MM = "%FSLAX33Y33*%%MOMM*%"  # three decimals: X1000 is 1 mm
PI = math.pi
STRAIGHT = 1e-6  # relative, as asked of straight-edged shapes
ROUND = 1e-9  # relative, full circles of equal area


def square(x, y, side):
    """Contour of a square, coordinates in thousandths of a millimetre."""
    a, b, c, d = x, y, x + side, y + side
    return f"X{a}Y{b}D02*G01*X{c}Y{b}D01*X{c}Y{d}D01*X{a}Y{d}D01*X{a}Y{b}D01*"


def region(*contours):
    return "G36*" + "".join(contours) + "G37*"


# Name, source without header and end, area in mm2 in closed form, tolerance: relative, or a length of curved boundary.
PLAIN = [
    ("round_flash", "%ADD10C,2*%D10*X0Y0D03*", PI, ROUND),
    ("round_flash_with_round_hole", "%ADD10C,2X1*%D10*X0Y0D03*", PI * 0.75, ROUND),
    ("round_flash_with_rectangular_hole", "%ADD10C,4X1X2*%D10*X0Y0D03*", 4 * PI - 2, ROUND),
    ("rectangle_flash", "%ADD10R,3X2*%D10*X5000Y5000D03*", 6, STRAIGHT),
    ("rectangle_flash_with_hole", "%ADD10R,3X2X1*%D10*X0Y0D03*", 6 - PI / 4, ROUND),
    ("obround_flash_wide", "%ADD10O,3X1*%D10*X0Y0D03*", 2 + PI / 4, ROUND),
    ("obround_flash_tall", "%ADD10O,1X3*%D10*X0Y0D03*", 2 + PI / 4, ROUND),
    ("obround_flash_with_hole", "%ADD10O,3X1X0.5*%D10*X0Y0D03*", 2 + PI / 4 - PI / 16, ROUND),
    ("hexagon_flash", "%ADD10P,2X6*%D10*X0Y0D03*", 1.5 * math.sqrt(3), STRAIGHT),
    ("hexagon_flash_turned", "%ADD10P,2X6X17.5*%D10*X0Y0D03*", 1.5 * math.sqrt(3), STRAIGHT),
    ("octagon_flash_with_hole", "%ADD10P,2X8X0X0.5*%D10*X0Y0D03*", 2 * math.sqrt(2) - PI / 16, ROUND),
    ("aperture_of_no_size", "%ADD10C,0*%D10*X0Y0D03*%ADD11R,1X1*%D11*X0Y0D03*", 1, STRAIGHT),
    ("flash_at_the_place_reached_before", "%ADD10R,1X1*%D10*X3000Y3000D02*D03*", 1, STRAIGHT),
    ("two_flashes_overlap", "%ADD10R,2X2*%D10*X0Y0D03*X1000Y1000D03*", 7, STRAIGHT),
    ("round_line", "%ADD10C,1*%D10*X0Y0D02*X3000Y4000D01*", 5 + PI / 4, ROUND),
    ("round_line_of_no_length", "%ADD10C,1*%D10*X0Y0D02*X0Y0D01*", PI / 4, ROUND),
    ("round_lines_with_a_right_angle", "%ADD10C,1*%D10*X0Y0D02*X4000D01*Y4000D01*", 8 - 0.25 + 5 * PI / 16, 1.0),
    ("rectangle_line_along_an_axis", "%ADD10R,2X1*%D10*X0Y0D02*X5000Y0D01*", 7, STRAIGHT),
    ("rectangle_line_oblique", "%ADD10R,2X1*%D10*X0Y0D02*X3000Y4000D01*", 2 + 3 * 1 + 4 * 2, STRAIGHT),
    ("half_ring_multi_quadrant", "%ADD10C,1*%D10*G75*X5000Y0D02*G03*X-5000Y0I-5000J0D01*", 5 * PI + PI / 4, 40),
    ("half_ring_clockwise", "%ADD10C,1*%D10*G75*X-5000Y0D02*G02*X5000Y0I5000J0D01*", 5 * PI + PI / 4, 40),
    ("quarter_ring_single_quadrant", "%ADD10C,1*%D10*G74*X5000Y0D02*G03*X0Y5000I5000J0D01*", 2.5 * PI + PI / 4, 20),
    ("full_ring", "%ADD10C,1*%D10*G75*X5000Y0D02*G03*X5000Y0I-5000J0D01*", 10 * PI, ROUND),
    ("ring_thicker_than_its_radius", "%ADD10C,4*%D10*G75*X1000Y0D02*G03*X1000Y0I-1000J0D01*", 9 * PI, 20),
    ("three_quarter_ring", "%ADD10C,1*%D10*G75*X5000Y0D02*G03*X0Y-5000I-5000J0D01*", 7.5 * PI + PI / 4, 60),
    ("single_quadrant_arc_of_no_length_is_a_dot", "%ADD10C,1*%D10*G74*X0Y0D02*G03*X0Y0I1000J0D01*", PI / 4, ROUND),
    ("region_square", region(square(0, 0, 4000)), 16, STRAIGHT),
    ("region_from_the_place_reached_before", "X0Y0D02*G36*G01*X4000D01*Y4000D01*X0D01*Y0D01*G37*", 16, STRAIGHT),
    ("region_of_two_contours", region(square(0, 0, 2000), square(5000, 0, 3000)), 13, STRAIGHT),
    ("region_of_two_contours_that_overlap", region(square(0, 0, 2000), square(1000, 1000, 2000)), 7, STRAIGHT),
    (
        "region_with_a_cut_in",
        (
            "G36*X0Y0D02*G01*X10000D01*Y10000D01*X0D01*Y5000D01*X3000D01*Y7000D01*X7000D01*Y3000D01*X3000D01*Y5000D01*"
            "X0D01*Y0D01*G37*"
        ),
        100 - 16,
        STRAIGHT,
    ),
    ("region_circle", "G75*G36*X3000Y0D02*G02*X3000Y0I-3000J0D01*G37*", 9 * PI, ROUND),
    ("region_half_disc", "G75*G36*X3000Y0D02*G03*X-3000Y0I-3000J0D01*G01*X3000Y0D01*G37*", 4.5 * PI, ROUND),
    ("region_takes_no_aperture_width", "%ADD10C,3*%D10*" + region(square(0, 0, 4000)), 16, STRAIGHT),
    (
        "dark_clear_dark",
        region(square(0, 0, 9000)) + "%LPC*%" + region(square(2000, 2000, 5000)) + "%LPD*%"
        "%ADD10R,1X1*%D10*X4000Y4000D03*",
        81 - 25 + 1,
        STRAIGHT,
    ),
    (
        "clear_before_dark_takes_nothing_away",
        "%LPC*%" + region(square(2000, 2000, 5000)) + "%LPD*%" + region(square(0, 0, 9000)),
        81,
        STRAIGHT,
    ),
    ("clear_across_the_edge", region(square(0, 0, 4000)) + "%LPC*%" + region(square(2000, 2000, 5000)), 12, STRAIGHT),
    (
        "clear_line_cuts_in_two",
        region(square(0, 0, 9000)) + "%LPC*%%ADD10R,1X1*%D10*X4000Y-3000D02*X4000Y12000D01*",
        72,
        STRAIGHT,
    ),
    (
        "clear_disc_inside",
        region(square(0, 0, 9000)) + "%LPC*%%ADD10C,2*%D10*X4000Y4000D03*",
        81 - PI,
        ROUND,
    ),
    ("hole_of_a_flash_does_not_erase", "%ADD10R,1X1*%%ADD11C,4X2*%D10*X0Y0D03*D11*X0Y0D03*", 3 * PI + 1, ROUND),
    ("step_repeat", "%ADD10R,1X1*%D10*%SRX3Y2I2.0J5.0*%X0Y0D03*%SR*%X0Y20000D03*", 7, STRAIGHT),
    ("step_repeat_ended_by_the_next", "%ADD10R,1X1*%D10*%SRX3Y1I2J0*%X0Y0D03*%SRX1Y4I0J2*%X0Y9000D03*", 7, STRAIGHT),
    (
        "step_repeat_clear_eats_the_copy_before",
        "%ADD10R,2X2*%%ADD11R,1X2*%%SRX3Y1I2J0*%%LPD*%D10*X0Y0D03*%LPC*%D11*X-1500Y0D03*%LPD*%%SR*%",
        # Each copy clears the right half of the one before, but for the last.
        4 + 2 + 2,
        STRAIGHT,
    ),
    ("block_aperture", "%ABD12*%%ADD10R,1X1*%D10*X0Y0D03*X2000D03*%AB*%D12*X0Y0D03*X0Y9000D03*", 4, STRAIGHT),
    (
        "block_aperture_within_another",
        "%ADD10R,1X1*%%ABD12*%D10*X0Y0D03*X2000D03*%AB*%%ABD13*%D12*X0Y0D03*Y5000D03*%AB*%D13*X0Y0D03*X50000D03*",
        8,
        STRAIGHT,
    ),
    (
        "block_aperture_flashed_clear_swaps",
        region(square(-5000, -5000, 10000))
        + "%ADD10R,4X4*%%ADD11R,2X2*%%ABD12*%%LPD*%D10*X0Y0D03*%LPC*%D11*X0Y0D03*%AB*%%LPC*%D12*X0Y0D03*",
        100 - 16 + 4,
        STRAIGHT,
    ),
    (
        "block_aperture_with_a_region_and_a_hole",
        "%ABD12*%" + region(square(0, 0, 4000)) + "%LPC*%" + region(square(1000, 1000, 1000)) + "%LPD*%%AB*%"
        "D12*X0Y0D03*%LR90*%X20000D03*",
        30,
        STRAIGHT,
    ),
    ("scaled_flash", "%ADD10R,3X2*%D10*%LS2*%X0Y0D03*", 24, STRAIGHT),
    ("scaled_line", "%ADD10C,1*%D10*%LS0.5*%X0Y0D02*X4000D01*", 2 + PI / 16, ROUND),
    ("turned_flash_overlaps_the_first", "%ADD10R,3X1*%D10*X0Y0D03*%LR90*%X0Y0D03*", 5, STRAIGHT),
    ("turned_line", "%ADD10R,3X1*%D10*%LR90*%X0Y0D02*X4000D01*", 5 * 3, STRAIGHT),
    ("region_is_not_scaled", "%LS2*%" + region(square(0, 0, 4000)), 16, STRAIGHT),
    ("macro_circle", "%AMA*1,1,2,5,5*%%ADD10A*%D10*X0Y0D03*", PI, ROUND),
    ("macro_vector_line", "%AMA*20,1,2,0,0,3,4,30*%%ADD10A*%D10*X0Y0D03*", 10, STRAIGHT),
    ("macro_centre_line", "%AMA*21,1,3,2,1,1,45*%%ADD10A*%D10*X0Y0D03*", 6, STRAIGHT),
    ("macro_lower_left_line", "%AMA*22,1,3,2,0,0,0*21,1,6,4,0,0,0*%%ADD10A*%D10*X0Y0D03*", 24, STRAIGHT),
    ("macro_outline", "%AMA*4,1,4,0,0,3,0,3,2,0,2,0,0,20*%%ADD10A*%D10*X0Y0D03*", 6, STRAIGHT),
    ("macro_polygon", "%AMA*5,1,8,1,1,2,0*%%ADD10A*%D10*X0Y0D03*", 2 * math.sqrt(2), STRAIGHT),
    ("macro_moire_of_crosshair_alone", "%AMA*6,0,0,0,1,1,0,1,5,30*%%ADD10A*%D10*X0Y0D03*", 9, STRAIGHT),
    ("macro_moire_rings", "%AMA*6,0,0,10,1,1,2,0,0,0*%%ADD10A*%D10*X0Y0D03*", PI * (25 - 16 + 9 - 4), ROUND),
    ("macro_moire_ends_in_a_disc", "%AMA*6,0,0,6,1,1,9,0,0,0*%%ADD10A*%D10*X0Y0D03*", PI * (9 - 4 + 1), ROUND),
    (
        "macro_thermal",
        "%AMA*7,0,0,10,6,1,45*%%ADD10A*%D10*X0Y0D03*",
        # Ring less two bands of width 1 across it: each band covers 2 (F(5) - F(3)) twice, F(r) the half chord area.
        PI * 16 - 4 * (0.5 * math.sqrt(24.75) + 25 * math.asin(0.1) - 0.5 * math.sqrt(8.75) - 9 * math.asin(1 / 6)),
        60,
    ),
    ("macro_exposure_off", "%AMA*21,1,4,4,0,0,0*21,0,2,2,0,0,0*%%ADD10A*%D10*X0Y0D03*", 12, STRAIGHT),
    ("macro_exposure_off_then_on", "%AMA*1,1,4,0,0*1,0,2,0,0*21,1,1,1,0,0,0*%%ADD10A*%D10*X0Y0D03*", 3 * PI + 1, ROUND),
    (
        "macro_exposure_off_spares_what_was_there",
        "%ADD11R,1X1*%%AMA*21,1,4,4,0,0,0*21,0,2,2,0,0,0*%%ADD10A*%D11*X0Y0D03*D10*X0Y0D03*",
        13,
        STRAIGHT,
    ),
    (
        "macro_arithmetic",
        "%AMA*0 remark*$3=$1x2*$4=($3-$2)/(1+2)*21,1,$3,$4+-1-(-1),0,0,0*%%ADD10A,4X2*%D10*X0Y0D03*",
        8 * 2,
        STRAIGHT,
    ),
    ("macro_unset_variable_is_zero", "%AMA*21,1,2+$7,3,$8,0,0*%%ADD10A*%D10*X0Y0D03*", 6, STRAIGHT),
    ("commands_in_one_pair_of_percent_signs", "%LPD*ADD10R,3X2*LNtop*%G54D10*X0Y0D03*", 6, STRAIGHT),
    ("operation_codes_of_one_digit_and_many_words", "%ADD10R,2X1*%G54D10*G1X0Y0D2*G1X5000D1*", 7, STRAIGHT),
    ("operation_code_holds_until_the_next", "%ADD10R,2X1*%D10*X0Y0D02*X5000D01*X9000*", 11, STRAIGHT),
    ("line_breaks_anywhere", "%ADD10R,\n3X2*%\nD1\n0*X0\r\nY0D03\n*", 6, STRAIGHT),
    ("comment_draws_nothing", "%ADD10R,3X2*%D10*G04 D10 X9Y9D03, 50% done*X0Y0D03*", 6, STRAIGHT),
    (
        "legacy_commands_that_change_nothing",
        "%ASAXBY*%%MIA0B0*%%OFA0B0*%%SFA1.0B1.0*%%IR0*%%ADD10R,3X2*%D10*X0Y0D03*",
        6,
        STRAIGHT,
    ),
]

HEADERS = [
    ("inch_leading_zeros_left_out", "%FSLAX24Y24*%%MOIN*%%ADD10R,1X1*%D10*X0Y0D03*X5000D03*", 1.5 * 645.16),
    ("inch_trailing_zeros_left_out", "%FSTAX24Y24*%%MOIN*%%ADD10R,1X1*%D10*X0Y0D03*X005D03*", 1.5 * 645.16),
    ("mm_trailing_zeros_left_out", "%FSTAX33Y33*%%MOMM*%%ADD10R,1X1*%D10*X000Y000D03*X0005D03*", 1.5),
    ("decimal_points", "%FSLAX33Y33*%%MOMM*%%ADD10R,1X1*%D10*X0Y0D03*X.5Y0.0D03*", 1.5),
    ("plus_signs", "%FSLAX33Y33*%%MOMM*%%ADD10R,1X1*%D10*X+0Y-0D03*X+500D03*", 1.5),
    ("unit_by_G71_and_absolute_by_G90", "G71*G90*%FSLAX33Y33*%%ADD10R,1X1*%D10*X0Y0D03*X500D03*", 1.5),
    ("unit_by_G70", "G70*%FSLAX24Y24*%%ADD10R,1X1*%D10*X0Y0D03*X5000D03*", 1.5 * 645.16),
    ("old_format_with_digit_counts", "%FSLAN2G2X33Y33D2M2*%%MOMM*%%ADD10R,1X1*%D10*X0Y0D03*X500D03*", 1.5),
    ("format_and_unit_in_one_command", "%FSLAX33Y33*MOMM*%%ADD10R,1X1*%D10*X0Y0D03*X500D03*", 1.5),
    ("six_decimals", "%FSLAX46Y46*%%MOMM*%%ADD10R,1X1*%D10*X0Y0D03*X500000D03*", 1.5),
]


def copper(source):
    """Area of all nets, in mm2, and the artwork."""
    artwork = read_gerber(source, "invented.gbr")
    assert all(shape.is_valid and not shape.is_empty for shape in artwork.nets.values())
    return sum(shape.area for shape in artwork.nets.values()) * 1e6, artwork


@pytest.mark.parametrize(("source", "area", "tolerance"), [case[1:] for case in PLAIN], ids=[case[0] for case in PLAIN])
def test_copper_area_is_the_closed_form(source, area, tolerance):
    got, artwork = copper(MM + source + "M02*")
    if tolerance in (STRAIGHT, ROUND):
        assert got == pytest.approx(area, rel=tolerance)
    else:
        # A curved boundary: the chord error along its length, in mm.
        assert got == pytest.approx(area, rel=0.0, abs=CHORD * 1e3 * tolerance)
    assert not artwork.negative


@pytest.mark.parametrize(("source", "area"), [case[1:] for case in HEADERS], ids=[case[0] for case in HEADERS])
def test_numbers_are_meant_as_the_header_says(source, area):
    got, artwork = copper(source + "M02*")
    assert got == pytest.approx(area, rel=STRAIGHT)
    assert artwork.notes == ()


def test_there_are_enough_cases_and_their_names_differ():
    names = [case[0] for case in PLAIN + HEADERS]
    assert len(set(names)) == len(names) >= 60
