"""The verdict in the air: figures against sums done by hand and against scipy's own Theil-Sen line."""

from dataclasses import replace

import pytest
from scipy import stats

from logger_app.fly.verdict import assess, in_words
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd, StallEvent
from logger_app.units import KT_PER_KMH, s_to_ns

POINT = TestPoint(id="A1", card="A", runs_wanted=3)


def calls(speeds, *, every_s=1.5, event="break", unit="kt", event_after_s=1.0, flags=None):
    made = [
        HeardCall(
            id=f"c{k}",
            start_ns=s_to_ns(every_s * k),
            end_ns=s_to_ns(every_s * k + 0.4),
            kind=CallKind.AIRSPEED,
            name="ias",
            value=v,
            unit=unit,
            flags=(flags or {}).get(k, ()),
        )
        for k, v in enumerate(speeds)
    ]
    if event:
        at = every_s * (len(speeds) - 1) + event_after_s
        made.append(HeardCall(id="e", start_ns=s_to_ns(at), end_ns=s_to_ns(at + 0.3), kind=CallKind.EVENT, name=event))
    return made


def judge(made, point=POINT, ended=RunEnd.RECOVERED, **more):
    return assess("run-1", made, point, ended=ended, **more)


def test_an_exact_line_gives_its_own_slope_and_speed():
    # 1 kt every 1.5 s is 0.667 kt/s; the break comes 1 s after the call of 48: 48 - 0.667 = 47.33 kt.
    verdict = judge(calls([56, 55, 54, 53, 52, 51, 50, 49, 48]))

    assert verdict.entry_rate_kt_per_s == pytest.approx(2 / 3, abs=1e-9)
    assert verdict.vs_ias_kt == pytest.approx(47.333, abs=1e-3)
    assert verdict.counts
    assert verdict.event is StallEvent.PITCH_DOWN
    assert verdict.n_calls == 9


def test_the_slope_is_scipys():
    # Outside check: scipy.stats.theilslopes on the same calls (all within 1.2 times the lowest).
    speeds = [55, 54, 52, 52, 50, 48, 49, 47]
    expected = stats.theilslopes(speeds, [1.5 * k for k in range(8)])[0]

    assert judge(calls(speeds)).entry_rate_kt_per_s == pytest.approx(-expected)


def test_too_fast_is_said_in_the_words_of_the_card():
    verdict = judge(calls([60, 57, 54, 51, 48, 45]))  # 2 kt/s

    assert not verdict.counts
    assert in_words(verdict) == "2.0 kt/s, wanted 0.5 to 1.5: fly it again?"


def test_a_little_outside_the_band_is_within_the_uncertainty_of_the_rate():
    verdict = judge(calls([54, 51.5, 49.5, 47]))  # 1.56 kt/s, u 0.12

    assert verdict.entry_rate_kt_per_s > 1.5
    assert verdict.counts


def test_one_misheard_decade_does_not_bend_the_line():
    good = judge(calls([56, 55, 54, 53, 52, 51, 50, 49]))
    bad = judge(calls([56, 55, 54, 63, 52, 51, 50, 49]))

    assert bad.entry_rate_kt_per_s == pytest.approx(good.entry_rate_kt_per_s, abs=0.1)
    assert bad.counts


def test_flagged_calls_are_not_used():
    made = calls([56, 55, 9, 53, 52, 51, 50], flags={2: (Flag.NO_DECADE,)})

    assert judge(made).entry_rate_kt_per_s == pytest.approx(2 / 3)


@pytest.mark.parametrize(
    "made, why",
    [
        (calls([50, 49]), "2 usable calls, needs 3"),
        (calls([50]), "1 usable call, needs 3"),
        (calls([53, 52, 51, 50], event=None), "no stall event heard"),
        (calls([53, 52, 51, 50], event="buffet"), "no stall event heard"),
        (calls([53, 52, 51, 50], event_after_s=7), "7 s without a call before the event"),
    ],
)
def test_why_a_run_does_not_count(made, why):
    verdict = judge(made)

    assert not verdict.counts
    assert why in verdict.why


@pytest.mark.parametrize("ended, why", [(RunEnd.DISCARDED, "scratched"), (RunEnd.KNOCKED_OFF, "knocked off")])
def test_what_the_pilot_ended_does_not_count(ended, why):
    assert judge(calls([54, 53, 52, 51, 50]), ended=ended).why == (why,)


@pytest.mark.parametrize(
    "event, kind",
    [
        ("break", StallEvent.PITCH_DOWN),
        ("nose_drop", StallEvent.PITCH_DOWN),
        ("aft_stop", StallEvent.AFT_STOP),
        ("wing_drop_left", StallEvent.ROLL_OFF),
        ("heavy_buffet", StallEvent.DETERRENT_BUFFET),
    ],
)
def test_kinds_of_stall_are_told_apart(event, kind):
    assert judge(calls([54, 53, 52, 51, 50], event=event)).event is kind


def test_runs_still_wanted():
    verdict = judge(calls([54, 53, 52, 51, 50]), counted_before=1)

    assert (verdict.runs_counted, verdict.still_wanted) == (2, 1)
    assert in_words(verdict).endswith("1 more wanted")
    assert in_words(judge(calls([54, 53, 52, 51, 50]), counted_before=2)).endswith("Point complete")


def test_a_dial_in_kilometres_per_hour_is_spoken_of_in_its_own_unit():
    # 2 km/h every 1.5 s is 1.333 km/h per s, that is 0.72 kt/s.
    verdict = judge(calls([100, 98, 96, 94, 92, 90], unit="km/h"), unit="km/h")

    assert verdict.entry_rate_kt_per_s == pytest.approx(2 / 1.5 * KT_PER_KMH)
    assert "1.3 km/h/s" in in_words(verdict)
    assert "89 km/h at the break" in in_words(verdict)


def test_the_recovery_is_no_part_of_the_approach():
    made = calls([54, 53, 52, 51, 50], event="break")
    made += [
        HeardCall(
            id=f"r{k}",
            start_ns=s_to_ns(9 + k),
            end_ns=s_to_ns(9.4 + k),
            kind=CallKind.AIRSPEED,
            name="ias",
            value=55 + 6 * k,
            unit="kt",
        )
        for k in range(3)
    ]

    assert judge(made).entry_rate_kt_per_s == pytest.approx(2 / 3)


def test_buffet_speed_is_read_from_the_same_line():
    made = calls([56, 55, 54, 53, 52, 51, 50, 49])
    made.append(HeardCall(id="b", start_ns=s_to_ns(6), end_ns=s_to_ns(6.3), kind=CallKind.EVENT, name="buffet"))

    assert judge(made).buffet_ias_kt == pytest.approx(52.0)


def test_every_limit_belongs_to_what_counts():
    assert judge(calls([52, 51, 50])).counts  # three calls
    slow = [53, 52.1, 51.2, 50.3]  # 0.45 kt/s: 1.8 kt below the last call after 4 s
    assert judge(calls(slow, every_s=2.0, event_after_s=4.0)).counts
    assert not judge(calls([53, 52, 51, 50], event_after_s=4.2)).counts
    assert judge(calls([53, 52, 51, 50], event_after_s=0.0)).counts


def test_the_words_for_a_silence_and_for_a_point_that_no_card_has():
    verdict = judge(calls([53, 52, 51, 50], event_after_s=7), point=None)

    assert verdict.why == ("7 s without a call before the event", "no card matches the settings")
    assert (verdict.point, verdict.runs_wanted, verdict.rate_low_kt_per_s, verdict.rate_high_kt_per_s) == (
        None,
        0,
        None,
        None,
    )


def test_the_uncertainty_of_the_rate_is_that_of_a_straight_line():
    # Textbook: s / sqrt(sum (t - mean)^2), here with s the least scatter, 0.4 kt, and t = 0, 1.5 ... 9 s.
    verdict = judge(calls([54, 53, 52, 51, 50, 49, 48]))

    assert verdict.entry_rate_u_kt_per_s == pytest.approx(0.4 / (1.5 * 28**0.5))


def test_scattered_calls_make_the_rate_less_certain():
    # 2/3 kt/s with 1 kt to either side in turn: the median size is 1, times 1.4826 (that of a normal, Hampel 1974).
    verdict = judge(calls([55, 52, 53, 50, 51, 48, 49, 46]))

    assert verdict.entry_rate_kt_per_s == pytest.approx(2 / 3)
    assert verdict.entry_rate_u_kt_per_s == pytest.approx(1.4826 / (1.5 * 42**0.5))


@pytest.mark.parametrize(
    "rate, counts", [(1.5, True), (1.52, True), (1.75, False), (0.5, True), (0.48, True), (0.25, False)]
)
def test_clearly_outside_the_band_and_a_little_outside(rate, counts):
    # Seven calls, 1.5 s apart: u is 0.05 kt/s.
    assert judge(calls([60 - rate * 1.5 * k for k in range(7)])).counts is counts


def test_only_the_last_part_of_a_long_approach_makes_the_rate():
    # 3 kt/s down to 60 (1.2 times 50), then 2/3 kt/s: the approach is from 1.2 Vs down.
    verdict = judge(calls([78, 73.5, 69, 64.5, 60, 59, 58, 57, 56, 55, 54, 53, 52, 51, 50]))

    assert verdict.entry_rate_kt_per_s == pytest.approx(2 / 3)


def test_at_least_three_calls_make_the_rate_although_they_lie_high():
    verdict = judge(calls([80, 75, 70, 50]))

    # Pairs of the last three, 1.5 s apart: 5, 20 and 25 kt in 1.5, 1.5 and 3 s; their median is 25 / 3.
    assert verdict.entry_rate_kt_per_s == pytest.approx(25 / 3)


def test_without_an_event_the_approach_ends_at_its_lowest_call():
    verdict = judge(calls([54, 53, 52, 51, 50, 55, 60], event=None))

    assert verdict.entry_rate_kt_per_s == pytest.approx(2 / 3)
    assert verdict.vs_ias_kt is None
    assert verdict.event is StallEvent.NOT_REACHED


def test_a_call_at_the_very_time_of_the_event_is_part_of_the_approach():
    assert judge(calls([52, 51, 50], event_after_s=0.0)).counts
    assert judge(calls([52, 51, 50], event_after_s=-0.1)).why == ("2 usable calls, needs 3",)


def test_a_stall_that_was_touched_stands_where_none_was_said():
    touched = judge(calls([54, 53, 52, 51, 50], event=None), touched_stall_ns=s_to_ns(7.0))
    said = judge(calls([54, 53, 52, 51, 50], event="aft_stop"), touched_stall_ns=s_to_ns(1.0))

    assert (touched.event, touched.counts) == (StallEvent.PITCH_DOWN, True)
    assert touched.vs_ias_kt == pytest.approx(54 - 7 * 2 / 3)
    assert said.event is StallEvent.AFT_STOP and said.vs_ias_kt == pytest.approx(50 - 2 / 3)


def test_one_call_has_no_rate_and_its_own_speed():
    verdict = judge(calls([50]))

    assert (verdict.entry_rate_kt_per_s, verdict.entry_rate_u_kt_per_s, verdict.vs_ias_kt) == (None, None, 50.0)
    nothing = judge(calls([]))
    assert (nothing.n_calls, nothing.vs_ias_kt) == (0, None)


def test_the_row_of_a_verdict():
    body = judge(calls([56, 55, 54, 53, 52, 51, 50, 49, 48]), counted_before=1).as_body()

    assert body == {
        "run": "run-1",
        "point": "A1",
        "counts": True,
        "why": [],
        "words": "Counts: 0.7 kt/s, 47 kt at the break. Say the speed at the break. 1 more wanted",
        "n_calls": 9,
        "entry_rate_kt_per_s": 0.67,
        "entry_rate_u_kt_per_s": 0.03,
        "entry_rate_band_kt_per_s": [0.5, 1.5],
        "vs_ias_kt": 47.3,
        "buffet_ias_kt": None,
        "event": "pitch_down",
        "runs_counted": 2,
        "speed_named": False,
        "runs_wanted": 3,
    }


def test_the_buffet_is_the_first_and_needs_a_line():
    made = calls([50])
    made.append(HeardCall(id="b", start_ns=0, end_ns=1, kind=CallKind.EVENT, name="buffet"))

    assert judge(made).buffet_ias_kt is None


def test_more_runs_than_wanted_leave_none_wanted():
    assert judge(calls([54, 53, 52, 51, 50]), counted_before=7).still_wanted == 0


def test_the_first_run_at_a_point_is_one():
    assert judge(calls([54, 53, 52, 51, 50])).runs_counted == 1


def test_one_last_call_misheard_low_does_not_shorten_the_approach():
    # The approach is from 1.2 times the median of the last two, here 45: six calls. From 1.2 times 40 it would be the last three.
    verdict = judge(calls([56, 55, 54, 53, 52, 51, 50, 40]))

    assert verdict.entry_rate_kt_per_s == pytest.approx(2 / 3)


def test_a_call_at_just_12_tenths_of_the_lowest_is_part_of_the_approach():
    # 60 = 1.2 times 50. Slopes of 60, 55, 50, 50, 1.5 s apart, between pairs: 3 at 10/3, then 20/9, 10/6, 0; the median lies between.
    assert judge(calls([63, 60, 55, 50, 50])).entry_rate_kt_per_s == pytest.approx((10 / 3 + 20 / 9) / 2)


def test_two_calls_at_one_moment_have_no_rate_and_the_last_speed():
    verdict = judge(calls([50, 49], every_s=0.0))

    assert (verdict.entry_rate_kt_per_s, verdict.vs_ias_kt) == (None, 49.0)


def test_two_calls_at_one_moment_do_not_spoil_the_rate_of_the_others():
    made = calls([54, 53, 52, 51, 50])
    made.append(replace(made[4], id="c4b", value=50))

    assert judge(made).entry_rate_kt_per_s == pytest.approx(2 / 3)


def test_the_buffet_in_the_row_to_a_tenth():
    made = calls([56, 55, 54, 53, 52, 51, 50, 49])
    made.append(HeardCall(id="b", start_ns=s_to_ns(6.1), end_ns=s_to_ns(6.3), kind=CallKind.EVENT, name="buffet"))

    # 52 kt at 6 s, falling at 2/3 kt/s: 51.93 a tenth of a second later.
    assert judge(made).as_body()["buffet_ias_kt"] == 51.9


def test_a_run_whose_speed_was_not_said_at_the_break_coaches_to_say_it():
    silent = judge(calls([54, 53, 52, 51, 50]), counted_before=0)

    assert not silent.speed_named and "Say the speed at the break." in in_words(silent)
    assert "Say the speed" not in in_words(judge(calls([54, 53, 52, 51, 50]), counted_before=2))  # no run is left


def test_a_stall_far_below_the_last_call_counts_only_with_a_speed_said_at_it():
    # 1 kt/s; the break comes 3 s after the call of 50: 47 kt by the line, 3 kt below what anybody saw.
    made = calls([54, 53, 52, 51, 50], every_s=1.0, event_after_s=3.0)
    far = judge(made)
    named = HeardCall(
        id="n", start_ns=s_to_ns(7.6), end_ns=s_to_ns(8.0), kind=CallKind.AIRSPEED, name="ias", value=47, unit="kt"
    )

    assert not far.counts
    assert in_words(far) == "3 kt below the last call, say the speed at the break: fly it again?"
    assert judge([*made, named]).counts
    assert judge(calls([54, 53, 52, 51, 50], every_s=1.0, event_after_s=1.9)).counts
