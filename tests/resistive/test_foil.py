"""Copper foil: sheet resistance against temperature and thickness, and skin depth."""

import math

import pytest

from returnflow.resistive import foil


class TestResistivity:
    def test_zero_of_the_linear_law(self):
        # 1 + alpha (T - 20) = 0 at 20 - 1/0.00393 = -234.45 degrees: the "inferred absolute zero" of copper.
        assert foil.resistivity(-234.4) == pytest.approx(0, abs=1e-11)
        assert foil.resistivity(-234.4) > 0

    @pytest.mark.parametrize("celsius", [-234.5, -273.15, -1e9, float("nan")])
    def test_refuses_where_the_law_gives_none(self, celsius):
        with pytest.raises(ValueError, match=r"Invalid temperature .* needs more than -234 °C"):
            foil.resistivity(celsius)

    def test_rises_by_the_coefficient_per_kelvin_everywhere(self):
        slope = (foil.resistivity(100) - foil.resistivity(0)) / 100
        assert slope == pytest.approx(0.00393 * 1.724138e-8, rel=1e-6)
        assert foil.resistivity(50) == pytest.approx(0.5 * (foil.resistivity(0) + foil.resistivity(100)), rel=1e-12)


class TestSheetResistance:
    def test_twice_the_copper_is_half_the_resistance(self):
        assert foil.sheet_resistance(70e-6) == pytest.approx(foil.sheet_resistance(35e-6) / 2, rel=1e-14)

    def test_temperature_is_20_degrees_by_default(self):
        assert foil.sheet_resistance(35e-6) == foil.sheet_resistance(35e-6, 20.0)
        assert foil.sheet_resistance(35e-6, 85.0) == pytest.approx(1.25545 * foil.sheet_resistance(35e-6), rel=1e-5)

    @pytest.mark.parametrize("thickness", [0.0, -35e-6, float("nan")])
    def test_refuses_no_copper(self, thickness):
        with pytest.raises(ValueError, match="Invalid thickness"):
            foil.sheet_resistance(thickness)


class TestSkinDepth:
    def test_falls_with_the_root_of_frequency(self):
        assert foil.skin_depth(4e6) == pytest.approx(foil.skin_depth(1e6) / 2, rel=1e-14)

    def test_grows_with_the_root_of_resistivity(self):
        ratio = foil.skin_depth(1e6, 125.0) / foil.skin_depth(1e6, 20.0)
        assert ratio == pytest.approx(math.sqrt(1.41265), rel=1e-5)

    def test_sheet_of_one_skin_depth_has_the_textbook_surface_resistance(self):
        # rho / delta = sqrt(pi f mu0 rho), in closed form.
        depth = foil.skin_depth(1e6)
        expected = math.sqrt(math.pi * 1e6 * 4e-7 * math.pi * 1.724138e-8)
        assert foil.sheet_resistance(depth) == pytest.approx(expected, rel=1e-6)

    @pytest.mark.parametrize("frequency", [0.0, -50.0, float("nan")])
    def test_refuses_no_frequency(self, frequency):
        with pytest.raises(ValueError, match="Invalid frequency"):
            foil.skin_depth(frequency)


class TestResistiveLimit:
    def test_a_larger_loop_or_more_copper_leaves_the_resistive_picture_earlier(self):
        sheet = foil.sheet_resistance(35e-6)
        assert foil.resistive_limit(sheet, 0.2) == pytest.approx(foil.resistive_limit(sheet, 0.1) / 2, rel=1e-14)
        assert foil.resistive_limit(sheet / 2, 0.1) == pytest.approx(foil.resistive_limit(sheet, 0.1) / 2, rel=1e-14)

    def test_a_loop_of_100_mm_over_35_um_at_about_2_khz(self):
        # Table of check values: the return of such a loop crosses over at 1950.3 Hz (derived, verified three ways).
        assert foil.resistive_limit(foil.sheet_resistance(35e-6), 0.1) == pytest.approx(1950.3, rel=0.01)
