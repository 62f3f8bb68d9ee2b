"""What the tufts of all runs of a test point say, by configuration: for the verb, the screen and the report.

Main names: `RunMarks`, `marks_of_runs`, `marks_of_flight`, `wing_maps`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.runs import FlightData, Run
from logger_app.sync.tufts import SpanMap, TuftMark, body_to_mark, span_map, standing
from logger_app.workflows import campaign as flow


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMarks:
    """The standing marks of one run."""

    flight: str
    run: str
    configuration: str
    point: str
    marks: tuple[TuftMark, ...]


def marks_of_runs(campaign_dir: Path, flights: Sequence[FlightData], point: str | None = None) -> tuple[RunMarks, ...]:
    """Marks of the runs that have any.

    Returns
    -------
    tuple of RunMarks
        By flight and run, discarded runs left out.

    Raises
    ------
    LogError, SyncError
        A journal cannot be read, or a row in it is not that of a mark.
    """
    found: list[RunMarks] = []
    for data in flights:
        if _runs_with_marks(data, point):
            with Journal.open(flow.folder_of(campaign_dir, data), read_only=True) as journal:
                found += marks_of_flight(data, journal.rows(RowKind.TUFT), point)
    return tuple(found)


def marks_of_flight(data: FlightData, rows: Iterable[JournalRow], point: str | None = None) -> list[RunMarks]:
    """As `marks_of_runs`, for one flight and the rows of its journal."""
    marks = standing(body_to_mark(row.body, row.flight_ns) for row in rows if row.kind is RowKind.TUFT)
    found = []
    for run in _runs_with_marks(data, point) if marks else ():
        mine = tuple(mark for mark in marks if run.start_ns <= mark.flight_ns < run.end_ns)
        if mine and run.point and data.info.configuration:
            found.append(
                RunMarks(
                    flight=data.info.id, run=run.id, configuration=data.info.configuration, point=run.point, marks=mine
                )
            )
    return found


def _runs_with_marks(data: FlightData, point: str | None) -> list[Run]:
    """Runs whose marks count: of a known configuration and test point, not discarded."""
    if not data.info.configuration:
        return []
    return [run for run in data.runs.runs if not run.discarded and run.point and point in (None, run.point)]


def wing_maps(marked: Iterable[RunMarks], point: str, configurations: Sequence[str]) -> dict[str, SpanMap]:
    """The spanwise map of each configuration at a point, over all its runs."""
    marked = [one for one in marked if one.point == point]
    maps = {}
    for name in configurations:
        marks = [mark for one in marked if one.configuration == name for mark in one.marks]
        if marks:
            maps[name] = span_map(name, marks)
    return maps
