"""Where the airspeed chain refuses, to the last value; its figures are in tests/published."""

import math

import pytest

from logger_app.errors import BadQuantity, OutsideValidity
from logger_app.reduce.airspeed import A0_KT, cas_from_impact_pressure_kt, cas_from_tas_kt, impact_pressure_hpa
from logger_app.reduce.atmosphere import density_ratio, pressure_altitude_ft, temperature_ratio


def test_standing_still_is_a_speed():
    assert impact_pressure_hpa(0.0) == 0.0
    assert cas_from_impact_pressure_kt(0.0) == 0.0
    assert cas_from_tas_kt(0.0, 5000.0) == 0.0


def test_just_above_standing_still_is_a_speed():
    assert cas_from_impact_pressure_kt(impact_pressure_hpa(0.5)) == pytest.approx(0.5, abs=1e-9)
    assert cas_from_tas_kt(0.5, 0.0) == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("speed_kt", [-0.5, -50.0, A0_KT, 700.0, math.nan])
def test_speeds_that_the_subsonic_formula_does_not_hold_for(speed_kt):
    with pytest.raises(BadQuantity):
        impact_pressure_hpa(speed_kt)


def test_at_the_speed_of_sound_the_ratio_of_pressures_is_the_critical_one():
    # 1.2^3.5 = 1.892929: total over static pressure at Mach 1, gamma 1.4 (NACA Report 1135, from memory).
    assert impact_pressure_hpa(math.nextafter(A0_KT, 0)) / 1013.25 == pytest.approx(0.892929, abs=1e-6)


@pytest.mark.parametrize("value", [-0.5, -1.0, math.nan])
def test_negative_pressures_and_true_airspeeds_are_refused(value):
    with pytest.raises(BadQuantity):
        cas_from_impact_pressure_kt(value)
    with pytest.raises(BadQuantity):
        cas_from_tas_kt(value, 0.0)


def test_the_atmosphere_holds_to_its_very_ends():
    assert temperature_ratio(-16_404.0) == pytest.approx(1.112788, abs=1e-6)
    with pytest.raises(OutsideValidity):
        temperature_ratio(-16_404.5)
    with pytest.raises(OutsideValidity):
        temperature_ratio(36_089.0)


@pytest.mark.parametrize("oat_degc", [-80.0, 60.0])
def test_the_coldest_and_hottest_air_are_taken(oat_degc):
    # Perfect gas at sea-level pressure: sigma = 288.15 / T.
    assert density_ratio(0.0, oat_degc) == pytest.approx(288.15 / (273.15 + oat_degc), rel=1e-12)


@pytest.mark.parametrize("oat_degc", [-80.5, 60.5, math.nan])
def test_other_air_is_refused(oat_degc):
    with pytest.raises(OutsideValidity):
        density_ratio(0.0, oat_degc)


def test_pressures_of_the_lower_atmosphere_only():
    # Tropopause: 226.32 hPa at 36,089 ft (US Standard Atmosphere 1976, from memory).
    assert pressure_altitude_ft(226.32) == pytest.approx(36_089, abs=3)
    assert pressure_altitude_ft(226.3) == pytest.approx(36_091, abs=3)
    assert pressure_altitude_ft(1800.0) == pytest.approx(-16_800, abs=100)
    for pressure in (226.2, 1800.5, 0.0, -5.0, math.nan):
        with pytest.raises(OutsideValidity):
            pressure_altitude_ft(pressure)
