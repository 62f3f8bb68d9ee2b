"""A hole in the hearing breaks an approach; sound that was only not kept, or only heard late, does not."""

import pytest

from logger_app.domain.runs import find_runs
from logger_app.logstore.codec import body_to_gap, gap_to_body
from logger_app.records.calls import CallKind, CallStatus, CaptureGap, ReviewedCall
from logger_app.units import s_to_ns


def call(k, at_s, what):
    speed = isinstance(what, (int, float))
    return ReviewedCall(
        id=f"c{k}",
        flight_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.4),
        kind=CallKind.AIRSPEED if speed else CallKind.EVENT,
        name="ias" if speed else what,
        value=what if speed else None,
        unit="kt" if speed else None,
        status=CallStatus.HEARD,
        ias_kt=what if speed else None,
    )


CALLS = [
    call(k, *said)
    for k, said in enumerate(
        [
            (2, "on_condition"),
            (4, 60),
            (8, 58),
            (12, 56),
            (16, 54),
            (20, 52),
            (24, 50),
            (25, "break"),
            (28, "recovered"),
        ]
    )
]


@pytest.mark.parametrize("breaks, runs", [(True, 2), (False, 1)])
def test_only_a_hole_in_the_hearing_breaks_an_approach(breaks, runs):
    gap = CaptureGap(start_ns=s_to_ns(9), end_ns=s_to_ns(22), why="x", breaks=breaks)

    assert len(find_runs("f", CALLS, gaps=[gap]).runs) == runs


@pytest.mark.parametrize("breaks", [True, False])
def test_a_gap_comes_back_from_the_journal_as_it_went(breaks):
    gap = CaptureGap(start_ns=1, end_ns=2, why="x", breaks=breaks)

    assert body_to_gap(gap_to_body(gap)) == gap
    assert body_to_gap({"start_ns": 1, "end_ns": 2, "why": "x"}).breaks  # written before there was the key
