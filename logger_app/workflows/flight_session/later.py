"""Hearing from the disk, after landing, what was recorded but not heard in the air."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from logger_app.fly.capture.listener import Recogniser
from logger_app.logstore import codec
from logger_app.logstore.audio_io import read_sound
from logger_app.logstore.store import Journal, utc_now
from logger_app.records.calls import CaptureGap, HeardCall
from logger_app.records.journal import JournalRow
from logger_app.units import RATE_HZ, ns_to_s

BLOCK_S = 1.0


class LaterHearing(threading.Thread):
    """Hears stretch after stretch; `on_rows` takes the rows of each. Ends by itself, or soon after `hurry`."""

    def __init__(
        self,
        stretches: Sequence[CaptureGap],
        journal: Journal,
        make_engine: Callable[[], Recogniser],
        on_rows: Callable[[tuple[JournalRow, ...]], None],
    ):
        super().__init__(name="hearing after landing", daemon=True)
        self.stretches, self.journal, self.make_engine, self.on_rows = stretches, journal, make_engine, on_rows
        self.failure = ""
        self._stopped = threading.Event()

    @property
    def length_s(self) -> float:
        """How much sound there is to hear [s]."""
        return ns_to_s(sum(gap.end_ns - gap.start_ns for gap in self.stretches))

    def hurry(self) -> None:
        """Leave out what has not been heard yet."""
        self._stopped.set()

    def run(self) -> None:
        """The thread."""
        for gap in self.stretches:
            try:
                calls = list(hear_stretch(self.journal.flight_dir, gap, self.make_engine(), self._stopped.is_set))
            except Exception as err:
                self.failure = f"{type(err).__name__}: {err}"
                continue
            utc = utc_now()
            rows = [codec.call_row(replace(call, id=self.journal.new_id("call")), utc) for call in calls]
            if rows:
                self.on_rows(tuple(rows))


def hear_stretch(
    flight_dir: Path, stretch: CaptureGap, engine: Recogniser, stopped: Callable[[], bool] = lambda: False
) -> Iterator[HeardCall]:
    """The calls in a stretch of a flight's sound, on the flight clock; fewer where it is stopped."""
    pcm = read_sound(flight_dir, ns_to_s(stretch.start_ns), ns_to_s(stretch.end_ns))
    step = round(BLOCK_S * RATE_HZ)
    for first in range(0, len(pcm), step):
        if stopped():
            return
        yield from (
            _shifted(call, stretch.start_ns) for call in engine.feed(np.ascontiguousarray(pcm[first : first + step]))
        )
    yield from (_shifted(call, stretch.start_ns) for call in engine.finish())


def _shifted(call: HeardCall, by_ns: int) -> HeardCall:
    return replace(
        call,
        start_ns=call.start_ns + by_ns,
        end_ns=call.end_ns + by_ns,
        word_times=tuple((word, start_ns + by_ns, end_ns + by_ns) for word, start_ns, end_ns in call.word_times),
    )
