"""`kneecall store`: look after flight folders."""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from logger_app.cli.common import print_json, say
from logger_app.errors import LogDamaged, LogError, ReviewError

SUMMARY = (
    "Look after flight folders: list them, check every row and second of sound, save what can be "
    "saved of a damaged one, compress the sound, or remove the sound and keep the record."
)
EXAMPLE = "kneecall store verify sparrow/flights/day1_baseline"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The jobs of the verb."""
    jobs = parser.add_subparsers(dest="job", required=True, metavar="JOB")
    job = jobs.add_parser("list", help="flights of a campaign")
    job.add_argument("folder", type=Path, help="campaign folder")
    job = jobs.add_parser(
        "verify", help="check a flight, all flights of a campaign, or the package of a report; changes nothing"
    )
    job.add_argument("folder", type=Path, help="flight or campaign folder, or FILE.zip")
    job = jobs.add_parser("rescue", help="save what is whole of a damaged flight into a new folder")
    job.add_argument("folder", type=Path, help="flight folder; not changed")
    job.add_argument("-o", "--out", type=Path, help="folder to make (default: beside it, NAME_rescued)")
    job = jobs.add_parser("compress", help="turn closed WAV segments into FLAC, each checked first")
    job.add_argument("folder", type=Path, help="flight folder")
    job = jobs.add_parser("forget-sound", help="remove the sound of a flight for good; calls and times stay")
    job.add_argument("folder", type=Path, help="flight folder")
    job.add_argument("--who", default="", help="who asked for it (default: your login name)")
    job.add_argument("--why", default="", help="reason, kept in the journal")
    for job in jobs.choices.values():
        job.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args: argparse.Namespace) -> int:
    """Do one job."""
    return {"list": _list, "verify": _verify, "rescue": _rescue, "compress": _compress, "forget-sound": _forget}[
        args.job
    ](args)


def _list(args) -> int:
    from logger_app.logstore.audio_io import journal_segments
    from logger_app.logstore.store import Journal, list_flights
    from logger_app.records.journal import RowKind
    from logger_app.units import RATE_HZ

    folders = list_flights(args.folder)
    if not folders:
        raise LogError(f"{args.folder}: no flights in it; expected flights/NAME/flight.sqlite.")
    flights = []
    for folder in folders:
        with Journal.open(folder, read_only=True) as journal:
            info = journal.info
            segments = journal_segments(journal)
            flights.append(
                {
                    "flight": folder.name,
                    "configuration": info.configuration,
                    "started_utc": info.started_utc,
                    "calls": sum(1 for _ in journal.rows(RowKind.CALL)),
                    "corrections": sum(1 for _ in journal.rows(RowKind.CORRECTION)),
                    "sound_s": round(max((s.end_sample for s in segments), default=0) / RATE_HZ, 1),
                    "sound_forgotten": any(s.erased for s in segments),
                }
            )
    if args.json:
        print_json({"flights": flights})
        return 0
    for flight in flights:
        sound = "sound forgotten" if flight["sound_forgotten"] else f"{flight['sound_s'] / 60:.1f} min of sound"
        print(
            f"{flight['flight']}: {flight['configuration'] or 'configuration not given'}, "
            f"{flight['calls']} calls, {flight['corrections']} corrections, {sound}"
        )
    return 0


def _verify(args) -> int:
    from logger_app.logstore.recover import verify
    from logger_app.logstore.store import list_flights

    if args.folder.is_file():
        return _verify_package(args)
    healths = [verify(folder) for folder in list_flights(args.folder) or [args.folder]]
    ok = all(health.ok for health in healths)
    if args.json:
        print_json(
            {
                "ok": ok,
                "flights": [
                    {
                        "flight": str(health.flight),
                        "ok": health.ok,
                        "rows": health.rows,
                        "kinds": dict(health.kinds),
                        "sound_s": round(health.sound_s, 2),
                        "faults": [
                            {"where": f.where, "got": f.got, "expected": f.expected, "hint": f.hint}
                            for f in health.faults
                        ],
                        "notes": list(health.notes),
                    }
                    for health in healths
                ],
            }
        )
        return 0 if ok else 1
    for health in healths:
        state = "whole" if health.ok else f"{len(health.faults)} fault{'s' * (len(health.faults) != 1)}"
        print(f"{health.flight}: {state}; {health.rows} rows and {health.sound_s:.1f} s of sound")
        for note in health.notes:
            print(f"  note: {note}")
    if not ok:
        raise LogDamaged(faults=tuple(fault for health in healths for fault in health.faults))
    return 0


def _verify_package(args) -> int:
    from logger_app.workflows.package import check_package

    health = check_package(args.folder)
    if args.json:
        print_json({"ok": health.ok, "files": health.files, "faults": list(health.faults)})
    else:
        state = "complete and unchanged" if health.ok else f"{len(health.faults)} fault(s)"
        print(f"{args.folder}: {state}; {health.files} files")
        for fault in health.faults:
            say(fault)
    return 0 if health.ok else 1


def _rescue(args) -> int:
    from logger_app.logstore.recover import rescue

    folder = args.folder.resolve()
    done = rescue(args.folder, args.out or folder.with_name(f"{folder.name}_rescued"))
    if args.json:
        print_json(
            {
                "out": str(done.out),
                "rows_saved": done.rows_saved,
                "lost_rows": list(done.lost_rows),
                "sound_saved_s": round(done.sound_saved_s, 2),
                "sound_lost": [gap.as_json() for gap in done.sound_lost],
            }
        )
        return 0
    print(f"saved {done.rows_saved} rows and {done.sound_saved_s:.1f} s of sound in {done.out}")
    if done.lost_rows:
        print(f"lost rows of the old journal: {', '.join(map(str, done.lost_rows))}")
    for gap in done.sound_lost:
        print(f"lost or doubtful sound: {gap.start_ns / 1e9:.1f} to {gap.end_ns / 1e9:.1f} s ({gap.why})")
    print(f"{args.folder} is as it was; move it away when you have looked at the new one")
    return 0


def _compress(args) -> int:
    from logger_app.logstore.audio_io import compress_sound
    from logger_app.logstore.store import Journal

    with Journal.open(args.folder) as journal:
        made = compress_sound(journal)
    if args.json:
        print_json({"files": made})
    else:
        print(f"{args.folder}: {len(made)} segments compressed")
    return 0


def _forget(args) -> int:
    from logger_app.logstore.recover import MEDIA_DIR, copies_of_sound, forget_sound

    if sys.stdin.isatty() and not args.json:
        say(f"{args.folder}: its sound will be gone for good. Calls and times stay. Type yes to go on:")
        if input().strip().lower() != "yes":
            raise ReviewError("nothing was removed.")
    removed = forget_sound(args.folder, args.who or getpass.getuser(), args.why)
    media = args.folder / MEDIA_DIR
    cameras = sorted(path.name for path in media.iterdir()) if media.is_dir() else []
    copies = copies_of_sound(args.folder)
    if args.json:
        print_json({"removed": removed, "camera_files_left": cameras, "flights_with_the_same_sound": copies})
        return 0
    print(f"{args.folder}: {len(removed)} sound files removed; the journal keeps that they were")
    if cameras:
        print(f"camera files may hold the same sound and are yours to remove: {', '.join(cameras)}")
    for name in copies:
        print(f"{args.folder.resolve().with_name(name)} holds the same sound: `kneecall store forget-sound` it as well")
    print("report pages made before still hold short clips; make them again with `kneecall report`")
    return 0
