"""
What frequency does to a loop: scaling laws, the image of the route at the high end, and what a gap costs.

One board of 40 x 30 mm with a straight trace of 20 mm, 1 mm over it; thin foil where skin effect would blur a law.
"""

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import box

from returnflow.answers import frequency
from returnflow.answers.coupling import Flow, region_shares, section_currents
from returnflow.answers.frequency import (
    loop_facts,
    mean_length,
    near_share,
    ribbon_frequency,
    traffic,
    turning_frequency,
    wants_frequencies,
)
from returnflow.answers.missing import frequency_cautions, routeless
from returnflow.magnetic import meshing
from returnflow.magnetic.meshing import route_size, solve_broadband, solve_expelled
from returnflow.magnetic.routes import faced, routes_of
from returnflow.magnetic.traces import Route
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.checks.gaps import crossed_gaps
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.model.board import (
    Board,
    Case,
    Copper,
    Cutout,
    Layer,
    Loop,
    Outgoing,
    Region,
    Section,
    Terminal,
    Trapezoid,
)
from returnflow_geometry.model.shapes import circle, rectangle, slot

MM = 1e-3
STRAIGHT = ((10, 15), (30, 15))
HOOK = ((12, 8), (12, 22), (28, 22), (28, 8))


def drawn(
    path=STRAIGHT, *, height=1.0, thickness=35e-6, cutouts=(), scale=1.0, route=True, width=0.2, accuracy=0.025, **noisy
):
    """Case with one noisy loop; lengths in mm, times `scale`."""
    unit = scale * MM
    outline = rectangle(0, 0, 40 * unit, 30 * unit)
    path = tuple((x * unit, y * unit) for x, y in path)
    return Case(
        title="t",
        board=Board(
            outline=outline,
            temperature=20.0,
            layers=(
                Layer(name="trace", thickness=35e-6 * scale, below=height * unit),
                Layer(name="plane", thickness=thickness, below=0.5 * unit),
                Layer(name="back", thickness=35e-6),
            ),
            coppers=(Copper(name="ground", layer="plane", shape=outline),),
            cutouts=tuple(
                Cutout(name=name, copper=copper, shape=shapely.transform(shape, lambda p: p * unit))
                for name, copper, shape in cutouts
            ),
            terminals=tuple(
                Terminal(name=name, copper="ground", shape=circle(x, y, unit))
                for name, (x, y) in (("far", path[-1]), ("near", path[0]))
            ),
        ),
        loops=(
            Loop(
                name="signal",
                role="noisy",
                inject="far",
                return_="near",
                route=Outgoing(layer="trace", path=path, width=width * unit) if route else None,
                **(noisy or {"current": 1.0, "frequency": 1e6}),
            ),
        ),
        accuracy=accuracy,
    )


def modelled(case):
    return solve_broadband(case, Conductors.of(case), [(0, 1)], None)


@functools.cache
def straight(height=1.0, thickness=5e-6, scale=1.0, width=0.2):
    return modelled(drawn(height=height, thickness=thickness, scale=scale, width=width, accuracy=0.01))


@functools.cache
def hook():
    return modelled(drawn(HOOK))


def facts_of(case, model, solid=None):
    conductors = Conductors.of(case)
    return loop_facts(conductors, model, solid, faced(case, conductors))[0]


def without_gaps(case):
    bare = replace(case, board=replace(case.board, cutouts=()))
    return solve_expelled(bare, Conductors.of(bare), [(0, 1)])


@functools.cache
def slotted(reach):
    """Facts with a slot that reaches so many mm to either side of the trace."""
    case = drawn(cutouts=[("slot", "ground", slot([(20, 15 - reach), (20, 15 + reach)], 0.2))])
    return facts_of(case, modelled(case), without_gaps(case))


def drawn_strip(width):
    """Strip of 40 mm between contacts across its ends, closed far away."""
    case = drawn(route=False)
    outline = rectangle(0, 0, 40 * MM, width * MM)
    ends = (("far", rectangle(39 * MM, 0, 40 * MM, width * MM)), ("near", rectangle(0, 0, MM, width * MM)))
    board = replace(
        case.board,
        coppers=(Copper(name="ground", layer="plane", shape=outline),),
        terminals=tuple(Terminal(name=name, copper="ground", shape=shape) for name, shape in ends),
    )
    return replace(case, board=board)


class TestWhatAsksForFrequencies:
    @pytest.mark.parametrize(
        ("noisy", "asked", "wants"),
        [
            ({"current": 1.0}, (0.0,), False),
            ({"current": 1.0, "frequency": 0.0}, (0.0,), False),
            ({"current": 1.0}, (0.0, 50.0), True),
            ({"current": 1.0, "frequency": 50.0}, (0.0,), True),
            ({"spectrum": ((0.0, 1.0), (50.0, 0.1))}, (0.0,), True),
            ({"spectrum": ((0.0, 1.0),)}, (0.0,), False),
            ({"trapezoid": Trapezoid(frequency=1e3, swing=1.0, rise=1e-6)}, (0.0,), True),
        ],
    )
    def test_lines_and_lists(self, noisy, asked, wants):
        assert wants_frequencies(replace(drawn(**noisy), frequencies=asked)) == wants

    def test_zero_alone_forbids_the_rest_and_says_so(self):
        case = replace(drawn(current=1.0, frequency=1e6), steady_only=True)
        assert not wants_frequencies(case)
        (caution,) = frequency_cautions(case, 5e-4)
        assert "up to 1 MHz" in caution
        assert "frequencies_Hz = [0]" in caution
        # A drawn route helps nothing where nothing is solved.
        assert not routeless(case.board, case.loops, 5e-4)
        assert routeless(case.board, case.loops, 5e-4, whatever=True)

    def test_quiet_loops_ask_for_nothing(self):
        quiet = Loop(name="s", role="sensitive", inject="far", return_="near", tolerates=1.0, band=(0.0, 1e6))
        assert not wants_frequencies(replace(drawn(), loops=(quiet,)))


class TestRoutes:
    def test_height_is_between_facing_surfaces_and_negative_below(self):
        above, below = drawn(), drawn()
        (loop,) = below.loops
        below = replace(below, loops=(replace(loop, route=replace(loop.route, layer="back")),))
        (route,) = routes_of(above, "ground")
        assert (route.height, route.width, route.thickness) == pytest.approx((1e-3, 0.2e-3, 35e-6))
        assert routes_of(below, "ground")[0].height == pytest.approx(-0.5e-3)
        assert routes_of(drawn(route=False), "ground") == [None]


class TestSizes:
    def test_edges_of_the_magnetic_mesh_grow_with_the_accuracy_asked_for(self):
        case = drawn()
        usual, fast = (
            len(meshing.system_of(replace(case, accuracy=accuracy), Conductors.of(case), [(0, 1)]).space.mesh.triangles)
            for accuracy in (0.01, 0.05)
        )
        assert fast <= 0.5 * usual

    def test_a_magnetic_mesh_beyond_the_limit_is_refused_before_it_is_solved(self, monkeypatch):
        case = drawn()
        monkeypatch.setattr(meshing, "MOST_TRIANGLES", 100)
        with pytest.raises(NumericalError, match=r"magnetic mesh takes \d+ triangles, and 100 are allowed"):
            meshing.system_of(case, Conductors.of(case), [(0, 1)])

    LARGEST = 3e-3

    def sizes(self, places, **options):
        case = drawn(**options)
        field = route_size(Mesher(Plane.of(case, "ground")), routes_of(case, "ground"), self.LARGEST)
        return field(MM * np.array(places, dtype=float))

    def test_a_quarter_of_the_height_all_along_the_route(self):
        along = [(x, 15) for x in np.linspace(11, 29, 37)]
        # Points are a size apart: half-way between them it may have grown by half of 0.3 of it.
        found = self.sizes(along)
        assert np.all(found >= 1e-3 / 4 - 1e-12)
        assert np.all(found <= 1e-3 / 4 * 1.16)

    def test_below_the_copper_too(self):
        case = drawn(height=-1.0)
        assert routes_of(case, "ground")[0].height < 0
        assert self.sizes([(20, 15)], height=-1.0) == pytest.approx([1e-3 / 4], rel=0.16)

    def test_it_grows_away_from_the_route_up_to_the_largest(self):
        near, far = self.sizes([(20, 17), (20, 29)])
        assert near == pytest.approx(1e-3 / 4 + 0.3 * 2e-3, rel=0.05)
        assert far == self.LARGEST

    def test_no_finer_than_the_floor(self):
        assert self.sizes([(20, 15)], height=0.01)[0] == pytest.approx(meshing.FINEST, rel=0.16)

    def test_without_a_route_only_contacts_and_corners_count(self):
        assert self.sizes([(20, 15)], route=False)[0] == self.LARGEST
        assert self.sizes([(10.5, 15)], route=False)[0] < 0.4e-3


ANTIPADS = shapely.MultiPolygon([circle(x, 15, 0.9) for x in (14, 16, 18, 20)])
MOAT = box(17, 8, 27, 22).difference(box(17.3, 8.3, 26.7, 21.7))


class TestCrossedGaps:
    @pytest.mark.parametrize(
        ("shape", "is_one"),
        [
            pytest.param(slot([(20, 5), (20, 25)], 0.3), True, id="slot across"),
            pytest.param(slot([(18, 5), (22, 25)], 0.3), True, id="oblique slot"),
            pytest.param(slot([(20, 5), (20, 14)], 0.3), False, id="slot that ends before the trace"),
            pytest.param(slot([(5, 20), (35, 20)], 0.3), False, id="slot beside the trace"),
            pytest.param(circle(20, 15, 0.9), False, id="antipad"),
            pytest.param(ANTIPADS, False, id="row of antipads under the trace"),
            pytest.param(MOAT, True, id="moat"),
            pytest.param(MOAT.difference(box(20, 20, 22, 30)), True, id="moat with a bridge elsewhere"),
            pytest.param(MOAT.difference(box(16, 14, 28, 16)), False, id="moat with bridges under the trace"),
            pytest.param(ANTIPADS.union(slot([(25, 5), (25, 25)], 0.3)), True, id="antipads and a slot in one cutout"),
            pytest.param(
                box(18.5, 2, 21.5, 28),
                True,
                id="wide gap",
            ),
        ],
    )
    def test_of_the_straight_trace(self, shape, is_one):
        case = drawn(cutouts=[("gap", "ground", shape)])
        assert crossed_gaps(case, "ground") == [("gap",) if is_one else ()]

    def test_all_of_them_in_the_order_of_the_case(self):
        cuts = [("b", "ground", slot([(25, 5), (25, 25)], 0.3)), ("a", "ground", slot([(15, 5), (15, 25)], 0.3))]
        assert crossed_gaps(drawn(cutouts=cuts), "ground") == [("b", "a")]

    def test_a_gap_in_other_copper_is_none(self):
        case = drawn(cutouts=[("gap", "other", slot([(20, 5), (20, 25)], 0.3))])
        assert crossed_gaps(case, "ground") == [()]

    def test_a_loop_without_a_route_crosses_none(self):
        case = drawn(route=False, cutouts=[("gap", "ground", slot([(20, 5), (20, 25)], 0.3))])
        assert crossed_gaps(case, "ground") == [()]

    def test_a_wide_conductor_has_return_beside_a_short_slot(self):
        short = [("gap", "ground", slot([(20, 13.5), (20, 16.5)], 0.1))]
        assert crossed_gaps(drawn(cutouts=short), "ground") == [("gap",)]
        assert crossed_gaps(drawn(cutouts=short, width=2.0), "ground") == [()]


class TestTurning:
    def test_half_of_the_displacement_by_the_stream_functions_themselves(self):
        # Second route: fields of the full model at 0, at the frequency, and far above, with the exact mass matrix.
        model = straight()
        areas = model.system.space.mesh.areas
        mass = (np.ones((3, 3)) + np.eye(3)) / 12

        def product(a, b):
            return np.einsum("mi,ij,mj,m->", a, mass, b, areas)

        rest, final = model.system.stream[0], model.stream(1e14)[0].real
        turned = model.stream(turning_frequency(model, 0))[0].real
        moved = product(turned - rest, final - rest) / product(final - rest, final - rest)
        assert moved == pytest.approx(0.5, abs=0.005)

    def test_proportional_to_sheet_resistance(self):
        thin, thinner = straight(thickness=5e-6), straight(thickness=2.5e-6)
        assert turning_frequency(thinner, 0) == pytest.approx(2 * turning_frequency(thin, 0), rel=0.01)

    def test_inverse_to_size(self):
        assert turning_frequency(straight(scale=2.0), 0) == pytest.approx(
            0.5 * turning_frequency(straight(), 0), rel=0.01
        )

    def test_hardly_depends_on_the_height(self):
        assert turning_frequency(straight(height=0.5), 0) == pytest.approx(turning_frequency(straight(), 0), rel=0.1)

    def test_a_larger_loop_turns_earlier(self):
        foil = 35e-6 / 5e-6  # times thinner
        assert turning_frequency(hook(), 0) < turning_frequency(straight(), 0) / foil

    def test_nothing_turns_where_symmetry_forbids_it(self):
        # From a pad in the middle to a ring about it: the resistive pattern is the pattern at every frequency.
        case, disc = drawn(route=False), circle(20 * MM, 15 * MM, 20 * MM, corners=96)
        ring = disc.difference(circle(20 * MM, 15 * MM, 18 * MM, corners=96))
        ends = (("far", ring), ("near", circle(20 * MM, 15 * MM, 4 * MM, corners=48)))
        board = replace(
            case.board,
            coppers=(Copper(name="ground", layer="plane", shape=disc),),
            terminals=tuple(Terminal(name=name, copper="ground", shape=shape) for name, shape in ends),
        )
        model = modelled(replace(case, board=board))
        assert turning_frequency(model, 0) is None
        # Radius to radius.
        assert mean_length(model, 0, high=True) == pytest.approx(7 * MM, rel=0.01)


def settled(height=1.0, thickness=5e-6, scale=1.0, heights=3.0, width=0.2):
    """Frequency at which the ribbon under the straight trace has settled."""
    (route,) = routes_of(drawn(height=height, thickness=thickness, scale=scale, width=width), "ground")
    return ribbon_frequency(straight(height, thickness, scale, width), route, 0, heights)


class TestRibbon:
    def test_dissipation_is_within_a_tenth_of_its_final_value(self):
        # Second route: the squared sheet current of the full fields.
        model = straight()
        mesh = model.system.space.mesh
        along = mesh.points[mesh.triangles].mean(axis=1)[:, 0]
        (route,) = routes_of(drawn(), "ground")
        # Beside the trace, not beyond its ends.
        areas = mesh.areas * ((along > route.path[:, 0].min()) & (along < route.path[:, 0].max()))

        def squares(f):
            return float(np.sum(np.abs(model.current(f)[:, :, 0]) ** 2 * areas))

        assert squares(settled(heights=1e3)) == pytest.approx(squares(1e14) / 1.1, rel=1e-3)

    def test_proportional_to_sheet_resistance(self):
        assert settled(thickness=2.5e-6) == pytest.approx(2 * settled(), rel=0.02)

    def test_inverse_to_size(self):
        assert settled(scale=2.0) == pytest.approx(0.5 * settled(), rel=0.02)

    def test_about_inverse_to_the_height_alone(self):
        # A lower trace also has a longer ribbon in heights: the ratio is two and a little. Of a trace like a line: the
        # current of a wider one spreads over it meanwhile.
        ratio = settled(height=0.5, width=0.02) / settled(width=0.02)
        assert 2.0 < ratio < 2.5

    def test_it_settles_after_the_return_has_turned(self):
        (around,) = routes_of(drawn(HOOK), "ground")
        assert settled() > 3 * turning_frequency(straight(), 0)
        assert ribbon_frequency(hook(), around, 0) > 3 * turning_frequency(hook(), 0)

    def test_its_size_is_that_of_resistance_over_inductance(self):
        # Rs / (mu0 h) is an angular frequency to within a factor of a few.
        angular = 2 * math.pi * settled()
        assert 1 < angular / (sheet_resistance(5e-6) / (4e-7 * math.pi * 1e-3)) < 6


class TestRising:
    @pytest.mark.parametrize("corner", [2.0, 1.234e5, 9e10])
    def test_level_of_a_known_function(self, corner):
        assert frequency.first_reached(lambda f: f**2 / (f**2 + corner**2), 0.5) == pytest.approx(corner, rel=1e-6)

    @pytest.mark.parametrize("value", [0.4, 0.6])
    def test_a_level_that_is_never_or_always_reached_has_no_frequency(self, value):
        assert frequency.first_reached(lambda f: value, 0.5) is None


class TestNearShare:
    def middle(self, height=1.0):
        return Route(MM * np.array([(15.0, 15.0), (25.0, 15.0)]), height * MM, 0.2 * MM)

    @pytest.mark.parametrize(("height", "heights"), [(1.0, 3.0), (0.5, 3.0), (1.0, 2.0)])
    def test_image_of_a_long_straight_trace(self, height, heights):
        # K(y) = I h / (pi (h^2 + y^2)) under a wire over a wide plane.
        found = near_share(straight(height=height), self.middle(height), 0, 1e9, heights)
        assert found.real == pytest.approx(2 / math.pi * math.atan(heights), rel=0.02)
        assert abs(found.imag) < 0.005

    def test_whole_width_of_the_board_carries_everything_at_every_frequency(self):
        # To the triangles at the ends of the piece.
        for f in (0.0, 1e5, 1e9):
            assert near_share(straight(), self.middle(), 0, f, 16.0) == pytest.approx(1.0, abs=0.05)

    def test_resistive_pattern_is_wide_and_real(self):
        found = near_share(straight(), self.middle(), 0, 0.0)
        assert found.imag == 0
        assert 0.15 < found.real < 0.3

    def test_it_rises_from_one_to_the_other_with_a_part_in_quadrature(self):
        shares = [near_share(straight(), self.middle(), 0, f) for f in np.geomspace(1e3, 1e9, 25)]
        # Lenz: what flows under the trace grows, past its final value by half a thousandth (on much finer meshes too).
        steps = np.diff(np.abs(shares))
        assert np.all(steps[:14] > 0)
        assert np.all(steps[14:] > -1e-3)
        assert max(abs(share.imag) for share in shares) > 0.1

    def test_against_the_direction_of_the_route(self):
        backwards = replace(self.middle(), path=self.middle().path[::-1])
        assert near_share(straight(), backwards, 0, 1e9) == pytest.approx(
            -near_share(straight(), self.middle(), 0, 1e9)
        )

    def test_round_bends_every_leg_has_its_own_direction(self):
        (route,) = routes_of(drawn(HOOK), "ground")
        assert 0.65 < near_share(hook(), route, 0, 1e9).real < 0.8


@pytest.fixture(scope="module")
def model():
    case = replace(
        drawn(thickness=5e-6),
        regions=tuple(
            Region(name=name, copper="ground", shape=rectangle(*(MM * np.array(corners))))
            for name, corners in (
                ("beside", (15, 20, 25, 28)),
                ("under", (14, 12, 24, 18)),
                ("end", (28, 13, 32, 17)),
            )
        ),
        sections=(
            Section(name="all", copper="ground", path=((20 * MM, 0), (20 * MM, 30 * MM))),
            Section(name="half", copper="ground", path=((20 * MM, 15 * MM), (20 * MM, 0))),
        ),
    )
    return modelled(case), Plane.of(case, "ground").contact_inside()


class TestTraffic:
    """Shares and sections of the magnetic mesh, from the few triangles that matter."""

    ASKED = (1e3, 1e5, 1e8)

    def test_it_is_that_of_the_whole_flow(self, model):
        led, inside = model
        # On each mesh alone; of sections what both lead to is reported, linear in both.
        model, rough = led.both
        shares, sections = traffic(model, [(0, 1)], inside, self.ASKED)
        both = led.led_to(sections, traffic(rough, [(0, 1)], inside, self.ASKED)[1])
        np.testing.assert_allclose(traffic(led, [(0, 1)], inside, self.ASKED)[1], both, rtol=1e-12)
        for n, f in enumerate(self.ASKED):
            flow = Flow(model.system.space.mesh, 1, ((0, 1),), model.stream(f))
            np.testing.assert_allclose(shares[n], region_shares(flow, inside), rtol=1e-9)
            np.testing.assert_allclose(sections[n], section_currents(flow), rtol=1e-9)

    def test_the_return_leaves_what_is_beside_and_gathers_under_the_trace(self, model):
        model, inside = model
        shares, sections = traffic(model, [(0, 1)], inside, self.ASKED)
        beside, under, end = shares[:, :, 0].T
        assert np.all(np.diff(beside) < 0)
        assert np.all(np.diff(under) > 0)
        assert np.all(end == 1)
        # Injected at the right, it flows to the left, against the first section; the board is symmetric.
        np.testing.assert_allclose(sections[:, :, 0], np.tile([-1, 0.5], (3, 1)), atol=1e-2)
        np.testing.assert_allclose(sections[:, 0, 0], -1, atol=1e-9)

    def test_nothing_watched_is_nothing_found(self):
        shares, sections = traffic(straight(), [(0, 1)], np.zeros((0, 2), dtype=bool), self.ASKED)
        assert (shares.shape, sections.shape) == ((3, 0, 1), (3, 0, 1))


class TestInductance:
    @pytest.mark.parametrize("model", [straight, hook])
    def test_expelling_the_field_lowers_it(self, model):
        low, high = model().system.inductance[0, 0], model().high_inductance[0, 0]
        assert 0 < high < 0.95 * low

    def test_both_ends_are_limits_of_the_impedance(self):
        model = straight()
        slow, fast = 2 * math.pi * 10.0, 2 * math.pi * 1e12
        facts = facts_of(drawn(thickness=5e-6), model)
        assert model.impedance(10.0)[0, 0].imag / slow == pytest.approx(facts.low_inductance, rel=1e-6)
        # The foil's own inductance falls as the root of frequency.
        assert model.impedance(1e12)[0, 0].imag / fast == pytest.approx(facts.high_inductance, rel=2e-3)

    def test_high_end_of_the_reduced_model_is_that_of_one_direct_solve(self):
        case = drawn()
        model, direct = modelled(case), without_gaps(case)
        assert model.high_inductance == pytest.approx(direct.inductance, rel=1e-4)
        assert mean_length(model, 0, high=True) == pytest.approx(direct.length[0], rel=1e-3)

    def test_it_grows_with_the_size_in_proportion(self):
        # All lengths but the foil's: inductance per length stays.
        for end in (lambda m: m.system.inductance[0, 0], lambda m: m.high_inductance[0, 0]):
            assert end(straight(scale=2.0)) == pytest.approx(2 * end(straight()), rel=0.03)

    def test_wire_over_a_plane_in_the_middle_of_the_trace(self):
        # mu0/(2 pi) ln(2h/r) per length, for the part that doubling the height adds: mu0/(2 pi) ln 2 times 20 mm,
        # less what the ends take away: between a half and the whole.
        gained = straight().high_inductance[0, 0] - straight(height=0.5).high_inductance[0, 0]
        assert 0.8 < gained / (2e-7 * math.log(2) * 20 * MM) < 1.0


class TestLength:
    def test_of_a_strip_at_low_frequency_is_its_length(self):
        model = modelled(drawn_strip(2.0))
        assert mean_length(model, 0, high=False) == pytest.approx(38 * MM, rel=1e-6)

    def test_of_a_strip_so_narrow_that_nothing_can_move(self):
        # One triangle across.
        model = modelled(drawn_strip(0.2)).compared
        for high in (False, True):
            assert mean_length(model, 0, high=high) == pytest.approx(38 * MM, rel=1e-6)

    def test_at_high_frequency_the_way_back_is_the_route(self):
        # To a few heights at the ends.
        assert mean_length(straight(), 0, high=True) == pytest.approx(20 * MM, abs=2.5 * MM)
        assert mean_length(hook(), 0, high=True) == pytest.approx(44 * MM, abs=5 * MM)

    def test_at_low_frequency_it_does_not_know_the_route(self):
        # The hook's ends are 16 mm apart; direct lines and wide ones.
        assert 16 * MM < mean_length(hook(), 0, high=False) < 30 * MM


class TestGap:
    def test_costs_inductance_and_a_detour(self):
        facts = slotted(4.0)
        assert facts.gaps == ("slot",)
        assert facts.gap_inductance > 1e-10
        # The way round either end: at most twice its reach, and not much less than once.
        assert 4 * MM < facts.gap_detour < 8 * MM

    def test_the_longer_the_more(self):
        assert slotted(9.0).gap_inductance > 2 * slotted(4.0).gap_inductance
        assert slotted(9.0).gap_detour > 2 * slotted(4.0).gap_detour

    def test_it_is_the_difference_to_the_solid_copper(self):
        case = drawn()
        solid = facts_of(case, modelled(case))
        facts = slotted(4.0)
        assert facts.gap_inductance == pytest.approx(facts.high_inductance - solid.high_inductance, rel=0.02)
        assert facts.gap_detour == pytest.approx(facts.high_length - solid.high_length, rel=0.02)

    def test_where_there_is_none_it_costs_nothing(self):
        # A gap that is named but not there: both sides of the difference are one board.
        case, model = drawn(thickness=5e-6, accuracy=0.01), straight()
        conductors = Conductors.of(case)
        named = [replace(item, gaps=("none",)) for item in faced(case, conductors)]
        (facts,) = loop_facts(conductors, model, without_gaps(case), named)
        assert facts.gap_inductance == pytest.approx(0, abs=1e-5 * facts.high_inductance)
        assert facts.gap_detour == pytest.approx(0, abs=1e-4 * facts.high_length)

    def test_without_crossing_there_is_no_figure(self):
        facts = facts_of(drawn(thickness=5e-6), straight(), without_gaps(drawn(thickness=5e-6)))
        assert facts.gaps == ()
        assert facts.gap_inductance is None
        assert facts.gap_detour is None

    def test_without_a_route_there_is_no_ribbon(self):
        case = drawn(route=False)
        facts = facts_of(case, modelled(case))
        assert facts.ribbon is None
        assert facts.high_inductance < facts.low_inductance
