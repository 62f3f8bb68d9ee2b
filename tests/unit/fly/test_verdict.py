"""The verdict in the air: figures against sums done by hand and against scipy's own Theil-Sen line."""

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
            id=f"c{k}", start_ns=s_to_ns(every_s * k), end_ns=s_to_ns(every_s * k + 0.4), kind=CallKind.AIRSPEED,
            name="ias", value=v, unit=unit, flags=(flags or {}).get(k, ()),
        )
        for k, v in enumerate(speeds)
    ]  # fmt: skip
    if event:
        at = every_s * (len(speeds) - 1) + event_after_s
        made.append(
            HeardCall(id="e", start_ns=s_to_ns(at), end_ns=s_to_ns(at + 0.3), kind=CallKind.EVENT, name=event)
        )
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
        HeardCall(id=f"r{k}", start_ns=s_to_ns(9 + k), end_ns=s_to_ns(9.4 + k), kind=CallKind.AIRSPEED, name="ias",
                  value=55 + 6 * k, unit="kt")
        for k in range(3)
    ]  # fmt: skip

    assert judge(made).entry_rate_kt_per_s == pytest.approx(2 / 3)


def test_buffet_speed_is_read_from_the_same_line():
    made = calls([56, 55, 54, 53, 52, 51, 50, 49])
    made.append(HeardCall(id="b", start_ns=s_to_ns(6), end_ns=s_to_ns(6.3), kind=CallKind.EVENT, name="buffet"))

    assert judge(made).buffet_ias_kt == pytest.approx(52.0)
