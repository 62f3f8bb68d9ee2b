"""Reads GPS legs for a calibration, and writes the result as a [[calibration]] fragment."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from logger_app.errors import ReduceError
from logger_app.records.plan import CalibrationTable
from logger_app.reduce.gps import CalibrationPoint, Leg
from logger_app.reduce.results_io import write_text
from logger_app.reduce.trace import legs_in_trace
from logger_app.reduce.trace_io import (
    CSV_COLUMNS,
    csv_rows,
    fault,
    number_in,
    read_text,
    read_trace,
    with_pressure_altitude,
)
from logger_app.units import speed_text

DIALS = {"ias_mph": "mph", "ias_kmh": "km/h"}
NEEDED = ("ias_kt", "ground_speed_kt")


def read_legs(
    path: Path,
    ias_kt: float | None = None,
    flap_deg: float = 0.0,
    pressure_altitude_ft: float | None = None,
    oat_degc: float | None = None,
    unit: str | None = None,
) -> list[list[Leg]]:
    """Sets of legs from one file: each set was flown at one indicated airspeed and flap setting.

    Parameters
    ----------
    path : Path
        A CSV with one leg a row, or a GPX, NMEA or timed CSV log of one set.
    ias_kt : float, optional
        Indicated airspeed of a log [kt].
    flap_deg : float
        Flap setting of a log, and of rows that give none [deg].
    pressure_altitude_ft : float, optional
        Pressure altitude where the file gives none [ft].
    oat_degc : float, optional
        Outside air temperature where the file gives none [degC].
    unit : str, optional
        Of the dial; that of the file's airspeeds where not given.

    Raises
    ------
    ReduceError
        The file cannot be used, or a log comes without its airspeed.
    """
    path = Path(path)
    if path.suffix.lower() == ".csv":
        rows = csv_rows(read_text(path), path.name)
        if any(column in rows[0][1] for column in ("ias_kt", "ias_mph", "ias_kmh")) and "time_s" not in rows[0][1]:
            return _sets(rows, path.name, flap_deg, pressure_altitude_ft, oat_degc, unit)
    trace = read_trace(path)
    if ias_kt is None and "ias_kt" not in trace.columns:
        raise fault(path, "a log without its indicated airspeed", "--ias-kt for each log file")
    legs = legs_in_trace(trace, ias_kt, flap_deg, pressure_altitude_ft, oat_degc)
    if not legs:
        raise fault(path, "no steady leg", "legs of 10 s or more at one track and ground speed")
    return [[replace(leg, unit=unit or leg.unit) for leg in legs]]


def _sets(rows, name, flap_deg, altitude_ft, oat_degc, unit) -> list[list[Leg]]:
    sets: dict[tuple, list[Leg]] = {}
    wrong: list[ReduceError] = []
    for line, row in rows:
        values = {}
        for column, cell in row.items():
            if column in CSV_COLUMNS:
                ours, factor, offset = CSV_COLUMNS[column]
                values[ours] = number_in(cell, name, line, column) * factor + offset
        values = with_pressure_altitude(values)
        values = {column: float(value) for column, value in values.items() if math.isfinite(value)}
        missing = [column for column in NEEDED if column not in values]
        if missing or not {"track_deg", "heading_deg"} & set(values):
            wrong.append(
                fault(
                    name,
                    f"no {' or '.join(missing or ['track or heading'])}",
                    "a leg's speeds and its track or heading",
                    line,
                )
            )
            continue
        flap = number_in(row.get("flap_deg"), name, line, "flap_deg")
        leg = Leg(
            ground_speed_kt=values["ground_speed_kt"],
            ias_kt=values["ias_kt"],
            flap_deg=flap if math.isfinite(flap) else flap_deg,
            track_deg=values.get("track_deg"),
            heading_deg=values.get("heading_deg"),
            pressure_altitude_ft=values.get("altitude_ft", altitude_ft),
            oat_degc=values.get("oat_degc", oat_degc),
            where=f"{name}, line {line}",
            unit=unit or next((of for column, of in DIALS.items() if column in row), "kt"),
        )
        sets.setdefault((leg.flap_deg, row.get("set") or leg.ias_kt), []).append(leg)
    if wrong:
        raise ReduceError(faults=tuple(f for error in wrong for f in error.faults))
    return list(sets.values())


def write_fragment(path: Path, tables: Sequence[CalibrationTable], points: Sequence[CalibrationPoint]) -> Path:
    """Write tables as a TOML fragment to paste into `campaign.toml`.

    Parameters
    ----------
    points : sequence of CalibrationPoint
        Where they came from; residuals and caveats go into comments.

    Raises
    ------
    ReportError
        It cannot be written.
    """
    return write_text(Path(path), fragment(tables, points))


def fragment(tables: Sequence[CalibrationTable], points: Sequence[CalibrationPoint]) -> str:
    """Tables as TOML text.

    Returns
    -------
    str
        [[calibration]] tables as a campaign reads them.
    """
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("IAS to CAS from GPS legs. Below the slowest leg it is an extrapolation."))
    for point in sorted(points, key=lambda p: (p.flap_deg, p.ias_kt)):
        document.add(tomlkit.comment(point_in_words(point)))
    array = tomlkit.aot()
    for table in tables:
        item = tomlkit.table()
        item.add("flap_deg", table.flap_deg)
        item.add("ias_kt", list(table.ias_kt))
        item.add("cas_kt", list(table.cas_kt))
        item.add("u_kt", table.u_kt)
        item.add("source", table.source)
        array.append(item)
    document.add("calibration", array)
    return tomlkit.dumps(document)


def point_in_words(point: CalibrationPoint) -> str:
    """One calibration point in one line."""
    s = point.solution

    def text(speed_kt: float, form: str = ".1f") -> str:
        return speed_text(speed_kt, point.unit, form)

    residual = "no residual (three legs)" if math.isnan(s.residual_kt) else f"residual {text(s.residual_kt, '.2f')}"
    notes = f"; {'; '.join(point.notes)}" if point.notes else ""
    return (
        f"flap {point.flap_deg:g}: IAS {text(point.ias_kt)} is CAS {text(point.cas_kt)}, u {text(point.cas_u_kt)}; "
        f"TAS {text(s.tas_kt)}, wind from {s.wind_from_deg:.0f} deg at {text(s.wind_kt, '.0f')}, {point.legs} legs, {residual}{notes}"
    )
