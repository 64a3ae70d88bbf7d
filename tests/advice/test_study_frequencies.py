"""A whole case from text to numbers above 0 Hz: routes to the noise, laws of scaling, the same bits every time."""

import dataclasses
import math
import re

import numpy as np
import pytest
from test_study import LOOPS, PLATE, SENSOR, SHEET, STRIP, loop, plate, solved, text_of, whole

import returnflow as rf
from returnflow.advice.study import AS_DRAWN, run
from returnflow.answers import evaluate as evaluate_module
from returnflow.answers.frequency import unbroken_share
from returnflow.answers.spectra import lines_of

TWO = (
    loop("first", "noisy", "B", "A", "current_A = 1\nfrequency_Hz = 1e6", [[8, 15], [20, 15]]),
    loop("second", "noisy", "C", "B", "current_A = 1\nfrequency_Hz = 1e6", [[20, 15], [32, 15]]),
)
ASKED = (0, 1e4, 1e7)


def broadband():
    """Two loops in line, the one that both make together, and a sensor; with frequencies."""
    return solved(plate(*TWO, whole(), SENSOR, frequencies=ASKED))


class TestSuperposition:
    MERGED = np.array([1.0, 1.0, -1.0, 0.0])

    @pytest.mark.parametrize("f", [0.0, 50.0, 1e4, 1e6, 1e8])
    def test_two_loops_in_line_are_one(self, f):
        Z = broadband().impedance(f)
        # Against all of them: what the victim hears, and their own.
        assert np.abs(self.MERGED @ Z) == pytest.approx(0, abs=1e-6 * abs(Z[2, 2]))
        assert abs(Z[0, 3]) > 1e-3 * abs(Z[2, 2])

    def test_sections_add(self):
        result = broadband()
        assert result.spectral.sections @ self.MERGED == pytest.approx(0, abs=1e-6)
        assert result.sections @ self.MERGED == pytest.approx(0, abs=1e-9)
        # Only the second loop's current need cross the cut, and all of it does, to the left.
        np.testing.assert_allclose(result.spectral.sections[:, 0, :3], np.tile([0, -1, -1], (3, 1)), atol=1e-6)

    def test_noise_of_two_loops_with_one_current_is_that_of_the_merged_one_in_the_worst_case(self):
        (budget,) = broadband().sensitive
        by_name = {part.loop: part for part in budget.contributions}
        first, second, merged = (by_name[name].transfer for name in ("first", "second", "whole"))
        assert merged == pytest.approx(first + second, abs=1e-9 * SHEET)


class TestOneTrace:
    """Loops fed by one trace: their outgoing conductors are the same copper."""

    @pytest.mark.parametrize("width", [0.1, 0.3, 2.0])
    def test_couples_to_itself_as_its_own_inductance(self, width):
        twins = [whole().replace("whole", name).replace("width_mm = 0.3", f"width_mm = {width}") for name in "ab"]
        Z = solved(plate(*twins)).impedance(1e8)
        np.testing.assert_allclose(Z, np.full((2, 2), Z[0, 0]), rtol=1e-9)

    def test_part_of_it_couples_less_than_the_whole(self):
        Z = broadband().impedance(1e8).imag
        assert 0 < Z[0, 2] < Z[2, 2]
        # No current in any combination of the loops gives energy back.
        assert np.linalg.eigvalsh(Z)[0] > -1e-6 * Z[2, 2]


class TestFrequencies:
    def test_nothing_is_asked_so_nothing_is_answered(self):
        result = solved(plate(whole("current_A = 1"), SENSOR))
        assert result.spectral is None
        with pytest.raises(ValueError, match=r"Invalid frequency 50\.0 Hz.*frequencies_Hz"):
            result.impedance(50.0)

    def test_no_magnetic_solve_where_everything_is_at_zero_hertz(self, monkeypatch):
        def forbidden(*_, **__):
            pytest.fail("a magnetic solve was started")

        monkeypatch.setattr(evaluate_module, "solve_broadband", forbidden)
        for current in ("current_A = 1", "current_A = 1\nfrequency_Hz = 0", "spectrum = [[0, 1]]"):
            assert run(rf.parse_case(plate(whole(current), SENSOR)), only=[AS_DRAWN])[AS_DRAWN].spectral is None

    def test_reciprocal_and_passive_at_every_frequency(self):
        for f in (1e2, 1e5, 1e8):
            Z = broadband().impedance(f)
            np.testing.assert_array_equal(Z, Z.T)
            assert np.linalg.eigvalsh(Z.real)[0] > -1e-6 * np.max(np.abs(Z))

    def test_low_frequency_meets_the_bracketed_resistance(self):
        result = broadband()
        np.testing.assert_allclose(result.impedance(1.0).real, result.solution.mid, rtol=0, atol=1e-6 * SHEET)

    def test_figures_at_every_frequency_asked_for(self):
        result = broadband()
        assert result.frequencies == ASKED
        spectral = result.spectral
        assert spectral.shares.shape == (3, 1, 4)
        assert spectral.sections.shape == (3, 1, 4)
        np.testing.assert_array_equal(spectral.shares[0], result.shares)
        np.testing.assert_array_equal(spectral.sections[0], result.sections)
        # An end lies inside the region: all of it, always.
        np.testing.assert_array_equal(spectral.shares[:, 0, :2], 1)
        # The sensor's return passes it at 0 Hz and gathers under its route, outside, at high frequency.
        sensor = spectral.shares[:, 0, 3]
        assert sensor[0] > 2 * sensor[2] > 0
        # The others gather.
        assert np.all(np.diff(np.abs(spectral.near[:, 2])) > 0)
        # Each under its own route: at the high end as over an endless plane, less what the ends take away.
        ideal = [unbroken_share(item.route) for item in result.facing]
        assert np.all(np.abs(spectral.near[-1] - ideal) < 0.05)

    def test_shares_near_a_route_only_where_there_is_one(self):
        far = loop("far", "noisy", "C", "A", "current_A = 1\nfrequency_Hz = 1e6")
        near = solved(plate(far, SENSOR, frequencies=(0, 1e6))).spectral.near
        assert np.all(np.isnan(near[:, 0]))
        assert np.all(np.isfinite(near[:, 1]))

    def test_gaps_that_routes_cross_are_compared_with_the_copper_without_them(self):
        cut = '[[cutout]]\nname = "slot"\ncopper = "ground"\nshape = { slot = [[16, 10], [16, 20]], width = 0.2 }\n'
        facts = solved(plate(*TWO, board=PLATE + cut)).spectral.facts
        assert facts[0].gaps == ("slot",)
        assert facts[0].gap_inductance > 0
        assert facts[1].gaps == ()
        assert facts[1].gap_inductance is None


class TestTwoRoutesToTheNoise:
    def noise(self, result, i, j):
        """From the impedance at every line, times its current."""
        lines = lines_of(result.case.loops[j])
        volts = [
            abs(result.impedance(f)[i, j]) * current for f, current in zip(lines.frequency, lines.current, strict=True)
        ]
        return float(np.sqrt(np.sum(np.square(volts))))

    @pytest.mark.parametrize(
        "current",
        [
            "current_A = 2\nfrequency_Hz = 3e5",
            "spectrum = [[0, 0.5], [1e3, 0.3], [1e6, 0.1]]",
            "trapezoid = { frequency_Hz = 2e7, swing_A = 0.02, rise_s = 2e-9 }",
        ],
    )
    def test_single_current_spectrum_and_trapezoid(self, current):
        result = solved(plate(whole(current), SENSOR))
        (budget,) = result.sensitive
        assert budget.noise == pytest.approx(self.noise(result, 1, 0), rel=1e-9)
        assert budget.low < budget.noise < budget.high

    def test_a_current_of_unknown_frequency_is_taken_at_the_resistive_limit(self):
        result = solved(plate(whole("current_A = 2"), SENSOR, frequencies=(0, 1e6)))
        (budget,) = result.sensitive
        assert budget.noise == pytest.approx(2 * abs(result.solution.mid[1, 0]), rel=1e-12)

    def test_doubt_is_the_bracket_at_zero_hertz(self):
        result = solved(plate(whole("current_A = 2"), SENSOR))
        (budget,) = result.sensitive
        half = 2 * result.solution.half_width[1, 0]
        assert half > 0
        assert budget.high - budget.noise == pytest.approx(half, rel=1e-9)
        assert budget.noise - budget.low == pytest.approx(half, rel=1e-9)

    def test_doubt_above_zero_hertz_has_the_mesh_in_it(self):
        result = solved(plate(whole("current_A = 1\nfrequency_Hz = 1e7"), SENSOR, accuracy=0.01))
        (budget,) = result.sensitive
        Z = result.impedance(1e7)
        floor = 0.01 * math.sqrt(abs(Z[0, 0] * Z[1, 1]))
        # More than what the reduced model alone may be off, a thousandth of it or of the loops' own impedances.
        least = 1e-3 * max(abs(Z[1, 0]), floor)
        assert least < budget.high - budget.noise < 0.05 * max(abs(Z[1, 0]), floor)


class TestScalingLaws:
    def test_twice_the_copper_halves_every_resistance_and_moves_no_current(self):
        thin, thick = (solved(text_of(board=STRIP.replace("copper_um = 35", f"copper_um = {t}"))) for t in (35, 70))
        np.testing.assert_allclose(thick.solution.mid, 0.5 * thin.solution.mid, rtol=1e-12)
        np.testing.assert_array_equal(thick.solution.stream, thin.solution.stream)
        assert thick.sensitive[0].noise == pytest.approx(0.5 * thin.sensitive[0].noise, rel=1e-9)

    def test_temperature_of_annealed_copper(self):
        hot = solved(text_of(board=STRIP.replace("temperature_C = 20", "temperature_C = 125")))
        np.testing.assert_allclose(hot.solution.mid, 1.41265 * solved(text_of()).solution.mid, rtol=1e-9)

    def test_twice_the_current_is_twice_the_noise(self):
        louder = {"motor": LOOPS["motor"].replace("= 2", "= 4")}
        once, twice = solved(text_of("motor", "sensor")), solved(text_of("motor", "sensor", **louder))
        assert twice.sensitive[0].noise == pytest.approx(2 * once.sensitive[0].noise, rel=1e-12)
        assert twice.sensitive[0].margin_dB == pytest.approx(once.sensitive[0].margin_dB - 20 * math.log10(2), abs=1e-9)

    def test_size_alone_changes_no_resistance(self):
        # Every length of the drawing, but not the foil's thickness.
        double = re.sub(
            r"rect = \[([^]]*)\]", lambda m: f"rect = [{', '.join(str(2 * float(n)) for n in m[1].split(','))}]", STRIP
        )
        np.testing.assert_allclose(
            solved(text_of(board=double)).solution.mid, solved(text_of()).solution.mid, rtol=1e-9
        )


def arrays(value, place="study"):
    """Every number in a result, with its place; times are left out."""
    if isinstance(value, np.ndarray | float | int | str | bytes | None):
        yield place, value
    elif isinstance(value, dict):
        for key, item in value.items():
            if key != "seconds":
                yield from arrays(item, f"{place}.{key}")
    elif isinstance(value, list | tuple):
        for number, item in enumerate(value):
            yield from arrays(item, f"{place}[{number}]")
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            if field.name != "seconds":
                yield from arrays(getattr(value, field.name), f"{place}.{field.name}")


def test_two_runs_are_bit_for_bit_the_same():
    text = plate(whole("trapezoid = { frequency_Hz = 2e7, swing_A = 0.02, rise_s = 2e-9 }"), SENSOR, frequencies=ASKED)
    one, other = (dict(arrays(run(rf.parse_case(text)))) for _ in range(2))
    assert one.keys() == other.keys()
    assert len(one) > 100
    for place, value in one.items():
        np.testing.assert_array_equal(value, other[place], err_msg=place)
