"""GPS legs to a calibration; published examples are in tests/published."""

import math

import numpy as np
import pytest

from logger_app.errors import BadQuantity, TooFewCalls
from logger_app.reduce.airspeed import tas_kt
from logger_app.reduce.gps import Leg, calibration_point, calibration_tables, wind_from_headings, wind_from_tracks


def legs(cas, ias, headings=(0, 90, 180, 270), wind=(12.0, -7.0), noise=0.0, seed=0, **over):
    """Legs flown on headings in a steady wind (north, east), kt."""
    rng, tas = np.random.default_rng(seed), tas_kt(cas, 4000, 10.0)
    made = []
    for heading in np.radians(headings):
        north, east = tas * math.cos(heading) + wind[0], tas * math.sin(heading) + wind[1]
        made.append(
            Leg(
                ground_speed_kt=math.hypot(north, east) + rng.normal(0, noise),
                track_deg=math.degrees(math.atan2(east, north)) % 360,
                ias_kt=ias,
                pressure_altitude_ft=4000,
                oat_degc=10.0,
                **over,
            )
        )
    return made


@pytest.mark.parametrize("headings", [(0, 90, 180, 270), (10, 130, 250), (5, 80, 170, 200, 300)])
def test_made_legs_give_back_what_they_were_made_from(headings):
    point = calibration_point(legs(58.0, 55.0, headings))

    assert point.cas_kt == pytest.approx(58.0, abs=1e-6)
    assert point.solution.wind_kt == pytest.approx(math.hypot(12, 7), abs=1e-6)
    assert point.usable


def test_turning_every_leg_turns_the_wind_and_nothing_else():
    speed, track = np.array([100.0, 85, 93, 110]), np.array([10.0, 95, 190, 275])
    a, b = wind_from_tracks(speed, track), wind_from_tracks(speed, (track + 40) % 360)

    assert b.tas_kt == pytest.approx(a.tas_kt, abs=1e-9)
    assert (b.wind_from_deg - a.wind_from_deg) % 360 == pytest.approx(40, abs=1e-6)


def test_tracks_and_headings_agree():
    flown = legs(70, 70)
    by_track = wind_from_tracks([leg.ground_speed_kt for leg in flown], [leg.track_deg for leg in flown])

    by_heading = wind_from_headings([leg.ground_speed_kt for leg in flown], [0, 90, 180, 270])

    assert by_heading.tas_kt == pytest.approx(by_track.tas_kt, abs=1e-6)
    assert by_heading.wind_from_deg == pytest.approx(by_track.wind_from_deg, abs=1e-4)


def test_the_stated_uncertainty_covers_the_noise():
    scores = []
    for seed in range(200):
        point = calibration_point(legs(58.0, 55.0, noise=0.5, seed=seed))
        scores.append((point.cas_kt - 58.0) / point.cas_u_kt)

    assert 0.7 < np.sqrt(np.mean(np.square(scores))) < 1.2


def test_a_wind_that_changed_shows_in_the_residual_and_the_point_is_not_used():
    flown = [*legs(58.0, 55.0), *legs(58.0, 55.0, headings=(45, 225), wind=(2.0, 6.0))]

    point = calibration_point(flown)

    assert point.solution.residual_kt > 1 and not point.usable
    assert "not used" in point.notes[-1]


def test_tables_need_two_usable_speeds_a_flap_setting():
    points = [calibration_point(legs(c, i)) for c, i in ((58, 55), (49, 45), (71, 70))]
    lone = calibration_point(legs(44, 40, flap_deg=30.0))

    (table,) = calibration_tables([*points, lone], "made")

    assert (table.flap_deg, table.ias_kt) == (0.0, (45.0, 55.0, 70.0))
    assert table.cas_kt == pytest.approx((49, 58, 71), abs=0.05)


def test_what_is_missing_is_named():
    flown = legs(58, 55)
    with pytest.raises(BadQuantity):
        calibration_point([Leg(ground_speed_kt=60, ias_kt=55, track_deg=k) for k in (0, 90, 180)])
    with pytest.raises(BadQuantity):
        calibration_point([*flown[:3], Leg(ground_speed_kt=60, ias_kt=55, pressure_altitude_ft=4000)])
    with pytest.raises(TooFewCalls):
        calibration_point(flown[:2])
    with pytest.raises(BadQuantity):
        wind_from_tracks([100, math.nan, 90], [0, 90, 180])
    with pytest.raises(BadQuantity):
        wind_from_headings([100, 100, 100], [0, 5, 10])


def test_headings_that_are_not_evenly_spread_in_a_strong_wind():
    flown = legs(60, 60, headings=(20, 75, 200, 310), wind=(-18.0, 30.0))
    found = wind_from_headings([leg.ground_speed_kt for leg in flown], [20, 75, 200, 310])

    assert found.tas_kt == pytest.approx(tas_kt(60, 4000, 10.0), abs=1e-6)
    assert found.wind_kt == pytest.approx(math.hypot(18, 30), abs=1e-6)
    # From where it comes: it blows towards 18 south and 30 east.
    assert found.wind_from_deg == pytest.approx(math.degrees(math.atan2(-30, 18)) % 360, abs=1e-6)


def test_headings_with_noise_give_the_least_squares_of_scipy():
    from scipy.optimize import least_squares

    headings, speeds = np.array([10.0, 80, 170, 265, 320]), np.array([95.0, 83, 78, 101, 106])
    unit = np.column_stack([np.cos(np.radians(headings)), np.sin(np.radians(headings))])
    theirs = least_squares(lambda u: np.linalg.norm(u[2] * unit + u[:2], axis=1) - speeds, [0.0, 0.0, 90.0])
    found = wind_from_headings(speeds, headings)

    assert found.tas_kt == pytest.approx(theirs.x[2], abs=1e-5)
    assert found.wind_kt == pytest.approx(np.hypot(*theirs.x[:2]), abs=1e-5)
    assert found.residual_kt == pytest.approx(np.sqrt(np.sum(theirs.fun**2) / (5 - 3)), abs=1e-6)


def test_without_a_temperature_the_standard_one_is_assumed_and_that_is_said():
    (found, bare) = (
        calibration_point([Leg(**{**one_of(leg), "oat_degc": oat}) for leg in legs(58.0, 55.0)]) for oat in (10.0, None)
    )

    assert not any("temperature" in note for note in found.notes)
    assert any("standard one is assumed" in note for note in bare.notes)
    # 4000 ft: standard is 7.1 degC; 2.9 degC warmer air is thinner by 2.9 / 280, half of it in the speed.
    assert bare.cas_kt / found.cas_kt == pytest.approx(1 + 0.5 * 2.9 / 280, abs=5e-4)


def one_of(leg):
    return {name: getattr(leg, name) for name in ("ground_speed_kt", "ias_kt", "track_deg", "pressure_altitude_ft")}


@pytest.mark.parametrize(
    "speed, angle", [(0.0, 0), (-5.0, 0), (600.0, 0), (math.inf, 0), (90, 361), (90, -361), (90, math.nan)]
)
def test_speeds_and_angles_that_cannot_be(speed, angle):
    with pytest.raises(BadQuantity, match="leg 2"):
        wind_from_tracks([100, speed, 90], [0, angle, 240])


def test_speeds_and_angles_at_the_ends_of_what_can_be():
    assert wind_from_tracks([0.5, 0.5, 0.5], [-360, -240, 240]).tas_kt == pytest.approx(0.5)
    assert wind_from_tracks([599, 599, 599], [0, 120, 240]).tas_kt == pytest.approx(599)
    with pytest.raises(TypeError):
        wind_from_tracks([100, 90, 80], [0, 120])


def test_three_legs_check_nothing_and_say_so():
    three, four = calibration_point(legs(58.0, 55.0, (10, 130, 250))), calibration_point(legs(58.0, 55.0))

    assert math.isnan(three.solution.residual_kt) and three.usable and "three legs" in three.notes[0]
    assert four.solution.residual_kt == pytest.approx(0, abs=1e-6) and four.notes == ()
