"""`kneecall calibrate FILE...`: IAS to CAS from GPS legs."""

from __future__ import annotations

import math
from pathlib import Path

from logger_app.cli.common import print_json, say

SUMMARY = """Airspeed calibration from GPS legs: three or more legs at one indicated airspeed, 90 to 120 deg apart.
FILE is a CSV with one leg a row (ias_kt, ground_speed_kt, track_deg or heading_deg, pressure_altitude_ft,
oat_degc, flap_deg; speeds also _mph or _kmh), or a GPX or NMEA log of one set with --ias-kt for it."""
EXAMPLE = "kneecall calibrate legs.csv -o calibration.toml"


def add_arguments(parser) -> None:
    parser.add_argument("files", metavar="FILE", nargs="+", help="legs (CSV) or logs (GPX, NMEA, CSV)")
    parser.add_argument(
        "--ias-kt", type=float, action="append", default=[], help="indicated airspeed of each log, in order"
    )
    parser.add_argument(
        "--flap-deg", type=float, default=0.0, help="flap setting where the file gives none (default 0)"
    )
    parser.add_argument("--pressure-altitude-ft", type=float, help="where the file gives none")
    parser.add_argument("--oat-degc", type=float, help="outside air temperature where the file gives none")
    parser.add_argument(
        "-o", "--output", metavar="FILE.toml", help="write a [[calibration]] fragment for campaign.toml"
    )
    parser.add_argument("--force", action="store_true", help="overwrite the output file")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args) -> int:
    from logger_app.errors import ReportError
    from logger_app.reduce.gps import calibration_point, calibration_tables
    from logger_app.reduce.legs_io import fragment, point_in_words, read_legs, write_fragment
    from logger_app.reduce.trace_io import fault

    output = Path(args.output) if args.output else None
    if output and output.exists() and not args.force:
        raise ReportError(f"{output}: is there already; give --force to overwrite it")
    speeds = iter(args.ias_kt)
    sets = []
    for name in args.files:
        given = (
            next(speeds, None) if Path(name).suffix.lower() != ".csv" or len(args.files) == len(args.ias_kt) else None
        )
        sets += read_legs(Path(name), given, args.flap_deg, args.pressure_altitude_ft, args.oat_degc)
    points = [calibration_point(legs) for legs in sets]
    tables = calibration_tables(points, f"GPS legs: {', '.join(Path(name).name for name in args.files)}")
    if args.json:
        print_json({"points": [_point(p) for p in points], "tables": [_table(t) for t in tables]})
    else:
        for point in points:
            print(point_in_words(point))
        print(f"\n{fragment(tables, points)}" if tables else "")
    if not tables:
        say("no table: it needs two usable speeds at one flap setting")
        if output:
            raise fault(
                args.files[0], f"{len(points)} speed(s), too few for a table", "two usable speeds at one flap setting"
            )
    elif output:
        say(f"written: {write_fragment(output, tables, points)}")
    return 0


def _point(point) -> dict:
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


def _table(table) -> dict:
    return {
        "flap_deg": table.flap_deg,
        "ias_kt": list(table.ias_kt),
        "cas_kt": list(table.cas_kt),
        "u_kt": table.u_kt,
        "source": table.source,
    }
