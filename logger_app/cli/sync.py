"""`kneecall sync`: camera files onto the flight clock, by sound, by sync signature or by hand."""

from __future__ import annotations

import argparse
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = """Put camera files on the flight clock by the sound they share with the cockpit recording.
The files are never altered. Chapters of one camera are recognised and may have gaps between them.
A file that has no common sound is refused and the reason given; nothing is guessed."""
EXAMPLE = """kneecall sync sparrow/flights/day1_baseline wing1.mp4 wing2.mp4
         kneecall sync sparrow/flights/day1_baseline left1.mp4 --camera strut --wing left
         kneecall sync sparrow/flights/day1_baseline wing1.mp4 --offset 12.4
         kneecall sync sparrow/flights/day1_baseline wing1.mp4 --mark 31.2 43.6 --mark 912.0 924.5"""


def add_arguments(parser) -> None:
    """Options of the verb."""
    parser.add_argument("flight", metavar="FLIGHT", type=Path, help="flight folder")
    parser.add_argument("videos", metavar="VIDEO", type=Path, nargs="+", help="camera files")
    parser.add_argument(
        "--offset", metavar="S", type=_seconds, help="by hand: the video begins at this flight time [s]"
    )
    parser.add_argument(
        "--mark",
        metavar=("VIDEO_S", "FLIGHT_S"),
        type=_seconds,
        nargs=2,
        action="append",
        default=[],
        help="by hand: the same moment in the video and in the flight [s]; may be given more than once",
    )
    parser.add_argument("--camera", metavar="NAME", help="what to call the camera (default: the first file's name)")
    parser.add_argument("--wing", choices=("left", "right"), help="the wing that the camera shows")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def _seconds(text: str) -> float:
    value = float(text)
    if not abs(value) < 1e6:
        raise argparse.ArgumentTypeError(f"{text!r}: expected seconds")
    return value


def run(args) -> int:
    """Link the files and say what was found."""
    from logger_app.workflows.sync import link

    marks = [tuple(mark) for mark in args.mark] + ([(0.0, args.offset)] if args.offset is not None else [])
    with Progress("Aligning") as bar:
        linked = link(args.flight, args.videos, marks, args.camera or "", args.wing or "", bar.to)
    if args.json:
        print_json({"flight": str(args.flight), "videos": [as_json(one, args.camera) for one in linked]})
    else:
        for one in linked:
            if one.accepted:
                print(_sentence(one))
    for one in linked:
        if not one.accepted:
            say(
                f"kneecall: {one.path}: {one.why}. It was not linked; place it by hand with --offset or --mark if you know where it belongs."
            )
    return 0 if all(one.accepted for one in linked) else 1


def as_json(one, camera: str | None = None) -> dict:
    """One video as the `--json` contract shows it."""
    clock = one.clock_map
    return {
        "file": str(one.path),
        "accepted": one.accepted,
        "offset_s": clock and round(clock.offset_s, 6),
        "drift_ppm": clock and round(clock.drift_ppm, 3),
        "u_ms": clock and round(clock.u_s * 1000, 3),
        "why": one.why,
        "camera": camera or one.camera or None,
        "chapter": one.chapter,
        "method": clock and clock.method,
        "valid_from_s": clock and round(clock.valid_from_s, 3),
        "valid_to_s": clock and round(clock.valid_to_s, 3),
        "evidence": dict(clock.evidence) if clock else {},
        "sha256": one.sha256 or None,
    }


def _sentence(one) -> str:
    clock = one.clock_map
    return (
        f"{one.path.name}: begins at flight time {clock.offset_s:.3f} s, drift {clock.drift_ppm:+.1f} ppm, "
        f"good to {clock.u_s * 1000:.0f} ms ({one.why})"
    )
