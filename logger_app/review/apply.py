"""The fold: what was heard, plus every correction that stands, is what holds now. Pure.

The same rows in any order of arrival give the same result: corrections are taken in order of
(utc, id), and an undo is a correction too, so undoing an undo brings its target back. Nothing
is lost: a rejected call is still there, with its status.

Not for: runs (`domain.runs`), whether a correction may be taken (`review.check`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from logger_app.domain.reviewed import airspeed_kt, as_heard
from logger_app.records.calls import Action, CallKind, CallStatus, Correction, HeardCall, ReviewedCall

CALL_ACTIONS = frozenset({Action.CONFIRM, Action.SET, Action.REJECT, Action.ADD, Action.MOVE})
RUN_ACTIONS = frozenset(
    {Action.SPLIT, Action.JOIN, Action.DISCARD, Action.REINSTATE, Action.ASSIGN, Action.OVERRULE, Action.REREAD}
)
# An added call has no sound of its own to take its length from: about one spoken number.
ADDED_NS = 600_000_000


def in_force(corrections: Iterable[Correction]) -> tuple[Correction, ...]:
    """Corrections that hold: not undone, undos themselves left out, in order of (utc, id).

    Parameters
    ----------
    corrections : iterable of Correction
        All of a flight, in any order; the same one twice counts once.
    """
    by_id = {correction.id: correction for correction in corrections}
    undos = defaultdict(list)
    for correction in by_id.values():
        if correction.action is Action.UNDO:
            undos[correction.target].append(correction.id)
    known: dict[str, bool] = {}
    for id in by_id if undos else ():
        _undone(id, undos, known)
    stand = [c for c in by_id.values() if not known.get(c.id) and c.action is not Action.UNDO]
    return tuple(sorted(stand, key=lambda c: (c.utc, c.id)))


def settled_items(corrections: Iterable[Correction], calls: Iterable[ReviewedCall]) -> frozenset[str]:
    """Queue items that are no calls and that a person has looked at: a silence, a run, a test point."""
    ids = {call.id for call in calls}
    return frozenset(c.target for c in in_force(corrections) if c.action is Action.CONFIRM and c.target not in ids)


def _undone(id: str, undos: dict[str, list[str]], known: dict[str, bool]) -> bool:
    """Whether an undo that stands points at `id`. Follows chains without recursion.

    A ring of undos cannot be made by a person, only by a damaged journal; whatever is in one
    counts as not undone when it is met again.
    """
    stack = [id]
    on_path = set()
    while stack:
        here = stack[-1]
        if here in known:
            stack.pop()
            continue
        on_path.add(here)
        unsettled = [u for u in sorted(undos.get(here, ())) if u not in known and u not in on_path]
        if unsettled:
            stack.append(unsettled[0])
            continue
        known[here] = any(not known.get(u, False) for u in undos.get(here, ()))
        stack.pop()
    return known[id]


def apply_corrections(
    heard: Iterable[HeardCall], corrections: Iterable[Correction], unit: str = "kt"
) -> tuple[ReviewedCall, ...]:
    """Every call of a flight as it stands now.

    Parameters
    ----------
    corrections : iterable of Correction
        All of them, undone ones too, in any order; those on runs, or on calls that are not
        there, change nothing here.
    unit : str
        The indicator's unit, for airspeeds that bring none of their own.

    Returns
    -------
    tuple of ReviewedCall
        In order of (flight_ns, id); rejected ones included.
    """
    per_call = defaultdict(list)
    by_id = {call.id: call for call in heard}
    for correction in in_force(corrections):
        if correction.action in CALL_ACTIONS:
            per_call[correction.target].append(correction)
        elif correction.action is Action.REREAD:
            for id, value in correction.payload:
                if id in by_id and by_id[id].kind is CallKind.AIRSPEED and isinstance(value, (int, float)):
                    one = replace(correction, action=Action.SET, target=id, payload=(("value", value),))
                    per_call[id].append(one)
    calls = [_fold(id, by_id.get(id), per_call.get(id, ()), unit) for id in by_id.keys() | per_call.keys()]
    return tuple(sorted((call for call in calls if call), key=lambda call: (call.flight_ns, call.id)))


def _fold(id: str, heard: HeardCall | None, corrections: Sequence[Correction], unit: str) -> ReviewedCall | None:
    if heard and all(correction.action is Action.CONFIRM for correction in corrections):
        return as_heard(heard, unit, tuple([correction.id for correction in corrections]))
    now = as_heard(heard, unit) if heard else None
    history = []
    for correction in corrections:
        if correction.action is Action.ADD and now is None:
            now = _as_added(correction, unit)
        elif now is not None:
            now = _changed(now, correction)
        if now is not None:
            history.append(correction.id)
    if now is None or not history:
        return now
    ias_kt = airspeed_kt(now.kind, now.value, now.unit or unit)
    return replace(now, status=_status(now), ias_kt=ias_kt, history=tuple(history))


def _as_added(correction: Correction, unit: str) -> ReviewedCall:
    kind = CallKind(correction.get("kind", CallKind.AIRSPEED))
    airspeed = kind is CallKind.AIRSPEED
    start_ns = int(correction.get("flight_ns", 0))
    return ReviewedCall(
        id=correction.target,
        flight_ns=start_ns,
        end_ns=start_ns + ADDED_NS,
        kind=kind,
        name="ias" if airspeed else str(correction.get("name", "")),
        value=correction.get("value"),
        unit=correction.get("unit", unit if airspeed else None),
        status=CallStatus.ADDED,
    )


def _changed(now: ReviewedCall, correction: Correction) -> ReviewedCall:
    """The call after one correction more; whether it is confirmed, corrected or added is told at the end, by `_status`."""
    action = correction.action
    if action is Action.REJECT:
        return replace(now, status=CallStatus.REJECTED)
    if now.status is CallStatus.REJECTED:
        now = replace(now, status=CallStatus.CORRECTED)
    if action is Action.MOVE:
        start_ns = int(correction.get("flight_ns", now.flight_ns))
        return replace(now, flight_ns=start_ns, end_ns=start_ns + now.end_ns - now.flight_ns)
    if action is Action.SET:
        given: dict[str, Any] = dict(correction.payload)
        kind = CallKind(given.get("kind", now.kind))
        named = given.get("name", "ias" if kind is CallKind.AIRSPEED else now.name)
        return replace(
            now,
            kind=kind,
            name=str(named),
            value=given.get("value", now.value if kind is now.kind else None),
            unit=given.get("unit", now.unit if kind is now.kind else None),
        )
    return now


def _status(now: ReviewedCall) -> CallStatus:
    heard = now.heard
    if now.status is CallStatus.REJECTED:
        return CallStatus.REJECTED
    if heard is None:
        return CallStatus.ADDED
    same = (now.flight_ns, now.kind, now.name, now.value) == (heard.start_ns, heard.kind, heard.name, heard.value)
    return CallStatus.CONFIRMED if same and now.unit == heard.unit else CallStatus.CORRECTED
