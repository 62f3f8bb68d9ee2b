"""Calls as a table for a spreadsheet, and what was changed in it as corrections. Pure.

One row a call. A changed value, kind, name, unit, time or status becomes a correction whose
reason is the row's `reason`; a row without `id` is a call to add; a row that is not there any
more changes nothing. Separator (comma, semicolon, tab) and a decimal comma are taken as the
spreadsheet wrote them.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence

from logger_app.errors import Fault, ReviewError
from logger_app.records.calls import Action, CallKind, CallStatus, ReviewedCall
from logger_app.units import s_to_ns

COLUMNS = (
    "id",
    "flight_s",
    "kind",
    "name",
    "value",
    "unit",
    "status",
    "heard_value",
    "posterior",
    "run",
    "point",
    "words",
    "flags",
    "reason",
)
NEEDED = ("id", "flight_s", "kind", "value")
# Three decimals are written; what differs by less was not changed by a person.
SAME_TIME_S = 0.0015
MAX_BYTES = 20_000_000
# A cell that begins so is run as a formula by spreadsheets.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

Wanted = tuple[Action, str, str, dict]


def to_csv(calls: Iterable[ReviewedCall], run_of: Mapping[str, tuple[str, str]]) -> str:
    """The table as text.

    Parameters
    ----------
    run_of : mapping of str to (str, str)
        Run number and test point by call id.

    Returns
    -------
    str
        CSV (RFC 4180), first line the column names.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for call in calls:
        run, point = run_of.get(call.id, ("", ""))
        heard = call.heard
        cells = (
            call.id,
            f"{call.flight_s:.3f}",
            str(call.kind),
            call.name,
            _text(call.value),
            call.unit or "",
            str(call.status),
            _text(call.heard_value),
            f"{call.posterior:.3f}",
            run,
            point,
            heard.words if heard else "",
            " ".join(call.flags),
            "",
        )
        writer.writerow([_safe(cell) for cell in cells])
    return out.getvalue()


def read_changes(text: str, calls: Sequence[ReviewedCall], where: str, end_s: float) -> list[Wanted]:
    """What a person changed in a table that was written by `to_csv`.

    Parameters
    ----------
    end_s : float
        End of the flight [s].

    Returns
    -------
    list of (Action, str, str, dict)
        Corrections to take, in order of the rows; for `ADD` the target is empty.

    Raises
    ------
    ReviewError
        Columns are missing, or cells cannot be read: every fault at once.
    """
    if len(text) > MAX_BYTES:
        raise ReviewError(f"{where}: {len(text)} bytes; a table of calls has at most {MAX_BYTES}.")
    text = text.removeprefix("\ufeff")
    head = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t", key=head.count)
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator, restkey="…", restval="")
    try:
        columns = [(name or "").strip() for name in reader.fieldnames or ()]
    except csv.Error as err:
        raise ReviewError(f"{where} line 1: cannot be read as a table ({err}).") from err
    missing = [name for name in NEEDED if name not in columns]
    if missing:
        got = ", ".join(name for name in columns if name)[:120] or "nothing"
        raise ReviewError(
            faults=(
                Fault(
                    where=f"{where} line 1",
                    got=f"columns {got}",
                    expected=f"also {', '.join(missing)}",
                    hint="Export the table anew and edit that one.",
                ),
            )
        )
    reader.fieldnames = columns
    by_id = {call.id: call for call in calls}
    faults: list[Fault] = []
    wanted: list[Wanted] = []
    seen: set[str] = set()
    try:
        for line, row in enumerate(reader, 2):
            cells = {name: _unsafe(cell or "").strip() for name, cell in row.items() if isinstance(cell, str)}
            if any(cells.values()):
                wanted += _row_changes(cells, by_id, f"{where} line {line}", end_s, separator, seen, faults)
    except csv.Error as err:
        raise ReviewError(f"{where} line {reader.line_num}: cannot be read as a table ({err}).") from err
    if faults:
        raise ReviewError(faults=tuple(faults))
    return wanted


def _row_changes(cells, by_id, where, end_s, separator, seen, faults) -> list[Wanted]:
    at_s = _number(cells["flight_s"], separator)
    if at_s is None or not 0 <= at_s <= end_s + SAME_TIME_S:
        faults.append(Fault(where=f"{where} flight_s", got=repr(cells["flight_s"]), expected=f"0 to {end_s:.3f} s"))
        return []
    if cells["kind"] not in list(CallKind):
        faults.append(Fault(where=f"{where} kind", got=repr(cells["kind"]), expected=", ".join(CallKind)))
        return []
    if cells.get("status") and cells["status"] not in list(CallStatus):
        faults.append(Fault(where=f"{where} status", got=repr(cells["status"]), expected=", ".join(CallStatus)))
        return []
    why, value = cells.get("reason", ""), _value(cells["value"], separator)
    if not cells["id"]:
        payload = {"flight_ns": s_to_ns(at_s), "kind": cells["kind"], "value": value}
        payload |= {key: cells[key] for key in ("name", "unit") if cells.get(key)}
        return [(Action.ADD, "", why, payload)]
    call = by_id.get(cells["id"])
    if call is None or cells["id"] in seen:
        got = "an id that is in the table twice" if call else "an id that is not in this flight"
        faults.append(Fault(where=f"{where} id", got=f"{got} ({cells['id']})", expected="ids as exported"))
        return []
    seen.add(call.id)
    return _call_changes(call, cells, at_s, value, why)


def _call_changes(call: ReviewedCall, cells: Mapping[str, str], at_s: float, value, why: str) -> list[Wanted]:
    status = cells.get("status", "")
    if status == CallStatus.REJECTED:
        return [] if call.status is CallStatus.REJECTED else [(Action.REJECT, call.id, why, {})]
    wanted: list[Wanted] = []
    payload = {}
    if value != _value(_text(call.value), ","):
        payload["value"] = value
    for key, now in (("kind", str(call.kind)), ("name", call.name), ("unit", call.unit or "")):
        if cells.get(key, "") not in ("", now):
            payload[key] = cells[key]
    if payload:
        wanted.append((Action.SET, call.id, why, payload))
    if abs(at_s - call.flight_s) > SAME_TIME_S:
        wanted.append((Action.MOVE, call.id, why, {"flight_ns": s_to_ns(at_s)}))
    reopened = call.status is CallStatus.REJECTED and status
    if not wanted and (reopened or (status == CallStatus.CONFIRMED and not call.reviewed)):
        wanted.append((Action.CONFIRM, call.id, why, {}))
    return wanted


def _number(text: str, separator: str) -> float | None:
    if separator != ",":
        text = text.replace(",", ".")
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _value(text: str, separator: str) -> float | str | None:
    number = _number(text, separator)
    return number if number is not None else (text or None)


def _text(value) -> str:
    if value is None:
        return ""
    return f"{value:.10g}" if isinstance(value, (int, float)) else str(value)


def _safe(cell: str) -> str:
    """Defuse what a spreadsheet would run; plain negative numbers stay numbers."""
    if cell.startswith(FORMULA_STARTS) and _number(cell, ",") is None:
        return f"'{cell}"
    return cell


def _unsafe(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(FORMULA_STARTS) else cell
