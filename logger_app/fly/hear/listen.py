"""Whole recordings to calls: one stream through an engine, then the reader of sequences.

Several files are one recording, each beginning where the one before it ended. Streams in constant
memory. Not for: the microphone (`capture.listener`), journals (`hear_desk`).
Main names: `hear_files`, `hear_blocks`, `HearResult`, `second_listening`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from logger_app.errors import SoundError
from logger_app.fly.hear.engine import Engine, airspeed_range
from logger_app.fly.hear.packs import Pack
from logger_app.fly.hear.sequence import read_sequence
from logger_app.fly.hear.transcript_io import is_transcript, read_transcript, transcript_end_s
from logger_app.records.calls import CaptureGap, Flag, HeardCall
from logger_app.records.plan import Campaign
from logger_app.sound_io import RATE_HZ, open_sound
from logger_app.units import s_to_ns

BLOCK_S = 0.5
# Samples that are all alike for this long are no microphone's [s].
GAP_S = 0.25
# Share of calls with the same fault of sound from which it is said in words.
MANY = 0.3
# A recording whose loudest sample is under this is silence: less than one step in a thousand.
SILENT = 33


@dataclass(frozen=True, slots=True, kw_only=True)
class HearResult:
    """What was heard in a recording; times count from its beginning.

    `starts_s` says where each file begins [s]; `notes` are sentences on the quality of the sound.
    """

    files: tuple[str, ...]
    duration_s: float
    engine: str
    pack: str
    calls: tuple[HeardCall, ...]
    gaps: tuple[CaptureGap, ...] = ()
    starts_s: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict:
        """The document of ``hear --json``."""
        return {
            "files": list(self.files),
            "starts_s": [round(start, 3) for start in self.starts_s],
            "duration_s": round(self.duration_s, 3),
            "engine": self.engine,
            "pack": self.pack,
            "calls": [call.as_json() for call in self.calls],
            "gaps": [gap.as_json() for gap in self.gaps],
            "notes": list(self.notes),
        }


def hear_files(
    paths: Sequence[Path],
    engine: Engine,
    pack: Pack,
    campaign: Campaign | None = None,
    progress: Callable[[float], None] | None = None,
    on_sound: Callable[[Path, np.ndarray], None] | None = None,
) -> HearResult:
    """The calls in sound files or transcripts.

    Parameters
    ----------
    paths : sequence of Path
        Sound or video files, or transcripts (CSV, WebVTT, SubRip); not both kinds at once [-].
    engine : Engine
        A fresh one; not used for transcripts [-].
    pack : Pack
        What may be said [-].
    campaign : Campaign, optional
        Unit of the indicator, range of airspeeds [-].
    progress : callable, optional
        Called with 0 to 1 [-].
    on_sound : callable, optional
        Called with each file and each block of its sound, 16 kHz mono [-].

    Returns
    -------
    HearResult
        Calls as read in sequence [-].

    Raises
    ------
    SoundError
        A file cannot be used, is silent throughout, or nothing in it is a call.
    """
    low, high, unit = airspeed_range(campaign)
    texts = [path for path in paths if is_transcript(path)]
    if texts and len(texts) < len(paths):
        raise SoundError(f"{texts[0]}: a transcript among sound files; give the one or the other.")
    if texts:
        calls, starts, duration_s, gaps = *_read_texts(texts, pack, unit), ()
        name, notes = "transcript", ()
    else:
        feed = _Feed(paths, progress or (lambda fraction: None), on_sound or (lambda path, pcm: None))
        calls = hear_blocks(feed.blocks(), engine)
        starts, duration_s, gaps = feed.starts_s, feed.samples / RATE_HZ, tuple(feed.gaps)
        name, notes = engine.name, sound_notes(calls)
        if feed.loudest < SILENT:
            raise SoundError(f"{_names(paths)}: silence from beginning to end; expected a recording with speech.")
    if not calls:
        raise SoundError(
            f"{_names(paths)}: no call in it ({duration_s:.0f} s); expected spoken airspeeds or events of "
            f"language pack {pack.name}."
        )
    read = read_sequence(calls, unit=unit, low=low, high=high)
    return HearResult(
        files=tuple(map(str, paths)), duration_s=duration_s, engine=name, pack=pack.id, calls=read, gaps=gaps,
        starts_s=tuple(starts), notes=notes,
    )  # fmt: skip


def hear_blocks(blocks: Iterable[np.ndarray], engine: Engine) -> list[HeardCall]:
    """The calls in sound that comes in blocks; nothing read in sequence yet.

    Parameters
    ----------
    blocks : iterable of ndarray of int16
        16 kHz mono [-].
    engine : Engine
        A fresh one [-].

    Returns
    -------
    list of HeardCall
        In order of time, from 0 at the first sample [-].
    """
    calls: list[HeardCall] = []
    for block in blocks:
        calls += engine.feed(block)
    return calls + engine.finish()


def sound_notes(calls: Sequence[HeardCall]) -> tuple[str, ...]:
    """What is wrong with the sound of many calls, in words.

    Parameters
    ----------
    calls : sequence of HeardCall
        With their flags [-].

    Returns
    -------
    tuple of str
        Sentences; none when the sound is good [-].
    """
    notes = []
    for flag, words in (
        (Flag.CLIPPED, "clipped: turn the microphone's gain down"),
        (Flag.TOO_QUIET, "very quiet: turn the microphone's gain up"),
    ):
        count = sum(flag in call.flags for call in calls)
        if count and count >= MANY * len(calls):
            notes.append(f"{count} of {len(calls)} calls are {words}, and check these calls by ear.")
    return tuple(notes)


class _Feed:
    """Blocks of all files as one stream, with what is noticed on the way."""

    def __init__(self, paths, progress, on_sound):
        self.paths, self.progress, self.on_sound = paths, progress, on_sound
        self.samples = 0
        self.loudest = 0
        self.starts_s: list[float] = []
        self.gaps: list[CaptureGap] = []
        self._flat_from: int | None = None
        self._flat_value: int | None = None

    def blocks(self) -> Iterator[np.ndarray]:
        for k, path in enumerate(self.paths):
            self.starts_s.append(self.samples / RATE_HZ)
            with open_sound(path) as stream:
                began = self.samples
                for _ in range(int(stream.start_s / BLOCK_S)):
                    yield self._took(path, np.zeros(round(BLOCK_S * RATE_HZ), np.int16))
                yield self._took(path, np.zeros(round(stream.start_s % BLOCK_S * RATE_HZ), np.int16))
                for block in stream.blocks(BLOCK_S):
                    yield self._took(path, block)
                    if stream.duration_s:
                        done = (self.samples - began) / RATE_HZ / stream.duration_s
                        self.progress((k + min(1.0, done)) / len(self.paths))
            self._end_flat(self.samples)
        self.progress(1.0)

    def _took(self, path: Path, block: np.ndarray) -> np.ndarray:
        if len(block):
            self.on_sound(path, block)
            self.loudest = max(self.loudest, int(np.abs(block.astype(np.int32)).max()))
            self._find_gaps(block)
            self.samples += len(block)
        return block

    def _find_gaps(self, block: np.ndarray) -> None:
        """Exact zeros are sound that is missing: a hole, a dropout, a microphone that was off."""
        for k in range(0, len(block), 800):
            flat = not block[k : k + 800].any()
            if flat and self._flat_from is None:
                self._flat_from = self.samples + k
            elif not flat:
                self._end_flat(self.samples + k)

    def _end_flat(self, sample: int) -> None:
        if self._flat_from is not None and sample - self._flat_from >= GAP_S * RATE_HZ:
            self.gaps.append(
                CaptureGap(
                    start_ns=s_to_ns(self._flat_from / RATE_HZ), end_ns=s_to_ns(sample / RATE_HZ), why="no sound in the recording"
                )
            )
        self._flat_from = None


def _read_texts(paths: Sequence[Path], pack: Pack, unit: str) -> tuple[list[HeardCall], list[float], float]:
    calls: list[HeardCall] = []
    starts, at_s = [], 0.0
    for path in paths:
        starts.append(at_s)
        shift = s_to_ns(at_s)
        for call in read_transcript(path, pack, unit=unit):
            calls.append(
                replace(call, id=f"t{len(calls) + 1:05d}", start_ns=call.start_ns + shift, end_ns=call.end_ns + shift)
            )
        at_s += transcript_end_s(path)
    return calls, starts, at_s


def _names(paths: Sequence[Path]) -> str:
    return ", ".join(str(path) for path in paths[:3]) + (" ..." if len(paths) > 3 else "")
