"""What a microphone is, and how its blocks are put on the flight clock.

A microphone pushes 16 kHz mono 16-bit blocks into a `BlockQueue` from a thread that must never
wait (the sound card's callback). It does not raise in flight: it says its trouble in words, tries
again by itself, and what was lost comes as `missing` samples with the next block.
"""

from __future__ import annotations

import math
import queue
import sys
import threading
import time
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from logger_app.units import RATE_HZ

BLOCK_SAMPLES = 800  # 50 ms: a word's start is on the screen soon, the callback rate is modest
# How much sound may wait for the writer before blocks are dropped. A disk that stalls longer than
# this loses sound, which then shows as a gap.
QUEUE_S = 20.0
# How long a sound system may take to let go of a microphone before it is left behind.
MAX_STOP_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A piece of sound. `missing` samples were lost just before it, `why` says how; `last` ends a file."""

    pcm: np.ndarray
    missing: int = 0
    why: str = ""
    last: bool = False


class BlockQueue:
    """From the microphone's thread to the writer's: bounded, and never waits on the way in.

    One thread puts, one takes. What does not fit is counted and reported with the next block.
    """

    def __init__(self, limit_s: float = QUEUE_S) -> None:
        self.limit = max(1, round(limit_s * RATE_HZ / BLOCK_SAMPLES))
        self._queue: queue.SimpleQueue[Block] = queue.SimpleQueue()
        self._dropped = 0
        self.closed = False  # set when no more is wanted: a device that does not stop is not listened to

    def put(self, pcm: np.ndarray, missing: int = 0, why: str = "") -> None:
        """Hand over a block (already a copy); drops it, and remembers that, when the queue is full."""
        if self.closed:
            return
        if self._queue.qsize() >= self.limit:
            self._dropped += missing + len(pcm)
            return
        if self._dropped:
            missing, why, self._dropped = missing + self._dropped, why or "the disk was too slow", 0
        self._queue.put(Block(pcm=pcm, missing=missing, why=why))

    def put_waiting(self, pcm: np.ndarray, stopped: threading.Event) -> None:
        """As `put`, but waits for room: for a file that is played as fast as it can be heard."""
        while self._queue.qsize() >= self.limit and not stopped.is_set():
            time.sleep(0.002)
        self.put(pcm)

    def end(self) -> None:
        """Say that no more will come."""
        self._queue.put(Block(pcm=np.zeros(0, np.int16), last=True))

    @property
    def has_some(self) -> bool:
        """Whether sound waits in it."""
        return not self._queue.empty()

    def get(self, timeout_s: float) -> Block | None:
        """The next block, or None when none came in time."""
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None


class Microphone(Protocol):
    """Where sound comes from. `paced` is False for a file played faster than time goes."""

    name: str
    paced: bool

    def start(self, blocks: BlockQueue) -> None:
        """Begin to push; returns at once and does not raise for a device that is not there."""

    def stop(self, within_s: float | None = None) -> bool:
        """Stop pushing; gives whether no more will come (False: it did not answer in time). Safe to call twice."""

    @property
    def trouble(self) -> str:
        """What is wrong, in words for the screen; empty when sound is coming."""


class SampleClock:
    """How many samples went missing between two blocks, from their ADC times.

    ::

        ADC time      |<- block ->|<- block ->|   lost   |<- block ->|
        expected here             ▲           ▲          ·           after the block before
        difference                0           0          > 0.25 s, or > 5 ms and an overflow

    Callbacks arrive late and in bursts, so that holes are not measured by them. But ADC times may be
    those of a clock that somebody sets (PortAudio 19.6 on Linux gives the wall clock's): a block that
    would come before it was spoken, or one whose time goes back, tells of a clock that was set, not of
    lost sound; and nothing holds back sound for as long as a machine sleeps.

    ::

        came - ADC time   | late late least late ...            -> set forwards: less than the least so far
    """

    # A driver's ADC times jitter by some milliseconds; the driver reports a real hole (overflow)
    # or is much longer.
    OVERFLOW_S = 0.005
    UNREPORTED_S = 0.25
    # How much earlier than ever before is a clock that was set; where the driver reports a loss it is believed more.
    EARLY_S = 0.1
    OVERFLOW_EARLY_S = 2.0
    # The most that a sound system holds back before it hands it over (common practice, no source: some
    # seconds), and the least that is a lost microphone where nothing better is known.
    HELD_BACK_S = 20.0
    LOST_S = 1.5
    # A wall clock that is put right slowly runs off by up to 500 ppm (adjtime(3)); the least lateness follows.
    DRIFT = 1e-3

    def __init__(self) -> None:
        self._expected_s: float | None = None
        self._came_s: float | None = None
        self._least_late_s: float | None = None

    def missing(self, adc_s: float, samples: int, overflow: bool, came_s: float | None = None) -> int:
        """Samples lost before a block.

        Parameters
        ----------
        adc_s : float
            When its first sample was taken, by the device [s]; 0 where the driver does not say.
        overflow : bool
            Whether the driver reports a loss.
        came_s : float, optional
            When it was handed over, by `steady_s` [s]; without it the ADC times are believed.
        """
        expected_s, self._expected_s = self._expected_s, adc_s + samples / RATE_HZ if adc_s > 0 else None
        before_s, self._came_s = self._came_s, came_s
        if self._expected_s is None:
            return 0
        late_s = None if came_s is None else came_s - self._expected_s
        if expected_s is None:
            self._least_late_s = late_s
            return 0
        hole_s = adc_s - expected_s
        if came_s is not None and late_s is not None and before_s is not None and self._least_late_s is not None:
            waited_s = came_s - before_s - samples / RATE_HZ
            hole_s, self._least_late_s = self._believed_s(hole_s, late_s, self._least_late_s, waited_s, overflow)
        return round(hole_s * RATE_HZ) if hole_s > (self.OVERFLOW_S if overflow else self.UNREPORTED_S) else 0

    def _believed_s(
        self, hole_s: float, late_s: float, least_late_s: float, waited_s: float, overflow: bool
    ) -> tuple[float, float]:
        """The hole that the ADC times tell of, unless their clock was set; and the least lateness from now on."""
        early_s = least_late_s - late_s
        if early_s > (self.OVERFLOW_EARLY_S if overflow else self.EARLY_S):
            return hole_s - early_s, late_s
        if hole_s < -self.UNREPORTED_S or waited_s > hole_s + self.HELD_BACK_S:
            return (waited_s if waited_s > self.LOST_S else 0.0), late_s
        return hole_s, min(late_s, least_late_s + self.DRIFT * BLOCK_SAMPLES / RATE_HZ)


def steady_s() -> float:
    """Seconds of a clock that nobody sets and that goes on while the machine sleeps.

    `time.monotonic` stands still in sleep on Linux (clock_gettime(2): ``CLOCK_BOOTTIME`` does not) and
    on macOS (where ``CLOCK_MONOTONIC`` does not).
    """
    clock = getattr(time, "CLOCK_BOOTTIME", None) or (time.CLOCK_MONOTONIC if sys.platform == "darwin" else None)
    return time.monotonic() if clock is None else time.clock_gettime(clock)


def level_dbfs(pcm: np.ndarray) -> float:
    """Level of a block over full scale, root mean square [dB]; -96 for silence."""
    if not len(pcm):
        return -96.0
    rms = float(np.sqrt(np.mean(np.square(pcm.astype(np.float32)))))
    return max(-96.0, 20 * math.log10(max(rms, 1e-9) / 32768.0))
