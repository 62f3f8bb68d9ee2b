"""Records to journal bodies and back: plain dicts of JSON values. Pure.

Every `..._to_body` has a `body_to_...` that gives an equal record. A body that cannot be read
raises `LogDamaged` naming what it should have been. `..._row` wraps a record as a journal row.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

from logger_app.errors import LogDamaged
from logger_app.records.calls import Action, Alternative, CallKind, CaptureGap, Correction, Flag, HeardCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.records.plan import TestPoint
from logger_app.units import AIRSPEED_UNITS

# Eleven days and a half: longer than any flight, short enough that nothing computed from it overflows.
MAX_NS = 10**15
_CALL_KINDS = {str(kind): kind for kind in CallKind}
_MISFITS = (KeyError, TypeError, ValueError, AttributeError, OverflowError)


@contextmanager
def _reading(what: str, body: dict) -> Iterator[None]:
    """Turn any misfit of a body into one sentence."""
    try:
        yield
    except _MISFITS as err:
        raise _damaged(what, body, err) from err


def _damaged(what: str, body: dict, err: Exception) -> LogDamaged:
    name = body.get("id", "?") if isinstance(body, dict) else "?"
    why = f"no {err}" if isinstance(err, KeyError) else str(err)
    return LogDamaged(f"journal: {what} {str(name)[:60]!r} cannot be read ({why[:200]}).")


def _ns(value) -> int:
    """A time on the flight clock; what no flight can last is damage, or somebody's trap."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= MAX_NS:
        raise ValueError(f"time {value!r}; needs 0 to {MAX_NS} ns")
    return int(value)


def _value(value) -> float | str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError(f"value {value!r}; needs a number, a word or null")
    return value


def _number(value, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError(f"{what} {value!r}; needs a number")
    return float(value)


def _optional(read, value, what: str):
    return None if value is None else read(value, what)


def _plain(pairs: dict) -> tuple[tuple[str, object], ...]:
    """Texts, numbers, truth values and nulls by name: records hold nothing that can be changed."""
    for value in pairs.values():
        if not isinstance(value, bool):
            _value(value)
    return tuple(pairs.items())


def _decade(value) -> int:
    if type(value) is not int or not 1 <= value <= 9:
        raise ValueError(f"decade {value!r}; needs 1 to 9")
    return value


def _folder_name(value) -> str:
    """A flight's name is its folder's name: one that leads elsewhere is somebody's trap."""
    name = _text(value, "name")
    if name in ("", ".", "..") or any(sign in name for sign in "/\\\0"):
        raise ValueError(f"name {name!r}; needs a folder's name")
    return name


def _unit(kind: CallKind, unit) -> str | None:
    if unit is not None and kind is CallKind.AIRSPEED and unit not in AIRSPEED_UNITS:
        raise ValueError(f"unit {unit!r}; needs one of {', '.join(AIRSPEED_UNITS)}")
    return None if unit is None else _text(unit, "unit")


def _payload(payload: dict) -> tuple[tuple[str, object], ...]:
    """A correction's payload with the keys that the fold reads checked."""
    if payload == {}:
        return ()
    checks = {
        "flight_ns": _ns,
        "value": _value,
        "kind": CallKind,
        "name": lambda name: _text(name, "name"),
        "unit": lambda u: _unit(CallKind.AIRSPEED, u),
    }
    for key, value in payload.items():
        if (
            value is not None
            and key in checks
            and not (key == "unit" and payload.get("kind") not in (None, "airspeed"))
        ):
            checks[key](value)
    return _plain(payload)


def _text(value, what: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{what} {value!r}; needs text")
    return value


def call_to_body(call: HeardCall) -> dict:
    """A heard call as a journal body."""
    return {
        "id": call.id,
        "start_ns": call.start_ns,
        "end_ns": call.end_ns,
        "kind": str(call.kind),
        "name": call.name,
        "value": call.value,
        "unit": call.unit,
        "words": call.words,
        "posterior": call.posterior,
        "flags": [str(flag) for flag in call.flags],
        "alternatives": [
            {"kind": str(a.kind), "name": a.name, "value": a.value, "posterior": a.posterior} for a in call.alternatives
        ],
        "proposed": call.proposed,
        "word_times": [list(item) for item in call.word_times],
        "engine": call.engine,
        "pack": call.pack,
    }


def body_to_call(body: dict) -> HeardCall:
    """The heard call that a journal body holds; `LogDamaged` when it does not."""
    try:  # not `_reading`: most of a journal is calls
        id, start_ns, end_ns = _text(body["id"], "id"), _ns(body["start_ns"]), _ns(body["end_ns"])
        kind = _CALL_KINDS.get(body["kind"]) or CallKind(body["kind"])
        return HeardCall(
            id=id,
            start_ns=start_ns,
            end_ns=end_ns,
            kind=kind,
            name=_text(body["name"], "name"),
            value=_value(body.get("value")),
            unit=_unit(kind, body.get("unit")),
            words=_text(body.get("words", ""), "words"),
            posterior=float(body.get("posterior", 1.0)),
            flags=tuple(map(Flag, body.get("flags", ()))),
            alternatives=tuple(map(_alternative, body.get("alternatives", ()))),
            proposed=_value(body.get("proposed")),
            word_times=tuple([(_text(w, "word"), _ns(s), _ns(e)) for w, s, e in body.get("word_times", ())]),
            engine=_text(body.get("engine", ""), "engine"),
            pack=_text(body.get("pack", ""), "pack"),
        )
    except _MISFITS as err:
        raise _damaged("call", body, err) from err


def _alternative(body: dict) -> Alternative:
    return Alternative(
        kind=CallKind(body["kind"]),
        name=_text(body["name"], "name"),
        value=_value(body["value"]),
        posterior=float(body["posterior"]),
    )


def correction_to_body(correction: Correction) -> dict:
    """A correction as a journal body."""
    alone = correction.together is None
    return {
        "id": correction.id,
        "utc": correction.utc,
        "who": correction.who,
        "action": str(correction.action),
        "target": correction.target,
        "payload": dict(correction.payload),
        "why": correction.why,
        "replaces": correction.replaces,
    } | ({} if alone else {"together": correction.together})


def body_to_correction(body: dict) -> Correction:
    """The correction that a journal body holds; `LogDamaged` when it does not."""
    try:
        return Correction(
            id=_text(body["id"], "id"),
            utc=_text(body["utc"], "utc"),
            who=_text(body["who"], "who"),
            action=Action(body["action"]),
            target=_text(body["target"], "target"),
            payload=_payload(body.get("payload", {})),
            why=_text(body.get("why", ""), "why"),
            replaces=_optional(_text, body.get("replaces"), "replaces"),
            together=_optional(_text, body.get("together"), "together"),
        )
    except _MISFITS as err:
        raise _damaged("correction", body, err) from err


def gap_to_body(gap: CaptureGap) -> dict:
    """A gap as a journal body."""
    return {"start_ns": gap.start_ns, "end_ns": gap.end_ns, "why": gap.why, "breaks": gap.breaks}


def body_to_gap(body: dict) -> CaptureGap:
    """The gap that a journal body holds; `LogDamaged` when it does not."""
    with _reading("gap", body):
        return CaptureGap(
            start_ns=_ns(body["start_ns"]),
            end_ns=_ns(body["end_ns"]),
            why=_text(body["why"], "why"),
            breaks=bool(body.get("breaks", True)),
        )


def clock_map_to_body(clock_map: ClockMap) -> dict:
    """A clock map as a journal body; an open end is null."""
    open_ended = clock_map.valid_to_s == float("inf")
    return {
        "source": clock_map.source,
        "offset_s": clock_map.offset_s,
        "drift_ppm": clock_map.drift_ppm,
        "u_s": clock_map.u_s,
        "valid_from_s": clock_map.valid_from_s,
        "valid_to_s": None if open_ended else clock_map.valid_to_s,
        "method": clock_map.method,
        "evidence": dict(clock_map.evidence),
    }


def body_to_clock_map(body: dict) -> ClockMap:
    """The clock map that a journal body holds; `LogDamaged` when it does not."""
    with _reading("clock map", body):
        valid_to_s = body.get("valid_to_s")
        return ClockMap(
            source=_text(body["source"], "source"),
            offset_s=_number(body["offset_s"], "offset_s"),
            drift_ppm=_number(body.get("drift_ppm", 0.0), "drift_ppm"),
            u_s=_number(body.get("u_s", 0.0), "u_s"),
            valid_from_s=_number(body.get("valid_from_s", 0.0), "valid_from_s"),
            valid_to_s=float("inf") if valid_to_s is None else _number(valid_to_s, "valid_to_s"),
            method=_text(body.get("method", "sound"), "method"),
            evidence=cast("tuple[tuple[str, float | str], ...]", _plain(body.get("evidence", {}))),
        )


def info_to_body(info: FlightInfo, **extra) -> dict:
    """What a flight is, as a journal body; `extra` adds keys (campaign, app, pack, engine)."""
    return {
        "name": info.id,
        "configuration": info.configuration,
        "loading": {"items": dict(info.loading_items), "fuel_l": info.fuel_l},
        "who": info.who,
        "started_utc": info.started_utc,
        **({"dated_by": info.dated_by} if info.dated_by else {}),
        **({"heard_utc": info.heard_utc} if info.heard_utc else {}),
        **({"confusions": [list(pair) for pair in info.confusions]} if info.confusions else {}),
        **extra,
    }


def body_to_info(body: dict) -> FlightInfo:
    """What a flight is, from a journal body; `LogDamaged` when it cannot be read."""
    with _reading("flight", body):
        loading = body.get("loading") or {}
        return FlightInfo(
            id=_folder_name(body["name"]),
            configuration=_optional(_text, body.get("configuration"), "configuration"),
            loading_items=tuple((name, _number(kg, name)) for name, kg in loading.get("items", {}).items()),
            fuel_l=_optional(_number, loading.get("fuel_l"), "fuel_l"),
            started_utc=_text(body.get("started_utc", ""), "started_utc"),
            who=_text(body.get("who", ""), "who"),
            dated_by=_text(body.get("dated_by", ""), "dated_by"),
            heard_utc=_text(body.get("heard_utc", ""), "heard_utc"),
            confusions=tuple((_decade(heard), _decade(meant)) for heard, meant in body.get("confusions", ())),
        )


POINT_FIELDS = ("id", "card", "power", "power_rpm", "power_pct", "flap_deg", "bank_deg", "runs_wanted")


def points_to_body(points: Iterable[TestPoint]) -> list[dict]:
    """The test points as they are when a flight is flown, for its `FLIGHT` row."""
    return [{name: getattr(point, name) for name in POINT_FIELDS} for point in points]


def body_to_points(body: object) -> tuple[TestPoint, ...] | None:
    """The test points that a flight was flown under; None where its journal does not hold them."""
    if not isinstance(body, list):
        return None
    with _reading("flight", {"id": "points"}):
        return tuple(
            TestPoint(
                id=_text(one["id"], "id"),
                card=_text(one["card"], "card"),
                power=_text(one["power"], "power"),
                power_rpm=_optional(_number, one.get("power_rpm"), "power_rpm"),
                power_pct=_optional(_number, one.get("power_pct"), "power_pct"),
                flap_deg=_number(one["flap_deg"], "flap_deg"),
                bank_deg=_number(one["bank_deg"], "bank_deg"),
                runs_wanted=int(_number(one.get("runs_wanted", 3), "runs_wanted")),
            )
            for one in body
        )


def flight_info(rows: Iterable[JournalRow], where: Path) -> FlightInfo:
    """What a flight is: its `FLIGHT` rows, later ones over earlier ones.

    Raises
    ------
    LogDamaged
        There is none, or it cannot be read.
    """
    return body_to_info(flight_body(rows, where))


def flight_body(rows: Iterable[JournalRow], where: Path) -> dict:
    """All keys of the `FLIGHT` rows, later ones over earlier ones; `LogDamaged` if none."""
    body: dict = {}
    for row in rows:
        if row.kind is RowKind.FLIGHT:
            body.update(row.body)
    if not body:
        raise LogDamaged(f"{where}: the journal has no row about its flight.")
    return body


def body_to_proposal(body: dict) -> tuple[str, float | str | None]:
    """Which call a proposal is for, and the value; `LogDamaged` when it cannot be read."""
    with _reading("proposal", body):
        return _text(body["call"], "call"), _value(body["value"])


def _of(*kinds: type):
    return lambda value: (
        value is None or (isinstance(value, kinds) and not (isinstance(value, bool) and bool not in kinds))
    )


def _texts(value) -> bool:
    return value is None or (isinstance(value, list) and all(isinstance(one, str) for one in value))


def _bodies(value) -> bool:
    return value is None or (
        isinstance(value, list) and all(isinstance(one, dict) and fits(RowKind.SECOND, one) for one in value)
    )


def _file_name(value) -> bool:
    return isinstance(value, str) and value != "" and "\0" not in value


def _at_ns(value) -> bool:
    return value is None or (type(value) is int and 0 <= value <= MAX_NS)


def _length_s(value) -> bool:
    return value is None or (
        isinstance(value, (int, float)) and not isinstance(value, bool) and 0 <= value <= MAX_NS / 1e9
    )


_text_or_null = _of(str)
# What is read without a record of its own: keys and what their values must be. Others may be there.
_SHAPES = {
    RowKind.MEDIA: {"file": _file_name, "sha256": _text_or_null, "camera": _text_or_null, "duration_s": _length_s},
    RowKind.CLOCK_MAP: {"source": _file_name},
    RowKind.STEP: {key: _text_or_null for key in ("step", "card", "point", "run", "by", "call")},
    RowKind.SECOND: {
        "call": _text_or_null,
        "id": _text_or_null,
        "name": _text_or_null,
        "value": _of(int, float, str),
        "start_ns": _at_ns,
        "heard": _bodies,
    },
    RowKind.ERASED: {"files": _texts},
}


def fits(kind: str, body: dict) -> bool:
    """Whether a body has the form that is read without further questions; False for what this program never wrote."""
    if kind not in _SHAPES:
        return True
    return all(check(body.get(key)) for key, check in _SHAPES[RowKind(kind)].items())


def call_row(call: HeardCall, utc: str) -> JournalRow:
    """A heard call as a row; the row bears the call's id and time."""
    return JournalRow(id=call.id, flight_ns=call.start_ns, utc=utc, kind=RowKind.CALL, body=call_to_body(call))


def correction_row(correction: Correction, flight_ns: int = 0) -> JournalRow:
    """A correction as a row, at the time of what it corrects."""
    return JournalRow(
        id=correction.id,
        flight_ns=flight_ns,
        utc=correction.utc,
        kind=RowKind.CORRECTION,
        body=correction_to_body(correction),
    )


def gap_row(gap: CaptureGap, utc: str, id: str) -> JournalRow:
    """A gap as a row."""
    return JournalRow(id=id, flight_ns=gap.start_ns, utc=utc, kind=RowKind.GAP, body=gap_to_body(gap))


def clock_map_row(clock_map: ClockMap, utc: str, id: str, flight_ns: int = 0) -> JournalRow:
    """A clock map as a row."""
    return JournalRow(id=id, flight_ns=flight_ns, utc=utc, kind=RowKind.CLOCK_MAP, body=clock_map_to_body(clock_map))
