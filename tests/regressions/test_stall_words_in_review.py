"""Defects found by putting faults into the queue of the review on purpose: it knew too few words for a stall."""

import pytest

from logger_app.domain.runs import find_runs
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.plan import TestPoint
from logger_app.review.items import Item
from logger_app.review.neighbours import approaches
from logger_app.review.queue import build_queue
from logger_app.units import s_to_ns

POINT = TestPoint(id="A1", card="A")


def call(at_s, name, value=None, kind=CallKind.EVENT):
    return ReviewedCall(
        id=f"c{at_s:05.1f}",
        flight_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=kind,
        name=name,
        value=value,
        unit="kt" if value else None,
        status=CallStatus.CONFIRMED,
        ias_kt=value,
    )


def speeds(start_s, *values):
    return [call(start_s + k, "ias", float(v), CallKind.AIRSPEED) for k, v in enumerate(values)]


def asked(*events):
    calls = [
        call(1, "power", None, CallKind.SETTING),
        call(9, "on_condition"),
        *speeds(10, 60, 58, 56, 54),
        *events,
        call(20, "recovered"),
    ]
    queue = build_queue(find_runs("f", calls, points=[POINT]), calls)
    return any("no stall event was called" in why for item in queue.items if item.item is Item.RUN for why in item.why)


def test_on_condition_and_recovered_are_no_stall():
    # Both are events of the language pack: a run with nothing else was never asked about.
    assert asked()
    assert asked(call(15, "buffet"))


@pytest.mark.parametrize("name", sorted(STALL_KINDS))
def test_a_run_with_a_stall_in_any_of_its_words_is_not_asked_about(name):
    assert not asked(call(15, name))


@pytest.mark.parametrize(
    "name", ["break", "nose_drop", "aft_stop", "stick_pusher", "wing_drop", "wing_drop_left", "wing_drop_right"]
)
def test_the_approach_ends_at_a_stall_in_any_of_its_words(name):
    # After a nose drop or a wing drop to one side the speeds of the recovery were taken for the same approach.
    first, second = approaches([*speeds(10, 60, 58, 56, 54), call(14, name), *speeds(15, 60, 66, 72)])

    assert ([c.value for c in first.speeds], first.end_ns) == ([60, 58, 56, 54], s_to_ns(14))
    assert [c.value for c in second.speeds] == [60, 66, 72]


def test_a_heavy_buffet_may_be_flown_through():
    (only,) = approaches([*speeds(10, 60, 58, 56, 54), call(13.5, "heavy_buffet"), *speeds(14, 52, 50)])

    assert [c.value for c in only.speeds] == [60, 58, 56, 54, 52, 50]
