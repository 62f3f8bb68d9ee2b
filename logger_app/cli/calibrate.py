"""`kneecall calibrate FILE...`: IAS to CAS from GPS legs."""

from __future__ import annotations

from pathlib import Path

from logger_app.cli.common import print_json, say
from logger_app.units import AIRSPEED_UNITS

SUMMARY = """Airspeed calibration from GPS legs: three or more legs at one indicated airspeed, 90 to 120 deg apart.
FILE is a CSV with one leg a row (ias_kt, ground_speed_kt, track_deg or heading_deg, pressure_altitude_ft
or indicated_altitude_ft with altimeter_hpa or altimeter_inhg, oat_degc, flap_deg; speeds also _mph or _kmh), or a GPX or NMEA log of one set with --ias-kt for it."""
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
    parser.add_argument(
        "--unit", choices=tuple(AIRSPEED_UNITS), help="what the lines give speeds in (default: as the file's airspeeds)"
    )
    parser.add_argument("--oat-degc", type=float, help="outside air temperature where the file gives none")
    parser.add_argument(
        "-o", "--output", metavar="FILE.toml", help="write a [[calibration]] fragment for campaign.toml"
    )
    parser.add_argument("--force", action="store_true", help="overwrite the output file")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args) -> int:
    from logger_app.workflows.reduction import (
        calibrate,
        calibration_document,
        calibration_text,
        refuse_to_overwrite,
        save_calibration,
    )

    output = Path(args.output) if args.output else None
    refuse_to_overwrite(output, args.force)
    points, tables = calibrate(
        args.files, args.ias_kt, args.flap_deg, args.pressure_altitude_ft, args.oat_degc, args.unit
    )
    if args.json:
        print_json(calibration_document(points, tables))
    else:
        print(calibration_text(points, tables))
    if not tables:
        say("no table: it needs two usable speeds at one flap setting")
    if output:
        say(f"written: {save_calibration(output, args.files, points, tables)}")
    return 0
