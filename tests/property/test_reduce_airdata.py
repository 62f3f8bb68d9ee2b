"""Properties of the air data, calibration and statistics that hold for any sane input."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.domain.binomial import counts_differ_p
from logger_app.records.plan import CalibrationTable
from logger_app.reduce.airspeed import cas_from_tas_kt, eas_kt, impact_pressure_hpa, tas_kt
from logger_app.reduce.atmosphere import density_altitude_ft, density_ratio, pressure_altitude_ft, pressure_ratio
from logger_app.reduce.calibration import Calibrated, calibrate_ias
from logger_app.reduce.gps import wind_from_tracks
from logger_app.reduce.standardise import cas_at_1_g_kt, cas_at_weight_kt, turn_load_factor
from logger_app.reduce.statistics import welch

speeds = st.floats(20, 200)
altitudes = st.floats(-1000, 20_000)
temperatures = st.floats(-40, 50)
weights = st.floats(200, 3000)


@settings(deadline=None)
@given(speeds, altitudes, temperatures)
def test_true_airspeed_there_and_back(cas, altitude, oat):
    assert cas_from_tas_kt(tas_kt(cas, altitude, oat), altitude, oat) == pytest.approx(cas, rel=1e-9)


@settings(deadline=None)
@given(speeds, altitudes)
def test_equivalent_airspeed_never_exceeds_calibrated_above_sea_level(cas, altitude):
    assert (eas_kt(cas, altitude) <= cas + 1e-9) == (altitude >= -1e-6) or altitude < 0


@settings(deadline=None)
@given(speeds, speeds)
def test_impact_pressure_rises_with_speed(a, b):
    assert (a < b) == (impact_pressure_hpa(a) < impact_pressure_hpa(b))


@settings(deadline=None)
@given(altitudes)
def test_pressure_altitude_there_and_back(altitude):
    assert pressure_altitude_ft(1013.25 * pressure_ratio(altitude)) == pytest.approx(altitude, abs=0.5)


@settings(deadline=None)
@given(altitudes)
def test_on_a_standard_day_density_altitude_is_pressure_altitude(altitude):
    standard_degc = 15 - 1.9812 * altitude / 1000

    assert density_altitude_ft(altitude, standard_degc) == pytest.approx(altitude, abs=3)
    assert density_ratio(altitude, standard_degc) == pytest.approx(density_ratio(altitude), rel=1e-4)


@settings(deadline=None)
@given(speeds, weights, weights, weights)
def test_weights_chain(cas, a, b, c):
    assert cas_at_weight_kt(cas_at_weight_kt(cas, a, b), b, c) == pytest.approx(cas_at_weight_kt(cas, a, c), rel=1e-12)
    assert cas_at_weight_kt(cas, a, a) == pytest.approx(cas, rel=1e-15)


@settings(deadline=None)
@given(speeds, st.floats(-75, 75))
def test_bank_either_side_is_the_same(cas, bank):
    assert cas_at_1_g_kt(cas, turn_load_factor(bank)) == cas_at_1_g_kt(cas, turn_load_factor(-bank))
    assert cas_at_1_g_kt(cas, turn_load_factor(bank)) <= cas


@st.composite
def tables(draw):
    ias = sorted(draw(st.lists(st.integers(30, 120), min_size=2, max_size=8, unique=True)))
    steps = draw(st.lists(st.floats(0.5, 1.2), min_size=len(ias) - 1, max_size=len(ias) - 1))
    cas = np.concatenate([[ias[0] + 3.0], ias[0] + 3.0 + np.cumsum(np.diff(ias) * steps)])
    return CalibrationTable(flap_deg=0, ias_kt=tuple(map(float, ias)), cas_kt=tuple(map(float, cas)), u_kt=0.8)


@settings(deadline=None)
@given(tables(), st.floats(15, 140), st.floats(15, 140))
def test_a_rising_table_gives_rising_speeds_and_never_less_doubt_outside(table, a, b):
    low, high = (calibrate_ias([table], 0, v) for v in sorted((a, b)))
    for found in (low, high):
        if isinstance(found, Calibrated):
            assert found.u_kt >= table.u_kt
            assert (found.beyond_kt > 0) == bool(found.notes)
    if isinstance(low, Calibrated) and isinstance(high, Calibrated):
        assert low.cas_kt <= high.cas_kt + 1e-9


@settings(deadline=None)
@given(st.floats(40, 150), st.floats(0, 25), st.floats(0, 360), st.lists(st.floats(-30, 30), min_size=4, max_size=4))
def test_gps_legs_give_back_airspeed_and_wind(tas, wind, wind_from, jitter):
    headings = np.radians(np.array([0, 90, 180, 270]) + np.array(jitter))
    blow = math.radians(wind_from + 180)
    ground = tas * np.column_stack([np.cos(headings), np.sin(headings)]) + wind * np.array(
        [math.cos(blow), math.sin(blow)]
    )

    found = wind_from_tracks(np.linalg.norm(ground, axis=1), np.degrees(np.arctan2(ground[:, 1], ground[:, 0])) % 360)

    assert found.tas_kt == pytest.approx(tas, abs=1e-5)
    assert found.wind_kt == pytest.approx(wind, abs=1e-4)
    assert found.residual_kt == pytest.approx(0, abs=1e-5)


@settings(deadline=None)
@given(
    st.lists(st.floats(40, 60), min_size=2, max_size=8),
    st.lists(st.floats(40, 60), min_size=2, max_size=8),
    st.floats(-5, 5),
)
def test_welch_turns_round_and_shifts(a, b, shift):
    there, back = welch(a, b), welch(b, a)

    assert back.value == pytest.approx(-there.value, abs=1e-9)
    assert (back.low, back.high) == pytest.approx((-there.high, -there.low), abs=1e-6)
    moved = welch(a, [v + shift for v in b])
    assert moved.value == pytest.approx(there.value + shift, abs=1e-9)


@settings(deadline=None)
@given(st.tuples(st.integers(0, 8), st.integers(0, 8)), st.tuples(st.integers(0, 8), st.integers(0, 8)))
def test_wing_drop_test_does_not_care_about_names(a, b):
    p = counts_differ_p(a, b)

    assert 0 < p <= 1
    assert counts_differ_p(b, a) == pytest.approx(p)
    assert counts_differ_p(a[::-1], b[::-1]) == pytest.approx(p)
