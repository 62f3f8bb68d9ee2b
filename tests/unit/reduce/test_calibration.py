"""Reading a calibration: inside, beyond, between flaps, and where there is none."""

import pytest

from logger_app.errors import BadQuantity
from logger_app.records.plan import CalibrationTable
from logger_app.reduce.calibration import calibrate_ias

UP = CalibrationTable(flap_deg=0, ias_kt=(50, 60, 80), cas_kt=(56, 62, 80), u_kt=1.0)
DOWN = CalibrationTable(flap_deg=30, ias_kt=(40, 60), cas_kt=(48, 64), u_kt=1.0)


def test_inside_the_table_it_interpolates_and_keeps_the_tables_uncertainty():
    found = calibrate_ias((UP, DOWN), 0, 55)

    assert (found.cas_kt, found.u_kt, found.slope, found.notes) == (pytest.approx(59), 1.0, pytest.approx(0.6), ())


def test_uncertainty_grows_with_the_distance_outside():
    u = [calibrate_ias((UP,), 0, v).u_kt for v in (50, 48, 44, 40)]

    assert u == sorted(u) and u[0] == 1.0 and u[-1] > 2.5
    assert "extrapolated by 6.0 kt" in calibrate_ias((UP,), 0, 44).notes[0]


def test_too_far_outside_there_is_no_speed():
    assert "too far outside" in calibrate_ias((UP,), 0, 15)
    assert (
        calibrate_ias((UP,), 0, 119)
        == "calibration for flap 0 runs from 50 to 80 kt IAS; 119.0 kt is too far outside it"
    )


def test_between_two_flap_settings_it_interpolates_with_more_doubt():
    found = calibrate_ias((UP, DOWN), 15, 55)

    assert found.cas_kt == pytest.approx((59 + 60) / 2)
    assert found.u_kt > 1.0
    assert "between those for 0 and 30" in found.notes[0]


@pytest.mark.parametrize(
    "tables, flap, description",
    [
        ((), 0, "has no airspeed calibration"),
        ((UP,), None, "flap setting is not known"),
        ((UP,), 40, "no calibration for flap 40"),
    ],
)
def test_without_a_table_there_is_a_reason_instead(tables, flap, description):
    assert description in calibrate_ias(tables, flap, 55)


@pytest.mark.parametrize("ias", [0, -3, float("nan")])
def test_a_speed_that_is_none_is_refused(ias):
    with pytest.raises(BadQuantity):
        calibrate_ias((UP,), 0, ias)


@pytest.mark.parametrize(
    "ias, cas, slope", [(50, 56, 0.6), (45, 53, 0.6), (60, 62, 0.6), (70, 71, 0.9), (80, 80, 0.9), (90, 89, 0.9)]
)
def test_every_piece_of_the_table_and_both_ends(ias, cas, slope):
    found = calibrate_ias((UP,), 0, ias)

    assert (found.cas_kt, found.slope) == (pytest.approx(cas), pytest.approx(slope))
    assert found.beyond_kt == max(50 - ias, ias - 80, 0)


@pytest.mark.parametrize("ias, readable", [(20.0, True), (19.9, False), (110.0, True), (110.1, False)])
def test_30_kt_beyond_is_as_far_as_it_goes(ias, readable):
    assert isinstance(calibrate_ias((UP,), 0, ias), str) is not readable


def test_beyond_the_table_doubt_grows_by_a_quarter_knot_a_knot():
    assert calibrate_ias((UP,), 0, 44).u_kt == pytest.approx((1 + 1.5**2) ** 0.5)


def test_between_flap_settings_the_tables_difference_is_the_doubt():
    # By hand: CAS 59 and 60 at 55 kt; half the difference, uniform (NIST TN 1297 4.6), with the tables' own 1 kt.
    found = calibrate_ias((UP, DOWN), 10, 55)

    assert found.cas_kt == pytest.approx(59 + 1 / 3)
    assert found.u_kt == pytest.approx((1 + (0.5 / 3**0.5) ** 2) ** 0.5)
    assert found.slope == pytest.approx(0.6 + (0.8 - 0.6) / 3)
    assert found.beyond_kt == 0


def test_between_flap_settings_the_worse_of_two_extrapolations_is_stated():
    found = calibrate_ias((UP, DOWN), 15, 45)

    assert found.beyond_kt == 5.0  # inside DOWN, 5 kt below UP
    assert found.u_kt > calibrate_ias((UP,), 0, 45).u_kt
    assert "too far outside" in calibrate_ias((UP, DOWN), 15, 91)


def test_of_many_flap_settings_the_neighbours_are_taken():
    far = [CalibrationTable(flap_deg=f, ias_kt=(40, 80), cas_kt=(99, 99)) for f in (-10, 45)]

    assert calibrate_ias((far[0], UP, DOWN, far[1]), 15, 55).cas_kt == pytest.approx(59.5)
