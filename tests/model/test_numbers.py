"""Numbers as text: what is spelt is the value to the stated digits, whatever its size."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from returnflow_geometry.model.numbers import dB, engineering, percent, plain

PREFIXES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}


def read_back(text, unit):
    number, rest = text.split(" ")
    assert rest.endswith(unit)
    return float(number.replace("−", "-")) * PREFIXES[rest.removesuffix(unit)]


class TestEngineering:
    @given(st.floats(1e-20, 1e16), st.sampled_from([1, -1]), st.integers(1, 6))
    def test_round_trip_to_the_stated_digits(self, size, sign, digits):
        value = sign * size
        text = engineering(value, "V", digits)
        # Half a unit in the last of `digits` digits, of a number from 1 to 10.
        assert read_back(text, "V") == pytest.approx(value, rel=0.5 * 10.0 ** (1 - digits) * (1 + 1e-9))
        assert math.copysign(1, read_back(text, "V")) == sign

    @given(st.floats(1e-12, 9.99e11), st.integers(3, 6))
    def test_the_prefix_leaves_one_to_three_digits_before_the_point(self, value, digits):
        number, _ = engineering(value, "V", digits).split(" ")
        assert 1 <= float(number) < 1000
        assert "e" not in number

    @pytest.mark.parametrize(
        ("value", "digits", "text"),
        [
            (0.0, 3, "0 V"),
            (999.4e-6, 3, "999 µV"),
            (999.6e-6, 3, "1 mV"),
            (1e-3, 3, "1 mV"),
            (-2.345e4, 3, "−23.4 kV"),
            (123.0, 2, "120 V"),
            (999.0, 2, "1 kV"),
            (0.25e-12, 3, "0.25 pV"),
            (2.5e12, 3, "2500 GV"),
            (math.inf, 3, "inf V"),
        ],
    )
    def test_table(self, value, digits, text):
        assert engineering(value, "V", digits) == text


@given(st.floats(-1e9, 1e9), st.integers(1, 6))
def test_a_plain_number_has_no_exponent_and_is_right_to_its_digits(value, digits):
    text = plain(value, digits).replace("−", "-")
    assert "e" not in text.lower()
    assert float(text) == pytest.approx(value, rel=0.5 * 10.0 ** (1 - digits) * (1 + 1e-9))


@given(st.floats(-200, 200))
def test_decibels_that_are_not_none_never_read_as_none(value):
    text = dB(value, sign=True)
    assert text.endswith(" dB")
    shown = float(text.removesuffix(" dB").replace("−", "-"))
    assert (shown == 0) == (value == 0)
    assert abs(shown - value) <= 0.0501


def test_a_share_too_small_to_matter_is_not_read_as_none():
    assert percent(1e-9) == "< 0.01 %"
    assert percent(0.0) == "0 %"
