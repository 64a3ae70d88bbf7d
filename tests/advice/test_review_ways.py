"""Findings of the board review about ways: between cables, gaps that cost, detours, and changes of plane."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from test_review import ACROSS, ENDS, FAST, HEAD, PLANE, SHELLS, bridge, cables, found, noisy, pad, result, slot

import returnflow as rf
from returnflow.advice.review import review
from returnflow.advice.study import AS_DRAWN
from returnflow_geometry.checks.gaps import crossed_gaps, edges, filled, stretches
from solved import study


class TestBetween:
    def test_a_loop_across_the_line_is_found_with_its_part_of_the_budget(self):
        ends = pad("A", 50, 25) + pad("B", 50, 35) + pad("E", 10, 5) + pad("F", 90, 5)
        parts = (ends, SHELLS, noisy("B", "A"), noisy("F", "E", name="fan"), cables("C", "D"))
        (finding,) = found("between", *parts)
        (budget,) = result(*parts).cables
        part = next(part for part in budget.contributions if part.loop == "motor")
        assert finding.things == ("motor", "shells")
        assert finding.value is part.noise
        assert finding.severity == part.noise / 1e-3
        assert "crosses the line between them" in finding.sentence
        assert finding.at == pytest.approx((0.05, 0.03))

    @pytest.mark.parametrize(("y", "inside"), [(25.5, True), (24.5, False)])
    def test_a_strip_of_a_tenth_of_the_distance_on_either_side_counts(self, y, inside):
        ends = pad("A", 30, y) + pad("B", 70, y)
        findings = found("between", ends, SHELLS, noisy("B", "A"), cables("C", "D"))
        assert len(findings) == inside
        if inside:
            assert "comes within 4.5 mm of the line between them" in findings[0].sentence
            assert "100 % of the noise power; limit 1 mV in all" in findings[0].sentence

    def test_nothing_beyond_the_connectors_counts(self):
        ends = pad("A", 78, 30) + pad("B", 95, 30)
        assert found("between", ends, SHELLS, noisy("B", "A"), cables("C", "D")) == []

    @pytest.mark.parametrize(("x", "y", "inside"), [(10, 5, False), (24, 10, False), (70, 31, True)])
    def test_what_starts_at_a_connectors_pin_counts_beyond_it(self, x, y, inside):
        # Its line meets theirs at the pin, always.
        findings = found("between", pad("B", x, y), SHELLS, noisy("B", "C"), cables("C", "D"))
        assert len(findings) == inside

    def test_the_outgoing_conductor_counts_as_well(self):
        path = [[20, 20], [50, 20], [50, 35], [60, 35], [60, 20], [80, 20]]
        (finding,) = found("between", ENDS, SHELLS, noisy("B", "A", path), cables("C", "D"))
        assert "its outgoing conductor crosses" in finding.sentence
        assert found("between", ENDS, SHELLS, noisy("B", "A"), cables("C", "D")) == []

    def test_a_loop_out_of_their_band_weighs_nothing(self):
        ends = pad("A", 50, 25) + pad("B", 50, 35)
        motor = noisy("B", "A", current="spectrum = [[0, 1]]")
        (finding,) = found("between", ends, SHELLS, motor, cables("C", "D", "band_Hz = [1e5, 1e9]"))
        assert finding.severity == 0
        assert finding.sentence.endswith("all of it out of band.")

    @pytest.mark.parametrize(("frequency", "told"), [(50, False), (1e6, True)])
    def test_a_route_is_missed_only_where_it_matters(self, frequency, told):
        ends = pad("A", 50, 25) + pad("B", 50, 35)
        motor = noisy("B", "A", current=f"current_A = 1\nfrequency_Hz = {frequency}")
        (finding,) = found("between", ends, SHELLS, motor, cables("C", "D", "band_Hz = [2e6, 1e9]"))
        assert finding.sentence.endswith("draw its route to know." if told else "all of it out of band.")


class TestGaps:
    def test_holes_shorter_than_a_gap_are_closed_and_longer_ones_stay(self):
        copper = shapely.box(0, 0, 10, 10) - shapely.box(1, 1, 2, 2) - shapely.box(4, 4, 8, 5)
        assert filled(copper, 2.0).equals(shapely.box(0, 0, 10, 10) - shapely.box(4, 4, 8, 5))
        assert filled(copper, 0.5).equals(copper)
        both = shapely.union_all([copper, shapely.box(20, 0, 21, 1)])
        assert filled(both, 5.0).area == pytest.approx(101)

    def test_edges_belong_to_the_gap_that_made_them(self):
        gap, plane = shapely.box(4, -1, 5, 8), shapely.box(0, 0, 10, 10)
        found = dict(edges(plane - gap, [("gap", gap)]))
        assert found["gap"].length == pytest.approx(17, abs=1e-4)
        assert found[None].length == pytest.approx(39, abs=1e-4)

    @settings(max_examples=60, deadline=None)
    @given(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=2, max_size=6, unique=True))
    def test_stretches_make_up_the_whole_path(self, path):
        shapes = [shapely.box(0, 0, 5, 7), shapely.box(4, 3, 12, 12)]
        parts = stretches(path, shapes)
        line = shapely.LineString(path)
        assert sum(part.length for part in parts) == pytest.approx(line.length)
        assert [part.start for part in parts[1:]] == pytest.approx([part.end for part in parts[:-1]])
        bare = sum(part.length for part in parts if part.over is None)
        legs = [shapely.LineString(leg) for leg in itertools.pairwise(path)]
        assert bare == pytest.approx(sum((leg - shapely.union_all(shapes)).length for leg in legs), abs=1e-9)
        assert np.all([a.over != b.over for a, b in itertools.pairwise(parts)])

    def test_only_what_bridges_leave_of_a_gap_is_crossed(self):
        text = HEAD + PLANE + ENDS + slot((50, 0), (50, 30)) + ACROSS
        assert crossed_gaps(rf.parse_case(text), "plane") == [("slot",)]
        bridged = rf.parse_case(text + bridge(45, 15, 55, 25))
        assert crossed_gaps(bridged, "plane") == [()]


class TestWays:
    """Routes that go a long way round, and routes that change the copper they refer to."""

    @staticmethod
    def route(*path):
        return noisy("B", "A", [list(point) for point in path], current=FAST)

    def test_a_route_that_goes_round_is_found_with_what_the_detour_drops(self):
        # 60 mm apart, 108 mm long: a part of the loop's inductance in proportion to length.
        parts = (ENDS, self.route((20, 20), (20, 32), (50, 32), (50, 8), (80, 8), (80, 20)))
        (finding,) = found("detour", *parts)
        (facts,) = result(*parts).spectral.facts
        assert finding.value == pytest.approx(facts.high_inductance * (1 - 60 / 108), rel=1e-9)
        assert finding.severity == pytest.approx(2 * math.pi * 1e6 * finding.value * 0.5 / 1e-3, rel=1e-9)
        assert "108 mm long, its ends are 60 mm apart" in finding.sentence

    def test_what_a_gap_on_the_way_adds_is_none_of_the_detour(self):
        route = self.route((20, 20), (20, 32), (50, 32), (50, 8), (80, 8), (80, 20))
        parts = (ENDS, slot((40, 4), (40, 36), width=1), route)
        (finding,) = found("detour", *parts)
        (facts,) = result(*parts).spectral.facts
        assert facts.gap_inductance > 0.02 * facts.high_inductance
        along = facts.high_inductance - facts.gap_inductance
        assert finding.value == pytest.approx(along * (1 - 60 / 108), rel=1e-9)
        assert "what gaps add aside" in finding.sentence

    def test_a_route_hardly_longer_than_need_be_is_none(self):
        assert found("detour", ENDS, self.route((20, 20), (50, 25), (80, 20))) == []

    TWO = PLANE + '[[copper]]\nname = "other"\nlayer = "Q"\n'
    LAYERS = HEAD.replace("[0, 0, 100, 40]", "[0, 0, 30, 8]").replace(
        '{ name = "P", copper_um = 35 }]',
        '{ name = "P", copper_um = 35, below_mm = 1 }, { name = "Q", copper_um = 35, below_mm = 0.2 }, '
        '{ name = "W", copper_um = 35 }]',
    )

    def changing(self, via_x):
        """From above one plane to below another one at x = 15, with a via between both planes at `via_x`."""
        via = pad("V.a", via_x, 4) + pad("V.b", via_x, 4, "other")
        via += '[[link]]\nname = "V"\nbetween = ["V.a", "V.b"]\nresistance_ohm = 5e-4\n'
        legs = (
            '[{ layer = "T", path = [[3, 4], [15, 4]], width_mm = 0.3 }, '
            '{ layer = "W", path = [[15, 4], [27, 4]], width_mm = 0.3 }]'
        )
        loop = f'[[loop]]\nname = "motor"\nrole = "noisy"\ninject = "B"\nreturn = "A"\n{FAST}\nroute = {legs}\n'
        ends = pad("A", 3, 4) + pad("B", 27, 4, "other")
        text = self.LAYERS + self.TWO + ends + via + loop + "[solve]\naccuracy = 0.1\n"
        return [finding for finding in review(study(text, AS_DRAWN)[AS_DRAWN]) if finding.kind == "change"]

    def test_a_change_of_plane_far_from_a_link_is_found_with_its_way_back(self):
        (finding,) = self.changing(5)
        assert finding.things == ("motor", "plane", "other")
        assert '"V", is 10 mm away' in finding.sentence
        assert "at (15, 4) mm" in finding.sentence
        # Part of it goes there and back to the via, the rest across between the planes.
        assert finding.value > 30e-3
        assert finding.severity == pytest.approx(finding.value / 24e-3 - 1)

    def test_none_where_a_link_stands_by(self):
        assert self.changing(12) == []
