"""A recording in place of the microphone: at the pace it was made, or as fast as it can be heard."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np

from logger_app.errors import SoundError
from logger_app.fly.capture.mic import BLOCK_SAMPLES, BlockQueue
from logger_app.units import RATE_HZ


class FileMicrophone:
    """Plays a sound file of any format into the queue.

    Its one thread exists because a file must not arrive all at once; it ends with the file, or
    with `stop`.

    Raises
    ------
    SoundError
        At once, if the file cannot be opened. If it is damaged further on, what came before has
        been played, and `trouble` gives the reason.
    """

    def __init__(self, path: Path, paced: bool = True):
        from logger_app.io.sound import open_sound

        self.path = Path(path)
        self.name = self.path.name
        self.paced = paced
        self.trouble = ""
        self._blocks = open_sound(self.path).blocks(BLOCK_SAMPLES / RATE_HZ)
        self._first = next(self._blocks, np.zeros(0, np.int16))
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, blocks: BlockQueue) -> None:
        """Begin to play."""
        self._thread = threading.Thread(target=self._play, args=(blocks,), name="file microphone", daemon=True)
        self._thread.start()

    def stop(self, within_s: float | None = None) -> bool:
        """Stop playing; False if reading the file did not end in time."""
        self._stopped.set()
        if self._thread:
            self._thread.join(within_s)
        return not (self._thread and self._thread.is_alive())

    def _play(self, queue: BlockQueue) -> None:
        began_s, played = time.monotonic(), 0
        try:
            for pcm in self._all():
                played += len(pcm)
                if self.paced:
                    # A block is there when its last sample has been spoken, as with a sound card.
                    self._stopped.wait(max(0.0, began_s + played / RATE_HZ - time.monotonic()))
                if self._stopped.is_set():
                    return
                if self.paced:
                    queue.put(pcm)
                else:
                    queue.put_waiting(pcm, self._stopped)
        except SoundError as err:
            self.trouble = str(err)
        except Exception as err:
            self.trouble = f"{self.path}: cannot be read further ({type(err).__name__}: {err})."
        finally:
            queue.end()

    def _all(self):
        yield self._first
        yield from self._blocks
