"""Calls out of a text in place of sound: a hand-written log or somebody's subtitles.

CSV with a header that has ``start_s`` and ``words`` (``end_s`` may be there), WebVTT, SubRip. The
same pack reads the words. Such calls are flagged `TRANSCRIPT`: nothing was heard. Not for: the
spreadsheet that goes out of and back into a review (`review`).

Main name: `read_transcript`.
"""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from logger_app.errors import Fault, FileRefused, SoundError
from logger_app.hear.packs import Pack
from logger_app.hear.parse import Parsed, parse_words
from logger_app.io.files import open_file
from logger_app.records.calls import CallKind, Flag, HeardCall
from logger_app.units import s_to_ns

TRANSCRIPT_SUFFIXES = (".csv", ".vtt", ".srt")
# A day of talk is about a megabyte; what is larger is not a transcript.
MAX_BYTES = 16 * 1024 * 1024
MAX_LINES = 200_000
MAX_SECONDS = 48 * 3600.0
FAULTS_SHOWN = 20
# Words with no end of their own: how long one takes to say, 2.5 words a second (common practice, no source).
S_PER_WORD = 0.4
# Words of a longer line of text are spread over it evenly: their times are good to seconds only [s; ours].
MAX_TIMED_S = 2.5
# With talk beside it an airspeed in a text may be part of a sentence (our choice, not measured).
DOUBTFUL_POSTERIOR = 0.5
_STAMP = re.compile(r"(?:(\d{1,3}):)?(\d{1,2}):(\d{2})[.,](\d{3})")


@dataclass(frozen=True, slots=True)
class Cue:
    """One line of a transcript on the recording's own clock, ``[start_s, end_s)``."""

    start_s: float
    end_s: float
    words: tuple[str, ...]


def is_transcript(path: Path) -> bool:
    """Whether a file is read as a text, by its ending."""
    return Path(path).suffix.lower() in TRANSCRIPT_SUFFIXES


def read_transcript(path: Path, pack: Pack, *, unit: str = "kt") -> tuple[HeardCall, ...]:
    """The calls in a transcript.

    Parameters
    ----------
    path : Path
        CSV, WebVTT or SubRip, UTF-8.

    Returns
    -------
    tuple of HeardCall
        In order of time; the words of one cue share its span evenly.

    Raises
    ------
    SoundError
        Missing, empty, too large, not a text, or with faulty lines: all of them are named.
    """
    path = Path(path)
    cues = sorted(_cues(path), key=lambda cue: cue.start_s)
    calls: list[HeardCall] = []
    previous: float | None = None
    for cue in cues:
        for parsed in parse_words(cue.words, pack, previous, unit=unit, as_written=True):
            call = _heard(parsed, cue, f"t{len(calls) + 1:05d}", pack)
            calls.append(call)
            if call.kind is CallKind.AIRSPEED and Flag.NO_DECADE not in call.flags:
                previous = float(call.value or 0.0)
    return tuple(calls)


def transcript_end_s(path: Path) -> float:
    """When the last cue of a transcript ends, on the recording's own clock [s]; raises as `read_transcript`."""
    return max((cue.end_s for cue in _cues(Path(path))), default=0.0)


def _heard(parsed: Parsed, cue: Cue, call_id: str, pack: Pack) -> HeardCall:
    each_s = (cue.end_s - cue.start_s) / len(cue.words)
    start_ns = s_to_ns(cue.start_s + parsed.start * each_s)
    end_ns = s_to_ns(cue.start_s + parsed.end * each_s)
    flags = [Flag.TRANSCRIPT]
    if parsed.shorthand:
        completed = isinstance(parsed.value, float) and parsed.value > 9
        flags.append(Flag.SHORTHAND if completed else Flag.NO_DECADE)
    if parsed.doubtful:
        flags.append(Flag.UNSURE)
    if parsed.alike:
        flags.append(Flag.SOUNDS_LIKE)
    if parsed.in_talk:
        flags.append(Flag.IN_TALK)
    # Where a line of text begins is known; where in a long one a word was said is not.
    if parsed.start and cue.end_s - cue.start_s > MAX_TIMED_S:
        flags.append(Flag.TIME_SPREAD)
    return HeardCall(
        id=call_id,
        start_ns=start_ns,
        end_ns=end_ns,
        kind=parsed.kind,
        name=parsed.name,
        value=parsed.value,
        unit=parsed.unit,
        words=" ".join(parsed.words),
        posterior=DOUBTFUL_POSTERIOR if parsed.doubtful or parsed.alike else 1.0,
        flags=tuple(flags),
        engine="transcript",
        pack=pack.id,
    )


# ---- files ------------------------------------------------------------------------------------------


def _cues(path: Path) -> list[Cue]:
    text = _text(path)
    reader = {".csv": _csv_cues, ".vtt": _subtitle_cues, ".srt": _subtitle_cues}.get(path.suffix.lower())
    if reader is None:
        raise SoundError(f"{path}: got {path.suffix or 'no ending'}; expected one of {', '.join(TRANSCRIPT_SUFFIXES)}")
    if path.suffix.lower() == ".vtt" and not re.match(r"WEBVTT(\s|$)", text):
        raise SoundError(f"{path}: got {text[:20].strip()!r} first; expected WEBVTT on the first line")
    cues: list[Cue] = []
    faults: list[Fault] = []
    for found in reader(text, path):
        if isinstance(found, Fault):
            faults.append(found)
        else:
            cues.append(found)
        if len(cues) > MAX_LINES or len(faults) >= FAULTS_SHOWN:
            break
    if len(cues) > MAX_LINES:
        raise SoundError(f"{path}: more than {MAX_LINES} lines; expected one flight's transcript")
    if faults:
        raise SoundError(faults=tuple(faults))
    if not cues:
        raise SoundError(f"{path}: no spoken words in it; expected at least one line with a time and words")
    return cues


def _text(path: Path) -> str:
    try:
        with open_file(path) as file:
            raw = file.read(MAX_BYTES + 1)
    except FileRefused:
        raise
    except OSError as err:
        raise SoundError(f"{path}: cannot be read: {err.strerror}") from err
    if len(raw) > MAX_BYTES:
        raise SoundError(f"{path}: larger than {MAX_BYTES // 2**20} MB; expected a transcript")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise SoundError(f"{path}: byte {err.start} is not UTF-8; expected a text file saved as UTF-8") from err
    if not text.strip():
        raise SoundError(f"{path}: the file is empty; expected a transcript")
    if "\0" in text:
        raise SoundError(f"{path}: holds NUL bytes; expected a text file saved as UTF-8")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _csv_cues(text: str, path: Path) -> Iterator[Cue | Fault]:
    header_line = next(line for line in text.split("\n") if line.strip())
    delimiter = max(",;\t", key=header_line.count)
    rows = csv.DictReader(io.StringIO(text.lstrip("\n"), newline=""), delimiter=delimiter)
    try:
        names = {(name or "").strip().lower(): name for name in rows.fieldnames or ()}
    except csv.Error as err:
        yield Fault(where=f"{path}, header", got=str(err), expected="columns start_s and words")
        return
    missing = [key for key in ("start_s", "words") if key not in names]
    if missing:
        yield Fault(
            where=f"{path}, header",
            got=", ".join(name for name in names if name) or "nothing",
            expected=f"columns start_s and words ({' and '.join(missing)} missing)",
        )
        return
    try:
        for row in rows:
            yield from _csv_cue(row, names, f"{path}, line {rows.line_num}", comma=delimiter == ";")
    except csv.Error as err:
        yield Fault(where=f"{path}, line {rows.line_num}", got=str(err), expected="a CSV line")


def _csv_cue(row: dict, names: dict, where: str, *, comma: bool) -> Iterator[Cue | Fault]:
    words = tuple((row.get(names["words"]) or "").split())
    stamps: list[float | None] = []
    for key in ("start_s", "end_s"):
        shown = (row.get(names[key]) or "").strip() if key in names else ""
        if not shown and (key == "end_s" or not words):
            stamps.append(None)
            continue
        try:
            seconds = float(shown.replace(",", ".") if comma else shown)
        except ValueError:
            seconds = float("nan")
        if not 0 <= seconds <= MAX_SECONDS:
            yield Fault(where=f"{where}, {key}", got=repr(shown), expected=f"seconds from 0 to {MAX_SECONDS:g}")
            return
        stamps.append(seconds)
    if not words:
        return
    start_s, end_s = stamps
    if start_s is None:
        return
    if end_s is not None and end_s < start_s:
        yield Fault(where=f"{where}, end_s", got=f"{end_s:g}", expected=f"not before start_s, {start_s:g}")
        return
    yield Cue(start_s, start_s + S_PER_WORD * len(words) if end_s is None else end_s, words)


def _subtitle_cues(text: str, path: Path) -> Iterator[Cue | Fault]:
    """WebVTT and SubRip: a time line with ``-->``, then text up to an empty line."""
    lines = text.split("\n")
    k = 0
    while k < len(lines):
        if "-->" not in lines[k]:
            k += 1
            continue
        where, timing = f"{path}, line {k + 1}", lines[k]
        k += 1
        said = []
        while k < len(lines) and lines[k].strip():
            said.append(lines[k])
            k += 1
        stamps = [at_s for part in timing.split("-->") if (at_s := _stamp_s(part)) is not None]
        if len(stamps) != 2 or timing.count("-->") != 1:
            yield Fault(
                where=where, got=repr(timing.strip()[:60]), expected="two times such as 00:01:02.500 --> 00:01:03.900"
            )
        elif stamps[1] < stamps[0] or stamps[1] > MAX_SECONDS:
            yield Fault(
                where=where,
                got=repr(timing.strip()[:60]),
                expected=f"an end after the start, at most {MAX_SECONDS:g} s",
            )
        elif words := tuple(html.unescape(re.sub(r"<[^<>]*>|\{[^{}]*\}", " ", " ".join(said))).split()):
            yield Cue(stamps[0], stamps[1], words)


def _stamp_s(text: str) -> float | None:
    match = _STAMP.match(text.strip())
    if not match or int(match[2]) > 59 or int(match[3]) > 59:
        return None
    return int(match[1] or 0) * 3600 + int(match[2]) * 60 + int(match[3]) + int(match[4]) / 1000
