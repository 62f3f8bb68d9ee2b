"""`kneecall store`: look after flight folders."""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

from logger_app.cli.common import print_json, say
from logger_app.errors import LogDamaged, ReviewError

SUMMARY = (
    "Look after flight folders: list them, check every row and second of sound, save what can be "
    "saved of a damaged one, compress the sound, remove the sound and keep the record, or join the "
    "corrections of two copies of a flight."
)
EXAMPLE = "kneecall store verify sparrow/flights/day1_baseline"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The jobs of the verb."""
    jobs = parser.add_subparsers(dest="job", required=True, metavar="JOB")

    def job(name: str, work, words: str, folder: str = "flight folder") -> argparse.ArgumentParser:
        made = jobs.add_parser(name, help=words)
        made.add_argument("folder", type=Path, help=folder)
        made.set_defaults(work=work)
        return made

    job("list", _list, "flights of a campaign", "campaign folder")
    job(
        "verify",
        _verify,
        "check a flight, all flights of a campaign, or the package of a report; changes nothing",
        "flight or campaign folder, or FILE.zip",
    )
    rescue = job(
        "rescue", _rescue, "save what is intact of a damaged flight into a new folder", "flight folder; not changed"
    )
    rescue.add_argument("-o", "--out", type=Path, help="folder to make (default: beside it, NAME_rescued)")
    job("compress", _compress, "turn closed WAV segments into FLAC, each checked first")
    forget = job("forget-sound", _forget, "remove the sound of a flight for good; calls and times stay")
    forget.add_argument("--who", default="", help="who asked for it (default: your login name)")
    forget.add_argument("--why", default="", help="reason, kept in the journal")
    merge = job(
        "merge", _merge, "add the corrections of another copy of a flight to this one", "flight folder to add to"
    )
    merge.add_argument("other", type=Path, help="the other copy; not changed")
    entry = jobs.add_parser("install-entry", help="put Kneecall into the desktop's menu (Linux): one entry, one icon")
    entry.set_defaults(work=_install_entry)
    for made in jobs.choices.values():
        made.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(args: argparse.Namespace) -> int:
    """Do one job."""
    return args.work(args)


def _install_entry(args: argparse.Namespace) -> int:
    from logger_app.workflows.desktop_entry import install

    entry, icon = install()
    if args.json:
        print_json({"entry": str(entry), "icon": str(icon)})
    else:
        print(f"{entry}\n{icon}")
    return 0


def _show(args, document: dict, lines: Iterable[str]) -> int:
    if args.json:
        print_json(document)
    else:
        for line in lines:
            print(line)
    return 0


def _list(args) -> int:
    from logger_app.workflows.store import list_all

    flights = list_all(args.folder)
    return _show(args, {"flights": [asdict(flight) for flight in flights]}, map(_flight_line, flights))


def _flight_line(flight) -> str:
    sound = "sound forgotten" if flight.sound_forgotten else f"{flight.sound_s / 60:.1f} min of sound"
    fitted = flight.configuration or "configuration not given"
    return f"{flight.flight}: {fitted}, {flight.calls} calls, {flight.corrections} corrections, {sound}"


def _verify(args) -> int:
    from logger_app.workflows.store import verify_all

    if args.folder.is_file():
        return _verify_package(args)
    healths = verify_all(args.folder)
    faults = tuple(fault for health in healths for fault in health.faults)
    _show(args, {"ok": not faults, "flights": list(map(_health_json, healths))}, _health_lines(healths))
    if faults and not args.json:
        raise LogDamaged(faults=faults)
    return 1 if faults else 0


def _verify_package(args) -> int:
    from logger_app.workflows.package import check_package

    health = check_package(args.folder)
    state = "complete and unchanged" if health.ok else _count(len(health.faults), "fault")
    document = {"ok": health.ok, "files": health.files, "faults": list(health.faults)}
    _show(args, document, [f"{args.folder}: {state}; {_count(health.files, 'file')}"])
    if not args.json:
        for fault in health.faults:
            say(fault)
    return 0 if health.ok else 1


def _health_json(health) -> dict:
    return {
        "flight": str(health.flight),
        "ok": health.ok,
        "rows": health.rows,
        "kinds": dict(health.kinds),
        "sound_s": round(health.sound_s, 2),
        "faults": [asdict(fault) for fault in health.faults],
        "notes": list(health.notes),
    }


def _health_lines(healths) -> Iterable[str]:
    for health in healths:
        state = "intact" if health.ok else _count(len(health.faults), "fault")
        yield f"{health.flight}: {state}; {health.rows} rows and {health.sound_s:.1f} s of sound"
        yield from (f"  note: {note}" for note in health.notes)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' * (number != 1)}"


def _rescue(args) -> int:
    from logger_app.workflows.store import rescue

    folder = args.folder.resolve()
    done = rescue(args.folder, args.out or folder.with_name(f"{folder.name}_rescued"))
    document = {
        "out": str(done.out),
        "rows_saved": done.rows_saved,
        "lost_rows": list(done.lost_rows),
        "sound_saved_s": round(done.sound_saved_s, 2),
        "sound_lost": [gap.as_json() for gap in done.sound_lost],
    }
    lines = [f"saved {done.rows_saved} rows and {done.sound_saved_s:.1f} s of sound in {done.out}"]
    if done.lost_rows:
        lines.append(f"lost rows of the old journal: {', '.join(map(str, done.lost_rows))}")
    for gap in done.sound_lost:
        lines.append(f"lost or doubtful sound: {gap.start_ns / 1e9:.1f} to {gap.end_ns / 1e9:.1f} s ({gap.why})")
    lines.append(f"{args.folder} was not changed; move it away when you have looked at the new one")
    return _show(args, document, lines)


def _compress(args) -> int:
    from logger_app.workflows.store import compress

    made = compress(args.folder)
    return _show(args, {"files": made}, [f"{args.folder}: {_count(len(made), 'segment')} compressed"])


def _forget(args) -> int:
    from logger_app.workflows.store import forget

    if sys.stdin.isatty() and not args.json:
        say(f"{args.folder}: its sound will be gone for good. Calls and times stay. Type yes to go on:")
        if input().strip().lower() != "yes":
            raise ReviewError("nothing was removed.")
    done = forget(args.folder, args.who or getpass.getuser(), args.why)
    document = {
        "removed": list(done.removed),
        "camera_files_left": list(done.cameras),
        "other_files_left": list(done.others),
        "flights_with_the_same_sound": list(done.copies),
        "reports_left": list(done.made),
    }
    return _show(args, document, _left_lines(args.folder, done))


def _left_lines(folder: Path, done) -> Iterable[str]:
    yield f"{folder}: {_count(len(done.removed), 'sound file')} removed; the journal says when and by whom"
    if done.cameras:
        yield f"camera files may hold the same voices and are yours to remove: {', '.join(done.cameras)}"
    if done.others:
        yield f"other files in the flight's folder, not Kneecall's, were left: {', '.join(done.others)}"
    for name in done.copies:
        copy = folder.resolve().parent / name
        yield f"{copy} holds the same sound: `kneecall store forget-sound` it as well"
    if done.made:
        yield f"reports and clips made before still hold pieces of sound; remove them or make them again: {', '.join(done.made)}"
    yield "reports, exports and backups kept elsewhere are not known here"


def _merge(args) -> int:
    from logger_app.workflows.store import merge

    done = merge(args.folder, args.other)
    document = {
        "joined": [correction.id for correction in done.joined],
        "contradictions": [
            {"target": last.target, "overruled": first.id, "holds": last.id} for first, last in done.contradictions
        ],
        "left": done.left,
    }
    return _show(args, document, _merge_lines(args, done))


def _merge_lines(args, done) -> Iterable[str]:
    yield f"{args.folder}: {_count(len(done.joined), 'correction')} of {args.other} added"
    for first, last in done.contradictions:
        yield f"{last.target}: {_decision(first)}, then {_decision(last)}; the later one counts"
    if done.left:
        left = ", ".join(f"{number} {kind}" for kind, number in sorted(done.left.items()))
        yield f"only corrections are joined; {args.other} also has rows that are not here: {left}"


def _decision(correction) -> str:
    said = " ".join(str(value) for _, value in correction.payload)
    return f"{correction.who} said {' '.join(filter(None, (str(correction.action), said)))} ({correction.utc})"
