"""Corrections that cannot be taken get one sentence; the ones that can are complete."""

import pytest

from logger_app.errors import ReviewError
from logger_app.records.calls import Action, CallKind, CallStatus, Correction, ReviewedCall
from logger_app.review.apply import apply_corrections, in_force
from logger_app.review.check import Current, correct, last_in_force


def call(id, value=58.0, at_s=10.0, kind=CallKind.AIRSPEED, name="ias"):
    start_ns = int(at_s * 1e9)
    return ReviewedCall(
        id=id,
        flight_ns=start_ns,
        end_ns=start_ns + 5 * 10**8,
        kind=kind,
        name=name,
        value=value,
        unit="kt",
        status=CallStatus.HEARD,
    )


NOW = Current(
    calls=[call("call-0001"), call("call-0002", 57.0, 11.0), call("call-0003", None, 12.0, CallKind.EVENT, "buffet")],
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
        (Action.ADD, "call-0001", {"value": 50, "flight_ns": 1}, "already exists"),
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
    before = Correction(id="k0", utc="2027-04-11T10:00:00.000000Z", who="a", action=Action.CONFIRM, target="call-0001")
    now = Current(calls=NOW.calls, corrections=[before], duration_ns=NOW.duration_ns)
    made = make(Action.SET, "call-0001", now, value="57")

    assert made.replaces == "k0"
    assert made.utc == "2027-04-11T10:00:00.000001Z"
    assert made.get("value") == 57.0
    assert [c.id for c in in_force([made, before])] == ["k0", "k1"]


def test_an_event_made_an_airspeed_counts_in_the_indicators_unit():
    made = make(Action.SET, "call-0003", kind="airspeed", value=55)
    folded = apply_corrections([], [make(Action.ADD, "n", flight_ns=5, value=55)])

    assert dict(made.payload) == {"kind": "airspeed", "value": 55.0, "unit": "kt", "name": "ias"}
    assert folded[0].ias_kt == 55.0


def test_undo_takes_the_last_of_a_person():
    a = Correction(id="a", utc="2027-04-11T10:00:01Z", who="ann", action=Action.CONFIRM, target="call-0001")
    b = Correction(id="b", utc="2027-04-11T10:00:02Z", who="bob", action=Action.REJECT, target="call-0002")

    assert last_in_force([a, b]) == (b,)
    assert last_in_force([a, b], "ann") == (a,)
    assert last_in_force([]) == ()


@pytest.mark.parametrize(
    "value, unit, taken",
    [
        (143.0, "kt", True),  # a tenth above the never-exceed speed of 130 kt
        (143.1, "kt", False),
        (0.5, "kt", True),
        (0, "kt", False),
        (264.8, "km/h", True),  # 143 kt times 1.852
        (265.0, "km/h", False),
        (164.5, "mph", True),
        (164.7, "mph", False),
    ],
)
def test_what_can_be_an_airspeed_here(value, unit, taken):
    if taken:
        assert make(Action.SET, "call-0001", value=value, unit=unit).get("value") == value
    else:
        with pytest.raises(ReviewError, match="cannot be an airspeed"):
            make(Action.SET, "call-0001", value=value, unit=unit)


def test_without_a_never_exceed_speed_no_light_aircraft_reads_more_than_400_kt():
    now = Current(calls=NOW.calls, duration_ns=10**11)

    assert make(Action.SET, "call-0001", now, value=400).get("value") == 400
    with pytest.raises(ReviewError, match="at most 400 kt"):
        make(Action.SET, "call-0001", now, value=401)


def test_the_first_and_the_last_moment_are_in_the_flight():
    for at_ns in (0, 100 * 10**9):
        assert make(Action.MOVE, "call-0001", flight_ns=at_ns).get("flight_ns") == at_ns
    with pytest.raises(ReviewError, match="0 to 100.0 s"):
        make(Action.MOVE, "call-0001", flight_ns=100 * 10**9 + 1)
    with pytest.raises(ReviewError, match="a time on the flight clock is missing"):
        make(Action.MOVE, "call-0001")


def test_a_flight_without_sound_lasts_to_its_last_call():
    now = Current(calls=NOW.calls)

    assert now.end_ns == 12 * 10**9 + 5 * 10**8
    assert make(Action.MOVE, "call-0001", now, flight_ns=now.end_ns).get("flight_ns") == now.end_ns


@pytest.mark.parametrize("at_s, taken", [(10, False), (10.5, True), (19.5, True), (20, False)])
def test_a_run_is_split_inside_it(at_s, taken):
    if taken:
        assert make(Action.SPLIT, "run-1", flight_ns=int(at_s * 1e9)).get("flight_ns") == at_s * 1e9
    else:
        with pytest.raises(ReviewError, match="cannot be split"):
            make(Action.SPLIT, "run-1", flight_ns=int(at_s * 1e9))


def test_a_run_whose_span_is_not_known_is_split_anywhere():
    assert make(Action.SPLIT, "run-2", flight_ns=50 * 10**9).target == "run-2"


def test_an_airspeed_without_a_value_cannot_be_confirmed_and_an_event_can():
    now = Current(calls=[call("c1", None), call("c2", None, kind=CallKind.EVENT, name="buffet")])

    with pytest.raises(ReviewError, match="has no value to confirm"):
        make(Action.CONFIRM, "c1", now)
    assert make(Action.CONFIRM, "c2", now).payload == ()


def test_items_of_the_queue_can_only_be_confirmed():
    now = Current(calls=NOW.calls, items=frozenset({"due-1"}))

    assert make(Action.CONFIRM, "due-1", now, value=5).payload == ()
    with pytest.raises(ReviewError):
        make(Action.REJECT, "due-1", now)


def test_an_event_keeps_its_name_and_may_have_any_where_the_pack_names_none():
    assert make(Action.SET, "call-0003", value="left").get("name") == "buffet"
    assert make(Action.SET, "call-0001", Current(calls=NOW.calls), kind="event", name="odd").get("name") == "odd"
    with pytest.raises(ReviewError, match="is not a value"):
        make(Action.SET, "call-0003", value=float("inf"))


def test_run_actions_and_undo_that_can_be_taken():
    before = Correction(id="k0", utc="2027-04-11T09:00:00.000000Z", who="a", action=Action.CONFIRM, target="call-0001")
    now = Current(calls=NOW.calls, runs=NOW.runs, points=NOW.points, corrections=[before])

    assert make(Action.JOIN, "run-1", now, other="run-2").get("other") == "run-2"
    assert make(Action.ASSIGN, "run-1", now, point="A2").get("point") == "A2"
    assert make(Action.UNDO, "k0", now).target == "k0"
    assert make(Action.DISCARD, "run-1", now, who=" me ").who == "me"
    assert make(Action.DISCARD, "run-1", now).replaces is None


def test_a_unit_of_its_own_and_the_calls_before():
    mph = call("c1")
    assert make(Action.SET, "c1", Current(calls=[mph]), value=60).get("unit") == "kt"  # the call's own, not asked again
    assert make(Action.SET, "c1", Current(calls=[mph], unit="mph"), value=60).get("unit") == "kt"
    assert (
        make(Action.ADD, "n", Current(calls=[], duration_ns=10, unit="mph"), value=60, flight_ns=5).get("unit") == "mph"
    )


def test_a_clock_that_went_back_does_not_swap_what_was_done():
    late = Correction(id="k0", utc="2027-04-11T11:00:00.500000Z", who="a", action=Action.CONFIRM, target="call-0001")
    now = Current(calls=NOW.calls, corrections=[late])

    assert make(Action.REJECT, "call-0001", now).utc == "2027-04-11T11:00:00.500001Z"


def test_the_last_of_several_corrections_is_the_one_replaced():
    before = [
        Correction(id=f"k{n}", utc=f"2027-04-11T09:00:0{n}.000000Z", who="a", action=Action.CONFIRM, target="call-0001")
        for n in (1, 3, 2)
    ]
    made = make(
        Action.REJECT,
        "call-0001",
        Current(calls=NOW.calls, corrections=[*before, before[0]], duration_ns=NOW.duration_ns),
    )

    assert made.replaces == "k3"


def test_the_label_comes_after_the_last_of_all():
    before = [
        Correction(id=f"k{h}", utc=f"2027-04-11T{h}:00:00.000000Z", who="a", action=Action.CONFIRM, target="call-0001")
        for h in (11, 12)
    ]

    assert (
        make(Action.REJECT, "call-0002", Current(calls=NOW.calls, corrections=before)).utc
        == "2027-04-11T12:00:00.000001Z"
    )
