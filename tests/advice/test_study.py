"""
A whole case from text to numbers: units, matrices, budgets and placement on boards with answers in closed form.

A strip of 100 x 20 mm with contacts across it: every potential is linear, every resistance a length over a width.
"""

import dataclasses
import math
import re

import numpy as np
import pytest

import returnflow as rf
from returnflow.advice import study as study_module
from returnflow.advice.study import AS_DRAWN, run, versions
from returnflow.answers import evaluate as evaluate_module
from returnflow.answers.frequency import unbroken_share
from returnflow.answers.spectra import lines_of
from solved import study

SHEET = 1e-6 / 58 / 35e-6  # ohm per square of 35 um at 20 degrees
PER_MM = SHEET / 20  # of the strip, ohm

STRIP = """
format = 1
title = "strip"
[board]
outline = { rect = [0, 0, 100, 20] }
temperature_C = 20
[[layer]]
name = "top"
copper_um = 35
[[copper]]
name = "strip"
layer = "top"
[[terminal]]
name = "left"
copper = "strip"
shape = { rect = [0, 0, 1, 20] }
[[terminal]]
name = "right"
copper = "strip"
shape = { rect = [99, 0, 100, 20] }
[[terminal]]
name = "connector"
copper = "strip"
shape = { rect = [30, 0, 31, 20] }
bonded = "housing"
[[terminal]]
name = "amplifier"
copper = "strip"
shape = { rect = [70, 0, 71, 20] }
"""
# Between the faces of the contacts; contacts between short-circuit 1 mm each.
LONG, SENSED = 96, 39

LOOPS = {
    "motor": 'role = "noisy"\ninject = "right"\nreturn = "left"\ncurrent_A = 2',
    "fan": 'role = "noisy"\ninject = "left"\nreturn = "amplifier"\ncurrent_A = 0.5',
    "sensor": 'role = "sensitive"\ninject = "amplifier"\nreturn = "connector"\nsignal_V = 1\ntolerates_V = 1e-4',
    "cables": 'role = "cables"\ninject = "right"\nreturn = "connector"\nlimit_V = 1e-3',
}


def text_of(*names, board=STRIP, more="", **changed):
    loops = LOOPS | changed
    return board + "".join(f'[[loop]]\nname = "{name}"\n{loops[name]}\n' for name in names or LOOPS) + more


def solved(text):
    return study(text, AS_DRAWN)[AS_DRAWN]


WATCHES = """
[[region]]
name = "half"
copper = "strip"
shape = { rect = [40, 0, 60, 10] }
[[section]]
name = "lower quarter"
copper = "strip"
path = [[50, 0], [50, 5]]
"""


class TestStrip:
    def test_matrix_in_ohm_in_the_order_of_the_loops(self):
        result = solved(text_of(more=WATCHES))
        assert result.loop_names == ("motor", "fan", "sensor", "cables")
        # By length in common: against each other is negative. Motor and sensor run leftward, the fan to the right.
        common = np.array(
            [
                [LONG, -(29 + SENSED), SENSED, 67],
                [0, 29 + SENSED, -SENSED, -SENSED],
                [0, 0, SENSED, SENSED],
                [0, 0, 0, 67],
            ]
        )
        common = np.triu(common) + np.triu(common, 1).T
        np.testing.assert_allclose(result.solution.mid, common * PER_MM, rtol=1e-9, atol=1e-15)
        np.testing.assert_allclose(result.solution.half_width, 0, atol=1e-9 * SHEET)
        assert result.solution.sheet == pytest.approx(SHEET, rel=1e-12)

    def test_impedance_at_zero_hertz_is_mid(self):
        result = solved(text_of(more=WATCHES))
        np.testing.assert_array_equal(result.impedance(0), result.solution.mid)
        assert result.impedance().dtype == complex

    def test_shares_sections_and_peaks(self):
        result = solved(text_of(more=WATCHES))
        np.testing.assert_allclose(result.shares, [[0.5, 0.5, 0.5, 0.5]], atol=1e-9)
        # The section runs upward: positive to the right, as the fan flows.
        np.testing.assert_allclose(result.sections, [[-0.25, 0.25, -0.25, -0.25]], atol=1e-9)
        assert [peak.value for peak in result.peaks] == pytest.approx([50.0] * 4, rel=1e-9)

    def test_index_of_a_loop(self):
        result = solved(text_of(more=WATCHES))
        assert [result.index(name) for name in result.loop_names] == [0, 1, 2, 3]
        with pytest.raises(KeyError, match="nobody"):
            result.index("nobody")

    def test_noise_of_a_sensitive_loop(self):
        (budget,) = solved(text_of(more=WATCHES)).sensitive
        motor, fan = 2 * SENSED * PER_MM, 0.5 * SENSED * PER_MM
        assert budget.loop == "sensor"
        assert budget.noise == pytest.approx(math.hypot(motor, fan), rel=1e-9)
        assert budget.worst_case == pytest.approx(motor + fan, rel=1e-9)
        assert (budget.limit, budget.verdict) == (1e-4, "exceeded")
        assert [part.loop for part in budget.contributions] == ["motor", "fan"]

    def test_voltage_between_cables(self):
        (budget,) = solved(text_of(more=WATCHES)).cables
        assert budget.loop == "cables"
        assert budget.noise == pytest.approx(math.hypot(2 * 67, 0.5 * SENSED) * PER_MM, rel=1e-9)
        assert budget.limit == 1e-3
        assert budget.verdict == "exceeded"

    def test_exceeded_names_every_loop_whose_limit_is_not_kept(self):
        study = run(rf.parse_case(text_of()))
        assert study.exceeded == ("sensor", "cables")
        louder = {"cables": LOOPS["cables"].replace("1e-3", "0.5")}
        assert run(rf.parse_case(text_of(**louder))).exceeded == ("sensor",)
        kept = {"sensor": LOOPS["sensor"].replace("1e-4", "0.5"), **louder}
        assert run(rf.parse_case(text_of(**kept))).exceeded == ()

    def test_undecided_counts_as_exceeded(self):
        study = run(rf.parse_case(text_of()))
        result = study[AS_DRAWN]
        (budget,) = result.sensitive
        vague = dataclasses.replace(budget, low=0.5e-4, noise=1e-4, high=2e-4)
        again = dataclasses.replace(study, variants={"one": dataclasses.replace(result, sensitive=(vague,), cables=())})
        assert vague.verdict == "undecided"
        assert again.exceeded == ("sensor",)

    def test_only_noisy_loops_make_noise(self):
        result = solved(text_of("sensor", "cables"))
        assert [budget.noise for budget in (*result.sensitive, *result.cables)] == [0, 0]
        assert result.placements["sensor"].area == pytest.approx(98e-6 * 20 - 2 * 20e-6, rel=1e-6)

    def test_the_study_knows_its_case_and_versions(self):
        case = rf.parse_case(text_of())
        study = run(case)
        assert study.case is case
        assert list(study.variants) == [AS_DRAWN]
        assert study[AS_DRAWN].name == AS_DRAWN
        assert study[AS_DRAWN].copper == "strip"
        assert study.versions == versions()
        assert study.versions["numpy"] == np.__version__
        assert set(study.versions) >= {"python", "returnflow", "scipy", "shapely", "scikit-fem", "pythoncdt"}

    def test_a_library_without_metadata_has_an_unknown_version(self, monkeypatch):
        def none(name):
            raise study_module.importlib.metadata.PackageNotFoundError(name)

        monkeypatch.setattr(study_module.importlib.metadata, "version", none)
        assert versions()["numpy"] == "unknown"
        assert re.fullmatch(r"\d+\.\d+\.\d+.*", versions()["python"])

    def test_progress_is_reported_and_seconds_are_counted(self):
        lines = []
        result = run(rf.parse_case(text_of()), progress=lines.append, only=[AS_DRAWN])[AS_DRAWN]
        assert any("triangles" in line for line in lines)
        assert 0 < result.seconds["evaluation"] < result.seconds["total"]

    def test_the_accuracy_of_the_case_is_the_default(self):
        found = {}
        for accuracy in (0.05, 2e-4):
            result = solved(plate(whole("current_A = 1"), SENSOR, accuracy=accuracy))
            found[accuracy] = float(np.max(result.solution.accuracy_reached()))
            assert found[accuracy] <= accuracy
        assert found[0.05] > 2e-4


class TestPlacement:
    def limits(self, millivolt, *names):
        changed = {"sensor": LOOPS["sensor"].replace("1e-4", f"{millivolt}e-3")}
        return solved(text_of(*names, **changed)).placements["sensor"]

    @pytest.mark.parametrize("reach", [2.0, 10.0, 25.0])
    def test_radius_and_area_in_closed_form(self, reach):
        # 2 A: so many mm to either side of the connector's faces, measured from its centre.
        placement = self.limits(2e3 * PER_MM * reach, "motor", "sensor")
        assert 1e3 * placement.radius == pytest.approx(reach + 0.5, rel=1e-6)
        assert 1e6 * placement.area == pytest.approx(2 * reach * 20, rel=0.06)

    def test_map_is_relative_to_the_connector(self):
        placement = self.limits(1.0, "motor", "sensor")
        assert np.min(placement.rms) == 0
        assert np.max(placement.rms) == pytest.approx(2 * (LONG - 29) * PER_MM, rel=1e-9)
        np.testing.assert_allclose(placement.worst, placement.rms, rtol=1e-12)

    def test_loops_add_in_power_and_worst_case_in_voltage(self):
        placement = self.limits(1.0, "motor", "fan", "sensor")
        motor, fan = 2.0, 0.5
        # At the amplifier's face the fan has its full voltage.
        assert np.max(placement.worst) == pytest.approx((motor * (LONG - 29) + fan * SENSED) * PER_MM, rel=1e-9)
        assert np.max(placement.rms) == pytest.approx(math.hypot(motor * (LONG - 29), fan * SENSED) * PER_MM, rel=1e-9)

    def test_nearest_good_place(self):
        # The amplifier may move to within 10 mm of the connector: what is nearest to it lies on its side.
        x, y = self.limits(2e3 * PER_MM * 10.0, "motor", "sensor").nearest
        assert 31e-3 < x <= 41e-3 + 1e-9
        assert 0 <= y <= 20e-3

    def test_loops_outside_the_band_do_not_count(self):
        fast = {
            "fan": LOOPS["fan"] + "\nfrequency_Hz = 5000",
            "sensor": LOOPS["sensor"] + "\nband_Hz = [0, 1000]",
            "motor": LOOPS["motor"] + "\nfrequency_Hz = 50",
        }
        both, alone = (solved(text_of(*names, **fast)) for names in (("motor", "fan", "sensor"), ("motor", "sensor")))
        assert np.nanmax(both.placements["sensor"].rms) == pytest.approx(
            np.nanmax(alone.placements["sensor"].rms), rel=1e-9
        )

    def test_everywhere_where_the_limit_is_out_of_reach(self):
        placement = self.limits(500, "motor", "sensor")
        assert placement.radius == pytest.approx(math.hypot(99 - 30.5, 10) * 1e-3, rel=1e-3)
        assert placement.area == pytest.approx(96 * 20e-6, rel=1e-6)

    def test_sentence_names_places(self):
        text = solved(text_of("motor", "sensor")).placements["sensor"].reach
        # 0.1 mV over 2 A: 2.03 mm from the face, half a mm more from the centre.
        assert f"within {1e-4 / (2 * PER_MM) + 0.5:.2g} mm of connector" in text
        assert "(now 40 mm away)" in text

    @pytest.mark.parametrize("reach", [5.0, 20.0])
    def test_sentence_counts_the_good_copper_beyond_the_radius(self, reach):
        # The disc about the connector reaches over the edges of the strip; its copper is what lies inside.
        changed = {"sensor": LOOPS["sensor"].replace("1e-4", str(2 * PER_MM * reach))}
        said = solved(text_of("motor", "sensor", **changed)).placements["sensor"].reach
        y = np.linspace(-10, 10, 20_001)
        chord = 2 * np.sqrt(np.maximum((reach + 0.5) ** 2 - y**2, 0)) - np.where(np.abs(y) < reach, 1, 0)
        beyond = 2 * reach * 20 - np.trapezoid(chord, y)
        found = float(re.search(r"Another ([\d.]+) mm² are within the limit", said)[1])
        assert found == pytest.approx(beyond, abs=0.01 * 2 * reach * 20)

    def test_sentence_says_where_there_is_nothing_beyond_the_radius(self):
        # A pad in the middle of a plate: hardly more than a ring about it is within tolerance.
        board = PLATE.replace(
            'name = "A"\ncopper = "ground"\nshape = { rect = [7.55, 14.55, 8.45, 15.45] }',
            'name = "A"\ncopper = "ground"\nshape = { rect = [0, 0, 20, 1] }',
        )
        noisy = loop("fan", "noisy", "B", "A", "current_A = 1")
        sensor = loop("sensor", "sensitive", "S", "B", f"signal_V = 1\ntolerates_V = {SHEET * 0.02}")
        said = solved(plate(noisy, sensor, board=board)).placements["sensor"].reach
        assert said.endswith("practically nowhere else on this copper.")


PLATE = """
format = 1
title = "plate"
[board]
outline = { rect = [0, 0, 40, 30] }
temperature_C = 20
[[layer]]
name = "top"
copper_um = 35
below_mm = 1
[[layer]]
name = "ground layer"
copper_um = 35
[[copper]]
name = "ground"
layer = "ground layer"
[[terminal]]
name = "A"
copper = "ground"
shape = { rect = [7.55, 14.55, 8.45, 15.45] }
[[terminal]]
name = "B"
copper = "ground"
shape = { rect = [19.55, 14.55, 20.45, 15.45] }
[[terminal]]
name = "C"
copper = "ground"
shape = { rect = [31.55, 14.55, 32.45, 15.45] }
[[terminal]]
name = "S"
copper = "ground"
shape = { rect = [11.55, 21.55, 12.45, 22.45] }
[[terminal]]
name = "T"
copper = "ground"
shape = { rect = [29.55, 24.55, 30.45, 25.45] }
"""


def loop(name, role, inject, return_, rest, path=None):
    route = f"route = {{ layer = 'top', path = {path}, width_mm = 0.3 }}\n" if path else ""
    return f'[[loop]]\nname = "{name}"\nrole = "{role}"\ninject = "{inject}"\nreturn = "{return_}"\n{rest}\n{route}'


SENSOR = loop("sensor", "sensitive", "T", "S", "signal_V = 1\ntolerates_V = 1e-3", [[12, 22], [30, 25]])
WATCHED = """
[[region]]
name = "middle"
copper = "ground"
shape = { rect = [14, 8, 26, 20] }
[[section]]
name = "cut"
copper = "ground"
path = [[25, 0], [25, 30]]
"""


def plate(*loops, board=PLATE, frequencies=(), accuracy=0.05):
    asked = f"frequencies_Hz = {list(frequencies)}\n" if frequencies else ""
    return board + "".join(loops) + WATCHED + f"[solve]\naccuracy = {accuracy}\n{asked}"


def whole(current="current_A = 1\nfrequency_Hz = 1e6"):
    return loop("whole", "noisy", "C", "A", current, [[8, 15], [20, 15], [32, 15]])


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
