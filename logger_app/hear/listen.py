"""Whole recordings to calls: one stream through an engine, then the reader of sequences.

Several files are one recording, each beginning where the one before it ended. Streams in constant
memory. Not for: the microphone (`capture.listener`), journals (`hear_into_flight`).
Main names: `hear_files`, `hear_blocks`, `HearResult`, `second_listening`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from logger_app.errors import EngineError, SoundError
from logger_app.hear.engine import Engine, airspeed_range, usual_high
from logger_app.hear.packs import Pack
from logger_app.hear.sequence import read_sequence
from logger_app.hear.transcript_io import is_transcript, read_transcript, transcript_end_s
from logger_app.io.sound import open_sound
from logger_app.records.calls import CaptureGap, Flag, HeardCall
from logger_app.records.plan import Campaign
from logger_app.units import RATE_HZ, s_to_ns

if TYPE_CHECKING:
    from logger_app.hear.engine_callout import CalloutEngine

BLOCK_S = 0.5
# Samples that are all alike for this long are no microphone's [s].
GAP_S = 0.25
# Share of calls with the same fault of sound from which it is said in words.
MANY = 0.3
# A recording whose loudest sample is under this is silence: less than one step in a thousand.
SILENT = 33
# Two listenings place the same words within this of each other.
SAME_MOMENT_NS = 700_000_000
# The second listening takes pieces of this length, cut within so much more [s].
MINUTE_S, CUT_S = 50, 10


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
    engine: Engine | None,
    pack: Pack,
    campaign: Campaign | None = None,
    progress: Callable[[float], None] | None = None,
    on_sound: Callable[[Path, np.ndarray], None] | None = None,
    again: CalloutEngine | None = None,
) -> HearResult:
    """The calls in sound files or transcripts.

    Parameters
    ----------
    paths : sequence of Path
        Sound or video files, or transcripts (CSV, WebVTT, SubRip); not both kinds at once.
    engine : Engine
        A fresh one; not used for transcripts.
    campaign : Campaign, optional
        Unit of the indicator, range of airspeeds.
    progress : callable, optional
        Called with 0 to 1.
    on_sound : callable, optional
        Called with each file and each block of its sound, 16 kHz mono.
    again : CalloutEngine, optional
        A fresh one of our own: the sound is heard a second time, slower (`second_listening`).

    Raises
    ------
    SoundError
        A file cannot be used, is silent throughout, or nothing in it is a call.
    """
    low, high, unit = airspeed_range(campaign)
    texts = [path for path in paths if is_transcript(path)]
    if texts and len(texts) < len(paths):
        raise SoundError(f"{texts[0]}: a transcript among sound files; give transcripts or sound files, not both.")
    if texts:
        calls, starts, duration_s = _read_texts(texts, pack, unit)
        gaps: tuple[CaptureGap, ...] = ()
        name, notes = "transcript", tuple[str, ...]()
    elif engine is None:
        raise EngineError("sound files need a recogniser; only transcripts are read without one.")
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
    if again and not texts:
        repeat = _Feed(paths, lambda fraction: None, lambda path, pcm: None)
        read = second_listening(minutes(repeat.blocks()), again, calls, campaign=campaign)
    else:
        read = read_sequence(calls, unit=unit, low=low, high=high, usual_high=usual_high(campaign))
    return HearResult(
        files=tuple(map(str, paths)),
        duration_s=duration_s,
        engine=name,
        pack=pack.id,
        calls=read,
        gaps=gaps,
        starts_s=tuple(starts),
        notes=notes,
    )


def hear_blocks(blocks: Iterable[np.ndarray], engine: Engine) -> list[HeardCall]:
    """The calls in sound that comes in blocks; nothing read in sequence yet.

    Parameters
    ----------
    blocks : iterable of ndarray of int16
        16 kHz mono.

    Returns
    -------
    list of HeardCall
        In order of time, from 0 at the first sample.
    """
    calls: list[HeardCall] = []
    for block in blocks:
        calls += engine.feed(block)
    return calls + engine.finish()


def second_listening(
    blocks: Iterable[np.ndarray],
    engine: CalloutEngine,
    first: Sequence[HeardCall],
    *,
    others: Sequence[Sequence[HeardCall]] = (),
    campaign: Campaign | None = None,
) -> tuple[HeardCall, ...]:
    """Hear a recording again, slower: agreement makes a call surer, disagreement is flagged.

    Parameters
    ----------
    blocks : iterable of ndarray of int16
        16 kHz mono; best cut in silences, about a minute each.
    first : sequence of HeardCall
        What was heard at first, not read in sequence.
    others : sequence of sequence of HeardCall
        What other recognisers heard in the same sound.
    campaign : Campaign, optional
        Unit of the indicator, range of airspeeds.

    Returns
    -------
    tuple of HeardCall
        The first listening's calls, read in sequence with what the second heard; none is changed
        in value, none dropped. What only the second heard is added, flagged `DISAGREE`.
    """
    second = [call for block in blocks for call in engine.hear_all(block)] + engine.finish()
    calls = agree(first, second)
    for other in others:
        calls = agree(calls, other, add=False)
    low, high, unit = airspeed_range(campaign)
    return read_sequence(calls, unit=unit, low=low, high=high, usual_high=usual_high(campaign))


def minutes(blocks: Iterable[np.ndarray]) -> Iterator[np.ndarray]:
    """Sound in pieces of about a minute, cut where it is quietest and at whole 20 ms frames.

    Parameters
    ----------
    blocks : iterable of ndarray of int16
        16 kHz mono.
    """
    held = np.zeros(0, np.int16)
    for block in blocks:
        held = np.concatenate([held, block])
        if len(held) >= (MINUTE_S + CUT_S) * RATE_HZ:
            first = MINUTE_S * RATE_HZ // 320
            energy = (held[first * 320 : len(held) // 320 * 320].astype(float).reshape(-1, 320) ** 2).mean(1)
            smooth = np.convolve(energy, np.ones(25) / 25, "same")
            cut = (first + int(smooth.argmin())) * 320
            yield held[:cut]
            held = held[cut:]
    if len(held):
        yield held


def agree(first: Sequence[HeardCall], second: Sequence[HeardCall], *, add: bool = True) -> list[HeardCall]:
    """Two listenings of the same sound as one.

    Parameters
    ----------
    add : bool
        Whether what only the second heard is added.

    Returns
    -------
    list of HeardCall
        In order of time. The same call twice is surer; two different ones at the same time, or one
        that only one listening heard, are flagged `DISAGREE`.
    """
    rest = list(second)
    joined = []
    for call in first:
        near = [other for other in rest if abs(other.start_ns - call.start_ns) <= SAME_MOMENT_NS]
        same = [other for other in near if (other.kind, other.name, other.value) == (call.kind, call.name, call.value)]
        partner = min(same or near, key=lambda other: abs(other.start_ns - call.start_ns), default=None)
        if partner is not None:
            rest.remove(partner)
        joined.append(
            _surer(call, partner)
            if same and partner is not None
            else replace(call, flags=_flagged(call.flags, Flag.DISAGREE))
        )
    if add:
        joined += [replace(call, id=f"s{call.id}", flags=_flagged(call.flags, Flag.DISAGREE)) for call in rest]
    return sorted(joined, key=lambda call: (call.start_ns, call.id))


def _surer(call: HeardCall, other: HeardCall) -> HeardCall:
    """Both listenings use the same sound, so they are not independent: half-way to the surer of the two."""
    best = max(call.posterior, other.posterior)
    return replace(call, posterior=max(call.posterior, (best + 1 - (1 - call.posterior) * (1 - other.posterior)) / 2))


def _flagged(flags: tuple[Flag, ...], flag: Flag) -> tuple[Flag, ...]:
    return flags if flag in flags else (*flags, flag)


def sound_notes(calls: Sequence[HeardCall]) -> tuple[str, ...]:
    """What is wrong with the sound of many calls, in words.

    Returns
    -------
    tuple of str
        Sentences; none when the sound is good.
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
                    start_ns=s_to_ns(self._flat_from / RATE_HZ),
                    end_ns=s_to_ns(sample / RATE_HZ),
                    why="no sound in the recording",
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
