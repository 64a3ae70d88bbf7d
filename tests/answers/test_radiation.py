"""What a voltage between two cables radiates: the dipole's closed forms, the limits, and which line decides."""

import copy
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from cases import GOOD, mistakes_of, text_of
from returnflow.answers.adding import Coupled
from returnflow.answers.radiation import (
    LIGHT,
    allowed_volts,
    field_per_volt,
    radiated_budget,
    radiated_lines,
)
from returnflow.answers.spectra import Lines
from returnflow.words.radiation_table import level
from returnflow_geometry.casefile.read import parse_case
from returnflow_geometry.model.board import Loop
from returnflow_geometry.model.radiation import FIELD_LIMITS, Radiates

FREE_SPACE = 376.730313  # ohm


def cables(length=1.0, distance=3.0, limit="47 CFR 15.109 class B", diameter=5e-3):
    return Radiates(limit=limit, distance=distance, length=length, diameter=diameter)


def victim(band=(30e6, 1e9)):
    return Loop(name="USB", role="cables", inject="a", return_="b", radiates=cables(), band=band)


def coupled(lines, impedance, name="clock"):
    frequency, current = np.array(lines, dtype=float).T
    size = np.broadcast_to(np.asarray(impedance, dtype=complex), frequency.shape).copy()
    return Coupled(
        loop=Loop(name=name, role="noisy", inject="c", return_="d"), lines=Lines(frequency, current), transfer=0.0,
        half_width=0.0, impedance=size, doubt=np.zeros(len(frequency)),
    )  # fmt: skip


def test_a_millivolt_on_a_half_wave_dipole():
    # Common practice: 1 mV over 73 ohm makes 274 uV/m at 3 m, against 100 uV/m allowed from 30 to 88 MHz.
    half_wave = LIGHT / 4 / 1.0
    assert 1e-3 * field_per_volt(cables(), half_wave) == pytest.approx(274e-6, rel=2e-3)
    assert cables().allowed(half_wave) == 100e-6
    # With what a perfect ground reflects in phase twice the field: half of 0.365 mV is left.
    assert allowed_volts(cables(), half_wave) == pytest.approx(100e-6 * 3 * 73.13 / 60 / 2, rel=1e-9)


def test_the_field_of_a_half_wave_dipole_is_that_of_its_sinusoidal_current():
    # Broadside: integral of j k eta I(z) / (4 pi r) over both arms, I(z) = I sin(k (l - |z|)).
    k, arm, r = 2 * math.pi / 4.0, 1.0, 3.0
    moment = 2 * quad(lambda z: math.sin(k * (arm - z)), 0, arm)[0]
    field = FREE_SPACE * k * moment / (4 * math.pi * r)
    frequency = LIGHT / 4.0
    assert 73.13 * field_per_volt(cables(arm, r), frequency) == pytest.approx(field, rel=2e-3)


@pytest.mark.parametrize("part", [0.02, 0.05, 0.1])
def test_a_short_dipole_is_a_triangle_of_current_driven_over_its_capacitance(part):
    # Balanis: half the moment of a uniform current; C = pi eps l / (ln(l / a) - 1), l one arm.
    arm, r = 1.0, 3.0
    frequency = part * LIGHT / (2 * arm)
    k = 2 * math.pi * frequency / LIGHT
    capacitance = math.pi * 8.8541878e-12 * arm / (math.log(2 * arm / 5e-3) - 1)
    current = 2 * math.pi * frequency * capacitance
    field = FREE_SPACE * k * current * arm / (4 * math.pi * r)
    assert field_per_volt(cables(arm, r), frequency) == pytest.approx(field, rel=2.0 * (k * arm) ** 2)


@given(st.floats(30e6, 1e9), st.floats(0.1, 10.0))
def test_longer_cables_and_higher_frequencies_never_radiate_less(frequency, length):
    at = field_per_volt(cables(length), frequency)
    assert field_per_volt(cables(length), 1.1 * frequency) >= at * (1 - 1e-12)
    assert field_per_volt(cables(1.1 * length), frequency) >= at * 0.95  # a longer cable is thinner
    assert at <= 60 / 73.13 / 3.0 * (1 + 1e-12)


def test_limits_are_those_published():
    # 47 CFR 15.109 (a) and (b); CISPR 32, quasi-peak at 10 m; both from memory, compared with published tables.
    us, world = cables(), cables(distance=10.0, limit="CISPR 32 class A")
    assert [us.allowed(f) for f in (30e6, 87e6, 88e6, 500e6, 960e6)] == [100e-6, 100e-6, 150e-6, 200e-6, 500e-6]
    assert [level(world.allowed(f)) for f in (30e6, 229e6, 230e6)] == ["40.0", "40.0", "47.0"]
    assert cables(distance=10.0).allowed(50e6) == pytest.approx(30e-6)
    assert all(limit.source for limit in FIELD_LIMITS.values())


def test_the_line_nearest_to_its_own_limit_decides_and_others_do_not_add():
    # Equal voltages at 50 and 300 MHz: the limit is lower at 50 MHz; both are in resonance with cables of 2 m.
    wide = Radiates(limit="47 CFR 15.109 class B", distance=3.0, length=2.0, diameter=5e-3)
    parts = [coupled([(50e6, 1e-3), (300e6, 1e-3)], 1.0), coupled([(300e6, 1e-3)], 1.0, "other")]
    result = radiated_budget(victim(), wide, parts)
    assert result.radiated[0].frequency == 50e6
    assert result.noise == pytest.approx(1e-3)
    assert result.limit == pytest.approx(allowed_volts(wide, 50e6))
    # Currents of one frequency add in power.
    assert result.radiated[1].volts == pytest.approx(math.sqrt(2) * 1e-3)
    assert result.verdict == "exceeded"
    assert radiated_budget(victim(), wide, [coupled([(50e6, 1e-3)], 0.01)]).verdict == "kept"


def test_what_lies_out_of_the_band_or_has_no_frequency_radiates_nothing_that_is_judged():
    assert radiated_lines(victim(), cables(), [coupled([(0.0, 1.0), (20e6, 1.0)], 1.0)]) == ()
    result = radiated_budget(victim(), cables(), [coupled([(0.0, 1.0), (20e6, 1.0)], 1.0)])
    assert (result.noise, result.verdict) == (0.0, "kept")
    # A current of no known frequency is listed, and judged nowhere.
    anywhere = replace(coupled([(0.0, 1.0)], 1.0), lines=Lines(np.zeros(1), np.ones(1), anywhere=True))
    result = radiated_budget(victim(), cables(), [anywhere])
    assert (len(result.contributions), result.noise) == (1, 0.0)
    assert not result.contributions[0].in_band


@pytest.mark.parametrize("band", [(0.0, 20e3), (0.0, 1e9), (0.0, 10e9)])
def test_lines_where_no_limit_of_radiated_emission_holds_are_never_judged_against_it(band):
    # 1 V at 100 Hz, at 29.9 MHz and at 1.1 GHz; the limits of both standards begin at 30 MHz, these steps end at 1 GHz.
    loud = coupled([(100.0, 1.0), (29.9e6, 1.0), (30e6, 1e-6), (1e9, 1e-6), (1.1e9, 1.0)], 1.0)
    judged = [line.frequency for line in radiated_lines(victim(band), cables(), [loud])]
    assert sorted(judged) == ([] if band[1] < 30e6 else [30e6, 1e9])


@pytest.mark.parametrize("band", [[0, 20e3], [9e3, 1e9], [29e6, 1e9], [30e6, 2e9], [2e9, 3e9]])
def test_a_band_beyond_limits_of_radiated_emission_is_refused_with_every_other_mistake(band):
    case = copy.deepcopy(GOOD)
    case["loop"][1]["signal_V"] = 0
    loop = next(item for item in case["loop"] if item["role"] == "cables")
    del loop["limit_V"]
    loop |= {"radiates": {"limit": "CISPR 32 class B", "distance_m": 3, "cable_length_m": 1}, "band_Hz": band}
    found = mistakes_of(case)
    assert len(found) == 2
    (line,) = [line for line in found if "band_Hz" in line]
    given, rule, advice = line.split("; ")
    assert given.startswith('loop "USB": band_Hz is [')
    assert "CISPR 32 class B" in given
    assert rule == "limits of radiated emission hold from 30 MHz to 1 GHz"
    assert "limit_V" in advice
    loop["band_Hz"], case["loop"][1]["signal_V"] = [30e6, 1e9], 1
    assert parse_case(text_of(case)).loop("USB").band == (30e6, 1e9)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"limit": "class Z", "distance_m": 3, "cable_length_m": 1}, "must be one of"),
        ({"limit": "CISPR 32 class B", "distance_m": 0.1, "cable_length_m": 1}, "distance_m"),
        ({"limit": "CISPR 32 class B", "distance_m": 3, "cable_length_m": 0.1, "cable_diameter_mm": 20}, "thin dipole"),
    ],
)
def test_a_table_that_makes_no_dipole_is_refused(table, says):
    case = copy.deepcopy(GOOD)
    loop = next(item for item in case["loop"] if item["role"] == "cables")
    del loop["limit_V"]
    loop["radiates"] = table
    (line,) = mistakes_of(case)
    assert says in line


def test_cables_have_a_limit_in_volts_or_a_limit_of_emission():
    case = copy.deepcopy(GOOD)
    loop = next(item for item in case["loop"] if item["role"] == "cables")
    loop["radiates"] = {"limit": "CISPR 32 class B", "distance_m": 3, "cable_length_m": 1}
    (line,) = mistakes_of(case)
    assert "limit_V" in line
    assert "radiates" in line
    del loop["limit_V"], loop["band_Hz"]
    assert parse_case(text_of(case)).loop(loop["name"]).radiates.length == 1.0
