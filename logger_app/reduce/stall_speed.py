"""One run: its stall event, its indicated stall speed, entry rate, margins and altitude lost.

Pure numpy and records; no scipy, so the cockpit can give a verdict with it. Not for:
calibration, weight and averages (see `campaign`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from logger_app.domain.approach import (
    DRIFT_RATIOS,
    MIN_CALLS,
    NAMED_WITHIN_S,
    OUTLIER_WEIGHT,
    Approach,
    Asked,
    fit_approaches,
)
from logger_app.domain.stall_events import Meaning, Role, meaning_of
from logger_app.records.calls import CallKind, CallStatus, Flag, ReviewedCall
from logger_app.records.plan import Indicator
from logger_app.records.runs import Run, StallEvent
from logger_app.units import speed_text, to_kt

# A break and a wing drop said within this time are one event (common practice, no source).
SAME_EVENT_S = 2.0
# 14 CFR 23.201(c): the control is held on the stop for the longer of 2 s and the time used for
# the minimum steady speed [CFR23.201].
HOLD_ON_STOP_S = 2.0
STEADY_WITHIN_KT = 2.0
MAX_HELD_S = 8.0
# A fall-back reading is trusted when another call within this long is this near (common practice).
NEIGHBOUR_S = 4.0
NEIGHBOUR_KT = 4.0
_TRUST_FLOOR = 0.2
# Flags that say a value is no airspeed, or hardly one, until a person has looked.
_NO_AIRSPEED = (Flag.NO_DECADE, Flag.OUT_OF_RANGE)
_DOUBTED = (Flag.IMPLAUSIBLE, Flag.DISAGREE)
_DOUBTED_TRUST = 0.3
# A speed said with the event counts a little less than a call of the approach (ours).
NAMED_TRUST = 0.8
# A word somewhere in a line of text that lasts for seconds: standard uncertainty of its time [s] (ours).
SPREAD_U_S = 1.0
# After the last call the rate may have eased to nothing or gone on: half of what it would have taken off. Ours.
EASED_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStall:
    """What the calls of one run say, in indicated airspeed. None where they say nothing.

    `method` is ``fit`` or ``lowest``; `last_call_gap_s` is from the last used call to the event;
    `start_ias_kt` the highest call of the approach; `unseen_kt` is how much higher the stall may be because the rate
    eased after the last call (one-sided, standard uncertainty); `speed_named`: a speed was said with the event. `scatter_u_kt` and `reading_u_kt` split
    `ias_u_kt` (without lag) into what the dial's graduation explains and the rest.
    """

    event: StallEvent
    event_s: float | None
    method: str
    ias_kt: float | None = None
    ias_u_kt: float | None = None
    reading_u_kt: float = 0.0
    scatter_u_kt: float = 0.0
    lag_u_kt: float = 0.0
    unseen_kt: float = 0.0
    speed_named: bool = False
    rate_kt_per_s: float | None = None
    rate_u_kt_per_s: float | None = None
    approach: Approach | None = None
    used: tuple[str, ...] = ()
    excluded: tuple[tuple[str, str], ...] = ()
    calls_before: int = 0
    last_call_gap_s: float | None = None
    last_call_ias_kt: float | None = None
    start_ias_kt: float | None = None
    buffet_ias_kt: float | None = None
    warning_ias_kt: float | None = None
    wing_drop: str | None = None
    altitude_ft: float | None = None
    altitude_lost_ft: float | None = None
    event_calls: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    readings: tuple[tuple[float, float], ...] = ()  # (flight_s, ias_kt) of the calls before the event that count
    reading_lag_removed: bool = False


def resolution_u_kt(indicator: Indicator) -> float:
    """Standard uncertainty of one reading from how finely the dial can be read.

    Notes
    -----
    A step of full width w is uniform: u = w / sqrt(12). The step is a whole unit, as spoken,
    or half a graduation where that is coarser.

    References
    ----------
    [TN1297] sec. 4.6 (from memory): uniform distribution.

    Examples
    --------
    >>> round(resolution_u_kt(Indicator()), 4)
    0.2887
    """
    return to_kt(max(1.0, indicator.graduation / 2), indicator.unit) / math.sqrt(12)


def stall_of_run(run: Run, indicator: Indicator, *, event_voiced: bool = True, drift_ratio: float = 1.0) -> RunStall:
    """The indicated stall speed of one run.

    Parameters
    ----------
    event_voiced : bool
        Whether the event's time is that of a spoken word. One taken from a picture or a trace
        is not late, and the calls are then moved earlier by the reading lag.
    drift_ratio : float
        How unsteadily the rate was held on the flight; see `domain.approach.learned_drift_ratio`.

    Returns
    -------
    RunStall
        What can be said; `ias_kt` is None when there is no usable reading.

    Notes
    -----
    The first stall event decides [CFR23.201] (b); a wing drop and a break within 2 s are one.
    A speed named with the event ("break, forty nine") joins the fit at the event, with less weight.
    A lag common to calls and event cancels; what is left is the spread of their difference
    times the rate. A control held on the stop gives a minimum steady speed: the median of the
    calls while it was held, when they are steady.

    References
    ----------
    [CFR23.201] (b), (c); [DERIVED] lag.
    """
    return stalls_of_runs([run], indicator, event_voiced=event_voiced, drift_ratio=drift_ratio)[0]


def stalls_of_runs(
    runs: Iterable[Run], indicator: Indicator, *, event_voiced: bool = True, drift_ratio: float = 1.0
) -> list[RunStall]:
    """As `stall_of_run` for each; their approaches are fitted together, which is much quicker."""
    read = [_Reading.of(run, indicator, event_voiced) for run in runs]
    asked = [one.asked(indicator, drift_ratio) for one in read]
    fits = iter(fit_approaches([one for one in asked if one]))
    return [one.stall(next(fits) if ask else None, indicator) for one, ask in zip(read, asked)]


def event_s_of_run(run: Run) -> float | None:
    """When the stall event of a run was said, flight clock [s]; None where none was."""
    stalls = _stalls(_events(_in_order(run)))
    return _which(stalls)[0].flight_s if stalls else None


def _in_order(run: Run) -> list[ReviewedCall]:
    return sorted((c for c in run.calls if c.counts), key=lambda c: (c.flight_ns, c.id))


def _events(calls: Sequence[ReviewedCall]) -> list[tuple[ReviewedCall, Meaning]]:
    return [(c, m) for c in calls if (m := meaning_of(c)) is not None]


def _recovery_s(events) -> float:
    return min((c.flight_s for c, m in events if m.role is Role.RECOVERY), default=math.inf)


def _stalls(events) -> list[tuple[ReviewedCall, Meaning]]:
    recovery_s = _recovery_s(events)
    return [(c, m) for c, m in events if m.stall is not None and c.flight_s < recovery_s]


@dataclass(frozen=True, slots=True)
class _Reading:
    """The calls of a run sorted by what they are for, before anything is fitted; without `event`, no stall was called."""

    run: Run
    calls: Sequence[ReviewedCall]
    events: Sequence[tuple[ReviewedCall, Meaning]]
    stalls: Sequence[tuple[ReviewedCall, Meaning]]
    speeds: Sequence[ReviewedCall]
    excluded: Sequence[tuple[str, str]]
    event_voiced: bool
    shift_s: float
    event: ReviewedCall | None = None
    kind: StallEvent = StallEvent.NOT_REACHED
    said: Sequence[str] = ()
    before: Sequence[ReviewedCall] = ()
    after: Sequence[ReviewedCall] = ()
    named: ReviewedCall | None = None

    @classmethod
    def of(cls, run: Run, indicator: Indicator, event_voiced: bool) -> _Reading:
        shift_s = 0.0 if event_voiced else indicator.reading_lag_s
        calls = _in_order(run)
        events = _events(calls)
        stalls = _stalls(events)
        speeds, excluded = _readings(calls)
        read = cls(run, calls, events, stalls, speeds, excluded, event_voiced, shift_s)
        if not stalls:
            return read
        event, kind, said = _which(stalls)
        event_s = event.flight_s
        before = [c for c in speeds if c.flight_s - shift_s <= event_s]
        after = [c for c in speeds if c.flight_s - shift_s > event_s]
        named = after[0] if after and (after[0].flight_ns - event.end_ns) / 1e9 <= NAMED_WITHIN_S else None
        return replace(read, event=event, kind=kind, said=said, before=before, after=after, named=named)

    @property
    def used(self) -> list[ReviewedCall]:
        """The calls that a fit is made of."""
        return [*self.before, self.named] if self.named else list(self.before)

    def asked(self, indicator: Indicator, drift_ratio: float) -> Asked | None:
        """The fit that is wanted; None where there are too few calls for one."""
        if self.event is None or len(self.used) < MIN_CALLS:
            return None
        calls, event_s = self.used, self.event.flight_s
        return Asked(
            flight_s=np.array([min(c.flight_s - self.shift_s, event_s) for c in calls]),
            ias_kt=np.array([c.ias_kt for c in calls]),
            event_s=event_s,
            resolution_u_kt=resolution_u_kt(indicator),
            trust=np.array([_trust(c) * (NAMED_TRUST if c is self.named else 1.0) for c in calls]),
            drift_ratio=DRIFT_RATIOS[-1] if self.named else drift_ratio,
        )

    def stall(self, fit: Approach | None, indicator: Indicator) -> RunStall:
        """What the run says, with its fit if there is one."""
        common: dict[str, Any] = {
            "wing_drop": _wing_drop(self.events),
            "event_calls": tuple(c.id for c, _ in self.events),
            "altitude_ft": _altitude(self.calls, self.run),
            "altitude_lost_ft": _altitude_lost(self.calls, self.stalls),
        }
        recovery_s, remarks = _recovery_s(self.events), _remarks(self.events)
        if self.event is None:
            return _not_reached(self.speeds, self.excluded, recovery_s, indicator, common, remarks)
        event_s, before, after, named = self.event.flight_s, self.before, self.after, self.named
        excluded = [*self.excluded, *((c.id, "said after the stall event") for c in after if c is not named)]
        notes = [*self.said, *remarks]
        if self.event_voiced and self.event.status is CallStatus.ADDED:
            lag = indicator.reading_lag_s
            notes.append(
                f"a person placed the event; if by a picture, the calls are {lag:g} s late and this speed is too high"
            )
        if fit is None:
            found = _lowest(self.used, event_s, indicator)
        else:
            found = _from_approach(fit, self.used, named, event_s, self.shift_s, indicator, self.event_voiced)
        if self.kind is StallEvent.AFT_STOP:
            found = _held_on_stop(found, after, event_s, recovery_s, self.stalls, indicator)
        margins = _margins(found, before, self.events, event_s, self.shift_s)
        wild = {call_id for call_id, _ in found["excluded"]}
        return RunStall(
            event=self.kind,
            event_s=event_s,
            calls_before=len(before) + (named is not None),
            start_ias_kt=max(map(_kt, before), default=None),
            readings=tuple((c.flight_s - self.shift_s, _kt(c)) for c in before if c.id not in wild),
            reading_lag_removed=not self.event_voiced and found["method"] == "fit",
            excluded=tuple(excluded) + found.pop("excluded"),
            notes=tuple(notes) + found.pop("notes"),
            **margins,
            **found,
            **common,
        )


def _readings(calls: Sequence[ReviewedCall]) -> tuple[list[ReviewedCall], list[tuple[str, str]]]:
    usable, excluded = [], []
    for call in calls:
        if call.kind is not CallKind.AIRSPEED:
            continue
        if call.ias_kt is None or not math.isfinite(call.ias_kt) or call.ias_kt <= 0:
            excluded.append((call.id, f"no usable airspeed ({call.ias_kt})"))
        elif not call.reviewed and (flag := next((f for f in _NO_AIRSPEED if f in call.flags), None)):
            excluded.append((call.id, f"flagged {flag} and not reviewed"))
        else:
            usable.append(call)
    return usable, excluded


def _which(stalls) -> tuple[ReviewedCall, StallEvent, list[str]]:
    """The event that is the stall, its kind, and what else was said of it."""
    # A heavy buffet that was flown through was no deterrent: what followed is the stall.
    deciding = [pair for pair in stalls if pair[1].stall is not StallEvent.DETERRENT_BUFFET] or stalls
    first, meaning = deciding[0]
    kind, notes = meaning.stall, []
    for call, other in deciding[1:]:
        later_s = call.flight_s - first.flight_s
        if kind is StallEvent.ROLL_OFF and other.stall is StallEvent.PITCH_DOWN and later_s <= SAME_EVENT_S:
            kind = StallEvent.PITCH_DOWN
            notes.append("wing drop and break were one event")
        elif other.stall is not kind and other.role is not Role.WING_DROP:
            notes.append(
                f"{other.stall.replace('_', ' ')} followed {later_s:.1f} s later; the first event is the stall"
            )
    return first, kind, notes


def _from_approach(fit: Approach, calls, named, event_s, shift_s, indicator, event_voiced) -> dict:
    """What the fit says."""
    resolution = resolution_u_kt(indicator)
    used = [c for c, w in zip(calls, fit.weight) if w > OUTLIER_WEIGHT]
    wild = [
        (c.id, f"{speed_text(abs(r), indicator.unit)} {'above' if r > 0 else 'below'} the fitted approach")
        for c, w, r in zip(calls, fit.weight, fit.residual_kt)
        if w <= OUTLIER_WEIGHT and r is not None
    ]
    spread = [c for c in used if Flag.TIME_SPREAD in c.flags]
    spread_u_s = SPREAD_U_S * math.sqrt(len(spread) / len(used)) if spread else 0.0
    lag_u = abs(fit.slope_kt_per_s) * math.hypot(indicator.reading_lag_u_s, spread_u_s)
    reading_u = min(fit.ias_u_kt, math.sqrt(fit.leverage) * resolution)
    notes: tuple[str, ...] = ()
    gap_s = max(event_s - (used[-1].flight_s - shift_s), 0.0)
    named_used = named is not None and named in used
    if named_used:
        notes = ("the speed named with the event is part of the fit",)
    if spread:
        notes = (
            *notes,
            f"the times of {len(spread)} calls come from long lines of text: good to about {SPREAD_U_S:g} s",
        )
    if not event_voiced:
        notes = (*notes, f"event not timed by voice: calls moved {shift_s:.2f} s earlier for the reading lag")
    return {
        "method": "fit",
        "ias_kt": fit.ias_kt,
        "ias_u_kt": math.hypot(fit.ias_u_kt, lag_u),
        "reading_u_kt": reading_u,
        "scatter_u_kt": math.sqrt(max(fit.ias_u_kt**2 - reading_u**2, 0.0)),
        "lag_u_kt": lag_u,
        "unseen_kt": 0.0 if named_used else EASED_SHARE * max(fit.slope_kt_per_s, fit.entry_rate_kt_per_s, 0.0) * gap_s,
        "speed_named": named_used,
        "rate_kt_per_s": fit.entry_rate_kt_per_s,
        "rate_u_kt_per_s": fit.entry_rate_u_kt_per_s,
        "approach": fit,
        "used": tuple(c.id for c in used),
        "last_call_ias_kt": used[-1].ias_kt,
        "last_call_gap_s": gap_s,
        "excluded": tuple(wild),
        "notes": notes,
    }


def _trust(call: ReviewedCall) -> float:
    """Prior weight: a call that nobody looked at is believed as far as the recogniser does."""
    if call.reviewed:
        return 1.0
    doubted = any(flag in call.flags for flag in _DOUBTED)
    return max(min(call.posterior, _DOUBTED_TRUST if doubted else 1.0), _TRUST_FLOOR)


def _lowest(before: Sequence[ReviewedCall], event_s: float | None, indicator: Indicator) -> dict:
    """The lowest call that a neighbour supports; its rate from the last two calls, if they fall."""
    nothing: dict[str, Any] = {"method": "lowest", "excluded": (), "notes": ()}
    if not before:
        return nothing | {"notes": ("no airspeed was called before the event",)}
    steady = [c for c in before if _supported(c, before)] or list(before)
    lowest = min(reversed(steady), key=_kt)
    resolution = resolution_u_kt(indicator)
    rate = None
    if len(before) >= 2:
        first, last = before[-2], before[-1]
        seconds = last.flight_s - first.flight_s
        rate = (_kt(first) - _kt(last)) / seconds if seconds > 0 else None
    gap_s = event_s - lowest.flight_s if event_s is not None else None
    # Between this call and the event the speed fell on: a one-sided error, up to rate x gap.
    unseen = (rate or 0.0) * gap_s / math.sqrt(3) if gap_s and rate and rate > 0 else 0.0
    return nothing | {
        "ias_kt": lowest.ias_kt,
        "ias_u_kt": math.hypot(resolution, unseen),
        "reading_u_kt": resolution,
        "scatter_u_kt": unseen,
        "rate_kt_per_s": rate,
        "used": (lowest.id,),
        "last_call_gap_s": gap_s,
        "notes": ("too few calls for a fit: the lowest steady call is used",),
    }


def _kt(call: ReviewedCall) -> float:
    """The reading of a call that `_readings` let through."""
    return math.nan if call.ias_kt is None else call.ias_kt


def _supported(call: ReviewedCall, calls: Sequence[ReviewedCall]) -> bool:
    return any(
        other is not call
        and abs(other.flight_s - call.flight_s) <= NEIGHBOUR_S
        and abs(_kt(other) - _kt(call)) <= NEIGHBOUR_KT
        for other in calls
    )


def _held_on_stop(found: dict, after, event_s, recovery_s, stalls, indicator) -> dict:
    """Minimum steady speed while the control was held on the stop, if the calls show one."""
    until_s = min([recovery_s, event_s + MAX_HELD_S] + [c.flight_s for c, _ in stalls[1:]])
    held = [c for c in after if c.flight_s < until_s]
    for start in range(max(len(held) - 1, 0)):  # it may still be falling when the stop is reached
        speeds = [c.ias_kt for c in held[start:]]
        if max(speeds) - min(speeds) <= STEADY_WITHIN_KT:
            return _steady(found, held[start:], event_s, indicator)
    note = "aft stop: no steady speed was called while it was held; the speed is that at reaching the stop"
    return found | {"notes": (*found["notes"], note)}


def _steady(found: dict, held, event_s, indicator) -> dict:
    resolution = resolution_u_kt(indicator)
    speeds = [c.ias_kt for c in held]
    scatter = float(np.std(speeds)) / math.sqrt(len(speeds))
    held_s = held[-1].flight_s - event_s
    notes = [f"minimum steady speed, control on the aft stop: median of {len(held)} calls over {held_s:.1f} s"]
    if held_s < HOLD_ON_STOP_S:
        notes.append(f"held on the stop for {held_s:.1f} s only; 14 CFR 23.201(c) asks for 2 s")
    return found | {
        "method": "lowest",
        "ias_kt": float(np.median(speeds)),
        "ias_u_kt": math.hypot(resolution, scatter),
        "reading_u_kt": resolution,
        "scatter_u_kt": scatter,
        "lag_u_kt": 0.0,
        "used": (*found.get("used", ()), *(c.id for c in held)),
        "notes": tuple(notes),
    }


def _remarks(events) -> list[str]:
    return list(dict.fromkeys(meaning.remark for _, meaning in events if meaning.remark))


def _not_reached(speeds, excluded, recovery_s, indicator, common, remarks) -> RunStall:
    before = [c for c in speeds if c.flight_s < recovery_s] or list(speeds)
    found = _lowest(before, None, indicator)
    if found.get("ias_kt") is not None:
        found["notes"] = ("no stall event was called: the lowest steady call is not a stall speed",)
    return RunStall(
        event=StallEvent.NOT_REACHED,
        event_s=None,
        calls_before=len(before),
        start_ias_kt=max((c.ias_kt for c in before), default=None),
        excluded=tuple(excluded) + found.pop("excluded"),
        notes=(*remarks, *found.pop("notes")),
        **found,
        **common,
    )


def _margins(found: dict, before, events, event_s, shift_s) -> dict:
    """Speeds at which warning and buffet were called, before the stall."""
    spoken: dict[Role, float] = {}
    for call, meaning in events:
        role = Role.BUFFET if meaning.stall is StallEvent.DETERRENT_BUFFET else meaning.role
        if role in (Role.WARNING, Role.BUFFET) and call.flight_s < event_s:
            spoken.setdefault(role, call.flight_s)
    return {
        f"{role}_ias_kt": _speed_at(found, before, spoken[role], shift_s) if role in spoken else None
        for role in (Role.WARNING, Role.BUFFET)
    }


def _speed_at(found: dict, before, at_s: float, shift_s: float) -> float | None:
    fit = found.get("approach")
    if fit is not None and math.isfinite(fit.at_kt(at_s)):
        return fit.at_kt(at_s)
    wild = {id for id, _ in found["excluded"]}
    kept = [c for c in before if c.id not in wild]
    times = [c.flight_s - shift_s for c in kept]
    if not times or not times[0] <= at_s <= times[-1]:
        return None
    return float(np.interp(at_s, times, [c.ias_kt for c in kept]))


def _wing_drop(events) -> str | None:
    """Side of the wing drop; ``none`` when a stall was called without one, None when no stall was."""
    drops = [meaning.side for _, meaning in events if meaning.role is Role.WING_DROP]
    if drops:
        return next((side for side in drops if side), "unknown")
    return "none" if any(meaning.stall for _, meaning in events) else None


def _altitudes(calls) -> list[tuple[float, float]]:
    return [
        (c.flight_s, float(c.value))
        for c in calls
        if c.kind is CallKind.SETTING and c.name == "altitude" and isinstance(c.value, (int, float))
    ]


def _altitude(calls, run: Run) -> float | None:
    called = _altitudes(calls)
    return called[0][1] if called else run.settings.altitude_ft


def _altitude_lost(calls, stalls) -> float | None:
    """From the last altitude called before the stall to the lowest after it."""
    if not stalls:
        return None
    event_s = stalls[0][0].flight_s
    before = [alt for at, alt in _altitudes(calls) if at <= event_s]
    after = [alt for at, alt in _altitudes(calls) if at > event_s]
    return before[-1] - min(after) if before and after else None
