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
