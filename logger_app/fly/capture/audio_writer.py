"""The only thread that writes sound: microphone queue -> disk, and on to the hearing.

It may wait for the disk; the microphone may not, and the hearing may not hold up the disk. So
sound goes to the disk first, then to the hearing's own bounded queue; what finds that full is
noted as not heard, and is heard after landing from the disk.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from logger_app.fly.capture.mic import BLOCK_SAMPLES, BlockQueue, level_dbfs
from logger_app.records.calls import CaptureGap
from logger_app.units import NS_PER_S, RATE_HZ

# How much sound may wait for the hearing before it is left for the ground.
HEARING_S = 30.0
BYTES_PER_S = 2 * RATE_HZ
# Room that sound never takes, kept for the journal: at 500 bytes a call, days of calls.
JOURNAL_BYTES = 8_000_000
WARN_S = 600.0
LOOK_AT_DISK_S = 5.0
NOT_HEARD = "not heard in flight: the recogniser fell behind; heard after landing"


class SoundStore(Protocol):
    """Where sound is kept: the flight folder's segment writer."""

    samples: int

    def write(self, pcm: np.ndarray) -> None:
        """Append; `LogError` when it cannot."""

    def skip(self, samples: int) -> None:
        """Move on without sound."""

    def close(self) -> None:
        """Finish."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundState:
    """What the screen shows of the recording, as of one block.

    `end_sample` is the flight clock after the block; `minutes_left` is None while there is plenty.
    """

    end_sample: int
    level_dbfs: float
    peak: int
    recording: bool
    trouble: str = ""
    minutes_left: float | None = None


def samples_to_ns(samples: int) -> int:
    """Samples on the flight clock to nanoseconds."""
    return samples * NS_PER_S // RATE_HZ


class HearingQueue:
    """From the writer to the hearing: pieces of sound with their place on the flight clock."""

    def __init__(self, limit_s: float = HEARING_S):
        self.limit = round(limit_s * RATE_HZ / BLOCK_SAMPLES)
        self._queue: queue.SimpleQueue[tuple[int, np.ndarray] | None] = queue.SimpleQueue()

    def put(self, first_sample: int, pcm: np.ndarray) -> bool:
        """Hand over; False when there is no room."""
        if self._queue.qsize() >= self.limit:
            return False
        self._queue.put((first_sample, pcm))
        return True

    @property
    def half_empty(self) -> bool:
        """Whether there is room enough to begin again after a jam."""
        return self._queue.qsize() <= self.limit // 2

    def end(self) -> None:
        """Say that no more will come."""
        self._queue.put(None)

    def get(self) -> tuple[int, np.ndarray] | None:
        """The next piece; None at the end."""
        return self._queue.get()


class AudioWriter(threading.Thread):
    """Writes sound, tells gaps and states, feeds the hearing.

    Ends with the microphone's last block or with `finish`; then the store is closed and the hearing
    told. `failure` says why it ended, if by an error. `on_gap` and `on_state` are called from this thread and must not wait.

    Parameters
    ----------
    store : SoundStore
        Where it is kept; used by this thread only.
    hearing : HearingQueue or None
        Where it goes next; None when nothing listens.
    on_gap : callable
        Takes a CaptureGap and whether it is sound that is kept but not heard.
    free_bytes : callable
        Free space on the flight's disk [B].
    patient : bool
        Wait for the hearing instead of leaving sound unheard: for files played fast.
    """

    def __init__(
        self,
        blocks: BlockQueue,
        store: SoundStore,
        hearing: HearingQueue | None,
        *,
        on_gap: Callable[[CaptureGap, bool], None],
        on_state: Callable[[SoundState], None],
        free_bytes: Callable[[], int],
        patient: bool = False,
    ):
        super().__init__(name="sound writer", daemon=True)
        self.blocks, self.store, self.hearing = blocks, store, hearing
        self.on_gap, self.on_state, self.free_bytes = on_gap, on_state, free_bytes
        self.patient = patient
        self.position = store.samples
        self.kept_samples = 0
        self.failure = ""
        self._stopped = threading.Event()
        self._unheard_from: int | None = None
        self._lost_from: int | None = None
        self._trouble = ""
        self._seconds_left = float("inf")
        self._look_at_disk_at = self.position

    def finish(self, within_s: float | None = None) -> bool:
        """Take what is queued, then end; False if the disk did not take it in time."""
        self.blocks.closed = True
        self._stopped.set()
        self.join(within_s)
        return not self.is_alive()

    def run(self) -> None:
        """The thread."""
        try:
            self._take_all()
        except Exception as err:
            self.failure = f"{type(err).__name__}: {err}"
        finally:
            if self.hearing:
                self.hearing.end()

    def _take_all(self) -> None:
        while True:
            block = self.blocks.get(timeout_s=0.1)
            if block is None:
                if self._stopped.is_set():
                    break
                continue
            if block.last:
                break
            if block.missing:
                self._gap(self.position, self.position + block.missing, block.why, breaks=True)
                self.position += block.missing
            self._keep(block.pcm)
            self._hand_on(block.pcm)
            self.position += len(block.pcm)
            self.on_state(self._state(block.pcm))
        self._end()

    def _keep(self, pcm: np.ndarray) -> None:
        if self.position >= self._look_at_disk_at:
            self._look_at_disk()
        if self._seconds_left <= 0:
            self._lose("disk nearly full: sound is not recorded")
            return
        try:
            if self.store.samples < self.position:
                self.store.skip(self.position - self.store.samples)
            self.store.write(pcm)
            self.kept_samples += len(pcm)
        except OSError as err:  # a LogError, or what a medium that was pulled out makes of it
            self._lose(f"sound is not recorded ({err})")
            return
        if self._lost_from is not None:
            self._gap(self._lost_from, self.position, self._trouble)
            self._lost_from, self._trouble = None, ""

    def _look_at_disk(self) -> None:
        self._look_at_disk_at = self.position + round(LOOK_AT_DISK_S * RATE_HZ)
        try:
            self._seconds_left = (self.free_bytes() - JOURNAL_BYTES) / BYTES_PER_S
        except OSError:
            self._seconds_left = 0.0

    def _lose(self, why: str) -> None:
        if self._lost_from is None:
            self._lost_from = max(self.store.samples, self.position)
            self._trouble = why
        # One try a look, not one a block: a full disk must not be hammered.
        self._seconds_left = 0.0

    def _hand_on(self, pcm: np.ndarray) -> None:
        if self.hearing is None:
            return
        if self._unheard_from is not None and not self.hearing.half_empty:
            return
        while not self.hearing.put(self.position, pcm):
            if not self.patient:
                self._unheard_from = self.position
                return
            self._stopped.wait(0.005)
        if self._unheard_from is not None:
            self._gap(self._unheard_from, self.position, NOT_HEARD, kept=True)
            self._unheard_from = None

    def _gap(self, first: int, end: int, why: str, *, kept: bool = False, breaks: bool = False) -> None:
        gap = CaptureGap(start_ns=samples_to_ns(first), end_ns=samples_to_ns(end), why=why, breaks=breaks)
        self.on_gap(gap, kept)

    def _state(self, pcm: np.ndarray) -> SoundState:
        low = self._seconds_left < WARN_S
        return SoundState(
            end_sample=self.position,
            level_dbfs=level_dbfs(pcm),
            peak=int(np.abs(pcm.astype(np.int32)).max(initial=0)),
            recording=self._lost_from is None,
            trouble=self._trouble,
            minutes_left=max(0.0, self._seconds_left / 60) if low else None,
        )

    def _end(self) -> None:
        if self._unheard_from is not None:
            self._gap(self._unheard_from, self.position, NOT_HEARD, kept=True)
        if self._lost_from is not None:
            self._gap(self._lost_from, self.position, self._trouble)
        try:
            self.store.close()
        except OSError as err:
            self._trouble = str(err)
