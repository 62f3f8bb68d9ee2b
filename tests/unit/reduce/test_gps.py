"""GPS legs to a calibration; published examples are in tests/published."""

import math

import numpy as np
import pytest

from logger_app.errors import BadQuantity, TooFewCalls
from logger_app.reduce.airspeed import tas_kt
from logger_app.reduce.gps import (
    Leg,
    calibration_point,
    calibration_tables,
    wind_from_headings,
    wind_from_tracks,
)


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
