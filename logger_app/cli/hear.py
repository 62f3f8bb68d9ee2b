"""`kneecall hear`: turn a recording or a transcript into calls."""

from __future__ import annotations

import argparse
import os
from datetime import date, timedelta
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = "Turn recordings (WAV, FLAC, MP3, M4A, MP4, MOV, Ogg) or transcripts (CSV, VTT, SRT) into calls."
EXAMPLE = "kneecall hear cockpit.mp4 --into sparrow/flights/day1_baseline"


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="recording, video or transcript; several are one recording, in this order",
    )
    parser.add_argument(
        "--into", type=Path, metavar="FLIGHT", help="flight folder to put sound and calls into; made if new"
    )
    parser.add_argument(
        "--campaign", type=Path, metavar="DIR", help="campaign folder (default: the one the flight lies in)"
    )
    parser.add_argument("--configuration", metavar="ID", help="with --into: what was fitted (default: as planned)")
    parser.add_argument(
        "--flown",
        type=_day,
        metavar="YYYY-MM-DD",
        help="with --into: the day it was flown (default: the recording's own date, else its file's)",
    )
    parser.add_argument("--engine", choices=("callout", "vosk"), help="recogniser (default: callout, our own)")
    parser.add_argument("--model", type=Path, metavar="DIR", help="folder of the recogniser's model")
    parser.add_argument("--pack", metavar="NAME", help="language pack (default: the campaign's language, else en)")
    parser.add_argument(
        "--second", action="store_true", help="listen twice: slower, and calls heard differently are flagged"
    )
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    parser.set_defaults(usage_error=parser.error)


def run(args) -> int:
    """Hear; see the module's docstring."""
    # One thread: the network is small, and more threads only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from logger_app.workflows import campaign as flow
    from logger_app.workflows import hearing as hear_into_flight

    if args.configuration and not args.into:
        args.usage_error("--configuration needs --into FLIGHT")
    if args.flown and not args.into:
        args.usage_error("--flown needs --into FLIGHT")
    options = {"engine": args.engine, "model": args.model, "pack": args.pack, "second": args.second}
    with Progress("Hearing") as progress:
        if args.into:
            result = hear_into(
                args.files,
                args.into,
                campaign_dir=args.campaign,
                configuration=args.configuration,
                flown=args.flown,
                progress=progress.to,
                **options,
            )
        else:
            campaign = flow.load_campaign(args.campaign) if args.campaign else None
            result = hear_into_flight.hear(args.files, campaign, progress=progress.to, **options)
    for note in result.notes:
        say(note)
    if args.json:
        print_json(result.as_json())
        return 0
    for call in result.calls:
        print(_line(call))
    say(f"{result.duration_s:.0f} s heard with {result.engine}: {hear_into_flight.counts(result)}.")
    return 0


def hear_into(files, flight_dir, **options):
    """Hear files into a flight folder; see `hear_into_flight.hear_into`."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from logger_app.workflows import hearing as hear_into_flight

    return hear_into_flight.hear_into(files, flight_dir, **options)


def _day(text: str) -> str:
    """A day that has been; argparse says the rest."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"got {text!r}; expected a day as YYYY-MM-DD") from None
    if not date(1990, 1, 1) <= day <= date.today() + timedelta(days=1):
        raise argparse.ArgumentTypeError(f"got {text}; expected the day of a flight that has been flown")
    return day.isoformat()


def _line(call) -> str:
    value = f"{call.value:g}" if isinstance(call.value, float) else call.value or ""
    what = (
        f"{value} {call.unit or ''}"
        if call.kind == "airspeed"
        else f"{call.name.replace('_', ' ')} {value} {call.unit or ''}"
    )
    flags = f"  [{', '.join(flag.replace('_', ' ') for flag in call.flags)}]" if call.flags else ""
    likelier = f"  likelier {call.proposed:g}" if isinstance(call.proposed, float) else ""
    return f"{call.start_s:9.2f} s  {what.strip():28} {100 * call.posterior:3.0f} %  {call.words}{flags}{likelier}"
