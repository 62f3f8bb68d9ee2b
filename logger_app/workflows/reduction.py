"""Reducing a campaign to its results file and tables; making a calibration from GPS legs.

What `kneecall reduce` and `kneecall calibrate` do, without their options and printing.
"""

from __future__ import annotations

import gc
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from logger_app.errors import Fault, ReduceError, ReportError
from logger_app.records.plan import CalibrationTable, Campaign
from logger_app.records.results import Reduction
from logger_app.reduce.gps import CalibrationPoint, calibration_point, calibration_tables
from logger_app.reduce.legs_io import fragment, point_in_words, read_legs, write_fragment
from logger_app.reduce.trace_io import fault

__all__ = [
    "calibrate",
    "calibration_document",
    "calibration_text",
    "plain_text",
    "reduce_to_results",
    "save_calibration",
]


# About those of a flight of a hundred runs.
OBJECTS_BETWEEN_LOOKS = 50_000


def plain_text(campaign: Campaign, reduction: Reduction) -> str:
    """The reduction as tables for a terminal."""
    from logger_app.reduce import tables

    return tables.plain_text(campaign, reduction)


def reduce_to_results(
    folder: str,
    traces: Sequence[str] = (),
    *,
    basis: str | None = None,
    to_cg_mm: float | None = None,
    tail_arm_mm: float | None = None,
    write: bool = True,
    json_to: TextIO | None = None,
    progress: Callable[[float], object] = lambda share: None,
    say: Callable[[str], object] = lambda text: None,
) -> tuple[Campaign, Reduction]:
    """Reduce a campaign, flight by flight.

    Parameters
    ----------
    write : bool
        Write `results/reduction.json` in the campaign's folder.
    json_to : text file, optional
        Where the document goes as well.
    say : callable
        Told of the steps taken and the file written.

    Raises
    ------
    ReduceError
        There is no run in it.
    """
    from logger_app.reduce.campaign import Options
    from logger_app.reduce.results_io import ResultsDocument
    from logger_app.workflows.campaign import FlightByFlight

    reader = FlightByFlight(Path(folder), traces, Options(basis=basis, to_cg_mm=to_cg_mm, tail_arm_mm=tail_arm_mm))
    with _rings_sought_seldom(), ResultsDocument(reader.campaign_dir, write=write) as document:
        for k, (_, runs) in enumerate(reader, 1):
            if json_to is not None or write:
                document.add(runs)
            progress(k / len(reader))
        reduction = reader.reduction()
        if not reduction.runs:
            got = f"{len(reader)} flight(s) with no run in them" if len(reader) else "no flight"
            hint = "Put a recording into it: kneecall hear FILE --campaign CAMPAIGN --into FLIGHT."
            where = str(reader.campaign_dir / "flights")
            raise ReduceError(
                faults=(Fault(where=where, got=got, expected="a flight with calls of an approach", hint=hint),)
            )
        for step in reduction.provenance.steps:
            say(step)
        if written := document.finish(reduction):
            say(f"written: {written}")
        if json_to is not None:
            document.copy_to(json_to)
    return reader.campaign, reduction


@contextmanager
def _rings_sought_seldom() -> Iterator[None]:
    """Python looks for rings of objects that keep each other alive after every few hundred new ones. Flights are
    hundreds of thousands of records without one: the looking took an eighth of the time and found none."""
    before = gc.get_threshold()
    gc.set_threshold(OBJECTS_BETWEEN_LOOKS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def calibrate(
    files: Sequence[str],
    ias_kt: Sequence[float] = (),
    flap_deg: float = 0.0,
    pressure_altitude_ft: float | None = None,
    oat_degc: float | None = None,
    unit: str | None = None,
) -> tuple[list[CalibrationPoint], tuple[CalibrationTable, ...]]:
    """Airspeed calibration from files of GPS legs; `ias_kt` gives the indicated airspeed of each log, in order.

    `unit` is what the words give speeds in; that of the file's airspeeds where not given.
    """
    speeds = iter(ias_kt)
    points = []
    for name in files:
        asks = Path(name).suffix.lower() != ".csv" or len(files) == len(ias_kt)
        given = next(speeds, None) if asks else None
        points += [
            calibration_point(legs)
            for legs in read_legs(Path(name), given, flap_deg, pressure_altitude_ft, oat_degc, unit)
        ]
    return points, calibration_tables(points, f"GPS legs: {', '.join(Path(name).name for name in files)}")


def save_calibration(
    output: Path, files: Sequence[str], points: Sequence[CalibrationPoint], tables: Sequence[CalibrationTable]
) -> Path:
    """Write a fragment for `campaign.toml`.

    Raises
    ------
    ReduceError
        There is no table to write.
    """
    if not tables:
        raise fault(files[0], f"{len(points)} speed(s), too few for a table", "two usable speeds at one flap setting")
    return write_fragment(output, tables, points)


def refuse_to_overwrite(output: Path | None, force: bool) -> None:
    """Stop before the work where the result could not be written."""
    if output and output.exists() and not force:
        raise ReportError(f"{output}: already exists; give --force to overwrite it")


def calibration_text(points: Sequence[CalibrationPoint], tables: Sequence[CalibrationTable]) -> str:
    """Points and fragment for a person."""
    lines = [point_in_words(point) for point in points]
    return "\n".join([*lines, f"\n{fragment(tables, points)}" if tables else ""])


def calibration_document(points: Sequence[CalibrationPoint], tables: Sequence[CalibrationTable]) -> dict:
    """Points and tables for machines."""
    return {"points": [_point(p) for p in points], "tables": [_table(t) for t in tables]}


def _point(point: CalibrationPoint) -> dict:
    s = point.solution
    return {
        "flap_deg": point.flap_deg,
        "ias_kt": round(point.ias_kt, 3),
        "cas_kt": round(point.cas_kt, 3),
        "cas_u_kt": round(point.cas_u_kt, 3),
        "position_correction_kt": round(point.cas_kt - point.ias_kt, 3),
        "tas_kt": round(s.tas_kt, 3),
        "wind_kt": round(s.wind_kt, 3),
        "wind_from_deg": round(s.wind_from_deg, 2),
        "residual_kt": None if math.isnan(s.residual_kt) else round(s.residual_kt, 3),
        "legs": point.legs,
        "usable": point.usable,
        "notes": list(point.notes),
    }


def _table(table: CalibrationTable) -> dict:
    return {
        "flap_deg": table.flap_deg,
        "ias_kt": list(table.ias_kt),
        "cas_kt": list(table.cas_kt),
        "u_kt": table.u_kt,
        "source": table.source,
    }
