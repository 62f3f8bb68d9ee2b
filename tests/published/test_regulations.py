"""Figures of regulations that the reduction uses, beside the text they come from.

14 CFR part 23 as before Amendment 23-64, read in a public copy of the e-CFR (part 23, subpart B).
"""

import pytest

from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.reduce import cells, quality, stall_speed
from logger_app.reduce.calibration import calibrate_ias


def test_23_201b_rate_to_which_stall_speeds_are_read():
    assert cells.STANDARD_RATE_KT_PER_S == 1


def test_23_201b_start_above_the_stall():
    assert quality.START_ABOVE_STALL_KT == 10


def test_23_201c_time_on_the_stop():
    assert stall_speed.HOLD_ON_STOP_S == 2


def test_23_207c_warning_margin():
    assert cells.WARNING_MARGIN_KT == 5


def test_23_203a_rate_of_a_turning_flight_stall():
    assert quality.TURNING_RATE_KT_PER_S == 1


def test_23_201b_and_25_201d_kinds_of_stall_are_kept_apart():
    wanted = {"pitch_down", "aft_stop", "device", "deterrent_buffet"}

    assert wanted <= {str(kind) for kind in StallEvent}
    assert len({cells.family(StallEvent(kind)) for kind in wanted}) == 4


# Cessna 172R POH sec. 4 (manualshive.com, p. 142): the horn begins 5 to 10 kt above the stall in all configurations.
@pytest.mark.parametrize(
    "margin_kt, noted", [(10.0, ""), (5.0, "not settled"), (4.0, "not settled"), (2.0, "less than 5 kt")]
)
def test_a_published_warning_band_is_held_against_the_rule_with_its_uncertainty(margin_kt, noted):
    run = StallSpeed(
        run="r",
        run_number=1,
        flight="f",
        configuration="c",
        point="p",
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        vs_ias_kt=50.0,
        warning_margin_kt=margin_kt,
    )
    (cell,) = cells.make_cells([run])

    assert any("23.207(c)" in note for note in cell.notes) is bool(noted)
    assert any(noted in note for note in cell.notes) is bool(cell.notes)


def test_no_rule_bounds_the_airspeed_error_at_the_stall():
    # 14 CFR 23.1323(b): 3 % or 5 kt, but from 1.3 VS1 upward. Without a table there is no CAS.
    assert isinstance(calibrate_ias((), 0.0, 50.0), str)
