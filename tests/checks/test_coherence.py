"""Currents in phase: of two noisy loops that have a line in common."""

import pytest

from cases import DELETE, edited, mistakes_of, text_of
from returnflow_geometry.casefile.read import parse_case

WAVE = {"frequency_Hz": 8e6, "swing_A": 0.02, "rise_s": 4e-9}


def together(name, *more):
    """The good case with its clock of 8 MHz coherent with another: 0 is a stepper of 20 kHz, 4 a buck of 400 kHz."""
    return edited(("loop.3.coherent_with", name), *more)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("clock", 'coherent_with is "clock", the loop itself; '),
        ("load cell", 'coherent_with is "load cell", which is a sensitive loop; '),
        ("USB", 'coherent_with is "USB", which is a pair of cables; '),
        ("stepper phase", 'coherent_with is "stepper phase", which has its only line at 20 kHz where this one has'),
    ],
)
def test_what_has_no_current_in_phase_is_refused_at_its_key(name, says):
    (line,) = mistakes_of(together(name))
    assert line.startswith(f'loop "clock": {says}')
    assert "noisy loop" in line.split("; ")[1]


def test_currents_of_which_only_one_has_a_frequency_have_no_line_in_common():
    (line,) = mistakes_of(together("stepper phase", ("loop.0.frequency_Hz", DELETE)))
    assert 'coherent_with is "stepper phase", and that one has no frequency_Hz; ' in line


@pytest.mark.parametrize(
    "more",
    [
        [("loop.4.spectrum", [[0, 0.5], [24e6, 0.1]])],  # the third harmonic
        [
            ("loop.4.trapezoid", WAVE | {"frequency_Hz": 6e6, "duty": 0.4}),
            ("loop.4.spectrum", DELETE),
        ],  # 24 MHz of both
        [
            ("loop.4.spectrum", [[0, 1], [1e3, 1]]),
            ("loop.3.spectrum", [[0, 1], [1.2e3, 1]]),
            ("loop.3.trapezoid", DELETE),
        ],
    ],
)
def test_lines_that_coincide_in_part_may_be_in_phase(more):
    assert parse_case(text_of(together("buck", *more))).loop("clock").coherent_with == "buck"


def test_even_harmonics_that_a_symmetric_wave_has_not_are_no_lines_of_it():
    even = [("loop.4.spectrum", [[16e6, 0.1]])]
    parse_case(text_of(together("buck", *even)))  # duty 0.4
    (line,) = mistakes_of(together("buck", ("loop.3.trapezoid", WAVE), *even))
    assert "only line at 16 MHz where" in line


@pytest.mark.parametrize(
    "more", [("loop.0.frequency_Hz", -3), ("loop.0.role", "noise"), ("loop.0.current_A", 0), ("loop.3.trapezoid", 3)]
)
def test_a_loop_with_a_mistake_of_its_own_causes_no_other(more):
    assert len(mistakes_of(together("stepper phase", more))) == 1
