"""Calls as a table for a spreadsheet, and what was changed in it as corrections. Pure.

One row a call. A changed value, kind, name, unit, time or status becomes a correction whose
reason is the row's `reason`; a row without `id` is a call to add; a row that is not there any
more changes nothing. Separator (comma, semicolon, tab) and a decimal comma are taken as the
spreadsheet wrote them.

Each row carries in `base` what the call was when it was exported. What differs from it is what this reviewer
changed; what differs between it and now is what somebody else changed meanwhile. Where both changed the same,
and not to the same, it is a conflict, taken only on request.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace

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
    "base",
)
NEEDED = ("id", "flight_s", "kind", "value")
# Three decimals are written; what differs by less was not changed by a person.
SAME_TIME_S = 0.0015
MAX_BYTES = 20_000_000
# A cell that begins so is run as a formula by spreadsheets.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

Wanted = tuple[Action, str, str, dict]


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What a row of the table says of a call."""

    kind: str
    name: str
    value: float | str | None
    unit: str
    flight_s: float
    status: str

    @property
    def content(self) -> tuple:
        """What was said, without when."""
        return self.kind, self.name, self.value, self.unit

    @property
    def rejected(self) -> bool:
        """Whether nobody said that."""
        return self.status == CallStatus.REJECTED

    def at_same_time(self, other: State) -> bool:
        """Whether the times are alike to what the table shows."""
        return abs(self.flight_s - other.flight_s) <= SAME_TIME_S

    def in_words(self) -> str:
        """As a message shows it."""
        said = " ".join(filter(None, (self.name, _text(self.value), self.unit)))
        return f"{said} at {self.flight_s:.3f} s ({self.status})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A row that this reviewer changed, of a call that was changed otherwise since; `base` is None where not exported."""

    where: str
    id: str
    base: State | None
    mine: State
    now: State | None
    wanted: tuple[Wanted, ...] = ()

    def in_words(self) -> str:
        """One sentence."""
        was = f"exported as {self.base.in_words()}" if self.base else "exported without the column `base`"
        now = f"now {self.now.in_words()}" if self.now else "now gone"
        return f"{self.where}, {self.id}: {was}; {now}; your table: {self.mine.in_words()}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What a person changed in a table: `wanted` may be taken, `conflicts` not without being asked for."""

    wanted: tuple[Wanted, ...]
    conflicts: tuple[Conflict, ...] = ()


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
            json.dumps({"id": call.id, **asdict(_state(call))}, separators=(",", ":")),
        )
        writer.writerow([_safe(cell) for cell in cells])
    return out.getvalue()


def read_changes(text: str, calls: Sequence[ReviewedCall], where: str, end_s: float) -> Changes:
    """What a person changed in a table that was written by `to_csv`.

    Parameters
    ----------
    calls : sequence of ReviewedCall
        As they are now.
    end_s : float
        End of the flight [s].

    Returns
    -------
    Changes
        Corrections (action, target, reason, payload) in order of the rows, for `ADD` without a target; and the
        conflicts, each with the corrections that would have it as the table says.

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
                    hint="Export the table again and edit that copy.",
                ),
            )
        )
    reader.fieldnames = columns
    rows = _Rows({call.id: call for call in calls}, end_s, separator)
    try:
        for line, row in enumerate(reader, 2):
            cells = {name: _unsafe(cell or "").strip() for name, cell in row.items() if isinstance(cell, str)}
            if any(cells.values()):
                rows.take(cells, f"{where} line {line}")
    except csv.Error as err:
        raise ReviewError(f"{where} line {reader.line_num}: cannot be read as a table ({err}).") from err
    if rows.faults:
        raise ReviewError(faults=tuple(rows.faults))
    return Changes(wanted=tuple(rows.wanted), conflicts=tuple(rows.conflicts))


class _Rows:
    """Rows of a table as they are read: changes, conflicts and faults."""

    def __init__(self, by_id: Mapping[str, ReviewedCall], end_s: float, separator: str):
        self.by_id, self.end_s, self.separator = by_id, end_s, separator
        self.wanted: list[Wanted] = []
        self.conflicts: list[Conflict] = []
        self.faults: list[Fault] = []
        self.seen: set[str] = set()

    def take(self, cells: Mapping[str, str], where: str) -> None:
        """The next row."""
        at_s = _number(cells["flight_s"], self.separator)
        if at_s is None or not 0 <= at_s <= self.end_s + SAME_TIME_S:
            self.fault(f"{where} flight_s", repr(cells["flight_s"]), f"0 to {self.end_s:.3f} s")
        elif cells["kind"] not in list(CallKind):
            self.fault(f"{where} kind", repr(cells["kind"]), ", ".join(CallKind))
        elif cells.get("status") and cells["status"] not in list(CallStatus):
            self.fault(f"{where} status", repr(cells["status"]), ", ".join(CallStatus))
        elif cells["id"]:
            self.change(cells, at_s, where)
        else:
            self.add(cells, at_s)

    def fault(self, where: str, got: str, expected: str) -> None:
        self.faults.append(Fault(where=where, got=got, expected=expected))

    def add(self, cells: Mapping[str, str], at_s: float) -> None:
        value = _value(cells["value"], self.separator)
        payload = {"flight_ns": s_to_ns(at_s), "kind": cells["kind"], "value": value}
        payload |= {key: cells[key] for key in ("name", "unit") if cells.get(key)}
        name = "ias" if cells["kind"] == CallKind.AIRSPEED else cells.get("name", "")
        for call in self.by_id.values():  # the same table taken twice adds nothing twice
            same = (str(call.kind), call.name, call.value) == (cells["kind"], name, value)
            if same and call.counts and abs(call.flight_s - at_s) <= SAME_TIME_S:
                return
        self.wanted.append((Action.ADD, "", cells.get("reason", ""), payload))

    def change(self, cells: Mapping[str, str], at_s: float, where: str) -> None:
        id, call = cells["id"], self.by_id.get(cells["id"])
        try:
            base = _base(cells.get("base", ""), id)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            if call is not None:
                self.fault(f"{where} base", repr(cells["base"]), f"what was exported for {id}, unchanged")
                return
            base = None
        if id in self.seen or (call is None and base is None):
            got = "an id that is in the table twice" if id in self.seen else "an id that is not in this flight"
            self.fault(f"{where} id", f"{got} ({id})", "ids as exported")
            return
        self.seen.add(id)
        now = _state(call) if call else None
        before = base or now
        assert before is not None  # call or base is there
        mine = State(
            kind=cells["kind"],
            name=cells.get("name") or before.name,
            value=_value(cells["value"], self.separator),
            unit=cells.get("unit") or before.unit,
            flight_s=before.flight_s if abs(at_s - before.flight_s) <= SAME_TIME_S else at_s,
            status=cells.get("status") or before.status,
        )
        if mine.kind != before.kind and mine.unit == before.unit:
            mine = replace(mine, unit="")  # the unit of another kind of call
        if mine.kind == CallKind.AIRSPEED:
            mine = replace(mine, name="ias")
        if now is not None and mine.kind == now.kind and not mine.unit:
            mine = replace(mine, unit=now.unit)
        if mine == before:
            return
        why = cells.get("reason", "")
        wanted = [] if now is None or call is None else _corrections(call, before, now, mine, why)
        if now is None or (wanted and (base is None or _conflict(base, now, mine))):
            self.conflicts.append(Conflict(where=where, id=id, base=base, mine=mine, now=now, wanted=tuple(wanted)))
        else:
            self.wanted += wanted


def _state(call: ReviewedCall) -> State:
    """A call as its row shows it: what the spreadsheet cannot keep is rounded away here already."""
    return State(
        kind=str(call.kind),
        name=call.name,
        value=_value(_text(call.value), ","),
        unit=call.unit or "",
        flight_s=round(call.flight_s, 3),
        status=str(call.status),
    )


def _base(cell: str, id: str) -> State | None:
    """What the row was exported with; None where it does not say, `ValueError` where it is another call's."""
    if not cell:
        return None
    body = json.loads(cell)
    if body.pop("id") != id:
        raise ValueError(f"of {id}")
    texts = all(isinstance(body[name], str) for name in ("kind", "name", "unit", "status"))
    if not texts or not isinstance(body["flight_s"], (int, float)) or isinstance(body["value"], (bool, list, dict)):
        raise TypeError(id)
    return State(**body)


@dataclass(frozen=True, slots=True)
class _Changed:
    """What somebody changed of a call between two states."""

    content: bool
    time: bool
    rejected: bool
    reopened: bool
    confirmed: bool

    @classmethod
    def between(cls, before: State, after: State) -> _Changed:
        content, time = after.content != before.content, not after.at_same_time(before)
        return cls(
            content=content,
            time=time,
            rejected=after.rejected and not before.rejected,
            reopened=before.rejected and not after.rejected,
            # Who changes the call itself decides more than that it is right; one that was corrected needs no second word.
            confirmed=(before.status, after.status) == (CallStatus.HEARD, CallStatus.CONFIRMED)
            and not (content or time),
        )

    def spares(self, other: _Changed) -> bool:
        """Whether this decision leaves the other's as it is, whatever the two say."""
        return not (self.rejected and (other.content or other.time or other.confirmed))


NOTHING = _Changed(False, False, False, False, False)


def _conflict(base: State, now: State, mine: State) -> bool:
    """Whether somebody else changed since the export what this reviewer changed or decided on.

    The same whoever of the two came first.
    """
    theirs, ours = _Changed.between(base, now), _Changed.between(base, mine)
    if not ours.spares(theirs) or not theirs.spares(ours):
        return True
    if not (mine.at_same_time(now) or not (ours.time and theirs.time)):
        return True
    if mine.content == now.content:
        return False
    on_content = [one.content or one.confirmed or one.reopened for one in (ours, theirs)]
    return all(on_content) and (ours.content or theirs.content)


def _corrections(call: ReviewedCall, base: State, now: State, mine: State, why: str) -> list[Wanted]:
    """What makes the call as the row says; of the row counts only what differs from the export."""
    ours = _Changed.between(base, mine)
    if mine.rejected:
        return [(Action.REJECT, call.id, why, {})] if ours.rejected and not now.rejected else []
    wanted: list[Wanted] = []
    if (ours.content or ours.confirmed or ours.reopened) and mine.content != now.content:
        fields = ("kind", "name", "value", "unit")
        payload = {key: getattr(mine, key) for key in fields if getattr(mine, key) not in (getattr(now, key), "")}
        wanted.append((Action.SET, call.id, why, payload))
    if ours.time and not mine.at_same_time(now):
        wanted.append((Action.MOVE, call.id, why, {"flight_ns": s_to_ns(mine.flight_s)}))
    if not wanted and ((now.rejected and ours != NOTHING) or (ours.confirmed and not call.reviewed)):
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
