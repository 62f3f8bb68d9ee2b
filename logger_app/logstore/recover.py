"""Looking after a flight folder: is it intact, what can be saved, and removing its sound.

`verify` names everything that is damaged and changes nothing. `rescue` writes what is intact into
a new folder and leaves the damaged one as it is. `forget_sound` removes the sound of people on
request; that it was removed, and by whom, stays in the journal.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from logger_app.domain.flight_time import Overlap, overlaps
from logger_app.domain.folder_names import name_faults
from logger_app.errors import Fault, FileRefused, LogDamaged, LogError, SoundError
from logger_app.io.containers import open_container
from logger_app.io.files import (
    is_file,
    is_folder,
    put_in_place,
    read_bytes,
    refuse_links,
    remove_file,
    sync_data,
    sync_folder,
)
from logger_app.logstore import audio_io, codec, schema
from logger_app.logstore.audio_io import AUDIO_DIR, Segment
from logger_app.logstore.carve import carve_records, log_state
from logger_app.logstore.lock_io import LOCK_FILE, WriterLock
from logger_app.logstore.schema import JOURNAL_FILE, MAX_JOURNAL_BYTES
from logger_app.logstore.store import Journal, row_of, utc_now
from logger_app.records.calls import CaptureGap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.units import RATE_HZ, s_to_ns

MEDIA_DIR = "media"
MIN_ROW_BYTES = 40  # checksum, id, kind and body of the shortest row, in its page and in the indexes
READERS = {
    RowKind.CALL: codec.body_to_call,
    RowKind.CORRECTION: codec.body_to_correction,
    RowKind.GAP: codec.body_to_gap,
    RowKind.CLOCK_MAP: codec.body_to_clock_map,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """What `verify` found. `faults` is damage; `notes` is worth knowing and no damage."""

    flight: Path
    rows: int
    kinds: tuple[tuple[str, int], ...]
    sound_s: float
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether everything is what was written."""
        return not self.faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Rescue:
    """What `rescue` saved and what is lost; `lost_rows` are places in the old journal."""

    out: Path
    rows_saved: int
    lost_rows: tuple[int, ...]
    sound_saved_s: float
    sound_lost: tuple[CaptureGap, ...] = ()


def verify(flight_dir: Path, sound: bool = True) -> Health:
    """Check every row and every second of sound of a flight; change nothing.

    Parameters
    ----------
    sound : bool
        Decode the sound and compare it with its checksums; else only ask whether its files are there, which is quick.

    Raises
    ------
    LogError
        There is no flight.
    LogTooNew
        Written by a newer version.
    """
    flight_dir = Path(flight_dir)
    faults: list[Fault] = []
    notes: list[str] = []
    try:
        with Journal.open(flight_dir, read_only=True, check=False) as journal:
            faults += _file_faults(journal, flight_dir)
    except (LogDamaged, FileRefused) as err:
        faults.append(_journal_fault(flight_dir, str(err)))
    rows, lost = readable_rows(flight_dir)
    faults += [_row_fault(flight_dir, span) for span in _spans(lost)]
    faults += _body_faults(flight_dir, rows)
    faults += [_clock_fault(flight_dir, overlap) for overlap in overlaps(rows)]
    segments = audio_io.segments_of(flight_dir, rows)
    for segment in segments:
        faults += _segment_faults(flight_dir, segment, sound)
        if not segment.checks and segment.samples and not segment.erased:
            notes.append(f"{segment.file}: was not closed; {segment.samples / RATE_HZ:.1f} s are readable")
    notes += _log_notes(flight_dir)
    notes += _stray_files(flight_dir, segments)
    return Health(
        flight=flight_dir,
        rows=len(rows),
        kinds=tuple(sorted(Counter(str(row.kind) for row in rows).items())),
        sound_s=max((segment.end_sample for segment in segments), default=0) / RATE_HZ,
        faults=tuple(faults),
        notes=tuple(notes),
    )


def rescue(flight_dir: Path, out: Path) -> Rescue:
    """Save every intact row and all sound of a damaged flight into a new folder.

    Returns
    -------
    Rescue
        What was saved and what is lost; the new journal says so too.

    Raises
    ------
    LogError
        `out` already exists, or there is nothing to save.
    """
    flight_dir, out = Path(flight_dir), Path(out)
    if faults := name_faults(out.name, str(out)):
        raise LogError(faults=faults, hint="Give another folder with -o; nothing was changed.")
    if os.path.lexists(out):
        raise LogError(f"{out}: already exists; not overwritten.", hint="Give another folder with -o.")
    if not is_file(flight_dir / JOURNAL_FILE) and not is_folder(flight_dir / AUDIO_DIR):
        raise LogError(f"{flight_dir}: holds neither a journal nor sound; there is nothing to save.")
    rows, lost = readable_rows(flight_dir)
    segments = audio_io.segments_of(flight_dir, rows) or _segments_without_journal(flight_dir)
    clear_unfinished(out.parent)
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        with _new_journal(part, flight_dir, rows) as journal:
            _append_saved(journal, rows, flight_dir, lost)
            gaps = [gap for segment in segments for gap in _save_segment(flight_dir, segment, journal)]
            journal.append(codec.gap_row(gap, utc_now(), journal.new_id("gap")) for gap in gaps)
        if is_folder(flight_dir / MEDIA_DIR):
            shutil.copytree(flight_dir / MEDIA_DIR, part / MEDIA_DIR, symlinks=True, copy_function=_link_or_copy)
        put_in_place(part, out)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    lost_s = sum(gap.end_ns - gap.start_ns for gap in gaps) / 1e9
    total_s = sum(segment.samples or 0 for segment in segments if not segment.erased) / RATE_HZ
    return Rescue(
        out=out,
        rows_saved=len(rows),
        lost_rows=tuple(lost),
        sound_saved_s=max(0.0, total_s - lost_s),
        sound_lost=tuple(gaps),
    )


def forget_sound(flight_dir: Path, who: str, why: str = "") -> list[str]:
    """Remove the sound of a flight; calls, times and the record of the removal stay.

    Returns
    -------
    list of str
        Files removed; none if there was no sound.

    Raises
    ------
    LogError
        The flight cannot be written, or somebody else is writing.
    """
    flight_dir = Path(flight_dir)
    refuse_links(flight_dir / AUDIO_DIR)
    clear_unfinished(flight_dir.parent)
    with Journal.open(flight_dir) as journal:
        segments = audio_io.journal_segments(journal)
        files = sorted({form for s in segments for form in _forms(s.file)} | set(_files_with_sound(flight_dir)))
        present = [file for file in files if os.path.lexists(flight_dir / file) and not is_folder(flight_dir / file)]
        to_note = [file for file in files if any(s.file == file and not s.erased for s in segments)]
        if not present and not to_note:
            return []
        now = utc_now()
        # An unfinished segment is measured on the disk: its length must be noted before it goes.
        rows = [
            audio_io.audio_row(segment, journal.new_id("audio"), now)
            for segment in segments
            if not segment.checks and not segment.erased
        ]
        body = {"what": "sound", "files": files, "who": who, "why": why}
        rows.append(JournalRow(id=journal.new_id("erased"), flight_ns=0, utc=now, kind=RowKind.ERASED, body=body))
        journal.append(rows)
        for file in present:
            remove_file(flight_dir / file)
        if present:
            sync_folder(flight_dir / AUDIO_DIR)
    return present


def clear_unfinished(flights_dir: Path) -> None:
    """Take away flights that were still being built when the program was killed; their sound is in them.

    Parameters
    ----------
    flights_dir : Path
        Where flight folders lie; what another program is building just now is left alone.
    """
    for folder in Path(flights_dir).glob(".*.part"):
        if not is_folder(folder) or not is_file(folder / LOCK_FILE):
            continue  # not one of ours
        try:
            WriterLock(folder).release()
        except OSError:
            continue
        shutil.rmtree(folder, ignore_errors=True)


def readable_rows(flight_dir: Path) -> tuple[list[JournalRow], list[int]]:
    """Every row that is what was written, however damaged the file, and the places of the others.

    Returns
    -------
    tuple of (list of JournalRow, list of int)
        Rows in order; places (`seq`) of rows that are lost.
    """
    path = Path(flight_dir) / JOURNAL_FILE
    if not is_file(path):
        return [], []
    read, last = _rows_through_sqlite(Path(flight_dir))
    if last is None or len(read) < last:
        wal = Path(f"{path}-wal")
        database, log = (read_bytes(part, MAX_JOURNAL_BYTES) if is_file(part) else b"" for part in (path, wal))
        for record in carve_records(database, log):
            inside = last is None or record[0] <= last
            if inside and record[0] not in read and (row := row_of(record)):
                read[record[0]] = row
    end = last if last is not None else max(read, default=0)
    return [read[seq] for seq in sorted(read)], [seq for seq in range(1, end + 1) if seq not in read]


def _rows_through_sqlite(flight_dir: Path) -> tuple[dict[int, JournalRow], int | None]:
    """Rows that SQLite can still reach, and the last place (None when it cannot say)."""
    try:
        journal = Journal.open(flight_dir, read_only=True, check=False)
    except (LogDamaged, FileRefused):
        return {}, None
    with journal:
        try:
            last = journal._connection.execute(
                "SELECT max((SELECT coalesce(max(seq), 0) FROM fact NOT INDEXED), "
                "(SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'fact'))"
            ).fetchone()[0]
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            return {}, None
        # A damaged number may be any; more rows than there is room for were never written.
        last = min(last, _room_for_rows(flight_dir))
        return {row.seq: row for row in _each_row(journal._connection, last) if row.seq is not None}, last


def _room_for_rows(flight_dir: Path) -> int:
    path = flight_dir / JOURNAL_FILE
    return sum(part.stat().st_size for part in (path, Path(f"{path}-wal")) if is_file(part)) // MIN_ROW_BYTES


def _each_row(connection: sqlite3.Connection, last: int) -> Iterator[JournalRow]:
    """In one go where the file is intact; one by one from where it is not."""
    seen = 0
    try:
        for record in connection.execute(f"{schema.SELECT} ORDER BY seq"):
            seen = record[0]
            if row := row_of(record):
                yield row
        return
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        pass
    for seq in range(seen + 1, last + 1):
        try:
            record = connection.execute(f"{schema.SELECT} WHERE seq = ?", (seq,)).fetchone()
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            continue
        if record and (row := row_of(record)):
            yield row


def _file_faults(journal: Journal, flight_dir: Path) -> list[Fault]:
    try:
        with closing(journal._connection.execute("PRAGMA integrity_check(5)")) as answer:
            lines = [line for (line,) in answer if line != "ok"]
    except (sqlite3.DatabaseError, UnicodeDecodeError) as err:
        lines = [str(err)]
    return [_journal_fault(flight_dir, "; ".join(" ".join(line.split()) for line in lines))] if lines else []


def _log_notes(flight_dir: Path) -> list[str]:
    """The end of the log: what a power cut leaves there cannot be told from damage to the very last of it."""
    wal = flight_dir / f"{JOURNAL_FILE}-wal"
    state = log_state(read_bytes(wal, MAX_JOURNAL_BYTES)) if is_file(wal) else None
    if state is None or state.damaged or not (state.behind or state.ragged):
        return []
    return [
        f"{wal.name}: its end is incomplete: it was being written when the program or the power stopped, or it is damaged"
    ]


def _journal_fault(flight_dir: Path, got: str) -> Fault:
    return Fault(
        where=str(flight_dir / JOURNAL_FILE),
        got=got,
        expected="an intact SQLite file",
        hint=f"Run `kneecall store rescue {flight_dir}`.",
    )


def _row_fault(flight_dir: Path, span: str) -> Fault:
    return Fault(
        where=f"{flight_dir / JOURNAL_FILE} row {span}",
        got="bytes that differ from what was written",
        expected="rows that agree with their checksums",
        hint=f"Run `kneecall store rescue {flight_dir}` to save the rest.",
    )


def _clock_fault(flight_dir: Path, overlap: Overlap) -> Fault:
    return Fault(
        where=f"{flight_dir / JOURNAL_FILE} row {overlap.seq}",
        got=str(overlap),
        expected="times that never go back",
        hint="Nothing is lost; runs in that stretch are left out of the results.",
    )


def _body_faults(flight_dir: Path, rows: Iterable[JournalRow]) -> list[Fault]:
    faults = []
    for row in rows:
        try:
            if reader := READERS.get(row.kind):
                reader(row.body)
        except LogDamaged as err:
            faults.append(
                Fault(where=f"{flight_dir / JOURNAL_FILE} row {row.seq}", got=str(err), expected=f"a {row.kind}")
            )
    return faults


def _runs(numbers: list[int]) -> list[tuple[int, int]]:
    """1, 2, 3, 7 as (1, 3), (7, 7)."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = runs[-1][0], number
        else:
            runs.append((number, number))
    return runs


def _spans(numbers: list[int]) -> list[str]:
    """1, 2, 3, 7 as ``1-3``, ``7``."""
    return [f"{a}" if a == b else f"{a}-{b}" for a, b in _runs(numbers)]


def _segments_without_journal(flight_dir: Path) -> list[Segment]:
    """Where no row about sound is left: the files in order, one after the other."""
    segments, first = [], 0
    by_number = {Path(file).stem: file for file in _sound_files(flight_dir)}
    for _, file in sorted(by_number.items()):
        segment = Segment(file=file, first_sample=first, samples=None, source="rescued")
        pcm, _ = _salvaged(flight_dir, replace(segment, samples=2**31))
        segments.append(replace(segment, samples=len(pcm)))
        first += len(pcm)
    return segments


def _sound_files(flight_dir: Path) -> list[str]:
    return [file for file in _files_with_sound(flight_dir) if not Path(file).name.startswith(".")]


def _files_with_sound(flight_dir: Path) -> list[str]:
    """Also the halves that a killed program left."""
    folder = flight_dir / AUDIO_DIR
    if not is_folder(folder):
        return []
    return sorted(f"{AUDIO_DIR}/{p.name}" for p in folder.glob("*") if p.suffix in (".wav", ".flac", ".tmp", ".part"))


def _forms(file: str) -> tuple[str, str]:
    stem = file.rsplit(".", 1)[0]
    return f"{stem}.wav", f"{stem}.flac"


def _segment_faults(flight_dir: Path, segment: Segment, decode: bool = True) -> list[Fault]:
    present = [form for form in _forms(segment.file) if os.path.lexists(flight_dir / form)]
    if segment.erased:
        return [
            Fault(
                where=str(flight_dir / form),
                got="sound that should have been removed",
                expected="no file",
                hint=f"Run `kneecall store forget-sound {flight_dir}` again.",
            )
            for form in present
        ]
    if not present:
        if not segment.samples:
            return []
        return [Fault(where=str(flight_dir / segment.file), got="no file", expected=_length(segment))]
    if not decode:
        return []
    pcm, intact = _salvaged(flight_dir, segment)
    bad = _bad_seconds(segment, pcm)
    if not bad and intact and len(pcm) == segment.samples:
        return []
    # Where no second is known to be bad, the file is too short or too long.
    where = _in_flight_s(segment, bad or [min(len(pcm), segment.samples or 0) // RATE_HZ])
    return [
        Fault(
            where=str(flight_dir / segment.file),
            got=f"{len(pcm) / RATE_HZ:.2f} s of sound, damaged at flight time {where}",
            expected=_length(segment),
            hint=f"Run `kneecall store rescue {flight_dir}` to save the rest.",
        )
    ]


def _length(segment: Segment) -> str:
    return f"{(segment.samples or 0) / RATE_HZ:.2f} s of sound as recorded"


def _in_flight_s(segment: Segment, seconds: list[int]) -> str:
    first = segment.first_sample / RATE_HZ
    return ", ".join(f"{first + a:.0f} to {first + b + 1:.0f} s" for a, b in _runs(seconds))


def _bad_seconds(segment: Segment, pcm: np.ndarray) -> list[int]:
    """Seconds of the segment that are not what was recorded; none are known of an unclosed one."""
    found = audio_io.second_checks(pcm)
    return [k for k, check in enumerate(segment.checks) if k >= len(found) or found[k] != check]


def _salvaged(flight_dir: Path, segment: Segment) -> tuple[np.ndarray, bool]:
    """What can be read of a segment, and whether it read without complaint."""
    try:
        return audio_io.segment_samples(flight_dir, segment), True
    except (SoundError, OSError):
        return _decode_what_can_be(flight_dir / segment.file, segment.samples or 0), False


def _decode_what_can_be(path: Path, samples: int) -> np.ndarray:
    """A damaged FLAC, frame by frame, each at its own place; what is missing stays zero."""
    import av

    out = np.zeros(samples, np.int16)
    try:
        with open_container(path) as container:
            stream = container.streams.audio[0]
            for packet in container.demux(stream):
                try:
                    frames = packet.decode()
                except av.FFmpegError:
                    continue
                for frame in frames:
                    first = 0 if frame.pts is None else int(frame.pts * frame.time_base * RATE_HZ)
                    pcm = frame.to_ndarray().reshape(-1).astype(np.int16)
                    if 0 <= first < samples:
                        out[first : first + len(pcm)] = pcm[: samples - first]
    except (av.FFmpegError, OSError, IndexError, ValueError):
        pass
    return out


def _stray_files(flight_dir: Path, segments: list[Segment]) -> list[str]:
    known = {form for segment in segments for form in _forms(segment.file)}
    return [f"{file}: not in the journal" for file in _sound_files(flight_dir) if file not in known]


def _new_journal(out: Path, flight_dir: Path, rows: list[JournalRow]) -> Journal:
    body: dict = {}
    try:
        body = codec.flight_body(rows, flight_dir)
        info = codec.body_to_info(body)
    except LogDamaged:
        info = FlightInfo(id=flight_dir.name, configuration=None)
    extra = {key: value for key, value in body.items() if key not in codec.info_to_body(info)}
    return Journal.create(out, info, **extra)


def _append_saved(journal: Journal, rows: list[JournalRow], flight_dir: Path, lost: list[int]) -> None:
    taken = {row.id for row in journal.rows()}
    journal.append(row for row in rows if row.id not in taken and row.kind is not RowKind.AUDIO)
    text = f"rescued from {flight_dir.name}: {len(rows)} rows saved, {len(lost)} lost"
    note = {"start_ns": 0, "end_ns": 0, "text": text, "lost_rows": _spans(lost)}
    journal.append([JournalRow(id=journal.new_id("note"), flight_ns=0, utc=utc_now(), kind=RowKind.NOTE, body=note)])


def _save_segment(flight_dir: Path, segment: Segment, journal: Journal) -> list[CaptureGap]:
    """Copy a segment as it is if intact, as WAV with what could be read if not."""
    out = journal.flight_dir
    source = flight_dir / segment.file
    pcm, intact = (np.zeros(0, np.int16), True) if segment.erased else _salvaged(flight_dir, segment)
    bad = [] if segment.erased else _bad_seconds(segment, pcm)
    saved = segment
    if len(pcm):
        (out / AUDIO_DIR).mkdir(mode=0o700, exist_ok=True)
        if intact and not bad and source.suffix == ".flac" and is_file(source):
            shutil.copyfile(source, out / segment.file)
        else:
            saved = replace(segment, file=str(Path(segment.file).with_suffix(".wav").as_posix()))
            (out / saved.file).write_bytes(audio_io.wav_header(len(pcm)) + pcm.astype("<i2").tobytes())
        with (out / saved.file).open("rb+") as file:
            sync_data(file.fileno())
        saved = replace(saved, checks=audio_io.second_checks(pcm))
    if not segment.erased:
        saved = replace(saved, samples=len(pcm))  # a file cut short is intact as far as it goes; the rest is a gap
    journal.append([audio_io.audio_row(saved, journal.new_id("audio"), utc_now())])
    if segment.erased:
        return []
    if not len(pcm) and segment.samples:
        bad = list(range(-(-segment.samples // RATE_HZ)))
    first_s, end_s = segment.first_sample / RATE_HZ, segment.end_sample / RATE_HZ
    why = f"sound damaged in {segment.file}"
    return [
        CaptureGap(start_ns=s_to_ns(first_s + a), end_ns=s_to_ns(min(end_s, first_s + b + 1)), why=why)
        for a, b in _runs(bad)
    ]


def _link_or_copy(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
