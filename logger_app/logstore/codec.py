"""Records to journal bodies and back: plain dicts of JSON values. Pure.

Every `..._to_body` has a `body_to_...` that gives an equal record. A body that cannot be read
raises `LogDamaged` naming what it should have been. `..._row` wraps a record as a journal row.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from logger_app.errors import LogDamaged
from logger_app.records.calls import Action, Alternative, CallKind, CaptureGap, Correction, Flag, HeardCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind


@contextmanager
def _reading(what: str, body: dict) -> Iterator[None]:
    """Turn any misfit of a body into one sentence."""
    try:
        yield
    except (KeyError, TypeError, ValueError, AttributeError) as err:
        name = body.get("id", "?") if isinstance(body, dict) else "?"
        why = f"no {err}" if isinstance(err, KeyError) else str(err)
        raise LogDamaged(f"journal: {what} {name} cannot be read ({why}).") from err


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
            {"kind": str(a.kind), "name": a.name, "value": a.value, "posterior": a.posterior}
            for a in call.alternatives
        ],
        "proposed": call.proposed,
        "word_times": [list(item) for item in call.word_times],
        "engine": call.engine,
        "pack": call.pack,
    }


def body_to_call(body: dict) -> HeardCall:
    """The heard call that a journal body holds; `LogDamaged` when it does not."""
    with _reading("call", body):
        return HeardCall(
            id=body["id"],
            start_ns=body["start_ns"],
            end_ns=body["end_ns"],
            kind=CallKind(body["kind"]),
            name=body["name"],
            value=body.get("value"),
            unit=body.get("unit"),
            words=body.get("words", ""),
            posterior=body.get("posterior", 1.0),
            flags=tuple(Flag(flag) for flag in body.get("flags", ())),
            alternatives=tuple(
                Alternative(
                    kind=CallKind(a["kind"]), name=a["name"], value=a["value"], posterior=a["posterior"]
                )
                for a in body.get("alternatives", ())
            ),
            proposed=body.get("proposed"),
            word_times=tuple((w, s, e) for w, s, e in body.get("word_times", ())),
            engine=body.get("engine", ""),
            pack=body.get("pack", ""),
        )


def correction_to_body(correction: Correction) -> dict:
    """A correction as a journal body."""
    return {
        "id": correction.id,
        "utc": correction.utc,
        "who": correction.who,
        "action": str(correction.action),
        "target": correction.target,
        "payload": dict(correction.payload),
        "why": correction.why,
        "replaces": correction.replaces,
    }


def body_to_correction(body: dict) -> Correction:
    """The correction that a journal body holds; `LogDamaged` when it does not."""
    with _reading("correction", body):
        return Correction(
            id=body["id"],
            utc=body["utc"],
            who=body["who"],
            action=Action(body["action"]),
            target=body["target"],
            payload=tuple(body.get("payload", {}).items()),
            why=body.get("why", ""),
            replaces=body.get("replaces"),
        )


def gap_to_body(gap: CaptureGap) -> dict:
    """A gap as a journal body."""
    return {"start_ns": gap.start_ns, "end_ns": gap.end_ns, "why": gap.why}


def body_to_gap(body: dict) -> CaptureGap:
    """The gap that a journal body holds; `LogDamaged` when it does not."""
    with _reading("gap", body):
        return CaptureGap(start_ns=int(body["start_ns"]), end_ns=int(body["end_ns"]), why=body["why"])


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
            source=body["source"],
            offset_s=float(body["offset_s"]),
            drift_ppm=float(body.get("drift_ppm", 0.0)),
            u_s=float(body.get("u_s", 0.0)),
            valid_from_s=float(body.get("valid_from_s", 0.0)),
            valid_to_s=float("inf") if valid_to_s is None else float(valid_to_s),
            method=body.get("method", "sound"),
            evidence=tuple(body.get("evidence", {}).items()),
        )


def info_to_body(info: FlightInfo, **extra) -> dict:
    """What a flight is, as a journal body; `extra` adds keys (campaign, app, pack, engine)."""
    return {
        "name": info.id,
        "configuration": info.configuration,
        "loading": {"items": dict(info.loading_items), "fuel_l": info.fuel_l},
        "who": info.who,
        "started_utc": info.started_utc,
        **extra,
    }


def body_to_info(body: dict) -> FlightInfo:
    """What a flight is, from a journal body; `LogDamaged` when it cannot be read."""
    with _reading("flight", body):
        loading = body.get("loading") or {}
        return FlightInfo(
            id=body["name"],
            configuration=body.get("configuration"),
            loading_items=tuple((name, float(kg)) for name, kg in loading.get("items", {}).items()),
            fuel_l=loading.get("fuel_l"),
            started_utc=body.get("started_utc", ""),
            who=body.get("who", ""),
        )


def call_row(call: HeardCall, utc: str) -> JournalRow:
    """A heard call as a row; the row bears the call's id and time."""
    return JournalRow(
        id=call.id, flight_ns=call.start_ns, utc=utc, kind=RowKind.CALL, body=call_to_body(call)
    )


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
    return JournalRow(
        id=id, flight_ns=flight_ns, utc=utc, kind=RowKind.CLOCK_MAP, body=clock_map_to_body(clock_map)
    )
