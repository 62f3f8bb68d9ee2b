"""One run: kinds of stall, fall-backs, margins, lag, and what cannot be said."""

import math

import pytest

from logger_app.records.calls import CallStatus, Flag
from logger_app.records.plan import Indicator
from logger_app.records.runs import StallEvent
from logger_app.reduce.stall_speed import event_s_of_run, stall_of_run


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
    calls += [
        make.setting(1, "altitude", 5500.0),
        make.setting(at + 6, "altitude", 5250.0),
        make.setting(at + 9, "altitude", 5300.0),
    ]

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


@pytest.mark.parametrize("apart_s, kind", [(2.0, StallEvent.PITCH_DOWN), (2.1, StallEvent.ROLL_OFF)])
def test_a_break_within_2_s_of_a_wing_drop_is_the_same_event(make, apart_s, kind):
    calls = make.approach(event="wing_drop_left")
    calls.append(make.event(round(calls[-1].flight_s + apart_s, 3), "break"))

    assert stall(make, calls).event is kind


@pytest.mark.parametrize("spread_kt, steady", [(2.0, True), (2.1, False)])
def test_speeds_within_2_kt_are_steady(make, spread_kt, steady):
    calls = make.approach(event="aft_stop")
    at = calls[-1].flight_s
    held = [make.speed(at + 1.5, 43.0 + spread_kt), make.speed(at + 2.5, 43.0)]

    found = stall(make, [*calls, *held])

    assert (found.method == "lowest") is steady
    assert ("no steady speed was called" in " ".join(found.notes)) is not steady


def test_the_steady_speed_is_the_median_from_where_it_is_steady(make):
    calls = make.approach(event="aft_stop")
    at = calls[-1].flight_s
    held = [
        make.speed(at + s, v, id=f"h{s:g}")
        for s, v in ((1.5, 47.0), (2.5, 44.0), (3.5, 43.0), (4.5, 43.5), (9.0, 43.0))
    ]

    found = stall(make, [*calls, *held])

    # The first is still falling; the last comes after the 8 s that a stop is held at most.
    assert found.ias_kt == 43.5
    assert found.used[-3:] == ("h2.5", "h3.5", "h4.5")
    assert found.notes[0] == "minimum steady speed, control on the aft stop: median of 3 calls over 4.5 s"
    # Standard deviation of 44, 43, 43.5 over the root of 3, and the dial: by hand.
    assert found.ias_u_kt == pytest.approx(math.hypot(1 / math.sqrt(12), math.sqrt(0.5 / 3) / math.sqrt(3)))
    assert (found.scatter_u_kt, found.lag_u_kt) == (pytest.approx(math.sqrt(0.5 / 3) / math.sqrt(3)), 0.0)


def test_a_break_or_the_recovery_ends_the_hold(make):
    calls = make.approach(event="aft_stop")
    at = calls[-1].flight_s
    held = [make.speed(at + s, 43.0, id=f"h{s:g}") for s in (1.5, 2.5, 3.5)]

    for name in ("break", "recovered"):
        assert stall(make, [*calls, *held, make.event(at + 3.0, name)]).used[-2:] == ("h1.5", "h2.5")


@pytest.mark.parametrize("held_s, said", [(1.9, True), (2.0, False)])
def test_a_hold_of_2_s_is_what_the_rule_asks(make, held_s, said):
    # 14 CFR 23.201(c).
    calls = make.approach(event="aft_stop")
    at = calls[-1].flight_s

    found = stall(make, [*calls, make.speed(round(at + 1.5, 3), 43.0), make.speed(round(at + held_s, 3), 43.0)])

    assert any("asks for 2 s" in note for note in found.notes) is said


def test_what_is_excluded_is_the_wild_call_and_nothing_else(make):
    calls = make.approach()
    at = round(calls[-3].flight_s + 0.3, 3)
    high, low = (stall(make, [*calls, make.speed(at, v, id="wild")]).excluded for v in (67.0, 27.0))

    assert [id for id, _ in high] == [id for id, _ in low] == ["wild"]
    assert high[0][1].startswith("20.") or high[0][1].startswith("19.")
    assert high[0][1].endswith("kt above the fitted approach") and low[0][1].endswith("kt below the fitted approach")


def test_reviewed_calls_are_trusted_fully_named_ones_less_and_heard_ones_as_far_as_the_recogniser(make):
    exact = [make.speed(20 - s, 45.0 + s, id=f"x{s:g}") for s in (9.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0)]
    heard = {"status": CallStatus.HEARD}

    def weight_of(k, **over):
        calls = [make.speed(c.flight_s, c.ias_kt, id=c.id, **(over if i == k else {})) for i, c in enumerate(exact)]
        return stall(make, [*calls, make.event(20.0, "break")]).approach.weight[k]

    assert weight_of(4) == pytest.approx(1.0, abs=0.01) and weight_of(4) <= 1.0
    assert weight_of(4, posterior=0.6, **heard) == pytest.approx(0.6, abs=0.01)
    assert weight_of(4, posterior=0.9, flags=(Flag.IMPLAUSIBLE,), **heard) == pytest.approx(0.3, abs=0.01)
    assert weight_of(4, posterior=0.05, **heard) == pytest.approx(0.2, abs=0.01)
    assert weight_of(4, posterior=0.05) == pytest.approx(1.0, abs=0.01)  # a person looked
    named = stall(make, [*exact, make.event(20.0, "break"), make.speed(20.6, 45.0, id="named")])
    assert named.approach.weight[-1] == pytest.approx(0.8, abs=0.01)


@pytest.mark.parametrize("after_s, named", [(1.2, True), (1.3, False)])
def test_a_speed_is_named_with_the_event_within_12_tenths_of_its_last_word(make, after_s, named):
    calls = make.approach()
    found = stall(make, [*calls, make.speed(round(calls[-1].end_ns / 1e9 + after_s, 3), 45.0, id="n")])

    assert ("n" in found.used) is named
    assert found.calls_before == len(calls) - 1 + named
    assert any("named with the event" in note for note in found.notes) is named


def test_the_uncertainty_is_split_into_dial_scatter_and_lag(make):
    calls = make.approach()
    for k, c in enumerate(calls[:-1]):  # wander, so that the scatter is more than the dial's
        calls[k] = make.speed(c.flight_s, c.ias_kt + (0.8 if k % 2 else -0.8), id=c.id)
    found = stall_of_run(make.run(calls), Indicator(reading_lag_u_s=0.2))
    fit = found.approach

    assert found.lag_u_kt == pytest.approx(0.2 * abs(fit.slope_kt_per_s))
    assert found.ias_u_kt == pytest.approx(math.hypot(fit.ias_u_kt, found.lag_u_kt))
    assert fit.scatter_kt > 0.5
    # The dial's share: as if every call were off by no more than it (NIST TN 1297 4.6: 1 / sqrt(12)).
    assert found.reading_u_kt == pytest.approx(fit.ias_u_kt / fit.scatter_kt / math.sqrt(12))
    assert math.hypot(found.reading_u_kt, found.scatter_u_kt) == pytest.approx(fit.ias_u_kt)


def test_two_calls_at_one_moment_have_no_rate(make):
    found = stall(make, [make.speed(2, 50.0, id="a"), make.speed(2, 49.0, id="b"), make.event(3, "break")])

    assert (found.ias_kt, found.rate_kt_per_s) == (49.0, None)


def test_between_the_last_call_and_the_event_it_may_have_fallen_on_but_not_risen(make):
    falling, rising = (
        stall(make, [make.speed(1, a), make.speed(2, b), make.event(4, "break")])
        for a, b in ((51.0, 49.0), (49.0, 49.5))
    )

    # One-sided: 2 kt/s for 2 s, uniform over that, 4 / sqrt(3).
    assert falling.scatter_u_kt == pytest.approx(4 / math.sqrt(3))
    assert falling.ias_u_kt == pytest.approx(math.hypot(4 / math.sqrt(3), 1 / math.sqrt(12)))
    assert (rising.ias_kt, rising.rate_kt_per_s, rising.scatter_u_kt) == (49.0, -0.5, 0.0)


@pytest.mark.parametrize(
    "calls, lowest",
    [([(0, 60), (4, 59), (8, 55)], 55), ([(0, 60), (4, 59), (8, 54.9)], 59), ([(0, 60), (4, 59), (8.1, 55)], 59)],
)
def test_a_call_is_supported_by_one_within_4_s_and_4_kt(make, calls, lowest):
    assert stall(make, [make.speed(*c) for c in calls]).ias_kt == lowest


def test_without_a_fit_margins_are_read_between_the_calls(make):
    calls = [
        make.speed(1, 50.0),
        make.event(1.5, "stall_warning"),
        make.event(2, "buffet"),
        make.speed(3, 48.0),
        make.event(3.5, "break"),
    ]
    early = [make.event(0.5, "buffet"), *calls[:1], *calls[3:]]

    assert (stall(make, calls).warning_ias_kt, stall(make, calls).buffet_ias_kt) == (49.5, 49.0)
    assert stall(make, early).buffet_ias_kt is None


def test_the_start_and_the_last_call_of_the_approach(make):
    calls = make.approach()
    found = stall(make, calls)

    assert (found.start_ias_kt, found.last_call_ias_kt, found.calls_before) == (62.0, calls[-2].ias_kt, len(calls) - 1)
    assert found.last_call_gap_s == pytest.approx(calls[-1].flight_s - calls[-2].flight_s)
    assert found.event_s == calls[-1].flight_s


def test_the_side_of_a_wing_drop(make):
    for name, side in (
        ("wing_drop", "unknown"),
        ("wing_drop_left", "left"),
        ("wing_drop_right", "right"),
        ("break", "none"),
        ("recovered", None),
    ):
        assert stall(make, make.approach(event=name)).wing_drop == side
    calls = make.approach(event="wing_drop")
    assert stall(make, [*calls, make.event(calls[-1].flight_s + 1, "wing_drop_left")]).wing_drop == "left"


def test_altitudes_before_and_after(make):
    calls = make.approach()
    at = calls[-1].flight_s
    only_before = stall(make, [*calls, make.setting(1, "altitude", 5500.0), make.setting(5, "altitude", 5400.0)])
    both = stall(
        make,
        [
            *calls,
            make.setting(1, "altitude", 5500.0),
            make.setting(5, "altitude", 5400.0),
            make.setting(at + 3, "altitude", 5100.0),
        ],
    )

    assert (only_before.altitude_ft, only_before.altitude_lost_ft) == (5500.0, None)
    assert both.altitude_lost_ft == 300.0


def test_the_time_of_the_event_is_known_without_a_fit(make):
    for event in ("break", "wing_drop", "aft_stop", "heavy_buffet", "recovered"):
        run = make.run(make.approach(event=event))

        assert event_s_of_run(run) == stall_of_run(run, Indicator()).event_s
