"""Looking after the flights of a campaign: list, forget the sound and say what is left, join two copies.

For the verb `store`; main names: `list_all`, `verify_all`, `rescue`, `compress`, `forget`, `merge`.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from logger_app.errors import LogDamaged, LogError
from logger_app.io.files import is_folder
from logger_app.logstore import codec
from logger_app.logstore.audio_io import AUDIO_DIR, compress_sound, end_s, segments_of
from logger_app.logstore.lock_io import LOCK_FILE
from logger_app.logstore.recover import MEDIA_DIR, Health, Rescue, forget_sound, readable_rows, rescue, verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal, list_flights
from logger_app.records.calls import Action, Correction
from logger_app.records.journal import JournalRow, RowKind
from logger_app.review.apply import in_force
from logger_app.workflows import campaign as flow

__all__ = ["Rescue", "compress", "forget", "list_all", "merge", "rescue", "verify_all"]

# What a move of the same call does not contradict.
_LEAVES_TIME = {Action.SET, Action.CONFIRM, Action.ADD}
# What a flight's folder has beside its sound and its camera files.
_OUR_FILES = {JOURNAL_FILE, f"{JOURNAL_FILE}-wal", f"{JOURNAL_FILE}-shm", LOCK_FILE}
# Where reports and clips are put unless the user says otherwise; both hold short pieces of sound.
_MADE_WITH_SOUND = ("report/index.html", "report/clip_*.mp4", "compare/*.mp4")


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One flight of a list."""

    flight: str
    configuration: str | None
    started_utc: str
    calls: int
    corrections: int
    sound_s: float
    sound_forgotten: bool


def list_all(campaign_dir: Path) -> list[Summary]:
    """The flights of a campaign, each journal read once.

    Raises
    ------
    LogError
        There is none, or one cannot be read.
    """
    folders = list_flights(campaign_dir)
    if not folders:
        raise LogError(f"{campaign_dir}: no flights in it; expected flights/NAME/{JOURNAL_FILE}.")
    return [_summary(folder) for folder in folders]


def _summary(folder: Path) -> Summary:
    with Journal.open(folder, read_only=True) as journal:
        rows = list(journal.rows())
    info, segments = codec.flight_info(rows, folder), segments_of(folder, rows)
    kinds = Counter(row.kind for row in rows)
    return Summary(
        flight=folder.name,
        configuration=info.configuration,
        started_utc=info.started_utc,
        calls=kinds[RowKind.CALL],
        corrections=kinds[RowKind.CORRECTION],
        sound_s=round(end_s(segments), 1),
        sound_forgotten=any(segment.erased for segment in segments),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What was removed, and everything found that may still hold the same voices."""

    removed: tuple[str, ...]
    cameras: tuple[str, ...]  # in the flight's media folder
    others: tuple[str, ...]  # other files in the flight's folder
    copies: tuple[str, ...]  # folders of the same flight, relative to the folder of flights
    made: tuple[str, ...]  # reports and clips


def forget(flight_dir: Path, who: str, why: str = "") -> Forgotten:
    """Remove the sound of a flight, and list what is left of it elsewhere; nothing else is removed.

    Raises
    ------
    LogError
        The flight cannot be written, or somebody else is writing.
    """
    removed = forget_sound(flight_dir, who, why)
    folder = Path(flight_dir).resolve()
    files = [path.relative_to(folder).as_posix() for path in _files(folder)]
    cameras = tuple(file for file in files if file.startswith(f"{MEDIA_DIR}/"))
    results = folder.parent.parent / "results"
    made = [path for pattern in _MADE_WITH_SOUND for path in sorted(results.glob(pattern))] if _campaign(folder) else []
    return Forgotten(
        removed=tuple(removed),
        cameras=tuple(file.removeprefix(f"{MEDIA_DIR}/") for file in cameras),
        others=tuple(file for file in files if file not in cameras and file not in _OUR_FILES),
        copies=tuple(os.path.relpath(copy, folder.parent) for copy in copies_of(folder)),
        made=tuple(map(str, made)),
    )


def _campaign(flight_dir: Path) -> bool:
    return (flight_dir.parent.parent / flow.CAMPAIGN_FILE).is_file()


def _files(folder: Path) -> list[Path]:
    """Everything in a folder that is no folder; links are named, not followed."""
    return sorted(path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())


def copies_of(flight_dir: Path) -> list[Path]:
    """Other folders that hold sound of the same flight, whatever they are called.

    A copy has the same first row or rows about sound in common; one that `store rescue` saved names what it was saved
    from. Looked for in the whole campaign, or beside the flight where it lies in none.
    """
    flight_dir = Path(flight_dir).resolve()
    where, pattern = (flight_dir.parent.parent, "**/") if _campaign(flight_dir) else (flight_dir.parent, "*/")
    mine = _origin(flight_dir)
    found = []
    for path in sorted(where.glob(f"{pattern}{JOURNAL_FILE}")):
        other = path.parent
        if other == flight_dir or path.is_symlink() or not is_folder(other / AUDIO_DIR):
            continue
        if any(_files(other / AUDIO_DIR)) and not mine.isdisjoint(_origin(other)):
            found.append(other)
    return found


def _origin(flight_dir: Path) -> set[tuple]:
    """By what a flight and its copies know each other."""
    rows = readable_rows(flight_dir)[0]
    found: set[tuple] = {("name", flight_dir.name)}
    for row in rows:
        if row.kind is RowKind.FLIGHT and row.body.get("started_utc"):
            # Two flights of one day may have the same date; not heard in the same second.
            found.add(("begun", row.body.get("heard_utc") or row.body["started_utc"]))
        elif row.kind is RowKind.AUDIO:
            found.add(("sound", row.utc, row.body.get("first_sample")))
        elif row.kind is RowKind.NOTE and str(row.body.get("text", "")).startswith("rescued from "):
            found.add(("name", str(row.body["text"]).removeprefix("rescued from ").rpartition(": ")[0]))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """Corrections joined, and the calls or runs on which the two copies had decided differently."""

    joined: tuple[Correction, ...]
    contradictions: tuple[tuple[Correction, Correction], ...]  # the one that holds is the second
    left: dict[str, int]  # rows of other kinds that only the other copy has, by kind


def verify_all(folder: Path) -> list[Health]:
    """As `verify`, for a flight or for all flights of a campaign."""
    return [verify(flight) for flight in list_flights(folder) or [folder]]


def compress(flight_dir: Path) -> list[str]:
    """Turn closed WAV segments into FLAC, each checked first; the files made."""
    with Journal.open(flight_dir) as journal:
        return compress_sound(journal)


def merge(flight_dir: Path, other_dir: Path) -> Merged:
    """Add the corrections of another copy of a flight to this one; nothing is changed or removed.

    Corrections have the same id in every copy and are taken in the order in which they were made, so that both copies
    come to the same whichever way they are joined. Of two that contradict each other the later one holds.

    Raises
    ------
    LogError
        The two are not copies of one flight, or what was heard in them differs.
    """
    flight_dir, other_dir = Path(flight_dir), Path(other_dir)
    if flight_dir.resolve() == other_dir.resolve():
        raise LogError(f"{other_dir}: is the same folder; expected another copy of the flight.")
    with Journal.open(other_dir, read_only=True) as journal:
        theirs = list(journal.rows())
    with Journal.open(flight_dir) as journal:
        ours = list(journal.rows())
        by_id = {row.id: row for row in ours}
        _check_copies(flight_dir, other_dir, by_id, theirs)
        new = [row for row in theirs if row.id not in by_id]
        rows = [row for row in new if row.kind is RowKind.CORRECTION]
        before, after = _corrections(ours), _corrections([*ours, *rows])
        journal.append(rows)
    return Merged(
        joined=tuple(codec.body_to_correction(row.body) for row in rows),
        contradictions=tuple(_contradictions(before, _corrections(theirs), after)),
        left=dict(Counter(str(row.kind) for row in new if row.kind is not RowKind.CORRECTION)),
    )


def _corrections(rows: Iterable[JournalRow]) -> list[Correction]:
    return [codec.body_to_correction(row.body) for row in rows if row.kind is RowKind.CORRECTION]


def _check_copies(flight_dir: Path, other_dir: Path, by_id: dict[str, JournalRow], theirs: list[JournalRow]) -> None:
    first = theirs[0]
    known = by_id.get(first.id)
    if known is None or (known.utc, known.body) != (first.utc, first.body):
        raise LogError(f"{other_dir}: is not a copy of {flight_dir}; the two were begun as different flights.")
    kept = (RowKind.CALL, RowKind.CORRECTION)
    for row in theirs:
        mine = by_id.get(row.id)
        if row.kind in kept and mine is not None and (mine.kind, mine.body) != (row.kind, row.body):
            raise LogDamaged(f"{other_dir}: row {row.id} differs from the one in {flight_dir}; nothing was joined.")
    missing = [row.id for row in theirs if row.kind is RowKind.CALL and row.id not in by_id]
    if missing:
        raise LogError(
            f"{other_dir}: {len(missing)} calls that {flight_dir} does not have ({', '.join(missing[:3])}); the two were "
            "heard differently.",
            hint="Join the other way round, or hear both from the same sound first; nothing was changed.",
        )


def _contradictions(
    ours: list[Correction], theirs: list[Correction], both: list[Correction]
) -> list[tuple[Correction, Correction]]:
    """Last decisions on the same thing that were made in one copy only each, and say different things."""
    common = {correction.id for correction in ours} & {correction.id for correction in theirs}
    last: dict[str, dict[bool, Correction]] = defaultdict(dict)
    mine = {correction.id for correction in ours}
    for correction in in_force(both):
        if correction.id not in common:
            last[correction.target][correction.id in mine] = correction
    found = []
    for sides in last.values():
        if len(sides) == 2:
            a, b = sorted(sides.values(), key=lambda correction: (correction.utc, correction.id))
            apart = Action.MOVE in (a.action, b.action) and {a.action, b.action} & _LEAVES_TIME
            if (a.action, a.payload) != (b.action, b.payload) and not apart:
                found.append((a, b))
    return found
