"""What frequency does to a loop: scaling laws, the image of the route at the high end, shares and sections."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from returnflow.answers import frequency
from returnflow.answers.coupling import Flow, region_shares, section_currents
from returnflow.answers.frequency import (
    mean_length,
    near_share,
    ribbon_frequency,
    traffic,
    turning_frequency,
    unbroken_share,
    wants_frequencies,
)
from returnflow.answers.missing import frequency_cautions, routeless
from returnflow.magnetic import meshing
from returnflow.magnetic.meshing import route_size
from returnflow.magnetic.routes import routes_of
from returnflow.magnetic.traces import Route
from returnflow.resistive.conductors import Conductors
from returnflow.resistive.foil import sheet_resistance
from returnflow.resistive.linear import NumericalError
from returnflow_geometry.mesh.mesher import Mesher, Plane
from returnflow_geometry.model.board import (
    Copper,
    Loop,
    Region,
    Section,
    Terminal,
    Trapezoid,
)
from returnflow_geometry.model.shapes import circle, rectangle
from straight import HOOK, MM, drawn, hook, modelled, straight


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
        # Contacts are drawn as they are, and what is round them follows.
        case = drawn()
        conductors = Conductors.of(case)
        contacts = shapely.union_all([terminal.shape for terminal in case.board.terminals]).buffer(0.5e-3)

        def away(accuracy):
            mesh = meshing.mesh_of(replace(case, accuracy=accuracy), conductors, [(0, 1)])
            middles = mesh.points[mesh.triangles].mean(axis=1)
            return np.count_nonzero(~shapely.contains_xy(contacts, middles))

        assert away(0.04) <= 0.5 * away(0.01)
        # For a first look one mesh is enough, which is the coarser of two.
        assert away(0.05) == away(0.01)
        assert away(0.15) <= 0.5 * away(0.05)

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

    def test_under_a_wide_route_fine_along_its_edges_and_no_finer_than_the_floor(self):
        # 0.2 mm wide, twenty heights: its middle is 0.1 mm from either edge.
        edge, middle, beyond = self.sizes([(20, 15.1), (20, 15), (20, 15.3)], height=0.01)
        assert edge == pytest.approx(meshing.FINEST, rel=0.16)
        assert middle == pytest.approx(meshing.FINEST + 0.3 * 0.1e-3, rel=0.05)
        assert beyond == pytest.approx(meshing.FINEST + 0.3 * 0.2e-3, rel=0.05)

    def test_without_a_route_only_contacts_and_corners_count(self):
        assert self.sizes([(20, 15)], route=False)[0] == self.LARGEST
        assert self.sizes([(10.5, 15)], route=False)[0] < 0.4e-3


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
        return Route(MM * np.array([(15.0, 15.0), (25.0, 15.0)]), height * MM, 0.0)

    @pytest.mark.parametrize(("height", "heights"), [(1.0, 3.0), (0.5, 3.0), (1.0, 2.0)])
    def test_image_of_a_long_straight_trace(self, height, heights):
        # K(y) = I h / (pi (h^2 + y^2)) under a wire over a wide plane.
        found = near_share(straight(height=height), self.middle(height), 0, 1e9, heights)
        assert found.real == pytest.approx(2 / math.pi * math.atan(heights), rel=0.02)
        assert abs(found.imag) < 0.005

    @pytest.mark.parametrize("width", [1.0, 4.0])
    def test_under_a_wide_trace_what_is_near_counts_from_its_edges(self, width):
        # Within three heights of the middle of 4 mm, half a millimetre over the plane, is but half of it.
        route = replace(self.middle(0.5), width=width * MM)
        found = near_share(straight(height=0.5, width=width), route, 0, 1e9)
        assert found.real == pytest.approx(unbroken_share(route), rel=0.03)
        assert unbroken_share(route) > 0.84

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
