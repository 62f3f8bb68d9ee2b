"""Corrections that cannot be taken get one sentence; the ones that can are complete."""

import pytest

from logger_app.errors import ReviewError
from logger_app.records.calls import Action, CallKind, CallStatus, Correction, ReviewedCall
from logger_app.review.apply import apply_corrections, standing
from logger_app.review.check import Standing, correct, last_standing


def call(id, value=58.0, at_s=10.0, kind=CallKind.AIRSPEED, name="ias"):
    start_ns = int(at_s * 1e9)
    return ReviewedCall(
        id=id, flight_ns=start_ns, end_ns=start_ns + 5 * 10**8, kind=kind, name=name, value=value, unit="kt",
        status=CallStatus.HEARD,
    )  # fmt: skip


NOW = Standing(
    calls=[
        call("call-0001"),
        call("call-0002", 57.0, 11.0),
        call("call-0003", None, 12.0, CallKind.EVENT, "buffet"),
    ],
    runs=["run-1", "run-2"],
    points=["A1", "A2"],
    duration_ns=100 * 10**9,
    never_exceed_ias_kt=130.0,
    names=frozenset({"buffet", "flap"}),
    run_spans={"run-1": (10 * 10**9, 20 * 10**9)},
)


def make(action, target, now=NOW, who="me", **payload):
    return correct(now, action, target, id="k1", utc="2027-04-11T10:00:00.000000Z", who=who, **payload)


@pytest.mark.parametrize(
    ("action", "target", "payload", "words"),
    [
        (Action.CONFIRM, "call-0009", {}, "Did you mean call-000"),
        (Action.SET, "call-0001", {"value": -3}, "cannot be an airspeed"),
        (Action.SET, "call-0001", {"value": 144}, "at most 143 kt"),
        (Action.SET, "call-0001", {"value": float("nan")}, "cannot be an airspeed"),
        (Action.SET, "call-0001", {"value": "fifty"}, "is a number in kt"),
        (Action.SET, "call-0001", {"value": 50, "unit": "furlongs"}, "allowed: kt, mph, km/h"),
        (Action.SET, "call-0001", {}, "nothing to set"),
        (Action.SET, "call-0001", {"kind": "shout"}, "allowed: airspeed, event, setting, command"),
        (Action.SET, "call-0001", {"kind": "event"}, "an event needs a name"),
        (Action.SET, "call-0001", {"kind": "event", "name": "bufet"}, "Did you mean buffet"),
        (Action.SET, "call-0003", {"kind": "airspeed"}, "is a number in kt; got None"),
        (
            Action.ADD,
            "new",
            {"value": 50, "flight_ns": 101 * 10**9},
            "outside the flight, which lasts from 0 to 100.0 s",
        ),
        (Action.ADD, "new", {"value": 50, "flight_ns": -1}, "outside the flight"),
        (Action.ADD, "new", {"value": 50}, "a time on the flight clock is missing"),
        (Action.ADD, "call-0001", {"value": 50, "flight_ns": 1}, "is there already"),
        (Action.MOVE, "call-0001", {"flight_ns": 10**15}, "outside the flight"),
        (Action.DISCARD, "run-7", {}, "is not in this flight"),
        (Action.JOIN, "run-1", {"other": "run-1"}, "cannot be joined with itself"),
        (Action.JOIN, "run-1", {"other": "run-9"}, "is not in this flight"),
        (Action.SPLIT, "run-1", {"flight_ns": 30 * 10**9}, "lasts from 10.0 to 20.0 s"),
        (Action.ASSIGN, "run-1", {"point": "Z9"}, "test point 'Z9'"),
        (Action.UNDO, "k77", {}, "correction 'k77'"),
    ],
)
def test_one_sentence_for_what_cannot_be(action, target, payload, words):
    with pytest.raises(ReviewError) as caught:
        make(action, target, **payload)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_who_is_needed():
    with pytest.raises(ReviewError, match="needs the name"):
        make(Action.CONFIRM, "call-0001", who=" ")


def test_a_correction_names_what_it_replaces_and_comes_after_it():
    before = Correction(
        id="k0", utc="2027-04-11T10:00:00.000000Z", who="a", action=Action.CONFIRM, target="call-0001"
    )
    now = Standing(calls=NOW.calls, corrections=[before], duration_ns=NOW.duration_ns)
    made = make(Action.SET, "call-0001", now, value="57")

    assert made.replaces == "k0"
    assert made.utc == "2027-04-11T10:00:00.000001Z"
    assert made.get("value") == 57.0
    assert [c.id for c in standing([made, before])] == ["k0", "k1"]


def test_an_event_made_an_airspeed_counts_in_the_indicators_unit():
    made = make(Action.SET, "call-0003", kind="airspeed", value=55)
    folded = apply_corrections([], [make(Action.ADD, "n", flight_ns=5, value=55)])

    assert dict(made.payload) == {"kind": "airspeed", "value": 55.0, "unit": "kt", "name": "ias"}
    assert folded[0].ias_kt == 55.0


def test_undo_takes_the_last_of_a_person():
    a = Correction(id="a", utc="2027-04-11T10:00:01Z", who="ann", action=Action.CONFIRM, target="call-0001")
    b = Correction(id="b", utc="2027-04-11T10:00:02Z", who="bob", action=Action.REJECT, target="call-0002")

    assert last_standing([a, b]).id == "b"
    assert last_standing([a, b], "ann").id == "a"
    assert last_standing([]) is None
