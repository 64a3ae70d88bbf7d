"""Findings of the board review: where they must be, where they must not, and what they say against the result."""

from __future__ import annotations

import math
import re

import pytest

from returnflow.advice.findings import Finding
from returnflow.advice.review import review
from returnflow.advice.study import AS_DRAWN
from returnflow.answers.frequency import near_share, unbroken_share
from returnflow.magnetic.routes import faced
from returnflow_geometry.model.numbers import percent
from solved import study

# 100 x 40 mm, traces 1 mm above the copper.
HEAD = """
format = 1
title = "review (invented)"
board = { outline = { rect = [0, 0, 100, 40] }, temperature_C = 20 }
layer = [{ name = "T", copper_um = 35, below_mm = 1 }, { name = "P", copper_um = 35 }]
"""
PLANE = '[[copper]]\nname = "plane"\nlayer = "P"\n'


def pad(name, x, y, copper="plane"):
    """A square of one millimetre: distances from it are exact."""
    box = [x - 0.5, y - 0.5, x + 0.5, y + 0.5]
    return f'[[terminal]]\nname = "{name}"\ncopper = "{copper}"\nshape = {{ rect = {box} }}\n'


def noisy(inject, return_, path=None, name="motor", current="current_A = 1"):
    route = f'route = {{ layer = "T", path = {path}, width_mm = 0.3 }}\n' if path else ""
    ends = f'inject = "{inject}"\nreturn = "{return_}"'
    return f'[[loop]]\nname = "{name}"\nrole = "noisy"\n{ends}\n{current}\n{route}'


def cables(inject, return_, more=""):
    ends = f'inject = "{inject}"\nreturn = "{return_}"'
    return f'[[loop]]\nname = "shells"\nrole = "cables"\n{ends}\nlimit_V = 1e-3\n{more}\n'


def slot(*path, name="slot", width=0.5, copper="plane"):
    shape = f"{{ slot = {list(map(list, path))}, width = {width} }}"
    return f'[[cutout]]\nname = "{name}"\ncopper = "{copper}"\nshape = {shape}\n'


def hole(x, y, diameter, name="antipad"):
    at = f"circles = [[{x}, {y}]]\ndiameter_mm = {diameter}"
    return f'[[cutout]]\nname = "{name}"\ncopper = "plane"\n{at}\n'


def bridge(x0, y0, x1, y1):
    return f'[[bridge]]\nname = "strap"\ncopper = "plane"\nshape = {{ rect = [{x0}, {y0}, {x1}, {y1}] }}\n'


def result(*parts, copper=PLANE, solve=""):
    text = HEAD + copper + "".join(parts) + f"[solve]\naccuracy = 0.1\n{solve}\n"
    return study(text, AS_DRAWN)[AS_DRAWN]


def found(kind, *parts, **more):
    return [finding for finding in review(result(*parts, **more)) if finding.kind == kind]


ENDS = pad("A", 20, 20) + pad("B", 80, 20)
ACROSS = noisy("B", "A", [[20, 20], [80, 20]])
FAST = "current_A = 0.5\nfrequency_Hz = 1e6"


def test_a_clean_board_gives_no_findings():
    assert review(result(ENDS, pad("C", 20, 33), pad("D", 20, 7), cables("C", "D"), noisy("B", "A"))) != ()
    far = pad("C", 8, 34) + pad("D", 8, 6)
    assert review(result(ENDS, far, cables("C", "D"), ACROSS)) == ()


class TestCrossing:
    def test_a_gap_under_a_route_is_found_with_the_length_over_it(self):
        (finding,) = found("crossing", ENDS, slot((50, 0), (50, 30)), ACROSS)
        assert finding.things == ("motor", "slot")
        assert 'crosses "slot" (0.5 mm over bare laminate)' in finding.sentence
        assert finding.at == pytest.approx((0.05, 0.02))
        # Nothing in this case asks for frequencies.
        assert finding.value is None
        assert "not computed" in finding.sentence

    def test_an_oblique_gap_is_longer(self):
        # 3-4-5: the gap is 0.6 mm wide along its normal, the route meets it at asin(0.6).
        (finding,) = found("crossing", ENDS, slot((42, 14), (58, 26), width=0.6), ACROSS)
        assert "(1 mm over bare laminate)" in finding.sentence

    @pytest.mark.parametrize(
        "other",
        [
            slot((50, 0), (50, 18)),  # ends before the route
            hole(50, 20, 2.4),  # an antipad: shorter than 2.5 heights
            slot((50, 0), (50, 30)) + bridge(45, 15, 55, 25),  # bridged where the route passes
        ],
    )
    def test_none_where_copper_carries_the_return(self, other):
        assert found("crossing", ENDS, other, ACROSS) == []

    def test_a_bridge_elsewhere_does_not_hide_the_gap(self):
        (finding,) = found("crossing", ENDS, slot((50, 0), (50, 30)), bridge(45, 2, 55, 6), ACROSS)
        assert finding.things == ("motor", "slot")

    def test_the_cost_is_that_of_the_result_and_the_voltage_that_of_its_lines(self):
        lines = [(1e5, 0.3), (1e6, 0.2), (5e6, 0.01)]
        motor = noisy("B", "A", [[20, 20], [80, 20]], current=f"spectrum = {[list(line) for line in lines]}")
        parts = (ENDS, slot((50, 0), (50, 30)), motor)
        (finding,) = found("crossing", *parts)
        (facts,) = result(*parts).spectral.facts
        assert finding.value is facts.gap_inductance
        assert finding.unit == "H"
        volts = [2 * math.pi * f * current * facts.gap_inductance for f, current in lines]
        assert finding.severity == pytest.approx(math.hypot(*volts) / 1e-3, rel=1e-12)
        said = re.search(
            r"adds (\S+) nH .* and (\S+) mm to .* drops (\S+) mV rms there, (\S+) mV of it at 1 MHz", *s(finding)
        )
        assert [float(number) for number in said.groups()] == pytest.approx(
            [1e9 * facts.gap_inductance, 1e3 * facts.gap_detour, 1e3 * math.hypot(*volts), 1e3 * volts[1]], rel=6e-3
        )

    def test_a_single_line_is_said_once(self):
        parts = (ENDS, slot((50, 0), (50, 30)), noisy("B", "A", [[20, 20], [80, 20]], current=FAST))
        (finding,) = found("crossing", *parts)
        volts = math.pi * 1e6 * result(*parts).spectral.facts[0].gap_inductance
        assert finding.severity == pytest.approx(1e3 * volts, rel=1e-12)
        assert finding.sentence.endswith(f"drops {1e3 * volts:.3g} mV rms there at 1 MHz.")


def s(finding):
    return (finding.sentence,)


SPLIT = (
    '[[copper]]\nname = "left"\nlayer = "P"\nshape = { rect = [0, 0, 49, 40] }\n'
    '[[copper]]\nname = "right"\nlayer = "P"\nshape = { rect = [51, 0, 100, 40] }\n'
)
JOIN = (
    pad("l", 45, 35, "left")
    + pad("r", 55, 35, "right")
    + '[[link]]\nname = "tie"\nbetween = ["l", "r"]\nresistance_ohm = 0\n'
)


class TestSplitPlanes:
    ENDS = pad("A", 20, 20, "left") + pad("B", 80, 20, "right")

    def test_a_route_from_one_copper_to_another_is_found_with_the_length_between(self):
        (finding,) = found("crossing", self.ENDS, JOIN, ACROSS, copper=SPLIT)
        assert finding.things == ("motor", "left", "right")
        assert 'leaves "left" for "right" (2 mm over bare laminate)' in finding.sentence
        assert finding.at == pytest.approx((0.05, 0.02))

    def test_its_cost_is_its_whole_way_back(self):
        parts = (self.ENDS, JOIN, noisy("B", "A", [[20, 20], [80, 20]], current=FAST))
        (finding,) = found("crossing", *parts, copper=SPLIT)
        (facts,) = result(*parts, copper=SPLIT).spectral.facts
        assert (finding.value, finding.unit) == (facts.high_length, "m")
        # At least straight to the tie and back: 15 mm up and down again, within the contacts' size.
        assert finding.severity > 0.3
        assert finding.severity == pytest.approx(facts.high_length / 0.06 - 1, rel=1e-12)

    def test_a_route_that_stays_on_one_copper_is_not(self):
        inside = pad("C", 10, 20, "left")
        stays = noisy("A", "C", [[10, 20], [20, 20]])
        assert found("crossing", self.ENDS, inside, JOIN, stays, copper=SPLIT) == []

    def test_a_notch_in_the_copper_is_passed_over(self):
        corners = [[0, 0], [45, 0], [45, 30], [55, 30], [55, 0], [100, 0], [100, 40], [0, 40]]
        notched = f'[[copper]]\nname = "plane"\nlayer = "P"\nshape = {{ polygon = {corners} }}\n'
        (finding,) = found("crossing", ENDS, ACROSS, copper=notched)
        assert finding.things == ("motor", "plane")
        assert 'passes over no copper of layer "P" for 10 mm' in finding.sentence
        above = noisy("B", "A", [[20, 20], [20, 36], [80, 36], [80, 20]])
        assert found("crossing", ENDS, above, copper=notched) == []


ALONG = pad("A", 10, 1) + pad("B", 90, 1)


def along(y, current="current_A = 1"):
    return noisy("B", "A", [[10, y], [90, y]], current=current)


class TestEdge:
    def test_a_route_along_the_edge_is_found_without_its_ends(self):
        (finding,) = found("edge", ALONG, along(1))
        assert finding.things == ("motor", "plane")
        # 80 mm less 5 heights and half a pad at either end.
        assert "for 69 mm, at the closest 1 mm or 1 trace heights away" in finding.sentence
        assert finding.value is None

    def test_none_beyond_five_heights(self):
        inside, outside = (pad("A", 10, y) + pad("B", 90, y) for y in (4.9, 5.1))
        (finding,) = found("edge", inside, along(4.9))
        assert "at the closest 4.9 mm or 4.9 trace heights away" in finding.sentence
        assert found("edge", outside, along(5.1)) == []

    def test_a_connector_at_the_edge_is_none(self):
        ends = pad("A", 20, 1) + pad("B", 80, 20)
        assert found("edge", ends, noisy("B", "A", [[20, 1], [20, 20], [80, 20]])) == []

    def test_a_gap_has_edges_and_an_antipad_has_none(self):
        cut = slot((32, 23), (68, 23), width=2)
        (finding,) = found("edge", ENDS, cut, ACROSS)
        assert finding.things == ("motor", "slot")
        # 36 mm of slot, and at its ends what is within 5 mm of a corner that is 2 mm away.
        length = 36 + 2 * math.sqrt(25 - 4)
        said = float(re.search(r"for (\S+) mm, at the closest 2 mm or 2 trace heights", finding.sentence)[1])
        assert said == pytest.approx(length, abs=0.06)
        row = "".join(hole(30 + 4 * n, 22, 1.5, f"antipad {n}") for n in range(11))
        assert found("edge", ENDS, row, ACROSS) == []

    def test_crossing_a_gap_is_not_running_along_it(self):
        assert found("edge", ENDS, slot((50, 0), (50, 30)), ACROSS) == []

    def test_a_route_that_crosses_a_gap_and_runs_along_it_is_both(self):
        path = [[20, 20], [47, 20], [47, 3], [53, 3], [53, 20], [80, 20]]
        both = (ENDS, slot((50, 0), (50, 30)), noisy("B", "A", path))
        assert {finding.things for finding in found("edge", *both)} == {("motor", "slot"), ("motor", "plane")}
        assert len(found("crossing", *both)) == 1

    def test_the_cost_is_the_share_that_stays_under_the_conductor(self):
        parts = (ALONG, along(1, FAST))
        (finding,) = found("edge", *parts)
        it = result(*parts)
        (item,) = faced(it.case, it.conductors)
        assert finding.value == abs(near_share(it.spectral.model, item.route, 0, 1e9))
        # The image current of a trace one height from the edge is cut off there; much of it crowds at the edge instead.
        ideal = unbroken_share(item.route)
        assert 0.80 < ideal < 0.82
        assert finding.severity == pytest.approx(1 - finding.value / ideal, abs=1e-12) or finding.severity == 0
        assert f"{percent(finding.value)} of its return" in finding.sentence
        assert f"over an unbroken plane {percent(ideal)} would" in finding.sentence

    def test_nothing_is_lost_where_no_line_reaches_the_ribbon(self):
        slow = "current_A = 0.5\nfrequency_Hz = 50"
        (finding,) = found("edge", ALONG, along(1, slow))
        assert finding.severity == 0
        assert finding.sentence.endswith("none of its own lines is that high in frequency.")


SHELLS = pad("C", 25, 30) + pad("D", 75, 30)
LOUD = noisy("B", "A")


class TestConnectors:
    def test_a_gap_between_them_is_found_with_the_voltage_of_the_budget(self):
        parts = (ENDS, SHELLS, slot((50, 5), (50, 40)), LOUD, cables("C", "D"))
        (finding,) = found("connectors", *parts)
        (budget,) = result(*parts).cables
        assert finding.things == ("shells", "slot")
        assert finding.value is budget.noise
        assert finding.severity == budget.noise / budget.limit
        assert 'Between C and D, 50 mm apart, lies "slot":' in finding.sentence
        assert finding.at == pytest.approx((0.05, 0.03))

    @pytest.mark.parametrize("other", ["", slot((50, 0), (50, 25)), hole(50, 30, 4.5), slot((20, 38), (80, 38))])
    def test_none_where_copper_leads_straight_across(self, other):
        assert found("connectors", ENDS, SHELLS, other, LOUD, cables("C", "D")) == []

    def test_a_bridge_under_the_line_joins_them(self):
        parts = (ENDS, SHELLS, slot((50, 5), (50, 40)), bridge(45, 25, 55, 35), LOUD, cables("C", "D"))
        assert found("connectors", *parts) == []

    def test_two_coppers_have_a_border_between_them(self):
        ends = pad("A", 20, 20, "left") + pad("B", 80, 20, "right")
        shells = pad("C", 25, 30, "left") + pad("D", 75, 30, "right")
        (finding,) = found("connectors", ends, shells, JOIN, LOUD, cables("C", "D"), copper=SPLIT)
        assert finding.things == ("shells", "left", "right")
        assert finding.at == pytest.approx((0.05, 0.03))

    def test_parts_and_what_is_at_radio_frequency(self):
        motor = noisy("B", "A", current="spectrum = [[1e3, 1], [1e5, 0.1], [2e5, 0.2], [1e6, 0.1], [1e7, 0.1]]")
        fan = noisy("A", "C", name="fan", current="current_A = 3\nfrequency_Hz = 5e5")
        shells = cables("C", "D", "band_Hz = [0, 5e6]")
        parts = (ENDS, SHELLS, slot((50, 5), (50, 40)), motor, fan, shells)
        (finding,) = found("connectors", *parts)
        it = result(*parts)
        heard = [(0, 2e5, 0.2), (0, 1e6, 0.1), (1, 5e5, 3)]
        radio = math.hypot(*(abs(it.impedance(f)[2, j]) * current for j, f, current in heard))
        said = re.search(r'"motor" (\S+) mV, "fan" (\S+) mV\); (\S+) mV of it at 150 kHz or above', finding.sentence)
        (budget,) = it.cables
        each = {part.loop: 1e3 * part.noise for part in budget.contributions}
        expected = [each["motor"], each["fan"], 1e3 * radio]
        assert [float(number) for number in said.groups()] == pytest.approx(expected, rel=6e-3)


def test_the_worst_comes_first():
    parts = (ENDS, SHELLS, slot((50, 5), (50, 40)), LOUD, noisy("B", "C", name="fan"), cables("C", "D"))
    findings = review(result(*parts))
    severities = [finding.severity for finding in findings]
    assert len(set(severities)) > 1
    assert severities == sorted(severities, reverse=True)


@pytest.mark.parametrize(
    ("severity", "level"), [(3, "high"), (1, "high"), (0.99, "moderate"), (0.1, "moderate"), (0.09, "low")]
)
def test_levels(severity, level):
    finding = Finding(kind="edge", things=(), sentence="", severity=severity, value=None, unit="")
    assert finding.level == level
