"""Cockpit sound of a flight: short WAV segments while recording, FLAC afterwards.

A segment is a 44-byte WAV header and raw PCM (16 kHz, mono, 16 bit). The header is written for a
full segment at the start and put right at the close; our reader never looks at its lengths, so
a power cut costs at most the last half second. `AUDIO` rows say which samples of the flight
clock a file holds: one row when it is begun (`samples` null), one when it is closed, one when it
is compressed; for the same `first_sample` the last row holds.

Main names: `SegmentWriter`, `read_sound`, `iter_sound`, `sound_duration_s`, `compress_sound`.
"""

from __future__ import annotations

import errno
import os
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger_app.errors import LogDamaged, LogError, SoundError
from logger_app.io.files import (
    complete_file,
    create_file,
    is_file,
    is_folder,
    make_folder,
    open_file,
    remove_file,
    sync_data,
    sync_folder,
)
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.journal import JournalRow, RowKind
from logger_app.units import RATE_HZ, s_to_ns

AUDIO_DIR = "audio"
SEGMENT_S = 30
# Measured: half a second of PCM with fdatasync takes 3 ms (99 %: 8 ms).
SYNC_SAMPLES = RATE_HZ // 2
HEADER_BYTES = 44
BYTES_PER_SAMPLE = 2
# Eleven days and a half, as the codec's longest time.
MAX_SAMPLES = RATE_HZ * 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of sound on the flight clock. `checks` are the CRC-32 of each second, once closed."""

    file: str
    first_sample: int
    samples: int | None
    rate_hz: int = RATE_HZ
    source: str = ""
    checks: tuple[int, ...] = ()
    erased: bool = False

    @property
    def end_sample(self) -> int:
        """One past the last sample; an unfinished segment must have been measured first."""
        return self.first_sample + (self.samples or 0)


class SegmentWriter:
    """Writes sound as it comes; what `write` took is on the disk within half a second.

    Used by one thread. Begins after whatever sound the flight has already. `samples` is the
    position on the flight clock: the sample that the next `write` begins with.
    """

    def __init__(self, flight_dir: Path, journal: Journal, source: str = "microphone", segment_s: float = SEGMENT_S):
        self.flight_dir = Path(flight_dir)
        self.journal = journal
        self.source = source
        self.segment_samples = round(segment_s * RATE_HZ)
        known = journal_segments(journal)
        self.samples = max((segment.end_sample for segment in known), default=0)
        self._number = _next_number(self.flight_dir)
        self._fd: int | None = None
        self._file = ""
        self._first = 0
        self._unsynced = 0
        self._pcm_crc = _SecondChecks()

    def __enter__(self) -> SegmentWriter:
        return self

    def __exit__(self, *exc) -> None:
        self.close()

    def write(self, pcm: np.ndarray) -> None:
        """Append sound.

        Parameters
        ----------
        pcm : ndarray of int16, shape (n,)
            16 kHz mono.

        Raises
        ------
        LogError
            The disk is full or the folder is gone; `samples` says how far it came.
        """
        pcm = np.ascontiguousarray(pcm, dtype="<i2")
        while len(pcm):
            fd = self._begin() if self._fd is None else self._fd
            room = self.segment_samples - (self.samples - self._first)
            self._put(fd, pcm[:room])
            pcm = pcm[room:]
            if self.samples - self._first >= self.segment_samples:
                self._finish()

    def skip(self, samples: int) -> None:
        """Move the flight clock on without sound: the microphone was away."""
        if samples > 0:
            self._finish()
            self.samples += int(samples)

    def close(self) -> None:
        """Finish the segment that is open. Safe to call twice."""
        self._finish()

    def _begin(self) -> int:
        folder = self.flight_dir / AUDIO_DIR
        self._file = f"{AUDIO_DIR}/{self._number:04d}.wav"
        self._number += 1  # also where it fails: a file that cannot be taken away would be in the way
        self._first = self.samples
        try:
            if not is_folder(folder):
                make_folder(folder, 0o700, parents=False)
                sync_folder(self.flight_dir)
            fd = self._fd = create_file(self.flight_dir / self._file)
            if os.write(fd, wav_header(self.segment_samples)) < HEADER_BYTES:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            sync_data(fd)
            sync_folder(folder)
            self._append_row(samples=None)
        except OSError as err:
            # Sound behind half a header, or in a file that no row names, would be lost: none of it is begun.
            ours = self._fd is not None
            self._abandon()
            with suppress(OSError):
                if ours:
                    remove_file(self.flight_dir / self._file)
            raise err if isinstance(err, LogError) else self._failed(err) from err
        self._pcm_crc = _SecondChecks()
        return fd

    def _put(self, fd: int, pcm: np.ndarray) -> None:
        data = pcm.tobytes()
        done = 0
        try:
            while done < len(data):
                done += os.write(fd, data[done:])
            self._unsynced += len(pcm)
            if self._unsynced >= SYNC_SAMPLES:
                sync_data(fd)
                self._unsynced = 0
        except OSError as err:
            samples_done = done - done % BYTES_PER_SAMPLE
            self._took(data[:samples_done])
            # Half a sample at the end would shift nothing, but the next write must begin on a whole one.
            try:
                os.ftruncate(fd, HEADER_BYTES + BYTES_PER_SAMPLE * (self.samples - self._first))
                os.lseek(fd, 0, os.SEEK_END)
            except OSError:  # the medium is gone: what comes later goes into a file of its own
                self._abandon()
            raise self._failed(err) from err
        self._took(data)

    def _abandon(self) -> None:
        """Leave the segment as it is; a row without a length has it measured on the disk."""
        fd, self._fd, self._unsynced = self._fd, None, 0
        if fd is not None:
            with suppress(OSError):
                os.close(fd)

    def _took(self, data: bytes) -> None:
        self._pcm_crc.add(data)
        self.samples += len(data) // BYTES_PER_SAMPLE

    def _finish(self) -> None:
        if self._fd is None:
            return
        fd, self._fd = self._fd, None
        samples = self.samples - self._first
        try:
            if samples != self.segment_samples:
                os.lseek(fd, 0, os.SEEK_SET)
                os.write(fd, wav_header(samples))
            sync_data(fd)
        except OSError as err:
            raise self._failed(err) from err
        finally:
            with suppress(OSError):
                os.close(fd)
        self._unsynced = 0
        self._append_row(samples=samples, checks=self._pcm_crc.done())

    def _append_row(self, *, samples: int | None, checks: Sequence[int] = ()) -> None:
        segment = Segment(
            file=self._file, first_sample=self._first, samples=samples, source=self.source, checks=tuple(checks)
        )
        self.journal.append([audio_row(segment, self.journal.new_id("audio"), utc_now())])

    def _failed(self, err: OSError) -> LogError:
        at_s = self.samples / RATE_HZ
        return LogError(
            f"{self.flight_dir / self._file}: sound cannot be written at {at_s:.1f} s ({err.strerror or err}); "
            "what came before is safe."
        )


class _SecondChecks:
    """CRC-32 of each whole second of PCM as it goes by, and of the rest."""

    def __init__(self):
        self.checks: list[int] = []
        self._crc = 0
        self._bytes = 0

    def add(self, data: bytes) -> None:
        while data:
            room = RATE_HZ * BYTES_PER_SAMPLE - self._bytes
            self._crc = zlib.crc32(data[:room], self._crc)
            self._bytes += min(room, len(data))
            data = data[room:]
            if self._bytes == RATE_HZ * BYTES_PER_SAMPLE:
                self._turn()

    def done(self) -> list[int]:
        if self._bytes:
            self._turn()
        return self.checks

    def _turn(self) -> None:
        self.checks.append(self._crc)
        self._crc = self._bytes = 0


def second_checks(pcm: np.ndarray) -> tuple[int, ...]:
    """CRC-32 of each second of sound, the last one perhaps shorter.

    Parameters
    ----------
    pcm : ndarray of int16, shape (n,)
        16 kHz mono.
    """
    checks = _SecondChecks()
    checks.add(np.ascontiguousarray(pcm, dtype="<i2").tobytes())
    return tuple(checks.done())


def wav_header(samples: int) -> bytes:
    """A 44-byte header for 16 kHz mono 16-bit PCM of so many samples (RIFF WAVE, format 1)."""
    size = samples * BYTES_PER_SAMPLE
    return struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        b"RIFF",
        36 + size,
        b"WAVE",
        b"fmt ",
        16,
        1,
        1,
        RATE_HZ,
        RATE_HZ * BYTES_PER_SAMPLE,
        BYTES_PER_SAMPLE,
        16,
        b"data",
        size,
    )


def audio_row(segment: Segment, id: str, utc: str) -> JournalRow:
    """What a segment holds, as a journal row."""
    body = {
        "file": segment.file,
        "first_sample": segment.first_sample,
        "samples": segment.samples,
        "rate_hz": segment.rate_hz,
        "source": segment.source,
    }
    if segment.checks:
        body["crc32_per_s"] = list(segment.checks)
    flight_ns = s_to_ns(segment.first_sample / segment.rate_hz)
    return JournalRow(id=id, flight_ns=flight_ns, utc=utc, kind=RowKind.AUDIO, body=body)


def segments_of(flight_dir: Path, rows: Iterable[JournalRow]) -> list[Segment]:
    """The sound of a flight, in order of time; unfinished segments are measured on the disk.

    Parameters
    ----------
    rows : iterable of JournalRow
        Of the flight's journal; rows that are not about sound are passed over.

    Returns
    -------
    list of Segment
        `samples` is set in each; `erased` where the sound was removed on request.

    Raises
    ------
    LogDamaged
        A row cannot be read, or names a file outside the flight's own sound folder.
    """
    latest: dict[int, Segment] = {}
    erased: set[str] = set()
    for row in rows:
        if row.kind is RowKind.ERASED:
            erased |= set(row.body.get("files", ()))
        elif row.kind is RowKind.AUDIO:
            segment = _segment_from(row, flight_dir)
            latest[segment.first_sample] = segment
    return [_measured(latest[first], Path(flight_dir), erased) for first in sorted(latest)]


def _segment_from(row: JournalRow, flight_dir: Path) -> Segment:
    body = row.body
    try:
        name = Path(body["file"])
        # A journal from somebody else must not lead us out of the flight's folder.
        if name.is_absolute() or name.parent != Path(AUDIO_DIR) or ".." in name.parts:
            raise ValueError(f"{body['file']!r} is not in {AUDIO_DIR}/")
        if body.get("rate_hz", RATE_HZ) != RATE_HZ:
            raise ValueError(f"rate {body['rate_hz']} Hz; sound in a flight is at {RATE_HZ} Hz")
        first, samples = body["first_sample"], body.get("samples")
        if not all(type(n) is int and 0 <= n <= MAX_SAMPLES for n in (first, 0 if samples is None else samples)):
            raise ValueError(f"samples {first} and {samples}; need whole numbers from 0 to {MAX_SAMPLES}")
        return Segment(
            file=name.as_posix(),
            first_sample=first,
            samples=samples,
            source=str(body.get("source", "")),
            checks=tuple(int(check) for check in body.get("crc32_per_s", ())),
        )
    except (KeyError, TypeError, ValueError, OverflowError) as err:
        raise LogDamaged(f"{flight_dir}: row {row.id} (sound) cannot be read: {err}.") from err


def _measured(segment: Segment, flight_dir: Path, erased: set[str]) -> Segment:
    samples = segment.samples
    if samples is None:
        path = flight_dir / segment.file
        size = path.stat().st_size if _is_own(path) else 0
        samples = max(0, size - HEADER_BYTES) // BYTES_PER_SAMPLE
    return Segment(
        file=segment.file,
        first_sample=segment.first_sample,
        samples=samples,
        source=segment.source,
        checks=segment.checks,
        erased=segment.file in erased,
    )


def journal_segments(journal: Journal) -> list[Segment]:
    """As `segments_of`, from an open journal."""
    return segments_of(journal.flight_dir, journal.rows(RowKind.AUDIO, RowKind.ERASED))


def list_segments(flight_dir: Path) -> list[Segment]:
    """The sound of a flight, in order of time (opens the journal for reading)."""
    with Journal.open(flight_dir, read_only=True) as journal:
        return journal_segments(journal)


def sound_duration_s(flight_dir: Path) -> float:
    """How long the flight's recording is on the flight clock [s], erased or missing sound included."""
    return end_s(list_segments(flight_dir))


def end_s(segments: Iterable[Segment]) -> float:
    """Where the last of some measured segments ends on the flight clock [s]."""
    return max((segment.end_sample for segment in segments), default=0) / RATE_HZ


def read_sound(flight_dir: Path, start_s: float, end_s: float) -> np.ndarray:
    """Sound between two times on the flight clock.

    Parameters
    ----------
    start_s : float
        From [s].
    end_s : float
        To, cut at the end of the recording [s].

    Returns
    -------
    ndarray of int16, shape (n,)
        16 kHz mono; holes are zeros; empty when nothing of the stretch is there.

    Raises
    ------
    SoundError
        A segment is damaged.
    """
    return read_samples(flight_dir, list_segments(flight_dir), round(start_s * RATE_HZ), round(end_s * RATE_HZ))


def read_samples(flight_dir: Path, segments: Sequence[Segment], first: int, end: int) -> np.ndarray:
    """Samples ``[first, end)`` of the flight clock out of known segments; see `read_sound`."""
    first = max(0, first)
    end = min(end, round(end_s(segments) * RATE_HZ))
    if end <= first:
        return np.zeros(0, np.int16)
    out = np.zeros(end - first, np.int16)
    found = False
    for segment in segments:
        a, b = max(first, segment.first_sample), min(end, segment.end_sample)
        if b <= a or segment.erased:
            continue
        pcm = segment_samples(flight_dir, segment, a - segment.first_sample, b - segment.first_sample)
        out[a - first : a - first + len(pcm)] = pcm
        found = found or len(pcm) > 0
    return out if found else np.zeros(0, np.int16)


def segment_samples(flight_dir: Path, segment: Segment, first: int = 0, end: int | None = None) -> np.ndarray:
    """Samples ``[first, end)`` of one segment's own file, int16 at 16 kHz mono; to its end without `end`.

    Empty when the file is not there; `SoundError` when a compressed one is damaged.
    """
    end = (segment.samples or 0) if end is None else end
    named = Path(flight_dir) / segment.file
    path = named if _is_own(named) else _other_form(named)
    if path is None:
        return np.zeros(0, np.int16)
    if path.suffix == ".wav":
        with open_file(path) as file:
            file.seek(HEADER_BYTES + BYTES_PER_SAMPLE * first)
            data = file.read(BYTES_PER_SAMPLE * (end - first))
        return np.frombuffer(data[: len(data) - len(data) % BYTES_PER_SAMPLE], "<i2")
    return _decoded(path)[first:end]


def _other_form(path: Path) -> Path | None:
    """A cut between compressing and noting it leaves the other form of the same segment."""
    other = path.with_suffix(".wav" if path.suffix == ".flac" else ".flac")
    return other if _is_own(other) else None


def _is_own(path: Path) -> bool:
    """A link is not the flight's sound: it may lead to anybody's file, and forgetting would leave what it leads to."""
    return is_file(path) and is_folder(path.parent)


_LAST_DECODED: tuple[tuple, np.ndarray] | None = None


def _decoded(path: Path) -> np.ndarray:
    """A compressed segment, decoded; the last one is kept, since a review asks around one place."""
    global _LAST_DECODED
    state = path.stat()
    key = (str(path), state.st_mtime_ns, state.st_size)
    if _LAST_DECODED is None or _LAST_DECODED[0] != key:
        from logger_app.io.sound import read_sound_file

        _LAST_DECODED = (key, read_sound_file(path))
    return _LAST_DECODED[1]


def iter_sound(flight_dir: Path, block_s: float = 1.0) -> Iterator[np.ndarray]:
    """All sound from 0 in blocks, in constant memory; holes are zeros.

    Parameters
    ----------
    block_s : float
        Length of a block; the last one is shorter [s].

    Yields
    ------
    ndarray of int16, shape (n,)
        16 kHz mono.
    """
    segments = list_segments(flight_dir)
    total = max((segment.end_sample for segment in segments), default=0)
    step = max(1, round(block_s * RATE_HZ))
    for first in range(0, total, step):
        end = min(first + step, total)
        near = [s for s in segments if s.first_sample < end and s.end_sample > first]
        pcm = read_samples(flight_dir, near, first, end)
        yield np.pad(pcm, (0, end - first - len(pcm)))


def compress_sound(journal: Journal) -> list[str]:
    """Turn closed WAV segments into FLAC, each checked before its WAV goes.

    Raises
    ------
    SoundError
        What was compressed does not decode to the same samples; the WAV stays.
    """
    from logger_app.io.sound import encode_flac, read_sound_file

    folder, made = journal.flight_dir, []
    for segment in journal_segments(journal):
        wav = folder / segment.file
        if wav.suffix != ".wav" or segment.erased or not segment.samples or not _is_own(wav):
            continue
        pcm = segment_samples(folder, segment)
        flac = wav.with_suffix(".flac")
        with complete_file(flac) as part:
            part.write_bytes(encode_flac(pcm))
            if not np.array_equal(read_sound_file(part), pcm):
                raise SoundError(f"{wav}: compression would change its sound; the WAV was kept.")
        done = Segment(
            file=f"{AUDIO_DIR}/{flac.name}",
            first_sample=segment.first_sample,
            samples=len(pcm),
            source=segment.source,
            checks=segment.checks or second_checks(pcm),
        )
        journal.append([audio_row(done, journal.new_id("audio"), utc_now())])
        remove_file(wav)
        made.append(done.file)
    return made


def _next_number(flight_dir: Path) -> int:
    taken = [int(path.stem) for path in (flight_dir / AUDIO_DIR).glob("*.*") if path.stem.isdigit()]
    return max(taken, default=-1) + 1
