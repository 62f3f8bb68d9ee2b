"""True airspeed and wind from GPS legs against published worked examples."""

import numpy as np
import pytest

from logger_app.errors import BadQuantity, TooFewCalls
from logger_app.reduce.airspeed import cas_from_tas_kt
from logger_app.reduce.gps import wind_from_headings, wind_from_tracks

# D. Gray, 1998, worked example as printed in the notebook fugalh/TAS at 3d2c273.
GRAY = ([140, 112, 120], [192, 283, 20])


def test_three_legs_with_tracks():
    found = wind_from_tracks(*GRAY)

    assert found.tas_kt == pytest.approx(130, abs=0.5)  # as printed
    assert found.tas_kt == pytest.approx(129.9985, abs=0.0005)  # recomputed by an independent circle solve
    assert found.wind_from_deg == pytest.approx(314.8, abs=0.1)
    assert found.wind_kt == pytest.approx(20.6, abs=0.1)
    assert found.headings_deg == pytest.approx([199.7, 287.8, 11.7], abs=0.3)
    assert np.isnan(found.residual_kt) and "three legs" in found.notes[0]


def test_three_headings_120_degrees_apart():
    # Williams' closed form, as quoted at mail.lancaironline.net/lists/lml/Message/27216.html.
    speeds = np.array([113.891, 108.481, 80.379])
    vms = np.mean(speeds**2)
    mu = np.sum((speeds**2 / vms - 1) ** 2) / 6
    tas = np.sqrt(vms * (0.5 + np.sqrt(0.25 - mu)))

    found = wind_from_headings(speeds, [40, 160, 280])

    assert found.tas_kt == pytest.approx(100.0, abs=0.002)
    assert found.wind_kt == pytest.approx(20.0, abs=0.002)
    assert found.tas_kt == pytest.approx(tas, abs=1e-6)


def test_three_perpendicular_tracks():
    # SFTE Reference Handbook 2013 ch. 4, "Horseshoe Track": VT = 1/2 sqrt(V1^2 + V2^2 + V3^2 + V1^2 V3^2 / V2^2).
    v1, v2, v3 = 105.058, 118.560, 91.378

    found = wind_from_tracks([v1, v2, v3], [0, 90, 180])

    assert found.tas_kt == pytest.approx(100.0, abs=0.002)
    assert found.wind_kt == pytest.approx(20.0, abs=0.002)
    assert found.tas_kt == pytest.approx(0.5 * (v1**2 + v2**2 + v3**2 + (v1 * v3 / v2) ** 2) ** 0.5, abs=1e-6)


def test_three_perpendicular_headings():
    # x^2 - P x + Q = 0, larger root: the same problem as SFTE ch. 4 "Horseshoe Heading", derived.
    v1, v2, v3 = 108.481, 118.991, 95.036
    p = (v1**2 + v3**2) / 2
    q = (((v3**2 - v1**2) / 2) ** 2 + ((2 * v2**2 - v1**2 - v3**2) / 2) ** 2) / 4

    found = wind_from_headings([v1, v2, v3], [0, 90, 180])

    assert found.tas_kt == pytest.approx(100.0, abs=0.002)
    assert found.tas_kt**2 == pytest.approx(max(np.roots([1, -p, q])), abs=1e-4)


def test_the_mean_over_four_headings_is_not_the_airspeed():
    # kitplanes.com/flight-testing-finding-tas-from-gps-data: TAS 100, wind 20 from the west.
    speeds = [102, 120, 102, 80]

    assert np.mean(speeds) == pytest.approx(101, abs=0.01)
    assert wind_from_headings(speeds, [0, 90, 180, 270]).tas_kt == pytest.approx(100, abs=0.1)


def test_position_correction():
    # SFTE ch. 4: TAS 60.0 kt, Hp 4000 ft, 15 degC, IAS 52.0: CAS 55.76, +3.76.
    cas = cas_from_tas_kt(60.0, 4000, 15.0)

    assert cas == pytest.approx(55.76, abs=0.02)
    assert cas - 52.0 == pytest.approx(3.76, abs=0.02)


def test_least_squares_against_scipy():
    from scipy.optimize import least_squares

    rng = np.random.default_rng(3)
    tracks = np.radians([10, 100, 190, 280, 330])
    speed = np.array([88.0, 101.5, 92.0, 79.5, 81.0]) + rng.normal(0, 0.6, 5)
    ground = speed[:, None] * np.column_stack([np.cos(tracks), np.sin(tracks)])
    theirs = least_squares(lambda u: np.linalg.norm(ground - u[:2], axis=1) - u[2], [0, 0, 90], xtol=1e-14, ftol=1e-14)

    found = wind_from_tracks(speed, np.degrees(tracks))

    assert found.tas_kt == pytest.approx(theirs.x[2], abs=1e-6)
    assert found.residual_kt == pytest.approx(np.sqrt(np.sum(theirs.fun**2) / (5 - 3)), abs=1e-6)


def test_legs_along_one_line_are_refused():
    with pytest.raises(BadQuantity):
        wind_from_tracks([100, 90, 101], [10, 190, 11])
    with pytest.raises(TooFewCalls):
        wind_from_tracks([100, 90], [10, 190])
