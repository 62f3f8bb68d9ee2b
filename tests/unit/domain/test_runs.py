"""Runs out of calls: with and without "on condition", discarded, ambiguous, corrected."""

from dataclasses import replace

import pytest

from logger_app.domain.runs import find_runs
from logger_app.records.calls import Action, CallKind, CallStatus, CaptureGap, Correction, Flag, ReviewedCall
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd
from logger_app.units import s_to_ns

POINTS = (
    TestPoint(id="A1", card="A"),
    TestPoint(id="A2", card="A", flap_deg=15),
    TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100.0),
    TestPoint(id="C1", card="C", bank_deg=30),
)


def call(at_s, kind, name, value=None, unit=None, status=CallStatus.HEARD):
    airspeed = kind is CallKind.AIRSPEED
    return ReviewedCall(
        id=f"c{at_s:07.2f}",
        flight_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=kind,
        name=name,
        value=value,
        unit="kt" if airspeed else unit,
        status=status,
        ias_kt=value if airspeed else None,
    )


def speeds(start_s, *values):
    return [call(start_s + 1.5 * k, CallKind.AIRSPEED, "ias", float(v)) for k, v in enumerate(values)]


def event(at_s, name):
    return call(at_s, CallKind.EVENT, name)


def setting(at_s, name, value, unit=None):
    return call(at_s, CallKind.SETTING, name, value, unit)


def command(at_s, name):
    return call(at_s, CallKind.COMMAND, name)


def row(at_s, **body):
    return JournalRow(id=f"s{at_s}", flight_ns=s_to_ns(at_s), utc="", kind=RowKind.STEP, body=body)


def test_a_spoken_run_from_on_condition_to_recovered():
    calls = [setting(1, "power", "idle"), setting(3, "flap", 0.0), event(10, "on_condition")]
    calls += [*speeds(12, 60, 58, 55, 52), event(19, "break"), event(22, "recovered")]

    found = find_runs("f", calls, points=POINTS)

    assert [(r.number, r.point, r.ended, r.id) for r in found.runs] == [(1, "A1", RunEnd.RECOVERED, "run-c0010.00")]
    assert [c.name for c in found.runs[0].calls] == ["on_condition"] + ["ias"] * 4 + ["break", "recovered"]
    assert [c.name for c in found.unassigned] == ["power", "flap"]


def test_two_runs_with_nothing_said_but_speeds_are_parted_by_silence_and_by_a_new_approach():
    calls = [setting(1, "power", "idle"), setting(2, "flap", 15.0)]
    calls += [*speeds(10, 60, 57, 54, 51), *speeds(40, 61, 58, 55, 50, 62, 60, 56, 52)]

    found = find_runs("f", calls, points=POINTS)

    assert [[c.value for c in r.calls] for r in found.runs] == [[60, 57, 54, 51], [61, 58, 55, 50], [62, 60, 56, 52]]
    assert {r.point for r in found.runs} == {"A2"}


def test_scratch_that_discards_the_run_it_is_said_in_or_just_after():
    inside = [event(1, "on_condition"), *speeds(3, 60, 58, 55), command(9, "scratch_that")]
    after = [event(20, "on_condition"), *speeds(22, 60, 58, 55), event(28, "recovered"), command(31, "scratch_that")]
    later = [event(50, "on_condition"), *speeds(52, 60, 58, 55), event(58, "recovered"), command(110, "scratch_that")]

    found = find_runs("f", inside + after + later, points=POINTS)

    assert [r.discarded for r in found.runs] == [True, True, False]


def test_what_fits_no_point_or_several_says_so_and_is_kept():
    none = find_runs("f", [setting(0, "flap", 40.0), *speeds(3, 60, 58, 55)], points=POINTS)
    several = find_runs("f", [setting(0, "flap", 0.0), *speeds(3, 60, 58, 55)], points=POINTS)
    silent = find_runs("f", speeds(3, 60, 58, 55), points=POINTS)

    assert none.runs[0].point is None and "flap 40" in none.runs[0].why_no_point
    assert several.runs[0].point is None and "A1, B1" in several.runs[0].why_no_point
    assert silent.runs[0].point is None and "nor bank was said" in silent.runs[0].why_no_point


def test_wings_level_is_the_rule_and_bank_is_said():
    level = find_runs(
        "f", [setting(0, "power", "idle"), setting(1, "flap", 0.0), *speeds(3, 60, 58, 55)], points=POINTS
    )
    banked = find_runs(
        "f", [setting(0, "power", "idle"), setting(1, "bank", 30.0), *speeds(3, 60, 58, 55)], points=POINTS
    )

    assert (level.runs[0].point, banked.runs[0].point) == ("A1", "C1")


def test_a_card_step_sets_the_point_and_a_contradicting_setting_unsets_it():
    steps = [row(0, step="card", card="B", point="B1", by="touch"), row(2, step="on_condition", point="B1", by="touch")]
    carded = find_runs("f", speeds(4, 60, 58, 55), steps, POINTS)
    spoken = find_runs("f", [setting(1, "power", "idle"), *speeds(4, 60, 58, 55)], steps, POINTS)

    assert (carded.runs[0].point, carded.runs[0].id) == ("B1", "run-s2")
    assert spoken.runs[0].point != "B1"


def test_one_call_misheard_low_does_not_part_a_run():
    calls = [event(1, "on_condition"), *speeds(3, 60, 58, 56, 55, 45, 54, 53, 52, 51), event(18, "recovered")]

    found = find_runs("f", calls, points=POINTS)

    assert [len(r.calls) for r in found.runs] == [11]


def test_scratch_that_after_a_touched_on_condition_leaves_the_run_before_alone():
    calls = [event(1, "on_condition"), *speeds(3, 60, 58, 55), event(9, "recovered"), command(14, "scratch_that")]
    steps = [row(12, step="on_condition", by="touch")]

    found = find_runs("f", calls, steps, points=POINTS)

    assert [r.discarded for r in found.runs] == [False]


def test_speeds_after_knock_it_off_are_no_approach():
    calls = [event(1, "on_condition"), *speeds(3, 60, 58, 55), command(9, "knock_it_off"), *speeds(15, 70, 72, 71, 70)]
    later = [event(80, "on_condition"), *speeds(82, 60, 58, 55), event(90, "recovered")]

    found = find_runs("f", calls + later, points=POINTS)

    assert [(r.start_s, r.ended) for r in found.runs] == [(1.0, RunEnd.KNOCKED_OFF), (80.0, RunEnd.RECOVERED)]
    assert len(found.unassigned) == 4


def test_stray_numbers_make_no_run_and_are_listed():
    found = find_runs("f", [*speeds(3, 60), *speeds(60, 45, 44)], points=POINTS)

    assert found.runs == ()
    assert len(found.unassigned) == 3


def test_rejected_calls_and_long_gaps():
    calls = [event(1, "on_condition"), *speeds(3, 60, 58, 55)]
    calls.append(call(5.1, CallKind.AIRSPEED, "ias", 99.0, status=CallStatus.REJECTED))
    gap = CaptureGap(start_ns=s_to_ns(9), end_ns=s_to_ns(30), why="microphone lost")

    found = find_runs("f", calls, points=POINTS, gaps=[gap])

    assert [c.value for c in found.runs[0].calls[1:]] == [60, 58, 55]
    assert found.runs[0].ended is RunEnd.GAP


def test_corrections_on_runs():
    calls = [event(1, "on_condition"), *speeds(3, 60, 58, 55, 53, 52, 51), event(12, "recovered")]
    calls += [event(30, "on_condition"), *speeds(32, 60, 58, 55), event(40, "recovered")]
    one, two = "run-c0001.00", "run-c0030.00"

    def fix(action, target, **payload):
        return Correction(
            id=f"k{action}",
            utc="2027-01-01T00:00:00Z",
            who="me",
            action=action,
            target=target,
            payload=tuple(payload.items()),
            why="said so",
        )

    split = find_runs("f", calls, points=POINTS, corrections=[fix(Action.SPLIT, one, flight_ns=s_to_ns(7.2))])
    joined = find_runs("f", calls, points=POINTS, corrections=[fix(Action.JOIN, one, other=two)])
    changed = find_runs(
        "f",
        calls,
        points=POINTS,
        corrections=[
            fix(Action.DISCARD, one),
            fix(Action.ASSIGN, two, point="A2"),
            fix(Action.OVERRULE, two, counts=True),
        ],
    )

    assert [len(r.calls) for r in split.runs] == [4, 4, 5]
    assert [(r.id, r.number, len(r.calls)) for r in joined.runs] == [(one, 1, 13)]
    assert (changed.runs[0].discarded, changed.runs[0].why_discarded) == (True, "said so")
    assert (changed.runs[1].point, changed.runs[1].overruled) == ("A2", True)


def flown(start_s=10.0, *values, end=None):
    """On condition, then speeds 1.5 s apart from 2 s later; the last call ends 0.5 s after it begins."""
    calls = [event(start_s, "on_condition"), *speeds(start_s + 2, *(values or (60, 58, 55)))]
    return calls + ([event(start_s + 2 + 1.5 * len(values or (1, 1, 1)), end)] if end else [])


def of(calls, **more):
    return find_runs("f", calls, points=POINTS, **more)


def test_an_approach_may_be_silent_for_12_s_and_no_longer():
    # The last of three calls from 12 s on begins at 15 s and ends at 15.5 s.
    together = of([*flown(), call(27.5, CallKind.AIRSPEED, "ias", 53.0)])
    parted = of([*flown(), call(27.6, CallKind.AIRSPEED, "ias", 53.0)])

    assert [len(r.calls) for r in together.runs] == [5]
    assert [(len(r.calls), r.ended, r.end_s) for r in parted.runs] == [(4, RunEnd.GAP, 15.5)]
    assert [c.value for c in parted.unassigned] == [53.0]


def test_the_first_call_may_take_40_s_and_no_longer():
    # "On condition" itself ends at 10.5 s.
    early, late = ([event(10, "on_condition"), *speeds(at, 60, 58)] for at in (50.5, 50.6))

    assert [len(r.calls) for r in of(early).runs] == [3]
    assert of(late).runs == ()


def test_settings_said_do_not_keep_an_approach_alive():
    found = of([*flown(), setting(24, "altitude", 6000.0), call(28, CallKind.AIRSPEED, "ias", 53.0)])

    assert [(len(r.calls), r.end_s) for r in found.runs] == [(5, 24.5)]


def test_a_stall_event_keeps_it_alive():
    assert len(of([*flown(), event(25, "break"), call(36, CallKind.AIRSPEED, "ias", 70.0)]).runs[0].calls) == 6


def test_scratch_that_reaches_back_30_s():
    # The run ends with "recovered", at 17 s (16.5 s + its half second).
    near, far = (of([*flown(end="recovered"), command(at, "scratch_that")]).runs[0] for at in (47.0, 47.1))

    assert (near.discarded, near.ended, near.why_discarded) == (True, RunEnd.DISCARDED, "scratch that, said after it")
    assert (far.discarded, far.ended, far.why_discarded) == (False, RunEnd.RECOVERED, "")


def test_scratch_that_with_nothing_to_scratch_is_a_loose_call():
    assert [c.name for c in of([command(5, "scratch_that")]).unassigned] == ["scratch_that"]


def test_a_run_scratched_or_knocked_off_says_so():
    scratched, stopped = (of([*flown(), command(18, name)]).runs[0] for name in ("scratch_that", "knock_it_off"))

    assert (scratched.ended, scratched.discarded, scratched.why_discarded, scratched.end_s) == (
        RunEnd.DISCARDED,
        True,
        "scratch that",
        18.5,
    )
    assert (stopped.ended, stopped.discarded, stopped.why_discarded, stopped.end_s) == (
        RunEnd.KNOCKED_OFF,
        True,
        "knock it off",
        18.5,
    )


def test_knock_it_off_stops_for_a_minute():
    # Said at 18 s, it ends at 18.5 s.
    stopped = [*flown(), command(18, "knock_it_off")]

    assert len(of([*stopped, *speeds(75.4, 60, 58, 55)]).runs) == 1  # the first of them is within the minute
    assert len(of([*stopped, *speeds(78.5, 60, 58, 55)]).runs) == 2


def test_three_calls_make_an_approach_that_nobody_announced_and_two_do_not():
    assert [len(r.calls) for r in of(speeds(10, 60, 58, 55)).runs] == [3]
    assert of(speeds(10, 60, 58)).runs == ()
    assert [len(r.calls) for r in of(flown(10, 60)).runs] == [2]  # announced, one will do
    assert of([event(10, "on_condition"), event(15, "recovered")]).runs == ()


def test_a_new_approach_is_a_speed_8_kt_above_the_lowest_that_falls_by_more_than_1():
    low = (60, 57, 54, 52)

    assert [len(r.calls) for r in of(speeds(10, *low, 60.5, 58)).runs] == [4]  # 8.5 above; two calls are left over
    assert [len(r.calls) for r in of(speeds(10, *low, 60, 58)).runs] == [6]  # 8 is a wander
    assert [len(r.calls) for r in of(speeds(10, *low, 61, 60)).runs] == [6]  # 1 down is no fall yet
    assert [len(r.calls) for r in of(speeds(10, *low, 61, 59.5, 58)).runs] == [4, 3]


def test_the_new_approach_begins_at_its_highest_call_and_takes_what_was_said_since():
    calls = [
        *speeds(10, 60, 57, 54, 52),
        event(16.5, "break"),
        *speeds(18, 58, 66),
        event(20.6, "flap_note"),
        *speeds(21, 63, 60, 57),
    ]
    first, second = of(calls).runs

    assert [c.value or c.name for c in first.calls] == [60, 57, 54, 52, "break", 58]
    assert [c.value or c.name for c in second.calls] == [66, "flap_note", 63, 60, 57]
    assert (first.ended, first.end_s, second.start_s, second.id) == (RunEnd.NEXT_RUN, 19.5, 19.5, "run-c0019.50")


def test_a_jump_down_of_more_than_6_kt_is_no_bottom_to_recover_from():
    assert len(of(speeds(10, 62, 60, 53.9, 62.5, 60, 58)).runs) == 1  # 6.1 down at once: misheard
    assert len(of(speeds(10, 62, 60, 54.0, 62.5, 60, 58)).runs) == 2


def test_what_the_machine_doubted_parts_nothing_until_a_person_confirms_it():
    doubted = replace(call(16, CallKind.AIRSPEED, "ias", 75.0), flags=(Flag.IMPLAUSIBLE,))
    calls = [*speeds(10, 60, 57, 54, 52), doubted, *speeds(17, 50, 49)]

    assert len(of(calls).runs) == 1
    assert len(of([replace(c, status=CallStatus.CONFIRMED) for c in calls]).runs) == 2


def test_short_gaps_and_gaps_that_do_not_break_leave_the_run_alone():
    def run_with(seconds, breaks=True):
        gap = CaptureGap(start_ns=s_to_ns(15.6), end_ns=s_to_ns(15.6) + s_to_ns(seconds), why="x", breaks=breaks)
        return of(flown(), gaps=[gap], duration_ns=s_to_ns(60)).runs[0]

    assert (run_with(12.0).ended, run_with(12.0).end_s) == (RunEnd.FLIGHT_END, 60.0)
    assert (run_with(12.1).ended, run_with(12.1).end_s) == (RunEnd.GAP, 15.6)
    assert run_with(30.0, breaks=False).ended is RunEnd.FLIGHT_END


def test_runs_are_numbered_in_order_of_time():
    assert [(r.number, r.start_s) for r in of([*flown(100, end="recovered"), *flown(10, end="recovered")]).runs] == [
        (1, 10.0),
        (2, 100.0),
    ]


def test_the_next_on_condition_ends_a_run():
    first, second = of([*flown(), *flown(20, end="recovered")]).runs

    assert (first.ended, first.end_s, second.start_s) == (RunEnd.NEXT_RUN, 20.0, 20.0)


def test_said_and_touched_for_the_same_moment_is_one_run():
    steps = [row(10.3, step="on_condition", by="touch")]

    assert [(r.id, len(r.calls)) for r in of(flown(), steps=steps).runs] == [("run-c0010.00", 4)]


def test_touches_end_runs_as_words_do():
    for step, ended, discarded in (
        ("recovered", RunEnd.RECOVERED, False),
        ("discard", RunEnd.DISCARDED, True),
        ("knock_it_off", RunEnd.KNOCKED_OFF, True),
    ):
        (run,) = of(flown(), steps=[row(20, step=step, by="touch")], duration_ns=s_to_ns(60)).runs
        assert (run.ended, run.discarded, run.end_s) == (ended, discarded, 20.0)


def test_a_touched_discard_after_the_run_reaches_any_way_back_but_once():
    steps = [row(500, step="discard", by="touch"), row(501, step="discard", by="touch")]
    runs = of([*flown(end="recovered"), *flown(50, end="recovered")], steps=steps).runs

    assert [(r.discarded, r.why_discarded) for r in runs] == [(False, ""), (True, "discarded by touch")]
    assert of([], steps=steps).runs == ()


def test_steps_that_a_word_caused_are_read_from_the_word():
    steps = [row(10, step="on_condition", by="voice"), row(11, step="on_condition", by="app", call="c0010.00")]

    assert [r.id for r in of(flown(), steps=steps).runs] == ["run-c0010.00"]
    assert [r.id for r in of(speeds(12, 60, 58, 55), steps=[row(10, step="on_condition", by="voice")]).runs] == [
        "run-c0012.00"
    ]


def test_a_new_card_forgets_power_flap_and_bank_but_not_height_and_fuel():
    said = [setting(1, "flap", 15.0), setting(2, "altitude", 6000.0), setting(3, "fuel", 40.0)]
    (run,) = of([*said, *speeds(10, 60, 58, 55)], steps=[row(5, step="card", point="C1", by="touch")]).runs
    (same,) = of(
        [*said, *speeds(10, 60, 58, 55)],
        steps=[row(0, step="card", point="A2", by="touch"), row(5, step="again", point="A2", by="touch")],
    ).runs

    assert (run.settings.flap_deg, run.settings.altitude_ft, run.settings.fuel_l, run.point) == (
        None,
        6000.0,
        40.0,
        "C1",
    )
    assert (same.settings.flap_deg, same.point) == (15.0, "A2")


def test_settings_said_before_the_first_speed_are_the_runs_and_later_ones_the_next():
    calls = [
        event(10, "on_condition"),
        setting(11, "flap", 15.0),
        *speeds(12, 60, 58, 55),
        setting(17, "flap", 0.0),
        event(18, "recovered"),
    ]
    (run,) = of(calls).runs

    assert run.settings.flap_deg == 15.0


@pytest.mark.parametrize(
    "settings, point",
    [
        # The tolerances to the last value.
        ([("power", 2175.0, "rpm")], "B1"),
        ([("power", 2176.0, "rpm")], None),
        ([("power", 2024.0, "rpm")], None),
        ([("power", "idle", None), ("flap", 16.5, None)], "A2"),
        ([("power", "idle", None), ("flap", 16.6, None)], None),
        ([("power", "idle", None), ("flap", 0.0, None), ("bank", 37.5, None)], "C1"),
        ([("power", "idle", None), ("flap", 0.0, None), ("bank", 37.6, None)], None),
        ([("power", "idle", None), ("flap", 0.0, None), ("bank", 7.5, None)], "A1"),
        ([("power", 60.0, "%")], None),
    ],
)
def test_how_far_what_was_said_may_be_from_the_card(settings, point):
    assert of([*(setting(k, *s) for k, s in enumerate(settings)), *speeds(9, 60, 58, 55)]).runs[0].point == point


def test_percent_of_power_within_5():
    points = (TestPoint(id="P", card="A", power="60 %", power_pct=60.0),)

    found = [
        find_runs("f", [setting(0, "power", v, "%"), *speeds(9, 60, 58, 55)], points=points).runs[0].point
        for v in (54.9, 55.0, 65.0, 65.1)
    ]
    assert found == [None, "P", "P", None]


def test_a_campaign_without_points_and_a_lone_banked_point():
    banked = (TestPoint(id="C1", card="C", bank_deg=30),)

    assert find_runs("f", speeds(9, 60, 58, 55)).runs[0].why_no_point == "the campaign has no test points"
    assert find_runs("f", [setting(0, "flap", 0.0), *speeds(9, 60, 58, 55)], points=banked).runs[0].point == "C1"


def test_corrections_on_runs_that_part_nothing_or_are_taken_back():
    calls = [*flown(end="recovered"), *flown(50, end="recovered")]

    def fixed(*fixes):
        made = [
            Correction(
                id=f"k{k}",
                utc=f"2027-01-01T00:00:{k:02d}Z",
                who="me",
                action=action,
                target=target,
                payload=tuple(payload.items()),
            )
            for k, (action, target, payload) in enumerate(fixes)
        ]
        return of(calls, corrections=made).runs

    one, two = "run-c0010.00", "run-c0050.00"
    assert [len(r.calls) for r in fixed((Action.SPLIT, one, {"flight_ns": s_to_ns(10)}))] == [5, 5]
    assert [len(r.calls) for r in fixed((Action.SPLIT, one, {"flight_ns": s_to_ns(99)}))] == [5, 5]
    first, second, _ = fixed((Action.SPLIT, one, {"flight_ns": s_to_ns(13.5)}))
    assert (first.ended, first.end_s, second.start_s, second.id) == (RunEnd.NEXT_RUN, 12.5, 13.5, "run-c0013.50")
    assert fixed((Action.DISCARD, one, {}))[0].why_discarded == "discarded by me"
    back = fixed((Action.DISCARD, one, {}), (Action.REINSTATE, one, {}))[0]
    assert (back.discarded, back.why_discarded) == (False, "")
    assert [r.id for r in fixed((Action.DISCARD, "run-x", {}))] == [one, two]
    assert [r.overruled for r in fixed((Action.OVERRULE, one, {}), (Action.OVERRULE, two, {"counts": False}))] == [
        True,
        False,
    ]
    assert fixed((Action.ASSIGN, one, {"point": "C1"}))[0].why_no_point == ""
    (joined,) = fixed((Action.JOIN, two, {"other": one}))
    assert (joined.id, joined.start_s, joined.end_s, joined.ended) == (two, 10.0, 57.0, RunEnd.RECOVERED)
    assert [r.id for r in fixed((Action.JOIN, one, {"other": "run-x"}))] == [one, two]


def test_a_run_ends_no_earlier_than_its_last_word():
    # Scratched while a call is still being spoken: the touch comes at 15.2 s, the call ends at 15.5 s.
    (run,) = of(flown(), steps=[row(15.2, step="discard", by="touch")]).runs

    assert run.end_s == 15.5


def test_the_first_call_is_no_bottom_to_recover_from():
    # 52, misheard at the start, is lower than all: nothing came down to it.
    assert [len(r.calls) for r in of(speeds(10, 52, 63, 62, 61, 60, 58, 56)).runs] == [7]


def test_three_calls_are_enough_to_recover_from():
    assert [len(r.calls) for r in of(speeds(10, 60, 57, 54, 66, 63, 60)).runs] == [3, 3]
    assert [len(r.calls) for r in of(flown(10, 57, 54, 66, 63)).runs] == [3]  # announced: two calls, then the way up


def test_a_touched_discard_reaches_the_last_run_of_several():
    steps = [row(500, step="discard", by="touch")]
    runs = of([*flown(end="recovered"), *flown(50, end="recovered"), *flown(100, end="recovered")], steps=steps).runs

    assert [(r.id, r.discarded) for r in runs] == [
        ("run-c0010.00", False),
        ("run-c0050.00", False),
        ("run-c0100.00", True),
    ]


def test_a_touched_discard_looks_at_the_last_run_whatever_was_done_to_others():
    steps = [row(500, step="discard", by="touch")]
    scratched = [*flown(50, end="recovered"), command(60, "scratch_that")]
    runs = of([*flown(end="recovered"), *scratched, *flown(100, end="recovered")], steps=steps).runs

    assert [r.discarded for r in runs] == [False, True, True]
    assert [r.discarded for r in of(flown(end="recovered"), steps=steps).runs] == [True]
