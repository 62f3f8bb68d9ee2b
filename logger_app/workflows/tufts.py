"""The tuft marks of the runs of a campaign: for the verb, the screen and the report.

Main names: `marks_of_runs`, `marks_of_flight`, `maps_of_point`, `wing_summary`, `wings_of_one_sided`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from logger_app.domain.cameras import camera_files
from logger_app.domain.station_ratios import wings_in_runs
from logger_app.domain.tuft_grid import body_to_mark
from logger_app.domain.tufts import RunMarks, TuftMark, WingMap, differences, pairs, wing_maps
from logger_app.domain.wing_words import difference_words, first_words
from logger_app.logstore.store import Journal
from logger_app.records.journal import JournalRow, RowKind
from logger_app.records.results import OneSided, StationPair
from logger_app.records.runs import FlightData, Run
from logger_app.reduce.one_side import paired_stations
from logger_app.workflows import campaign as flow


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
        if data.info.configuration and any(run.point and point in (None, run.point) for run in data.runs.runs):
            with Journal.open(flow.folder_of(campaign_dir, data), read_only=True) as journal:
                found += marks_of_flight(data, list(journal.rows(RowKind.TUFT, RowKind.MEDIA)), point)
    return tuple(found)


def marks_of_flight(data: FlightData, rows: Sequence[JournalRow], point: str | None = None) -> list[RunMarks]:
    """As `marks_of_runs`, for one flight and the rows of its journal."""
    marks, found = flight_marks(rows), []
    for run in data.runs.runs if marks else ():
        if run.discarded or not run.point or point not in (None, run.point) or not data.info.configuration:
            continue
        if mine := marks_of_run(marks, run, data.runs.runs):
            found.append(
                RunMarks(
                    flight=data.info.id, run=run.id, configuration=data.info.configuration, point=run.point, marks=mine
                )
            )
    return found


def flight_marks(rows: Sequence[JournalRow]) -> tuple[TuftMark, ...]:
    """All marks in the rows of a flight, in their order; those that name no wing get that of their camera."""
    wings = {file.camera: file.wing for file in camera_files((r.body for r in rows if r.kind is RowKind.MEDIA), ())}
    marks = (body_to_mark(row.body, row.flight_ns) for row in rows if row.kind is RowKind.TUFT)
    return tuple(mark if mark.wing else replace(mark, wing=wings.get(mark.camera, "")) for mark in marks)


def marks_of_run(marks: Sequence[TuftMark], run: Run, runs: Sequence[Run]) -> tuple[TuftMark, ...]:
    """The marks of one run: those that name it; of those that name none (or a run that is no more), those of its time."""
    known = {one.id for one in runs}
    return tuple(
        replace(mark, run=run.id)
        for mark in marks
        if mark.run == run.id or (mark.run not in known and run.start_ns <= mark.flight_ns < run.end_ns)
    )


def wing_summary(maps: Sequence[WingMap], unit: str) -> dict:
    """Maps as `compare --json` shows them."""
    return {
        "first_separated": [
            {
                "configuration": one.configuration,
                "view": one.view,
                "station": first.station,
                "ias_kt": max((b.separated_kt for b in first.runs if b.separated_kt is not None), default=None),
                "not_separated_down_to_ias_kt": min(
                    (b.attached_kt for b in first.runs if b.attached_kt is not None), default=None
                ),
                "low_ias_kt": first.low_kt,
                "high_ias_kt": first.high_kt,
                "mean_ias_kt": first.mean_kt,
                "sd_kt": first.sd_kt,
                "runs": len(first.runs),
                "separated_in_runs": first.separated,
                "after_stall_in_runs": first.after,
                "disputed": first.disputed,
                "proposed": first.proposed,
                "words": first_words(first, unit)[1],
            }
            for one in maps
            for first in one.first
        ],
        "states": [
            {
                "configuration": one.configuration,
                "view": one.view,
                "run": mark.run,
                "station": mark.station,
                "ias_kt": mark.ias_kt,
                "state": str(mark.state),
                "proposed": mark.proposed,
            }
            for one in maps
            for mark in one.states
        ],
        "differences": [
            {
                "reference": reference.configuration,
                "changed": changed.configuration,
                "view": changed.view,
                "station": one.station,
                "difference_kt": one.middle_kt,
                "low_kt": one.low_kt,
                "high_kt": one.high_kt,
                "proposed": one.proposed,
                "words": difference_words(one, changed.configuration, unit)[1],
            }
            for reference, changed in pairs(maps)
            for one in differences(reference, changed)
        ],
    }


def maps_of_point(
    campaign_dir: Path, flights: Sequence[FlightData], point: str, configurations: Sequence[str]
) -> tuple[WingMap, ...]:
    """Maps of a test point from the journals."""
    return wing_maps(marks_of_runs(campaign_dir, flights, point), point, configurations)


def wings_of_one_sided(
    one_sided: Sequence[OneSided], marked: Sequence[RunMarks]
) -> tuple[tuple[str, tuple[StationPair, ...]], ...]:
    """Stations of both wings in the same runs, of each fit on one wing only."""
    runs = wings_in_runs(marked)
    found = []
    for one in one_sided:
        mine = [stations for configuration, stations in runs if configuration == one.configuration]
        if mine:
            found.append((one.configuration, paired_stations(mine, one.fitted_side)))
    return tuple(found)
