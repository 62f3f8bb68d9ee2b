"""What holds now: the fold of heard calls and corrections."""

import pytest

from logger_app.records.calls import Action, CallKind, CallStatus, Correction, HeardCall
from logger_app.review.apply import apply_corrections, in_force


def heard(id="c1", value=58.0, at_s=10.0, **over):
    given = dict(
        id=id,
        start_ns=int(at_s * 1e9),
        end_ns=int(at_s * 1e9) + 500_000_000,
        kind=CallKind.AIRSPEED,
        name="ias",
        value=value,
        unit="kt",
    )
    return HeardCall(**(given | over))


def fix(action, target="c1", n=1, **payload):
    return Correction(
        id=f"k{n}",
        utc=f"2027-04-11T10:00:{n:02d}Z",
        who="me",
        action=action,
        target=target,
        payload=tuple(payload.items()),
    )


def only(calls):
    assert len(calls) == 1
    return calls[0]


def test_without_corrections_a_call_is_as_heard():
    call = only(apply_corrections([heard()], []))

    assert (call.status, call.value, call.ias_kt, call.history) == (CallStatus.HEARD, 58.0, 58.0, ())


def test_set_keeps_what_was_heard():
    call = only(apply_corrections([heard()], [fix(Action.SET, value=57.0)]))

    assert (call.status, call.value, call.heard_value, call.history) == (CallStatus.CORRECTED, 57.0, 58.0, ("k1",))


def test_set_to_what_was_heard_confirms():
    assert only(apply_corrections([heard()], [fix(Action.SET, value=58.0)])).status is CallStatus.CONFIRMED


def test_rejected_call_stays_with_its_status_and_any_later_correction_reopens_it():
    rejected = fix(Action.REJECT)
    assert only(apply_corrections([heard()], [rejected])).status is CallStatus.REJECTED
    for later, status in (
        (fix(Action.CONFIRM, n=2), CallStatus.CONFIRMED),
        (fix(Action.SET, n=2, value=50.0), CallStatus.CORRECTED),
        (fix(Action.MOVE, n=2, flight_ns=5), CallStatus.CORRECTED),
    ):
        assert only(apply_corrections([heard()], [rejected, later])).status is status


def test_a_confirmed_correction_is_still_a_correction():
    call = only(apply_corrections([heard()], [fix(Action.SET, value=57.0), fix(Action.CONFIRM, n=2)]))

    assert (call.status, call.value) == (CallStatus.CORRECTED, 57.0)


def test_added_call():
    add = fix(Action.ADD, "new", flight_ns=7_000_000_000, value=100.0, unit="mph")
    first, second = apply_corrections([heard()], [add])

    assert (first.id, first.status, first.heard, first.flight_s) == ("new", CallStatus.ADDED, None, 7.0)
    # 100 mph = 86.898 kt (mile 1609.344 m, nautical mile 1852 m)
    assert first.ias_kt == pytest.approx(86.898, abs=5e-4)
    assert (
        only(apply_corrections([], [add, fix(Action.UNDO, "k1", 2)][::-1] + [fix(Action.ADD, "b", 3, value=1)])).id
        == "b"
    )


def test_move_keeps_the_length():
    call = only(apply_corrections([heard()], [fix(Action.MOVE, flight_ns=3_000_000_000)]))

    assert (call.flight_ns, call.end_ns, call.heard.start_ns) == (3_000_000_000, 3_500_000_000, 10_000_000_000)


def test_kind_change_drops_the_airspeed():
    call = only(apply_corrections([heard()], [fix(Action.SET, kind="event", name="buffet")]))

    assert (call.kind, call.name, call.value, call.unit, call.ias_kt) == (CallKind.EVENT, "buffet", None, None, None)


def test_unit_of_the_indicator_holds_where_a_call_has_none():
    assert only(apply_corrections([heard(unit=None)], [], "km/h")).ias_kt == pytest.approx(58 / 1.852)


def test_undo_takes_back_and_undo_of_undo_brings_back():
    first, second = fix(Action.SET, value=57.0), fix(Action.SET, n=2, value=40.0)
    undo, redo = fix(Action.UNDO, "k2", 3), fix(Action.UNDO, "k3", 4)

    assert only(apply_corrections([heard()], [first, second])).value == 40.0
    assert only(apply_corrections([heard()], [first, second, undo])).value == 57.0
    assert only(apply_corrections([heard()], [first, second, undo, redo])).value == 40.0
    assert [c.id for c in in_force([first, second, undo])] == ["k1"]


def test_undo_holds_even_when_a_clock_that_was_behind_wrote_it():
    undo = Correction(id="k0", utc="2020-01-01T00:00:00Z", who="me", action=Action.UNDO, target="k1")

    assert only(apply_corrections([heard()], [fix(Action.SET, value=40.0), undo])).value == 58.0


def test_calls_come_in_order_of_time_and_unknown_targets_change_nothing():
    calls = apply_corrections(
        [heard("b", at_s=5), heard("a", at_s=5), heard("c", at_s=1)], [fix(Action.REJECT, "gone")]
    )

    assert [call.id for call in calls] == ["c", "a", "b"]


def test_an_added_call_lasts_as_long_as_a_spoken_number():
    added = only(apply_corrections([], [fix(Action.ADD, "n", flight_ns=5_000_000_000, value=50)]))
    event = only(apply_corrections([], [fix(Action.ADD, "e", kind="event", name="buffet", flight_ns=5)], "mph"))

    assert (added.end_ns - added.flight_ns, added.name, added.unit, added.posterior, added.flags) == (
        600_000_000,
        "ias",
        "kt",
        1.0,
        (),
    )
    assert (event.kind, event.name, event.unit, event.ias_kt) == (CallKind.EVENT, "buffet", None, None)


def test_an_added_call_that_is_corrected_stays_added_and_one_that_is_there_is_not_added_again():
    add = fix(Action.ADD, "n", flight_ns=5, value=50)
    moved = only(apply_corrections([], [add, fix(Action.SET, "n", 2, value=51)]))
    again = only(apply_corrections([heard()], [fix(Action.ADD, "c1", flight_ns=5, value=99)]))

    assert (moved.status, moved.value, moved.history) == (CallStatus.ADDED, 51, ("k1", "k2"))
    assert (again.value, again.status, again.flight_ns) == (58.0, CallStatus.CONFIRMED, 10_000_000_000)


def test_a_value_that_is_no_number_is_no_airspeed():
    for value in (None, "fifty", True):
        assert only(apply_corrections([heard(value=value)], [])).ias_kt is None


def test_a_unit_alone_makes_it_corrected():
    call = only(apply_corrections([heard()], [fix(Action.SET, unit="mph")]))

    assert (call.status, call.value, call.unit) == (CallStatus.CORRECTED, 58.0, "mph")
    # International mile 1609.344 m, nautical mile 1852 m.
    assert call.ias_kt == pytest.approx(58 * 1609.344 / 1852)


def test_a_move_counts_as_a_correction_and_back_again_as_confirmed():
    move, back = fix(Action.MOVE, flight_ns=3_000_000_000), fix(Action.MOVE, n=2, flight_ns=10_000_000_000)

    assert only(apply_corrections([heard()], [move])).status is CallStatus.CORRECTED
    assert only(apply_corrections([heard()], [move, back])).status is CallStatus.CONFIRMED


def test_two_undos_of_one_correction_are_both_needed_undone():
    made = [
        fix(Action.SET, value=40.0),
        fix(Action.UNDO, "k1", 2),
        fix(Action.UNDO, "k1", 3),
        fix(Action.UNDO, "k2", 4),
    ]

    assert only(apply_corrections([heard()], made)).value == 58.0
    assert only(apply_corrections([heard()], [*made, fix(Action.UNDO, "k3", 5)])).value == 40.0


def test_a_ring_of_undos_ends():
    ring = [fix(Action.UNDO, "k2", 1), fix(Action.UNDO, "k1", 2), fix(Action.SET, n=3, value=40.0)]

    assert [c.id for c in in_force(ring)] == ["k3"]


def test_the_same_correction_twice_counts_once():
    assert [c.id for c in in_force([fix(Action.REJECT), fix(Action.REJECT)])] == ["k1"]
