"""Did that run count? Said at altitude, from the calls alone. Pure, numpy only.

A preview of the reduction, not the reduction: a straight line through the calls of the last part
of the approach (median of the slopes between pairs, so that one misheard call does not bend it),
read at the event. No calibration, weight or load factor. `reduce` decides on the ground; the
pilot decides in the air. The verdict never does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger_app.domain.approach import LONGEST_GAP_S, MAX_BELOW_LAST_CALL_KT, MIN_CALLS, NAMED_WITHIN_S
from logger_app.domain.approach_curve import straight
from logger_app.domain.stall_events import STALL_KINDS
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd, StallEvent
from logger_app.units import from_kt, to_kt

EVENT_WORDS = {
    StallEvent.PITCH_DOWN: "break",
    StallEvent.AFT_STOP: "stick on the stop",
    StallEvent.DEVICE: "pusher",
    StallEvent.DETERRENT_BUFFET: "heavy buffet",
    StallEvent.ROLL_OFF: "wing drop",
    StallEvent.NOT_REACHED: "no stall event",
}
# The rate is the slope from 1.1 Vs down to Vs (common practice, after AC 25-7, from memory); whole-knot
# calls a second or two apart need a little more than that to give a slope worth saying.
APPROACH_RATIO = 1.2
# Whole-knot calls of a wandering speed scatter by at least this about a line (1/sqrt(12) kt of rounding
# and a lag that varies by some tenths of a second; common practice, no source).
MIN_SCATTER_KT = 0.4
NOT_USABLE = frozenset({Flag.IMPLAUSIBLE, Flag.NO_DECADE, Flag.OUT_OF_RANGE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What one run showed. Speeds in knots indicated; None is not known.

    `runs_counted` includes this run if it counts. `why` holds one short sentence a reason.
    """

    run: str
    point: str | None
    counts: bool
    why: tuple[str, ...] = ()
    n_calls: int = 0
    entry_rate_kt_per_s: float | None = None
    entry_rate_u_kt_per_s: float | None = None
    rate_low_kt_per_s: float | None = None
    rate_high_kt_per_s: float | None = None
    vs_ias_kt: float | None = None
    buffet_ias_kt: float | None = None
    event: StallEvent = StallEvent.NOT_REACHED
    runs_counted: int = 0
    runs_wanted: int = 0
    unit: str = "kt"
    speed_named: bool = True  # a speed was said with the event: nothing is guessed of what the rate did last

    @property
    def still_wanted(self) -> int:
        """Runs that the card still wants at this point."""
        return max(0, self.runs_wanted - self.runs_counted)

    def as_body(self) -> dict:
        """The body of a `VERDICT` row."""
        return {
            "run": self.run,
            "point": self.point,
            "counts": self.counts,
            "why": list(self.why),
            "words": in_words(self),
            "n_calls": self.n_calls,
            "entry_rate_kt_per_s": _rounded(self.entry_rate_kt_per_s, 2),
            "entry_rate_u_kt_per_s": _rounded(self.entry_rate_u_kt_per_s, 2),
            "entry_rate_band_kt_per_s": [self.rate_low_kt_per_s, self.rate_high_kt_per_s],
            "vs_ias_kt": _rounded(self.vs_ias_kt, 1),
            "buffet_ias_kt": _rounded(self.buffet_ias_kt, 1),
            "event": str(self.event),
            "runs_counted": self.runs_counted,
            "runs_wanted": self.runs_wanted,
            "speed_named": self.speed_named,
        }


def assess(
    run: str,
    calls: Sequence[HeardCall],
    point: TestPoint | None,
    *,
    ended: RunEnd,
    touched_stall_ns: int | None = None,
    counted_before: int = 0,
    unit: str = "kt",
) -> Verdict:
    """The verdict on one run.

    Parameters
    ----------
    point : TestPoint or None
        The point that it was flown for.
    touched_stall_ns : int, optional
        When the stall was marked by touch, where nobody said it [ns].
    counted_before : int
        Runs at this point that counted before this one.
    """
    calls = sorted(calls, key=lambda call: (call.start_ns, call.id))
    event, event_ns = _stall(calls, touched_stall_ns)
    times_s, speeds_kt = _approach(calls, event_ns)
    rate, rate_u, vs_kt = _line(times_s, speeds_kt, event_ns)
    silent_s = 0.0 if event_ns is None or not len(times_s) else event_ns * 1e-9 - times_s[-1]
    named = _speed_named(calls, event_ns)
    why = _whys(ended, len(times_s), rate, rate_u, event, silent_s, point, unit)
    if not why and not named and vs_kt is not None:
        why = _too_far(event, speeds_kt[-1] - vs_kt, unit)
    counts = not why
    low, high = (point.rate_low_kt_per_s, point.rate_high_kt_per_s) if point else (None, None)
    return Verdict(
        run=run,
        point=point.id if point else None,
        counts=counts,
        why=why,
        n_calls=sum(call.kind is CallKind.AIRSPEED for call in calls),
        entry_rate_kt_per_s=rate,
        entry_rate_u_kt_per_s=rate_u,
        rate_low_kt_per_s=low,
        rate_high_kt_per_s=high,
        vs_ias_kt=vs_kt if event is not StallEvent.NOT_REACHED else None,
        buffet_ias_kt=_at_first(calls, "buffet", times_s, rate, vs_kt, event_ns),
        event=event,
        runs_counted=counted_before + counts,
        runs_wanted=point.runs_wanted if point else 0,
        unit=unit,
        speed_named=named,
    )


def in_words(verdict: Verdict) -> str:
    """One line for the screen: what came out, whether it counts, what is still wanted."""
    if not verdict.counts:
        return f"{'; '.join(verdict.why)}: fly it again?"
    parts = []
    if verdict.entry_rate_kt_per_s is not None:
        parts.append(_rate_text(verdict.entry_rate_kt_per_s, verdict.unit))
    if verdict.vs_ias_kt is not None:
        speed = f"{from_kt(verdict.vs_ias_kt, verdict.unit):.0f} {verdict.unit}"
        parts.append(f"{speed} at the {EVENT_WORDS[verdict.event]}")
    more = verdict.still_wanted
    coach = "" if verdict.speed_named or not more else f"Say the speed at the {EVENT_WORDS[verdict.event]}. "
    return f"Counts: {', '.join(parts)}. {coach}" + (f"{more} more wanted" if more else "Point complete")


def _speed_named(calls, event_ns: int | None) -> bool:
    """Whether a speed was said with the event, or there was no event to say it with."""
    if event_ns is None:
        return True
    end_ns = max((c.end_ns for c in calls if c.kind is CallKind.EVENT and c.start_ns == event_ns), default=event_ns)
    return any(
        c.kind is CallKind.AIRSPEED and event_ns < c.start_ns and (c.start_ns - end_ns) / 1e9 <= NAMED_WITHIN_S
        for c in calls
    )


def _rate_text(rate_kt_per_s: float, unit: str) -> str:
    return f"{from_kt(rate_kt_per_s, unit):.1f} {unit}/s"


def _stall(calls, touched_ns) -> tuple[StallEvent, int | None]:
    """The first stall event spoken, else the touched one; with its time."""
    for call in calls:
        if call.kind is CallKind.EVENT and call.name in STALL_KINDS:
            return STALL_KINDS[call.name], call.start_ns
    if touched_ns is not None:
        return StallEvent.PITCH_DOWN, touched_ns
    return StallEvent.NOT_REACHED, None


def _approach(calls, event_ns) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and speeds [kt] of the last part of the approach: from 1.2 times the lowest call, falling."""
    used = [
        (call.start_s, to_kt(float(call.value), call.unit or "kt"))
        for call in calls
        if call.kind is CallKind.AIRSPEED
        and isinstance(call.value, (int, float))
        and not NOT_USABLE & set(call.flags)
        and (event_ns is None or call.start_ns <= event_ns)
    ]
    if not used:
        return np.zeros(0), np.zeros(0)
    times_s, speeds_kt = (np.array(column, float) for column in zip(*used))
    lowest = int(np.argmin(speeds_kt)) if event_ns is None else len(speeds_kt) - 1
    times_s, speeds_kt = times_s[: lowest + 1], speeds_kt[: lowest + 1]
    slow = speeds_kt <= APPROACH_RATIO * np.median(speeds_kt[-2:])
    above = np.flatnonzero(~slow)
    first = int(above[-1]) + 1 if len(above) else 0
    first = max(0, min(first, len(speeds_kt) - MIN_CALLS))
    return times_s[first:], speeds_kt[first:]


def _line(times_s, speeds_kt, event_ns) -> tuple[float | None, float | None, float | None]:
    """Entry rate, its standard uncertainty [kt/s] and the speed at the event [kt].

    Median of the slopes between pairs (Theil 1950, Sen 1968), then of the intercepts.
    """
    if len(times_s) < 2 or np.ptp(times_s) <= 0:
        return None, None, (float(speeds_kt[-1]) if len(speeds_kt) else None)
    i, j = np.triu_indices(len(times_s), 1)
    apart = times_s[j] > times_s[i]
    slope = float(np.median((speeds_kt[j] - speeds_kt[i])[apart] / (times_s[j] - times_s[i])[apart]))
    event_s = times_s[-1] if event_ns is None else event_ns * 1e-9
    intercepts = speeds_kt - slope * (times_s - event_s)
    at_event = float(np.median(intercepts))
    scatter_kt = max(MIN_SCATTER_KT, 1.4826 * float(np.median(np.abs(intercepts - at_event))))
    slope_u = scatter_kt / float(np.sqrt(np.sum((times_s - times_s.mean()) ** 2)))
    return -slope, slope_u, at_event


def _at_first(calls, name, times_s, rate, end_kt, event_ns) -> float | None:
    heard = next((call for call in calls if call.name == name), None)
    if heard is None or rate is None or end_kt is None:
        return None
    end_s = times_s[-1] if event_ns is None else event_ns * 1e-9
    return straight(times_s[0], end_s, end_kt, -rate).speed_at_kt(heard.start_s)


def _whys(ended, n_used, rate, rate_u, event, silent_s, point, unit) -> tuple[str, ...]:
    if ended is RunEnd.DISCARDED:
        return ("scratched",)
    if ended is RunEnd.KNOCKED_OFF:
        return ("knocked off",)
    why = []
    if n_used < MIN_CALLS:
        why.append(f"{n_used} usable call{'' if n_used == 1 else 's'}, needs {MIN_CALLS}")
    elif point and _outside(point, rate, rate_u):
        low, high = from_kt(point.rate_low_kt_per_s, unit), from_kt(point.rate_high_kt_per_s, unit)
        why.append(f"{_rate_text(rate, unit)}, wanted {low:.1f} to {high:.1f}")
    if event is StallEvent.NOT_REACHED:
        why.append("no stall event heard")
    if silent_s > LONGEST_GAP_S:
        why.append(f"{silent_s:.0f} s without a call before the event")
    if point is None:
        why.append("no card matches the settings")
    return tuple(why)


def _too_far(event: StallEvent, below_kt: float, unit: str) -> tuple[str, ...]:
    """A stall read far below the last call, with no speed said at it."""
    if below_kt <= MAX_BELOW_LAST_CALL_KT:
        return ()
    below = f"{from_kt(below_kt, unit):.0f} {unit} below the last call"
    return (f"{below}, say the speed at the {EVENT_WORDS[event]}",)


def _outside(point: TestPoint, rate: float, rate_u: float) -> bool:
    """Clearly outside the band: by more than the rate's own uncertainty."""
    return rate - rate_u > point.rate_high_kt_per_s or rate + rate_u < point.rate_low_kt_per_s


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
