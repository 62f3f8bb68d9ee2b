"""Runs out of calls: with and without "on condition", discarded, ambiguous, corrected."""

from logger_app.records.calls import Action, CallKind, CallStatus, CaptureGap, Correction, ReviewedCall
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd
from logger_app.review.runs import find_runs
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
        id=f"c{at_s:07.2f}", flight_ns=s_to_ns(at_s), end_ns=s_to_ns(at_s + 0.5), kind=kind, name=name, value=value,
        unit="kt" if airspeed else unit, status=status, ias_kt=value if airspeed else None,
    )  # fmt: skip


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

    assert [(r.number, r.point, r.ended, r.id) for r in found.runs] == [
        (1, "A1", RunEnd.RECOVERED, "run-c0010.00")
    ]
    assert [c.name for c in found.runs[0].calls] == ["on_condition"] + ["ias"] * 4 + ["break", "recovered"]
    assert [c.name for c in found.unassigned] == ["power", "flap"]


def test_two_runs_with_nothing_said_but_speeds_are_parted_by_silence_and_by_a_new_approach():
    calls = [setting(1, "power", "idle"), setting(2, "flap", 15.0)]
    calls += [*speeds(10, 60, 57, 54, 51), *speeds(40, 61, 58, 55, 50, 62, 60, 56, 52)]

    found = find_runs("f", calls, points=POINTS)

    assert [[c.value for c in r.calls] for r in found.runs] == [
        [60, 57, 54, 51], [61, 58, 55, 50], [62, 60, 56, 52],
    ]  # fmt: skip
    assert {r.point for r in found.runs} == {"A2"}


def test_scratch_that_discards_the_run_it_is_said_in_or_just_after():
    inside = [event(1, "on_condition"), *speeds(3, 60, 58, 55), command(9, "scratch_that")]
    after = [
        event(20, "on_condition"),
        *speeds(22, 60, 58, 55),
        event(28, "recovered"),
        command(31, "scratch_that"),
    ]
    later = [
        event(50, "on_condition"),
        *speeds(52, 60, 58, 55),
        event(58, "recovered"),
        command(110, "scratch_that"),
    ]

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
    steps = [
        row(0, step="card", card="B", point="B1", by="touch"),
        row(2, step="on_condition", point="B1", by="touch"),
    ]
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
        return Correction(id=f"k{action}", utc="2027-01-01T00:00:00Z", who="me", action=action, target=target,
                          payload=tuple(payload.items()), why="said so")  # fmt: skip

    split = find_runs("f", calls, points=POINTS, corrections=[fix(Action.SPLIT, one, flight_ns=s_to_ns(7.2))])
    joined = find_runs("f", calls, points=POINTS, corrections=[fix(Action.JOIN, one, other=two)])
    changed = find_runs("f", calls, points=POINTS, corrections=[
        fix(Action.DISCARD, one), fix(Action.ASSIGN, two, point="A2"), fix(Action.OVERRULE, two, counts=True)])  # fmt: skip

    assert [len(r.calls) for r in split.runs] == [4, 4, 5]
    assert [(r.id, r.number, len(r.calls)) for r in joined.runs] == [(one, 1, 13)]
    assert (changed.runs[0].discarded, changed.runs[0].why_discarded) == (True, "said so")
    assert (changed.runs[1].point, changed.runs[1].overruled) == ("A2", True)
