"""The microphone of the machine, through PortAudio. Comes back by itself after it was pulled out.

The callback copies and queues, nothing else. A second thread looks twice a second whether blocks
still come; when not, it closes the stream, asks the system anew which devices there are, and tries
to open one until it works. Not confirmed on a tablet's own microphone: tested through a sound server.
"""

from __future__ import annotations

import threading
from typing import Any

import numpy as np

from logger_app.fly.capture.mic import BLOCK_SAMPLES, BlockQueue, SampleClock, steady_s
from logger_app.units import RATE_HZ

LOOK_EVERY_S = 0.5
# No block for this long is a lost microphone; a busy machine delays callbacks by some tenths.
LOST_AFTER_S = 1.5
# PortAudio may be asked by one thread at a time only: a new start while a tone is being opened ends in a crash.
PORTAUDIO = threading.Lock()


def load_portaudio() -> tuple[Any, str]:
    """The `sounddevice` module and an empty string; else None and why there is none."""
    try:
        import sounddevice
    except (ImportError, OSError) as err:  # the PortAudio library is missing
        return None, f"no sound system ({err})"
    except Exception as err:
        return None, f"the sound system does not start ({err})"
    return sounddevice, ""


class PortAudioMicrophone:
    """The default input device, or the one named by part of its name."""

    paced = True

    def __init__(self, device: str | int | None = None):
        self.device = device
        self.name = "microphone" if device is None else f"microphone {device}"
        self.trouble = "microphone not started"
        self._sd: Any = None
        self._stream: Any = None
        self._blocks = BlockQueue()
        self._clock = SampleClock()
        self._last_block_s = 0.0
        self._stopped = threading.Event()
        self._watch: threading.Thread | None = None

    def start(self, blocks: BlockQueue) -> None:
        """Open the device if there is one; keep looking if not."""
        self._blocks = blocks
        self._last_block_s = steady_s()
        self.trouble = ""
        # Why: PortAudio does not report a pulled plug, somebody must notice the silence; and a sound server that does
        # not answer holds up whoever asks it. All that may wait for it is asked here. Ended by `stop`.
        self._watch = threading.Thread(target=self._look, name="microphone watch", daemon=True)
        self._watch.start()

    def stop(self, within_s: float | None = None) -> bool:
        """Close the device; False if it did not answer in time."""
        self._stopped.set()
        watch = self._watch
        if watch:
            watch.join(within_s)
        return not (watch and watch.is_alive())

    def _look(self) -> None:
        self._open()
        while not self._stopped.wait(LOOK_EVERY_S):
            quiet_s = steady_s() - self._last_block_s
            if self._stream is not None and quiet_s < LOST_AFTER_S:
                continue
            if self._stream is not None:
                self.trouble = "microphone lost"
                self._close()
            self._look_again()
        self._close()

    def _open(self) -> None:
        self._sd, trouble = load_portaudio()
        if self._sd is None:
            self.trouble = trouble
            return
        if not PORTAUDIO.acquire(timeout=LOOK_EVERY_S):
            self.trouble = "the sound system is not responding"
            return
        try:
            self._clock = SampleClock()
            stream = self._sd.RawInputStream(
                samplerate=RATE_HZ,
                channels=1,
                dtype="int16",
                blocksize=BLOCK_SAMPLES,
                device=self.device,
                callback=self._callback,
            )
            stream.start()
            self._stream = stream
        except Exception as err:
            self.trouble = f"no microphone ({err})"
        finally:
            PORTAUDIO.release()

    def _close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)
            except Exception as err:
                self.trouble = f"the microphone did not close properly ({err})"

    def _callback(self, data: Any, frames: int, stream_time: Any, status: Any) -> None:
        pcm = np.frombuffer(bytes(data), np.int16)
        now_s = steady_s()
        missing = self._clock.missing(stream_time.inputBufferAdcTime, frames, bool(status.input_overflow), now_s)
        why = "the sound card lost samples" if missing else ""
        if self.trouble:
            # Back after a loss: the device's own clock began anew, so the hole is the steady clock's.
            away = round((now_s - self._last_block_s) * RATE_HZ) - frames
            missing, why = max(0, away), self.trouble
            self.trouble = ""
        self._last_block_s = now_s
        self._blocks.put(pcm, missing, why)

    def _look_again(self) -> None:
        if self._sd is not None:
            if not PORTAUDIO.acquire(timeout=LOOK_EVERY_S):
                self.trouble = "the sound system is not responding"
                return
            try:
                # PortAudio lists devices once, at its start: only a new start sees a plug put back.
                self._sd._terminate()
                self._sd._initialize()
            except Exception as err:
                self.trouble = f"the sound system does not start ({err})"
                return
            finally:
                PORTAUDIO.release()
        self._open()
