"""`kneecall sync`: camera files onto the flight clock, by sound, by sync signature or by hand."""

from __future__ import annotations

import argparse
from pathlib import Path

from logger_app.cli.common import Progress, print_json, say

SUMMARY = """Put camera files on the flight clock by the sound they share with the cockpit recording.
The files are never altered. Chapters of one camera are recognised and may have gaps between them.
A file that has no common sound is refused and the reason given; nothing is guessed."""
EXAMPLE = """kneecall sync sparrow/flights/day1_baseline wing1.mp4 wing2.mp4
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
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def _seconds(text: str) -> float:
    value = float(text)
    if not abs(value) < 1e6:
        raise argparse.ArgumentTypeError(f"{text!r}: expected seconds")
    return value


def run(args) -> int:
    """Link the files and write what was found to the journal."""
    from logger_app.errors import SyncError
    from logger_app.logstore.store import Journal

    marks = [tuple(mark) for mark in args.mark] + ([(0.0, args.offset)] if args.offset is not None else [])
    if marks and len(args.videos) > 1:
        raise SyncError(f"got {len(args.videos)} videos with --offset or --mark; expected one video at a time")
    with Journal.open(args.flight, read_only=True) as journal:
        played_s = _played(journal)
    linked = _by_hand(args.videos[0], marks) if marks else _by_sound(args.flight, args.videos, played_s)
    accepted = [one for one in linked if one.accepted]
    if accepted:
        with Journal.open(args.flight) as journal:
            journal.append(rows_of(journal, args.flight, accepted, args.camera))
    if args.json:
        print_json({"flight": str(args.flight), "videos": [as_json(one, args.camera) for one in linked]})
    else:
        for one in linked:
            print(_sentence(one))
    for one in linked:
        if not one.accepted:
            say(
                f"kneecall: {one.path}: {one.why}. It was not linked; place it by hand with --offset or --mark if you know where it belongs."
            )
    return 0 if len(accepted) == len(linked) else 1


def _by_hand(path: Path, marks):
    from logger_app.sync.link_io import by_hand

    return [by_hand(path, marks)]


def _by_sound(flight_dir: Path, videos, played_s):
    from logger_app.errors import SyncError
    from logger_app.logstore.audio_io import iter_sound, sound_duration_s
    from logger_app.sync.link_io import link_cameras

    if not sound_duration_s(flight_dir):
        raise SyncError(f"{flight_dir}: the flight has no sound to align with; use --offset or --mark")
    with Progress("Aligning") as bar:
        return link_cameras(
            iter_sound(flight_dir, 30.0), videos, played_s=played_s, progress=lambda share, what: bar.to(share)
        )


def _played(journal) -> list[float]:
    from logger_app.records.journal import RowKind

    return [row.flight_ns / 1e9 for row in journal.rows(RowKind.MARK) if row.body.get("played", True)]


def rows_of(journal, flight_dir: Path, accepted, camera: str | None = None) -> list:
    """Journal rows of the files that were placed: one `MEDIA` (unless it is there) and one `CLOCK_MAP` each."""
    from dataclasses import replace

    from logger_app.logstore.codec import clock_map_row
    from logger_app.logstore.store import utc_now
    from logger_app.records.journal import JournalRow, RowKind

    known = {
        (row.body.get("file"), row.body.get("sha256"), row.body.get("camera")) for row in journal.rows(RowKind.MEDIA)
    }
    utc, rows = utc_now(), []
    for one in accepted:
        file = noted_path(one.path, flight_dir)
        flight_ns = max(0, round(one.clock_map.offset_s * 1e9))
        body = {
            "file": file,
            "sha256": one.sha256,
            "camera": camera or one.camera,
            "chapter": one.chapter,
            "duration_s": round(one.media.duration_s, 3),
            "fps": round(one.media.fps, 3),
            "width": one.media.width,
            "height": one.media.height,
            "codec": one.media.codec,
        }
        if (file, one.sha256, body["camera"]) not in known:
            rows.append(
                JournalRow(id=journal.new_id("media"), flight_ns=flight_ns, utc=utc, kind=RowKind.MEDIA, body=body)
            )
        rows.append(clock_map_row(replace(one.clock_map, source=file), utc, journal.new_id("clock"), flight_ns))
    return rows


def noted_path(path: Path, flight_dir: Path) -> str:
    """How a camera file is named in the journal: relative inside the flight folder, else in full."""
    path, flight_dir = Path(path).resolve(), Path(flight_dir).resolve()
    return path.relative_to(flight_dir).as_posix() if path.is_relative_to(flight_dir) else str(path)


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
    if not one.accepted:
        return f"{one.path.name}: not linked: {one.why}"
    clock = one.clock_map
    return (
        f"{one.path.name}: begins at flight time {clock.offset_s:.3f} s, drift {clock.drift_ppm:+.1f} ppm, "
        f"good to {clock.u_s * 1000:.0f} ms ({one.why})"
    )
