"""
Every resistive entry of the table of independent check values, with the source of each number.

Marks: "verified by bracket" (a separate two-sided finite-element bound), "verified by two methods", "derived" (for
this project), "read as abstract" (the source was found but read as abstract or excerpt only), "from memory".

Lengths are in metres, but only ratios matter: resistances are in squares (sheet resistance 1). Straight-edged
shapes must hold the exact value inside the bracket at the default accuracy, with the mid value within 2e-4. Round
shapes are drawn as polygons of equal area (mid value within 1e-3 of the round one's value), and where the table has
one resistance, as polygons inside and outside the circle, whose bounds must then enclose the exact value.
"""

import math

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Polygon, box

from judges import (
    assert_bracketed,
    assert_falling,
    assert_order,
    assert_sound,
    assert_squeezed,
    circumscribed,
    extrapolated,
    inscribed,
    section_current,
    section_flux,
)
from returnflow.resistive import foil
from returnflow.resistive.conduction import solve
from returnflow.resistive.solution import Options
from returnflow_geometry.mesh.mesher import Plane
from returnflow_geometry.model.shapes import circle

STRAIGHT = 2e-4  # relative error of the mid value, straight-edged shapes
ROUND = 1e-3
LN2 = math.log(2)


def squares(copper, contacts, loops=((0, 1),), *, accuracy=0.01, sections=()):
    """Solve with a sheet resistance of one ohm per square; every solution must be sound."""
    solution = solve(Plane(copper, contacts, sections=sections), loops, 1.0, Options(accuracy=accuracy))
    assert_sound(solution)
    return solution


def with_contacts(copper, *contacts):
    """Copper with its end contacts soldered on: a contact is cut out of copper, so it must have some."""
    return shapely.union_all([copper, *contacts]), list(contacts)


class TestCopperAndFoil:
    """NBS Handbook 100 (1966), read as abstract, and arithmetic; verified."""

    def test_annealed_copper_at_20_degrees(self):
        assert foil.resistivity(20.0) == pytest.approx(1.724138e-8, rel=1e-6)

    @pytest.mark.parametrize(("celsius", "ratio"), [(0, 0.92140), (25, 1.01965), (85, 1.25545), (125, 1.41265)])
    def test_temperature_law(self, celsius, ratio):
        assert foil.resistivity(celsius) / foil.resistivity(20.0) == pytest.approx(ratio, abs=5e-6)

    def test_sheet_resistance_of_the_trade_s_ounce_of_copper(self):
        assert foil.sheet_resistance(35e-6) == pytest.approx(0.492611e-3, rel=1e-6)

    def test_one_ounce_per_square_foot_is_half_a_milliohm_per_square(self):
        # 28.349523 g over 0.09290304 m2 of copper of 8.89 g/cm3: 34.3 um.
        thickness = 28.349523e-3 / 0.09290304 / 8890
        assert thickness == pytest.approx(34.3e-6, rel=1e-3)
        assert foil.sheet_resistance(thickness) == pytest.approx(0.5e-3, rel=0.01)

    @pytest.mark.parametrize(("frequency", "depth"), [(1e3, 2.08981e-3), (1e6, 66.0855e-6), (1e8, 6.60855e-6)])
    def test_skin_depth(self, frequency, depth):
        assert foil.skin_depth(frequency) == pytest.approx(depth, rel=3e-6)


def bend(arm):
    """Right-angle bend of unit width, arms of length `arm` beyond the corner square."""
    return with_contacts(
        box(0, 0, 1 + arm, 1).union(box(0, 0, 1, 1 + arm)), box(1 + arm, 0, 2 + arm, 1), box(0, 1 + arm, 1, 2 + arm)
    )


def obstacle(length, *openings):
    """
    Half of a strip of unit width with a zero-width cut across it, by symmetry.

    The plane of the cut is an equipotential where it is open, and insulated where it is cut: a cut of no width is
    solved exactly by one half that ends in a contact at the openings, at twice the excess.
    """
    parts = MultiPolygon([box(-1, y0, 0, y1) for y0, y1 in openings])
    return with_contacts(box(0, 0, length, 1), box(length, 0, length + 1, 1), parts)


class TestStraightShapes:
    @pytest.mark.parametrize(("length", "width"), [(3.0, 1.0), (0.2, 1.0), (0.1, 0.003)])
    def test_strip_is_length_over_width(self, length, width):
        # The uniform field lies in both spaces: exact but for rounding.
        copper, ends = with_contacts(
            box(0, 0, length, width), box(-width, 0, 0, width), box(length, 0, length + width, width)
        )
        solution = squares(copper, ends)
        assert solution.lower[0, 0] == pytest.approx(length / width, rel=1e-9)
        assert solution.upper[0, 0] == pytest.approx(length / width, rel=1e-9)

    def test_right_angle_bend(self):
        # Hagedorn and Hall, J. Appl. Phys. 34 (1963) 128, read as abstract; verified by bracket.
        corner = 1 - 2 / math.pi * LN2
        assert corner == pytest.approx(0.55872880, abs=5e-9)
        assert_bracketed(squares(*bend(3)), 6 + corner, mid=STRAIGHT)
        fine = squares(*bend(3), accuracy=1e-4)
        assert_bracketed(fine, 6 + corner, mid=1e-5)
        assert fine.mid[0, 0] - 6 == pytest.approx(corner, rel=STRAIGHT)  # the corner alone, not only the arms

    def test_arms_longer_than_three_widths_change_nothing(self):
        three, four = squares(*bend(3), accuracy=1e-4), squares(*bend(4), accuracy=1e-4)
        assert four.mid[0, 0] - three.mid[0, 0] == pytest.approx(2, abs=1e-4)

    @pytest.mark.parametrize(
        ("openings", "excess"),
        [
            # Marcuvitz, Waveguide Handbook (1951), from memory; each verified by bracket.
            pytest.param([(0.5, 1)], 0.44127120, id="half cut from one edge"),
            pytest.param([(0.25, 0.75)], 0.22063560, id="two-sided cut, 0.5 open"),
            pytest.param([(0.375, 0.625)], 0.61150333, id="two-sided cut, 0.25 open"),
            pytest.param([(0.45, 0.55)], 1.18100487, id="two-sided cut, 0.1 open"),
            pytest.param([(0, 0.25), (0.75, 1)], 0.22063560, id="centred slot, 0.5 open"),
            pytest.param([(0, 0.125), (0.875, 1)], 0.61150333, id="centred slot, 0.25 open"),
        ],
    )
    def test_zero_width_cut_across_a_strip(self, openings, excess):
        # Where a contact ends on a straight edge the current density grows as 1/sqrt(r).
        total = 3 + excess / 2
        assert_bracketed(squares(*obstacle(3, *openings)), total, mid=STRAIGHT)
        fine = squares(*obstacle(3, *openings), accuracy=2e-4)
        assert_bracketed(fine, total, mid=2e-5)
        assert 2 * (fine.mid[0, 0] - 3) == pytest.approx(excess, rel=STRAIGHT)

    @pytest.mark.parametrize(("open_part", "excess"), [(0.5, 0.22063560), (0.25, 0.61150333), (0.1, 1.18100487)])
    def test_closed_form_of_the_two_sided_cut(self, open_part, excess):
        assert 2 / math.pi * math.log(1 / math.sin(math.pi * open_part / 2)) == pytest.approx(excess, abs=5e-9)

    def test_drawn_slot_approaches_the_cut_of_no_width(self):
        # A slot as it is drawn, with both sides: its excess falls towards the zero-width value as it narrows.
        exact = 2 / math.pi * LN2
        widths, errors = (0.04, 0.02, 0.01, 0.005), []
        for width in widths:
            strip = box(-2, 0, 2, 1).difference(box(-width / 2, 0, width / 2, 0.5))
            copper, ends = with_contacts(strip, box(-3, 0, -2, 1), box(2, 0, 3, 1))
            errors.append(float(squares(copper, ends, accuracy=1e-3).mid[0, 0]) - 4 - exact)
        # The rounding of the current round a tip of width w costs w ln(1/w): a little slower than w itself.
        assert_order(widths, errors, order=0.85, margin=0.1, ceiling=0.03 * exact)
        # Within the slot the strip has half its width: at least one slot width more.
        assert all(error > width for error, width in zip(errors, widths, strict=True))

    def test_hatched_plane(self):
        # Craster and Obnosov 2001; Milton, J. Math. Phys. 42 (2001) 4873, read as abstract; verified by bracket.
        # One cell: its sides across the current are equipotentials by symmetry, those along it are insulated.
        cell = box(0, 0, 1, 1).difference(box(0.25, 0.25, 0.75, 0.75))
        copper, ends = with_contacts(cell, box(-0.1, 0, 0, 1), box(1, 0, 1.1, 1))
        assert_bracketed(squares(copper, ends), math.sqrt(3), mid=STRAIGHT)
        assert_bracketed(squares(copper, ends, accuracy=1e-4), math.sqrt(3), mid=1e-5)


def quartered_disc(corners):
    """Regular polygon with contacts on the sides that face right and left, a quarter of the rim each."""
    rim = np.array(inscribed(0, 0, 1, corners, phase=math.pi / 4).exterior.coords)[:-1]

    def sector(first):
        pieces = rim[(first + np.arange(corners // 4 + 1)) % corners]
        return Polygon(np.vstack([pieces, 1.1 * pieces[::-1]]))

    return with_contacts(Polygon(rim), sector(corners // 4), sector(3 * corners // 4))


def ring_sector(inner, outer):
    """Quarter of a ring with a contact across each end, soldered on outside."""
    outside, inside = np.array(outer.exterior.coords), np.array(inner.exterior.coords)
    quarter = Polygon(outer.exterior.coords, [inner.exterior.coords]).intersection(box(0, 0, 9, 9))
    assert outside[0, 1] == inside[0, 1] == 0  # a corner on the axis, so that the ends are straight across
    y = (inside[0, 0], outside[0, 0])
    return with_contacts(quarter, box(y[0], -0.1, y[1], 0), box(-0.1, y[0], 0, y[1]))


class TestRoundShapes:
    def test_disc_with_two_opposite_quarter_rim_contacts_is_one_square(self):
        # Exactly, by symmetry (swap contacts and free edges); verified by two methods. A regular polygon with the
        # same symmetry is one square too, so this one must lie in the bracket.
        assert_bracketed(squares(*quartered_disc(96)), 1.0, mid=STRAIGHT)
        assert_bracketed(squares(*quartered_disc(8), accuracy=1e-3), 1.0, mid=STRAIGHT)

    def test_quarter_ring_along_the_arc(self):
        # Textbook; verified by bracket.
        exact = math.pi / 2 / LN2
        assert exact == pytest.approx(2.26618007, abs=5e-9)
        more = squares(*ring_sector(inscribed(0, 0, 1, 96), circumscribed(0, 0, 2, 96, phase=0)), accuracy=1e-3)
        less = squares(*ring_sector(circumscribed(0, 0, 1, 96), inscribed(0, 0, 2, 96)), accuracy=1e-3)
        assert_squeezed(more, less, exact, apart=4e-3)
        assert 0.5 * (more.mid[0, 0] + less.mid[0, 0]) == pytest.approx(exact, rel=2e-4)

    @pytest.mark.parametrize(("radius", "excess"), [(0.1, 0.06496927), (0.25, 0.49447959), (0.4, 2.17115594)])
    def test_round_hole_in_a_strip(self, radius, excess):
        # Derived, verified.
        def strip(hole):
            return with_contacts(box(-3, -0.5, 3, 0.5).difference(hole), box(-4, -0.5, -3, 0.5), box(3, -0.5, 4, 0.5))

        assert squares(*strip(circle(0, 0, 2 * radius, corners=96))).mid[0, 0] == pytest.approx(6 + excess, rel=ROUND)
        fine = squares(*strip(circle(0, 0, 2 * radius, corners=96)), accuracy=1e-4)
        assert fine.mid[0, 0] - 6 == pytest.approx(excess, rel=ROUND)  # the hole alone
        more = squares(*strip(inscribed(0, 0, radius, 96)), accuracy=1e-3)
        less = squares(*strip(circumscribed(0, 0, radius, 96)), accuracy=1e-3)
        assert_squeezed(more, less, 6 + excess, apart=3e-3)


class TestContacts:
    def test_two_pads_on_an_infinite_sheet_cut_along_a_streamline(self):
        # Smythe, from memory; verified by two methods: acosh(d / 2a) / pi. The circle through the two image points
        # is a streamline that holds half of the current inside: a disc with two pads on its rim, twice the value.
        for ratio, value in ((10, 0.72970366), (100, 1.46583936)):
            assert math.acosh(ratio / 2) / math.pi == pytest.approx(value, abs=5e-9)
            rim = math.sqrt(ratio**2 / 4 - 1)

            def drawing(polygon, corners, ratio=ratio, rim=rim):
                pads = [polygon(x, 0, 1, corners) for x in (-ratio / 2, ratio / 2)]
                return with_contacts(polygon(0, 0, rim, 2 * corners), *pads)

            more = squares(*drawing(circumscribed, 96))
            less = squares(*drawing(inscribed, 96))
            assert_squeezed(more, less, 2 * value, apart=3e-3)
            equal = squares(*drawing(lambda x, y, r, n: circle(x, y, 2 * r, corners=n), 48))
            assert equal.mid[0, 0] == pytest.approx(2 * value, rel=ROUND)

    def test_growing_board_approaches_the_infinite_sheet(self):
        # The same pads on square boards of growing size: the rest of the sheet falls as 1/size^2.
        sizes, errors = (4, 8, 16, 32), []
        for size in sizes:
            half = 10 * size / 2
            pads = [circle(-5, 0, 2, corners=48), circle(5, 0, 2, corners=48)]
            solution = squares(box(-half, -half, half, half), pads, accuracy=2e-4)
            errors.append(solution.mid[0, 0] - math.acosh(5) / math.pi)
        assert_falling(errors, last=ROUND * 0.73)
        assert_order([1 / s for s in sizes], errors, order=2, margin=0.15, ceiling=ROUND * 0.73)

    @pytest.mark.parametrize("ratio", [2.0, 10.0, 100.0])
    def test_pad_to_concentric_grounded_rim(self, ratio):
        # Textbook, verified: ln(b/a) / (2 pi).
        exact = math.log(ratio) / (2 * math.pi)
        outside = circle(0, 0, 4 * ratio, corners=16)

        def drawing(pad, rim):
            # The contact is everything beyond the rim.
            return outside, [pad, outside.difference(rim)]

        more = squares(*drawing(circumscribed(0, 0, 1, 96), inscribed(0, 0, ratio, 96)))
        less = squares(*drawing(inscribed(0, 0, 1, 96), circumscribed(0, 0, ratio, 96)))
        assert_squeezed(more, less, exact, apart=4e-3)
        equal = squares(*drawing(circle(0, 0, 2, corners=48), circle(0, 0, 2 * ratio, corners=48)))
        assert equal.mid[0, 0] == pytest.approx(exact, rel=ROUND)

    def test_two_pads_on_a_disc(self):
        # Derived, verified by two methods: disc of radius 10, pads of radius 0.25 at (+-5, 0).
        def drawing(polygon):
            return polygon(0, 0, 10, 192), [polygon(-5, 0, 0.25, 96), polygon(5, 0, 0.25, 96)]

        assert_squeezed(squares(*drawing(circumscribed)), squares(*drawing(inscribed)), 1.33595865, apart=3e-3)
        equal = squares(circle(0, 0, 20, corners=96), [circle(x, 0, 0.5, corners=48) for x in (-5, 5)])
        assert equal.mid[0, 0] == pytest.approx(1.33595865, rel=STRAIGHT)


def disc_transfer(radius, a, b, c, d):
    """R_AB,CD in squares between points (complex) of an insulated disc: each source has one image outside."""

    def potential(z, source):
        # ln|z - s| + ln|1 - z conj(s) / radius^2|; constants cancel between source and sink.
        return math.log(abs(z - source)) + math.log(abs(1 - z * source.conjugate() / radius**2))

    at = [(potential(z, b) - potential(z, a)) / (2 * math.pi) for z in (c, d)]
    return at[0] - at[1]


MM = 1e-3
BOARD = box(0, 0, 100 * MM, 80 * MM)
POINTS = {"A": (20, 20), "B": (80, 60), "C": (20, 60), "D": (80, 20)}


def board_pads(radius_mm, names="ABCD"):
    return [circle(POINTS[n][0] * MM, POINTS[n][1] * MM, 2 * radius_mm * MM, corners=24) for n in names]


class TestTransferResistance:
    def test_infinite_sheet_by_growing_discs(self):
        # Textbook, verified: (1/2pi) ln(AD BC / (AC BD)).
        a, b, c, d = 0j, 100 + 0j, 20 + 10j, 80 + 10j
        infinite = math.log(abs(a - d) * abs(b - c) / (abs(a - c) * abs(b - d))) / (2 * math.pi)
        assert infinite == pytest.approx(0.408224369, abs=5e-10)
        centre = 50 + 0j
        sizes, errors = (100.0, 300.0, 900.0, 2700.0), []
        for radius in sizes:
            pads = [circle(z.real, z.imag, 1.0, corners=24) for z in (a, b, c, d)]
            disc = circle(centre.real, centre.imag, 2 * radius, corners=96)
            solution = squares(disc, pads, [(0, 1), (2, 3)], accuracy=2e-3)
            # Pads of radius 0.5, at 22 from each other, and polygons of equal area: both below 1e-3.
            finite = disc_transfer(radius, *(z - centre for z in (a, b, c, d)))
            assert solution.mid[0, 1] == pytest.approx(finite, rel=ROUND)
            errors.append(float(solution.mid[0, 1]) - infinite)
        assert_falling(errors, last=ROUND * infinite)

    def test_board_with_pads(self):
        # Derived, verified by two methods: equipotential pads of radius 0.5 on a board of 100 by 80.
        solution = squares(BOARD, board_pads(0.5), [(0, 1), (2, 3)])
        assert_bracketed(solution, 2.00278443, mid=STRAIGHT)
        assert_bracketed(solution, 0.307118235, (0, 1), mid=STRAIGHT)
        assert_bracketed(solution, 0.307118235, (1, 0), mid=STRAIGHT)

    def test_board_with_point_contacts(self):
        # Derived, verified by two methods. A pad shorts a field that is uniform over it: error as radius^2.
        exact = 0.307188808
        radii, values = (4.0, 2.0, 1.0), []
        for radius in radii:
            solution = squares(BOARD, board_pads(radius), [(0, 1), (2, 3)], accuracy=2e-4)
            values.append(float(solution.mid[0, 1]))
        assert_order(radii, [exact - v for v in values], order=2, margin=0.15, ceiling=ROUND * exact)
        assert extrapolated(values[-2], values[-1], order=2) == pytest.approx(exact, rel=5e-5)

    @pytest.mark.parametrize(("height", "share"), [(10, 0.12356763), (20, 0.25), (40, 0.5)])
    def test_share_through_a_section_of_the_board(self, height, share):
        # Derived, verified by two methods, for point contacts A and B; pads of radius 1 change it by below 1e-3.
        line = LineString([(50 * MM, 0), (50 * MM, height * MM)])
        solution = squares(BOARD, board_pads(1.0, "AB"), sections=[line])
        assert section_current(solution, 0) == pytest.approx(share, rel=ROUND)
        # Second route: the normal current of the potential, which is no sum of differences.
        assert section_flux(solution, 0) == pytest.approx(share, rel=0.01)

    def test_share_of_point_contacts_is_reached_as_pads_shrink(self):
        line = LineString([(50 * MM, 0), (50 * MM, 10 * MM)])
        radii, exact = (8.0, 4.0, 2.0), 0.12356763
        solutions = [squares(BOARD, board_pads(r, "AB"), sections=[line], accuracy=1e-3) for r in radii]
        shares = [section_current(solution, 0) for solution in solutions]
        assert_order(radii, [exact - s for s in shares], order=2, margin=0.15, ceiling=3 * ROUND * exact)
        assert extrapolated(shares[-2], shares[-1], order=2) == pytest.approx(exact, rel=2e-4)

    def test_half_the_current_passes_each_half_of_the_board(self):
        # Exact by the board's half-turn symmetry, whatever the pads: only the mesh breaks it.
        line = LineString([(50 * MM, 0), (50 * MM, 40 * MM)])
        solution = squares(BOARD, board_pads(1.0, "AB"), sections=[line], accuracy=1e-3)
        assert section_current(solution, 0) == pytest.approx(0.5, abs=1e-4)
