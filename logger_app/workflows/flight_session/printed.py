"""Journal rows and runs as `kneecall fly` prints them: as JSON, and in words for a person."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from logger_app.fly.flight_records import ClosedRun
from logger_app.logstore.codec import body_to_call
from logger_app.records.journal import JournalRow, RowKind
from logger_app.units import ns_to_s

NOTHING: Mapping[str, float] = MappingProxyType({})


def row_as_json(row: JournalRow) -> dict:
    """A journal row as `fly --json` prints it.

    Returns
    -------
    dict
        ``row`` (its kind), ``id``, ``seq``, ``flight_s``, ``utc``, and its body; a call as everywhere.
    """
    head = {
        "row": str(row.kind),
        "id": row.id,
        "seq": row.seq,
        "flight_s": round(ns_to_s(row.flight_ns), 3),
        "utc": row.utc,
    }
    if row.kind is RowKind.CALL:
        return head | body_to_call(row.body).as_json()
    body = {
        (key[:-3] + "_s" if key.endswith("_ns") else key): (round(ns_to_s(v), 3) if key.endswith("_ns") else v)
        for key, v in row.body.items()
    }
    return head | {key: value for key, value in body.items() if key not in head}


def run_as_json(run: ClosedRun, enough: Mapping[str, float] = NOTHING) -> dict:
    """A run that ended, as `fly --json` prints it; with how well its point's difference is known, where it is."""
    return {
        "row": "run",
        "id": run.id,
        "number": run.number,
        "point": run.point,
        "start_s": round(ns_to_s(run.start_ns), 3),
        "end_s": round(ns_to_s(run.end_ns), 3),
        "ended": str(run.ended),
        "discarded": run.discarded,
        "calls": list(run.calls),
        "counts": run.verdict.counts,
        **enough,
    }


def row_in_words(row: JournalRow) -> str:
    """A journal row for a person; empty for rows that say nothing to one."""
    body = row.body
    if row.kind is RowKind.CALL:
        value = body["value"]
        said = "" if value is None else f" {value}" if isinstance(value, str) else f" {value:g}"
        name = body["name"] if body["kind"] != "airspeed" else ""
        return f"{name}{said} {body['unit'] or ''}".strip()
    if row.kind is RowKind.STEP:
        return f"-- {body['step'].replace('_', ' ')}" + (f" ({body['point']})" if body["point"] else "")
    if row.kind is RowKind.VERDICT:
        return f"== {body['words']}"
    if row.kind is RowKind.GAP:
        return f"!! {body['why']} ({ns_to_s(body['end_ns'] - body['start_ns']):.1f} s)"
    return ""
