"""What a noisy loop carries, line by line: against a numerical transform of the wave, and its exact power."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from returnflow.answers.spectra import HIGHEST, MOST_LINES, Lines, lines_of, trapezoid_lines
from returnflow_geometry.model.board import Loop, Trapezoid


def sampled(wave, count=1 << 16):
    """One period of the wave, from the middle of its rising edge."""
    t = (np.arange(count) + 0.5) / count / wave.frequency
    period, width = 1 / wave.frequency, wave.duty / wave.frequency
    rising = np.clip(t / wave.rise + 0.5, 0, 1)
    falling = np.clip((width - t) / wave.rise + 0.5, 0, 1)
    next_rising = np.clip((t - period) / wave.rise + 0.5, 0, 1)
    return wave.swing * (np.minimum(rising, falling) + next_rising)


def mean_square(wave):
    return float(np.mean(sampled(wave) ** 2))


def unipolar(**keys):
    """A wave from 0 to its swing."""
    return Trapezoid(**keys, mean=keys["swing"] * keys.get("duty", 0.5))


@st.composite
def waves(draw):
    frequency = draw(st.floats(1e3, 1e8))
    duty = draw(st.floats(0.05, 0.95))
    rise = draw(st.floats(0.01, 1.0)) * min(duty, 1 - duty) / frequency
    return unipolar(frequency=frequency, swing=draw(st.floats(1e-3, 10)), rise=rise, duty=duty)


class TestTrapezoid:
    def test_it_has_no_mean_unless_the_case_says_so(self):
        # What charges a gate flows out of it again.
        wave = Trapezoid(frequency=1e6, swing=2.0, rise=20e-9, duty=0.3)
        plain, lifted = trapezoid_lines(wave), trapezoid_lines(dataclasses.replace(wave, mean=-0.4))
        assert plain.frequency[0] == 1e6
        assert (lifted.frequency[0], lifted.current[0]) == (0.0, -0.4)
        np.testing.assert_array_equal(lifted.current[1:], plain.current)
        assert lifted.left_out == plain.left_out

    @given(waves())
    def test_lines_are_those_of_a_numerical_transform(self, wave):
        lines = trapezoid_lines(wave, highest=1e15, most=40)
        transform = np.abs(np.fft.rfft(sampled(wave)))[:41] / (1 << 16)
        expected = np.concatenate([transform[:1], np.sqrt(2) * transform[1:]])
        assert lines.current == pytest.approx(expected, abs=1e-6 * wave.swing)
        assert lines.frequency == pytest.approx(wave.frequency * np.arange(41), rel=1e-12)

    @given(waves(), st.integers(1, 200))
    def test_parseval_with_what_is_left_out(self, wave, most):
        lines = trapezoid_lines(wave, highest=1e15, most=most)
        assert math.hypot(lines.rms, lines.left_out) ** 2 == pytest.approx(mean_square(wave), rel=1e-5)

    def test_what_is_left_out_is_the_sum_of_the_rest(self):
        wave = unipolar(frequency=1e6, swing=2.0, rise=20e-9, duty=0.3)
        few, many = (trapezoid_lines(wave, highest=1e15, most=most) for most in (10, 200_000))
        rest = float(np.sqrt(np.sum(many.current[11:] ** 2)))
        assert few.left_out == pytest.approx(rest, rel=1e-6)
        assert few.left_out > 1e-2
        assert many.left_out < 1e-6

    def test_slow_edges_make_a_triangle(self):
        # Harmonics of a triangle from 0 to 1 A: 4/(pi n)^2 for odd n, peak; none for even n.
        lines = trapezoid_lines(unipolar(frequency=50.0, swing=1.0, rise=0.01, duty=0.5), most=9)
        n = np.arange(1, 10)
        assert lines.current[0] == pytest.approx(0.5, rel=1e-12)
        assert lines.current[1:] == pytest.approx(np.where(n % 2, 4 / (np.pi * n) ** 2, 0) / np.sqrt(2), abs=1e-12)

    def test_fast_edges_make_a_square(self):
        lines = trapezoid_lines(unipolar(frequency=1e3, swing=1.0, rise=1e-12, duty=0.5), most=21)
        n = np.arange(1, 22)
        assert lines.current[1:] == pytest.approx(np.where(n % 2, 2 / (np.pi * n), 0) / np.sqrt(2), abs=1e-9)

    def test_falls_by_40_decibels_per_decade_above_the_corner_of_the_rise(self):
        wave = unipolar(frequency=1e6, swing=1.0, rise=30e-9)
        lines = trapezoid_lines(wave, highest=1e12, most=3000)
        peak = np.sqrt(2) * lines.current[1:]
        envelope = (
            2 * wave.swing * wave.duty / (np.pi**2 * lines.frequency[1:] ** 2 * wave.duty / wave.frequency * 30e-9)
        )
        assert np.all(peak <= envelope * (1 + 1e-9))
        assert np.max(peak[1000:] / envelope[1000:]) > 0.9

    @pytest.mark.parametrize(("duty", "null"), [(0.5, 2), (0.25, 4), (0.2, 5)])
    def test_multiples_of_the_inverse_duty_are_null(self, duty, null):
        current = trapezoid_lines(unipolar(frequency=1e6, swing=1.0, rise=1e-9, duty=duty), most=20).current
        assert np.max(current[null::null]) < 1e-15
        others = np.delete(np.arange(1, 21), np.arange(null, 21, null) - 1)
        assert np.min(current[others]) > 1e-3

    def test_lines_end_where_the_model_does(self):
        clock = unipolar(frequency=24e6, swing=0.02, rise=2e-9)
        lines = trapezoid_lines(clock)
        assert lines.frequency[-1] <= HIGHEST < lines.frequency[-1] + 24e6
        assert len(trapezoid_lines(clock, highest=100e6).frequency) == 5

    def test_slow_waves_have_at_most_so_many_lines(self):
        slow = unipolar(frequency=50.0, swing=1.0, rise=1e-6)
        assert len(trapezoid_lines(slow).frequency) == MOST_LINES + 1
        assert len(trapezoid_lines(slow, most=7).frequency) == 8

    def test_a_wave_faster_than_the_end_of_the_band_keeps_its_first_harmonic(self):
        lines = trapezoid_lines(unipolar(frequency=3e9, swing=1.0, rise=1e-11))
        assert lines.frequency.tolist() == [0, 3e9]


class TestLinesOfALoop:
    def loop(self, **keys):
        return Loop(name="n", role="noisy", inject="A", return_="B", **keys)

    def test_current_with_a_frequency(self):
        lines = lines_of(self.loop(current=2.0, frequency=50.0))
        assert (lines.frequency.tolist(), lines.current.tolist(), lines.anywhere) == ([50.0], [2.0], False)

    def test_current_at_zero_hertz_has_a_known_frequency(self):
        lines = lines_of(self.loop(current=2.0, frequency=0.0))
        assert (lines.frequency.tolist(), lines.anywhere) == ([0.0], False)

    def test_current_without_a_frequency_counts_everywhere(self):
        lines = lines_of(self.loop(current=2.0))
        assert (lines.frequency.tolist(), lines.current.tolist(), lines.anywhere) == ([0.0], [2.0], True)

    def test_spectrum_in_ascending_order(self):
        lines = lines_of(self.loop(spectrum=((2e3, 0.1), (0.0, 0.5), (1e3, 0.2))))
        assert lines.frequency.tolist() == [0, 1e3, 2e3]
        assert lines.current.tolist() == [0.5, 0.2, 0.1]
        assert lines.left_out == 0
        assert not lines.anywhere

    def test_trapezoid(self):
        wave = unipolar(frequency=24e6, swing=0.02, rise=2e-9, duty=0.4)
        lines = lines_of(self.loop(trapezoid=wave))
        np.testing.assert_array_equal(lines.current, trapezoid_lines(wave).current)
        assert lines.current[0] == pytest.approx(0.008, rel=1e-12)
        assert not lines.anywhere

    def test_rms_adds_powers(self):
        assert Lines(np.array([0.0, 50.0, 100.0]), np.array([1.0, 2.0, 2.0])).rms == pytest.approx(3, rel=1e-15)


def test_even_harmonics_of_an_even_wave_are_none_at_all():
    lines = trapezoid_lines(Trapezoid(frequency=1e6, swing=1.0, rise=1e-8))
    even = lines.current[1::2]
    assert np.all(even == 0)
    assert np.all(lines.current[:20:2] > 0)
    # a duty that is hardly off one half keeps them: half a per mille of a period is no rounding
    assert np.all(trapezoid_lines(Trapezoid(frequency=1e6, swing=1.0, rise=1e-8, duty=0.5005)).current[1:20:2] > 0)
