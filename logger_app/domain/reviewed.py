"""When a flight is reviewed: everything that needed a look was settled; a call before that. Pure. Main names: `review_of`,
`all_in_words`, `as_heard`.

Reviewed is not the same as every call heard again: the flagged calls, the random checks and the runs that may stand
at the wrong point are settled; the share of calls that a person heard again stands beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

from logger_app.records.calls import CallKind, CallStatus, HeardCall, ReviewedCall
from logger_app.records.runs import FlightReview
from logger_app.units import to_kt

CORRECTED = frozenset({CallStatus.CORRECTED, CallStatus.REJECTED, CallStatus.ADDED})


def as_heard(heard: HeardCall, unit: str, confirmed_by: tuple[str, ...] = ()) -> ReviewedCall:
    """A call that nobody has corrected; `unit` for an airspeed that brings none."""
    return ReviewedCall(
        id=heard.id,
        flight_ns=heard.start_ns,
        end_ns=heard.end_ns,
        kind=heard.kind,
        name=heard.name,
        value=heard.value,
        unit=heard.unit,
        status=CallStatus.CONFIRMED if confirmed_by else CallStatus.HEARD,
        ias_kt=airspeed_kt(heard.kind, heard.value, heard.unit or unit),
        flags=heard.flags,
        posterior=heard.posterior,
        heard=heard,
        history=confirmed_by,
    )


def airspeed_kt(kind: CallKind, value: float | str | None, unit: str) -> float | None:
    """The value of an airspeed call [kt]; None of anything else. `unit` is the value's."""
    if kind is not CallKind.AIRSPEED or isinstance(value, (str, bool)) or value is None:
        return None
    return to_kt(float(value), unit)


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


def all_in_words(reviews: Sequence[FlightReview]) -> str:
    """How far several flights are reviewed together, in one line; empty where nothing is known of it.

    Examples
    --------
    >>> done = FlightReview(flight="a", calls=100, heard_again=10, flagged=4, sampled=6, corrected=1, to_check=0)
    >>> all_in_words([done, done])
    'reviewed: 8 flagged, 12 sampled, 2 corrected; 10 % of the calls heard again'
    >>> begun = FlightReview(flight="b", calls=50, heard_again=5, flagged=9, sampled=3, corrected=0, to_check=7)
    >>> all_in_words([done, begun])
    'not reviewed: 1 of 2 flights, 7 to check; 10 % of the calls heard again'
    """
    if not reviews:
        return ""
    open_ = [one for one in reviews if one.calls and not one.complete]
    heard = [one for one in reviews if one.calls] or list(reviews)
    together = FlightReview(
        flight="",
        to_check=None if all(one.to_check is None for one in heard) else sum(one.to_check or 0 for one in open_),
        **{
            name: sum(getattr(one, name) for one in heard)
            for name in ("calls", "heard_again", "flagged", "sampled", "corrected")
        },
    )
    if not open_ or len(open_) == len(heard):
        return together.in_words()
    to_check = f", {together.to_check} to check" if together.to_check else ""
    share = f"{100 * together.share:.0f} % of the calls heard again"
    return f"not reviewed: {len(open_)} of {len(reviews)} flights{to_check}; {share}"
