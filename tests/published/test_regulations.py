"""Figures of regulations that the reduction uses, beside the text they come from.

14 CFR part 23 as before Amendment 23-64, read in a public copy of the e-CFR (part 23, subpart B).
"""

from logger_app.records.runs import StallEvent
from logger_app.reduce import cells, quality, stall_speed


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
