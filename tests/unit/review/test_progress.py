"""How far a flight is reviewed, in numbers and words."""

from logger_app.records.calls import Action, CallKind, CallStatus, Correction, ReviewedCall
from logger_app.records.runs import FlightRuns
from logger_app.review.items import Item, QueueItem
from logger_app.review.progress import progress_of
from logger_app.review.queue import Queue, UndetectedRate, build_queue


def call(id, status=CallStatus.HEARD):
    return ReviewedCall(
        id=id,
        flight_ns=0,
        end_ns=1,
        kind=CallKind.AIRSPEED,
        name="ias",
        value=58.0,
        unit="kt",
        status=status,
        ias_kt=58.0,
    )


def fix(target, who, n):
    return Correction(id=f"k{n}", utc=f"2027-01-01T00:00:{n:02d}Z", who=who, action=Action.CONFIRM, target=target)


def item(id, what):
    return QueueItem(id=id, item=what, target=id, run=None, flight_ns=0, why=("x",))


CALLS = [call("a", CallStatus.CONFIRMED), call("b", CallStatus.REJECTED), call("c", CallStatus.CORRECTED), call("d")]
FIXES = [fix("a", "ann", 1), fix("b", "bob", 2), fix("b", "ann", 3), fix("c", "bob", 4), fix("run-1", "bob", 5)]
RATE = UndetectedRate(looked_at=20, wrong=1, rate=0.05, low=0.12494, high=0.24873)
QUEUE = Queue(
    items=(item("d", Item.CALL), item("f", Item.DUE), item("e", Item.SAMPLE)),
    flagged=frozenset(),
    sampled=frozenset(),
    undetected=RATE,
)


def test_who_looked_last_counts():
    found = progress_of(CALLS, FIXES, QUEUE)

    assert (found.calls, found.reviewed, found.share, found.to_look_at, found.sampled_to_look_at) == (4, 3, 0.75, 3, 1)
    assert found.by == (("ann", 2), ("bob", 1))
    assert found.statuses == (("confirmed", 1), ("corrected", 1), ("heard", 1), ("rejected", 1))


def test_in_words_and_as_json():
    found = progress_of(CALLS, FIXES, QUEUE)

    assert found.in_words() == (
        "3 of 4 calls reviewed (75 %; ann 2, bob 1); 3 to look at, 1 of them sampled."
        " Errors found by random checks: 1 of 20 sampled, 12.5 to 24.9 % (95 %)."
    )
    document = found.as_json()
    assert (document["reviewed_share"], document["by"], document["to_look_at"]) == (0.75, {"ann": 2, "bob": 1}, 3)
    assert document["undetected_errors"] | {"method": ""} == {
        "looked_at": 20,
        "wrong": 1,
        "rate": 0.05,
        "low": 0.1249,
        "high": 0.2487,
        "method": "",
    }


def test_a_flight_without_calls_is_not_reviewed():
    found = progress_of([], [], build_queue(FlightRuns(flight="f", runs=()), []))

    assert (found.share, found.by) == (0.0, ())
    assert found.in_words() == "No call was heard in this flight; there is nothing to review."


def test_shares_are_given_to_a_hundredth_of_a_per_cent():
    assert progress_of(CALLS[1:], FIXES, QUEUE).as_json()["reviewed_share"] == 0.6667
