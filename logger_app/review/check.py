"""Whether a correction may be taken, and the correction itself with its id and time. Pure.

`correct` makes a checked correction out of what a person asked for, or raises `ReviewError`
with one sentence: an id that is not there, a value that cannot be, a time outside the flight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from difflib import get_close_matches

from logger_app.errors import ReviewError
from logger_app.records.calls import Action, CallKind, Correction, ReviewedCall
from logger_app.review.apply import CALL_ACTIONS, RUN_ACTIONS, in_force
from logger_app.units import AIRSPEED_UNITS, ns_to_s, to_kt

# No indicator of a light aircraft reads more; used where the campaign gives no never-exceed speed.
# Common practice, no source.
FASTEST_IAS_KT = 400.0
# A stall call above the never-exceed speed is a slip of the keyboard; a tenth for the dial's error.
NEVER_EXCEED_MARGIN = 1.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Current:
    """What a correction is checked against: the flight as it stands.

    `duration_ns` is the length of the recording; `names` are the event, setting and command
    names known to the language pack (empty: any name goes); `items` are ids of queue items that
    are no calls (a silence, a run to look at), which can only be confirmed: looked at, left as is.
    """

    calls: Sequence[ReviewedCall]
    runs: Sequence[str] = ()
    points: Sequence[str] = ()
    corrections: Sequence[Correction] = ()
    duration_ns: int = 0
    unit: str = "kt"
    never_exceed_ias_kt: float | None = None
    names: frozenset[str] = field(default_factory=frozenset)
    run_spans: dict[str, tuple[int, int]] = field(default_factory=dict)
    items: frozenset[str] = frozenset()

    def call(self, id: str) -> ReviewedCall | None:
        """The call with this id, or None."""
        return next((call for call in self.calls if call.id == id), None)

    @property
    def end_ns(self) -> int:
        """Where the flight ends: its sound, or its last call when there is no sound [ns]."""
        return max([self.duration_ns, *(call.end_ns for call in self.calls)])


def correct(
    now: Current, action: Action, target: str, *, id: str, utc: str, who: str, why: str = "", **payload
) -> Correction:
    """A correction that may be taken.

    Parameters
    ----------
    target : str
        Id of the call, run or correction that it is done to; for `ADD` the new call's id.
    utc : str
        Wall clock, a label; moved on a microsecond where a correction with it exists.

    Returns
    -------
    Correction
        Checked; `replaces` names the last correction that stands on the same target.

    Raises
    ------
    ReviewError
        It cannot be taken; says why in one sentence.
    """
    payload = {key: value for key, value in payload.items() if value is not None}
    if not who.strip():
        raise ReviewError("a correction needs the name of who makes it.", hint="Give --who NAME.")
    if action is Action.CONFIRM and target in now.items:
        payload = {}
    elif action in CALL_ACTIONS:
        payload = _check_call_action(now, action, target, payload)
    elif action in RUN_ACTIONS:
        payload = _check_run_action(now, action, target, payload)
    elif not any(correction.id == target for correction in now.corrections):
        raise _unknown("correction", target, [correction.id for correction in now.corrections])
    before = [c for c in in_force(now.corrections) if c.target == target]
    return Correction(
        id=id,
        utc=_after(utc, now.corrections),
        who=who.strip(),
        action=action,
        target=target,
        payload=tuple(payload.items()),
        why=why,
        replaces=before[-1].id if before else None,
    )


def last_in_force(corrections: Sequence[Correction], who: str | None = None) -> tuple[Correction, ...]:
    """What "undo" undoes: the last correction that stands (of one person, if named), with those made together with it."""
    mine = [c for c in in_force(corrections) if who is None or c.who == who]
    return made_with(mine[-1], mine) if mine else ()


def made_with(one: Correction, corrections: Sequence[Correction]) -> tuple[Correction, ...]:
    """Of these the corrections that one command made together with one, itself included, the last first."""
    return tuple(
        c for c in reversed(corrections) if c is one or (one.together is not None and c.together == one.together)
    )


def _check_call_action(now: Current, action: Action, target: str, payload: dict) -> dict:
    call = now.call(target)
    if action is Action.ADD:
        if call is not None:
            raise ReviewError(f"call {target}: already exists.", hint="Use --set to change it.")
        payload.setdefault("kind", str(CallKind.AIRSPEED))
        kind = _kind(payload["kind"])
        payload["flight_ns"] = _time(now, payload.get("flight_ns"), "the new call")
    else:
        call = _call(now, target)
        kind = _kind(payload.get("kind", call.kind))
    if action is Action.MOVE:
        payload["flight_ns"] = _time(now, payload.get("flight_ns"), f"call {target}")
    if action is Action.SET and not payload.keys() & {"value", "unit", "kind", "name"}:
        raise ReviewError(f"call {target}: nothing to set; give a value, a kind or a name.")
    if action in (Action.ADD, Action.SET):
        payload["kind"] = str(kind)
        _check_content(now, kind, target, payload, None if action is Action.ADD else call)
    if action is Action.CONFIRM and kind is CallKind.AIRSPEED and call is not None and call.value is None:
        raise ReviewError(f"call {target}: has no value to confirm.", hint=f"Use --set {target} VALUE.")
    return payload


def _call(now: Current, id: str) -> ReviewedCall:
    call = now.call(id)
    if call is None:
        raise _unknown("call", id, [c.id for c in now.calls])
    return call


def _check_content(now: Current, kind: CallKind, target: str, payload: dict, call: ReviewedCall | None) -> None:
    if kind is CallKind.AIRSPEED:
        before = call if call is not None and call.kind is kind else None
        value = payload.get("value", before.value if before else None)
        payload["value"] = _airspeed(now, value, payload.get("unit") or (before.unit if before else None), target)
        payload["name"] = "ias"
        payload.setdefault("unit", (before.unit if before else None) or now.unit)
        return
    name = payload.get("name") or (call.name if call is not None and call.kind is kind else None)
    if not name:
        raise ReviewError(f"call {target}: {_article(kind)} needs a name, such as buffet or flap.")
    if now.names and name not in now.names:
        raise _unknown("name", str(name), sorted(now.names))
    payload["name"] = str(name)
    value = payload.get("value")
    if isinstance(value, float) and not math.isfinite(value):
        raise ReviewError(f"call {target}: {value} is not a value.")


def _airspeed(now: Current, value, unit: str | None, target: str) -> float:
    unit = unit or now.unit
    if unit not in AIRSPEED_UNITS:
        raise ReviewError(f"call {target}: unit {unit!r}; allowed: {', '.join(AIRSPEED_UNITS)}.")
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ReviewError(f"call {target}: an airspeed is a number in {unit}; got {value!r}.") from None
    most_kt = now.never_exceed_ias_kt * NEVER_EXCEED_MARGIN if now.never_exceed_ias_kt else FASTEST_IAS_KT
    if not math.isfinite(number) or not 0 < to_kt(number, unit) <= most_kt:
        most = most_kt / AIRSPEED_UNITS[unit]
        raise ReviewError(
            f"call {target}: {number:g} {unit} cannot be an airspeed here; it must be more than 0 "
            f"and at most {most:.0f} {unit}."
        )
    return number


def _check_run_action(now: Current, action: Action, target: str, payload: dict) -> dict:
    if target not in now.runs:
        raise _unknown("run", target, now.runs)
    if action is Action.JOIN:
        other = str(payload.get("other", ""))
        if other not in now.runs:
            raise _unknown("run", other, now.runs)
        if other == target:
            raise ReviewError(f"run {target}: cannot be joined with itself.")
    if action is Action.SPLIT:
        at_ns = payload["flight_ns"] = _time(now, payload.get("flight_ns"), f"run {target}")
        start_ns, end_ns = now.run_spans.get(target, (0, now.end_ns))
        if not start_ns < at_ns < end_ns:
            raise ReviewError(
                f"run {target}: cannot be split at {ns_to_s(at_ns):.1f} s; it lasts from "
                f"{ns_to_s(start_ns):.1f} to {ns_to_s(end_ns):.1f} s."
            )
    if action is Action.REREAD:
        payload = {id: _airspeed(now, value, _call(now, id).unit, id) for id, value in payload.items()}
        if not payload:
            raise ReviewError(f"run {target}: nothing to read again; no decade is proposed for it.")
    if action is Action.ASSIGN:
        point = str(payload.get("point", ""))
        if point not in now.points:
            raise _unknown("test point", point, now.points)
    return payload


def _time(now: Current, flight_ns, what: str) -> int:
    if flight_ns is None:
        raise ReviewError(f"{what}: a time on the flight clock is missing.")
    if not 0 <= flight_ns <= now.end_ns:
        raise ReviewError(
            f"{what}: {ns_to_s(flight_ns):.1f} s is outside the flight, which lasts from 0 to {ns_to_s(now.end_ns):.1f} s."
        )
    return int(flight_ns)


def _kind(kind) -> CallKind:
    try:
        return CallKind(kind)
    except ValueError:
        raise ReviewError(f"kind {str(kind)!r}; allowed: {', '.join(CallKind)}.") from None


def _article(kind: CallKind) -> str:
    return f"an {kind}" if kind is CallKind.EVENT else f"a {kind}"


def _unknown(what: str, id: str, known: Sequence[str]) -> ReviewError:
    near = get_close_matches(id, known, n=1)
    hint = f"Did you mean {near[0]}?" if near else f"There are {len(known)}; `--list` shows them."
    return ReviewError(f"{what} {id!r}: is not in this flight.", hint=hint)


def _after(utc: str, corrections: Sequence[Correction]) -> str:
    """The label, moved past the last correction's: the fold takes corrections in order of time,

    and two in the same microsecond, or a clock that went back between two of them, must not swap
    what a person did first and what next.
    """
    last = max((c.utc for c in corrections), default="")
    if utc > last:
        return utc
    moved = datetime.fromisoformat(last) + timedelta(microseconds=1)
    return moved.isoformat(timespec="microseconds").replace("+00:00", "Z")
