"""The thread that hears: takes sound from its queue, feeds the recogniser, puts calls on the flight clock.

It may be slow, it may fail: recording and cards go on. What it did not hear becomes a gap.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from typing import Protocol

import numpy as np

from logger_app.fly.capture.audio_writer import HearingQueue, samples_to_ns
from logger_app.fly.capture.mic import level_dbfs
from logger_app.records.calls import CaptureGap, HeardCall
from logger_app.units import NS_PER_S, RATE_HZ

# Silence fed where sound is missing, so that the word before and the word after are not glued together.
SEAM_S = 0.6
FAILED = "not heard: the recogniser failed"


class Recogniser(Protocol):
    """What is needed of an engine (see `fly.hear.engine`); times from 0 on the stream fed to it."""

    def feed(self, pcm: np.ndarray) -> list[HeardCall]:
        """Sound in, finished calls out."""

    def finish(self) -> list[HeardCall]:
        """What is left at the end."""

    def partial(self) -> str:
        """The words being spoken."""


class StreamClock:
    """From the time of the stream fed to the engine to the flight clock, piece by piece.

    ::

        flight   ├── fed ──┤  not fed  ├── fed ──┤
        stream   ├── fed ──┤seam├── fed ──┤            a time in the seam counts from the piece before
    """

    def __init__(self) -> None:
        self._pieces: list[tuple[int, int]] = []  # (stream sample, flight sample) where a piece begins
        self.stream_end = 0
        self._flight_end: int | None = None

    def joins(self, first_sample: int) -> bool:
        """Whether sound at this flight sample follows on what was fed last."""
        return self._flight_end in (None, first_sample)

    def seam(self, samples: int) -> None:
        """Silence was fed that is not on the flight clock."""
        self.stream_end += samples
        self._flight_end = None

    def fed(self, first_sample: int, samples: int) -> None:
        """Sound from this flight sample on was fed."""
        if self._flight_end != first_sample:
            self._pieces.append((self.stream_end, first_sample))
        self.stream_end += samples
        self._flight_end = first_sample + samples

    def to_flight_ns(self, stream_ns: int) -> int:
        """A time on the stream, on the flight clock [ns]."""
        stream_sample = stream_ns * RATE_HZ // NS_PER_S
        stream0, flight0 = self._pieces[0] if self._pieces else (0, 0)
        for piece in reversed(self._pieces):
            if piece[0] <= stream_sample:
                stream0, flight0 = piece
                break
        return stream_ns + samples_to_ns(flight0) - samples_to_ns(stream0)

    def on_flight(self, call: HeardCall) -> HeardCall:
        """A call with its times moved to the flight clock."""
        start_ns = max(0, self.to_flight_ns(call.start_ns))
        return replace(
            call,
            start_ns=start_ns,
            end_ns=max(start_ns, self.to_flight_ns(call.end_ns)),
            word_times=tuple((w, self.to_flight_ns(a), self.to_flight_ns(b)) for w, a, b in call.word_times),
        )


class Listener(threading.Thread):
    """Hears until its queue ends; then tells the last calls and ends.

    Parameters
    ----------
    on_calls, on_partial, on_heard, on_gap : callable
        Calls on the flight clock; words being spoken; the flight sample heard up to and the level
        of that piece [dB]; a stretch not heard. Called from this thread; must not wait.
    read : callable
        The reader of sequences: finished calls in, calls out.
    """

    def __init__(
        self,
        engine: Recogniser,
        sound: HearingQueue,
        *,
        on_calls: Callable[[list[HeardCall]], None],
        on_partial: Callable[[str], None],
        on_heard: Callable[[int, float], None],
        on_gap: Callable[[CaptureGap, bool], None],
        read: Callable[[Iterable[HeardCall]], list[HeardCall]] = list,
    ):
        super().__init__(name="hearing", daemon=True)
        self.engine, self.sound = engine, sound
        self.on_calls, self.on_partial, self.on_heard, self.on_gap = on_calls, on_partial, on_heard, on_gap
        self.read = read
        self.failure = ""
        self._clock = StreamClock()
        self._partial = ""
        self._failed_from: int | None = None
        self._heard_to = 0

    def run(self) -> None:
        """The thread."""
        while (piece := self.sound.get()) is not None:
            first_sample, pcm = piece
            if self._failed_from is None:
                self._try(partial(self._hear, first_sample, pcm), first_sample)
            self._heard_to = first_sample + len(pcm)
            self.on_heard(self._heard_to, level_dbfs(pcm))
        if self._failed_from is None:
            self._try(lambda: self._tell(self.engine.finish()), self._heard_to)
            self.on_partial("")
        if self._failed_from is not None and self._heard_to > self._failed_from:
            start_ns, end_ns = samples_to_ns(self._failed_from), samples_to_ns(self._heard_to)
            self.on_gap(CaptureGap(start_ns=start_ns, end_ns=end_ns, why=FAILED, breaks=False), True)

    def _try(self, act: Callable[[], None], at_sample: int) -> None:
        try:
            act()
        except Exception as err:
            self.failure = f"{type(err).__name__}: {err}"
            self._failed_from = at_sample
            self.on_partial("")

    def _hear(self, first_sample: int, pcm: np.ndarray) -> None:
        if not self._clock.joins(first_sample):
            silence = np.zeros(round(SEAM_S * RATE_HZ), np.int16)
            calls = self.engine.feed(silence)
            self._clock.seam(len(silence))
            self._tell(calls)
        self._clock.fed(first_sample, len(pcm))
        self._tell(self.engine.feed(pcm))
        words = self.engine.partial()
        if words != self._partial:
            self._partial = words
            self.on_partial(words)

    def _tell(self, calls: list[HeardCall]) -> None:
        if calls := self.read([self._clock.on_flight(call) for call in calls]):
            self.on_calls(calls)
