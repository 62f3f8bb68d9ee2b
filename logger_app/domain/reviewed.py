"""When a flight is reviewed: everything that needed a look was settled. Pure. Main name: `review_of`.

Reviewed is not the same as every call heard again: the flagged calls, the random checks and the runs that may stand
at the wrong point are settled; the share of calls that a person heard again stands beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.records.calls import CallStatus, ReviewedCall
from logger_app.records.runs import FlightReview

CORRECTED = frozenset({CallStatus.CORRECTED, CallStatus.REJECTED, CallStatus.ADDED})


def review_of(
    flight: str, calls: Sequence[ReviewedCall], *, flagged: int, sampled: int, to_check: int | None
) -> FlightReview:
    """How far a flight is reviewed.

    Parameters
    ----------
    flagged, sampled : int
        Calls that something pointed at, and random checks, of what was heard.
    to_check : int or None
        What is still to be looked at; None where nobody has begun.
    """
    return FlightReview(
        flight=flight,
        calls=len(calls),
        heard_again=sum(call.reviewed for call in calls),
        flagged=flagged,
        sampled=sampled,
        corrected=sum(call.status in CORRECTED for call in calls),
        to_check=to_check,
    )
