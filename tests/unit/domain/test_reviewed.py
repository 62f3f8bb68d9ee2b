"""Reviewed: the queue is settled; told apart from every call heard again."""

from logger_app.domain.reviewed import all_in_words, review_of
from logger_app.records.calls import CallKind, CallStatus, ReviewedCall


def calls(*statuses):
    return [
        ReviewedCall(
            id=f"c{k}",
            flight_ns=k,
            end_ns=k + 1,
            kind=CallKind.EVENT,
            name="buffet",
            value=None,
            unit=None,
            status=status,
        )
        for k, status in enumerate(statuses)
    ]


def test_a_settled_queue_is_a_review_although_few_calls_were_heard_again():
    some = calls(CallStatus.HEARD, CallStatus.HEARD, CallStatus.CONFIRMED, CallStatus.REJECTED)
    done = review_of("day1", some, flagged=1, sampled=1, to_check=0)

    assert (done.complete, done.share, done.corrected) == (True, 0.5, 1)
    assert done.in_words() == "reviewed: 1 flagged, 1 sampled, 1 corrected; 50 % of the calls heard again"
    assert done.as_json()["heard_again_share"] == 0.5


def test_what_is_left_to_check_or_was_never_begun_is_not_reviewed():
    some = calls(CallStatus.CONFIRMED, CallStatus.HEARD)

    assert review_of("d", some, flagged=1, sampled=0, to_check=3).in_words().startswith("not reviewed: 3 to check")
    assert review_of("d", some, flagged=0, sampled=0, to_check=None).in_words() == "not reviewed"
    assert not review_of("d", [], flagged=0, sampled=0, to_check=0).complete


def test_flights_together_are_reviewed_when_each_is():
    done = review_of("a", calls(CallStatus.HEARD, CallStatus.CORRECTED), flagged=1, sampled=1, to_check=0)
    left = review_of("b", calls(CallStatus.HEARD, CallStatus.HEARD), flagged=2, sampled=0, to_check=2)
    begun = review_of("c", calls(CallStatus.HEARD), flagged=0, sampled=0, to_check=None)
    empty = review_of("d", [], flagged=0, sampled=0, to_check=0)

    assert all_in_words([done, done, empty]).startswith("reviewed: 2 flagged, 2 sampled, 2 corrected; 50 %")
    assert all_in_words([done, left]) == "not reviewed: 1 of 2 flights, 2 to check; 25 % of the calls heard again"
    assert all_in_words([done, begun]).startswith("not reviewed: 1 of 2 flights; 33 %")
    assert (all_in_words([begun]), all_in_words([])) == ("not reviewed", "")
