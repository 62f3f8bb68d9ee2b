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
    assert "too far outside" in calibrate_ias((UP,), 0, 30)
    assert "too far outside" in calibrate_ias((UP,), 0, 99)


def test_between_two_flap_settings_it_interpolates_with_more_doubt():
    found = calibrate_ias((UP, DOWN), 15, 55)

    assert found.cas_kt == pytest.approx((59 + 60) / 2)
    assert found.u_kt > 1.0
    assert "between those for 0 and 30" in found.notes[0]


@pytest.mark.parametrize(
    "tables, flap, says",
    [((), 0, "has no airspeed calibration"), ((UP,), None, "flap setting is not known"), ((UP,), 40, "no calibration for flap 40")],
)
def test_without_a_table_there_is_a_reason_instead(tables, flap, says):
    assert says in calibrate_ias(tables, flap, 55)


@pytest.mark.parametrize("ias", [0, -3, float("nan")])
def test_a_speed_that_is_none_is_refused(ias):
    with pytest.raises(BadQuantity):
        calibrate_ias((UP,), 0, ias)
