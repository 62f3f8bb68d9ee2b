"""The fold of corrections does not depend on the order in which rows arrive, and loses nothing."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.records.calls import Action, CallKind, CallStatus, Correction, HeardCall
from logger_app.review.apply import apply_corrections, in_force

IDS = [f"c{k}" for k in range(4)]
HEARD = [
    HeardCall(
        id=id,
        start_ns=k * 10**9,
        end_ns=k * 10**9 + 5 * 10**8,
        kind=CallKind.AIRSPEED,
        name="ias",
        value=60.0 - k,
        unit="kt",
    )
    for k, id in enumerate(IDS)
]
PAYLOADS = {
    Action.CONFIRM: st.just({}),
    Action.REJECT: st.just({}),
    Action.SET: st.fixed_dictionaries(
        {},
        optional={
            "value": st.integers(30, 90).map(float),
            "kind": st.sampled_from(["airspeed", "event"]),
            "name": st.just("buffet"),
        },
    ),
    Action.MOVE: st.fixed_dictionaries({"flight_ns": st.integers(0, 10**10)}),
    Action.ADD: st.fixed_dictionaries({"flight_ns": st.integers(0, 10**10), "value": st.integers(30, 90).map(float)}),
    Action.DISCARD: st.just({}),
}


@st.composite
def corrections(draw):
    made = []
    for n in range(draw(st.integers(0, 12))):
        undo = made and draw(st.booleans())
        action = Action.UNDO if undo else draw(st.sampled_from(sorted(PAYLOADS)))
        target = draw(st.sampled_from(made)).id if undo else draw(st.sampled_from([*IDS, "n1", "n2", "gone"]))
        payload = {} if undo else draw(PAYLOADS[action])
        utc = f"2027-04-11T10:00:{draw(st.integers(0, 3)):02d}Z"
        made.append(
            Correction(id=f"k{n:02d}", utc=utc, who="x", action=action, target=target, payload=tuple(payload.items()))
        )
    return made


@settings(max_examples=300)
@given(corrections(), st.randoms())
def test_any_order_of_arrival_gives_the_same(made, random):
    shuffled, calls = list(made), list(HEARD)
    random.shuffle(shuffled)
    random.shuffle(calls)

    assert apply_corrections(HEARD, made, "kt") == apply_corrections(calls, shuffled, "kt")


@given(corrections(), st.data())
def test_rows_that_arrive_twice_count_once(made, data):
    doubled = made + data.draw(st.lists(st.sampled_from(made), max_size=4) if made else st.just([]))

    assert apply_corrections(HEARD, made, "kt") == apply_corrections(HEARD, doubled, "kt")


@given(corrections())
def test_nothing_heard_is_lost_or_overwritten(made):
    calls = {call.id: call for call in apply_corrections(HEARD, made, "kt")}

    for heard in HEARD:
        assert calls[heard.id].heard == heard
        assert (calls[heard.id].status is CallStatus.HEARD) == (not calls[heard.id].history)


@given(corrections())
def test_undoing_every_standing_correction_gives_back_what_was_heard(made):
    undos = [
        Correction(id=f"u-{c.id}", utc="2030-01-01T00:00:00Z", who="x", action=Action.UNDO, target=c.id)
        for c in in_force(made)
    ]

    assert in_force([*made, *undos]) == ()
    assert apply_corrections(HEARD, [*made, *undos], "kt") == apply_corrections(HEARD, [], "kt")


@given(corrections())
def test_undo_then_redo_changes_nothing(made):
    stand = in_force(made)
    if not stand:
        return
    undo = Correction(id="u", utc="2030-01-01T00:00:00Z", who="x", action=Action.UNDO, target=stand[-1].id)
    redo = Correction(id="r", utc="2030-01-01T00:00:01Z", who="x", action=Action.UNDO, target="u")

    assert in_force([*made, undo, redo]) == stand
