"""Noise budgets from made-up transfer impedances: sums, bands, brackets, and the sentences they end in."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from returnflow.answers.budget import Budget, Coupled, band_mask, budget, decibels
from returnflow.answers.missing import frequency_cautions
from returnflow.answers.spectra import Lines, lines_of
from returnflow.answers.verdict import finding
from returnflow.resistive.foil import resistive_limit
from returnflow_geometry.model.board import Board, Case, Copper, Layer, Loop, Outgoing, Terminal, Trapezoid
from returnflow_geometry.model.numbers import engineering, percent
from returnflow_geometry.model.shapes import circle, rectangle


def sensitive(band=None, tolerates=1e-6):
    return Loop(name="load cell", role="sensitive", inject="AGND", return_="SHIELD", tolerates=tolerates, band=band)


def noisy(name="motor", **keys):
    return Loop(name=name, role="noisy", inject="PGND", return_="GND", **keys)


def coupled(lines, impedance, name="motor", doubt=0.0, half_width=0.0):
    """One noisy loop with [(frequency, current)] lines and an impedance per line."""
    frequency, current = np.array(lines, dtype=float).T
    size = np.broadcast_to(np.asarray(impedance, dtype=complex), frequency.shape)
    return Coupled(
        loop=noisy(name),
        lines=Lines(frequency, current),
        transfer=float(size[0].real),
        half_width=half_width,
        impedance=size.copy(),
        doubt=np.full(len(frequency), doubt),
    )


class TestSums:
    def test_one_line_is_impedance_times_current(self):
        result = budget(sensitive(), 1e-6, [coupled([(50, 2.0)], 3e-4 + 4e-4j)])
        assert result.noise == pytest.approx(1e-3, rel=1e-12)
        (part,) = result.contributions
        assert (part.noise, part.frequency, part.current) == (pytest.approx(1e-3), 50.0, 2.0)

    def test_lines_of_one_loop_add_in_power(self):
        result = budget(sensitive(), 1.0, [coupled([(0, 1.0), (50, 2.0)], [3.0, 2.0j])])
        assert result.noise == pytest.approx(5.0, rel=1e-12)
        assert result.worst_case == pytest.approx(5.0, rel=1e-12)
        (part,) = result.contributions
        assert part.frequency == 50.0
        assert part.strongest == (50.0, pytest.approx(4.0))
        assert (part.lines, part.counted) == (2, 2)
        assert part.current == pytest.approx(math.sqrt(5), rel=1e-12)

    def test_loops_add_in_power_and_in_the_worst_case_their_voltages(self):
        parts = [coupled([(50, 1.0)], -3.0, "first"), coupled([(50, 2.0)], 2.0, "second")]
        result = budget(sensitive(), 1.0, parts)
        assert result.noise == pytest.approx(5.0, rel=1e-12)
        assert result.worst_case == pytest.approx(7.0, rel=1e-12)
        assert [part.loop for part in result.contributions] == ["second", "first"]
        # The sign of a transfer resistance is kept; it says whether the currents flow together.
        assert result.contributions[1].transfer == -3.0

    def test_steady_currents_add_with_their_signs(self):
        # Four loads of one sign: 4 x 0.1 A x 83.3 uohm = 33.3 uV, over a limit of 25 uV; in power it would be half.
        parts = [coupled([(0, 0.1)], 83.3e-6, f"load {n}") for n in range(4)]
        result = budget(sensitive(), 25e-6, parts)
        assert result.noise == result.worst_case == pytest.approx(33.32e-6, rel=1e-9)
        assert result.verdict == "exceeded"
        assert [part.part for part in result.contributions] == pytest.approx([0.25] * 4)
        assert "add with their signs" in result.adding[0]

    def test_steady_currents_of_opposite_sign_cancel_and_their_doubts_do_not(self):
        parts = [coupled([(0, 1.0)], 3.0, "one", doubt=0.5), coupled([(0, 1.0)], -3.0, "two", doubt=0.5)]
        result = budget(sensitive(), 1.0, parts)
        assert (result.noise, result.low, result.high) == (0.0, 0.0, pytest.approx(1.0))

    def test_a_steady_current_and_a_line_add_in_power(self):
        result = budget(sensitive(), 1.0, [coupled([(0, 1.0)], 3.0, "one"), coupled([(50, 1.0)], 4.0, "two")])
        assert result.noise == result.worst_case == pytest.approx(5.0)

    def test_lines_that_belong_together_add_in_phase(self):
        one, two = coupled([(50, 1.0), (150, 1.0)], [3.0, 1.0], "one"), coupled([(50, 1.0)], -2.0, "two")
        together = dataclasses.replace(two, loop=dataclasses.replace(two.loop, coherent_with="one"))
        apart, joint = budget(sensitive(), 1.0, [one, two]), budget(sensitive(), 1.0, [one, together])
        assert apart.noise == pytest.approx(math.sqrt(9 + 4 + 1))
        assert joint.noise == joint.worst_case == pytest.approx(math.sqrt(1 + 1))
        assert "taken as independent" in apart.adding[0]
        assert "belong together" in joint.adding[0]

    @given(st.lists(st.tuples(st.floats(-10, 10), st.floats(0.1, 10), st.sampled_from([0, 50, 60])), max_size=6))
    def test_parts_of_the_power_add_up_to_one(self, loops):
        parts = [coupled([(f, current)], z, f"{n}") for n, (z, current, f) in enumerate(loops)]
        result = budget(sensitive(), 1.0, parts)
        assert result.noise == 0 or sum(part.part for part in result.contributions) == pytest.approx(1.0, rel=1e-9)
        assert result.low <= result.noise * (1 + 1e-12) <= result.high * (1 + 1e-9)

    def test_no_noisy_loop_is_no_noise(self):
        result = budget(sensitive(), 1e-6, [])
        assert (result.noise, result.worst_case, result.low, result.high) == (0, 0, 0, 0)
        assert result.margin_dB == math.inf
        assert result.verdict == "kept"

    @given(st.lists(st.tuples(st.floats(-10, 10), st.floats(0, 10)), min_size=1, max_size=6))
    def test_worst_case_is_at_least_the_rms_sum_and_at_most_root_n_times_it(self, loops):
        result = budget(sensitive(), 1.0, [coupled([(50, current)], z, f"{n}") for n, (z, current) in enumerate(loops)])
        assert result.noise <= result.worst_case * (1 + 1e-12)
        assert result.worst_case <= math.sqrt(len(loops)) * result.noise * (1 + 1e-12)
        assert sum(part.noise**2 for part in result.contributions) == pytest.approx(result.noise**2, rel=1e-9)

    @given(
        st.lists(
            st.tuples(st.floats(-10, 10), st.floats(0, 10), st.floats(0, 1), st.sampled_from([0, 50, 60])), max_size=6
        )
    )
    def test_the_bound_of_the_worst_case_is_below_neither_it_nor_the_bound_of_the_sum(self, loops):
        parts = [coupled([(f, amps)], z, f"{n}", doubt) for n, (z, amps, doubt, f) in enumerate(loops)]
        result = budget(sensitive(), 1.0, parts)
        assert result.worst_high >= max(result.worst_case, result.high) * (1 - 1e-12)
        if len({f for *_, f in loops}) == len(loops):  # nothing adds in phase
            assert result.worst_high == pytest.approx(result.high, rel=1e-9)
        sure = budget(sensitive(), 1.0, [dataclasses.replace(part, doubt=0 * part.doubt) for part in parts])
        assert sure.worst_high == pytest.approx(sure.worst_case, rel=1e-12)

    def test_out_of_band_lines_are_counted_apart(self):
        lines = [(0, 1.0), (500, 1.0), (2e3, 1.0), (4e3, 1.0)]
        result = budget(sensitive((100, 1e3)), 1.0, [coupled(lines, [1.0, 2.0, 3.0, 4.0])])
        (part,) = result.contributions
        assert result.noise == part.noise == pytest.approx(2.0, rel=1e-12)
        assert part.out_of_band == pytest.approx(math.sqrt(1 + 9 + 16), rel=1e-12)
        assert (part.frequency, part.strongest) == (500.0, (4e3, 4.0))
        assert (part.lines, part.counted, part.in_band) == (4, 1, True)

    def test_a_loop_with_no_line_in_the_band_is_listed_last_and_not_summed(self):
        parts = [coupled([(2e3, 5.0)], 7.0, "clock"), coupled([(50, 1.0)], 2.0, "mains")]
        result = budget(sensitive((0, 1e3)), 1.0, parts)
        assert result.noise == result.worst_case == pytest.approx(2.0, rel=1e-12)
        assert result.high == pytest.approx(2.0, rel=1e-12)
        assert [part.loop for part in result.contributions] == ["mains", "clock"]
        clock = result.contributions[1]
        assert not clock.in_band
        assert clock.noise == clock.out_of_band == pytest.approx(35.0, rel=1e-12)
        assert (clock.frequency, clock.counted) == (2e3, 0)


class TestBand:
    LINES = Lines(np.array([0.0, 100.0, 500.0, 1000.0, 1000.1]), np.ones(5))

    def test_edges_are_inclusive(self):
        assert band_mask(self.LINES, sensitive((100, 1000))).tolist() == [False, True, True, True, False]

    def test_a_band_from_zero_hears_direct_current(self):
        assert band_mask(self.LINES, sensitive((0, 100))).tolist() == [True, True, False, False, False]

    def test_without_a_band_everything_counts(self):
        assert band_mask(self.LINES, sensitive()).all()

    def test_an_unknown_frequency_counts_in_every_band(self):
        lines = lines_of(noisy(current=1.0))
        assert band_mask(lines, sensitive((1e5, 1e6))).tolist() == [True]
        # Direct current, on the other hand, is known to be out of it.
        assert band_mask(lines_of(noisy(current=1.0, frequency=0.0)), sensitive((1e5, 1e6))).tolist() == [False]

    def test_the_frequency_of_an_unknown_one_is_not_made_up(self):
        part = dataclasses.replace(coupled([(0, 1.0)], 1.0), lines=Lines(np.zeros(1), np.ones(1), anywhere=True))
        (found,) = budget(sensitive((1e5, 1e6)), 1.0, [part]).contributions
        assert found.frequency is None
        assert found.in_band


class TestDecibels:
    @pytest.mark.parametrize(("above", "below", "dB"), [(10, 1, 20), (1, 2, -6.0206), (1, 1, 0), (1e-3, 1e-6, 60)])
    def test_of_voltages(self, above, below, dB):
        assert decibels(above, below) == pytest.approx(dB, abs=1e-4)

    def test_margin_is_positive_where_the_limit_is_kept(self):
        result = budget(sensitive(), 2.0, [coupled([(0, 1.0)], 1.0)])
        assert result.margin_dB == pytest.approx(6.0206, abs=1e-4)
        assert budget(sensitive(), 0.5, [coupled([(0, 1.0)], 1.0)]).margin_dB == pytest.approx(-6.0206, abs=1e-4)


class TestVerdict:
    @pytest.mark.parametrize(
        ("limit", "verdict"),
        [(1.2, "kept"), (1.1, "kept"), (1.05, "undecided"), (1.0, "undecided"), (0.9, "undecided"), (0.89, "exceeded")],
    )
    def test_from_the_bracket(self, limit, verdict):
        result = budget(sensitive(), limit, [coupled([(0, 1.0)], 1.0, doubt=0.1)])
        assert (result.low, result.high) == (pytest.approx(0.9), pytest.approx(1.1))
        # The limit itself is kept; equal values differ by rounding, so it is set to the bound.
        result = dataclasses.replace(result, low=round(result.low, 12), high=round(result.high, 12))
        assert result.verdict == verdict

    def test_bracket_of_a_sum(self):
        parts = [coupled([(0, 1.0), (50, 2.0)], [3.0, 1.0j], "a", doubt=0.5), coupled([(0, 1.0)], -0.2, "b", doubt=0.5)]
        result = budget(sensitive(), 1.0, parts)
        assert result.low == pytest.approx(math.sqrt(1.8**2 + 1.0**2), rel=1e-12)
        assert result.high == pytest.approx(math.sqrt(3.8**2 + 3.0**2), rel=1e-12)
        assert result.low < result.noise < result.high

    @pytest.mark.parametrize(("impedance", "verdict"), [(3e-6 + 1e-6j, "kept"), (1e-6 + 3e-6j, "unknown")])
    def test_what_is_more_induced_than_resistive_needs_its_route(self, impedance, verdict):
        # Far below where the return turns, 200 Hz may be all induction: on separate grounds nothing else is left.
        part = dataclasses.replace(coupled([(200, 1.0)], impedance), routeless=(("motor", 1e5),))
        result = budget(sensitive(), 1e-5, [part])
        assert result.verdict == verdict
        assert result.unrouted == (("motor",) if verdict == "unknown" else ())
        # With its route drawn the same impedance is a result.
        assert budget(sensitive(), 1e-5, [dataclasses.replace(part, routeless=())]).verdict == "kept"

    def test_doubt_outside_the_band_decides_nothing(self):
        part = coupled([(50, 1.0), (2e3, 1.0)], 1.0)
        part = dataclasses.replace(part, doubt=np.array([0.0, 9.0]))
        result = budget(sensitive((0, 1e3)), 1.0, [part])
        assert result.low == result.high == pytest.approx(1.0, rel=1e-12)
        # In the band it would.
        assert budget(sensitive(), 1.0, [part]).verdict == "undecided"


def board(*terminals, size=(100e-3, 80e-3)):
    outline = rectangle(0, 0, *size)
    places = {"AGND": (0.04, 0.072), "SHIELD": (0.006, 0.072), "PGND": (0.08, 0.02), "GND": (0.01, 0.02)}
    bonded = dict(terminals)
    return Board(
        outline=outline,
        temperature=20.0,
        layers=(Layer(name="L1", thickness=35e-6, below=0.2e-3), Layer(name="L2", thickness=35e-6)),
        coppers=(Copper(name="ground", layer="L2", shape=outline),),
        terminals=tuple(
            Terminal(name=name, copper="ground", shape=circle(x, y, 1e-3), bonded=bonded.get(name))
            for name, (x, y) in places.items()
        ),
    )


def case(*loops, **options):
    return Case(title="t", board=board(**options), loops=tuple(loops))


ROUTE = Outgoing(layer="L1", path=((0.01, 0.02), (0.08, 0.02)), width=0.2e-3)
SHEET = 4.9e-4
LIMIT = resistive_limit(SHEET, 0.07)  # 2785 Hz for the loop from PGND to GND


class TestCautions:
    def test_nothing_to_say_at_low_frequency(self):
        assert frequency_cautions(case(noisy(current=1.0, frequency=0.9 * LIMIT), noisy("b", current=1.0)), SHEET) == []

    def test_above_the_resistive_limit_without_an_outgoing_conductor(self):
        (sentence,) = frequency_cautions(case(noisy("fan", current=1.0, frequency=1.1 * LIMIT)), SHEET)
        assert '"fan"' in sentence
        assert engineering(1.1 * LIMIT, "Hz") in sentence
        assert engineering(LIMIT, "Hz") in sentence
        assert "closed far away" in sentence

    def test_with_an_outgoing_conductor_there_is_none_of_that(self):
        assert frequency_cautions(case(noisy(current=1.0, frequency=1e6, route=ROUTE)), SHEET) == []

    def test_the_highest_line_counts(self):
        spectrum = ((0.0, 1.0), (1e6, 1e-3))
        assert len(frequency_cautions(case(noisy(spectrum=spectrum)), SHEET)) == 1

    def test_sensitive_loops_and_cables_carry_nothing(self):
        quiet = sensitive((0, 1e9)), Loop(name="c", role="cables", inject="PGND", return_="GND", limit=1e-3)
        assert frequency_cautions(case(*quiet), SHEET) == []

    def test_board_against_the_wavelength(self):
        # A tenth of the wavelength in laminate of 4.3 along the diagonal of 128 mm: 112.9 MHz.
        edge = 299_792_458 / math.sqrt(4.3) / 10 / math.hypot(0.1, 0.08)
        below, above = (noisy("clock", current=1.0, frequency=f * edge, route=ROUTE) for f in (0.999, 1.001))
        assert frequency_cautions(case(below), SHEET) == []
        (sentence,) = frequency_cautions(case(above), SHEET)
        assert "110 MHz" in sentence
        assert '"clock"' in sentence
        assert "wavelength" in sentence

    def test_one_sentence_for_all_loops_beyond_the_wavelength(self):
        fast = [noisy(name, current=1.0, frequency=1e9, route=ROUTE) for name in ("a", "b")]
        (sentence,) = frequency_cautions(case(*fast, noisy("slow", current=1.0, frequency=1e3)), SHEET)
        assert '("a", "b")' in sentence
        assert "slow" not in sentence

    def test_harmonics_that_are_left_out_are_told_where_they_matter(self):
        # 2000 harmonics of 50 Hz with edges of 1 us hold all but 0.5 % of the rms; slower edges all but 0.1 %.
        wave = Trapezoid(frequency=50.0, swing=1.0, rise=1e-6)
        lines = lines_of(noisy(trapezoid=wave))
        assert lines.left_out / lines.rms > 1e-3
        sentences = frequency_cautions(case(noisy("pwm", trapezoid=wave, route=ROUTE)), SHEET)
        (sentence,) = [text for text in sentences if "left out" in text]
        assert '"pwm"' in sentence
        assert f"{percent(lines.left_out / lines.rms)}" in sentence
        assert "100 kHz" in sentence
        slow = noisy("pwm", trapezoid=Trapezoid(frequency=50.0, swing=1.0, rise=5e-5), route=ROUTE)
        assert frequency_cautions(case(slow), SHEET) == []


def judged(noise, limit, *, doubt=0.0, band=None, frequency=50.0):
    loop = sensitive(band, limit)
    parts = [coupled([(frequency, 1.0)], 0.8 * noise, "motor", doubt), coupled([(frequency, 1.0)], 0.6 * noise, "fan")]
    return finding(budget(loop, limit, parts))


class TestSentences:
    def test_kept(self):
        assert judged(0.5e-6, 1e-6) == (
            'Sharing the plane is tolerable for "load cell": 500 nV rms in series with its signal, limit 1 µV, '
            '6.0 dB margin. Noise power by source: "motor" 64 %, "fan" 36 %.'
        )

    def test_exceeded(self):
        assert judged(4e-6, 1e-6) == (
            'Sharing the plane is not tolerable for "load cell": 4 µV rms in series with its signal, limit 1 µV, '
            '12.0 dB over the limit. Noise power by source: "motor" 64 %, "fan" 36 %.'
        )

    def test_undecided(self):
        text = judged(1e-6, 1e-6, doubt=0.1e-6)
        assert text.startswith('Whether sharing the plane is tolerable for "load cell" is undecided: 1 µV rms')
        # 0.8 +- 0.1 and 0.6, in power.
        assert engineering(1e-6 * math.hypot(0.7, 0.6), "V") in text
        assert engineering(1e-6 * math.hypot(0.9, 0.6), "V") in text
        assert text.endswith("Set a smaller `accuracy` and solve again.")

    def test_nothing_in_the_band(self):
        text = judged(1.0, 1e-6, band=(0, 1e3), frequency=1e6)
        assert "no noisy loop has a line in its band" in text


def test_budget_of_equal_low_and_high_is_never_undecided():
    for noise in (0.5, 1.0, 1.5):
        result = Budget(loop="s", limit=1.0, contributions=(), noise=noise, low=noise, high=noise, worst_case=noise)
        assert result.verdict == ("exceeded" if noise > 1 else "kept")
