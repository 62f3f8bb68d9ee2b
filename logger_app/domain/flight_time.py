"""Times that the rows of a flight know: up to when a flight has come, and where two parts of it lie over each other.

Flights resumed by early versions may have begun again at the end of the sound, before what had been called since;
what was called there cannot be told apart by its time. Pure. Main names: `latest_ns`, `overlaps`, `Overlap`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logger_app.records.journal import JournalRow, RowKind
from logger_app.units import NS_PER_S, ns_to_s, s_to_ns

RESTARTED = "restarted"
# A recogniser looks ahead: a call, and the step that follows from it, may come this much later than its words.
LATE_CALL_NS = s_to_ns(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """A stretch of the flight clock that two parts of the flight share; `seq` is the row that the later one begins with."""

    start_ns: int
    end_ns: int
    seq: int

    def __str__(self) -> str:
        return (
            f"the flight clock goes back at row {self.seq}: what was recorded from {ns_to_s(self.start_ns):.1f} to "
            f"{ns_to_s(self.end_ns):.1f} s belongs to two different times"
        )


@dataclass
class _Part:
    start_ns: int
    end_ns: int
    seq: int


def row_end_ns(row: JournalRow) -> int:
    """The latest time on the flight clock that a row knows [ns]: its own, or the end of what it tells of."""
    end_ns = row.flight_ns
    for key, value in row.body.items():
        if key[-3:] == "_ns" and type(value) is int and value > end_ns:
            end_ns = value
    if row.kind is RowKind.AUDIO:
        first, samples, rate_hz = (row.body.get(key) for key in ("first_sample", "samples", "rate_hz"))
        if type(first) is int and type(samples) is int and type(rate_hz) is int and rate_hz:
            end_ns = max(end_ns, (first + samples) * NS_PER_S // rate_hz)
    return end_ns


def latest_ns(rows: Iterable[JournalRow]) -> int:
    """The latest time on the flight clock that any of the rows knows [ns]; 0 without rows."""
    return max(map(row_end_ns, rows), default=0)


def overlaps(rows: Sequence[JournalRow]) -> tuple[Overlap, ...]:
    """Where parts of a flight lie over each other.

    ::

        rows in order   call 10 .. call 30 | restarted 22, call 24 .. call 40
        flight clock    ├──── part 1 ──────┤
                                   ├──────── part 2 ────────┤
                                   ├ overlap ┤

    A part ends where the program was started again, or where a call comes earlier than the ones before it.
    Calls of a stretch that was heard only after landing come late and begin no part.

    Parameters
    ----------
    rows : sequence of JournalRow
        Of one flight, in the order they were written.
    """
    kept_from_hearing = [
        (row.body["start_ns"], row.body["end_ns"])
        for row in rows
        if row.kind is RowKind.GAP and row.body.get("breaks") is False
    ]
    parts: list[_Part] = []
    for row in rows:
        if row.kind not in (RowKind.CALL, RowKind.STEP):
            continue
        start_ns, end_ns = row.flight_ns, row_end_ns(row)
        begins = not parts or (row.kind is RowKind.STEP and row.body.get("step") == RESTARTED)
        if not begins and row.kind is RowKind.CALL and start_ns < parts[-1].end_ns - LATE_CALL_NS:
            begins = not any(a <= start_ns <= b for a, b in kept_from_hearing)
        if begins:
            parts.append(_Part(start_ns, end_ns, row.seq or 0))
        else:
            parts[-1].end_ns = max(parts[-1].end_ns, end_ns)
    found = []
    for k, later in enumerate(parts):
        for earlier in parts[:k]:
            start_ns, end_ns = max(earlier.start_ns, later.start_ns), min(earlier.end_ns, later.end_ns)
            if start_ns < end_ns:
                found.append(Overlap(start_ns=start_ns, end_ns=end_ns, seq=later.seq))
    return tuple(found)
