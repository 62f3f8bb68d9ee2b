"""One run: kinds of stall, fall-backs, margins, lag, and what cannot be said."""

import math

import pytest

from logger_app.records.calls import CallStatus, Flag
from logger_app.records.plan import Indicator
from logger_app.records.runs import StallEvent
from logger_app.reduce.stall_speed import stall_of_run


def stall(make, calls, **over):
    return stall_of_run(make.run(calls, **over), Indicator())


@pytest.mark.parametrize(
    "name, kind",
    [
        ("break", StallEvent.PITCH_DOWN),
        ("nose_drop", StallEvent.PITCH_DOWN),
        ("aft_stop", StallEvent.AFT_STOP),
        ("stick_pusher", StallEvent.DEVICE),
        ("heavy_buffet", StallEvent.DETERRENT_BUFFET),
        ("wing_drop_left", StallEvent.ROLL_OFF),
    ],
)
def test_the_kind_follows_the_event(make, name, kind):
    found = stall(make, make.approach(event=name))

    assert (found.event, found.method) == (kind, "fit")
    assert found.ias_kt == pytest.approx(45, abs=0.7)


def test_a_wing_drop_and_a_break_are_one_event_with_a_side(make):
    calls = make.approach(event="wing_drop_right")
    calls.append(make.event(calls[-1].flight_s + 0.9, "break"))

    found = stall(make, calls)

    assert (found.event, found.wing_drop) == (StallEvent.PITCH_DOWN, "right")


def test_the_first_event_decides_and_the_next_is_noted(make):
    calls = make.approach(event="aft_stop")
    calls.append(make.event(calls[-1].flight_s + 3, "break"))

    found = stall(make, calls)

    assert found.event is StallEvent.AFT_STOP
    assert any("pitch down followed 3.0 s later" in note for note in found.notes)


def test_a_heavy_buffet_that_was_flown_through_is_a_warning(make):
    calls = make.approach()
    calls.append(make.event(calls[-1].flight_s - 3, "heavy_buffet"))

    found = stall(make, calls)

    assert found.event is StallEvent.PITCH_DOWN
    assert found.buffet_ias_kt == pytest.approx(48, abs=0.7)


def test_no_stall_event_gives_the_lowest_call_and_says_it_is_not_a_stall(make):
    found = stall(make, make.approach(event="recovered"))

    assert (found.event, found.method) == (StallEvent.NOT_REACHED, "lowest")
    assert found.ias_kt == min(c.ias_kt for c in make.approach() if c.ias_kt)
    assert "not a stall speed" in found.notes[-1]


def test_two_calls_fall_back_to_the_lowest(make):
    found = stall(make, [make.speed(1, 50.0), make.speed(2, 49.0), make.event(3, "break")])

    assert (found.method, found.ias_kt) == ("lowest", 49.0)
    assert found.ias_u_kt > 0.5  # it fell on for a second after that


def test_one_call_and_no_call(make):
    assert stall(make, [make.speed(1, 50.0), make.event(2, "break")]).ias_kt == 50.0
    nothing = stall(make, [make.event(2, "break")])
    assert nothing.ias_kt is None and "no airspeed" in nothing.notes[0]


def test_a_lone_low_call_is_not_the_lowest_steady_one(make):
    calls = [make.speed(k, v) for k, v in enumerate([60.0, 58.0, 57.0, 17.0])]

    assert stall(make, calls).ias_kt == 57.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.0, -5.0, None])
def test_unusable_airspeeds_are_left_out_with_a_reason(make, bad):
    calls = make.approach()
    calls.insert(3, make.speed(calls[3].flight_s + 0.1, bad, id="bad"))

    found = stall(make, calls)

    assert ("bad", f"no usable airspeed ({bad})") in found.excluded
    assert found.ias_kt == pytest.approx(45, abs=0.7)


def test_rejected_calls_do_not_exist(make):
    calls = make.approach()
    spoilt = [*calls, make.speed(calls[-1].flight_s - 0.2, 20.0, id="no", status=CallStatus.REJECTED)]

    assert stall(make, spoilt).ias_kt == stall(make, calls).ias_kt


def test_the_order_of_the_calls_does_not_matter(make):
    calls = make.approach()

    assert stall(make, calls[::-1]) == stall(make, calls)


def test_a_speed_named_with_the_event_joins_the_fit(make):
    calls = make.approach()
    named = make.speed(calls[-1].end_ns / 1e9 + 0.2, 45.0, id="named")
    late = make.speed(calls[-1].end_ns / 1e9 + 6, 70.0, id="late")

    found = stall(make, [*calls, named, late])

    assert "named" in found.used
    assert ("late", "said after the stall event") in found.excluded


def test_held_on_the_stop_the_steady_speed_counts(make):
    calls = make.approach(event="aft_stop")
    at = calls[-1].flight_s
    held = [make.speed(at + s, v) for s, v in ((1.5, 44.0), (2.5, 43.0), (3.5, 43.0), (4.5, 43.0))]

    found = stall(make, [*calls, *held, make.event(at + 5.5, "recovered")])

    assert (found.method, found.ias_kt) == ("lowest", 43.0)
    assert "minimum steady speed" in found.notes[0]


def test_held_too_briefly_says_what_the_rule_asks(make):
    calls = make.approach(event="aft_stop")
    at = calls[-1].flight_s

    found = stall(make, [*calls, make.speed(at + 0.8, 44.0), make.speed(at + 1.6, 44.0)])

    assert any("asks for 2 s" in note for note in found.notes)


def test_margins_of_warning_and_buffet(make):
    calls = make.approach()
    at = calls[-1].flight_s
    calls += [make.event(at - 7, "stall_warning"), make.event(at - 4, "buffet")]

    found = stall(make, calls)

    assert found.warning_ias_kt - found.ias_kt == pytest.approx(7, abs=0.8)
    assert found.buffet_ias_kt - found.ias_kt == pytest.approx(4, abs=0.8)


def test_altitude_lost_from_the_altitudes_called(make):
    calls = make.approach()
    at = calls[-1].flight_s
    calls += [make.setting(1, "altitude", 5500.0), make.setting(at + 6, "altitude", 5250.0), make.setting(at + 9, "altitude", 5300.0)]

    found = stall(make, calls)

    assert (found.altitude_ft, found.altitude_lost_ft) == (5500.0, 250.0)


def test_an_event_timed_from_a_picture_is_not_late(make):
    # Calls 0.6 s late; a picture shows the event itself. Unshifted, the speed would be too high by rate x lag.
    calls = make.approach(lag_s=0.6)
    calls[-1] = make.event(calls[-1].flight_s - 0.6, "break")
    indicator = Indicator(reading_lag_s=0.6)

    shifted = stall_of_run(make.run(calls), indicator, event_voiced=False)
    unshifted = stall_of_run(make.run(calls), indicator)

    assert shifted.ias_kt == pytest.approx(45, abs=0.6)
    assert unshifted.ias_kt - shifted.ias_kt == pytest.approx(0.6, abs=0.15)
    assert "not timed by voice" in shifted.notes[-1]


def test_recovery_before_any_event_ends_the_run(make):
    calls = make.approach(event="recovered")
    calls.append(make.event(calls[-1].flight_s + 3, "break"))

    assert stall(make, calls).event is StallEvent.NOT_REACHED


@pytest.mark.parametrize("flag", [Flag.NO_DECADE, Flag.OUT_OF_RANGE])
def test_what_is_flagged_as_no_airspeed_waits_for_a_person(make, flag):
    calls = make.approach()
    odd = make.speed(calls[5].flight_s + 0.2, 7.0, id="odd", flags=(flag,), status=CallStatus.HEARD)

    found = stall(make, [*calls, odd])

    assert ("odd", f"flagged {flag} and not reviewed") in found.excluded
    assert found.ias_kt == stall(make, calls).ias_kt


def test_an_event_that_a_person_placed_comes_with_its_caveat(make):
    calls = make.approach()
    calls[-1] = make.event(calls[-1].flight_s, "break", status=CallStatus.ADDED)

    assert any("a person placed the event" in note for note in stall(make, calls).notes)
